"""The pressure of a burn over time, as far as a record tells it from the tap's noise.

Heat goes with the pressure, and what the tap adds to it would heat all thermocouples of a firing
at once: bins of a record are noisy, and their errors add up in the wall. So the course is taken as
a level and a wander about it, of exponential covariance, in noise; how strong the wander is
against the noise is what is most likely (restricted likelihood; Harville 1977, J. Am. Stat. Assoc.
72, 320). A steady burn comes out steady, a drift or a step as it is logged.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MEMORY = 3.0
"""Of the wander [s]; a step is followed if it is well above the noise."""
STRENGTHS = np.concatenate(([0.0], np.logspace(-3.0, 4.0, 29)))
"""Variance of the wander over that of a bin's noise."""


def course(t: Array, p: Array, counts: Array) -> Array:
    """Return the pressure in bins without the noise of their means.

    Parameters
    ----------
    t, p : Array, shape (n,)
        Middle [s] and mean of each bin.
    counts : Array, shape (n,)
        Samples of each.

    Returns
    -------
    Array, shape (n,)
        In the unit of ``p``.
    """
    if t.size < 3 or np.ptp(p) == 0.0:
        return p.copy()
    wander = np.exp(-np.abs(t[:, None] - t) / MEMORY)
    noise = np.diag(counts.mean() / counts)
    found = [_likely(p, strength * wander + noise) for strength in STRENGTHS]
    best = int(np.argmax([likelihood for likelihood, _, _ in found]))
    _, level, weighed = found[best]
    return np.asarray(level + STRENGTHS[best] * wander @ weighed)


def _likely(p: Array, V: Array) -> tuple[float, float, Array]:
    """Return log likelihood, level and ``V^-1 (p - level)`` for the covariance ``V`` to a scale."""
    L = np.linalg.cholesky(V)
    rows = np.linalg.solve(L, np.column_stack((p, np.ones(p.size))))
    weight = float(rows[:, 1] @ rows[:, 1])
    level = float(rows[:, 0] @ rows[:, 1]) / weight
    left = rows[:, 0] - level * rows[:, 1]
    n = p.size - 1
    width = np.log(np.diag(L)).sum() + 0.5 * np.log(weight)
    return float(-0.5 * n * np.log(left @ left / n) - width), level, np.linalg.solve(L.T, left)
