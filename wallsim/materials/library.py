"""Solids from their TOML files, shipped or the user's own.

A property is a list of points, or pieces of formulas sampled into a table so finely that a chord
leaves the curve by no more than `CHORD_ERROR` of its value. Where two pieces do not meet, the
jump is spread over the last `JUMP_WIDTH` below the boundary.
"""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator, model_validator

from wallsim.errors import CaseError
from wallsim.file_kinds import METAL
from wallsim.materials.solid import Elastic, Solid, Table
from wallsim.source import Source, advice
from wallsim.units import parse, to_si

Array = NDArray[np.float64]

LARGEST_STEP = 5.0
CHORD_ERROR = 1e-5
JUMP_WIDTH = 0.01


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("must be a number; write it without quotes, its unit goes in units")
    return float(value)


def _positive(si_unit: str) -> Any:
    def read(value: Any) -> float:
        if not isinstance(value, str):
            raise ValueError('must be text with a unit; write it like "7850 kg/m^3"')
        quantity = parse(value, si_unit)
        if not quantity.value > 0.0:
            raise ValueError("must be positive")
        return quantity.value

    return PlainValidator(read)


def _polynomial_is_list(value: Any) -> Any:
    if value is not None and not (isinstance(value, list) and value):
        raise ValueError("must be a list of coefficients; write [54, -3.33e-2]")
    return value


Number = Annotated[float, BeforeValidator(_number)]
Coefficients = Annotated[list[Number] | None, BeforeValidator(_polynomial_is_list)]


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", populate_by_name=False)


class Piece(_Strict):
    """One formula on a range of temperature, in the units of its property."""

    start: Number = Field(alias="from", examples=["from = 20"])
    end: Number = Field(alias="to", examples=["to = 600"])
    polynomial: Coefficients = None
    hyperbola: Annotated[list[Number], Field(min_length=3, max_length=3)] | None = None

    @model_validator(mode="after")
    def _one_formula(self) -> Piece:
        if (self.polynomial is None) == (self.hyperbola is None):
            raise ValueError("needs polynomial or hyperbola; write exactly one of the two")
        if not self.end > self.start:
            raise ValueError("to must be above from; swap them")
        if self.hyperbola is not None and self.start <= self.hyperbola[2] <= self.end:
            raise ValueError("the pole of the hyperbola is inside the range; check its last number")
        return self

    def value(self, theta: Array) -> Array:
        """Return the formula: ``c0 + c1 x + ...``, or ``a + b/(x - c)``."""
        if self.polynomial is not None:
            return np.asarray(np.polynomial.polynomial.polyval(theta, self.polynomial), float)
        a, b, c = self.hyperbola or (0.0, 0.0, 0.0)
        return a + b / (theta - c)

    def curvature(self, theta: Array) -> Array:
        """Return the second derivative of the formula."""
        if self.polynomial is not None:
            second = np.polynomial.polynomial.polyder(np.asarray(self.polynomial), 2)
            return np.asarray(np.polynomial.polynomial.polyval(theta, second), float)
        _, b, c = self.hyperbola or (0.0, 0.0, 0.0)
        return 2.0 * b / (theta - c) ** 3

    def sampled(self) -> tuple[Array, Array]:
        """Return points on the formula, both ends among them."""
        inner = np.arange(np.ceil(self.start / LARGEST_STEP) * LARGEST_STEP, self.end, LARGEST_STEP)
        grid = np.unique(np.concatenate(([self.start], inner, [self.end])))
        bend = np.abs(self.curvature(grid))
        if not bend.any():
            return grid[[0, -1]], self.value(grid[[0, -1]])
        y = np.abs(self.value(grid))
        worst, least = np.maximum(bend[1:], bend[:-1]), np.minimum(y[1:], y[:-1])
        parts = np.diff(grid) * np.sqrt(worst / (8.0 * CHORD_ERROR * np.maximum(least, 1e-300)))
        fine = [
            np.linspace(a, b, n, endpoint=False)
            for a, b, n in zip(grid[:-1], grid[1:], np.ceil(parts).astype(int).clip(1), strict=True)
        ]
        x = np.concatenate([*fine, grid[-1:]])
        return x, self.value(x)


class Property(_Strict):
    """A property over temperature: points or pieces."""

    units: list[str] = Field(min_length=2, max_length=2, examples=['units = ["degC", "W/m/K"]'])
    source: str = Field(examples=['source = "mill certificate 1234"'])
    scale: str | None = None
    points: list[Annotated[list[Number], Field(min_length=2, max_length=2)]] | None = None
    pieces: Annotated[list[Piece], Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Property:
        if (self.points is None) == (self.pieces is None):
            raise ValueError("needs points or pieces; write exactly one of the two")
        return self

    def curve(self) -> tuple[Array, Array]:
        """Return x and y in the units of the file, x strictly increasing."""
        if self.points is not None:
            table = np.array(self.points, dtype=float)
            return table[:, 0], table[:, 1]
        x, y = np.empty(0), np.empty(0)
        for piece in self.pieces or ():
            px, py = piece.sampled()
            if x.size and abs(x[-1] - px[0]) > 1e-9:
                raise ValueError(f"pieces leave a gap or overlap at {px[0]:g}; let them meet")
            if x.size:
                joined = abs(y[-1] - py[0]) <= 1e-9 * abs(py[0])
                cut = px[0] - JUMP_WIDTH
                keep = x < (px[0] if joined else cut)
                ends = ([], []) if joined else ([cut], [float(np.interp(cut, x, y))])
                x, y = np.concatenate((x[keep], ends[0])), np.concatenate((y[keep], ends[1]))
            x, y = np.concatenate((x, px)), np.concatenate((y, py))
        return x, y

    def table(self, name: str, si_unit: str) -> Table:
        """Return the table in kelvin and ``si_unit``.

        Raises
        ------
        ValueError
            If the units are of the wrong kind, or the points do not increase or are negative.
        """
        x, y = self.curve()
        zero, one = to_si(0.0, self.units[0], "K"), to_si(1.0, self.units[0], "K")
        if self.scale is None:
            factor = to_si(1.0, self.units[1], si_unit)
        else:
            factor = to_si(1.0, self.units[1], "dimensionless") * parse(self.scale, si_unit).value
        if not (np.diff(x) > 0.0).all() or x.size < 2:
            raise ValueError("needs two or more points of increasing temperature; sort them")
        if not (y > 0.0).all() and not (si_unit == "Pa" and (y >= 0.0).all()):
            raise ValueError(f"must be positive everywhere (got {y.min():g}); check the numbers")
        return Table(
            f"{name} [{si_unit}] over temperature [K]", zero + (one - zero) * x, factor * y
        )


class Density(_Strict):
    """A density and where it comes from."""

    value: Annotated[float, _positive("kg/m^3")] = Field(examples=['value = "7850 kg/m^3"'])
    source: str = Field(examples=['source = "mill certificate 1234"'])


class Limit(_Strict):
    """A temperature that the metal should not pass, and why."""

    value: Annotated[float, _positive("K")] = Field(examples=['value = "1400 degC"'])
    source: str = Field(examples=['source = "mill certificate 1234"'])


class ElasticKeys(_Strict):
    """Elastic constants at room temperature, and where they come from."""

    modulus: Annotated[float, _positive("Pa")] = Field(examples=['modulus = "200 GPa"'])
    expansion: Annotated[float, _positive("1/K")] = Field(examples=['expansion = "16e-6 1/K"'])
    poisson: Number = 0.3
    source: str = Field(examples=['source = "mill certificate 1234"'])


class SolidFile(_Strict):
    """A whole material file."""

    name: str = Field(examples=['name = "my steel"'])
    note: str = ""
    density: Density = Field(examples=['[density] with value = "7850 kg/m^3" and source'])
    conductivity: Property = Field(examples=["[conductivity] with units, source and points"])
    specific_heat: Property = Field(examples=["[specific_heat] with units, source and points"])
    yield_strength: Property | None = None
    limits: dict[str, Limit] = {}
    elastic: ElasticKeys | None = None


def _key(name: str) -> str:
    return re.sub(r"[\s_-]+", " ", name.strip()).lower()


def _shipped() -> dict[str, Path]:
    folder = Path(str(resources.files("wallsim.materials") / "data"))
    return {_key(file.stem): file for file in sorted(folder.glob("*.toml"))}


def available() -> list[str]:
    """Return the names of the shipped solids, sorted."""
    return list(_shipped())


def load_solid(name: str, folder: Path | None = None) -> Solid:
    """Return a shipped solid, or the user's own from a file.

    Parameters
    ----------
    name : str
        A name of `available`, in any case, with spaces, hyphens or underscores; or a path that
        ends in ``.toml``.
    folder : Path or None
        Folder that such a path starts from; the working folder if None.

    Raises
    ------
    CaseError
        If there is no such solid, or its file has faults; all of them are listed.
    """
    if name.strip().lower().endswith(".toml"):
        return _solid((folder or Path()) / name.strip())
    shipped = _shipped()
    if _key(name) not in shipped:
        hint = advice(_key(name), shipped, "shipped")
        raise CaseError(
            f'unknown material (got "{name}"); {hint}; or name a file of your own, ending in .toml'
        )
    return _solid(shipped[_key(name)])


def _solid(path: Path) -> Solid:
    source = Source.of(path, METAL)
    read, faults = source.validate(SolidFile)
    if read is None:
        raise CaseError([fault.text for fault in faults])
    tables: dict[str, Table | None] = {"yield_strength": None}
    for key, si_unit in (
        ("conductivity", "W/m/K"),
        ("specific_heat", "J/kg/K"),
        ("yield_strength", "Pa"),
    ):
        stated: Property | None = getattr(read, key)
        if stated is None:
            continue
        try:
            tables[key] = stated.table(f"{key.replace('_', ' ')} of {read.name}", si_unit)
        except ValueError as error:
            wrong, _, hint = str(error).partition("; ")
            faults.append(source.fault((key,), wrong, hint=hint))
    k, c = tables.get("conductivity"), tables.get("specific_heat")
    if faults or k is None or c is None:
        raise CaseError([fault.text for fault in faults])
    sources = {"density": read.density.source}
    sources |= {key: getattr(read, key).source for key, table in tables.items() if table}
    sources |= {name: limit.source for name, limit in read.limits.items()}
    limits = {name: limit.value for name, limit in read.limits.items()}
    elastic = None
    if (e := read.elastic) is not None:
        elastic = Elastic(e.modulus, e.expansion, e.poisson)
        sources["elastic"] = e.source
    return Solid(
        read.name, read.density.value, k, c, limits, tables["yield_strength"], sources, elastic
    )
