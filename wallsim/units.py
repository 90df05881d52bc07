"""Text with a unit to SI and back; the only place that knows units other than SI.

A quantity is written ``"5.08 mm"``; an uncertainty may follow, absolute or in per cent of the
value: ``"2450 +- 120 K"``, ``"2450 K +- 120 K"``, ``"1500 W/m^2/K +- 40 %"``. The figure after
``+-`` is one standard deviation.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Any

import pint


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in SI with its stated standard deviation.

    Parameters
    ----------
    value : float
        In the SI unit of its kind (temperatures in K).
    sd : float
        Standard deviation, same unit; 0 where none was stated (the value is then held fixed).
    text : str
        As written by the user, or the default that stood in for it.
    """

    value: float
    sd: float = 0.0
    text: str = ""

    @property
    def relative_sd(self) -> float:
        """Standard deviation as a share of the value [-]."""
        return abs(self.sd / self.value) if self.value else math.inf if self.sd else 0.0


@cache
def registry() -> pint.UnitRegistry[Any]:
    """Return the unit registry with the spellings used on logs and at test stands."""
    ureg: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    ureg.define("percent = 0.01 = %")
    return ureg


_SPELLINGS = {
    "%": "percent",
    "°C": "degC",
    "°F": "degF",
    "deg C": "degC",
    "deg F": "degF",
    "C": "degC",
    "c": "degC",
    "F": "degF",
    "": "dimensionless",
    "-": "dimensionless",
    "wt%": "percent",
    "wt.%": "percent",
    "wt %": "percent",
    "% by mass": "percent",
}
_TEMPERATURES = {
    "degc": "degC", "celsius": "degC", "deg celsius": "degC", "degf": "degF", "fahrenheit": "degF",
    "kelvin": "K",
}  # fmt: skip
_SHARE = re.compile(r"dimensionless|percent|permille|ppm|ppb|1|\w+/\w+")
_GAUGE = re.compile(r"\((?:g|gauge)\)|\b(?:bar|psi|mbar|kPa|MPa|Pa)g\b")


def _unit_name(text: str) -> str:
    text = text.strip()
    text = re.sub(r"\((?:g|a|gauge|abs)\)", "", text).strip()
    text = re.sub(r"^(bar|psi|mbar|kPa|MPa|Pa)[ga]$", r"\1", text)
    text = re.sub(r"\b([cm]?m)2(?=K|\b)", r"\1^2", text.replace("²", "^2").replace("·", "*"))
    text = re.sub(r"^([kMm]?W)/([cm]?m(?:\^2)?)K$", r"\1/\2/K", text)
    text = re.sub(r"^([cm]?m\^2)K/", r"\1*K/", text)
    return _TEMPERATURES.get(text.casefold()) or _SPELLINGS.get(text, text)


def is_gauge(text: str) -> bool:
    """Return whether a written pressure says that it is above air pressure."""
    return _GAUGE.search(text) is not None


def to_si(value: float, unit: str, si_unit: str) -> float:
    """Return ``value`` given in ``unit`` converted to ``si_unit``.

    Raises
    ------
    ValueError
        If the unit is unknown or measures something else.
    """
    ureg = registry()
    if si_unit == "dimensionless" and not _SHARE.fullmatch(_unit_name(unit)):
        raise ValueError(f"takes a plain number or a share in %, not {unit!r}")
    try:
        return float(ureg.Quantity(value, _unit_name(unit)).to(si_unit).magnitude)
    except pint.UndefinedUnitError as error:
        raise ValueError(f"unknown unit {unit!r}") from error
    except (pint.DimensionalityError, pint.OffsetUnitCalculusError) as error:
        raise ValueError(f"{unit!r} is not a unit of the kind {si_unit!r}") from error
    except Exception as error:  # pint raises parser errors of several kinds on odd text
        raise ValueError(f"cannot read the unit {unit!r}") from error


_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_QUANTITY = re.compile(
    rf"^\s*(?P<value>{_NUMBER})\s*(?P<unit>[^+±]*?)\s*"
    rf"(?:(?:\+-|\+/-|±)\s*(?P<sd>{_NUMBER})\s*(?P<sd_unit>\S.*?)?)?\s*$"
)


def parse(text: str, si_unit: str, *, difference: bool = False) -> Quantity:
    """Return a written quantity in SI.

    Parameters
    ----------
    text : str
        ``"VALUE UNIT"`` or ``"VALUE UNIT +- SD UNIT"``; a unit of the value may be left to the
        end (``"2450 +- 120 K"``). ``+- 40 %`` after a value in another unit is a share of the
        value; after a value that is itself in per cent it is in per cent points.
    si_unit : str
        Unit of the result.
    difference : bool
        Whether a temperature is one: 1 degC is then 1 K.

    Raises
    ------
    ValueError
        If the text is not a quantity of that kind; the message says what was expected.
    """
    match = _QUANTITY.match(text)
    if match is None:
        raise ValueError(f"not a quantity; write it like {example(si_unit)}")
    value, unit = float(match["value"]), match["unit"] or ""
    if re.match(r",\d", unit):
        raise ValueError(f"has a decimal comma; write it like {example(si_unit)}")
    sd_text, sd_unit = match["sd"], match["sd_unit"] or ""
    if not unit and sd_unit != "%":
        unit = sd_unit
    if not unit and si_unit != "dimensionless":
        before = " before +-" if sd_text else ""
        raise ValueError(f"has no unit{before}; write it like {example(si_unit)}")
    si = to_si(value, unit, si_unit) - (to_si(0.0, unit, si_unit) if difference else 0.0)
    if not math.isfinite(si):
        raise ValueError("is too large for a number; check the exponent")
    if sd_text is None:
        return Quantity(si, 0.0, text)
    sd_unit = sd_unit or unit
    if sd_unit == "%" and _unit_name(unit) != "percent":
        if value == 0.0 or _unit_name(unit) in ("degC", "degF"):
            raise ValueError(
                f"a share of {match['value']} {unit} says nothing; write the +- with its own unit"
            )
        sd = abs(si) * float(sd_text) / 100.0
    else:
        sd = to_si(float(sd_text), sd_unit, si_unit) - to_si(0.0, sd_unit, si_unit)
    if not 0.0 <= sd < math.inf:
        raise ValueError("the uncertainty after +- cannot be negative or infinite; check it")
    return Quantity(si, sd, text)


def as_written(value: float, text: str, si_unit: str, *, difference: bool = False) -> str:
    """Return a value in SI with the unit that ``text`` is written in.

    Parameters
    ----------
    text : str
        What `parse` reads.
    """
    match = _QUANTITY.match(text)
    if match is None or si_unit == "dimensionless":
        return f"{value:g}"
    unit = match["unit"] or match["sd_unit"] or si_unit
    zero = to_si(0.0, unit, si_unit)
    scale = to_si(1.0, unit, si_unit) - zero
    return f"{(value - (0.0 if difference else zero)) / scale:.6g} {unit}"


_EXAMPLES = {
    "m": '"5.08 mm +- 0.1 mm"',
    "s": '"0.1 s +- 50 %"',
    "K": '"2450 K +- 120 K"',
    "Pa": '"1013 mbar"',
    "W/m^2/K": '"1500 W/m^2/K +- 40 %"',
    "W/m/K": '"0.12 W/m/K +- 40 %"',
    "m^2*K/W": '"1e-4 m^2*K/W"',
    "dimensionless": '"0.7 +- 0.1"',
}


def example(si_unit: str) -> str:
    """Return how a quantity of that kind is written, in quotes."""
    return _EXAMPLES.get(si_unit, f'"1 {si_unit}"')
