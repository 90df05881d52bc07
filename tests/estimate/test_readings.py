"""How readings depend on each unknown, against differences of whole marches."""

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import write
from wallsim.build import load_campaign
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder, readings
from wallsim.estimate.unknowns import Unknowns

STEP = 0.02
"""Of a prior standard deviation."""


@pytest.fixture(scope="module")
def dosed(tmp_path_factory):
    """The dosed firing of a tiny campaign in which nothing is held fixed, at a drawn point."""
    path = write(tmp_path_factory.mktemp("c"))
    text = path.read_text()
    for fixed, loose in (
        ('z = "25 mm"', 'z = "25 mm +- 1 mm"'), ('lag = "0.05 s"', 'lag = "0.05 s +- 40 %"'),
        ('lead_loss = "0 %"', 'lead_loss = "1 % +- 0.5 %"'), ('"4 mm"', '"4 mm +- 0.1 mm"'),
    ):
        assert fixed in text
        text = text.replace(fixed, loose)
    path.write_text(text)
    campaign = load_campaign(wallsim.load_case(path))
    unknowns, resolution = Unknowns.of(campaign), Resolution(1, 6, 0.4)
    run = RunModel.of(campaign, campaign.firings[1], unknowns, resolution)
    rng = np.random.default_rng(1)
    x = unknowns.prior.x(0.3 * rng.standard_normal(unknowns.prior.mean.size))
    return run, unknowns, WallBuilder(unknowns, resolution), x


def test_every_derivative_is_that_of_whole_marches(dosed):
    run, unknowns, builder, x = dosed
    wall, slope = builder.at(x)
    got = np.concatenate(readings(run, x, wall, slope, derivatives=True).dT_dx)
    moved = set()
    for i, p in enumerate(unknowns.prior.parameters):
        sides = []
        for sign in (1.0, -1.0):
            there = x.copy()
            there[i] += sign * STEP * p.sd
            there_wall = builder.at(there)[0] if p.name == "wall thickness" else wall
            T = readings(run, there, there_wall, None, derivatives=False).T
            sides.append(np.concatenate(T))
        expected = (sides[0] - sides[1]) / (2.0 * STEP)
        off = np.abs(got[:, i] * p.sd - expected).max()
        assert off < 1e-3 * np.abs(expected).max() + 1e-4, (p.name, off, np.abs(expected).max())
        if np.abs(expected).max() > 1e-3:
            moved.add(p.name.partition(" at ")[0].partition(" of firing")[0])
    assert {"h", "R dosed", "growth curvature dosed", "growth exponent dosed", "wall thickness",
            "lag A", "lead loss A", "heating round the tube", "position A", "conductivity tilt",
            "ignition offset r2", "heating factor r2", "gas temperature"} <= moved
