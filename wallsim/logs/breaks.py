"""When a channel stops following the wall: lead open, junction detached.

A wall shared by all junctions changes its slope everywhere at about the same time. A channel
whose straight lines before and after a moment meet at an angle or a step that no other channel
shows around that moment has left the wall.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from wallsim.logs.lines import Lines, Mask, best_break, moving_lines
from wallsim.logs.model import Array, Events
from wallsim.logs.spikes import bridged, running_median, step_of

_WIDTHS = (0.3, 0.5, 0.8, 1.2)
_AROUND = 0.4
_KINK_SHARE = 0.35
_JUMP_TIME = 0.15
_JUMP_LEAST = 3.0
_TO_SD = 1.4826


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One channel on its way through the screening.

    Parameters
    ----------
    name : str
    y : Array, shape (n,)
        [K], NaN where there is no reading.
    good : Mask, shape (n,)
        Samples not masked so far.
    zero, noise : float
        [K].
    slope : float
        Steepest heating [K/s].
    """

    name: str
    y: Array
    good: Mask
    zero: float
    noise: float
    slope: float


@dataclass(frozen=True, slots=True)
class Break:
    """The end of a channel's use.

    Parameters
    ----------
    moment : float
        Log clock [s].
    kind : {"open", "detached"}
    words : str
        What was seen.
    """

    moment: float
    kind: Literal["open", "detached"]
    words: str


def find_breaks(
    t: Array, readings: list[Reading], events: Events, ambient: float
) -> dict[str, Break]:
    """Return the channels that leave the wall, and when.

    Parameters
    ----------
    t : Array, shape (n,)
    readings : list of Reading
        All channels of a run that respond to the firing.
    events : Events
    ambient : float
        [K].
    """
    if not readings:
        return {}
    width, lines = _lines(t, readings)
    kink_sd = _pooled(readings, [line.kink for line in lines])
    jump_sd = _pooled(readings, [line.jump for line in lines])
    around = 2 * max(round(_AROUND / step_of(t)), width // 2) + 1
    kinks = _envelopes(readings, [line.kink for line in lines], around)
    jumps = _envelopes(readings, [line.jump for line in lines], around)
    breaks = {}
    for i, reading in enumerate(readings):
        allowed_kink = _allowed(kinks, i, t, events)
        allowed_jump = _allowed(jumps, i, t, events)
        limit_kink = _KINK_SHARE * reading.slope + 6.0 * kink_sd * reading.noise
        limit_jump = _JUMP_TIME * reading.slope + _JUMP_LEAST + 8.0 * jump_sd * reading.noise
        excess = np.fmax(
            _excess(lines[i].kink, allowed_kink, reading.slope, limit_kink),
            _excess(lines[i].jump, allowed_jump, reading.slope, limit_jump),
        )
        others = [other for other in readings if other is not reading]
        at = _first_break(t, reading, excess, width)
        lost = _lost_for_good(t, reading)
        if lost is not None and (at is None or lost <= at + width):
            breaks[reading.name] = _without_reading(t, reading, lost)
        elif at is not None:
            breaks[reading.name] = _classify(t, reading, at, others, lines[i], ambient)
    return breaks


def _lines(t: Array, readings: list[Reading]) -> tuple[int, list[Lines]]:
    """Return the shortest width of lines that scatter little against the heating, and they."""
    step = step_of(t)
    width = 4
    for seconds in _WIDTHS:
        width = max(4, round(seconds / step))
        lines = [moving_lines(t, r.y, r.good, width) for r in readings]
        sd = _pooled(readings, [line.kink for line in lines])
        if np.median([6.0 * sd * r.noise / r.slope for r in readings]) < 0.3:
            break
    return width, lines


def _pooled(readings: list[Reading], statistic: list[Array]) -> float:
    """Return the usual scatter of a statistic over that of a single sample, of all channels."""
    shares = []
    for reading, values in zip(readings, statistic, strict=True):
        known = values[np.isfinite(values)]
        if known.size:
            scatter = _TO_SD * float(np.median(np.abs(known - np.median(known))))
            shares.append(scatter / reading.noise)
    return float(np.median(shares)) if shares else 0.0


def _envelopes(
    readings: list[Reading], statistic: list[Array], around: int
) -> list[tuple[Array, Array]]:
    """Return lowest and highest value of a statistic over the slope, around each moment."""
    pairs = []
    for reading, values in zip(readings, statistic, strict=True):
        share = np.nan_to_num(values / reading.slope, nan=0.0)
        pairs.append((minimum_filter1d(share, around), maximum_filter1d(share, around)))
    return pairs


def _allowed(
    pairs: list[tuple[Array, Array]], own: int, t: Array, events: Events
) -> tuple[Array, Array]:
    """Return what the other channels, or without enough of them the events, make plausible."""
    others = [pair for i, pair in enumerate(pairs) if i != own]
    if len(others) < 2:
        late = max(2.0, 0.5 * (events.shutdown - events.ignition))
        near = np.zeros(t.size, dtype=np.bool_)
        for moment in (events.ignition, events.shutdown):
            near |= (t > moment - _AROUND) & (t < moment + late)
        bound = np.where(near, 1.3, 0.0)
        return -bound, bound
    drop = 0 if len(others) < 4 else 1
    low = np.sort([pair[0] for pair in others], axis=0)[drop]
    high = np.sort([pair[1] for pair in others], axis=0)[-1 - drop]
    return np.minimum(low, 0.0), np.maximum(high, 0.0)


def _excess(values: Array, allowed: tuple[Array, Array], slope: float, limit: float) -> Array:
    """Return by how much a statistic leaves what is allowed, over the limit; 1 is a fault."""
    low, high = slope * allowed[0], slope * allowed[1]
    return np.fmax(values - high, low - values) / limit


def _first_break(t: Array, reading: Reading, excess: Array, width: int) -> int | None:
    """Return the sample at which the first excess is explained best by a break."""
    over = np.flatnonzero(np.nan_to_num(excess, nan=0.0) > 1.0)
    if not over.size:
        return None
    first = over[0]
    cluster = over[over <= first + width]
    peak = int(cluster[int(np.argmax(excess[cluster]))])
    return best_break(t, reading.y, reading.good, max(0, peak - width), min(t.size, peak + width))


def _lost_for_good(t: Array, reading: Reading) -> int | None:
    """Return the sample from which on hardly any reading comes, if that lasts to the end."""
    missing = ~np.isfinite(reading.y)
    if not missing.any():
        return None
    rest = np.arange(t.size, 0, -1)
    share = np.cumsum(missing[::-1])[::-1] / rest
    from_here = np.flatnonzero((share >= 0.8) & missing)
    if not from_here.size or t[-1] - t[from_here[0]] < 0.5:
        return None
    return int(from_here[0])


def _without_reading(t: Array, reading: Reading, at: int) -> Break:
    before = np.flatnonzero(np.isfinite(reading.y[:at]))
    if not before.size:
        return Break(float(t[0]), "open", "no reading at all: lead open")
    last = int(before[-1])
    words = (
        f"no reading after {t[last]:.2f} s (last {reading.y[last] - 273.15:.0f} degC): lead open"
    )
    return Break(float(t[last]), "open", words)


def _classify(
    t: Array, reading: Reading, at: int, others: list[Reading], lines: Lines, ambient: float
) -> Break:
    """Return what kind of break the record after a sample shows, in words."""
    moment = float(t[at])
    y = reading.y
    after = (t >= moment) & np.isfinite(y)
    values = y[after]
    start = float(np.median(y[max(0, at - 4) : at])) if at else float(y[0])
    modal = np.unique(values, return_counts=True)
    neighbours = [float(np.nanmax(other.y[other.good])) for other in others if other.good.any()]
    hottest = max([*neighbours, float(np.nanmax(y[reading.good & (t < moment)], initial=0.0))])
    outside = np.mean((values < ambient - 40.0) | (values > hottest + 150.0))
    soon = after & (t < moment + 0.25)
    fallen = (start - float(np.min(y[soon]))) / max(start - ambient, 1.0) if soon.any() else 0.0
    if values.size and modal[1].max() > 0.8 * values.size:
        stuck = float(modal[0][int(np.argmax(modal[1]))])
        return Break(
            moment, "open", f"stuck at {stuck - 273.15:.0f} degC from {moment:.2f} s: lead open"
        )
    rate = _rate_after(t, y, at)
    words = f"{'falls' if rate < 0.0 else 'rises'} {abs(rate):.0f} K/s at {moment:.2f} s"
    words += f" after {lines.before[at]:+.0f} K/s" if np.isfinite(lines.before[at]) else ""
    words += ", neighbours do not" if others else ""
    if outside > 0.2:
        return Break(moment, "open", f"{words}, and leaves what a wall can reach: lead open")
    if fallen > 0.6 and start - ambient > 20.0:
        return Break(moment, "open", f"{words}, too fast for a junction that cools: lead open")
    return Break(moment, "detached", f"{words}: junction off the wall")


def _rate_after(t: Array, y: Array, at: int) -> float:
    """Return the mean slope over the first third of a second after a sample [K/s]."""
    stretch = np.arange(at, min(t.size, at + max(4, round(0.3 / step_of(t)))))
    stretch = stretch[np.isfinite(y[stretch])]
    if stretch.size < 2:
        return 0.0
    return float(np.polyfit(t[stretch] - t[at], y[stretch], 1)[0])


def wild_from(t: Array, reading: Reading, others: list[Reading]) -> int | None:
    """Return the sample from which on a channel scatters far more than before and than others."""
    size = 2 * max(3, round(0.25 / step_of(t))) + 1
    own = _rolling_scatter(t, reading.y, size)
    calm = np.median([_rolling_scatter(t, o.y, size) for o in others], axis=0) if others else 0.0
    wild = own > np.maximum(np.maximum(8.0 * reading.noise, 5.0), 6.0 * calm)
    where = np.flatnonzero(wild)
    return int(where[0]) if where.size > size else None


def _rolling_scatter(t: Array, y: Array, size: int) -> Array:
    whole = bridged(t, y)
    off = np.abs(whole - running_median(whole, size))
    return _TO_SD * running_median(off, size)
