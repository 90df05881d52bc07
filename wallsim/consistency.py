"""What case and logs say of the same thing: zero of the pressure, ambient, range of the metal.

`refusals` are faults before any march; `remarks` are for the user to settle, and nothing is
changed for them.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from wallsim.case.model import Case, Pressure
from wallsim.logs.jumps import standstills
from wallsim.logs.model import Array, Log
from wallsim.rounding import plain
from wallsim.units import to_si

ZERO_OFF = 0.25
"""Share of the air pressure that a tap may be off it before ignition."""

AMBIENT_OFF = 5.0
"""What thermocouples may be off the ambient before the coldest ignition [K]."""

EARLY_RISE = 4.0
"""What the usual thermocouple may rise before ignition [K]."""

BURNS = 0.3, 300.0
"""Shorter and longer burns are rather a clock in another unit [s]."""

USUAL_BURN = 8.0
"""Common practice for short uncooled tubes [s]."""

CLOCKS = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}
"""Units of clocks [s]."""

SETTLED = 0.2
"""The record before ignition ends so long before it [s]."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What one log shows by itself.

    Parameters
    ----------
    run : str
    log : Log
    quiet : float or None
        Absolute pressure at the tap before ignition [Pa], the zero as read.
    start : float or None
        Usual reading before ignition [K].
    ignition, burn : float
        Log clock, and from there to shutdown [s].
    plateau : float
        Mean absolute pressure while burning [Pa].
    drift : float
        By how much the tap reads otherwise at the end of the record than before ignition; taken
        off already [Pa].
    early : float
        How far the usual channel rises before ignition [K].
    coldest, hottest : tuple of (str, float)
        Sensor and reading [K]: of the wall as it is marched from, of all that is used.
    zeros : dict of str to float
        Reading before ignition of each channel that is used [K], by sensor.
    records : dict of str to (Array, Array)
        Time from ignition [s] and reading [K] of each trace that is used, by sensor.
    """

    run: str
    log: Log
    quiet: float | None
    start: float | None
    ignition: float
    burn: float
    plateau: float
    drift: float
    early: float
    coldest: tuple[str, float]
    hottest: tuple[str, float]
    zeros: dict[str, float]
    records: dict[str, tuple[Array, Array]]

    def rise(self, moment: float, sensors: Iterable[str] | None = None) -> float:
        """Return the usual rise from ignition to ``moment`` [s], in K; NaN without a record.

        Of all channels, or of some ``sensors``.
        """
        wanted = self.records if sensors is None else sensors
        some = [self.records[name] for name in wanted if name in self.records]
        rises = [np.interp(moment, t, T) - T[0] for t, T in some
                 if t[0] <= 0.2 * moment and t[-1] >= 0.9 * moment]
        return float(np.median(rises)) if rises else float("nan")


def reads_gauge(pressure: Pressure, heading: str) -> bool:
    """Return whether a tap reads gauge: as the case states, else as the heading, else yes.

    Parameters
    ----------
    pressure : Pressure
    heading : {"gauge", "absolute", ""}
        What the log says.
    """
    if pressure.reads_stated or not heading:
        return pressure.gauge
    return heading == "gauge"


def quiet_level(t: Array, p_abs: Array, ignition: float) -> float | None:
    """Return the pressure before ignition [Pa]; None without a record there."""
    before = p_abs[(t < ignition - SETTLED) & np.isfinite(p_abs)]
    return float(np.median(before)) if before.size >= 5 else None


def refusals(case: Case, seen: Sequence[Seen]) -> list[str]:
    """Return one located line for each log used twice, and each metal whose table is too short."""
    return [*_of_logs(case, seen), *_of_metals(case, seen)]


def _of_logs(case: Case, seen: Sequence[Seen]) -> Iterator[str]:
    """Return a line for each run whose burn is in the log of an earlier run already."""
    for i, s in enumerate(seen):
        same = next((o for o in seen[:i] if _is_same_log(s.log, o.log) and _overlap(s, o)), None)
        if same is None:
            continue
        first = case.source.line(("run", seen.index(same), "log"))
        written = case.source.data["run"]
        one = written[i]["log"] == written[seen.index(same)]["log"]
        yield case.source.fault(
            ("run", i, "log"),
            f"the log of run {same.run} too (line {first})" if one else
            f"holds the same readings as {written[seen.index(same)]['log']} of run {same.run} "
            f"(line {first})",
            written[i]["log"],
            "name the log of each firing, or leave one of the two runs out; where one log holds "
            "two burns, give each its own",
        ).text


def _is_same_log(one: Log, other: Log) -> bool:
    """Return whether two logs are one, or hold the same readings at the same times."""
    if one.sha256 and one.sha256 == other.sha256:
        return True
    return (
        one.t.size == other.t.size
        and one.channels.keys() == other.channels.keys()
        and np.allclose(one.t - one.t[0], other.t - other.t[0], rtol=0.0, atol=1e-6)
        and all(np.array_equal(y, other.channels[name], equal_nan=True)
                for name, y in one.channels.items())
    )


def _overlap(one: Seen, other: Seen) -> bool:
    """Return whether the burns of two runs share part of their logs."""
    (a, b), (c, d) = ((s.ignition - s.log.t[0], s.ignition - s.log.t[0] + s.burn)
                      for s in (one, other))
    return bool(a < d and c < b)


def _of_metals(case: Case, seen: Sequence[Seen]) -> list[str]:
    wide = max(solid.range[1] for solid in case.tube.solids.values())
    out = []
    for region, solid in case.tube.solids.items():
        named = ("tube", "regions", region)
        place = named if named in case.source.lines else ("tube", "material")
        low, high = solid.range
        cold = min(seen, key=lambda s: s.coldest[1])
        hot = max(seen, key=lambda s: s.hottest[1])
        for one, (sensor, T), end, below in (
            (cold, cold.coldest, low, True), (hot, hot.hottest, high, False),
        ):
            if (T >= end) if below else (T <= max(end, wide)):
                continue
            way, where = ("starts", "before ignition") if below else ("ends", "as its highest")
            out.append(case.source.fault(
                place,
                f"the table of {solid.name} {way} at {celsius(end)}, but {sensor} in run "
                f"{one.run} reads {celsius(T)} {where}",
                hint=f"check its unit in the log, exclude {sensor} in {one.run} if it is wrong, or "
                     "extend the table in a material file of your own",
            ).text)
    return out


def remarks(
    case: Case, seen: Sequence[Seen], mistaken: Container[str] = ()
) -> tuple[str, ...]:
    """Return one line for each thing that the case and the logs say differently.

    Runs in which readings are ``mistaken`` for another unit are not held against the ambient.
    """
    units = [line for s in seen for line in s.log.contradictions]
    return (*_of_zero(case, seen), *_of_drift(case, seen), *_of_ambient(case, seen, mistaken),
            *_of_burn(case, seen), *units)


def early_rise(t: Array, readings: Sequence[Array], ignition: float) -> float:
    """Return how far the usual of ``readings`` [K] rises before ignition; 0 without a record."""
    rises = []
    for y in readings:
        before = y[(t < ignition - 0.05) & np.isfinite(y)]
        if before.size >= 8:
            rises.append(np.median(before[-(before.size // 6 + 1):])
                         - np.median(before[: before.size // 2]))
    return float(np.median(rises)) if rises else 0.0


def _in_other_unit(s: Seen, seen: Sequence[Seen]) -> str:
    """Return what the burn would be in the unit of the clock that makes it most like the others."""
    if s.log.clock not in CLOCKS:
        return ""
    usual = [o.burn for o in seen if BURNS[0] <= o.burn <= BURNS[1]]
    like = float(np.median(usual)) if usual else USUAL_BURN
    burns = {unit: s.burn / CLOCKS[s.log.clock] * size for unit, size in CLOCKS.items()}
    unit = min(burns, key=lambda name: abs(np.log(burns[name] / like)))
    others = f", the others burn for {plain(like)} s" if usual else ""
    return (f", its clock taken to be in {s.log.clock}; in {unit} that is {plain(burns[unit])} s"
            f"{others}")


def _of_burn(case: Case, seen: Sequence[Seen]) -> Iterator[str]:
    for i, s in enumerate(seen):
        if not BURNS[0] <= s.burn <= BURNS[1]:
            yield case.source.fault(
                ("run", i), f"burns for {plain(s.burn)} s by its log{_in_other_unit(s, seen)}",
                None,
                "if that is so, correct the unit in the heading of its clock, or state it under "
                "[log] units where the heading has none",
            ).text
        yield from _of_standstills(case, i, s)
        end, shutdown = float(s.log.t[-1]), s.ignition + s.burn
        if end < shutdown - SETTLED:
            yield case.source.fault(
                ("run", i),
                f"its log ends at {end:.2f} s, before the shutdown at {shutdown:.2f} s",
                None, "its hottest bore is that of the record, not of the firing",
            ).text
        if s.early > EARLY_RISE:
            yield case.source.fault(
                ("run", i),
                f"its thermocouples rise {s.early:.0f} K before the ignition at {s.ignition:.2f} s",
                None,
                "the flame was there before the pressure tells (half-rise): state ignition of this "
                "run",
            ).text


def _of_standstills(case: Case, i: int, s: Seen) -> Iterator[str]:
    """Return a line for each stretch without scans over which no reading went on.

    Asked of the readings as logged: screening may take the jump for a fault of a channel.
    """
    logged = [s.log.channels[c.channel] for c in case.sensors if c.channel in s.log.channels]
    for gap in standstills(s.log.t, logged):
        yield case.source.fault(
            ("run", i),
            f"no reading goes on from {gap.start:.2f} to {gap.end:.2f} s of its log, where there "
            f"are no scans, as all do before and after (by {plain(gap.slope, 2)} K/s): the clock "
            "may have jumped",
            None,
            f"if so, take {plain(gap.jump)} s off its times from {gap.end:.2f} s on in "
            f"{s.log.path}",
        ).text


def _of_zero(case: Case, seen: Sequence[Seen]) -> Iterator[str]:
    p, place = case.pressure, ("pressure", "reads")
    stated = "gauge" if p.gauge else "absolute"
    against = [s for s in seen if s.log.zeros.get(p.channel, stated) not in (stated, "")]
    if against and p.reads_stated:
        yield case.source.fault(
            place,
            f"but the heading of {p.channel} in {runs_of(against, seen)} says "
            f"{against[0].log.zeros[p.channel]}; {stated} was taken",
            stated, "correct it, or remove it to go by the heading",
        ).text
    off = [s for s in seen if s.quiet is not None
           and abs(s.quiet - p.barometer) > ZERO_OFF * p.barometer]
    if off:
        first = off[0]
        gauge = reads_gauge(p, first.log.zeros.get(p.channel, ""))
        quiet = float(first.quiet or 0.0)
        logged = quiet - p.barometer if gauge else quiet
        usual, other = (0.0, "absolute") if gauge else (p.barometer, "gauge")
        looks = abs(quiet - (2.0 * p.barometer if gauge else 0.0)) < ZERO_OFF * p.barometer
        guess = f'it looks {other}: reads = "{other}"' if looks else "check the tap's zero"
        yield case.source.fault(
            place,
            f"{p.channel} in {runs_of(off, seen)} reads {logged / 1e5:.2f} bar before ignition, "
            f"where {'gauge' if gauge else 'absolute'} reads {usual / 1e5:.2f}; the pressure while "
            "burning was taken above that level",
            None, guess,
        ).text


def _of_drift(case: Case, seen: Sequence[Seen]) -> Iterator[str]:
    drifted = [s for s in seen if s.drift]
    if not drifted:
        return
    worst = max(drifted, key=lambda s: abs(s.drift) / s.plateau)
    yield case.source.fault(
        ("pressure", "channel"),
        f"{case.pressure.channel} in {runs_of(drifted, seen)} reads otherwise at the end of the "
        f"record than before ignition ({worst.drift / 1e5:+.3f} bar in {worst.run}, "
        f"{100.0 * abs(worst.drift) / worst.plateau:.1f} % of the pressure while burning); a drift "
        "even in time was taken off",
        None, "check the tap; where it is no drift, as with a purge, let the record end before",
    ).text


def _of_ambient(case: Case, seen: Sequence[Seen], mistaken: Container[str]) -> Iterator[str]:
    ambient = case.tube.outside.ambient
    known = [s for s in seen if s.start is not None and s.run not in mistaken]
    if not known:
        return
    cold = min(known, key=lambda s: s.start or 0.0)
    off = (cold.start or 0.0) - ambient
    if abs(off) <= AMBIENT_OFF:
        return
    alike = [s for s in known if abs((s.start or 0.0) - (cold.start or 0.0)) < AMBIENT_OFF]
    side = "above" if off > 0.0 else "below"
    yield case.source.fault(
        ("tube", "outside", "ambient"),
        f"before ignition of {runs_of(alike, seen)} the wall reads {celsius(cold.start or 0.0)}, "
        f"{abs(off):.0f} K {side} the ambient of {celsius(ambient)}",
        None,
        "state the air temperature of the day"
        + ("; a wall that was warm from before is no fault" if off > 0.0 else ""),
    ).text


def other_unit(T: float, ambient: float) -> tuple[str, str] | None:
    """Return the units of a reading if it is the ambient mistaken: (logged in, taken to be in).

    Parameters
    ----------
    T, ambient : float
        Before ignition, as read, and as stated [K].
    """
    units = ("degC", "degF", "K")
    best, off = None, AMBIENT_OFF
    for taken in units:
        number = (T - to_si(0.0, taken, "K")) / (to_si(1.0, taken, "K") - to_si(0.0, taken, "K"))
        for logged in units:
            apart = abs(to_si(number, logged, "K") - ambient)
            if logged != taken and apart < off:
                best, off = (logged, taken), apart
    return best


def runs_of(some: Sequence[Seen], seen: Sequence[Seen]) -> str:
    """Return which runs, in words; ``seen`` are all."""
    if len(some) == len(seen) > 1:
        return "all runs"
    return ("run " if len(some) == 1 else "runs ") + ", ".join(s.run for s in some)


def celsius(T: float) -> str:
    """Return a temperature [K] in whole degC, for messages."""
    return f"{T - 273.15:.0f} degC"
