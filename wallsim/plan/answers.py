"""What a firing does to the wall, read from the tracks of many draws.

Every interval is the 95 % interval of the draws about the one that is the estimate itself. Each of
its ends rests on the draws on its own side: on how many they are, at least half, those near the
estimate counting in part on either side, and on how far they scatter, in the log of times, loads,
and temperatures above somewhat below ambient. Before a first firing the hottest place of most draws
is hotter than that of the estimate, and a deposit that may be thick or next to nothing cools the
bore by much or by next to nothing; one law for both sides would end too early on one of them. A
draw is followed until its wall leaves the table of the metal; what it had reached by then is a
bound.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import ndtr, ndtri

from wallsim.plan.ensemble import Ensemble, Track
from wallsim.regression.profile import COVERAGE

Array = NDArray[np.float64]
Side = Literal["above", "below", "unknown"]

AS_HOT = 1.0
"""Below which no place is told hotter than another [K]."""
ROUGH = 20
"""Draws below which intervals are called rough."""
NEAR = 0.3
"""Share of a side's scatter over which a draw passes from one side of the estimate to the other."""
LEAST_SIDE = 0.03
"""Share of the scatter of all draws that a side's scatter is taken to be at least for that."""


def interval(
    values: Array, base: float | None = None, lost: NDArray[np.bool_] | None = None,
    side: Side = "above",
) -> dict[str, float | None]:
    """Return the interval of draws, the first of which is the estimate.

    Draws without a value may lie anywhere on their side. Fewer than 2.5 % of them leave the end
    there known; more leave it open: null. The other end rests on the draws on its own side of the
    estimate. Where the estimate itself has no value, the end that is left is the outermost of all
    draws.

    Parameters
    ----------
    values : Array, shape (n_draws,)
        NaN counts as lost.
    base : float or None
        The ends are those of logs above this value; of the values themselves if None. The range of
        the draws stands where one is not above it.
    lost : Array of bool, shape (n_draws,), or None
        Draws without a value, for which ``values`` holds a bound, or NaN where there is none. A
        bound on the far side of the estimate counts as a value.
    side : {"above", "below", "unknown"}
        Where their values lie, seen from their bounds.
    """
    finite = np.isfinite(values)
    lost = ~finite if lost is None else lost | ~finite
    first, known = float(values[0]), values[finite]
    if lost[0]:
        return {"estimate": None,
                "low": float(known.min()) if known.size and side == "above" else None,
                "high": float(known.max()) if known.size and side == "below" else None}
    (low,), (high,) = ends(np.where(finite, values, first)[None], base, lost[None], side)
    return {"estimate": first, "low": None if np.isnan(low) else float(low),
            "high": None if np.isnan(high) else float(high)}


def ends(
    values: Array, base: float | None = None, lost: NDArray[np.bool_] | None = None,
    side: Side = "above",
) -> tuple[Array, Array]:
    """Return both ends of the interval of each row of draws; each of shape (k,), NaN if open.

    Parameters
    ----------
    values : Array, shape (k, n_draws)
        The first of each row is the estimate.
    base : float or None
        As in `interval`.
    lost : Array of bool, shape (k, n_draws), or None
        As in `interval`; the value of one without a bound is the estimate.
    side : {"above", "below", "unknown"}
        As in `interval`.
    """
    gone = np.zeros(values.shape, dtype=bool) if lost is None else lost
    first = values[:, :1]
    out = values.min(axis=1), values.max(axis=1)
    logs = np.full(len(values), True) if base is None else (values > base).all(axis=1)
    some, middle = values[logs], first[logs]
    y = some - middle if base is None else np.log((some - base) / (middle - base))
    for end, sign, here in zip(out, (-1.0, 1.0), ("below", "above"), strict=True):
        theirs = side in (here, "unknown")
        away = sign * _away(sign * y, gone[logs], theirs)
        end[logs] = middle[:, 0] + away if base is None else (
            base + (middle[:, 0] - base) * np.exp(away))
        if theirs:
            end[~logs & gone.any(axis=1)] = np.nan
    return out


def _away(y: Array, gone: NDArray[np.bool_], theirs: bool) -> Array:
    """Return how far from the estimate the end above it lies, in each row; NaN if it is open.

    That of half a normal distribution with the mean square and the share of the draws above. A
    draw near the estimate counts in part on either side, so that ends along a tube and in time do
    not jump where one changes sides.

    Parameters
    ----------
    y : Array, shape (k, n_draws)
        From the estimate, the first of each row.
    gone : Array of bool, shape (k, n_draws)
        Draws without a value, ``y`` being a bound.
    theirs : bool
        True if their values lie above: each may lie beyond the end, which is then one of what is
        left, and not above any of the bounds.
    """
    counted = ~gone if theirs else ~gone | (y > 0.0)
    counted[:, 0] = False
    beyond = gone.sum(axis=1) if theirs else np.zeros(len(y), dtype=int)
    n, square = max(y.shape[1] - 1, 1), y**2 * counted
    above = (square * (y > 0.0)).sum(axis=1)
    below = square.sum(axis=1) - above
    left = np.maximum(n - beyond, 1)
    scale = np.sqrt(np.maximum(2.0 * np.minimum(above, below),
                               LEAST_SIDE**2 * (above + below)) / left)
    near = NEAR * np.where(scale > 0.0, scale, 1.0)
    heads = (ndtr(y / near[:, None]) * counted).sum(axis=1)
    tail = 0.5 * (1.0 - COVERAGE) * n - beyond
    share = np.maximum(heads / left, 0.5)
    out = np.sqrt(above / np.where(above > 0.0, heads, 1.0)) * ndtri(
        1.0 - np.maximum(tail, 0.0) / left / share / 2.0, where=tail > 0.0,
        out=np.full(len(y), np.nan))
    bound = np.where(gone & (y > 0.0) & theirs, y, np.inf).min(axis=1)
    unknown = gone.any(axis=1) & ((above == 0.0) | (out > bound))
    return np.asarray(np.where(unknown, np.nan, out))


def rising_through(
    t: Array, y: Array, limit: float, base: float
) -> dict[str, float | None]:
    """Return when draws that go on rising exceed ``limit``, as an interval; null for never.

    Its lower end is when the upper end of the draws' interval at that moment does, its upper end
    when the lower end does: what is said of a moment and of a time then agree.

    Parameters
    ----------
    t : Array, shape (n_t,)
    y : Array, shape (n_t, n_draws)
    base : float
        As in `interval`.
    """
    low, high = ends(y, base)
    times = crossing(t, np.column_stack((y[:, 0], high, low)), limit)
    return {key: None if np.isnan(at) else float(at)
            for key, at in zip(("estimate", "low", "high"), times, strict=True)}


def interval_error(draws: int) -> float:
    """Return how uncertain an interval's end is, as a share of its distance from the estimate.

    A standard deviation from ``n`` independent normal values is uncertain by ``1/sqrt(2 n)``; of
    draws in pairs that mirror each other half are independent.
    """
    return float(1.0 / np.sqrt(max(draws - 1, 1)))


def crossing(t: Array, y: Array, limit: float) -> Array:
    """Return when each draw first exceeds ``limit``; NaN where it does not.

    Between steps ``y`` is a monotone cubic of time (Fritsch & Butland 1984): burns whose steps
    differ then agree.

    Parameters
    ----------
    t : Array, shape (n_t,)
    y : Array, shape (n_t, n_draws)
    """
    above = y > limit
    out = np.where(above[0], t[0], np.nan)
    later = np.flatnonzero(above.any(axis=0) & ~above[0])
    if later.size:
        after = above[:, later].argmax(axis=0)
        roots = PchipInterpolator(t, y[:, later]).solve(limit, extrapolate=False)
        for d, i, at in zip(later, after, roots, strict=True):
            out[d] = max(t[i - 1], at[at > t[i - 1] - 1e-9].min(initial=t[i]))
    return out


def deposit_surface(run: Ensemble, track: Track) -> Array:
    """Return the temperature of the deposit's gas side [K]; shape (n_t, m, n_draws)."""
    bore = track.T[:, run.wall.faces["bore"].nodes]
    out = np.empty_like(bore)
    for i, (t, T) in enumerate(zip(track.t, bore, strict=True)):
        U, T_inf, R = run.exchange(float(t), True)
        out[i] = T + U * (T_inf - T) * R
    return out


def peak(t: Array, y: Array) -> tuple[Array, Array, NDArray[np.intp]]:
    """Return the highest value of each draw, when and at which place.

    Parameters
    ----------
    y : Array, shape (n_t, m, n_draws)
    """
    flat = y.reshape(-1, y.shape[2])
    at = flat.argmax(axis=0)
    when, where = np.unravel_index(at, y.shape[:2])
    return flat[at, np.arange(y.shape[2])], t[when], where


def hottest_between(z: Array, T_bore: Array, where: NDArray[np.intp]) -> list[float]:
    """Return the stretch [m] in which the hottest place of the bore may lie.

    From the first to the last place of the estimate that is as hot within `AS_HOT`, widened to hold
    the hottest places of 95 % of the draws.

    Parameters
    ----------
    z : Array, shape (m,)
    T_bore : Array, shape (n_t, m, n_draws)
        [K].
    where : NDArray of int, shape (n_draws,)
        Hottest place of each draw.
    """
    peaks = T_bore[:, :, 0].max(axis=0)
    as_hot = z[peaks >= peaks.max() - AS_HOT]
    few = 0.5 * (1.0 - COVERAGE)
    low, high = np.quantile(z[where], [few, 1.0 - few])
    return [float(min(low, as_hot.min())), float(max(high, as_hot.max()))]
