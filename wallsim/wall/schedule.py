"""Step ends of a march: short after each jump of the gas side, growing towards a limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

GAMMA = 2.0 - np.sqrt(2.0)
FIRST_STEP = 0.02
GROWTH = 1.3
LONGEST_BURNING = 0.25
LONGEST_COOLING = 1.6
LONGEST_SHEDDING = 0.1
"""Of a burn in which deposit comes off at a fitted moment: twice the time constant of it."""


@dataclass(frozen=True, slots=True, eq=False)
class Schedule:
    """Steps of one run, fixed during a fit so that the misfit is smooth in the parameters.

    Parameters
    ----------
    t : Array, shape (n + 1,)
        Step ends from ignition [s], starting at 0.
    burning : NDArray of bool, shape (n,)
        Whether each step lies before shutdown.
    """

    t: Array
    burning: NDArray[np.bool_]

    @classmethod
    def of(
        cls, burn: float, end: float, fineness: float = 1.0, longest: float = LONGEST_BURNING
    ) -> Schedule:
        """Return steps for a burn of ``burn`` [s] in a record that ends at ``end`` [s].

        ``fineness`` divides every step length; ``longest`` [s] is that of the burn's steps.
        """
        head = _growing(min(burn, end), FIRST_STEP, longest, fineness)
        burning = np.ones(len(head) - 1, dtype=bool)
        if end <= burn:
            return cls(head, burning)
        tail = _growing(end - burn, FIRST_STEP, LONGEST_COOLING, fineness)
        t = np.concatenate((head, burn + tail[1:]))
        return cls(t, np.concatenate((burning, np.zeros(len(tail) - 1, dtype=bool))))

    @property
    def stage_times(self) -> Array:
        """Times at which a march reports: start, and both stages of each step [s]."""
        inner = self.t[:-1] + GAMMA * np.diff(self.t)
        return np.concatenate(([self.t[0]], np.column_stack((inner, self.t[1:])).ravel()))


def _growing(span: float, first: float, longest: float, fineness: float) -> Array:
    steps, total, dt = [], 0.0, first / fineness
    growth = GROWTH ** (1.0 / fineness)
    while total < span * (1.0 - 1e-12):
        steps.append(dt)
        total += dt
        dt = min(dt * growth, longest / fineness)
    ends = np.concatenate(([0.0], np.cumsum(steps)))
    return np.asarray(ends * (span / ends[-1]))
