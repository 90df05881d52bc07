"""Few draws whose spread is exact where it matters, so that a prediction has the fit's interval."""

from dataclasses import replace

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import write
from tests.statistics.campaigns import Here
from wallsim.build import load_campaign
from wallsim.estimate.bore import bore_readouts
from wallsim.estimate.readouts import QUANTILE
from wallsim.estimate.resolution import first_guess
from wallsim.estimate.run_model import RunModel, WallBuilder
from wallsim.plan.directed import directed, draws_for
from wallsim.plan.draws import Knowledge
from wallsim.plan.predict import DRAWS, predict_runs

pytestmark = pytest.mark.usefixtures("coarse")


@pytest.fixture(scope="module")
def known(coarse, tmp_path_factory):
    case = wallsim.load_case(write(tmp_path_factory.mktemp("d")))
    campaign = load_campaign(case)
    knowledge = Knowledge.stated(campaign)
    return campaign, replace(knowledge, root=0.03 * knowledge.root)


@pytest.mark.parametrize("n", [5, 9, 33, 101])
def test_the_spread_along_the_gradients_is_exact_and_elsewhere_as_drawn(known, n):
    knowledge, rng = known[1], np.random.default_rng(8)
    gradients = rng.standard_normal((2, knowledge.x.size))
    draws = directed(knowledge.x, knowledge.root, n, gradients)
    assert draws.shape == (knowledge.x.size, n)
    assert draws[:, 0] == pytest.approx(knowledge.x)
    moved = draws[:, 1:] - knowledge.x[:, None]
    assert moved.sum(axis=1) == pytest.approx(np.zeros(knowledge.x.size), abs=1e-9)
    wanted = np.linalg.norm(gradients @ knowledge.root, axis=1)
    exact = 2 if n > 5 else 1
    across = np.linalg.svd(gradients @ knowledge.root, full_matrices=False)[2]
    z = np.linalg.lstsq(knowledge.root, moved, rcond=None)[0]
    assert np.mean((across @ z) ** 2, axis=1)[:exact] == pytest.approx(np.ones(exact))
    if n > 5:
        assert np.sqrt(np.mean((gradients @ moved) ** 2, axis=1)) == pytest.approx(wanted)
    other = rng.standard_normal((40, knowledge.x.size))
    ratio = (other @ moved) ** 2 / np.sum((other @ knowledge.root) ** 2, axis=1)[:, None]
    assert np.mean(ratio) == pytest.approx(1.0, abs=3.0 / np.sqrt(n))


def test_gradients_that_differ_little_make_draws_that_differ_little(known):
    """Wherever the signs and the order of their directions fall: of fifty changes none jumps."""
    knowledge, rng = known[1], np.random.default_rng(3)
    sd = np.sqrt(np.sum(knowledge.root**2, axis=1))[:, None]
    gradients = rng.standard_normal((4, knowledge.x.size))
    draws = directed(knowledge.x, knowledge.root, 33, gradients)
    for _ in range(50):
        turned = np.linalg.qr(rng.standard_normal((4, 4)))[0] @ gradients
        changed = turned * (1.0 + 1e-4 * rng.standard_normal(turned.shape))
        moved = directed(knowledge.x, knowledge.root, 33, changed) - draws
        assert np.abs(moved / sd).max() < 0.01


def test_the_bore_of_a_firing_to_come_scatters_by_exactly_what_is_not_known_of_it(known):
    """Its own heating and gas temperature among it."""
    campaign, knowledge = known
    come, firing = knowledge.to_come(), campaign.firings[0]
    resolution = first_guess(campaign)
    wall, slope = WallBuilder(knowledge.unknowns, resolution).at(come.x)
    run = RunModel.of(campaign, firing, knowledge.unknowns, resolution)
    peak = bore_readouts(run, come.x, wall, slope, wall.faces["bore"].z, None).peak
    sd = np.linalg.norm(peak.gradient @ come.root)
    assert sd > 1.05 * np.linalg.norm(peak.gradient @ knowledge.root)
    by_chance = knowledge.draw(21, firing=True)
    exact = draws_for(come, campaign, [firing], 21, resolution, Here())
    of_draws = [np.sqrt(np.mean((peak.gradient @ (x - come.x[:, None]))[..., 1:] ** 2))
                for x in (by_chance, exact)]
    assert of_draws[1] == pytest.approx(sd, rel=0.01)
    assert abs(of_draws[0] - sd) > 0.03 * sd


def test_a_prediction_has_the_interval_of_the_bore_that_curvature_gives(known):
    """The spread is so small that the wall is linear in it."""
    campaign, knowledge = known
    found = predict_runs(campaign, knowledge, Here())[0]["runs"]
    resolution = first_guess(campaign)
    for firing in campaign.firings:
        run = RunModel.of(campaign, firing, knowledge.unknowns, resolution)
        wall, slope = WallBuilder(knowledge.unknowns, resolution).at(knowledge.x)
        z = wall.faces["bore"].z
        bore = bore_readouts(run, knowledge.x, wall, slope, z, None)
        half = QUANTILE * bore.shutdown_temperature.sd(knowledge.root @ knowledge.root.T)
        told = found[firing.run.name]["bore_at_shutdown_K"]
        width = 0.5 * (np.array(told["high"]) - np.array(told["low"]))
        assert width == pytest.approx(half, rel=0.03)
    assert DRAWS % 2 == 1
