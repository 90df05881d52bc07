"""What ties one key of a case file to another; each rule returns located faults."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator
from itertools import pairwise
from typing import TypeVar

from wallsim.case.quantities import is_share
from wallsim.case.schema import BlendKeys, CaseKeys
from wallsim.case.stand_ins import NAMELESS, is_known
from wallsim.case.windows import window
from wallsim.source import Fault, Source, advice
from wallsim.units import Quantity

Value = TypeVar("Value")


def faults_between(keys: CaseKeys, source: Source) -> list[Fault]:
    """Return every fault that shows only when keys are seen together."""
    rules = (_tube, _sensors, _pressure, _blends, _runs, _deposits_of_runs, _fit)
    return [fault for rule in rules for fault in rule(keys, source)]


def source_blend(
    keys: CaseKeys, name: str, of: Callable[[BlendKeys], Value | None]
) -> tuple[Value | None, str]:
    """Return what ``of`` reads from a blend, or from the blend it is like, and from whose."""
    seen: set[str] = set()
    at: str | None = name
    while at is not None and at in keys.blend and at not in seen:
        seen.add(at)
        value = of(keys.blend[at])
        if value is not None:
            return value, at
        at = keys.blend[at].like
    return None, name


def _tube(keys: CaseKeys, source: Source) -> Iterator[Fault]:
    t = keys.tube
    diameters = [d for d in (t.bore, t.outside_diameter) if d is not None]
    if len(diameters) != 1 and all(map(is_known, diameters)):
        got = None if t.bore is None else "both"
        yield source.fault(
            ("tube",),
            "bore or outside_diameter, exactly one of the two",
            got,
            'write bore = "24 mm" or outside_diameter = "40 mm"',
        )
    if t.outside_diameter is not None and 2.0 * t.wall.value >= t.outside_diameter.value:
        yield source.fault(
            ("tube", "wall"),
            "leaves no bore inside the outside diameter",
            t.wall.text,
            "check both",
        )
    for end in ("head", "exit"):
        e = getattr(t, end)
        if (e.contact is None) == (e.convection is None):
            yield source.fault(
                ("tube", end),
                "contact or convection, exactly one of the two",
                None,
                'write { contact = "500 W/m^2/K" }, "open" or "insulated"',
            )
    o = t.outside
    if o.convection is not None and "convection_scale" in o.model_fields_set:
        yield source.fault(
            ("tube", "outside", "convection_scale"),
            "only for natural convection",
            o.convection_scale.text,
            "write the +- beside convection, and remove this",
        )
    if t.mesh is None and t.material is None:
        yield source.fault(
            ("tube", "material"), "missing", None, 'add it, for example material = "carbon steel"'
        )
    if t.mesh is None and t.regions:
        yield source.fault(("tube", "regions"), "needs a mesh", None, "remove it, or name a mesh")
    if t.mesh is not None:
        if not (source.path.parent / t.mesh).is_file():
            looked = f"looked for {source.path.parent / t.mesh}; check the path"
            yield source.fault(("tube", "mesh"), "no such mesh file", t.mesh, looked)
        if (t.material is None) == (not t.regions):
            yield source.fault(
                ("tube",),
                "with mesh, material or regions, exactly one of the two",
                "both" if t.regions else None,
                'write regions = { tube = "stainless 321", flange = "carbon steel" }',
            )


def _sensors(keys: CaseKeys, source: Source) -> Iterator[Fault]:
    length = keys.tube.length
    yield from _repeated([s.name for s in keys.sensor], "name", "sensor", source)
    channels = [s.channel or s.name for s in keys.sensor]
    if len({s.name for s in keys.sensor}) == len(keys.sensor):
        yield from _repeated(channels, "channel", "sensor", source)
    for i, s in enumerate(keys.sensor):
        name = "the sensor" if s.name == NAMELESS else s.name
        if s.z.value > length.value:
            yield source.fault(("sensor", i, "z"), *_outside(name, s.z, keys))
        if s.depth.value >= keys.tube.wall.value:
            yield source.fault(
                ("sensor", i, "depth"),
                f"{name} would be in the bore: the wall is {keys.tube.wall.text}",
                s.depth.text,
                "check depth",
            )


def _repeated(names: list[str], key: str, table: str, source: Source) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for i, name in enumerate(names):
        if name in first and name != NAMELESS:
            line = source.line((table, first[name], key))
            yield source.fault(
                (table, i, key), f"used twice (first at line {line})", name, f"{key}s must differ"
            )
        first.setdefault(name, i)


def _outside(name: str, z: Quantity, keys: CaseKeys) -> tuple[str, str, str]:
    wrong = f"{name} is outside the tube, which is {keys.tube.length.text} long"
    return wrong, z.text, "check z and tube.length"


def _positions(
    points: list[Quantity], place: tuple[str, ...], keys: CaseKeys, source: Source
) -> Iterator[Fault]:
    if not _rising([z.value for z in points]):
        yield source.fault(place, "positions must increase", None, "sort the points by z")
    elif points and points[-1].value > keys.tube.length.value:
        yield source.fault((*place, len(points) - 1), *_outside("the last point", points[-1], keys))


def _rising(points: list[float]) -> bool:
    return not any(a >= b for a, b in pairwise(points))


def _pressure(keys: CaseKeys, source: Source) -> Iterator[Fault]:
    along = keys.pressure.along
    place = ("pressure", "along")
    yield from _positions([z for z, _ in along], place, keys, source)
    for i, tap in enumerate(keys.pressure.taps):
        if tap.z.value > keys.tube.length.value:
            yield source.fault(("pressure", "taps", i, "z"), *_outside(tap.channel, tap.z, keys))
    channels = [(("pressure", "channel"), keys.pressure.channel)] + [
        (("pressure", "taps", i, "channel"), tap.channel)
        for i, tap in enumerate(keys.pressure.taps)
    ]
    taken = {s.channel or s.name: f"sensor {s.name}" for s in keys.sensor if s.name != NAMELESS}
    for channel_place, channel in channels:
        if channel in taken:
            yield source.fault(
                channel_place, f"is the channel of {taken[channel]} too", channel, "check both"
            )
        taken.setdefault(channel, "another tap")
    if len({is_share(level) for _, level in along if is_known(level)}) > 1:
        yield source.fault(place, "mixes shares and pressures", None, "write one kind throughout")
    if along and keys.pressure.taps:
        yield source.fault(place, "given beside taps", None, "keep along or taps, not both")


def _blends(keys: CaseKeys, source: Source) -> Iterator[Fault]:
    for name, blend in keys.blend.items():
        place = ("blend", name)
        if blend.like is not None and not _may_be(blend.like, keys.blend):
            yield source.fault(
                (*place, "like"),
                "no such blend",
                blend.like,
                advice(blend.like, [b for b in keys.blend if b != name], "known"),
            )
            continue
        if _circular(keys, name):
            yield source.fault(
                (*place, "like"),
                "goes round in a circle",
                blend.like,
                "name a blend that states its own gas temperature",
            )
        elif blend.like is None and blend.gas_temperature is None:
            yield source.fault(
                (*place, "gas_temperature"),
                "missing",
                None,
                'add gas_temperature = "2450 K +- 120 K", or like = "..."',
            )
        along = [z for z, _ in blend.gas_temperature_along or []]
        yield from _positions(along, (*place, "gas_temperature_along"), keys, source)
        ambient, T = keys.tube.outside.ambient, blend.gas_temperature
        if T is not None and T.value <= ambient.value:
            yield source.fault(
                (*place, "gas_temperature"),
                f"not above the ambient, {ambient.text}",
                T.text,
                "check value and unit",
            )


def _circular(keys: CaseKeys, name: str) -> bool:
    seen, at = set(), keys.blend[name].like
    while at is not None and at in keys.blend:
        if at in seen or at == name:
            return True
        seen.add(at)
        at = keys.blend[at].like
    return False


def _may_be(name: str, known: Container[str]) -> bool:
    """Return True if a name is known, or could be one that was not readable."""
    return name in known or NAMELESS in known


def _runs(keys: CaseKeys, source: Source) -> Iterator[Fault]:
    yield from _repeated([r.name for r in keys.run], "name", "run", source)
    sensors = [s.name for s in keys.sensor]
    for i, run in enumerate(keys.run):
        place = ("run", i)
        if not _may_be(run.blend, keys.blend):
            yield source.fault(
                (*place, "blend"),
                "no such blend",
                run.blend,
                advice(run.blend, keys.blend, "known"),
            )
        log = source.path.parent / run.log
        if not log.is_file():
            yield source.fault(
                (*place, "log"), "no such log file", run.log, f"looked for {log}; check the path"
            )
        earlier = [r.name for r in keys.run[:i]]
        if run.start != "clean bore":
            before = run.start.removeprefix("as left by ").strip()
            if not run.start.startswith("as left by ") or not _may_be(before, earlier):
                known = ", ".join(earlier) or "none"
                yield source.fault(
                    (*place, "start"),
                    "neither a clean bore nor an earlier run",
                    run.start,
                    f'write "clean bore" or "as left by RUN"; earlier runs: {known}',
                )
        for key, named in (("exclude", list(run.exclude)), ("reattached", run.reattached)):
            for j, sensor in enumerate(named):
                if not _may_be(sensor, sensors):
                    where = (*place, key, sensor if key == "exclude" else j)
                    yield source.fault(
                        where, "no such sensor", sensor, advice(sensor, sensors, "known")
                    )
        for sensor, reason in run.exclude.items():
            try:
                window(reason)
            except ValueError as error:
                wrong, _, hint = str(error).partition("; ")
                yield source.fault((*place, "exclude", sensor), wrong, reason, hint)
        if run.ignition and run.shutdown and run.shutdown.value <= run.ignition.value:
            yield source.fault(
                (*place, "shutdown"),
                "is not after ignition",
                run.shutdown.text,
                "both are on the log's clock",
            )


def _deposits_of_runs(keys: CaseKeys, source: Source) -> Iterator[Fault]:
    for i, run in enumerate(keys.run):
        place = ("run", i)
        clean = run.start == "clean bore"
        if run.retained is not None and clean:
            yield source.fault(
                (*place, "retained"),
                "nothing is left on a clean bore",
                run.retained.text,
                'add start = "as left by RUN", or remove it',
            )
        if run.shed is None:
            continue
        blend = keys.blend.get(run.blend)
        if clean and blend is not None and (
            blend.deposit is None or blend.deposit.growth == "none"
        ):
            yield source.fault(
                (*place, "shed"),
                f"{run.blend} leaves no deposit that could come off a clean bore",
                run.shed.at.text,
                "check blend and start",
            )
        if run.shed.beyond.value >= keys.tube.length.value:
            beyond = run.shed.beyond
            wrong, got, _ = _outside("the station", beyond, keys)
            yield source.fault((*place, "shed", "beyond"), wrong, got, "check it and tube.length")


def _fit(keys: CaseKeys, source: Source) -> Iterator[Fault]:
    limit, ambient = keys.fit.limit_temperature, keys.tube.outside.ambient
    if limit is not None and limit.value <= ambient.value:
        yield source.fault(
            ("fit", "limit_temperature"),
            f"not above the ambient, {ambient.text}",
            limit.text,
            "check value and unit",
        )
