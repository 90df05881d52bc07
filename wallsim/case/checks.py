"""What ties one key of a case file to another; each rule returns located faults."""

from __future__ import annotations

import re
from collections.abc import Iterator

from wallsim.case.schema import CaseKeys, is_share
from wallsim.source import Source, advice

_MOMENT = r"(-?\d+(?:[.,]\d+)?)\s*s\b"


def faults_between(keys: CaseKeys, source: Source) -> list[str]:
    """Return every fault that shows only when keys are seen together."""
    rules = (_tube, _sensors, _pressure, _blends, _runs)
    return [fault for rule in rules for fault in rule(keys, source)]


def window(text: str) -> tuple[float, float]:
    """Return from when until when [s, log clock] a reason takes a channel out.

    ``from 7 s`` and ``until 9 s`` anywhere in the text bound it; without them it is the whole run.
    """
    found = [re.search(rf"\b{word}\s+{_MOMENT}", text) for word in ("from", "until")]
    start, end = (float(m[1].replace(",", ".")) if m else None for m in found)
    return (float("-inf") if start is None else start, float("inf") if end is None else end)


def source_blend(keys: CaseKeys, name: str, field: str) -> tuple[object, str]:
    """Return a blend's value of ``field``, its own or that of the blend it is like, and whose."""
    seen: set[str] = set()
    at: str | None = name
    while at is not None and at in keys.blend and at not in seen:
        seen.add(at)
        value = getattr(keys.blend[at], field)
        if value is not None:
            return value, at
        at = keys.blend[at].like
    return None, name


def _tube(keys: CaseKeys, source: Source) -> Iterator[str]:
    t = keys.tube
    if (t.bore is None) == (t.outside_diameter is None):
        got = None if t.bore is None else "both"
        yield source.fault(("tube",), "bore or outside_diameter, exactly one of the two", got,
                           'write bore = "24 mm" or outside_diameter = "40 mm"')
    if t.outside_diameter is not None and 2.0 * t.wall.value >= t.outside_diameter.value:
        yield source.fault(("tube", "wall"), "leaves no bore inside the outside diameter",
                           t.wall.text, "check both")
    for end in ("head", "exit"):
        e = getattr(t, end)
        if (e.contact is None) == (e.convection is None):
            yield source.fault(("tube", end), "contact or convection, exactly one of the two", None,
                               'write { contact = "500 W/m^2/K" }, "open" or "insulated"')
    if t.mesh is None and t.material is None:
        yield source.fault(("tube", "material"), "missing", None,
                           'add it, for example material = "carbon steel"')
    if t.mesh is None and t.regions:
        yield source.fault(("tube", "regions"), "needs a mesh", None, "remove it, or name a mesh")
    if t.mesh is not None:
        yield source.fault(("tube", "mesh"), "mesh files are not supported yet", t.mesh,
                           "remove it to use the built-in mesh of a straight tube")


def _sensors(keys: CaseKeys, source: Source) -> Iterator[str]:
    length = keys.tube.length
    yield from _repeated([s.name for s in keys.sensor], "sensor", source)
    for i, s in enumerate(keys.sensor):
        if s.z.value > length.value:
            yield source.fault(("sensor", i, "z"), f"{s.name} is outside the tube, which is "
                               f"{length.text} long", s.z.text, "check z and tube.length")
        if s.depth.value >= keys.tube.wall.value:
            yield source.fault(("sensor", i, "depth"), f"{s.name} would be in the bore: the wall "
                               f"is {keys.tube.wall.text}", s.depth.text, "check depth")


def _repeated(names: list[str], table: str, source: Source) -> Iterator[str]:
    first: dict[str, int] = {}
    for i, name in enumerate(names):
        if name in first:
            line = source.line((table, first[name], "name"))
            yield source.fault((table, i, "name"), f"used twice (first at line {line})", name,
                               "names must differ")
        first.setdefault(name, i)


def _rising(points: list[float]) -> bool:
    return all(a < b for a, b in zip(points, points[1:], strict=False))


def _pressure(keys: CaseKeys, source: Source) -> Iterator[str]:
    along = keys.pressure.along
    place = ("pressure", "along")
    if not _rising([z.value for z, _ in along]):
        yield source.fault(place, "positions must increase", None, "sort the points by z")
    if len({is_share(level) for _, level in along}) > 1:
        yield source.fault(place, "mixes shares and pressures", None, "write one kind throughout")
    if along and keys.pressure.taps:
        yield source.fault(place, "given beside taps", None, "keep along or taps, not both")


def _blends(keys: CaseKeys, source: Source) -> Iterator[str]:
    for name, blend in keys.blend.items():
        place = ("blend", name)
        if blend.like is not None and blend.like not in keys.blend:
            yield source.fault((*place, "like"), "no such blend", blend.like,
                               advice(blend.like, [b for b in keys.blend if b != name], "known"))
            continue
        if source_blend(keys, name, "gas_temperature")[0] is None:
            why = "goes round in a circle" if _circular(keys, name) else "missing"
            key = "like" if why != "missing" else "gas_temperature"
            yield source.fault((*place, key), why, None,
                               'add gas_temperature = "2450 K +- 120 K", or like = "..."')
        points = [z.value for z, _ in blend.gas_temperature_along or []]
        if not _rising(points):
            yield source.fault((*place, "gas_temperature_along"), "positions must increase", None,
                               "sort the points by z")


def _circular(keys: CaseKeys, name: str) -> bool:
    seen, at = set(), keys.blend[name].like
    while at is not None and at in keys.blend:
        if at in seen or at == name:
            return True
        seen.add(at)
        at = keys.blend[at].like
    return False


def _runs(keys: CaseKeys, source: Source) -> Iterator[str]:
    yield from _repeated([r.name for r in keys.run], "run", source)
    sensors = [s.name for s in keys.sensor]
    for i, run in enumerate(keys.run):
        place = ("run", i)
        if run.blend not in keys.blend:
            yield source.fault((*place, "blend"), "no such blend", run.blend,
                               advice(run.blend, keys.blend, "known"))
        log = source.path.parent / run.log
        if not log.is_file():
            yield source.fault((*place, "log"), "no such log file", run.log,
                               f"looked for {log}; check the path")
        earlier = [r.name for r in keys.run[:i]]
        if run.start != "clean bore":
            before = run.start.removeprefix("as left by ").strip()
            if not run.start.startswith("as left by ") or before not in earlier:
                known = ", ".join(earlier) or "none"
                yield source.fault((*place, "start"), "neither a clean bore nor an earlier run",
                                   run.start, 'write "clean bore" or "as left by RUN"; earlier '
                                   f"runs: {known}")
        for sensor in [*run.exclude, *run.reattached]:
            if sensor not in sensors:
                key = "exclude" if sensor in run.exclude else "reattached"
                yield source.fault((*place, key), "no such sensor", sensor,
                                   advice(sensor, sensors, "known"))
        if run.ignition and run.shutdown and run.shutdown.value <= run.ignition.value:
            yield source.fault((*place, "shutdown"), "is not after ignition", run.shutdown.text,
                               "both are on the log's clock")
