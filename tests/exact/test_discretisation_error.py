"""The estimate of the discretisation error that a fit prints, against a fine reference."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tests.cli import campaign as tiny
from wallsim.build import load_campaign
from wallsim.case import load_case
from wallsim.estimate.document import discretisation_errors
from wallsim.estimate.first_estimate import slope_method, starting_point
from wallsim.estimate.joint import _models
from wallsim.estimate.resolution import choose
from wallsim.estimate.run_model import Resolution, WallBuilder, readings
from wallsim.estimate.unknowns import Unknowns
from wallsim.starter import write_starter

ROOT = Path(__file__).parents[2]
SUITE = {
    "tiny": tiny.write,
    "starter": lambda folder: (folder.mkdir(), write_starter(folder))[1],
}
LONG = {"lance": lambda _: ROOT / "cases/lance/case.toml",
        "north": lambda _: ROOT / "tests/campaigns/north/case.toml"}


def estimated_and_true(path, resolution_of):
    """Return tolerance, estimated and true errors [K] of every trace at the fit's start."""
    campaign = load_campaign(load_case(path))
    unknowns = Unknowns.of(campaign, None)
    x = unknowns.prior.x(starting_point(unknowns, slope_method(campaign)))
    at = resolution_of(campaign, unknowns, x)
    reference = Resolution(3 * at.n_r, 3 * at.n_z, 4.0 * at.fineness)

    def marched(resolution):
        wall = WallBuilder(unknowns, resolution).at(x)[0]
        return [readings(run, x, wall, None, derivatives=False).T
                for run in _models(campaign, unknowns, resolution)]

    runs = _models(campaign, unknowns, at)
    stand_in = SimpleNamespace(campaign=campaign, unknowns=unknowns, resolution=at, x=x, runs=runs)
    estimated = discretisation_errors(stand_in, SimpleNamespace(map=map))
    pairs = zip(marched(at), marched(reference), strict=True)
    true = [np.abs(a - b).max() for coarse, fine in pairs
            for a, b in zip(coarse, fine, strict=True)]
    return campaign.case.fit.tolerance, np.concatenate(list(estimated.values())), np.array(true)


def check(path, resolution_of, *, chosen):
    tolerance, estimated, true = estimated_and_true(path, resolution_of)
    assert (true < 2.0 * estimated).all(), (estimated, true)
    if chosen:
        assert true.max() < tolerance


@pytest.mark.parametrize("name", ["tiny", pytest.param("starter", marks=pytest.mark.slow)])
def test_estimate_is_not_half_of_the_error_at_the_chosen_resolution(name, tmp_path):
    check(SUITE[name](tmp_path / name), choose, chosen=True)


@pytest.mark.slow
@pytest.mark.parametrize("at", [(1, 24, 4.0), (3, 6, 4.0), (2, 12, 0.5)])
def test_estimate_is_not_half_of_the_error_where_one_direction_is_coarse(at, tmp_path):
    """Across, along, and in time: the error in turn comes from each."""
    check(tiny.write(tmp_path / "tiny"), lambda *_: Resolution(*at), chosen=False)


@pytest.mark.slow
@pytest.mark.parametrize("name", LONG)
def test_estimate_is_not_half_of_the_error_in_long_campaigns(name, tmp_path):
    check(LONG[name](tmp_path), choose, chosen=True)
