"""The pressure while burning, in bins, and how well its tap tells each bin's mean."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.logs.events import is_up

Array = NDArray[np.float64]

BIN = 1.0
EDGE = 0.15
MOST_MEMORY = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class PressureHistory:
    """Pressure at the tap while burning.

    Parameters
    ----------
    t, p : Array, shape (n,)
        Middle of each bin from ignition [s], and its mean [Pa].
    error : Array, shape (n,)
        Standard error of each mean by the scatter of its samples, relative [-].
    """

    t: Array
    p: Array
    error: Array

    @classmethod
    def steady(cls, p: float, burn: float) -> PressureHistory:
        """Return a pressure known to be ``p`` [Pa] for ``burn`` [s]."""
        return cls(np.array([0.0, burn]), np.full(2, p), np.zeros(2))

    @classmethod
    def of(cls, t: Array, absolute: Array, level: float, burn: float) -> PressureHistory:
        """Return the history of a log, its median brought to ``level``.

        Parameters
        ----------
        t, absolute : Array, shape (m,)
            From ignition [s]; as logged [Pa].
        level : float
            Of the plateau [Pa].
        burn : float
            [s].
        """
        inside = (t > EDGE) & (t < burn - EDGE) & np.isfinite(absolute)
        if inside.sum() < 3:
            return cls.steady(level, burn)
        inside[inside] = is_up(absolute[inside], float(np.nanmin(absolute)))
        at, found = t[inside], absolute[inside]
        edges = np.linspace(EDGE, burn - EDGE, max(3, int(burn / BIN) + 1))
        _, where, count = np.unique(np.digitize(at, edges), return_inverse=True, return_counts=True)
        mean = np.bincount(where, found) / count
        error = _standard_error(found, where, count) / np.abs(mean)
        return cls(np.bincount(where, at) / count, mean * level / np.median(found), error)


def _standard_error(found: Array, where: NDArray[np.intp], count: NDArray[np.intp]) -> Array:
    """Return the standard error of each bin's mean, of a scatter alike in all, serial or not.

    What changes from bin to bin is no noise: the variance is that about the line through the
    bins' middles, and samples that follow each other count for fewer (Bayley & Hammersley 1946,
    J. R. Stat. Soc. Suppl. 8, 184); with fewer than three a bin it is that of their differences.
    """
    if count.mean() < 3.0:
        return np.sqrt(0.5 * np.mean(np.diff(found) ** 2) / count)
    order = np.arange(found.size, dtype=float)
    middle, level = (
        np.concatenate(([2.0 * m[0] - m[1]], m, [2.0 * m[-1] - m[-2]]))
        for m in (np.bincount(where, each) / count for each in (order, found)))
    off = found - np.interp(order, middle, level)
    lag = float(np.clip(off[1:] @ off[:-1] / max(off @ off, 1e-300), 0.0, MOST_MEMORY))
    freedom = max(found.size - count.size, 1)
    variance = off @ off / freedom * (1.0 + lag) / (1.0 - lag)
    return np.asarray(np.sqrt(variance / count), dtype=np.float64)
