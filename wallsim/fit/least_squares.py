"""Nonlinear least squares by Gauss-Newton steps with a Levenberg-Marquardt safeguard.

    minimise  S(z) = |r(z)|^2

A full Gauss-Newton step is tried first; where it does not reduce ``S`` as predicted, the step
is damped with the scaling of Marquardt (1963, SIAM J. Appl. Math. 11, 431) and the damping
follows the ratio of actual to predicted reduction (Nielsen 1999, IMM-REP-1999-05). The
stopping rule is statistical: what a further step could still gain is negligible against the
misfit's own spread.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Misfit = Callable[[Array], tuple[Array, Array]]
"""Returns residuals (n,) and their Jacobian (n, m); raises `Refused` outside its domain."""

SMALLEST_DAMPING = 1e-12


class Refused(Exception):
    """A trial point at which the misfit cannot be evaluated; the step is shortened."""


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Where an estimate stopped.

    Parameters
    ----------
    z : Array, shape (m,)
    r : Array, shape (n,)
    J : Array, shape (n, m)
    converged : bool
    evaluations : int
        Of misfit and Jacobian together.
    gain : float
        Reduction of ``S`` that the last full step still predicted.
    """

    z: Array
    r: Array
    J: Array
    converged: bool
    evaluations: int
    gain: float

    @property
    def misfit(self) -> float:
        """S at the solution."""
        return float(self.r @ self.r)


def solve(
    misfit: Misfit,
    z0: Array,
    *,
    tolerance: float = 1e-3,
    relative: float = 0.0,
    most: int = 30,
    report: Callable[[int, float], None] | None = None,
) -> Solution:
    """Return the minimum of ``|r|^2`` near ``z0``.

    Parameters
    ----------
    misfit : Misfit
    z0 : Array, shape (m,)
    tolerance, relative : float
        Stop when the predicted reduction of S is below ``tolerance + relative S``. With unit
        variance residuals a ``tolerance`` of 1e-3 is a step of about 3 % of a standard deviation.
    most : int
        Evaluations at most.
    report : callable or None
        Told the number of evaluations and S after each.
    """
    z = np.array(z0, dtype=float)
    r, J = misfit(z)
    evaluations, damping, growth = 1, 0.0, 2.0
    if report:
        report(evaluations, float(r @ r))
    gain = np.inf
    while True:
        S = float(r @ r)
        step, predicted = _step(r, J, damping)
        if damping == 0.0:
            gain = predicted
        if predicted <= tolerance + relative * S:
            if damping == 0.0:
                return Solution(z, r, J, True, evaluations, gain)
            _, gain = _step(r, J, 0.0)
            if gain <= tolerance + relative * S or predicted <= 1e-14 * S:
                return Solution(z, r, J, True, evaluations, gain)
        if evaluations >= most:
            return Solution(z, r, J, False, evaluations, gain)
        try:
            r_new, J_new = misfit(z + step)
            actual = S - float(r_new @ r_new)
        except Refused:
            actual = -np.inf
        evaluations += 1
        ratio = actual / predicted if np.isfinite(actual) else -np.inf
        if ratio > 1e-4:
            z, r, J, growth = z + step, r_new, J_new, 2.0
            damping = _relaxed(damping, ratio)
        else:
            damping = max(damping, 1e-4) * growth
            growth *= 2.0
        if report:
            report(evaluations, float(r @ r))


def _relaxed(damping: float, ratio: float) -> float:
    damping *= max(1.0 / 10.0, 1.0 - (2.0 * ratio - 1.0) ** 3)
    return damping if damping > 1e-7 else 0.0


def _step(r: Array, J: Array, damping: float) -> tuple[Array, float]:
    """Return the step and the reduction of S that the linear model predicts for it."""
    scale = np.linalg.norm(J, axis=0)
    scale[scale == 0.0] = 1.0
    rows, rhs = J / scale, -r
    if damping:
        rows = np.vstack((rows, np.sqrt(damping) * np.eye(J.shape[1])))
        rhs = np.concatenate((rhs, np.zeros(J.shape[1])))
    step = np.linalg.lstsq(rows, rhs, rcond=SMALLEST_DAMPING)[0] / scale
    linear = r + J @ step
    return step, float(r @ r - linear @ linear)


def covariance(J: Array) -> tuple[Array, float]:
    """Return ``(J^T J)^-1`` and the condition number of the column-scaled Jacobian.

    Parameters
    ----------
    J : Array, shape (n, m)
    """
    scale = np.linalg.norm(J, axis=0)
    scale[scale == 0.0] = 1.0
    _, s, vt = np.linalg.svd(J / scale, full_matrices=False)
    half = vt.T / s
    return (half @ half.T) / np.outer(scale, scale), float(s[0] / s[-1])
