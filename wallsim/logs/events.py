"""Ignition and shutdown from a pressure record: half-rise and half-fall of the plateau.

The plateau is the level that, held for as long as the pressure stays above it, makes the largest
rectangle under the record: a hard start is higher but short, the quiet record long but low.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from wallsim.errors import LogError
from wallsim.logs.model import Array, Events

SMALLEST_RISE = 1.0e4
"""A plateau closer to the quiet level is no burn [Pa]."""

LONGEST_SPIKE = 0.1
"""Igniter spikes and dips are shorter [s]."""

SHORTEST_BURN = 0.3
"""The pressure is up as long as this in a burn, or more [s]."""

SHORTEST_FALL, LONGEST_FALL = 0.5, 2.0
"""The pressure may, and will, have come to rest so long after shutdown [s]."""

DRIFTED = 0.015
"""Share of the plateau's rise that a tap may read otherwise at rest after the burn than before."""

_LEVELS = 120
_FEWEST = 5


@dataclass(frozen=True, slots=True, eq=False)
class _Record:
    """A pressure record without gaps, raw and with spikes taken out."""

    t: Array
    raw: Array
    smooth: Array


def find_events(
    t: Array,
    p_abs: Array,
    name: str,
    *,
    barometer: float | None = None,
    ignition: float | None = None,
    shutdown: float | None = None,
) -> Events:
    """Return ignition, shutdown [s, log clock] and mean absolute pressure while burning [Pa].

    Parameters
    ----------
    t : Array, shape (n,)
        Log clock [s].
    p_abs : Array, shape (n,)
        Absolute pressure as logged [Pa], NaN where there is no reading.
    name : str
        Of the run, for messages.
    barometer : float or None
        Where given and the record holds a quiet stretch, the quiet reading is taken to be this
        pressure: the tap's zero error is taken off the plateau [Pa]. A record that never rises has
        no quiet stretch.
    ignition, shutdown : float or None
        Log clock [s], where known better; these are kept as they are.

    Raises
    ------
    LogError
        If the pressure never rises, or the record begins or ends while burning and the moment is
        not stated.
    """
    record = _record(t, p_abs, name)
    if ignition is not None and shutdown is not None:
        _check_stated(record, name, ignition, shutdown)
        start, end = ignition, shutdown
        quiet = _quiet_level(record, start, end)
    else:
        first, last, level = _burn(record)
        if level is None:
            raise _never_rises(record, name)
        quiet = _quiet_level(record, record.t[first], record.t[last])
        floor = quiet if quiet is not None else float(np.min(record.smooth))
        _check_rise(record, name, level, floor)
        first, last = _stretch(record, 0.5 * (floor + level), first, last)
        level = float(np.median(record.smooth[first : last + 1]))
        threshold = 0.5 * (floor + level)
        first, last = _stretch(record, threshold, first, last)
        start = _edge(record, threshold, first, -1, name) if ignition is None else ignition
        end = _edge(record, threshold, last, 1, name) if shutdown is None else shutdown
        _check_stated(record, name, start, end)
        _check_alone(record, name, threshold, start, end)
        quiet = _quiet_level(record, start, end)
    plateau, zero = _plateau(record, start, end), 0.0
    if barometer is not None and quiet is not None and plateau - quiet >= SMALLEST_RISE:
        zero = barometer - quiet
    return Events(float(start), float(end), plateau + zero, zero)


def tap_drift(t: Array, p_abs: Array, events: Events) -> Array:
    """Return by how much the tap's zero had drifted at ``t`` [Pa]; zeros where it hardly does.

    What it reads at rest at the end of the record less what it read before ignition, even in
    time between.

    Parameters
    ----------
    t, p_abs : Array, shape (n,)
        As in `find_events`.
    events : Events
        Found in them.

    Returns
    -------
    Array, shape (n,)
    """
    known = np.isfinite(p_abs)
    before = known & _before(t, events.ignition)
    after = known & _long_after(t, events.shutdown, LONGEST_FALL)
    quiet, end = _level(p_abs, before), _level(p_abs, after)
    if quiet is None or end is None or abs(end - quiet) <= DRIFTED * (events.plateau - quiet):
        return np.zeros(np.shape(t))
    ends = [np.median(t[before]), np.median(t[after])]
    return np.asarray(np.interp(t, ends, [0.0, end - quiet]))


def _record(t: Array, p_abs: Array, name: str) -> _Record:
    known = np.isfinite(p_abs)
    if known.sum() < 5:
        raise LogError(
            f"run {name}: the pressure channel holds {int(known.sum())} readings; name another "
            f"pressure channel, or state ignition and shutdown of this run"
        )
    time, raw = np.asarray(t)[known], np.asarray(p_abs)[known]
    half = max(1, int(np.ceil(LONGEST_SPIKE / float(np.median(np.diff(time))))))
    half = min(half, max(1, raw.size // 50))
    return _Record(time, raw, median_filter(raw, size=2 * half + 1, mode="nearest"))


def _runs_above(above: NDArray[np.bool_], t: Array) -> list[tuple[int, int]]:
    """Return first and last index of each stretch above, dips shorter than a spike bridged."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], above, [False]]).astype(np.int8)))
    runs: list[tuple[int, int]] = []
    for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
        if runs and t[first] - t[runs[-1][1]] < 1.5 * LONGEST_SPIKE:
            runs[-1] = (runs[-1][0], int(last))
        else:
            runs.append((int(first), int(last)))
    return runs


def _burn(record: _Record) -> tuple[int, int, float | None]:
    """Return first and last index of the burn, and its level [Pa]; no level without one."""
    low, high = float(np.min(record.smooth)), float(np.max(record.smooth))
    if high - low <= 0.0:
        return 0, 0, None
    best, span = 0.0, (0, 0)
    for level in np.linspace(low, high, _LEVELS + 2)[1:-1]:
        runs = _runs_above(record.smooth > level, record.t)
        lengths = [record.t[last] - record.t[first] for first, last in runs]
        at = int(np.argmax(lengths))
        area = (level - low) * lengths[at]
        if area > best:
            best, span = area, runs[at]
    if not best:
        return 0, 0, None
    return *span, float(np.median(record.smooth[span[0] : span[1] + 1]))


def _stretch(record: _Record, threshold: float, first: int, last: int) -> tuple[int, int]:
    """Return the stretch above a threshold that shares most with another one."""
    runs = _runs_above(record.smooth > threshold, record.t)
    shared = [min(last, b) - max(first, a) for a, b in runs]
    return runs[int(np.argmax(shared))] if runs else (first, last)


def _edge(record: _Record, threshold: float, at: int, side: int, name: str) -> float:
    """Return when the raw pressure crosses a threshold next to a filtered sample [s]."""
    t, raw = record.t, record.raw
    if (side < 0 and at == 0) or (side > 0 and at == t.size - 1):
        moment, up, todo = (
            ("begins", "already up", "state 'ignition' of this run, on the clock of its log")
            if side < 0
            else ("ends", "still up", "state 'shutdown' of this run: the end of the record, or "
                                      "when it was if it burned on")
        )
        raise LogError(
            f"run {name}: the record {moment} at {t[at]:.3f} s with the pressure {up} "
            f"({raw[at] / 1e5:.2f} bar abs); {todo}"
        )
    rising = (raw[:-1] <= threshold) & (raw[1:] > threshold)
    falling = (raw[:-1] > threshold) & (raw[1:] <= threshold)
    crossings = np.flatnonzero(rising if side < 0 else falling)
    near = t[at - 1] if side < 0 else t[at]
    k = crossings[int(np.argmin(np.abs(t[crossings] - near)))]
    share = (threshold - raw[k]) / (raw[k + 1] - raw[k])
    return float(t[k] + share * (t[k + 1] - t[k]))


def _quiet_level(record: _Record, start: float, end: float) -> float | None:
    """Return the level before ignition, else long after shutdown [Pa]; None without either."""
    before = _level(record.raw, _before(record.t, start))
    return before if before is not None else _level(
        record.raw, _long_after(record.t, end, SHORTEST_FALL))


def _before(t: Array, start: float) -> NDArray[np.bool_]:
    return np.asarray(t < start - 2.0 * LONGEST_SPIKE)


def _long_after(t: Array, end: float, least: float) -> NDArray[np.bool_]:
    return np.asarray(t > end + max(least, 0.5 * (t[-1] - end)))


def _level(p: Array, where: NDArray[np.bool_]) -> float | None:
    """Return the median there; None of too few readings."""
    return float(np.median(p[where])) if where.sum() >= _FEWEST else None


def _plateau(record: _Record, start: float, end: float) -> float:
    """Return the mean pressure while burning, without hard start, fall and lost tap [Pa]."""
    burn = end - start
    inside = (record.t > start + 0.1 * burn) & (record.t < end - 0.03 * burn)
    if inside.sum() < 3:
        inside = (record.t >= start) & (record.t <= end)
    if not inside.any():
        return float(np.interp(0.5 * (start + end), record.t, record.smooth))
    burning = record.smooth[inside]
    return float(np.mean(burning[is_up(burning, float(np.min(record.smooth)))]))


def is_up(p: Array, lowest: float) -> NDArray[np.bool_]:
    """Return which pressures of a burn are nearer to their median than to the lowest [Pa].

    All of them where the median is hardly above the lowest.
    """
    middle = float(np.median(p))
    if middle - lowest < SMALLEST_RISE:
        return np.ones(p.size, dtype=np.bool_)
    return np.asarray(p > 0.5 * (lowest + middle), dtype=np.bool_)


def _never_rises(record: _Record, name: str) -> LogError:
    return LogError(
        f"run {name}: the pressure never rises (highest {np.max(record.smooth) / 1e5:.3f} bar abs, "
        f"lowest {np.min(record.smooth) / 1e5:.3f}); check the pressure channel, or state ignition "
        f"and shutdown of this run"
    )


def _check_rise(record: _Record, name: str, level: float, floor: float) -> None:
    """Raise if the level found is no burn: too low, or within the scatter of the record."""
    low = record.raw[record.raw < 0.5 * (level + floor)]
    scatter = 1.4826 * float(np.median(np.abs(low - np.median(low)))) if low.size else 0.0
    if level - floor < max(SMALLEST_RISE, 6.0 * scatter):
        raise _never_rises(record, name)


def _check_alone(
    record: _Record, name: str, threshold: float, start: float, end: float
) -> None:
    """Raise if the pressure is up at another time too: a second burn, or a tap lost for a while."""
    t = record.t
    for first, last in _runs_above(record.smooth > threshold, t):
        outside = t[last] <= start or t[first] >= end
        if outside and t[last] - t[first] >= SHORTEST_BURN:
            one, other = sorted([(t[first], t[last]), (start, end)])
            raise LogError(
                f"run {name}: the pressure is up from {one[0]:.2f} to {one[1]:.2f} s and again "
                f"from {other[0]:.2f} to {other[1]:.2f} s; if that was one burn and the tap was "
                f"lost, state ignition and shutdown of this run, else give each burn its own log"
            )


def _check_stated(record: _Record, name: str, start: float, end: float) -> None:
    t = record.t
    if not start < end:
        raise LogError(
            f"run {name}: ignition ({start:.3f} s) is not before shutdown ({end:.3f} s); "
            f"correct what the run states, on the clock of its log"
        )
    if end <= t[0] or start >= t[-1]:
        raise LogError(
            f"run {name}: ignition {start:.3f} s and shutdown {end:.3f} s lie outside the log "
            f"({t[0]:.3f} to {t[-1]:.3f} s); correct them, on the clock of the log"
        )
