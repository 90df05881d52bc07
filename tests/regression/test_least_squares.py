"""The solver on published regression data: no wall, no priors.

NIST Statistical Reference Datasets, nonlinear regression (certified values and standard
deviations as published): Misra1a, MGH10, Rat43.
"""

import numpy as np
import pytest

from wallsim.regression.least_squares import Refused, covariance, solve

MISRA_X = np.array(
    [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760]
)
MISRA_Y = np.array(
    [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47,
     81.78]
)
RAT_Y = np.array(
    [16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93, 699.56,
     689.96, 637.56, 717.41]
)


def misra(b):
    decay = np.exp(-b[1] * MISRA_X)
    J = np.column_stack((1.0 - decay, b[0] * MISRA_X * decay))
    return b[0] * (1.0 - decay) - MISRA_Y, J


def rat43(b):
    x = np.arange(1.0, 16.0)
    e = np.exp(b[1] - b[2] * x)
    f = (1.0 + e) ** (-1.0 / b[3])
    J = np.column_stack((
        f, -b[0] * f * e / (b[3] * (1.0 + e)), b[0] * f * e * x / (b[3] * (1.0 + e)),
        b[0] * f * np.log1p(e) / b[3] ** 2,
    ))
    return b[0] * f - RAT_Y, J


SETS = [
    (misra, [(500.0, 1e-4), (250.0, 5e-4)], (238.94212918, 5.5015643181e-4),
     (2.7070075241, 7.2668688436e-6)),
    (rat43, [(100.0, 10.0, 1.0, 1.0), (700.0, 5.0, 0.75, 1.3)],
     (699.64151270, 5.2771253025, 0.75962938329, 1.2792483859),
     (16.302297817, 2.0828735829, 0.19566123451, 0.68761936385)),
]


@pytest.mark.parametrize(("model", "starts", "values", "sds"), SETS, ids=["Misra1a", "Rat43"])
def test_certified_values_and_standard_deviations_from_both_starts(model, starts, values, sds):
    for start in starts:
        with np.errstate(all="ignore"):
            s = solve(model, np.array(start), tolerance=0.0, relative=1e-14, most=200)
        cov, _ = covariance(s.J)
        variance = s.misfit / (s.r.size - len(values))
        np.testing.assert_allclose(s.z, values, rtol=1e-6)
        np.testing.assert_allclose(np.sqrt(np.diag(cov) * variance), sds, rtol=1e-5)
        assert s.converged


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
