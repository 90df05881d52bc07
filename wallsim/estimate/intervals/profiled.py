"""Profile likelihood intervals of a fit's read-outs, noise and weights held.

They need no symmetry, which a resistance near zero, or one that the traces hardly narrow, does not
have. A deposit that cannot be told from none gets its upper limit by profile as well: the least
misfit, without the prior of the level, at three resistances from none upwards is the parabola of
the normal likelihood that `wallsim.estimate.limits` has linearised at the estimate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.estimate.intervals.wanted import Optimum, Wanted
from wallsim.estimate.joint import Estimate
from wallsim.estimate.limits import OfTraces
from wallsim.estimate.readouts import AlongTube, log_mean
from wallsim.regression.least_squares import Misfit, Refused, Solution, solve
from wallsim.regression.prior import Prior
from wallsim.regression.profile import Profile, Readout, profile

Array = NDArray[np.float64]

TOLERANCE = 0.05
"""Of an end, in standard deviations of the read-out."""
MOST = 12
NO_MINIMUM = 1.0
NONE = 1e-3
"""Of the upper limit: a resistance that no trace tells from none."""
HELD = 1e-3
"""Standard deviation within which a log resistance is held."""


def profiled(optimum: Optimum, want: Wanted) -> dict[str, Any]:
    """Return estimate, low and high of a read-out by profile likelihood, and what they cost.

    An end that the misfit does not rise enough to give is None.
    """
    misfit, solution = optimum.misfit, optimum.solution
    prior = misfit.unknowns.prior
    found = profile(
        _WithFactor(misfit), _readout(want, prior), _with_factor(solution), tolerance=TOLERANCE,
        most=MOST,
    )
    log = want.read(prior.x(solution.z)).log
    ends = {"estimate": found.value, "low": found.low if found.lower.found else np.nan,
            "high": found.high if found.upper.found else np.nan}
    values = {k: want.factor * float(np.exp(v) if log else v) for k, v in ends.items()}
    return {
        **{k: v if np.isfinite(v) else None for k, v in values.items()},
        "evaluations": found.evaluations, "lower_minimum_met": _deeper(found) > NO_MINIMUM,
    }


def _deeper(found: Profile) -> float:
    return max(found.lower.deeper, found.upper.deeper)


def _readout(want: Wanted, prior: Prior) -> Readout:
    """Return the read-out (its log, where it is one) and its gradient, of ``z`` and the factor."""

    def of(z: Array) -> tuple[float, Array]:
        read = want.read(prior.x(z[:-1]))
        value = float(np.log(read.value) if read.log else read.value)
        gradient = np.append(read.gradient @ prior.root, want.factor_sd)
        return value + want.factor_sd * float(z[-1]), gradient

    return of


@dataclass(frozen=True, slots=True, eq=False)
class _WithFactor:
    """A misfit with one more unknown of unit-normal prior, on which no trace depends."""

    misfit: Misfit

    def __call__(self, z: Array) -> tuple[Array, Array]:
        return _widened(*self.misfit(z[:-1]), float(z[-1]))


def _widened(r: Array, J: Array, own: float) -> tuple[Array, Array]:
    wide = np.zeros((J.shape[0] + 1, J.shape[1] + 1))
    wide[:-1, :-1], wide[-1, -1] = J, 1.0
    return np.append(r, own), wide


def _with_factor(solution: Solution) -> Solution:
    r, J = _widened(solution.r, solution.J, 0.0)
    return Solution(np.append(solution.z, 0.0), r, J, solution.converged, solution.evaluations,
                    solution.gain)


def limit_by_profile(
    estimate: Estimate, optimum: Optimum, blend: str, guess: float
) -> tuple[OfTraces | None, int]:
    """Return the mean resistance of ``blend`` as the traces alone tell it, and the evaluations.

    None where the misfit is no parabola, or the wall cannot be marched at one of the resistances.

    Parameters
    ----------
    guess : float
        Upper limit of the linearised likelihood [m^2 K/W]: where the misfit is looked at.
    """
    prior = estimate.unknowns.prior
    at = estimate.unknowns.curve(f"R {blend}")
    along = AlongTube.of(estimate)
    now = float(log_mean(along.resistance(blend)).value)
    values, least, evaluations = guess * np.array([NONE, 0.5, 1.0]), [], 0
    for R in values:
        x = prior.x(optimum.solution.z)
        x[at] += np.log(R / now)
        held = _Held.of(along, optimum.misfit, blend, float(np.log(R)))
        try:
            found = solve(held, prior.z(x), tolerance=3e-2, most=MOST)
        except Refused:
            return None, evaluations
        least.append(found.misfit)
        evaluations += found.evaluations
    curvature, slope, _ = np.polyfit(values / guess, least, 2)
    if curvature <= 0.0:
        return None, evaluations
    sd = guess / float(np.sqrt(curvature))
    return OfTraces(-0.5 * guess * float(slope / curvature), sd), evaluations


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """Misfit without the prior of a deposit's level, its mean resistance held.

    ``away`` (m,) is the level's direction in ``z``, of unit length.
    """

    along: AlongTube
    misfit: Misfit
    away: Array
    blend: str
    log_R: float

    @classmethod
    def of(cls, along: AlongTube, misfit: Misfit, blend: str, log_R: float) -> _Held:
        at = along.unknowns.curve(f"R {blend}")
        root = along.unknowns.prior.root[np.ix_(at, at)]
        away = np.zeros(along.x.size)
        # Of precision P = root^-T root^-1 the level's part is P 1 1^T P/(1^T P 1).
        away[at] = np.linalg.solve(root, np.ones(at.size))
        return cls(along, misfit, away / np.linalg.norm(away), blend, log_R)

    def __call__(self, z: Array) -> tuple[Array, Array]:
        r, J = self.misfit(z)
        m, away, prior = z.size, self.away, self.along.unknowns.prior
        r[-m:] -= away * float(away @ z)
        J[-m:] -= np.outer(away, away)
        mean = log_mean(self.along.at(prior.x(z)).resistance(self.blend))
        off = (float(np.log(mean.value)) - self.log_R) / HELD
        return np.append(r, off), np.vstack((J, mean.gradient @ prior.root / HELD))
