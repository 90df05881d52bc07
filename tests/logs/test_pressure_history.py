"""Pressure while burning, in bins, and the standard error that is told of each bin's mean."""

import numpy as np
import pytest
from scipy.signal import lfilter

from wallsim.logs.pressure_history import PressureHistory

LEVEL, BURN, NOISE = 4e5, 10.0, 0.01


def burning(rate, noise):
    t = np.arange(-2.0, 14.0, 1.0 / rate)
    plateau = (t > 0.0) & (t < BURN)
    return t, np.where(plateau, LEVEL * (1.0 + noise(t.size)), 1e5)


@pytest.mark.parametrize(("memory", "rate"), [(0.0, 20.0), (0.7, 20.0), (0.0, 1.0)])
def test_the_error_of_a_mean_is_what_it_scatters_by(memory, rate):
    rng = np.random.default_rng(4)

    def noise(n):
        kicks = NOISE * np.sqrt(1.0 - memory**2) * rng.standard_normal(n)
        return lfilter([1.0], [1.0, -memory], kicks)

    found = [PressureHistory.of(*burning(rate, noise), LEVEL, BURN) for _ in range(300)]
    scatter = np.std([np.log(h.p[4] / np.mean(h.p)) for h in found]) / np.sqrt(0.9)
    told = np.sqrt(np.mean([h.error[4] ** 2 for h in found]))
    # a lag learnt from 200 samples
    assert told == pytest.approx(scatter, rel=0.2)


def test_a_pressure_that_changes_without_noise_is_known():
    t, p = burning(50.0, np.zeros)
    ramp = PressureHistory.of(t, np.where(p > 2e5, p * (1.0 + 0.01 * t), p), LEVEL, BURN)
    assert ramp.error.max() < 1e-4
    assert np.ptp(ramp.p) / LEVEL == pytest.approx(0.085, abs=0.01)


def test_a_short_or_planned_burn_is_steady():
    few = PressureHistory.of(np.array([0.0, 0.2, 0.4]), np.full(3, 2e5), 2e5, 0.4)
    planned = PressureHistory.steady(2e5, 0.4)
    for history in (few, planned):
        np.testing.assert_array_equal(history.p, 2e5)
        assert not history.error.any()
