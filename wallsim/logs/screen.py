"""What each thermocouple of a run is good for, judged beside the others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from wallsim.case.model import Exclusion
from wallsim.logs.breaks import Break, Reading, find_breaks, wild_from
from wallsim.logs.lines import Mask, moving_lines
from wallsim.logs.model import Array, Channel, Events, Log
from wallsim.logs.spikes import find_clipping, find_spikes, step_of, zero_and_noise

DROPOUT_SHARE = 0.005
GUARD = 0.1
"""Samples this close before a break are not used [s]."""

_SMALLEST_RISE = 3.0


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
        if column not in log.channels:
            screened[name] = _unused(name, t, "missing", "the log has no such channel")
            continue
        y = log.channels[column]
        allowed = _not_excluded(t, exclusions.get(name))
        if not np.isfinite(y).any():
            screened[name] = _unused(name, t, "open", "no reading in the whole log: lead open")
        elif not (allowed & np.isfinite(y) & (t > events.ignition)).any():
            words = "excluded" if name in exclusions else "open"
            reason = (
                _exclusion_words(exclusions.get(name)) or "no reading after ignition: lead open"
            )
            screened[name] = _unused(name, t, words, reason)
        else:
            readings[name] = _prepare(name, t, y, allowed, events)
    steepest = float(np.median([r.slope for r in readings.values()])) if readings else 0.0
    for name, reading in list(readings.items()):
        readings[name] = replace(reading, slope=max(reading.slope, 0.3 * steepest, 1.0))
    idle = _idle(t, list(readings.values()), events, ambient)
    for name, (verdict, reason) in idle.items():
        screened[name] = _unused(name, t, verdict, reason, readings[name])
    active = {name: r for name, r in readings.items() if name not in idle}
    screened.update(_screen_active(t, active, events, ambient, exclusions))
    return {name: screened[name] for name in channels}


def _screen_active(
    t: Array,
    active: dict[str, Reading],
    events: Events,
    ambient: float,
    exclusions: Mapping[str, Exclusion],
) -> dict[str, Channel]:
    """Return the verdicts on channels that respond to the firing."""
    spikes: dict[str, Mask] = {}
    clipped: dict[str, Mask] = {}
    for name, r in active.items():
        spikes[name] = find_spikes(t, r.y, r.noise, r.slope) & r.good
        clipped[name] = find_clipping(t, r.y, r.good & ~spikes[name], r.noise)
        active[name] = replace(r, good=r.good & ~spikes[name] & ~clipped[name])
    breaks = find_breaks(t, list(active.values()), events, ambient)
    _add_wild(t, active, breaks)
    return {
        name: _verdict(
            t, r, events, spikes[name], clipped[name], breaks.get(name), exclusions.get(name)
        )
        for name, r in active.items()
    }


def _add_wild(t: Array, active: dict[str, Reading], breaks: dict[str, Break]) -> None:
    """Add the channels whose scatter alone tells that they left the wall."""
    for name, reading in active.items():
        others = [r for other, r in active.items() if other != name]
        at = wild_from(t, reading, others)
        if at is not None and (name not in breaks or t[at] < breaks[name].moment - 2.0 * GUARD):
            words = f"scatters wildly from {t[at]:.2f} s on: lead open"
            breaks[name] = Break(float(t[at]), "open", words)


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
    width = max(4, round(0.5 / step_of(t)))
    slopes = moving_lines(t, y, good, width).after
    burning = (t > events.ignition) & (t < events.shutdown) & np.isfinite(slopes)
    slope = float(np.quantile(slopes[burning], 0.8)) if burning.any() else 0.0
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
        rise = _rise(t, reading, moment)
        peers = [_rise(t, other, moment) for other in others]
        usual = float(np.median(peers)) if peers else 100.0
        usual_early = float(np.median([_rise(t, o, early) for o in others])) if others else 50.0
        own_early = _rise(t, reading, early)
        least = max(6.0 * reading.noise, _SMALLEST_RISE, 0.1 * usual_early)
        told = f"while the others rise {usual:.0f} K" if others else "through the firing"
        span = float(np.ptp(reading.y[reading.good]))
        if span == 0.0:
            verdict = "open" if abs(reading.y[reading.good][0] - ambient) > 100.0 else "dead"
            stuck = reading.y[reading.good][0] - 273.15
            found[reading.name] = (verdict, f"stuck at {stuck:.1f} degC {told}")
        elif own_early < -least and usual > _SMALLEST_RISE:
            reason = f"falls {-own_early:.0f} K in the first half of the burn {told}: leads swapped"
            found[reading.name] = ("reversed", reason)
        elif (
            usual > 10.0
            and _still(rise, reading, usual)
            and _still(own_early, reading, 3.0 * usual_early)
        ):
            found[reading.name] = ("dead", f"moves {rise:+.1f} K {told}")
    return found


def _still(rise: float, reading: Reading, usual: float) -> bool:
    """Return True for a rise that is nothing beside the usual one."""
    return abs(rise) < max(_SMALLEST_RISE, 2.0 * reading.noise, 0.03 * usual)


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
        good &= t <= end - (GUARD if broken.kind == "detached" else 0.5 * GUARD)
        words.append(broken.kind)
    spiky = spikes & (t < end - 2.0 * GUARD)
    if spiky.any():
        words.append("spikes")
        times = t[spiky]
        reasons.append(
            f"{_groups(spiky)} spikes between {times[0]:.2f} and {times[-1]:.2f} s, "
            f"{int(spiky.sum())} samples masked"
        )
    if (clipped & (t < end)).any():
        times = t[clipped]
        words.append("clipped")
        reasons.append(
            f"top of the range ({np.max(reading.y[clipped]) - 273.15:.1f} degC) from "
            f"{times[0]:.2f} to {times[-1]:.2f} s, not used there"
        )
    missing = ~np.isfinite(reading.y) & (t < end)
    span = max(1, int(np.sum(t < end)))
    if missing.sum() > DROPOUT_SHARE * span:
        words.append("dropouts")
        reasons.append(f"{int(missing.sum())} of {span} samples without a reading")
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


def _groups(flags: Mask) -> int:
    """Return the number of separate stretches of True."""
    return int(np.sum(np.diff(np.concatenate([[False], flags]).astype(np.int8)) > 0))
