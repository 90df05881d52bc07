"""Straight lines through the samples just before and just after every sample of a record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.logs.model import Array

Mask = NDArray[np.bool_]

_FEWEST = 3


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Lines before and after each sample.

    Parameters
    ----------
    kink : Array, shape (n,)
        Slope after minus slope before [K/s]; NaN where either side has too few samples.
    jump : Array, shape (n,)
        Value after minus value before, both at the sample [K].
    before, after : Array, shape (n,)
        Slopes [K/s].
    """

    kink: Array
    jump: Array
    before: Array
    after: Array


class _Sums:
    """Running sums from which the line through any stretch follows at once."""

    def __init__(self, t: Array, y: Array, good: Mask) -> None:
        weight = (good & np.isfinite(y)).astype(float)
        value = np.where(weight > 0.0, y, 0.0)
        self.origin = float(np.mean(t))
        self.level = float(np.sum(value) / max(1.0, np.sum(weight)))
        time = t - self.origin
        value = np.where(weight > 0.0, value - self.level, 0.0)
        terms = (weight, weight * time, weight * time**2, value, value * time, value**2)
        self.sums = np.array([np.concatenate([[0.0], np.cumsum(term)]) for term in terms])

    def fit(self, first: NDArray[np.intp], stop: NDArray[np.intp]) -> tuple[Array, ...]:
        """Return count, slope, mean time, mean value and squared misfit of stretches."""
        n, t1, t2, y1, ty, y2 = self.sums[:, stop] - self.sums[:, first]
        count = np.maximum(n, 1.0)
        spread = np.maximum(t2 - t1**2 / count, 1e-30)
        shared = ty - t1 * y1 / count
        slope = np.where(n >= 2, shared / spread, 0.0)
        misfit = np.maximum(y2 - y1**2 / count - slope * shared, 0.0)
        return n, slope, t1 / count + self.origin, y1 / count + self.level, misfit


def moving_lines(t: Array, y: Array, good: Mask, width: int) -> Lines:
    """Return the lines through ``width`` samples before and from each sample on.

    Parameters
    ----------
    t, y : Array, shape (n,)
    good : Mask, shape (n,)
        Samples to use.
    width : int
        Samples on each side.
    """
    at = np.arange(t.size)
    sums = _Sums(t, y, good)
    n_a, slope_a, t_a, y_a, _ = sums.fit(np.maximum(at - width, 0), at)
    n_b, slope_b, t_b, y_b, _ = sums.fit(at, np.minimum(at + width, t.size))
    enough = max(_FEWEST, int(0.5 * width))
    before = np.where(n_a >= enough, slope_a, np.nan)
    after = np.where(n_b >= enough, slope_b, np.nan)
    jump = (y_b + after * (t - t_b)) - (y_a + before * (t - t_a))
    return Lines(after - before, jump, before, after)


def best_break(t: Array, y: Array, good: Mask, first: int, stop: int, noise: float) -> int:
    """Return the sample in a stretch from which on a second line is the likeliest.

    Both lines have their own scatter, at least ``noise`` [K].
    """
    inner = np.arange(first + _FEWEST, stop - _FEWEST + 1)
    if not inner.size:
        return (first + stop) // 2
    sums = _Sums(t[first:stop], y[first:stop], good[first:stop])
    cut = inner - first
    left = sums.fit(np.zeros_like(cut), cut)
    right = sums.fit(cut, np.full_like(cut, stop - first))
    surprise = sum(
        part[0] * np.log(np.maximum(part[4] / np.maximum(part[0], 1.0), noise**2))
        for part in (left, right)
    )
    unlikely = np.where((left[0] >= 2) & (right[0] >= 2), surprise, np.inf)
    return int(inner[int(np.argmin(unlikely))])
