"""Noise of the pressure tap: what it does to the readings, and that it is no noise of theirs."""

from dataclasses import replace

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import write
from wallsim.build import load_campaign
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder, readings, run_rows
from wallsim.estimate.unknowns import Unknowns
from wallsim.estimate.weights import assumed, learnt, whitened

ERROR = 0.003


@pytest.fixture(scope="module")
def dosed(tmp_path_factory):
    """A dosed firing of a tiny campaign whose pressure is known to 0.3 % every second."""
    campaign = load_campaign(wallsim.load_case(write(tmp_path_factory.mktemp("c"))))
    unknowns, resolution = Unknowns.of(campaign), Resolution(1, 6, 0.4)
    run = RunModel.of(campaign, campaign.firings[1], unknowns, resolution)
    run = replace(run, pressure_error=np.full(run.surfaces.gas.pressure_time.size, ERROR))
    x = unknowns.prior.mean
    return run, x, WallBuilder(unknowns, resolution).at(x)[0]


@pytest.fixture(scope="module")
def shared(dosed):
    run, x, wall = dosed
    rows = run_rows(run, assumed(run.traces, 0.5), x, wall, None, 0.5)
    return tuple(w.shared for w in rows.weights)


def test_what_an_error_does_is_what_a_march_with_it_does(dosed, shared):
    run, x, wall = dosed
    gas = run.surfaces.gas
    assert shared[0].shape[1] == gas.pressure_time.size >= 3
    for k in range(gas.pressure_time.size):
        sides = []
        for sign in (1.0, -1.0):
            log_p = gas.log_pressure.copy()
            log_p[k] += sign * ERROR
            side = replace(run.surfaces, gas=replace(gas, log_pressure=log_p))
            sides.append(readings(replace(run, surfaces=side), x, wall, None, derivatives=False).T)
        for terms, more, less in zip(shared, *sides, strict=True):
            expected = 0.5 * (more - less)
            assert np.abs(expected).max() > 0.1
            np.testing.assert_allclose(terms[:, k], expected, atol=1e-3)


def test_a_known_pressure_is_marched_without_it(dosed):
    run, x, wall = dosed
    run = replace(run, pressure_error=np.zeros_like(run.pressure_error))
    rows = run_rows(run, assumed(run.traces, 0.5), x, wall, None, 0.5)
    assert all(w.shared is None for w in rows.weights)


def test_noise_of_the_tap_is_not_taken_for_noise_of_the_traces(dosed, shared):
    run, rng = dosed[0], np.random.default_rng(3)
    own = [0.1 * rng.standard_normal(t.t.size) for t in run.traces]
    sizes = rng.standard_normal(shared[0].shape[1])
    large = tuple(4.0 * s for s in shared)
    both = tuple(r + s @ sizes for r, s in zip(own, large, strict=True))
    told = untold = assumed(run.traces, 0.5)
    for _ in range(3):
        told = learnt(run.traces, both, told, 0.5, None, large)
        untold = learnt(run.traces, both, untold, 0.5)
    assert [w.noise.sd for w in told] == pytest.approx([0.1] * len(own), rel=0.2)
    assert min(w.noise.sd for w in untold) > 0.2
    left = whitened(run.traces, told, [r[:, None] for r in both])[:, 0]
    assert left @ left / left.size == pytest.approx(1.0, abs=0.2)
