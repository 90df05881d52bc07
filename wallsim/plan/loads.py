"""What the hot wall bears while burning: limit load over gas pressure, elastic stresses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.materials.solid import Solid, Table
from wallsim.plan.answers import interval
from wallsim.plan.ensemble import Track
from wallsim.plan.followed import Followed
from wallsim.plan.strength import hot_strength, limit_load, pressure_stress, thermal_stress
from wallsim.wall.operators import Wall

Array = NDArray[np.float64]

MOST_NODES, WITHIN = 4, np.linspace(0.0, 1.0, 7)[:, None]
"""Step ends that a cubic runs through, and where in a step the load is looked at."""


def load_interval(
    values: Array, cold: float, lost: NDArray[np.bool_] | None = None
) -> dict[str, float | None]:
    """Return the interval of a limit load over pressure, which no wall bears better than cold.

    Lost draws lie below.

    Parameters
    ----------
    values : Array, shape (n_draws,)
        As in `interval` [-].
    cold : float
        Of the wall at the strength of its coldest point [-].
    """
    found = interval(values, 0.0, lost, "below")
    first = found["estimate"]
    if first is None or found["high"] is None:
        return found
    return found | {"high": max(min(float(found["high"]), cold), first)}


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """The nodes of a straight wall as rows along ``z`` and columns through it.

    Parameters
    ----------
    z : Array, shape (n_z,)
        [m].
    r : Array, shape (n_r,)
        From bore to outside [m].
    """

    z: Array
    r: Array

    @classmethod
    def of(cls, wall: Wall) -> Grid:
        """Return the grid of a wall on the built-in mesh, whose nodes go through it first."""
        n_z = wall.faces["bore"].nodes.size
        r = wall.r.reshape(n_z, -1)[0]
        return cls(wall.z.reshape(n_z, -1)[:, 0], r)

    def field(self, T: Array) -> Array:
        """Return nodal values (..., n, n_draws) as (..., n_z, n_draws, n_r)."""
        shape = (*T.shape[:-2], self.z.size, self.r.size, T.shape[-1])
        return np.swapaxes(T.reshape(shape), -1, -2)


@dataclass(frozen=True, slots=True, eq=False)
class Margins:
    """Limit load over gas pressure while burning.

    Parameters
    ----------
    t : Array, shape (n_t,)
        [s].
    lowest : Array, shape (n_t, n_draws)
        Along the tube [-].
    place : NDArray of int, shape (n_t, n_draws)
        Station of the lowest.
    cold : Array, shape (n_t,)
        That of the wall at its greatest strength [-].
    """

    t: Array
    lowest: Array
    place: NDArray[np.intp]
    cold: Array


def margins(grid: Grid, track: Track, pressure: Array, table: Table) -> Margins:
    """Return the margins of a track.

    Parameters
    ----------
    pressure : Array, shape (n_t, n_z)
        Gas pressure above that outside [Pa], positive.
    table : Table
        Yield strength [Pa] by temperature [K].
    """
    ratio = _over_pressure(grid, track.T, pressure[:, :, None], table)
    cold = limit_load(grid.r, np.full(grid.r.size, table.y.max()))
    return Margins(track.t, ratio.min(axis=1), ratio.argmin(axis=1), cold / pressure.max(axis=1))


def _over_pressure(grid: Grid, T: Array, pressure: Array, table: Table) -> Array:
    """Return the limit load over gas pressure at every station; shape (..., n_z, n_draws)."""
    return limit_load(grid.r, hot_strength(table, grid.field(T))) / pressure


def falls_below(
    factor: float, found: Margins, grid: Grid, followed: Followed, pressure: Array, table: Table
) -> Array:
    """Return when the load of each draw first falls below ``factor`` [s]; NaN where it does not.

    Looked at up to when a draw leaves the metal's table, wherever the steps lie. Temperatures are
    smooth in time and the load has kinks, so within a step it is taken of temperatures on the
    cubic through four step ends, not interpolated itself.

    Parameters
    ----------
    factor : float
        [-].
    found : Margins
        Of the draws as ``followed``.
    pressure : Array, shape (n_t, n_z)
        As in `margins`; linear within a step.
    """
    t, left = found.t, followed.left
    below = found.lowest < factor
    out = np.where(below[0], t[0], np.nan)
    i = below.argmax(axis=0)
    some = np.flatnonzero((i > 0) & ~(left <= t[i - 1]))
    if some.size == 0:
        return out
    i = i[some]
    low, high = t[i - 1], np.fmin(t[i], left[some])
    at = low + WITHIN * (high - low)
    share = ((at - low) / (t[i] - low))[:, None]
    p = (1.0 - share) * pressure[i - 1].T + share * pressure[i].T
    T = np.minimum(_on_cubic(followed.raw, some, i, at), followed.end)
    lowest = _over_pressure(grid, T, p, table).min(axis=1)
    out[some] = low + _first_below(lowest, factor) * (high - low)
    return out


def _on_cubic(track: Track, draws: NDArray[np.intp], i: NDArray[np.intp], at: Array) -> Array:
    """Return temperatures of draws at times ``at`` [s] in their step before the end ``i``.

    Shape (k, n, n_draws), that of ``at`` being (k, n_draws).
    """
    t = track.t
    nodes = np.arange(min(MOST_NODES, t.size))
    near = np.clip(i - 2, 0, t.size - nodes.size) + nodes[:, None]
    T = np.zeros((len(at), track.T.shape[1], draws.size))
    for k in nodes:
        others = np.delete(t[near], k, axis=0)[:, None]
        weight = ((at - others) / (t[near[k]] - others)).prod(axis=0)
        T += weight[:, None] * track.T[near[k], :, draws].T
    return T


def _first_below(y: Array, limit: float) -> Array:
    """Return where in a step each column of ``y`` first falls below ``limit``; 1 at its end."""
    below, columns = y < limit, np.arange(y.shape[1])
    i = np.maximum(np.argmax(below, axis=0), 1)
    before, after = y[i - 1, columns], y[i, columns]
    part = np.clip((before - limit) / np.where(below[i, columns], before - after, 1.0), 0.0, 1.0)
    at = WITHIN[i - 1, 0] + part * (WITHIN[i, 0] - WITHIN[i - 1, 0])
    return np.where(below.any(axis=0), at, 1.0)


def elastic_stresses(
    grid: Grid, track: Track, lost: NDArray[np.bool_], over: Array, solid: Solid
) -> dict[str, Any]:
    """Return the largest elastic hoop stresses [Pa], for information, as part of a document.

    By differences of temperature through the wall at bore and outside, None without elastic
    constants; by the pressure ``over`` that outside [Pa] at the bore. ``lost`` are the draws that
    leave the metal's table.
    """
    by_pressure, _, _ = pressure_stress(float(over.max()), grid.r[0], grid.r[-1], grid.r[0])
    thermal = None
    if solid.elastic is not None:
        bore, outside = thermal_stress(grid.r, grid.field(track.T), solid.elastic)
        thermal = {
            "bore": interval(bore.min(axis=(0, 1)), None, lost, "unknown"),
            "outside": interval(outside.max(axis=(0, 1)), None, lost, "unknown")}
    return {"thermal_hoop_stress_Pa": thermal,
            "pressure_hoop_stress_Pa": {"bore": float(by_pressure)}}
