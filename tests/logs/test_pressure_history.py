"""Pressure while burning, in bins, and the standard error that is told of each bin's mean."""

import numpy as np
import pytest

from wallsim.logs.pressure_history import PressureHistory

LEVEL, BURN, NOISE = 4e5, 10.0, 0.01


def burning(rate, noise):
    t = np.arange(-2.0, 14.0, 1.0 / rate)
    plateau = (t > 0.0) & (t < BURN)
    return t, np.where(plateau, LEVEL * (1.0 + noise(t.size)), 1e5)


@pytest.mark.parametrize("rate", [20.0, 1.0])
def test_the_error_of_a_mean_is_what_it_scatters_by(rate):
    rng = np.random.default_rng(4)

    def noise(n):
        return NOISE * rng.standard_normal(n)

    found = [PressureHistory.of(*burning(rate, noise), LEVEL, BURN) for _ in range(300)]
    scatter = np.std([np.log(h.p[4] / np.mean(h.p)) for h in found]) / np.sqrt(0.9)
    told = np.sqrt(np.mean([h.error[4] ** 2 for h in found]))
    assert told == pytest.approx(scatter, rel=0.1)


def test_a_pressure_that_changes_without_noise_is_known():
    t, p = burning(50.0, np.zeros)
    wanders = p * (1.0 + 0.01 * t + 0.02 * np.sin(2.0 * np.pi * t / 0.8))
    history = PressureHistory.of(t, np.where(p > 2e5, wanders, p), LEVEL, BURN)
    assert history.error.max() < 5e-4
    assert np.ptp(history.p) / LEVEL == pytest.approx(0.085, abs=0.01)


def test_a_short_or_planned_burn_is_steady():
    few = PressureHistory.of(np.array([0.0, 0.2, 0.4]), np.full(3, 2e5), 2e5, 0.4)
    planned = PressureHistory.steady(2e5, 0.4)
    for history in (few, planned):
        np.testing.assert_array_equal(history.p, 2e5)
        assert not history.error.any()


def test_a_pressure_that_steps_in_a_burn_is_taken_as_it_is():
    """Its level is its own in each bin: the mean of a burn is not its median."""
    t = np.arange(-2.0, 14.0, 0.05)
    stepped = np.where(t < 6.0, LEVEL, 0.6 * LEVEL)
    history = PressureHistory.of(t, np.where((t > 0.0) & (t < BURN), stepped, 1e5), 0.84 * LEVEL,
                                 BURN)
    before, after = history.p[history.t < 5.0], history.p[history.t > 7.0]
    assert before == pytest.approx(np.full(before.size, LEVEL))
    assert after == pytest.approx(np.full(after.size, 0.6 * LEVEL))
