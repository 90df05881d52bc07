"""What each thermocouple of a run is good for, judged beside the others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from wallsim.case.model import Exclusion
from wallsim.logs.breaks import Break, Reading, find_breaks, find_wild
from wallsim.logs.cadence import scans_of
from wallsim.logs.lines import Mask, moving_lines
from wallsim.logs.model import Array, Channel, Events, Log
from wallsim.logs.spike_words import spike_words
from wallsim.logs.spikes import (
    find_clipping,
    find_spikes,
    quantum_of,
    running_median,
    step_of,
    zero_and_noise,
)

DROPOUT_SHARE = 0.005
GUARD = 0.1
"""Samples this close before a break are not used [s]."""

_SMALLEST_RISE = 3.0
_MOST_OF_DEAD = 15.0
_NOISY = 3.0
_NOISY_SHARE = 4.0
_SAME_BREAK = 0.5


def screen_channels(
    log: Log,
    channels: Mapping[str, str],
    events: Events,
    *,
    ambient: float,
    exclusions: Mapping[str, Exclusion],
) -> dict[str, Channel]:
    """Return the verdict on each thermocouple of a run.

    Parameters
    ----------
    log : Log
    channels : mapping of str to str
        Column of the log for each sensor name.
    events : Events
    ambient : float
        [K].
    exclusions : mapping of str to Exclusion
        What the user takes out, by sensor name.
    """
    t = log.t
    screened: dict[str, Channel] = {}
    readings: dict[str, Reading] = {}
    for name, column in channels.items():
        taken = _take_in(name, t, log.channels.get(column), exclusions.get(name), events)
        if isinstance(taken, Channel):
            screened[name] = taken
        else:
            readings[name] = taken
    readings = _with_common_slope(t, readings, events)
    spikes: dict[str, Mask] = {}
    for name, r in readings.items():
        spikes[name] = find_spikes(t, r.y, r.noise, r.slope) & r.good
        readings[name] = replace(r, good=r.good & ~spikes[name])
    idle = _idle(t, list(readings.values()), events, ambient)
    for name, (verdict, reason) in idle.items():
        screened[name] = _unused(name, t, verdict, reason, readings[name])
    active = {name: r for name, r in readings.items() if name not in idle}
    clipped = _clipped(t, active, events)
    active = {name: replace(r, good=r.good & ~clipped[name]) for name, r in active.items()}
    breaks = _breaks(t, list(active.values()), events, ambient)
    quiet = _lower_median([r.noise for r in active.values()]) if active else 0.0
    for name, r in active.items():
        channel = _verdict(
            t, r, events, spikes[name], clipped[name], breaks.get(name), exclusions.get(name)
        )
        noisy = channel.noise > max(_NOISY, _NOISY_SHARE * quiet)
        screened[name] = _as_noisy(channel, quiet) if noisy else channel
    return {name: screened[name] for name in channels}


def _breaks(
    t: Array, readings: list[Reading], events: Events, ambient: float
) -> dict[str, Break]:
    """Return the channels that leave the wall, by their course or by their scatter."""
    breaks = find_breaks(t, readings, events, ambient)
    for name, wild in find_wild(t, readings).items():
        known = breaks.get(name)
        if known is None or wild.moment < known.moment - 2.0 * GUARD:
            breaks[name] = wild
        elif known.kind != wild.kind == "open" and wild.moment < known.moment + _SAME_BREAK:
            breaks[name] = replace(wild, moment=known.moment)
    return breaks


def _clipped(t: Array, readings: Mapping[str, Reading], events: Events) -> dict[str, Mask]:
    """Return which samples of each channel stand at the top of the recorder's range.

    The corner of a thin wall at shutdown looks like such a top too, but on all channels.
    """
    clipped = {name: find_clipping(t, r.y, r.good, r.noise) for name, r in readings.items()}
    for name, at_top in clipped.items():
        times = t[at_top]
        if not times.size or times[0] < events.shutdown - 2.0 * step_of(t):
            continue
        span = times[0], min(times[0] + 1.0, times[-1])
        others = [r for other, r in readings.items() if other != name]
        climbs = [_climb(t, r, *span) / r.slope for r in others]
        unit = max(readings[name].noise, quantum_of(readings[name].y))
        if len(climbs) > 1 and readings[name].slope * np.median(climbs) < 4.0 * unit:
            clipped[name] = np.zeros(t.size, dtype=np.bool_)
    return clipped


def _climb(t: Array, reading: Reading, start: float, end: float) -> float:
    """Return how far a channel rises between two moments [K]."""
    values = running_median(reading.y[reading.good], 5)
    first, last = np.interp([start, end], t[reading.good], values)
    return float(last - first)


def _take_in(
    name: str, t: Array, y: Array | None, exclusion: Exclusion | None, events: Events
) -> Reading | Channel:
    """Return a channel ready for screening, or the verdict where there is nothing to screen."""
    if y is None:
        return _unused(name, t, "missing", "the log has no such channel")
    if not np.isfinite(y).any():
        return _unused(name, t, "open", "no reading in the whole log: lead open")
    allowed = _not_excluded(t, exclusion)
    if (allowed & np.isfinite(y) & (t > events.ignition)).any():
        return _prepare(name, t, y, allowed, events)
    if exclusion is not None:
        return _unused(name, t, "excluded", _exclusion_words(exclusion))
    return _unused(name, t, "open", "no reading after ignition: lead open")


def _with_common_slope(
    t: Array, readings: dict[str, Reading], events: Events
) -> dict[str, Reading]:
    """Return the readings, each one's heating kept within reach of the usual one."""
    if not readings:
        return {}
    usual = float(np.median([r.slope for r in readings.values()]))
    most = 3.0 * usual if len(readings) > 2 else np.inf
    common = {}
    for name, r in readings.items():
        slope = r.slope
        if slope < 0.5 * usual and len(readings) > 2:
            # a channel lost early in the burn climbed only until then
            slopes = _climbs(t, r.y, r.good, events)
            climbing = slopes[(slopes > 0.1 * usual) & (slopes < 1.5 * usual)]
            slope = float(np.quantile(climbing, 0.9)) if climbing.size > 2 else slope
        common[name] = replace(r, slope=max(min(slope, most), 0.3 * usual, 1.0))
    return common


def _climbs(t: Array, y: Array, good: Mask, events: Events) -> Array:
    """Return the slopes of short straight lines through the burn [K/s]."""
    width = max(4, round(min(1.0, 0.3 * (events.shutdown - events.ignition)) / step_of(t)))
    slopes = moving_lines(t, y, good, width).after
    return slopes[(t > events.ignition) & (t < events.shutdown) & np.isfinite(slopes)]


def _not_excluded(t: Array, exclusion: Exclusion | None) -> Mask:
    if exclusion is None:
        return np.ones(t.size, dtype=np.bool_)
    return (t < exclusion.from_s) | (t > exclusion.until_s)


def _exclusion_words(exclusion: Exclusion | None) -> str:
    if exclusion is None:
        return ""
    start = f" from {exclusion.from_s:g} s" if np.isfinite(exclusion.from_s) else ""
    end = f" until {exclusion.until_s:g} s" if np.isfinite(exclusion.until_s) else ""
    return f"taken out{start}{end} by the case: {exclusion.reason}"


def _prepare(name: str, t: Array, y: Array, allowed: Mask, events: Events) -> Reading:
    """Return a channel with its zero, scatter and steepest heating."""
    zero, noise = zero_and_noise(t, np.where(allowed, y, np.nan), events.ignition)
    good = allowed & np.isfinite(y)
    slopes = _climbs(t, y, good, events)
    slope = float(np.quantile(slopes, 0.9)) if slopes.size else 0.0
    return Reading(name, y, good, zero, noise, max(slope, 0.0))


def _level(t: Array, reading: Reading, moment: float) -> float:
    """Return the reading just before a moment, or the last one before it [K]."""
    before = np.flatnonzero(reading.good & (t <= moment))
    count = max(3, round(0.3 / step_of(t)))
    return float(np.median(reading.y[before[-count:]])) if before.size else float("nan")


def _rise(t: Array, reading: Reading, moment: float) -> float:
    first = reading.zero if np.isfinite(reading.zero) else float(reading.y[reading.good][0])
    return _level(t, reading, moment) - first


def _idle(
    t: Array, readings: list[Reading], events: Events, ambient: float
) -> dict[str, tuple[str, str]]:
    """Return the channels that do not respond to the firing, or the wrong way, and why."""
    moment = events.shutdown + 0.5 * (events.shutdown - events.ignition)
    early = events.ignition + 0.5 * (events.shutdown - events.ignition)
    found = {}
    for reading in readings:
        others = [other for other in readings if other is not reading]
        peers = [_rise(t, other, moment) for other in others]
        usual = _lower_median(peers) if peers else 100.0
        usual_early = _lower_median([_rise(t, o, early) for o in others]) if others else 50.0
        own_early = _rise(t, reading, early)
        least = max(6.0 * reading.noise, _SMALLEST_RISE, 0.1 * usual_early)
        told = f"while the others rise {usual:.0f} K" if others else "through the firing"
        span = float(np.ptp(reading.y[reading.good]))
        if span == 0.0:
            verdict = "open" if abs(reading.y[reading.good][0] - ambient) > 100.0 else "dead"
            stuck = reading.y[reading.good][0] - 273.15
            found[reading.name] = (verdict, f"stuck at {stuck:.1f} degC {told}")
        elif (
            own_early < -least
            and _highest_rise(t, reading, events) < max(6.0 * reading.noise, _SMALLEST_RISE)
            and usual > _SMALLEST_RISE
        ):
            reason = f"falls {-own_early:.0f} K in the first half of the burn {told}: leads swapped"
            found[reading.name] = ("reversed", reason)
        elif usual > 10.0 and _span(t, reading) < min(
            0.5 * usual, max(_SMALLEST_RISE, 5.0 * reading.noise, min(0.05 * usual, _MOST_OF_DEAD))
        ):
            found[reading.name] = ("dead", f"moves {_span(t, reading):.1f} K {told}")
    return found


def _lower_median(values: list[float]) -> float:
    """Return the median, the lower one of two: one channel at a rail must not carry it."""
    return sorted(values)[(len(values) - 1) // 2]


def _highest_rise(t: Array, reading: Reading, events: Events) -> float:
    """Return how far a channel ever came above its level at ignition while burning [K]."""
    burning = reading.good & (t > events.ignition) & (t < events.shutdown)
    if not burning.any():
        return 0.0
    values = running_median(reading.y[burning], 2 * max(2, round(0.15 / step_of(t))) + 1)
    return float(np.max(values)) - _level(t, reading, events.ignition)


def _span(t: Array, reading: Reading) -> float:
    """Return the difference between highest and lowest reading without its scatter [K]."""
    values = running_median(reading.y[reading.good], 2 * max(2, round(0.25 / step_of(t))) + 1)
    return float(np.ptp(values))


def _unused(
    name: str, t: Array, verdict: str, reason: str, reading: Reading | None = None
) -> Channel:
    zero = reading.zero if reading else float("nan")
    noise = reading.noise if reading else float("nan")
    good = np.zeros(t.size, dtype=np.bool_)
    good.setflags(write=False)
    return Channel(name, verdict, None, None, good, zero, noise, reason)


def _verdict(
    t: Array,
    reading: Reading,
    events: Events,
    spikes: Mask,
    clipped: Mask,
    broken: Break | None,
    exclusion: Exclusion | None,
) -> Channel:
    """Return a channel with all that was found, masked and put into words."""
    words: list[str] = []
    reasons: list[str] = []
    good = reading.good.copy()
    end = np.inf
    if broken is not None:
        end = broken.moment
        guard = 0.5 * GUARD if broken.silent else max(GUARD, 2.0 * step_of(t))
        good &= t <= end - guard
        words.append(broken.kind)
        if not np.isfinite(reading.zero) and good.any():
            # the scatter of the whole record is that of the fault
            reading = replace(reading, noise=_noise_before(t, reading, good, events))
    spiky = spikes & (t < end - 2.0 * GUARD)
    if spiky.any():
        words.append("spikes")
        reasons.append(_spike_words(t, spiky))
    if (clipped & (t < end)).any():
        times = t[clipped]
        words.append("clipped")
        reasons.append(
            f"top of the range ({np.max(reading.y[clipped]) - 273.15:.1f} degC) from "
            f"{times[0]:.2f} to {times[-1]:.2f} s, not used there"
        )
    dropouts, many = _dropout_words(t, reading, end)
    if dropouts:
        reasons.append(dropouts)
    if many:
        words.append("dropouts")
    if exclusion is not None:
        words.append("excluded")
        reasons.append(_exclusion_words(exclusion))
    if broken is not None:
        used = good.any() and t[good][-1] > events.ignition
        until = f"; not used from {t[good][-1]:.2f} s" if used else "; not used"
        reasons.insert(0, broken.words + until)
        if not used:
            good[:] = False
    good.setflags(write=False)
    times = t[good]
    first, last = (float(times[0]), float(times[-1])) if times.size else (None, None)
    return Channel(
        reading.name,
        ", ".join(words) or "ok",
        first,
        last,
        good,
        reading.zero,
        reading.noise,
        "; ".join(reasons),
    )


def _dropout_words(t: Array, reading: Reading, end: float) -> tuple[str, bool]:
    """Return how many readings are missing of those due before ``end``, and whether many are."""
    due = scans_of(np.isfinite(reading.y))
    due = due[t[due] < end]
    missing = due[~np.isfinite(reading.y[due])]
    if not missing.size:
        return "", False
    when = f"{'at' if missing.size == 1 else 'the first at'} {t[missing[0]]:.2f} s"
    words = f"{missing.size} of {due.size} samples without a reading, {when}"
    return words, missing.size > DROPOUT_SHARE * due.size


def _spike_words(t: Array, spiky: Mask) -> str:
    times = t[spiky]
    return spike_words(_groups(spiky), times[0], times[-1], int(spiky.sum()))


def _noise_before(t: Array, reading: Reading, good: Mask, events: Events) -> float:
    """Return the scatter of the samples in use [K]."""
    return zero_and_noise(t, np.where(good, reading.y, np.nan), events.ignition)[1]


def _as_noisy(channel: Channel, usual: float) -> Channel:
    """Return the channel with its scatter added to the verdict; its samples stay in use."""
    words = [word for word in channel.verdict.split(", ") if word != "ok"]
    reasons = [channel.reason] if channel.reason else []
    reasons.append(f"scatters {channel.noise:.1f} K, the usual channel {usual:.1f} K")
    return replace(channel, verdict=", ".join([*words, "noisy"]), reason="; ".join(reasons))


def _groups(flags: Mask) -> int:
    """Return the number of separate stretches of True."""
    return int(np.sum(np.diff(np.concatenate([[False], flags]).astype(np.int8)) > 0))
