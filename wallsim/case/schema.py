"""Keys of a case file: what each means, its unit, its default.

Field by field only; what ties one key to another is in `wallsim.case.checks`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, JsonValue, PlainValidator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from wallsim.case.quantities import (
    Coefficient,
    Factor,
    FixedFactor,
    FixedLength,
    FixedShare,
    FixedTemperature,
    Fraction,
    Moment,
    Position,
    PressurePair,
    Scale,
    Seconds,
    Share,
    SharePair,
    Size,
    Temperature,
    Tilt,
    Word,
    reader,
)
from wallsim.source import advice
from wallsim.units import Quantity


def key(meaning: str, default: Any = PydanticUndefined, example: str = "", like: str = "") -> Any:
    """Return a field; ``like`` says in words what a default of None stands for."""
    extra: dict[str, JsonValue] | None = {"like": like} if like else None
    examples = [example] if example else []
    return Field(default, description=meaning, examples=examples, json_schema_extra=extra)


def stand_in(field: FieldInfo) -> str | None:
    """Return in words what a default of None stands for."""
    extra = field.json_schema_extra
    like = extra.get("like") if isinstance(extra, dict) else None
    return None if like is None else str(like)


class Table(BaseModel):
    """A table of the case file; unknown keys are faults, defaults are read like the user's text."""

    model_config = ConfigDict(strict=True, extra="forbid", validate_default=True)


RETAINED = "0.9 +- 0.2"
OPEN_END = "15 W/m^2/K +- 50 %"


def _end_words(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    words = {"insulated": {"contact": "0 W/m^2/K"}, "open": {"convection": OPEN_END}}
    if value not in words:
        hint = advice(value, words, "known")
        raise ValueError(f'neither a known word nor a table; {hint}, {{ contact = "500 W/m^2/K" }}')
    return words[value]


class EndKeys(Table):
    """One end of the tube."""

    contact: Coefficient | None = key(
        "contact conductance to a body", None, 'contact = "500 W/m^2/K +- 40 %"'
    )
    convection: Coefficient | None = key(
        "convection coefficient to gas", None, 'convection = "15 W/m^2/K +- 50 %"'
    )
    temperature: FixedTemperature | None = key(
        "of that body or gas", None, 'temperature = "25 degC"', like="ambient"
    )


def _convection(value: Any) -> Any:
    if value == "natural":
        return None
    if isinstance(value, str) and not any(c.isdigit() for c in value):
        raise ValueError('neither "natural" nor a coefficient; write "natural" or "20 W/m^2/K"')
    return reader("W/m^2/K", low=0.0, widest_share=1.0).func(value)


class OutsideKeys(Table):
    """The outer wall."""

    emissivity: Share = key("total emissivity", "0.8 +- 0.1")
    convection: Annotated[Quantity | None, PlainValidator(_convection)] = key(
        '"natural" (horizontal cylinder in air) or a coefficient',
        "natural",
        'convection = "20 W/m^2/K"',
    )
    convection_scale: Annotated[
        Quantity, reader("dimensionless", above=0.0, widest_share=1.0)
    ] = key("factor on natural convection", "1 +- 25 %")
    ambient: Annotated[Quantity, reader("K", low=200.0, high=400.0, fixed=True)] = key(
        "air and surroundings; the wall starts there", "20 degC"
    )


End = Annotated[EndKeys, BeforeValidator(_end_words)]


class TubeKeys(Table):
    """The wall."""

    material: Word | None = key(
        "shipped solid, or a .toml file beside the case", None, like="required, or regions"
    )
    bore: FixedLength | None = key(
        "bore diameter; stays where it is when the wall is a parameter",
        None,
        'bore = "24 mm"',
        like="this or outside_diameter",
    )
    outside_diameter: FixedLength | None = key(
        "instead of bore; stays where it is likewise",
        None,
        'outside_diameter = "40 mm"',
        like="this or bore",
    )
    wall: Size = key("wall thickness", example='wall = "5.08 mm +- 0.1 mm"')
    length: Annotated[Quantity, reader("m", above=0.0, high=20.0, fixed=True)] = key(
        "head end to exit", example='length = "450 mm"'
    )
    head: End = key('"insulated", "open" (convection ' + OPEN_END + "), or a table", "insulated")
    exit: End = key("likewise", "insulated")
    outside: OutsideKeys = key("table, see below", {})
    conductivity_scale: Scale = key("factor on the k(T) of the metal", "1 +- 3 %")
    heat_capacity_scale: Scale = key("factor on its c(T)", "1 +- 2 %")
    conductivity_tilt: Tilt = key(
        "relative change of k(T) per 300 K against its table, none at 600 K", "0 % +- 4 %"
    )
    heat_capacity_tilt: Tilt = key(
        "likewise of c(T)", "0 % +- 1.5 %"
    )
    mesh: Word | None = key("mesh file", None, like="built-in mesh")
    regions: dict[str, Word] = key("metal of each mesh region (only with mesh)", {})


class SensorKeys(Table):
    """A thermocouple on the outer wall."""

    name: Word = key("used everywhere", example='name = "TC1"')
    channel: Word | None = key("column of the logs", None, like="the name")
    z: Position = key("from the head end", example='z = "40 mm"')
    depth: Annotated[Quantity, reader("m", low=0.0, fixed=True)] = key(
        "of a well below the surface", "0 mm"
    )
    kind: str = key("thermocouple type, for the record", "")
    lag: Seconds = key("time constant", "0.1 s +- 50 %")
    lead_loss: Annotated[
        Quantity, reader("dimensionless", low=0.0, below=1.0, widest=0.3)
    ] = key(
        "share of the wall's rise that the reading misses", "2 % +- 1.5 %"
    )


class TapKeys(Table):
    """A further pressure tap."""

    channel: Word = key("column of the logs", example='channel = "P2"')
    z: Annotated[Quantity, reader("m", low=0.0, fixed=True)] = key(
        "from the head end", example='z = "300 mm"'
    )


class PressureKeys(Table):
    """The pressure tap that tells ignition, shutdown and mass flux."""

    channel: Word = key("column of the logs", example='channel = "PC"')
    reads: Literal["gauge", "absolute"] | None = key(
        "gauge or absolute", None, like="as the logs' headings say, else gauge"
    )
    barometer: Annotated[Quantity, reader("Pa", low=3e4, high=1.2e5, fixed=True)] = key(
        "air pressure", "1013.25 mbar"
    )
    along: list[PressurePair] = key(
        "static pressure along the tube: pairs [z, absolute pressure], or [z, share of the "
        "first point], the first at the tap",
        [],
    )
    taps: list[TapKeys] = key("further taps: { channel, z }", [])


class LogKeys(Table):
    """How to read the logs."""

    time: Word | None = key("time column", None, like="found out")
    delimiter: Literal[",", ";", "\t", " ", "|"] | None = key(
        "between columns", None, like="found out"
    )
    decimal: Literal[".", ","] | None = key("decimal sign", None, like="found out")
    encoding: Word | None = key("of the text", None, like="found out")
    units: dict[str, Word] = key(
        'unit of a column whose header lacks it; "*" for all thermocouples', {}
    )


def _deposit_words(value: Any) -> Any:
    return {"growth": value} if isinstance(value, str) else value


class DepositKeys(Table):
    """The layer a blend leaves on the bore."""

    growth: Literal["none", "auto", "constant", "linear", "saturating"] = key(
        "shape in time: auto, constant, linear, saturating; none = bare", "auto"
    )
    conductivity: Annotated[Quantity, reader("W/m/K", above=0.0, widest_share=2.0)] = key(
        "of the layer, to turn resistance into thickness", "0.2 W/m/K +- 60 %"
    )
    resistance: Annotated[Quantity, reader("m^2*K/W", above=0.0, widest_share=2.0)] = key(
        "prior at the end of the longest burn", "1e-4 m^2*K/W +- 150 %"
    )
    softening: FixedTemperature | None = key(
        "temperature its gas side cannot exceed", None, 'softening = "1700 K"', like="no bound"
    )


class BlendKeys(Table):
    """A fuel blend."""

    gas_temperature: Temperature | None = key(
        "driving gas temperature; its +- is shared by all blends", None, like="this or like"
    )
    like: Word | None = key(
        "blend to copy gas temperature (with profile and error) and coefficient from", None
    )
    gas_temperature_error: Literal["shared", "own"] | None = key(
        'whose error the +- is: "shared" by all blends or this blend\'s "own"',
        None,
        like="shared, or as in like",
    )
    own_error: Scale | None = key(
        "factor on the gas temperature of this blend alone",
        None,
        'own_error = "1 +- 0.5 %"',
        like="1 +- 0.5 %; with like 1 +- 0 %",
    )
    gas_temperature_along: list[SharePair] | None = key(
        "pairs [z, share of the rise above ambient]", None, like="uniform, or as in like"
    )
    coefficient: Factor | None = key(
        "gas-side coefficient relative to the reference, at equal pressure",
        None,
        'coefficient = "1.1 +- 5 %"',
        like="1, or as in like",
    )
    silicon: FixedShare = key("mass fraction in the fuel", "0 %", 'silicon = "1.14 %"')
    water: FixedShare = key("mass fraction in the fuel", "0 %", 'water = "10 %"')
    deposit: Annotated[DepositKeys | None, BeforeValidator(_deposit_words)] = key(
        "table, see below", None, like="bare bore"
    )


def _shed_words(value: Any) -> Any:
    return {"at": value} if isinstance(value, str) else value


class ShedKeys(Table):
    """Deposit that came off at one moment of a firing."""

    at: Annotated[Quantity, reader("s", widest=5.0)] = key(
        "log clock, during the burn", example='at = "3.2 s +- 0.3 s"'
    )
    lost: Fraction = key("share that came off", "0.5 +- 0.3")
    beyond: Annotated[Quantity, reader("m", low=0.0, fixed=True)] = key(
        "only downstream of this station", "0 mm"
    )


class RunKeys(Table):
    """One firing."""

    name: Word = key("of the firing", example='name = "R01"')
    log: Word = key("log file, relative to the case file", example='log = "logs/R01.csv"')
    blend: Word = key("a [blend.NAME]", example='blend = "neat"')
    start: Word = key('"clean bore" or "as left by RUN" (an earlier run)', "clean bore")
    retained: Fraction | None = key(
        "fraction of that run's deposit still there", None, f'retained = "{RETAINED}"',
        like=f'with "as left by RUN" {RETAINED}',
    )
    shed: Annotated[ShedKeys | None, BeforeValidator(_shed_words)] = key(
        'when deposit came off, "3.2 s +- 0.3 s", or a table, see below', None
    )
    exclude: dict[str, Word] = key(
        'sensor = "reason"; "from 7 s" and "until 9 s" in it (log clock) bound the time left out',
        {},
        'exclude = { S3 = "loose from 7 s" }',
    )
    reattached: list[Word] = key(
        "sensors welded on anew before this firing", [], 'reattached = ["S3"]'
    )
    ignition: Moment | None = key("log clock", None, like="from the pressure")
    shutdown: Moment | None = key("log clock", None, like="from the pressure")


class FitKeys(Table):
    """Priors and settings of the estimate."""

    heating_scatter: Annotated[
        Quantity, reader("dimensionless", low=0.0, below=1.0, widest_share=1.0)
    ] = key(
        "standard deviation of the heating between firings; learnt from them within its +-",
        "2.5 % +- 1 %",
    )
    gas_temperature_scatter: Annotated[
        Quantity, reader("dimensionless", low=0.0, below=0.5, widest_share=1.0)
    ] = key("standard deviation of the gas temperature between firings, likewise", "0.5 %")
    azimuthal_scatter: Annotated[
        Quantity, reader("dimensionless", low=0.0, below=0.5, fixed=True)
    ] = key(
        "standard deviation round the tube of the wall's rise, as a share of its mean", "2 %"
    )
    ignition_offset: Annotated[Quantity, reader("s", widest=1.0)] = key(
        "ignition seen by the wall after that seen by the tap; half a scan of the tap is added to "
        "its `+-`", "0 s +- 0.03 s"
    )
    ramp: Seconds = key("time constant of the gas temperature at ignition", "0.1 s +- 60 %")
    pressure_exponent: Annotated[Quantity, reader("dimensionless", low=0.0, widest=0.5)] = key(
        "n in h ~ p^n", "0.8 +- 0.03"
    )
    purge: Coefficient = key("bore coefficient after shutdown", "50 W/m^2/K +- 100 %")
    coefficient: Annotated[Quantity, reader("W/m^2/K", above=0.0, widest_share=2.0)] = key(
        "level of the gas-side coefficient", "2000 W/m^2/K +- 150 %"
    )
    coefficient_variation: FixedFactor = key(
        "standard deviation of ln h along the tube about its level", "0.4"
    )
    correlation_length: FixedLength | None = key(
        "over which h and R along the tube keep their value", None, like="length / 4"
    )
    tolerance: Annotated[Quantity, reader(
        "K", above=0.0, below=50.0, fixed=True, difference=True
    )] = key(
        "discretisation error allowed at the sensors, in K", "0.2 K"
    )
    drift: Annotated[Quantity, reader(
        "K", low=0.0, below=50.0, fixed=True, difference=True
    )] = key(
        "standard deviation of a reading's drift from ignition to the end of its record, in K",
        "0.5 K",
    )
    limit_temperature: FixedTemperature | None = key(
        "bore temperature whose crossing time is wanted", None, 'limit_temperature = "1150 K"'
    )


class CaseKeys(Table):
    """A case file."""

    title: str = key("of the campaign", "")
    tube: TubeKeys = key("table", example="[tube] with material, bore, wall, length")
    sensor: Annotated[list[SensorKeys], Field(min_length=1)] = key(
        "one table a thermocouple", example="[[sensor]] with name and z"
    )
    pressure: PressureKeys = key("table", example="[pressure] with channel")
    log: LogKeys = key("table", {})
    blend: Annotated[dict[str, BlendKeys], Field(min_length=1)] = key(
        "one table a blend", example="[blend.neat] with gas_temperature"
    )
    run: Annotated[list[RunKeys], Field(min_length=1)] = key(
        "one table a firing", example="[[run]] with name, log and blend"
    )
    fit: FitKeys = key("table", {})
