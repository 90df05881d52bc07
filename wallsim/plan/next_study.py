"""How firings to come would narrow a decision, and the chance that they settle it.

A quantity that is normal with mean ``m`` and variance ``v`` now has a variance ``w`` after the
firings, whatever they show; its mean will then lie about ``m`` with variance ``v - w`` (Raiffa &
Schlaifer 1961, Applied Statistical Decision Theory, section 11.2; from memory). The chance that its
interval of ``k`` standard deviations will lie wholly above ``a`` is

    Phi((m - a - k sqrt(w)) / sqrt(v - w))

Logs of resistances are taken as normal, as in the fit, or as functions of a normal quantity beyond
its logs (`wallsim.plan.next_growth`). Where the best of several blends decides,
their means are drawn.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from wallsim.plan.next_growth import LogResistance
from wallsim.plan.next_model import Outlook

Array = NDArray[np.float64]

DRAWS = 20000
SEED = 20
WITHOUT_END = 1e6
NOTHING = 1e-12


@dataclass(frozen=True, slots=True)
class Chance:
    """Chances that an interval will lie wholly above, or wholly below, a value [-]."""

    above: float
    below: float

    @property
    def settled(self) -> float:
        """Either of the two."""
        return self.above + self.below


def settled(mean: Array, now: Array, after: Array, value: Array | float, quantile: float) -> Chance:
    """Return the chance that firings to come settle whether the largest quantity is above.

    It is if the interval of any lies above ``value``, it is not if all of them lie below.

    Parameters
    ----------
    mean : Array, shape (k,)
    now, after : Array, shape (k, k)
        Covariances before and after the firings.
    value : Array, shape (k,), or float
        That of each, or of all.
    quantile : float
        Half the width of an interval in standard deviations.
    """
    half = quantile * np.sqrt(np.diag(after))
    gained = now - after
    if mean.size == 1:
        spread = float(np.sqrt(max(gained[0, 0], 0.0)))
        distance = float((mean - value)[0])
        if spread < NOTHING:
            return Chance(float(distance > half[0]), float(-distance > half[0]))
        return Chance(float(ndtr((distance - half[0]) / spread)),
                      float(ndtr((-distance - half[0]) / spread)))
    draws = _draws(mean, gained)
    return Chance(_share((draws - half > value).any(axis=1)),
                  _share((draws + half < value).all(axis=1)))


def _draws(mean: Array, covariance: Array) -> Array:
    """Return draws in pairs that mirror each other, always the same; shape (DRAWS, k)."""
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    half = np.random.default_rng(SEED).standard_normal((DRAWS // 2, mean.size))
    return np.asarray(mean + np.concatenate((half, -half)) @ root.T)


def _share(hits: ArrayLike) -> float:
    """Return a chance from draws, by the rule of succession: they cannot tell it from 0 or 1."""
    return float((np.count_nonzero(hits) + 1) / (np.size(hits) + 2))


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """The decision after some firings.

    Parameters
    ----------
    firings : dict of str to float
        How many of each blend.
    chance : Chance
        That they settle it.
    sd : float
        Of the log of the decision's R then, or of what is normal of it [-].
    own_sd : float or None
        That of the R of the blend fired, if it was not fired before.
    """

    firings: dict[str, float]
    chance: Chance
    sd: float
    own_sd: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """The decision and what every firing to come would do for it.

    Parameters
    ----------
    outlook : Outlook
    deciding : tuple of str
        Fired blends that decide; the first stands for the decision where one interval is shown.
    value : float
        Log of the R that it is about.
    quantile : float
        Half an interval in standard deviations.
    logs : dict of str to LogResistance
        Of every blend that decides or is new.
    """

    outlook: Outlook
    deciding: tuple[str, ...]
    value: float
    quantile: float
    logs: dict[str, LogResistance]

    @classmethod
    def of(cls, outlook: Outlook, valued: Sequence[str]) -> Study:
        """Return the study; ``valued`` are the blends whose R the campaign tells."""
        question = outlook.question
        names = [question.blend] if question.blend else list(valued)
        logs = {
            n: outlook.mean_resistance(n) for n in (*names, *(b.name for b in question.new))}
        deciding = sorted(names, key=lambda n: -logs[n].estimate)
        return cls(outlook, tuple(deciding), float(np.log(question.above)),
                   float(ndtri(0.5 + 0.5 * question.confidence)), logs)

    def _of(self, names: Sequence[str]) -> tuple[Array, Array, Array]:
        """Return mean, value and gradient of what is normal of each blend."""
        logs = [self.logs[n] for n in names]
        return (np.array([log.estimate for log in logs]),
                np.array([log.normal_at(self.value) for log in logs]),
                np.array([log.gradient for log in logs]))

    def now(self) -> Step:
        """Return the decision as it stands."""
        return self.after({})

    def after(self, firings: Mapping[str, float]) -> Step:
        """Return the decision after so many firings of each blend."""
        new = {b.name for b in self.outlook.question.new}
        fired = [n for n in firings if n in new]
        best = self.outlook.question.blend is None
        names = [*self.deciding, *(fired if best else [])]
        mean, value, G = self._of(names)
        now, then = G @ G.T, self.outlook.covariance(G, firings)
        own = None
        if len(fired) == 1:
            g = self.logs[fired[0]].gradient[None]
            own = float(np.sqrt(self.outlook.covariance(g, firings)[0, 0]))
        return Step(dict(firings), settled(mean, now, then, value, self.quantile),
                    float(np.sqrt(then[0, 0])), own)

    def above_now(self) -> float:
        """Return the chance that the R that decides is above, as far as is known now."""
        mean, value, G = self._of(self.deciding)
        if mean.size == 1:
            return float(ndtr((mean[0] - value[0]) / np.linalg.norm(G[0])))
        return _share((_draws(mean, G @ G.T) > value).any(axis=1))

    def repeated(self, blend: str) -> list[Step]:
        """Return the decision after one, two, ... firings of one blend."""
        return [self.after({blend: n}) for n in range(1, self.outlook.question.repeats + 1)]

    def without_end(self, blend: str) -> Step:
        """Return the decision after firings of one blend without end."""
        return self.after({blend: WITHOUT_END})

    def mixed(self, blends: Sequence[str], n: int) -> Step:
        """Return the decision after the ``n`` firings that settle it most likely, of any blends."""
        every = [
            self.after({b: mix.count(b) for b in dict.fromkeys(mix)})
            for mix in combinations_with_replacement(blends, n)
        ]
        return max(every, key=rank)


def rank(step: Step) -> tuple[float, float]:
    """Return what firings are ordered by: the chance in whole thousandths, then how narrow."""
    return round(step.chance.settled, 3), -step.sd
