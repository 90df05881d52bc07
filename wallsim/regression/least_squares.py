"""Nonlinear least squares by Gauss-Newton steps with a Levenberg-Marquardt safeguard.

    minimise  S(z) = |r(z)|^2

A full Gauss-Newton step is tried first; where it does not reduce ``S`` as predicted, the step is
damped with the scaling of Marquardt (1963, SIAM J. Appl. Math. 11, 431) and the damping follows the
ratio of actual to predicted reduction (Nielsen 1999, IMM-REP-1999-05). One full step may raise
``S`` if the next makes up for it (watchdog; Chamberlain et al. 1982, Math. Program. Study 16, 1):
along a bent valley that saves many short steps. Where it does not, the full step reached across
the valley, as it does where the residuals are large and curved: the parabola through what is
known of ``S`` on it says how far to go. The stopping rule is statistical: what a further step
could still gain is negligible against the misfit's own spread.
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
WATCHED = 3.0
WORTHWHILE = 0.5
AS_PROMISED = 0.85
SHORTEST = 0.05


class Refused(Exception):  # noqa: N818
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
    here = best = _Point(np.array(z0, dtype=float), *misfit(z0))
    evaluations, damping, growth, share, bold = 1, 0.0, 2.0, 1.0, True
    hoped = np.inf
    _tell(report, evaluations, best)
    while True:
        step, predicted = _step(here.r, here.J, damping)
        gain = predicted if damping == 0.0 else _step(here.r, here.J, 0.0)[1]
        enough = tolerance + relative * best.S
        if here is best and (gain <= enough or predicted <= 1e-15 * best.S):
            return Solution(best.z, best.r, best.J, True, evaluations, gain)
        if evaluations >= most:
            return Solution(best.z, best.r, best.J, False, evaluations, gain)
        part = share if here is best and damping == 0.0 else 1.0
        trial = _trial(misfit, here.z + part * step)
        evaluations += 1
        promised = predicted * part * (2.0 - part) - (here.S - best.S)
        hoped = promised if here is best else hoped
        undamped = here is best and damping == 0.0
        if best.S - trial.S > 1e-4 * max(promised, 0.0):
            worthwhile = best.S - trial.S > WORTHWHILE * hoped
            if undamped and not (worthwhile or bold):
                share = part * _valley(best.S, trial.S, predicted, part)
            elif part < 1.0 and best.S - trial.S > AS_PROMISED * promised:
                share = min(1.0, 2.0 * part)
            bold = worthwhile
            damping = _relaxed(damping, (here.S - trial.S) / (promised + here.S - best.S))
            best = here = trial
            growth = 2.0
        elif undamped and bold and trial.S - best.S < WATCHED * predicted:
            here = trial
        elif undamped and part > SHORTEST and np.isfinite(trial.S):
            share = part * _valley(best.S, trial.S, predicted, part)
        else:
            here, share, bold = best, 1.0, False
            damping, growth = max(damping, 1e-4) * growth, 2.0 * growth
        _tell(report, evaluations, best)


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    z: Array
    r: Array
    J: Array

    @property
    def S(self) -> float:
        return float(self.r @ self.r)


def _tell(report: Callable[[int, float], None] | None, evaluations: int, best: _Point) -> None:
    if report:
        report(evaluations, best.S)


def _trial(misfit: Misfit, z: Array) -> _Point:
    """Evaluate at ``z``; a point that cannot be has an infinite misfit."""
    try:
        r, J = misfit(z)
        if np.isfinite(r).all() and np.isfinite(J).all():
            return _Point(z, r, J)
    except Refused:
        pass
    return _Point(z, np.array([np.inf]), np.empty((1, z.size)))


def _valley(S0: float, S1: float, predicted: float, part: float) -> float:
    """Return where on a step the parabola of known value, slope and end has its bottom."""
    slope = 2.0 * predicted * part
    return float(np.clip(0.5 * slope / (S1 - S0 + slope), 0.1, 0.9))


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
