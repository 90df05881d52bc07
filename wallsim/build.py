"""From a case and its logs to firings the model can be held against."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from wallsim.case.model import Blend, Case, Run, Tube
from wallsim.consistency import (
    BURNS,
    Seen,
    early_rise,
    quiet_level,
    reads_gauge,
    refusals,
    remarks,
)
from wallsim.errors import CaseError, LogError
from wallsim.logs import find_events, read_log, screen_channels
from wallsim.logs.cadence import scans_of
from wallsim.logs.events import tap_drift
from wallsim.logs.model import Channel, Events, Log
from wallsim.logs.pressure_history import EDGE, PressureHistory
from wallsim.plausibility import slips
from wallsim.reading_units import mistaken_channels, mistaken_readings, remarks_on_units
from wallsim.rounding import plain

if TYPE_CHECKING:
    from skfem import Mesh

Array = NDArray[np.float64]

BLOCK = 0.1
UNEVEN_START = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One thermocouple's record after ignition, averaged over short blocks.

    Parameters
    ----------
    sensor : str
    index : NDArray of int, shape (n,)
        Block numbers; gaps where samples are not used.
    t : Array, shape (n,)
        Mean time of each block's samples from ignition [s].
    T : Array, shape (n,)
        Mean reading, zero-corrected where the wall starts even [K].
    samples : int
        Raw samples in it.
    zero_blocks : float
        Length, in blocks, of the record before ignition that the zero was taken from; 0 if the
        readings are not zero-corrected.
    """

    sensor: str
    index: NDArray[np.intp]
    t: Array
    T: Array
    samples: int
    zero_blocks: float


@dataclass(frozen=True, slots=True, eq=False)
class Firing:
    """One run, ready for the model.

    Parameters
    ----------
    run, blend, log, events, channels
        What it was made from.
    burn, end : float
        Shutdown and last sample, from ignition [s].
    start_z, start_T : Array, shape (m,)
        Wall temperature at ignition along the tube [m], [K].
    pressure : PressureHistory
        Absolute, at the tap, while burning.
    pressure_share : Array, shape (n_a, 2)
        Points (z [m], static pressure over that at the tap [-]).
    block : float
        Length of a block [s].
    traces : tuple of Trace
    """

    run: Run
    blend: Blend
    log: Log
    events: Events
    channels: dict[str, Channel]
    burn: float
    end: float
    start_z: Array
    start_T: Array
    pressure: PressureHistory
    pressure_share: Array
    block: float
    traces: tuple[Trace, ...]

    def local_pressure(self, z: Array, at_tap: float) -> Array:
        """Return the static pressure along the tube [Pa] for ``at_tap`` [Pa] at the tap."""
        return at_tap * np.interp(z, self.pressure_share[:, 0], self.pressure_share[:, 1])


@dataclass(frozen=True, slots=True, eq=False)
class Campaign:
    """All firings of a case.

    Parameters
    ----------
    case : Case
    firings : tuple of Firing
    reference_pressure : float
        Median absolute pressure of the bare firings (of all, where none is bare) [Pa].
    remarks : tuple of str
        Where case and logs say different things, for the user to settle.
    """

    case: Case
    firings: tuple[Firing, ...]
    reference_pressure: float
    remarks: tuple[str, ...] = ()

    @property
    def bare(self) -> tuple[Firing, ...]:
        """Firings without a deposit, neither of their own blend nor left by one before."""
        dosed: set[str] = set()
        for f in self.firings:
            if f.blend.deposit is not None or f.run.start in dosed:
                dosed.add(f.run.name)
        return tuple(f for f in self.firings if f.run.name not in dosed)


def mesh_of(tube: Tube) -> Mesh | None:
    """Return the mesh that the case names, None where the built-in one is used.

    Raises
    ------
    MeshError
        With every fault of a kind that the file has.
    """
    if tube.mesh is None:
        return None
    from wallsim.wall.mesh_checks import Outline
    from wallsim.wall.mesh_file import read_mesh

    outline = Outline(tube.inner_radius, tube.outer_radius, tube.length)
    return read_mesh(tube.mesh, tube.solids, outline)


def load_campaign(case: Case) -> Campaign:
    """Read and screen every log of ``case``, and its mesh file.

    Raises
    ------
    LogError
        With every log that cannot be used, with file, row and channel.
    CaseError
        If a metal's table does not hold the temperatures of the logs.
    MeshError
        As `mesh_of`.
    """
    mesh_of(case.tube)
    read, faults = [], []
    for run in case.runs:
        try:
            read.append(_firing(case, run))
        except LogError as error:
            faults.append((run, error))
    if faults:
        raise LogError("\n".join(_said_once(faults)))
    firings, seen = tuple(f for f, _ in read), [s for _, s in read]
    if wrong := refusals(case, seen):
        raise CaseError(wrong)
    bare = [f for f in firings if f.blend.deposit is None] or firings
    reference = float(np.median([f.events.plateau for f in bare]))
    mistaken = mistaken_readings(case, seen)
    channels = mistaken_channels(case, seen, mistaken)
    doubted = {*mistaken, *(run for runs in channels.values() for run in runs)}
    found = (*slips(case, seen), *remarks_on_units(case, seen, mistaken, channels),
             *remarks(case, seen, doubted))
    return Campaign(case, firings, reference, found)


def _said_once(faults: list[tuple[Run, LogError]]) -> list[str]:
    """Return the faults of all logs; one that several share is told of the first."""
    sharing: dict[str, list[tuple[str, str]]] = {}
    for run, error in faults:
        for line in str(error).splitlines():
            where, _, what = line.partition(run.log.name)
            alike = (what or where).replace(f"run {run.name}", "run")
            sharing.setdefault(alike, []).append((line, run.name))
    return [
        lines[0][0] + (f" (and so in {', '.join(run for _, run in lines[1:])})" * (len(lines) > 1))
        for lines in sharing.values()
    ]


def _read(case: Case, run: Run) -> Log:
    """Return the log of a run; channels taken out of the whole run need not be in it."""
    pressures = (case.pressure.channel, *(channel for channel, _ in case.pressure.taps))
    taken_out = {name for name, e in run.exclude.items()
                 if not np.isfinite([e.from_s, e.until_s]).any()}
    return read_log(
        run.log, case.log_format, temperatures=tuple(s.channel for s in case.sensors),
        pressures=pressures,
        absent=tuple(s.channel for s in case.sensors if s.name in taken_out),
    )


def _absolute(case: Case, log: Log, channel: str) -> Array:
    """Return the absolute pressure of a tap [Pa]."""
    gauge = reads_gauge(case.pressure, log.zeros.get(channel, ""))
    return log.channels[channel] + (case.pressure.barometer if gauge else 0.0)


def _of_thermocouples(log: Log, columns: list[str]) -> Log:
    """Return the log at the scans at which thermocouples are read."""
    known = [np.isfinite(log.channels[c]) for c in columns if c in log.channels]
    return log.at(scans_of(np.any(known, axis=0))) if known else log


def _firing(case: Case, run: Run) -> tuple[Firing, Seen]:
    channels = {s.name: s.channel for s in case.sensors}
    whole = _read(case, run)
    absolute = _absolute(case, whole, case.pressure.channel)
    log = whole
    events = _events(case, run, whole, absolute)
    drift = tap_drift(whole.t, absolute, events)
    if drift.any():
        absolute = absolute - drift
        events = _events(case, run, whole, absolute)
    _check_shedding(run, log, events)
    log = _of_thermocouples(whole, list(channels.values()))
    screened = screen_channels(
        log, channels, events, ambient=case.tube.outside.ambient, exclusions=run.exclude
    )
    start_z, start_T, even = _start(case, screened)
    burn = events.shutdown - events.ignition
    block = max(BLOCK, float(np.median(np.diff(log.t))))
    traces = tuple(
        _trace(log, events, screened[s.name], s.channel, block, start_T[0] if even else None)
        for s in case.sensors
        if screened[s.name].good.any()
    )
    traces = tuple(trace for trace in traces if trace.t.size >= 5)
    if not traces:
        raise LogError(_none_to_use(log, run, screened, burn))
    actual = absolute + events.zero
    pressure = PressureHistory.of(whole.t - events.ignition, actual, events.plateau, burn)
    firing = Firing(
        run, case.blends[run.blend], log, events, screened, burn,
        float(log.t[-1] - events.ignition), start_z, start_T, pressure,
        _pressure_share(case, whole, events, actual), block, traces,
    )
    return firing, _seen(case, firing, whole, absolute, float(drift[-1]))


def _events(case: Case, run: Run, log: Log, absolute: Array) -> Events:
    try:
        return find_events(log.t, absolute, run.name, barometer=case.pressure.barometer,
                           ignition=run.ignition, shutdown=run.shutdown)
    except LogError as error:
        raise LogError(f"{log.path}: {case.pressure.channel}: {error}") from error


def _seen(case: Case, firing: Firing, log: Log, absolute: Array, drift: float) -> Seen:
    """Return what the log of a firing shows by itself."""
    zeros = [(n, c.zero) for n, c in firing.channels.items()
             if np.isfinite(c.zero) and c.good.any()]
    usual = float(np.median([zero for _, zero in zeros])) if zeros else None
    start = float(firing.start_T.min())
    nearest = min(zeros, key=lambda item: abs(item[1] - start), default=("the ambient", start))
    coldest = nearest[0], start
    hottest = max(((t.sensor, float(t.T.max())) for t in firing.traces), key=lambda item: item[1])
    quiet = quiet_level(log.t, absolute, firing.events.ignition)
    used = [log.channels[s.channel] for s in case.sensors if firing.channels[s.name].good.any()]
    early = early_rise(log.t, used, firing.events.ignition)
    return Seen(firing.run.name, log, quiet, usual, firing.events.ignition, firing.burn,
                firing.events.plateau, drift, early, coldest, hottest,
                dict(zeros), {t.sensor: (t.t, t.T) for t in firing.traces})


def _check_shedding(run: Run, log: Log, events: Events) -> None:
    """Raise if deposit is said to come off outside the burn."""
    if run.shed is not None and not events.ignition < run.shed.at.value < events.shutdown:
        raise LogError(
            f"{log.path}: shed in run {run.name} is not during the burn (got {run.shed.at.text}); "
            f"it burns from {events.ignition:.2f} s to {events.shutdown:.2f} s on the log's clock"
        )


def _none_to_use(log: Log, run: Run, channels: dict[str, Channel], burn: float) -> str:
    """Return why no thermocouple of a run is of use; what many have in common is said once."""
    sharing: dict[str, list[str]] = {}
    for c in channels.values():
        sharing.setdefault(c.reason or "too few readings after ignition", []).append(c.name)
    why = ", ".join(f"{' '.join(names)} ({reason})" for reason, names in sharing.items())
    clock = "" if BURNS[0] <= burn <= BURNS[1] else (
        f"check the unit of its clock, by which it burns for {plain(burn, 2)} s; else ")
    return (f"{log.path}: no thermocouple of run {run.name} can be used: {why}; "
            f"{clock}look at the log, or leave the run out")


def all_blocks(firing: Firing, sensor: str, column: str) -> tuple[NDArray[np.intp], Array]:
    """Return block numbers and mean readings [K] of a channel, used or not, for pictures."""
    T = firing.log.channels.get(column, np.full(firing.log.t.size, np.nan))
    t = firing.log.t - firing.events.ignition
    keep = np.isfinite(T) & (t > 0.0)
    number = np.floor(t[keep] / firing.block).astype(np.intp)
    index, first, count = np.unique(number, return_index=True, return_counts=True)
    if not index.size:
        return index, np.empty(0)
    zero = firing.channels[sensor].zero
    offset = firing.start_T[0] - zero if firing.start_T.size == 1 and np.isfinite(zero) else 0.0
    return index, np.add.reduceat(T[keep], first) / count + offset


def _start(case: Case, channels: dict[str, Channel]) -> tuple[Array, Array, bool]:
    """Return where and how warm the wall is at ignition, and whether it is even."""
    known = [
        (s.z.value, channels[s.name].zero)
        for s in case.sensors
        if np.isfinite(channels[s.name].zero) and channels[s.name].good.any()
    ]
    if not known:
        return np.array([0.0]), np.array([case.tube.outside.ambient]), False
    z, T = np.array(sorted(known)).T
    if np.ptp(T) <= UNEVEN_START:
        return np.array([0.0]), np.array([np.median(T)]), True
    return z, T, False


def _trace(
    log: Log, events: Events, channel: Channel, column: str, block: float, even: float | None
) -> Trace:
    """Average a channel's used samples after ignition over blocks."""
    t = log.t - events.ignition
    T = log.channels[column]
    keep = channel.good & (t > 0.0) & np.isfinite(T)
    number = np.floor(t[keep] / block).astype(np.intp)
    index, first, count = np.unique(number, return_index=True, return_counts=True)
    if not index.size:
        return Trace(channel.name, index, np.empty(0), np.empty(0), 0, 0.0)
    mean_t = np.add.reduceat(t[keep], first) / count
    mean_T = np.add.reduceat(T[keep], first) / count
    zero_blocks = 0.0
    if even is not None and np.isfinite(channel.zero):
        zero_blocks = max((events.ignition - float(log.t[0])) / block, 1.0)
        mean_T = mean_T - channel.zero + even
    full = count >= 0.5 * np.median(count)
    return Trace(
        channel.name, index[full], mean_t[full], mean_T[full], int(keep.sum()), zero_blocks
    )


def _pressure_share(case: Case, log: Log, events: Events, absolute: Array) -> Array:
    """Return the static pressure along the tube as a share of that at the tap, ``absolute``."""
    if case.pressure.along:
        return np.array(case.pressure.along)
    burning = (log.t > events.ignition + EDGE) & (log.t < events.shutdown - EDGE)
    points = [(0.0, 1.0)]
    for channel, z in case.pressure.taps:
        tap = _absolute(case, log, channel)[burning]
        points.append((z, float(np.nanmedian(tap / absolute[burning]))))
    return np.array(sorted(points))
