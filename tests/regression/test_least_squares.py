"""The solver where residuals are refused, linear, or strongly curved."""

import numpy as np
import pytest

from wallsim.regression.least_squares import Refused, solve


def test_a_refused_point_shortens_the_step():
    def log_misfit(z):
        if z[0] <= 0.0:
            raise Refused("log of a negative number")
        return np.array([np.log(z[0])]), np.array([[1.0 / z[0]]])

    s = solve(log_misfit, np.array([5.0]), tolerance=1e-16, most=60)
    assert abs(s.z[0] - 1.0) < 1e-6


def test_a_linear_problem_takes_one_step():
    A = np.array([[1.0, 2.0], [3.0, 1.0], [0.5, -1.0]])
    y = np.array([1.0, 2.0, 3.0])
    s = solve(lambda z: (A @ z - y, A), np.zeros(2))
    assert s.evaluations == 2
    np.testing.assert_allclose(s.z, np.linalg.lstsq(A, y, rcond=None)[0])


@pytest.mark.parametrize("curvature", [-0.9, -0.98, -1.5])
def test_large_curved_residuals_do_not_send_it_to_and_fro(curvature):
    """Full Gauss-Newton steps go from x to about ``curvature x`` here.

    Dennis, J. E. & Schnabel, R. B. (1983), Numerical Methods for Unconstrained Optimization and
    Nonlinear Equations, example 10.2.4 (from memory).
    """

    def misfit(x):
        r = np.array([x[0] + 1.0, curvature * x[0] ** 2 + x[0] - 1.0])
        return r, np.array([[1.0], [2.0 * curvature * x[0] + 1.0]])

    solution = solve(misfit, np.array([0.5]), tolerance=1e-8)
    assert solution.converged
    assert abs(solution.z[0]) < 1e-3
    assert solution.evaluations <= 15  # full steps alone take 90 and 450, or diverge


@pytest.mark.parametrize("bad", [np.nan, np.inf, 1e200])
def test_a_start_without_finite_residuals_is_refused(bad):
    """The square of the last one overflows."""
    with pytest.raises(Refused, match="not finite at the start"):
        solve(lambda z: (np.array([bad]), np.array([[1.0]])), np.zeros(1))


def test_an_unknown_without_effect_is_named():
    s = solve(lambda z: (np.array([z[0] - 1.0, 2.0]), np.array([[1.0, 0.0], [0.0, 0.0]])),
              np.zeros(2))
    assert s.flat == (1,)
