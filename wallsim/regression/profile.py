"""Profile likelihood interval of a scalar that depends on the unknowns.

The profile of a readout ``g`` at ``c`` is the least ``S(z) = |r(z)|^2`` with ``g(z) = c``; the
interval ends where it has risen from its minimum ``S0`` by ``rise``. Unlike Laplace's it needs no
symmetry, and it is the same for ``g`` and for its log. At an end ``S = S0 + rise`` while ``grad S``
points along ``grad g``; both are solved together (Venzon & Moolgavkar 1988, Appl. Stat. 37, 87)
with the Gauss-Newton model of ``S`` at the point at hand,

    p = p_N + lambda H^-1 grad g,   S(p) = S(p_N) + lambda^2 grad g^T H^-1 grad g,   H = J^T J

``p_N`` the step to the model's minimum, so that an end costs one evaluation a step and no profile
is solved on the way. An end is also where ``g`` is largest or least with ``S <= S0 + rise``: after
the first few, a step that does not bring it further in that sense is halved, as are all that
overshoot by far or end where nothing can be evaluated. Where the valley of low ``S`` is bent a step
along its tangent lands beside it; before it is halved it is led back once, ``g`` held. No step is
longer than a few standard deviations of the minimum.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from wallsim.regression.least_squares import Misfit, Refused, Solution

Array = NDArray[np.float64]

Readout = Callable[[Array], tuple[float, Array]]
"""Returns a value and its gradient (m,) in ``z``."""

COVERAGE = 0.95
"""Of every interval."""
RISE = 3.841
"""Of chi-square with one degree of freedom at that level."""

REACH = 2.0
OVERSHOT = 3.0
BOLD = 3
NEAR = 0.1
BESIDE = 0.7


@dataclass(frozen=True, slots=True, eq=False)
class End:
    """One end of a profile likelihood interval.

    Parameters
    ----------
    value : float
        Of the readout. Where not ``found``, how far the profile was followed.
    z : Array, shape (m,)
        Where it was read.
    rise : float
        Of S there; where ``found``, after the model of a point less than ``tolerance`` away.
    found : bool
        False where S does not rise far enough within the evaluations allowed: no end is known.
    deeper : float
        How far S fell below the minimum on the way; if by more than about 1, it was no minimum.
    evaluations : int
    """

    value: float
    z: Array
    rise: float
    found: bool
    deeper: float
    evaluations: int


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """Profile likelihood interval of a readout.

    Parameters
    ----------
    value, sd : float
        At the minimum, and its standard deviation after Laplace.
    lower, upper : End
    """

    value: float
    sd: float
    lower: End
    upper: End

    @property
    def low(self) -> float:
        """Lower end."""
        return self.lower.value

    @property
    def high(self) -> float:
        """Upper end."""
        return self.upper.value

    @property
    def evaluations(self) -> int:
        """Of the misfit, both ends together."""
        return self.lower.evaluations + self.upper.evaluations


def profile(
    misfit: Misfit,
    readout: Readout,
    solution: Solution,
    *,
    rise: float = RISE,
    tolerance: float = 0.02,
    most: int = 20,
) -> Profile:
    """Return the profile likelihood interval of ``readout``.

    Parameters
    ----------
    misfit : Misfit
    readout : callable
    solution : Solution
        Minimum of ``misfit``.
    rise : float
        Of S at the ends.
    tolerance : float
        Allowed error of an end, in standard deviations of the readout.
    most : int
        Evaluations at most, for each end.
    """
    value, gradient = readout(solution.z)
    start = _Point(solution.z, solution.r, solution.J, value, np.asarray(gradient))
    model = _Model.of(start)
    sd = float(np.sqrt(gradient @ model.toward))
    search = _Search(misfit, readout, start, model.least, sd, rise, tolerance, most)
    lower, upper = (search.end(side) for side in (-1.0, 1.0))
    return Profile(value, sd, lower, upper)


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    z: Array
    r: Array
    J: Array
    value: float
    gradient: Array

    @property
    def S(self) -> float:
        return float(self.r @ self.r)


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """Step to the minimum of the linearised misfit, S there, and ``H^-1 grad g``."""

    newton: Array
    least: float
    toward: Array

    @classmethod
    def of(cls, point: _Point) -> _Model:
        scale = np.linalg.norm(point.J, axis=0)
        scale[scale == 0.0] = 1.0
        u, s, vt = np.linalg.svd(point.J / scale, full_matrices=False)
        kept = s > 1e-12 * s[0]
        u, s, vt = u[:, kept], s[kept], vt[kept] / scale
        along = u.T @ point.r
        return cls(
            -(along / s) @ vt, point.S - float(along @ along), (vt @ point.gradient / s**2) @ vt
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    misfit: Misfit
    readout: Readout
    start: _Point
    S0: float
    sd: float
    rise: float
    tolerance: float
    most: int

    def end(self, side: float) -> End:
        """Return the end on that ``side`` of the minimum (-1 or 1)."""
        here, step, part = self.start, self._step(self.start, side), 1.0
        evaluations, steps, deeper = 0, 0, 0.0
        while True:
            gain, risen = float(here.gradient @ step), here.S - self.S0
            small = abs(gain) <= self.tolerance * self.sd
            if small and abs(risen - self.rise) <= NEAR * self.rise:
                z, value = here.z + step, here.value + gain
                return End(value, z, self.rise, True, deeper, evaluations)
            if evaluations >= self.most or not step.any():
                return End(here.value, here.z, risen, False, deeper, evaluations)
            bold = steps < BOLD
            trial, spent = self._tried(here, part * step, side, bold, self.most - evaluations)
            evaluations += spent
            if trial is None:
                part *= 0.5
            else:
                here, step, part = trial, self._step(trial, side), min(1.0, 2.0 * part)
                steps, deeper = steps + 1, max(deeper, self.S0 - here.S)

    def _tried(
        self, here: _Point, step: Array, side: float, bold: bool, most: int
    ) -> tuple[_Point | None, int]:
        """Return the point that ``step`` leads to, None if it does not do, and the evaluations.

        A point just beside a bent valley is taken back into it once.
        """
        trial = self._at(here.z + step)
        if trial is None or self._goes(here, trial, side, bold):
            return trial, 1
        back = self._into_valley(here, trial)
        if back is None or most < 2:
            return None, 1
        trial = self._at(trial.z + back)
        return (trial if trial and self._goes(here, trial, side, bold) else None), 2

    def _goes(self, here: _Point, trial: _Point, side: float, bold: bool) -> bool:
        if bold:
            return trial.S - self.S0 <= OVERSHOT * max(self.rise, here.S - self.S0)
        return self._merit(trial, side) > self._merit(here, side)

    def _into_valley(self, here: _Point, trial: _Point) -> Array | None:
        """Return the way from a point just beside a bent valley into it, the readout held."""
        model = _Model.of(trial)
        fall = float(trial.gradient @ model.newton) / float(trial.gradient @ model.toward)
        way: Array = model.newton - fall * model.toward
        near = np.linalg.norm(way) <= BESIDE * np.linalg.norm(trial.z - here.z)
        return way if near else None

    def _merit(self, point: _Point, side: float) -> float:
        """Return how far out the readout is, less a penalty where S is above the end's."""
        above = max(point.S - self.S0 - self.rise, 0.0)
        return side * point.value - self.sd * above / sqrt(self.rise)

    def _step(self, point: _Point, side: float) -> Array:
        model = _Model.of(point)
        square = float(point.gradient @ model.toward)
        missing = self.S0 + self.rise - model.least
        if square <= 0.0:
            return np.zeros_like(point.z)
        step: Array = model.newton + side * np.sqrt(max(missing, 0.0) / square) * model.toward
        length = float(np.linalg.norm(self.start.J @ step))
        return step * min(1.0, REACH * sqrt(self.rise) / max(length, 1e-300))

    def _at(self, z: Array) -> _Point | None:
        try:
            r, J = self.misfit(z)
            value, gradient = self.readout(z)
        except Refused:
            return None
        if not (np.isfinite(r).all() and np.isfinite(J).all() and np.isfinite(value)):
            return None
        return _Point(z, r, J, value, np.asarray(gradient))
