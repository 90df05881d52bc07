"""How many thermocouples fit along a tube: places, their least distance, pairs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SAME = 1e-9
"""Positions this close are one [m]."""


def places(length: float, spacing: float, keep_out: Sequence[tuple[float, float]]) -> Array:
    """Return where a thermocouple may stand [m]: each ``spacing``, but for the stretches left free.

    Shape (n,), in order along the tube.
    """
    z = np.asarray(spacing * np.arange(1, int(length / spacing + SAME) + 1), dtype=np.float64)
    free = z < length - SAME
    for low, high in keep_out:
        free &= (z <= low - SAME) | (z >= high + SAME)
    return z[free]


def beside(z: Array, taken: Sequence[float], apart: float) -> NDArray[np.bool_]:
    """Return which places ``z`` are ``apart`` or more from all that are taken; shape (n,)."""
    near = np.abs(z[:, None] - np.asarray(taken)) < apart - SAME
    return np.asarray(~near.any(axis=1))


def packed(z: Array, apart: float) -> list[int]:
    """Return as many of the places ``z`` as fit, each ``apart`` from the next.

    From one end on always the next that is far enough: no other choice holds more.
    """
    out: list[int] = []
    for i in np.argsort(z, kind="stable"):
        if not out or z[i] - z[out[-1]] >= apart - SAME:
            out.append(int(i))
    return out


def pairs_made(placed: int, welded: int, planned: int) -> int:
    """Return at how many stations two are placed; one placed or welded on stands alone."""
    return min(planned, max(0, (placed - (0 if welded else 1)) // 2))


def slots_of(
    n: int, surface: NDArray[np.intp], singles: int, pairs: int, most_wells: int | None
) -> list[NDArray[np.intp]]:
    """Return which of ``n`` places each thermocouple alone may take, then each pair.

    As many alone may be in wells as are allowed; if not all may, pairs are on the surface.

    Parameters
    ----------
    surface : NDArray of int
        Places that are no wells. Two at a place count as the place ``n`` further on.
    """
    deep = singles if most_wells is None else min(most_wells, singles)
    paired = n + (np.arange(n) if most_wells is None else surface)
    return [np.arange(n)] * deep + [surface] * (singles - deep) + [paired] * pairs


def most(stations: int, welded: int, pairs: int) -> int:
    """Return how many thermocouples fit in all, ``stations`` being free beside those welded on."""
    placed = 0
    while placed + 1 - pairs_made(placed + 1, welded, pairs) <= stations:
        placed += 1
    return welded + placed
