"""How often intervals hold the truth when it is drawn from the prior, near zero and away from it.

The heat flux that a bore takes up in bare and in dosed firings, each with a heating factor of its
own: the least model from which a deposit's resistance follows, skewed where it is small against
1/h.
"""

import numpy as np
import pytest

from wallsim.regression.least_squares import solve
from wallsim.regression.profile import profile

BARE, DOSED = 3, 3
H, R = 2000.0, 1e-4
H_SD, R_SD, HEATING_SD, NOISE = 0.5, 1.2, 0.025, 0.01
DRAWS = 500


def fluxes(z):
    """Return the log of the flux in each firing at equal temperatures, and its Jacobian."""
    h, r = H * np.exp(H_SD * z[0]), R * np.exp(R_SD * z[1])
    share = h * r / (1.0 + h * r)
    n = BARE + DOSED
    dosed = np.arange(n) >= BARE
    value = np.log(h) - np.log1p(h * r) * dosed + HEATING_SD * z[2:]
    J = np.zeros((n, 2 + n))
    J[:, 0] = H_SD * (1.0 - share * dosed)
    J[:, 1] = -R_SD * share * dosed
    J[:, 2:] = HEATING_SD * np.eye(n)
    return value, J


def log_resistance(z):
    gradient = np.zeros(z.size)
    gradient[1] = R_SD
    return float(np.log(R) + R_SD * z[1]), gradient


def drawn(rng):
    """Return the truth and its intervals after Laplace and by profile, in ln R."""
    truth = rng.standard_normal(2 + BARE + DOSED)
    y = fluxes(truth)[0] + NOISE * rng.standard_normal(BARE + DOSED)

    def misfit(z):
        value, J = fluxes(z)
        return np.r_[(value - y) / NOISE, z], np.vstack((J / NOISE, np.eye(z.size)))

    best = solve(misfit, np.zeros(truth.size), tolerance=1e-6, most=60)
    found = profile(misfit, log_resistance, best)
    assert best.converged
    assert found.lower.found
    assert found.upper.found
    half = 1.96 * found.sd
    return (
        log_resistance(truth)[0], found.value - half, found.value + half, found.low, found.high,
        found.evaluations,
    )


@pytest.fixture(scope="module")
def intervals():
    rng = np.random.default_rng(11)
    return np.array([drawn(rng) for _ in range(DRAWS)]).T


def test_profile_intervals_hold_the_truth_as_often_as_they_claim(intervals):
    truth, _, _, low, high, _ = intervals
    held = np.mean((low <= truth) & (truth <= high))
    assert 0.93 < held < 0.97


def test_where_the_deposit_is_small_they_hold_it_more_often_than_those_of_laplace(intervals):
    """Of 5000 draws 92.2 and 88.3 % below 5e-5 m^2 K/W; 94.5 and 93.4 % of all."""
    truth, laplace_low, laplace_high, low, high, _ = intervals
    small = truth < np.log(5e-5)
    held = (low <= truth) & (truth <= high)
    held_by_laplace = (laplace_low <= truth) & (truth <= laplace_high)
    assert small.sum() > 100
    assert held[small].mean() > held_by_laplace[small].mean() + 0.02
    assert held.mean() > held_by_laplace.mean()


def test_they_miss_more_evenly_on_both_sides_than_those_of_laplace(intervals):
    truth, laplace_low, laplace_high, low, high, _ = intervals
    uneven = np.mean(truth < low) - np.mean(truth > high)
    uneven_by_laplace = np.mean(truth < laplace_low) - np.mean(truth > laplace_high)
    assert abs(uneven) < 0.7 * abs(uneven_by_laplace)


def test_both_ends_cost_less_than_six_evaluations(intervals):
    assert intervals[5].mean() < 6.0
    assert intervals[5].max() <= 12
