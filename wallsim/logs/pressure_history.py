"""The pressure while burning, in bins, and how well its tap tells each bin's mean."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.logs.events import is_up

Array = NDArray[np.float64]

BIN = 1.0
EDGE = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class PressureHistory:
    """Pressure at the tap while burning.

    Parameters
    ----------
    t, p : Array, shape (n,)
        Middle of each bin from ignition [s], and its mean [Pa].
    error : Array, shape (n,)
        Standard error of each mean by the noise of its samples, relative [-].
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
        """Return the history of a log.

        Parameters
        ----------
        t, absolute : Array, shape (m,)
            From ignition [s]; without the tap's error at rest [Pa].
        level : float
            Where there are too few readings [Pa].
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
        # What changes from sample to sample is noise of the tap, what is slower the pressure's own.
        noise = np.sqrt(0.5 * np.mean(np.diff(found) ** 2))
        error = noise / np.sqrt(count) / np.abs(mean)
        return cls(np.bincount(where, at) / count, mean, error)
