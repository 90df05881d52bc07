"""From a case file to a `Case`: keys checked one by one and against each other, then in SI.

Every fault of a file is reported at once, in the order of its lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from wallsim.case.checks import faults_between, source_blend
from wallsim.case.model import (
    Blend,
    Case,
    Deposit,
    End,
    Exclusion,
    FitOptions,
    LogFormat,
    Outside,
    Pressure,
    Run,
    Sensor,
    Shed,
    Tube,
)
from wallsim.case.resolved import ONE, SLIGHT, resolved
from wallsim.case.schema import RETAINED, BlendKeys, CaseKeys, EndKeys, RunKeys
from wallsim.case.stand_ins import read_keys, sound
from wallsim.case.windows import window
from wallsim.errors import CaseError
from wallsim.file_kinds import CASE
from wallsim.materials import load_solid
from wallsim.materials.solid import Solid
from wallsim.source import Fault, Source
from wallsim.toml_lines import KeyPath
from wallsim.units import Quantity, parse

BUILT_IN_REGION = "wall"


def load_case(path: Path | str) -> Case:
    """Return the case file at ``path``.

    Raises
    ------
    CaseError
        With every fault of the file, ``file:line: key: what is wrong (got X); what to do``.
    """
    path = Path(path)
    source = Source.of(path, CASE)
    keys, faults, stood_in = read_keys(source, CaseKeys)
    solids, of_materials = solids_of(keys, source)
    faults += sound([*faults_between(keys, source), *of_materials], stood_in)
    if faults:
        raise CaseError([fault.text for fault in sorted(faults, key=lambda fault: fault.line)])
    return case_of(keys, source, solids)


def named_case(
    named: str, source: Source, faults: Sequence[Fault], stood_in: set[KeyPath]
) -> Case:
    """Return the case that the key ``case`` of another file names: a file, or the folder it is in.

    Parameters
    ----------
    named : str
        Relative to that file.
    source : Source
        That file.
    faults : sequence of Fault
        What is wrong with its keys; told together with what is wrong with the case.
    stood_in : set of KeyPath
        Keys of it that could not be read.

    Raises
    ------
    CaseError
        If there is no such case, or it has faults.
    """
    texts = [fault.text for fault in faults]
    if ("case",) in stood_in:
        raise CaseError(texts)
    place = source.path.parent / named
    if not place.exists():
        absent = source.fault(("case",), "no such case file", named,
                              f"looked for {place}; check the path")
        raise CaseError([absent.text, *texts])
    try:
        return load_case(place / "case.toml" if place.is_dir() else place)
    except CaseError as error:
        raise CaseError([*texts, *error.faults]) from error


def solids_of(keys: CaseKeys, source: Source) -> tuple[dict[str, Solid], list[Fault]]:
    """Return the metal of each region, and what is wrong with any."""
    wanted: dict[tuple[str | int, ...], tuple[str, str]] = {}
    if keys.tube.material is not None:
        wanted["tube", "material"] = (BUILT_IN_REGION, keys.tube.material)
    for region, name in keys.tube.regions.items():
        wanted["tube", "regions", region] = (region, name)
    solids: dict[str, Solid] = {}
    faults: list[Fault] = []
    for place, (region, name) in wanted.items():
        file = source.path.parent / name
        if name.strip().lower().endswith(".toml") and not file.is_file():
            wrong = "no such material file"
            faults.append(source.fault(place, wrong, name, f"looked for {file}; check the path"))
            continue
        try:
            solids[region] = load_solid(name, source.path.parent)
        except CaseError as error:
            faults.extend(
                Fault(place, source.line(place), line)
                if line.startswith(f"{file}:")
                else source.fault(place, line)
                for line in error.faults
            )
    return solids, faults


def case_of(keys: CaseKeys, source: Source, solids: dict[str, Solid]) -> Case:
    """Return the case that sound keys describe, in SI."""
    folder = source.path.absolute().parent
    fit = keys.fit
    length = keys.tube.length.value
    correlation = fit.correlation_length.value if fit.correlation_length else 0.25 * length
    limit = fit.limit_temperature
    return Case(
        path=source.path,
        title=keys.title or folder.name,
        tube=_tube(keys, solids, source.path.parent),
        sensors=tuple(
            Sensor(s.name, s.channel or s.name, s.z, s.depth.value, s.lag, s.lead_loss)
            for s in keys.sensor
        ),
        pressure=_pressure(keys),
        log_format=LogFormat(
            keys.log.time,
            keys.log.delimiter,
            keys.log.decimal,
            keys.log.encoding,
            dict(keys.log.units),
        ),
        blends={name: _blend(keys, name) for name in keys.blend},
        runs=tuple(_run(run, source.path.parent) for run in keys.run),
        fit=FitOptions(
            heating_scatter=fit.heating_scatter,
            gas_temperature_scatter=fit.gas_temperature_scatter,
            azimuthal_scatter=fit.azimuthal_scatter.value,
            ignition_offset=fit.ignition_offset,
            ramp=fit.ramp,
            pressure_exponent=fit.pressure_exponent,
            purge=fit.purge,
            coefficient=fit.coefficient,
            coefficient_variation=fit.coefficient_variation.value,
            correlation_length=correlation,
            tolerance=fit.tolerance.value,
            drift=fit.drift.value,
            limit_temperature=None if limit is None else limit.value,
        ),
        resolved=resolved(keys, folder.name),
        source=source,
    )


def _tube(keys: CaseKeys, solids: dict[str, Solid], folder: Path) -> Tube:
    t = keys.tube
    ambient = t.outside.ambient.value
    bore, fixed = t.bore, "bore"
    if bore is None:
        assert t.outside_diameter is not None
        fixed = "outside"
        bore = Quantity(t.outside_diameter.value - 2.0 * t.wall.value)
    return Tube(
        solids=solids,
        bore=bore,
        wall=t.wall,
        fixed_diameter="outside" if fixed == "outside" else "bore",
        length=t.length.value,
        head=_end(t.head, ambient),
        exit=_end(t.exit, ambient),
        outside=Outside(
            t.outside.emissivity, t.outside.convection, t.outside.convection_scale, ambient
        ),
        conductivity_scale=t.conductivity_scale,
        heat_capacity_scale=t.heat_capacity_scale,
        conductivity_tilt=t.conductivity_tilt,
        heat_capacity_tilt=t.heat_capacity_tilt,
        mesh=None if t.mesh is None else folder / t.mesh,
    )


def _end(keys: EndKeys, ambient: float) -> End:
    coefficient = keys.contact if keys.contact is not None else keys.convection
    assert coefficient is not None
    return End(coefficient, ambient if keys.temperature is None else keys.temperature.value)


def _pressure(keys: CaseKeys) -> Pressure:
    p = keys.pressure
    first = p.along[0][1].value if p.along else 1.0
    return Pressure(
        p.channel,
        p.reads != "absolute",
        p.reads is not None,
        p.barometer.value,
        tuple((z.value, level.value / first) for z, level in p.along),
        tuple((tap.channel, tap.z.value) for tap in p.taps),
    )


def _blend(keys: CaseKeys, name: str) -> Blend:
    own: BlendKeys = keys.blend[name]
    temperature, where = source_blend(keys, name, lambda b: b.gas_temperature)
    assert temperature is not None
    kind, whose = source_blend(keys, name, lambda b: b.gas_temperature_error)
    factor = own.own_error or (ONE if own.like else SLIGHT)
    if kind == "own":
        if name in (where, whose):
            sd = temperature.sd / temperature.value
            factor = Quantity(factor.value, (factor.sd**2 + sd**2) ** 0.5, temperature.text)
        temperature = Quantity(temperature.value, 0.0, temperature.text)
    along, _ = source_blend(keys, name, lambda b: b.gas_temperature_along)
    coefficient, _ = source_blend(keys, name, lambda b: b.coefficient)
    d = own.deposit
    deposit = None
    if d is not None and d.growth != "none":
        softening = None if d.softening is None else d.softening.value
        deposit = Deposit(d.growth, d.conductivity, d.resistance, softening)
    return Blend(
        name,
        own.like,
        temperature,
        factor,
        tuple((z.value, share.value) for z, share in along or ()),
        coefficient or ONE,
        own.silicon.value,
        own.water.value,
        deposit,
    )


def _run(keys: RunKeys, folder: Path) -> Run:
    start = None if keys.start == "clean bore" else keys.start.removeprefix("as left by ").strip()
    shed = keys.shed
    return Run(
        keys.name,
        folder / keys.log,
        keys.blend,
        start,
        {sensor: Exclusion(*window(text), text) for sensor, text in keys.exclude.items()},
        tuple(keys.reattached),
        None if keys.ignition is None else keys.ignition.value,
        None if keys.shutdown is None else keys.shutdown.value,
        keys.retained or parse(RETAINED, "dimensionless"),
        None if shed is None else Shed(shed.at, shed.lost, shed.beyond.value),
    )
