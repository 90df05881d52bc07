"""The solver on published regression data: no wall, no priors."""

import numpy as np
import pytest

from tests.regression.published import BOXBOD, MGH10, MISRA1A, RAT43, THURBER
from wallsim.regression.least_squares import covariance, solve
from wallsim.regression.starts import around, solve_from_many

SETS = (MISRA1A, BOXBOD, MGH10, RAT43, THURBER)
FAR = {("BoxBOD", 0), ("MGH10", 0)}
EACH = [(s, i) for s in SETS for i in (0, 1)]
SHARP = {"tolerance": 0.0, "relative": 1e-14}


def ids(cases):
    return [f"{s.name}, start {i + 1}" for s, i in cases]


def in_logs(misfit):
    """The same misfit of the logs of its parameters."""

    def logs(x):
        r, J = misfit(np.exp(x))
        return r, J * np.exp(x)

    return logs


def assert_certified(published, b, J, S):
    cov, _ = covariance(J)
    variance = S / (J.shape[0] - J.shape[1])
    np.testing.assert_allclose(S, published.misfit_at_values, rtol=1e-9)
    np.testing.assert_allclose(b, published.values, rtol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(cov) * variance), published.sds, rtol=1e-5)


@pytest.mark.parametrize("published", SETS, ids=lambda s: s.name)
def test_the_data_have_the_certified_misfit_and_the_jacobian_is_that_of_the_model(published):
    b = np.array(published.values)
    r, J = published.misfit(b)
    np.testing.assert_allclose(r @ r, published.misfit_at_values, rtol=1e-10)
    for j, h in enumerate(1e-6 * b):
        e = h * np.eye(b.size)[j]
        slope = (published.misfit(b + e)[0] - published.misfit(b - e)[0]) / (2.0 * h)
        np.testing.assert_allclose(J[:, j], slope, rtol=1e-5, atol=1e-7 * np.abs(J[:, j]).max())


NEAR = [case for case in EACH if (case[0].name, case[1]) not in FAR]


@pytest.mark.parametrize(("published", "start"), NEAR, ids=ids(NEAR))
def test_certified_values_and_standard_deviations(published, start):
    with np.errstate(over="ignore", invalid="ignore"):
        s = solve(published.misfit, np.array(published.starts[start]), **SHARP, most=100)
    assert s.converged
    assert s.flat == ()
    assert_certified(published, s.z, s.J, s.misfit)


DISTANT = [case for case in EACH if (case[0].name, case[1]) in FAR]


@pytest.mark.parametrize(("published", "start"), DISTANT, ids=ids(DISTANT))
def test_a_plateau_reached_from_afar_is_said_to_be_one(published, start):
    with np.errstate(over="ignore", invalid="ignore"):
        s = solve(published.misfit, np.array(published.starts[start]), **SHARP, most=100)
    assert s.misfit > 5.0 * published.misfit_at_values
    assert s.flat


@pytest.mark.parametrize(("published", "start"), DISTANT, ids=ids(DISTANT))
@pytest.mark.parametrize("seed", [1, 2])
def test_many_starts_about_a_distant_one_find_the_certified_values(published, start, seed):
    starts = around(np.log(published.starts[start]), 3.0, 50, np.random.default_rng(seed))
    with np.errstate(all="ignore"):
        ends = solve_from_many(in_logs(published.misfit), starts, **SHARP, most=1000)
    b = np.exp(ends.best.z)
    assert ends.best.converged
    assert_certified(published, b, ends.best.J / b, ends.best.misfit)


def test_the_false_minimum_of_boxbod_is_told_from_the_true_one():
    """The false one, by hand: the mean of the data, and a rate without bound."""
    with np.errstate(all="ignore"):
        ends = solve_from_many(
            BOXBOD.misfit, [np.array(start) for start in BOXBOD.starts], **SHARP, most=100
        )
    (false,) = ends.false_minima()
    np.testing.assert_allclose(ends.best.misfit, BOXBOD.misfit_at_values, rtol=1e-10)
    y = np.array([109.0, 149.0, 149.0, 191.0, 213.0, 224.0])
    np.testing.assert_allclose(false.misfit, np.sum((y - y.mean()) ** 2))
    assert false.flat == (1,)


def test_calibration_of_a_thermometer():
    """JCGM 100:2008, H.3: data of table H.6; results of H.3.3 and H.3.4 as printed."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010,
                  26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161,
                  -0.160])
    A = np.column_stack((np.ones_like(t), t - 20.0))
    s = solve(lambda y: (A @ y - b, A), np.zeros(2), tolerance=1e-16)
    cov = covariance(s.J)[0] * s.misfit / 9.0
    u = np.sqrt(np.diag(cov))
    assert round(s.z[0], 4) == -0.1712
    assert round(s.z[1], 5) == 0.00218
    assert round(u[0], 4) == 0.0029
    assert round(u[1], 5) == 0.00067
    assert round(cov[0, 1] / (u[0] * u[1]), 3) == -0.930
    assert round(np.sqrt(s.misfit / 9.0), 4) == 0.0035
    at30 = np.array([1.0, 10.0])
    assert round(at30 @ s.z, 4) == -0.1494
    assert round(np.sqrt(at30 @ cov @ at30), 4) == 0.0041


def test_the_design_of_box_and_lucas():
    """The times that tell two consecutive rates apart best are found from `covariance` alone.

    Box, G. E. P. & Lucas, H. L. (1959), Biometrika 46, 77: rates 0.7 and 0.2, yield of the
    intermediate, two observations: 1.23 and 6.86 (from memory).
    """
    a, b = 0.7, 0.2

    def gradient(t):
        ea, eb = np.exp(-a * t), np.exp(-b * t)
        d = a - b
        da = -b * (eb - ea) / d**2 + a * t * ea / d
        db = a * (eb - ea) / d**2 - a * t * eb / d
        return np.array([da, db])

    times = np.arange(0.05, 12.0, 0.01)
    rows = np.array([gradient(t) for t in times])
    best = (5, 1000)
    for _ in range(20):
        for k in (0, 1):
            other = rows[best[1 - k]]
            sizes = np.abs(rows[:, 0] * other[1] - rows[:, 1] * other[0])
            best = (int(np.argmax(sizes)), best[1]) if k == 0 else (best[0], int(np.argmax(sizes)))
    found = np.linalg.det(covariance(rows[list(best)])[0])
    assert [round(times[i], 2) for i in sorted(best)] == [1.23, 6.86]
    for shift in ((-5, 0), (5, 0), (0, -25), (0, 25)):
        moved = [i + s for i, s in zip(sorted(best), shift, strict=True)]
        assert np.linalg.det(covariance(rows[moved])[0]) > found
