"""What a firing does to the wall, read from the tracks of many draws.

Every interval is the 95 % interval of the draws about the one that is the estimate itself:
log-normal for times, loads, and temperatures above somewhat below ambient.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.estimate.readouts import QUANTILE
from wallsim.materials.solid import Solid
from wallsim.plan.ensemble import Ensemble, Track
from wallsim.plan.strength import hot_strength, limit_load, thermal_stress
from wallsim.wall.operators import Wall

Array = NDArray[np.float64]



def interval(values: Array, base: float | None = None) -> dict[str, float | None]:
    """Return the interval of draws, the first of which is the estimate; NaN where there is none.

    Where some draws have no value (a limit not reached) the high end is open: null.

    Parameters
    ----------
    values : Array, shape (n_draws,)
    base : float or None
        The draws are log-normal above this value; normal if None. The range of the draws stands
        where one is not above it.
    """
    first, known = values[0], values[np.isfinite(values)]
    if not np.isfinite(first):
        low = float(np.min(known)) if known.size else None
        return {"estimate": None, "low": low, "high": None}
    low = high = float(first)
    if known.size > 1 and base is None:
        half = QUANTILE * float(np.std(known, ddof=1))
        low, high = float(first - half), float(first + half)
    elif known.size > 1 and base is not None and (known > base).all():
        ratio = np.exp(QUANTILE * float(np.std(np.log(known - base), ddof=1)))
        low, high = float(base + (first - base) / ratio), float(base + (first - base) * ratio)
    elif known.size > 1:
        low, high = float(known.min()), float(known.max())
    return {"estimate": float(first), "low": low,
            "high": high if known.size == values.size else None}


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


def crossing(t: Array, y: Array, limit: float) -> Array:
    """Return when each draw first exceeds ``limit``; NaN where it does not.

    Parameters
    ----------
    t : Array, shape (n_t,)
    y : Array, shape (n_t, n_draws)
    """
    above = y > limit
    out = np.full(y.shape[1], np.nan)
    for d in np.flatnonzero(above.any(axis=0)):
        i = int(np.argmax(above[:, d]))
        if i == 0:
            out[d] = t[0]
            continue
        share = (limit - y[i - 1, d]) / (y[i, d] - y[i - 1, d])
        out[d] = t[i - 1] + share * (t[i] - t[i - 1])
    return out


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
    """

    t: Array
    lowest: Array
    place: NDArray[np.intp]


def margins(
    grid: Grid, track: Track, pressure: Array, solid: Solid
) -> Margins | None:
    """Return the margins of a track, None where the metal has no strength table.

    Parameters
    ----------
    pressure : Array, shape (n_t, n_z)
        Gas pressure above that outside [Pa], positive.
    """
    if solid.yield_strength is None:
        return None
    load = limit_load(grid.r, hot_strength(solid.yield_strength, grid.field(track.T)))
    ratio = load / pressure[:, :, None]
    return Margins(track.t, ratio.min(axis=1), ratio.argmin(axis=1))


def deposit_surface(run: Ensemble, track: Track) -> Array:
    """Return the temperature of the deposit's gas side [K]; shape (n_t, m, n_draws)."""
    bore = track.T[:, run.wall.faces["bore"].nodes]
    out = np.empty_like(bore)
    for i, (t, T) in enumerate(zip(track.t, bore, strict=True)):
        U, T_inf, R = run.exchange(float(t), True)
        out[i] = T + U * (T_inf - T) * R
    return out


def within(T: Array, end: float) -> Array:
    """Return temperatures with NaN where they are beyond ``end``, the end of the metal's table."""
    return np.where(T > end, np.nan, T)


def peak(t: Array, y: Array) -> tuple[Array, Array, Array]:
    """Return the highest value of each draw, when and at which place.

    Parameters
    ----------
    y : Array, shape (n_t, m, n_draws)
    """
    flat = y.reshape(-1, y.shape[2])
    at = flat.argmax(axis=0)
    when, where = np.unravel_index(at, y.shape[:2])
    return flat[at, np.arange(y.shape[2])], t[when], where


def stresses(grid: Grid, track: Track, solid: Solid) -> tuple[Array, Array] | None:
    """Return the largest elastic thermal hoop stress [Pa] at bore and outside by draw."""
    if solid.elastic is None:
        return None
    bore, outside = thermal_stress(grid.r, grid.field(track.T), solid.elastic)
    return bore.min(axis=(0, 1)), outside.max(axis=(0, 1))
