"""Ends of profile likelihood intervals, against a profile that was solved point by point."""

import numpy as np
import pytest
from scipy.optimize import brentq, least_squares

from tests.regression.published import BOXBOD, MGH10, MISRA1A, RAT43, THURBER
from wallsim.regression.least_squares import Refused, solve
from wallsim.regression.profile import RISE, profile

SETS = (MISRA1A, BOXBOD, MGH10, RAT43, THURBER)


class Counted:
    """A misfit that knows how often it was asked."""

    def __init__(self, misfit):
        self.misfit, self.calls = misfit, 0

    def __call__(self, z):
        self.calls += 1
        return self.misfit(z)


def reduced(published):
    """Return the misfit in certified standard deviations from the certified values."""
    b, u = np.array(published.values), np.array(published.sds)
    sd = np.sqrt(published.misfit_at_values / (published.misfit(b)[0].size - b.size))

    def misfit(z):
        r, J = published.misfit(b + u * z)
        return r / sd, J * u / sd

    return misfit


def unknown(j, m):
    return lambda z: (z[j], np.eye(m)[j])


def least_at(misfit, j, z):
    """Return the least S with unknown ``j`` held at its value in ``z``, by another solver."""
    free = np.arange(z.size) != j

    def whole(y):
        out = z.copy()
        out[free] = y
        return out

    found = least_squares(
        lambda y: misfit(whole(y))[0], z[free], lambda y: misfit(whole(y))[1][:, free],
        x_scale="jac", xtol=1e-13, ftol=1e-13, gtol=1e-13,
    )
    return 2.0 * found.cost


@pytest.mark.parametrize("published", SETS, ids=lambda s: s.name)
def test_ends_are_where_the_profile_of_each_unknown_has_risen(published):
    misfit = reduced(published)
    m = len(published.values)
    best = solve(misfit, np.zeros(m), tolerance=1e-12, most=50)
    for j in range(m):
        found = profile(misfit, unknown(j, m), best)
        assert found.sd == pytest.approx(1.0, rel=1e-4)
        for end in (found.lower, found.upper):
            assert end.found
            rise = least_at(misfit, j, end.z) - best.misfit
            # 0.02 standard deviations of an end; S rises by about 2 sqrt(RISE) on each
            assert abs(rise - RISE) < 0.02 * 2.0 * np.sqrt(RISE)


def test_an_end_costs_a_few_evaluations():
    evaluations = []
    for published in (MISRA1A, BOXBOD, RAT43, THURBER):
        m = len(published.values)
        misfit = Counted(reduced(published))
        best = solve(misfit, np.zeros(m), tolerance=1e-12, most=50)
        for j in range(m):
            misfit.calls = 0
            found = profile(misfit, unknown(j, m), best)
            assert found.evaluations == misfit.calls
            evaluations += [found.lower.evaluations, found.upper.evaluations]
    assert max(evaluations) <= 5
    assert np.mean(evaluations) < 3.0


def test_a_normal_posterior_has_the_interval_of_laplace():
    rng = np.random.default_rng(5)
    A, y = rng.standard_normal((12, 4)), rng.standard_normal(12)
    misfit = Counted(lambda z: (A @ z - y, A))
    g = rng.standard_normal(4)
    best = solve(misfit, np.zeros(4))
    misfit.calls = 0
    found = profile(misfit, lambda z: (g @ z, g), best)
    sd = np.sqrt(g @ np.linalg.inv(A.T @ A) @ g)
    half = np.sqrt(RISE) * sd
    np.testing.assert_allclose((found.low, found.high), g @ best.z + np.array([-half, half]))
    assert found.evaluations == misfit.calls == 2


def small_resistance(measured):
    """Return the misfit of a positive R with a log-normal prior, measured with sd 1."""

    def misfit(z):
        R = np.exp(1.5 * z[0])
        return np.array([R - measured, z[0]]), np.array([[1.5 * R], [1.0]])

    return misfit


@pytest.mark.parametrize("measured", [3.0, 0.5, -1.0])
def test_a_positive_value_near_zero_has_a_one_sided_interval(measured):
    misfit = small_resistance(measured)
    best = solve(misfit, np.zeros(1), tolerance=1e-14, most=50)

    def excess(z):
        r, _ = misfit(np.array([z]))
        return r @ r - best.misfit - RISE

    ends = [brentq(excess, best.z[0] - 6.0, best.z[0]), brentq(excess, best.z[0], 6.0)]
    found = profile(misfit, lambda z: (1.5 * z[0], np.array([1.5])), best, tolerance=1e-3)
    np.testing.assert_allclose((found.low, found.high), 1.5 * np.array(ends), atol=3e-3)
    value = profile(
        misfit, lambda z: (np.exp(1.5 * z[0]), 1.5 * np.exp(1.5 * z)), best, tolerance=1e-3
    )
    np.testing.assert_allclose((value.low, value.high), np.exp(1.5 * np.array(ends)), rtol=0.02)
    assert max(value.evaluations, found.evaluations) <= 14


def test_a_side_on_which_the_misfit_does_not_rise_enough_has_no_end():
    """BoxBOD: with the rate without bound S is 9771.5, that is 29.5 above its minimum here."""
    misfit = reduced(BOXBOD)
    best = solve(misfit, np.zeros(2), tolerance=1e-12, most=50)
    near = profile(misfit, unknown(1, 2), best, rise=25.0)
    assert near.lower.found
    assert near.upper.found
    with np.errstate(over="ignore", invalid="ignore"):
        far = profile(misfit, unknown(1, 2), best, rise=31.0)
    assert far.lower.found
    assert not far.upper.found
    assert far.high > near.high


def test_points_that_cannot_be_evaluated_are_gone_round():
    def misfit(z):
        if z[0] > 2.2:
            raise Refused("beyond the table")
        return np.array([z[0] - 0.3 * z[0] ** 3 / 6.0]), np.array([[1.0 - 0.15 * z[0] ** 2]])

    best = solve(misfit, np.array([0.5]), tolerance=1e-12)
    found = profile(misfit, unknown(0, 1), best, rise=2.5)
    end = brentq(lambda z: z - 0.05 * z**3 - np.sqrt(2.5), 0.0, 2.2)
    assert found.upper.found
    assert found.high == pytest.approx(end, abs=0.02)
    assert not profile(misfit, unknown(0, 1), best, rise=2.9).upper.found


def bent(z):
    """A valley along a parabola, with a unit-normal prior."""
    r = np.array([3.0 * (z[1] - 0.4 * z[0] ** 2), z[0], z[1]])
    return r, np.array([[-2.4 * z[0], 3.0], [1.0, 0.0], [0.0, 1.0]])


def test_it_is_the_same_for_a_readout_and_for_its_log():
    """Along the bend full steps go to and fro for ever on the lower side."""
    def log_sum(z):
        parts = np.exp(0.5 * z)
        return float(np.log(parts.sum())), 0.5 * parts / parts.sum()

    def total(z):
        value, gradient = log_sum(z)
        return np.exp(value), np.exp(value) * gradient

    best = solve(bent, np.array([0.3, 0.1]), tolerance=1e-12)
    logs = profile(bent, log_sum, best, tolerance=1e-4, most=80)
    values = profile(bent, total, best, tolerance=1e-4, most=80)
    np.testing.assert_allclose((values.low, values.high), np.exp((logs.low, logs.high)), rtol=1e-3)
    level = [log_sum(z)[0] for z in contour()]
    np.testing.assert_allclose((logs.low, logs.high), (min(level), max(level)), atol=1e-3)
    loose = profile(bent, log_sum, best)
    np.testing.assert_allclose((loose.low, loose.high), (min(level), max(level)),
                               atol=0.02 * loose.sd)


def contour():
    """Return points around the origin, the minimum, at which ``bent`` has risen."""
    points = []
    for turn in np.linspace(0.0, 2.0 * np.pi, 2000):
        ray = np.array([np.cos(turn), np.sin(turn)])
        far = brentq(lambda s, ray=ray: np.sum(bent(s * ray)[0] ** 2) - RISE, 0.0, 2.5)
        points.append(far * ray)
    return points


def test_a_solution_that_is_no_minimum_is_told_by_a_deeper_misfit():
    """Two wells at z = -2 and 2, the second deeper by 4."""

    def wells(z):
        r = np.array([0.5 * (z[0] ** 2 - 4.0), 0.5 * (z[0] - 2.0)])
        return r, np.array([[z[0]], [0.5]])

    shallow = solve(wells, np.array([-1.9]), tolerance=1e-12, most=50)
    deep = solve(wells, np.array([1.9]), tolerance=1e-12, most=50)
    assert shallow.misfit - deep.misfit > 3.0
    found = profile(wells, unknown(0, 1), shallow, rise=6.0)
    assert max(found.lower.deeper, found.upper.deeper) > 1.0
    found = profile(wells, unknown(0, 1), deep)
    assert max(found.lower.deeper, found.upper.deeper) < 1e-6


def test_a_bent_valley_is_followed_in_a_few_evaluations():
    """As of h against R: what both make together is known a hundred times better than either."""

    def misfit(z):
        r = np.array([100.0 * (z[1] + 0.3 * z[0] ** 2), z[0]])
        return r, np.array([[60.0 * z[0], 100.0], [1.0, 0.0]])

    best = solve(misfit, np.array([0.1, 0.0]), tolerance=1e-9, most=50)
    found = profile(misfit, unknown(0, 2), best)
    half = np.sqrt(RISE)
    np.testing.assert_allclose((found.low, found.high), (-half, half), rtol=0.01)
    assert max(found.lower.evaluations, found.upper.evaluations) <= 4
