"""What a firing does to the wall, read from the tracks of many draws.

Every interval is the 95 % interval of the draws about the one that is the estimate itself:
log-normal for times, loads, and temperatures above somewhat below ambient. A draw is followed until
its wall leaves the table of the metal; what it had reached by then is a bound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import ndtri

from wallsim.estimate.readouts import COVERAGE, QUANTILE
from wallsim.materials.solid import Solid
from wallsim.plan.ensemble import Ensemble, Track
from wallsim.plan.strength import hot_strength, limit_load, pressure_stress, thermal_stress
from wallsim.wall.operators import Wall

Array = NDArray[np.float64]
Side = Literal["above", "below", "unknown"]

ROUGH = 20
"""Draws below which intervals are called rough."""


def interval(
    values: Array, base: float | None = None, lost: NDArray[np.bool_] | None = None,
    side: Side = "above",
) -> dict[str, float | None]:
    """Return the interval of draws, the first of which is the estimate.

    Draws without a value leave the end on their side open: null. The other end then rests on the
    draws on its own side of the estimate. Where the estimate itself has no value, the end that is
    left is the outermost of all draws.

    Parameters
    ----------
    values : Array, shape (n_draws,)
        NaN counts as lost.
    base : float or None
        The draws are log-normal above this value; normal if None. The range of the draws stands
        where one is not above it.
    lost : Array of bool, shape (n_draws,), or None
        Draws without a value, for which ``values`` holds a bound, or NaN where there is none.
    side : {"above", "below", "unknown"}
        Where their values lie, seen from their bounds.
    """
    finite = np.isfinite(values)
    lost = ~finite if lost is None else lost | ~finite
    first, known = float(values[0]), values[finite]
    low: float | None
    high: float | None
    if lost[0]:
        low = float(known.min()) if known.size and side == "above" else None
        high = float(known.max()) if known.size and side == "below" else None
        return {"estimate": None, "low": low, "high": high}
    if not lost.any():
        low, high = _ends(first, known, base, two_sided=True)
        return {"estimate": first, "low": low, "high": high}
    low = high = None
    if side == "above" and (known < first).any():
        low = _ends(first, known[known <= first], base)[0]
    if side == "below" and (known > first).any():
        high = _ends(first, known[known >= first], base)[1]
    return {"estimate": first, "low": low, "high": high}


def _ends(
    first: float, values: Array, base: float | None, two_sided: bool = False
) -> tuple[float, float]:
    """Return both ends about ``first``; of values on one side of it if not ``two_sided``."""
    if values.size < 2:
        return first, first
    if base is not None and not (values > base).all():
        return float(values.min()), float(values.max())
    y, middle = (values, first) if base is None else (np.log(values - base), np.log(first - base))
    sd = np.std(y, ddof=1) if two_sided else np.sqrt(((y - middle) ** 2).sum() / (y.size - 1))
    half = float(QUANTILE * sd)
    if base is None:
        return first - half, first + half
    return float(base + np.exp(middle - half)), float(base + np.exp(middle + half))


def load_interval(
    values: Array, cold: float, lost: NDArray[np.bool_] | None = None
) -> dict[str, float | None]:
    """Return the interval of a limit load over pressure, which no wall bears better than cold.

    Each end rests on the draws on its own side of the estimate, log-normal: a wall that is nearly
    cold bears hardly more than it does by the estimate, but may bear much less. Lost draws lie
    below.

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
    if found["low"] is not None:
        found["low"] = min(_ends(first, values[values <= first], 0.0)[0], first)
        found["high"] = _ends(first, values[values >= first], 0.0)[1]
    return found | {"high": max(min(float(found["high"] or first), cold), first)}


def time_interval(values: Array, lost: NDArray[np.bool_]) -> dict[str, float | None]:
    """Return the interval of times of draws, the first of which is the estimate.

    Each end rests on the draws on its own side: on how many they are, at least half, and on how
    far they scatter, log-normal. Before a first firing the hottest place of most draws is hotter
    than that of the estimate, so most are earlier; a law about the estimate would end too late.

    Parameters
    ----------
    values : Array, shape (n_draws,)
        Positive [s]; bounds from below where ``lost``. One before the estimate counts as a time:
        the draw was lost for being hot.
    lost : Array of bool, shape (n_draws,)
        Draws that do not get there while they are followed.
    """
    found = interval(values, 0.0, lost)
    first = found["estimate"]
    if first is None or not (values > 0.0).all():
        return found
    y = np.log(values / first)
    for end, side in (("low", y < 0.0), ("high", (y > 0.0) | lost)):
        if found[end] is None or not side.any():
            continue
        share = max(side.sum() / (values.size - 1), 0.5)
        sd = np.sqrt(np.mean(y[side] ** 2))
        away = sd * ndtri(1.0 - 0.5 * (1.0 - COVERAGE) / share / 2.0)
        found[end] = float(first * np.exp(-away if end == "low" else away))
    return found


def interval_error(draws: int) -> float:
    """Return how uncertain an interval's end is, as a share of its distance from the estimate.

    A standard deviation from ``n`` independent normal values is uncertain by ``1/sqrt(2 n)``; of
    draws in pairs that mirror each other half are independent.
    """
    return float(1.0 / np.sqrt(max(draws - 1, 1)))


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

    Between two steps time is a monotone cubic of ``y`` through four of them where ``y`` rises in
    all (Fritsch & Butland 1984), else linear: burns whose steps differ then agree.

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
        near = slice(max(i - 2, 0), i + 2)
        if (np.diff(y[near, d]) > 0.0).all():
            out[d] = PchipInterpolator(y[near, d], t[near])(limit)
        else:
            out[d] = np.interp(limit, y[i - 1 : i + 1, d], t[i - 1 : i + 1])
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
    cold : Array, shape (n_t,)
        That of the wall at its greatest strength [-].
    """

    t: Array
    lowest: Array
    place: NDArray[np.intp]
    cold: Array


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
    table = solid.yield_strength
    load = limit_load(grid.r, hot_strength(table, grid.field(track.T)))
    cold = limit_load(grid.r, np.full(grid.r.size, table.y.max()))
    ratio = load / pressure[:, :, None]
    return Margins(track.t, ratio.min(axis=1), ratio.argmin(axis=1), cold / pressure.max(axis=1))


def deposit_surface(run: Ensemble, track: Track) -> Array:
    """Return the temperature of the deposit's gas side [K]; shape (n_t, m, n_draws)."""
    bore = track.T[:, run.wall.faces["bore"].nodes]
    out = np.empty_like(bore)
    for i, (t, T) in enumerate(zip(track.t, bore, strict=True)):
        U, T_inf, R = run.exchange(float(t), True)
        out[i] = T + U * (T_inf - T) * R
    return out


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
