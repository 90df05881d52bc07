"""A plan: the case file of a campaign that has not been fired yet.

Tube, blends and fit stand as in a case file, so a plan grows into one. ``[[sensor]]`` holds only
what is welded on already, a ``[[run]]`` states burn and pressure instead of a log,
``[thermocouple]`` says what one to be placed reads and ``[plan]`` what is wanted.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, PlainValidator

from wallsim.case.checks import faults_between
from wallsim.case.load import case_of, solids_of
from wallsim.case.model import Case
from wallsim.case.quantities import FixedLength, Seconds, Word, reader
from wallsim.case.schema import (
    BlendKeys,
    CaseKeys,
    FitKeys,
    LogKeys,
    PressureKeys,
    SensorKeys,
    Table,
    TubeKeys,
    key,
)
from wallsim.case.stand_ins import NAMELESS, is_known, read_keys, sound
from wallsim.errors import CaseError
from wallsim.file_kinds import PLAN
from wallsim.plan.place_room import beside, most, packed, places
from wallsim.source import Fault, Source, advice
from wallsim.toml_lines import KeyPath
from wallsim.units import Quantity

FixedSeconds = Annotated[Quantity, reader("s", above=0.0, fixed=True)]
FixedKelvin = Annotated[
    Quantity, reader("K", low=0.0, below=50.0, fixed=True, difference=True)
]
Count = Annotated[int, Field(ge=1, le=60)]


def _stretch(value: Any) -> tuple[Quantity, Quantity]:
    at = reader("m", low=0.0, fixed=True).func
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError('must be a pair; write all like [["0 mm", "25 mm"], ["40 mm", "50 mm"]]')
    low, high = at(value[0]), at(value[1])
    if not low.value < high.value:
        raise ValueError("ends before it starts; write the lower position first")
    return low, high


Stretch = Annotated[tuple[Quantity, Quantity], PlainValidator(_stretch)]


class ThermocoupleKeys(Table):
    """A thermocouple that is to be placed."""

    lag: Seconds = key("time constant", "0.1 s +- 50 %")
    lead_loss: Annotated[Quantity, reader("dimensionless", low=0.0, below=1.0)] = key(
        "share of the wall's rise that the reading misses", "2 % +- 1.5 %"
    )
    position: Annotated[Quantity, reader("m", low=0.0, fixed=True)] = key(
        "standard deviation of where it ends up", "0 mm"
    )
    noise: FixedKelvin = key("standard deviation of a sample, in K", "0.4 K")
    wander: FixedKelvin = key("of the slow part of the noise, in K", "0.4 K")
    memory: FixedSeconds = key("time over which the slow part is forgotten", "0.4 s")
    rate: Annotated[Quantity, reader("Hz", low=0.2, high=1e5, fixed=True)] = key(
        "samples a second", "50 Hz"
    )


class PlanKeys(Table):
    """What is wanted of the campaign."""

    want: Annotated[list[Word], Field(min_length=1)] = key(
        "the first decides where thermocouples go", example='want = ["R of D5"]'
    )
    thermocouples: Count = key("how many are planned, those welded on already counted", 6)
    most: Count = key("largest number to look at", 12)
    spacing: FixedLength = key("between candidate stations", "10 mm")
    apart: FixedLength = key("least distance of two stations", "20 mm")
    keep_out: list[Stretch] = key("stretches without thermocouples: [from, to]", [])
    pairs: Annotated[int, Field(ge=0, le=5)] = key("stations that carry two thermocouples", 0)
    wells: list[FixedLength] = key("depths of wells that may be drilled besides", [])
    most_wells: Annotated[int, Field(ge=0, le=100)] | None = key(
        "how many wells at most, those welded on counted; pairs are then on the surface", None,
        "most_wells = 1"
    )
    before: FixedSeconds = key("record before ignition", "5 s")
    goal: Word | None = key(
        "half of the wanted 95 % interval of the first want", None, 'goal = "15 %"'
    )


class PlannedRunKeys(Table):
    """A firing that is planned."""

    name: Word = key("of the firing", example='name = "bare"')
    blend: Word = key("a [blend.NAME]", example='blend = "neat"')
    burn: Annotated[Quantity, reader("s", above=0.0, high=600.0, fixed=True)] = key(
        "from ignition to shutdown", example='burn = "10 s"'
    )
    pressure: Annotated[Quantity, reader("Pa", above=1.1e5, fixed=True)] = key(
        "absolute, at the tap", example='pressure = "3.7 bar"'
    )
    cool_down: FixedSeconds = key("record after shutdown", "20 s")
    repeats: Count = key("how often it is fired", 1)


class PlacementKeys(Table):
    """A plan."""

    title: str = key("of the campaign", "")
    tube: TubeKeys = key("table", example="[tube] with material, bore, wall, length")
    sensor: list[SensorKeys] = key("thermocouples welded on already", [])
    thermocouple: ThermocoupleKeys = key("table", {})
    pressure: PressureKeys | None = key("table, as in the case file", None)
    blend: Annotated[dict[str, BlendKeys], Field(min_length=1)] = key(
        "one table a blend", example="[blend.neat] with gas_temperature"
    )
    run: Annotated[list[PlannedRunKeys], Field(min_length=1)] = key(
        "one table a kind of firing", example="[[run]] with name, blend, burn and pressure"
    )
    fit: FitKeys = key("table", {})
    plan: PlanKeys = key("table", example='[plan] with want = ["R of D5"]')


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """A kind of firing: what it burns, how long, at what pressure and how often (SI)."""

    name: str
    blend: str
    burn: float
    pressure: float
    cool_down: float
    repeats: int


@dataclass(frozen=True, slots=True)
class Thermocouple:
    """Errors of a thermocouple to be placed; see `ThermocoupleKeys` (SI)."""

    lag: Quantity
    lead_loss: Quantity
    position: float
    noise: float
    wander: float
    memory: float
    rate: float


@dataclass(frozen=True, slots=True)
class Want:
    """What is wanted: a kind, and the blends or the run it is of."""

    kind: Literal["R", "difference", "h", "bore peak", "everything"]
    of: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Plan:
    """A campaign before it is fired.

    Parameters
    ----------
    case : Case
        Tube, blends and fit; its sensors are those welded on already, its runs none.
    wants : tuple of Want
        The first decides.
    thermocouples, most, pairs : int
    spacing, apart, before : float
        [m], [m], [s].
    keep_out : tuple of (float, float)
        [m].
    wells : tuple of float
        Depths besides the surface [m].
    most_wells : int or None
        None for as many as there are thermocouples.
    goal : float or None
        Half width of the 95 % interval wanted: a share, or in the unit of the first want.
    """

    case: Case
    thermocouple: Thermocouple
    runs: tuple[PlannedRun, ...]
    wants: tuple[Want, ...]
    thermocouples: int
    most: int
    pairs: int
    spacing: float
    apart: float
    before: float
    keep_out: tuple[tuple[float, float], ...]
    wells: tuple[float, ...]
    most_wells: int | None
    goal: float | None


def load_plan(path: Path | str) -> Plan:
    """Return the plan at ``path``.

    Raises
    ------
    CaseError
        With every fault of the file, ``file:line: key: what is wrong (got X); what to do``.
    """
    source = Source.of(Path(path), PLAN)
    keys, faults, stood_in = read_keys(source, PlacementKeys)
    as_case = CaseKeys.model_construct(
        title=keys.title, tube=keys.tube, sensor=keys.sensor, blend=keys.blend, fit=keys.fit,
        pressure=keys.pressure or PressureKeys(channel="none"), run=[],
        log=LogKeys(),
    )
    solids, of_materials = solids_of(as_case, source)
    wants, goal, own = _wanted(keys, source)
    faults += sound([*faults_between(as_case, source), *of_materials, *own,
                     *_run_faults(keys, source), *_room_faults(keys, source, stood_in)], stood_in)
    if faults:
        raise CaseError([fault.text for fault in sorted(faults, key=lambda fault: fault.line)])
    return _plan(keys, case_of(as_case, source, solids), wants, goal)


def _plan(keys: PlacementKeys, case: Case, wants: tuple[Want, ...], goal: float | None) -> Plan:
    t, p = keys.thermocouple, keys.plan
    return Plan(
        replace(case, title=keys.title or case.title),
        Thermocouple(t.lag, t.lead_loss, t.position.value, t.noise.value, t.wander.value,
                     t.memory.value, t.rate.value),
        tuple(PlannedRun(r.name, r.blend, r.burn.value, r.pressure.value, r.cool_down.value,
                         r.repeats) for r in keys.run),
        wants, p.thermocouples, max(p.most, p.thermocouples), p.pairs, p.spacing.value,
        p.apart.value, p.before.value, tuple((a.value, b.value) for a, b in p.keep_out),
        tuple(w.value for w in p.wells), p.most_wells, goal,
    )


def _run_faults(keys: PlacementKeys, source: Source) -> list[Fault]:
    faults, seen = [], set()
    for i, run in enumerate(keys.run):
        if run.blend not in keys.blend and NAMELESS not in keys.blend:
            known = advice(run.blend, keys.blend, "known")
            faults.append(source.fault(("run", i, "blend"), "no such blend", run.blend, known))
        if run.name in seen:
            hint = "give each kind its own name; repeats says how often it is fired"
            faults.append(source.fault(("run", i, "name"), "two runs of this name", run.name, hint))
        seen.add(run.name)
    if keys.plan.thermocouples < len(keys.sensor):
        wrong = f"fewer than the {len(keys.sensor)} welded on already"
        faults.append(source.fault(("plan", "thermocouples"), wrong, keys.plan.thermocouples,
                                   "count those too"))
    if "most" in keys.plan.model_fields_set and keys.plan.most < keys.plan.thermocouples:
        wrong = f"fewer than the {keys.plan.thermocouples} planned in plan.thermocouples"
        faults.append(source.fault(("plan", "most"), wrong, keys.plan.most,
                                   "write as many or more, or leave it out"))
    if keys.plan.most_wells is not None and not keys.plan.wells:
        faults.append(source.fault(("plan", "most_wells"), "no depth of a well is stated",
                                   keys.plan.most_wells, 'write wells = ["3 mm"] too'))
    for i, well in enumerate(keys.plan.wells):
        if well.value >= keys.tube.wall.value:
            faults.append(source.fault(("plan", "wells", i), "deeper than the wall", well.text,
                                       "write the depth below the outer surface"))
    return faults


def _room_faults(keys: PlacementKeys, source: Source, stood_in: set[KeyPath]) -> list[Fault]:
    """Return that fewer thermocouples fit than are planned, if all that decides it is known."""
    p, length, welded = keys.plan, keys.tube.length, [s.z.value for s in keys.sensor]
    if ("plan", "pairs") in stood_in or not all(
            map(is_known, (length, p.spacing, p.apart, *(s.z for s in keys.sensor)))):
        return []
    z = places(length.value, p.spacing.value, [(a.value, b.value) for a, b in p.keep_out])
    if not z.size:
        return [source.fault(("plan", "keep_out"), "leaves no place for a thermocouple", None,
                             "shorten the stretches or make plan.spacing smaller")]
    stations = len(packed(z[beside(z, welded, p.apart.value)], p.apart.value))
    fit = most(stations, len(welded), p.pairs)
    if p.thermocouples <= fit:
        return []
    which = "" if "thermocouples" in p.model_fields_set else ", the default,"
    wrong = (f"no room for so many{which} at stations {1e3 * p.apart.value:.3g} mm or more apart: "
             f"{stations} fit{'s' * (stations == 1)}"
             + f" beside the {len(welded)} welded on" * bool(welded)
             + f", {fit} in all" + " with plan.pairs" * bool(p.pairs))
    return [source.fault(("plan", "thermocouples"), wrong, p.thermocouples,
                         "plan fewer, or make plan.apart or plan.keep_out smaller")]


_HOW = 'write "R of BLEND", "R of BLEND - R of BLEND", "h", "bore peak of RUN" or "everything"'


def _wanted(
    keys: PlacementKeys, source: Source
) -> tuple[tuple[Want, ...], float | None, list[Fault]]:
    wants: list[Want] = []
    faults: list[Fault] = []
    fired = {run.blend for run in keys.run}
    dosed = [n for n, b in keys.blend.items() if n in fired and b.deposit is not None
             and b.deposit.growth != "none"]
    for i, text in enumerate(keys.plan.want):
        place, want = ("plan", "want", i), want_of(text)
        if want is None:
            faults.append(source.fault(place, "not understood", text, _HOW))
            continue
        known = [run.name for run in keys.run] if want.kind == "bore peak" else dosed
        what = "planned run" if want.kind == "bore peak" else "planned blend with a deposit"
        for name in want.of:
            if name not in known and fired <= set(keys.blend) and NAMELESS not in known:
                todo = advice(name, known, "known")
                faults.append(source.fault(place, f"no {what} {name}", text, todo))
        wants.append(want)
    goal = None
    first = want_of(keys.plan.want[0])
    if keys.plan.goal is not None and first is not None:
        try:
            goal = _goal(keys.plan.goal, first)
        except ValueError as error:
            wrong, _, hint = str(error).partition("; ")
            faults.append(source.fault(("plan", "goal"), wrong, keys.plan.goal, hint))
    return tuple(wants), goal, faults


def _goal(text: str, want: Want) -> float:
    """Return a goal as a share, or in the unit of what is wanted first.

    Raises
    ------
    ValueError
        With what is wrong, and what to write.
    """
    unit, written = {"difference": ("m^2*K/W", "2e-5 m^2*K/W"), "bore peak": ("K", "10 K")}.get(
        want.kind, ("dimensionless", "15 %"))
    below = 1.0 if unit == "dimensionless" else None
    read = reader(unit, above=0.0, below=below, fixed=True, difference=unit == "K")
    try:
        return float(read.func(text).value)
    except ValueError as error:
        wrong = str(error).partition("; ")[0]
        raise ValueError(f'{wrong}; of "{want.text}" write it like "{written}"') from error


def want_of(text: str) -> Want | None:
    """Return what a text asks for, None if it is not understood."""
    text = text.strip()
    if text in ("h", "everything"):
        return Want("h" if text == "h" else "everything", (), text)
    if found := re.fullmatch(r"bore peak of (\S.*)", text):
        return Want("bore peak", (found[1],), text)
    if found := re.fullmatch(r"R of (\S.*?) - R of (\S.*)", text):
        return Want("difference", (found[1], found[2]), text)
    if found := re.fullmatch(r"R of (\S.*)", text):
        return Want("R", (found[1],), text)
    return None
