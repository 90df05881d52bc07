"""Draws followed until the wall leaves its metal's table; what they had reached is a bound."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.plan.answers import crossing, interval, peak, rising_through
from wallsim.plan.ensemble import Track
from wallsim.wall.schedule import Schedule

Array = NDArray[np.float64]

ZERO_CELSIUS = 273.15
HORIZON = 60.0
"""Up to which a burn that goes on is looked at [s]."""


def going_on(start: float, end: float, fineness: float) -> Schedule:
    """Return the steps of a burn that goes on from ``start`` to ``end`` [s], ever longer ones."""
    longest, dt, t = 1.0 / fineness, 0.25 / fineness, [start]
    while t[-1] < end - 1e-9:
        t.append(min(t[-1] + dt, end))
        dt = min(1.15 * dt, longest)
    return Schedule(np.array(t), np.ones(len(t) - 1, dtype=bool))


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """A track on which a draw that leaves the metal's table stays as it was when it left.

    Parameters
    ----------
    track : Track
    left : Array, shape (n_draws,)
        When a draw leaves [s]; NaN for never, minus infinity for before the track.
    end : float
        Of the table [K].
    raw : Track
        As marched, whatever the table.
    """

    track: Track
    left: Array
    end: float
    raw: Track

    @classmethod
    def of(cls, track: Track, end: float, before: Followed | None = None) -> Followed:
        """Return ``track`` followed; ``before`` is the track that it starts from."""
        left = crossing(track.t, track.T.max(axis=1), end)
        if before is not None:
            left = np.where(before.lost, -np.inf, left)
        gone = np.flatnonzero(~np.isnan(left))
        if gone.size == 0:
            return cls(track, left, end, track)
        T = track.T.copy()
        for d in gone:
            n = int(np.searchsorted(track.t, left[d], side="right"))
            last = T[n - 1, :, d] if n or before is None else before.track.T[-1, :, d]
            if 0 < n < track.t.size:
                last = _at_hottest(last, T[n, :, d], end)
            T[n:, :, d] = np.minimum(last, end)
        return cls(Track(track.t, T), left, end, track)

    @property
    def lost(self) -> NDArray[np.bool_]:
        """Draws that leave; shape (n_draws,)."""
        return ~np.isnan(self.left)

    def first(self, n: int) -> Followed:
        """Return the first ``n`` states."""
        left = np.where(self.left <= self.track.t[n - 1], self.left, np.nan)
        return Followed(self.track.of(slice(n)), left, self.end, self.raw.of(slice(n)))

    def bore_peak(self, T_bore: Array) -> tuple[Array, Array, NDArray[np.intp]]:
        """Return `peak` of the bore (n_t, m, n_draws); of a draw that leaves, the table's end."""
        T, when, where = peak(self.track.t, T_bore)
        return np.where(self.lost, self.end, T), when, where

    def bounded(self, values: Array) -> Array:
        """Return values with NaN for draws that leave; what they had reached where all leave.

        Draws that leave are the hottest, so they lie beyond the estimate where that does not leave;
        what a place far from the hottest had reached by then would be no bound worth having.
        """
        return values if self.lost.all() else np.where(self.lost, np.nan, values)

    def passed(self, times: Array) -> Array:
        """Return times to something that lies before the table's end [s].

        A draw that leaves has passed it by then; where it left before the track, at its start.
        """
        left = np.maximum(self.left, self.track.t[0])
        return np.where(self.lost, np.fmin(times, left), times)

    def reached(self, times: Array) -> dict[str, float | None]:
        """Return the interval of when draws reach something [s]; NaN where one does not.

        Until then it was followed: to where it left the table, or to the end of the track.
        """
        followed = np.where(self.lost, np.maximum(self.left, 0.0), self.track.t[-1])
        missing = np.isnan(times)
        return interval(np.where(missing, followed, times), 0.0, missing)


def _at_hottest(before: Array, after: Array, T: float) -> Array:
    """Return the state between two whose hottest node is at ``T`` [K]."""
    low, high = before.max(), after.max()
    share = np.clip((T - low) / (high - low), 0.0, 1.0) if high > low else 0.0
    return np.asarray(before + share * (after - before))


def times_to(
    whole: Followed, hottest: Array, limits: Mapping[str, float], base: float
) -> dict[str, dict[str, Any]]:
    """Return when the bore reaches each limit while a burn goes on, and why there is no time.

    Parameters
    ----------
    whole : Followed
        Of the burn going on.
    hottest : Array, shape (n_t, n_draws)
        Of the bore, whatever the metal's table [K]: a draw that leaves it is above any limit
        within it from then on.
    limits : mapping of str to float
        [K].
    base : float
        What temperatures are taken log-normal above [K].
    """
    out, t = {}, whole.track.t
    hottest = np.where(np.isneginf(whole.left), np.maximum(hottest, whole.end), hottest)
    for name, limit in limits.items():
        if limit <= whole.end:
            found = rising_through(t, hottest, limit, base)
            found["low"] = float(t[-1]) if found["low"] is None else found["low"]
        else:
            found = whole.reached(np.full(whole.left.size, np.nan))
        out[name] = {"at_K": limit, "time_s": found, "note": _why_no_time(whole, found, limit)}
    return out


def _why_no_time(whole: Followed, found: dict[str, float | None], limit: float) -> str:
    """Return why there is no time to a limit; empty where there is one."""
    if found["estimate"] is not None:
        return "passed in an earlier firing" if np.isneginf(whole.left[0]) else ""
    left, end = float(whole.left[0]), whole.end - ZERO_CELSIUS
    why = f"beyond the metal's table, whose end of {end:.0f} °C is " if limit > whole.end else ""
    if np.isnan(left):
        return f"{why}not reached within {whole.track.t[-1]:.0f} s"
    why = why or f"not before the metal's table ends at {end:.0f} °C, which is "
    return why + (f"reached at {left:.1f} s" if np.isfinite(left) else "in an earlier firing")


def told_leaving(followed: Followed, metal: str) -> dict[str, Any] | None:
    """Return how many draws leave the metal's table and from when on, None where none does."""
    left, lost = followed.left, followed.lost
    if not lost.any():
        return None
    return {
        "draws": int(lost.sum()), "of": int(lost.size), "first_s": float(left[lost].min()),
        "estimate_s": float(left[0]) if lost[0] else None, "metal": metal,
        "table_end_K": followed.end,
    }


def not_assessed(followed: Followed, metal: str) -> str:
    """Return why no limit load is given where the estimate leaves the table."""
    lost, when = followed.lost, float(followed.left[0])
    who = f"all {lost.size} draws leave" if lost.all() and lost.size > 1 else "the estimate leaves"
    at = f" at {when:.1f} s" if np.isfinite(when) else " in an earlier firing"
    return (f"not assessed: {who} the table of {metal}, which ends at "
            f"{followed.end - ZERO_CELSIUS:.0f} °C,{' the estimate' if lost.all() else ''}{at}")
