"""Minimum of a misfit from many starts, and where else they end.

A solver finds the minimum of the valley that it starts in. Of many starts the most promising are
followed to their ends; an end with a larger misfit than the best is a false minimum.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.regression.least_squares import Misfit, Refused, Solution, solve

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """Where the starts ended.

    Parameters
    ----------
    solutions : tuple of Solution
        Of each start that was followed, least misfit first.
    evaluations : int
        All together.
    """

    solutions: tuple[Solution, ...]
    evaluations: int

    @property
    def best(self) -> Solution:
        """The least misfit found."""
        return self.solutions[0]

    def false_minima(self, margin: float = 1.0) -> tuple[Solution, ...]:
        """Return the ends whose misfit is above the best by more than ``margin``."""
        return tuple(s for s in self.solutions if s.misfit > self.best.misfit + margin)


def around(z: Array, sd: Array | float, n: int, rng: np.random.Generator) -> Array:
    """Return ``z`` and ``n`` starts spread evenly over a normal distribution about it.

    Latin hypercube (McKay et al. 1979, Technometrics 21, 239).

    Parameters
    ----------
    z : Array, shape (m,)
    sd : Array or float
        Of the distribution; in coordinates of unit-normal prior 1 covers the prior.

    Returns
    -------
    Array, shape (n + 1, m)
    """
    from scipy.stats import norm, qmc  # slow to import, and few fits need it

    return np.vstack((z, z + sd * norm.ppf(qmc.LatinHypercube(z.size, rng=rng).random(n))))


def solve_from_many(
    misfit: Misfit,
    starts: Iterable[Array],
    *,
    followed: int = 4,
    tolerance: float = 1e-3,
    relative: float = 0.0,
    most: int = 30,
) -> Ends:
    """Return the ends of the ``followed`` starts of least misfit.

    Parameters
    ----------
    misfit : Misfit
    starts : iterable of Array, shape (m,)
        Those at which the misfit cannot be evaluated are passed over.
    followed : int
        To their ends.
    tolerance, relative, most
        As of `solve`, for each.

    Raises
    ------
    Refused
        If the misfit can be evaluated at no start.
    """
    screened = []
    tried = 0
    for z in starts:
        tried += 1
        try:
            r, J = misfit(z)
        except Refused:
            continue
        S = float(r @ r)
        if np.isfinite(S) and np.isfinite(np.vdot(J, J)):
            screened.append((S, z))
    if not screened:
        raise Refused(f"the misfit cannot be evaluated at any of {tried} starts")
    screened.sort(key=lambda pair: pair[0])
    ends = [
        solve(misfit, z, tolerance=tolerance, relative=relative, most=most)
        for _, z in screened[:followed]
    ]
    ends.sort(key=lambda s: s.misfit)
    return Ends(tuple(ends), tried + sum(s.evaluations for s in ends))
