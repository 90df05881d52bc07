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
WITHOUT_EFFECT = 1e-9


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

    @property
    def flat(self) -> tuple[int, ...]:
        """Unknowns that no longer change the residuals: a plateau was reached, not a minimum.

        A start too far away can end so. It cannot happen where each unknown has a prior.
        """
        effect = np.linalg.norm(self.J, axis=0) * np.maximum(np.abs(self.z), 1.0)
        return tuple(np.flatnonzero(effect <= WITHOUT_EFFECT * np.linalg.norm(self.r)).tolist())


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

    Raises
    ------
    Refused
        If the misfit cannot be evaluated at ``z0``.
    """
    path = _Path(_Point(np.array(z0, dtype=float), *misfit(z0)))
    if not path.best.finite:
        raise Refused("residuals or their Jacobian are not finite at the start")
    evaluations = 1
    _tell(report, evaluations, path.best)
    while True:
        here, best = path.here, path.best
        step, predicted = _step(here.r, here.J, path.damping)
        gain = predicted if path.damping == 0.0 else _step(here.r, here.J, 0.0)[1]
        enough = tolerance + relative * best.S
        if here is best and (gain <= enough or predicted <= 1e-15 * best.S):
            return Solution(best.z, best.r, best.J, True, evaluations, gain)
        if evaluations >= most:
            return Solution(best.z, best.r, best.J, False, evaluations, gain)
        path.judge(_trial(misfit, here.z + path.part * step), predicted)
        evaluations += 1
        _tell(report, evaluations, path.best)


class _Path:
    """Where the search stands, and how boldly it steps.

    ``share`` is how much of a full step from the best point is taken; ``bold`` is whether the last
    steps earned that one may raise the misfit, ``hoped`` what the last from the best one promised.
    """

    def __init__(self, start: _Point) -> None:
        self.here = self.best = start
        self.damping, self.growth, self.share = 0.0, 2.0, 1.0
        self.bold, self.hoped = True, np.inf

    @property
    def free(self) -> bool:
        """Whether the next step is an undamped one from the best point."""
        return self.here is self.best and self.damping == 0.0

    @property
    def part(self) -> float:
        """How much of the next step to take."""
        return self.share if self.free else 1.0

    def judge(self, trial: _Point, predicted: float) -> None:
        """Go on from ``trial`` or return, and set the next step's length and damping."""
        free, part, here, best = self.free, self.part, self.here, self.best
        fall = best.S - trial.S
        promised = predicted * part * (2.0 - part) - (here.S - best.S)
        if here is best:
            self.hoped = promised
        if fall > 1e-4 * max(promised, 0.0):
            worthwhile = fall > WORTHWHILE * self.hoped
            if free and not (worthwhile or self.bold):
                self.share = part * _valley(-fall, predicted, part)
            elif part < 1.0 and fall > AS_PROMISED * promised:
                self.share = min(1.0, 2.0 * part)
            self.bold, self.growth = worthwhile, 2.0
            fell, modelled = here.S - trial.S, promised + here.S - best.S
            self.damping = _relaxed(self.damping, fell / modelled if modelled > fell else 1.0)
            self.here = self.best = trial
        elif free and self.bold and -fall < WATCHED * predicted:
            self.here = trial
        elif free and part > SHORTEST and np.isfinite(trial.S):
            self.share = part * _valley(-fall, predicted, part)
        else:
            self.here, self.share, self.bold = best, 1.0, False
            self.damping = max(self.damping, 1e-4) * self.growth
            self.growth *= 2.0


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    z: Array
    r: Array
    J: Array

    @property
    def S(self) -> float:
        return float(self.r @ self.r)

    @property
    def finite(self) -> bool:
        return bool(np.isfinite(np.vdot(self.r, self.r)) and np.isfinite(np.vdot(self.J, self.J)))


def _tell(report: Callable[[int, float], None] | None, evaluations: int, best: _Point) -> None:
    if report:
        report(evaluations, best.S)


def _trial(misfit: Misfit, z: Array) -> _Point:
    """Evaluate at ``z``; a point that cannot be has an infinite misfit."""
    try:
        point = _Point(z, *misfit(z))
        if point.finite:
            return point
    except Refused:
        pass
    return _Point(z, np.array([np.inf]), np.empty((1, z.size)))


def _valley(rise: float, predicted: float, part: float) -> float:
    """Return where on a step the parabola of known start, slope and end has its bottom."""
    slope = 2.0 * predicted * part
    return float(np.clip(0.5 * slope / (rise + slope), 0.1, 0.9))


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
