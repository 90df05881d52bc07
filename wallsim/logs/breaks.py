"""When a channel stops following the wall: lead open, junction detached.

A wall shared by all junctions changes its slope everywhere at about the same time. A channel
whose straight lines before and after a moment meet at an angle or a step that no other channel
shows around that moment has left the wall. Logs slower than two scans a second cannot tell such
a kink from the wall's own curve; in these only impossible and missing readings count.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from wallsim.logs.cadence import scans_of
from wallsim.logs.fading import fades_from
from wallsim.logs.lines import Lines, Mask, best_break, moving_lines
from wallsim.logs.model import Array, Events
from wallsim.logs.spikes import bridged, running_median, step_of

_WIDTHS = (0.3, 0.5, 0.8, 1.2)
_WIDE = 2.5
_AROUND = 0.4
_KINK_SHARE = 0.35
_WIDE_KINK_SHARE = 0.5
_JUMP_TIME = 0.15
_JUMP_LEAST = 3.0
_COARSEST = 0.5
_LAST_GASP = 0.4
_COLDER = 40.0
_HOTTER = 200.0
_TO_SD = 1.4826
_WILD_NOISE = 3.5
_WILD_OTHERS = 3.0
_WILD_LEAST = 2.5
_WILD_OPEN = 40.0
_NOISE_SHARE = 4.0
_SOFT_BREAK = 0.5


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
    silent : bool
        True if there is just no reading from then on.
    """

    moment: float
    kind: Literal["open", "detached"]
    words: str
    silent: bool = False


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
    readings = _with_likely_noise(readings)
    step = step_of(t)
    width = _narrowest(t, readings)
    breaks: dict[str, Break] = {}
    if step <= _COARSEST:
        breaks = _off_the_others(t, readings, events, ambient, width)
    for reading in readings:
        lost = _lost_for_good(t, reading)
        known = breaks.get(reading.name)
        if lost is not None and (known is None or t[lost] <= known.moment + width * step):
            breaks[reading.name] = _without_reading(t, reading, lost)
        elif known is None:
            others = [other for other in readings if other is not reading]
            outside = _outside(t, reading, others, ambient)
            if outside is not None:
                words = f"leaves what a wall can reach at {t[outside]:.2f} s: lead open"
                breaks[reading.name] = Break(float(t[outside]), "open", words)
    return breaks


def _with_likely_noise(readings: list[Reading]) -> list[Reading]:
    """Return the readings, the scatter of each kept within reach of the usual one.

    Without a record before ignition the scatter of a fault counts as that of its channel, and so
    does the stillness of one that is stuck.
    """
    usual = float(np.median([r.noise for r in readings])) if readings else 0.0
    return [
        r
        if np.isfinite(r.zero)
        else replace(r, noise=min(max(r.noise, 0.5 * usual), _NOISE_SHARE * usual))
        for r in readings
    ]


def _off_the_others(
    t: Array, readings: list[Reading], events: Events, ambient: float, width: int
) -> dict[str, Break]:
    """Return the channels with a kink or a step that the others do not have."""
    breaks: dict[str, Break] = {}
    wide = max(2 * width, round(_WIDE / step_of(t)))
    sizes = (width, wide) if len(readings) > 2 else (width,)
    excess: dict[str, Array] = {}
    for size in sizes:
        lines = [moving_lines(t, r.y, r.good, size) for r in readings]
        for i, reading in enumerate(readings):
            if reading.name in breaks:
                continue
            others = [other for other in readings if other is not reading]
            excess[reading.name] = _excess(t, readings, lines, i, size, events)
            at = _first_break(t, reading, excess[reading.name], size)
            if at is not None:
                breaks[reading.name] = _classify(t, reading, at, others, lines[i], ambient)
    whole = [reading for reading in readings if reading.name not in breaks]
    for reading in whole:
        others = [other for other in whole if other is not reading]
        at = _faded(t, reading, others, excess[reading.name], sizes[-1], events, ambient)
        if at is not None:
            own = moving_lines(t, reading.y, reading.good, width)
            breaks[reading.name] = _classify(t, reading, at, others, own, ambient)
    return breaks


def _faded(
    t: Array,
    reading: Reading,
    others: list[Reading],
    excess: Array,
    size: int,
    events: Events,
    ambient: float,
) -> int | None:
    """Return where a channel leaves the wall that is known to by its early cooling alone."""
    own, *rest = (np.where(r.good, r.y, np.nan) for r in (reading, *others))
    fades = fades_from(t, own, rest, ambient, reading.noise, events)
    if fades is None:
        return None
    before = np.where((t > events.ignition) & (np.arange(t.size) <= fades), excess, 0.0)
    at = _first_break(t, reading, before / _SOFT_BREAK, size)
    return fades if at is None else at


def _beyond(reading: Reading, others: list[Reading], ambient: float) -> Mask:
    """Return which readings no wall can have, seen from the ambient and the hottest of others."""
    tops = [float(np.max(o.y[o.good])) for o in others if o.good.any()]
    hottest = max(tops) if len(tops) > 2 else np.inf
    known = np.nan_to_num(reading.y, nan=ambient)
    return (known < ambient - _COLDER) | (known > hottest + max(_HOTTER, hottest - ambient))


def _outside(t: Array, reading: Reading, others: list[Reading], ambient: float) -> int | None:
    """Return the sample from which on most readings are beyond a wall, if that lasts."""
    beyond = _beyond(reading, others, ambient) & reading.good
    rest = np.cumsum(reading.good[::-1])[::-1]
    share = np.cumsum(beyond[::-1])[::-1] / np.maximum(rest, 1)
    from_here = np.flatnonzero(beyond & (share > 0.5) & (rest >= 5))
    return int(from_here[0]) if from_here.size else None


def _narrowest(t: Array, readings: list[Reading]) -> int:
    """Return the samples in the shortest lines whose kinks scatter little against the heating."""
    step = step_of(t)
    width = 4
    for seconds in _WIDTHS:
        width = max(4, round(seconds / step))
        kinks = [moving_lines(t, r.y, r.good, width).kink for r in readings]
        sd = _pooled(readings, kinks)
        if np.median([6.0 * sd * r.noise / r.slope for r in readings]) < 0.3:
            break
    return width


def _excess(
    t: Array, readings: list[Reading], lines: list[Lines], own: int, width: int, events: Events
) -> Array:
    """Return by how much one channel's kinks and steps leave what the others make plausible.

    In units of the limit: above 1 is a fault.
    """
    around = 2 * max(2, round(_AROUND / step_of(t))) + 1
    reading = readings[own]
    worst = np.zeros(t.size)
    kink_share = _WIDE_KINK_SHARE if width * step_of(t) > _WIDTHS[-1] else _KINK_SHARE
    for statistic, share, least, factor in (
        ("kink", kink_share, 0.0, 6.0),
        ("jump", _JUMP_TIME, _JUMP_LEAST, 8.0),
    ):
        values: list[Array] = [getattr(line, statistic) for line in lines]
        limit = share * reading.slope + least + factor * _pooled(readings, values) * reading.noise
        low, high = _allowed(_envelopes(readings, values, around), own, t, events, width)
        over = np.fmax(values[own] - reading.slope * high, reading.slope * low - values[own])
        worst = np.fmax(worst, over / limit)
    return worst


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
    pairs: list[tuple[Array, Array]], own: int, t: Array, events: Events, width: int
) -> tuple[Array, Array]:
    """Return what the other channels, or without enough of them the events, make plausible."""
    others = [pair for i, pair in enumerate(pairs) if i != own]
    if len(others) < 2:
        late = max(2.0, 0.5 * (events.shutdown - events.ignition))
        near = np.zeros(t.size, dtype=np.bool_)
        for moment in (events.ignition, events.shutdown):
            near |= (t > moment - _AROUND - width * step_of(t)) & (t < moment + late)
        bound = np.where(near, 1.3, 0.0)
        return -bound, bound
    drop = 0 if len(others) < 4 else 1
    low = np.sort([pair[0] for pair in others], axis=0)[drop]
    high = np.sort([pair[1] for pair in others], axis=0)[-1 - drop]
    return np.minimum(low, 0.0), np.maximum(high, 0.0)


def _first_break(t: Array, reading: Reading, excess: Array, width: int) -> int | None:
    """Return the sample at which the first excess is explained best by a break."""
    over = np.flatnonzero(excess > 1.0)
    if not over.size:
        return None
    first = over[0]
    cluster = over[over <= first + width]
    peak = int(cluster[int(np.argmax(excess[cluster]))])
    stretch = max(0, peak - width), min(t.size, peak + width)
    return best_break(t, reading.y, reading.good, *stretch, reading.noise)


def _lost_for_good(t: Array, reading: Reading) -> int | None:
    """Return the sample from which on hardly any reading comes, if that lasts to the end."""
    due = scans_of(np.isfinite(reading.y))
    missing = ~np.isfinite(reading.y[due])
    if not missing.any():
        return None
    rest = np.arange(due.size, 0, -1)
    share = np.cumsum(missing[::-1])[::-1] / rest
    from_here = np.flatnonzero((share >= 0.8) & missing)
    lasts = from_here.size > 0 and t[-1] - t[due[from_here[0]]] >= 0.5
    return int(due[from_here[0]]) if lasts else None


def _without_reading(t: Array, reading: Reading, at: int) -> Break:
    before = np.flatnonzero(np.isfinite(reading.y[:at]))
    if not before.size:
        return Break(float(t[0]), "open", "no reading at all: lead open")
    last = _last_sound(t, reading, before)
    words = f"no reading after {t[before[-1]]:.2f} s"
    if last == before[-1]:
        words += f" (last {reading.y[last] - 273.15:.0f} degC)"
    else:
        words += f", none that fits the record after {t[last]:.2f} s"
    return Break(float(t[last]), "open", f"{words}: lead open", silent=True)


def _last_sound(t: Array, reading: Reading, known: NDArray[np.intp]) -> int:
    """Return the last reading before a silence that still lies on the line of those before."""
    last = int(known[-1])
    end = known[t[known] > t[last] - _LAST_GASP]
    base = known[(t[known] <= t[last] - _LAST_GASP) & (t[known] > t[last] - 3.0 * _LAST_GASP)]
    base = base[reading.good[base]]
    if base.size < 4:
        return last
    line = np.polyfit(t[base] - t[last], reading.y[base], 1)
    off = np.abs(reading.y[end] - np.polyval(line, t[end] - t[last]))
    limit = 8.0 * reading.noise + 2.0 * reading.slope * _LAST_GASP
    wrong = end[off > limit]
    return int(known[np.searchsorted(known, wrong[0]) - 1]) if wrong.size else last


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
    outside = float(np.mean(_beyond(reading, others, ambient)[after])) if values.size else 0.0
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


def find_wild(t: Array, readings: list[Reading]) -> dict[str, Break]:
    """Return the channels that from some moment on scatter far more than before and than others."""
    readings = _with_likely_noise(readings)
    size = 2 * max(3, round(0.25 / step_of(t))) + 1
    scatter = [_rolling_scatter(t, r, size) for r in readings]
    found = {}
    for i, reading in enumerate(readings):
        others = [own for j, own in enumerate(scatter) if j != i]
        limit = np.full(t.size, max(_WILD_NOISE * reading.noise, _WILD_LEAST))
        if others:
            limit = np.maximum(limit, _WILD_OTHERS * np.median(others, axis=0))
        wild = scatter[i] > limit
        for first in np.flatnonzero(wild):
            if np.mean(wild[first : first + 4 * size]) > 0.8 and t.size - first > size:
                level = float(np.median(scatter[i][first : first + 4 * size]))
                kind: Literal["open", "detached"] = "open" if level > _WILD_OPEN else "detached"
                what = "lead open" if kind == "open" else "junction off the wall"
                words = f"scatters {level:.0f} K instead of {reading.noise:.1f} K from "
                found[reading.name] = Break(
                    float(t[first]), kind, f"{words}{t[first]:.2f} s: {what}"
                )
                break
    return found


def _rolling_scatter(t: Array, reading: Reading, size: int) -> Array:
    whole = bridged(t, np.where(reading.good, reading.y, np.nan))
    off = np.abs(whole - running_median(whole, size))
    return _TO_SD * running_median(off, size)
