"""Readings that rest, before ignition, where the ambient would be in another unit of temperature.

Of a whole log or of single channels; remarked, for the user to settle, and nothing is changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from wallsim.case.model import Case
from wallsim.consistency import AMBIENT_OFF, Seen, celsius, other_unit, runs_of

LEAST_RISE = 10.0
"""Smaller rises are not held against each other [K]."""

ALIKE = 1.3
"""Firings whose rises are compared differ by less in burn and in pressure."""

RISES_APART = 1.2
"""degF read as degC rise 1.8 times too far; a bare firing 1.1 to 1.3 times a dosed one."""

Units = tuple[str, str]
"""Unit of the log, unit it was taken to be in."""


def over(rise: float, other: float) -> float:
    """Return the ratio of two rises [K]; NaN if one is unknown or too small to tell."""
    return rise / other if min(rise, other) > LEAST_RISE else float("nan")


def mistaken_readings(case: Case, seen: Sequence[Seen]) -> dict[str, Units]:
    """Return runs whose readings look mistaken: unit of the log, unit they were taken to be in.

    Before ignition they are then off the ambient by just that; degF and degC are also held against
    the rise of firings alike, where there are any.
    """
    ambient = case.tube.outside.ambient
    out = {}
    for s in seen:
        if s.start is None or abs(s.start - ambient) <= AMBIENT_OFF:
            continue
        units = other_unit(s.start, ambient)
        sound = [o for o in seen if o.start is not None and other_unit(o.start, ambient) is None
                 and _alike(s, o)]
        if units is not None and _told_by_rise(units, [
            over(s.rise(min(s.burn, o.burn)), o.rise(min(s.burn, o.burn))) for o in sound
        ]):
            out[s.run] = units
    return out


def _alike(a: Seen, b: Seen) -> bool:
    pairs = (a.burn / b.burn, a.plateau / b.plateau)
    return all(1.0 / ALIKE < ratio < ALIKE for ratio in pairs)


def _told_by_rise(units: Units, rises: Sequence[float], apart: float = RISES_APART) -> bool:
    """Return whether rises over those of firings alike are those of the wrong unit, or unknown."""
    known = [rise for rise in rises if np.isfinite(rise)]
    if not known or "degF" not in units:
        return True
    return min(known) > apart if units[0] == "degF" else max(known) < 1.0 / apart


def mistaken_channels(
    case: Case, seen: Sequence[Seen], mistaken: Mapping[str, Units]
) -> dict[tuple[str, Units], list[str]]:
    """Return which sensors look mistaken by themselves, with units, and in which runs.

    Units are those of `mistaken_readings`. Runs that are ``mistaken`` as a whole are left out.
    """
    some = [s for s in seen if s.run not in mistaken]
    suspects = {s.run: _suspects(case, s) for s in some}
    out: dict[tuple[str, Units], list[str]] = {}
    for sensor in case.sensors:
        for s in some:
            units = suspects[s.run].get(sensor.name)
            if units and _rises_so(sensor.name, units, s, some, suspects):
                out.setdefault((sensor.name, units), []).append(s.run)
    return out


def remarks_on_units(
    case: Case, seen: Sequence[Seen], mistaken: Mapping[str, Units],
    channels: Mapping[tuple[str, Units], Sequence[str]],
) -> Iterator[str]:
    """Return one located line for each unit that looks mistaken, of runs and of single channels.

    Parameters
    ----------
    case : Case
    seen : sequence of Seen
    mistaken, channels
        Outcome of `mistaken_readings` and of `mistaken_channels`.
    """
    ambient = case.tube.outside.ambient
    for logged, taken in dict.fromkeys(mistaken.values()):
        which = [s for s in seen if mistaken.get(s.run) == (logged, taken)]
        start = float(np.median([s.start for s in which if s.start is not None]))
        warm = "; a wall still warm from before is no fault" if start > ambient else ""
        yield case.source.fault(
            ("run", seen.index(which[0])), f"before ignition of {runs_of(which, seen)} the "
            f"thermocouples read {celsius(start)}; logged in {logged} and taken to be in {taken}, "
            f"that is the ambient of {celsius(ambient)}", None,
            f"check the unit in the heading of {which[0].log.path}{warm}",
        ).text
    for (name, (logged, taken)), runs in channels.items():
        which = [s for s in seen if s.run in runs]
        k = next(i for i, sensor in enumerate(case.sensors) if sensor.name == name)
        doubted = {one for (one, _), where in channels.items() if which[0].run in where}
        own = float(np.median([s.zeros[name] for s in which]))
        usual = float(np.median([T for one, T in which[0].zeros.items() if one not in doubted]))
        several, column = len(which) > 1, case.sensors[k].channel
        logs = f" of {which[0].log.path}" if not several else (
            f's of their logs, or units = {{ "{column}" = "{logged}" }} under [log] where these '
            "give none")
        yield case.source.fault(
            ("sensor", k) if several else ("run", seen.index(which[0])),
            f"before ignition of {runs_of(which, seen)} {name} reads {celsius(own)}, the others "
            f"{celsius(usual)}; logged in {logged} and taken to be in {taken}, that is about the "
            "same", None,
            f'if so, write "{column} [{logged}]" in the heading{logs}',
        ).text


def _suspects(case: Case, s: Seen) -> dict[str, Units]:
    """Return the channels that rest where the others of the same log would in another unit."""
    ambient, zeros = case.tube.outside.ambient, s.zeros
    near = [T for T in zeros.values() if abs(T - ambient) <= AMBIENT_OFF]
    if not zeros:
        return {}
    level = float(np.median(near)) if near else sorted(zeros.values())[(len(zeros) - 1) // 2]
    out = {name: units for name, T in zeros.items()
           if abs(T - level) > AMBIENT_OFF and (units := other_unit(T, level))}
    # a wall warm at one place has readings in between
    uneven = any(abs(T - level) > 2.0 * AMBIENT_OFF for n, T in zeros.items() if n not in out)
    if uneven:
        out = {name: units for name, units in out.items() if "degF" not in units}
    return out if 2 * len(out) <= len(zeros) else {}


def _rises_so(
    sensor: str, units: Units, s: Seen, seen: Sequence[Seen],
    suspects: Mapping[str, Mapping[str, Units]],
) -> bool:
    """Return whether a channel's rise, too, is that of the unit suspected, or nothing is known.

    Its rise over that of the others is held against the same in runs where it is not suspect;
    without one it may not be less than theirs (for degC read as degF: more), unless it rests so in
    every run.
    """
    sound = [o for o in seen if sensor in o.zeros and sensor not in suspects[o.run]]
    ratios = []
    for o in sound:
        moment = min(s.burn, o.burn)
        both = [n for n in s.zeros if n in o.zeros and n not in suspects[s.run]
                and n not in suspects[o.run]]
        here, there = (_relative_rise(run, sensor, both, moment) for run in (s, o))
        ratios.append(here / there)
    if np.isfinite(ratios).any():
        return _told_by_rise(units, ratios)
    if len([o for o in seen if suspects[o.run].get(sensor) == units]) > 1:
        return True
    others = [n for n in s.zeros if n not in suspects[s.run]]
    return _told_by_rise(units, [_relative_rise(s, sensor, others, s.burn)], apart=1.0)


def _relative_rise(s: Seen, sensor: str, others: Sequence[str], moment: float) -> float:
    """Return a channel's rise over the usual one of others [-]; NaN if unknown."""
    return over(s.rise(moment, (sensor,)), s.rise(moment, others))
