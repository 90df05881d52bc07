"""Headers and entries of a log: names, units, and text to numbers in SI.

Knows the spellings that recorders and stand software put into headers, and the words and numbers
they write in place of a reading.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from wallsim.units import to_si

Kind = Literal["temperature", "pressure", "time"]

SI_UNIT: dict[Kind, str] = {"temperature": "K", "pressure": "Pa", "time": "s"}

HOTTEST_READING = 2773.15
"""Above what any thermocouple pair reads [K]; hotter entries are not readings."""

_TEMPERATURES = {
    "c": "degC", "degc": "degC", "celsius": "degC", "gradc": "degC", "k": "K", "degk": "K",
    "kelvin": "K", "f": "degF", "degf": "degF", "fahrenheit": "degF",
}  # fmt: skip
_PRESSURES = {
    "pa": "Pa", "hpa": "hPa", "kpa": "kPa", "mpa": "MPa", "mbar": "mbar", "bar": "bar",
    "psi": "psi", "atm": "atm",
}  # fmt: skip
_TIMES = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "sek": "s", "ms": "ms",
    "msec": "ms", "milliseconds": "ms", "us": "us", "µs": "us", "μs": "us", "min": "min",
    "mins": "min", "minute": "min", "minutes": "min", "h": "h", "hr": "h", "hours": "h",
    "d": "day", "day": "day", "days": "day",
}  # fmt: skip
_OTHER_UNITS = frozenset(
    {"v", "mv", "ma", "kw", "w", "%", "-", "1", "g/s", "kg/s", "kg/h", "l/min", "l/s", "m3/h"}
    | {"rpm", "hz", "khz", "mm", "m", "n", "kn", "m/s", "ohm", "j", "kj"}
)
_SPELT_SUFFIX = re.compile(r"^(.+)_(degC|degF|barg|bara|bar|mbar|kPa|MPa|psig|psia|psi|ms|sec|s)$")
_GAUGE = frozenset({"g", "gauge", "rel", "ü"})
_ABSOLUTE = frozenset({"a", "abs", "absolute"})

_NUMBER = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eEdD][+-]?\d+)?")
_NO_READING = re.compile(
    r"-+|\*+|#+|\?+|[+-]?inf(?:inity)?|[+-]?1[.,]#[a-z]+|[+-]?nan(?:\(.*\))?|n/?a|#n/?a|null|none|"
    r"open(?: ?(?:tc|circuit))?|tc ?open|ovld|ovl|ol|o\.l\.?|over(?: ?load| ?range| ?flow)?|"
    r"under(?: ?range| ?flow)?|ovrng|o/?r|err(?:or)?|bad|fault|burn-?out|invalid|no data|missing",
    re.IGNORECASE,
)
_SENTINELS = (9999.0, 9999.9, 99999.0, 3276.7, -3276.8, 32767.0, -32768.0, 6553.5, 65535.0)
_NEGATIVE_SENTINELS = (-999.0, -999.9, -9999.0, -99999.0)


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as found in a header.

    Parameters
    ----------
    kind : {"temperature", "pressure", "time"} or None
        None for a unit of anything else.
    name : str
        Name that `wallsim.units.to_si` knows.
    relative : {"gauge", "absolute", ""}
        What the header says of a pressure's zero.
    """

    kind: Kind | None
    name: str
    relative: str = ""


@dataclass(frozen=True, slots=True)
class Heading:
    """One column of a log.

    Parameters
    ----------
    text : str
        The heading as written, trimmed.
    name : str
        The heading without its unit.
    unit : str
        The unit as written; empty where the file does not say.
    """

    text: str
    name: str
    unit: str


def find_unit(text: str) -> Unit | None:
    """Return the unit that ``text`` spells, or None if it spells none."""
    plain = re.sub(r"[\s._°º]|^\[|\]$", "", text.strip().strip("[]")).casefold()
    plain = plain.replace("degree", "deg").replace("degs", "deg")
    if plain in _TEMPERATURES:
        return Unit("temperature", _TEMPERATURES[plain])
    if plain in _TIMES:
        return Unit("time", _TIMES[plain])
    match = re.fullmatch(r"(pa|hpa|kpa|mpa|mbar|bar|psi|atm)[-,]?\(?([a-zü]*)\)?", plain)
    if match and (not match[2] or match[2] in _GAUGE | _ABSOLUTE):
        relative = "gauge" if match[2] in _GAUGE else "absolute" if match[2] else ""
        return Unit("pressure", _PRESSURES[match[1]], relative)
    if plain in _OTHER_UNITS:
        return Unit(None, plain)
    return None


def _bracketed_tail(text: str) -> tuple[str, str] | None:
    """Return what stands before and in the last balanced pair of brackets at the end."""
    closing = text[-1:]
    opening = {")": "(", "]": "["}.get(closing)
    if opening is None:
        return None
    depth = 0
    for at in range(len(text) - 1, -1, -1):
        depth += (text[at] == closing) - (text[at] == opening)
        if depth == 0:
            return text[:at].strip(), text[at + 1 : -1].strip()
    return None


def split_heading(text: str, unit_below: str = "") -> Heading:
    """Return the name and the unit of a heading.

    Parameters
    ----------
    text : str
        ``name [unit]``, ``name (unit)``, ``name / unit``, ``name_unit`` or a bare name.
    unit_below : str
        Entry of the row of units under the names; empty without such a row.
    """
    text = " ".join(text.replace("\xa0", " ").replace("\ufeff", "").split())
    if unit_below.strip():
        return Heading(text, text, unit_below.strip().strip("[]").strip())
    tail = _bracketed_tail(text)
    if tail and tail[0] and (text.endswith("]") or find_unit(tail[1])):
        return Heading(text, tail[0], tail[1])
    head, slash, unit = text.rpartition("/")
    if slash and head.strip() and find_unit(unit):
        return Heading(text, head.strip(), unit.strip())
    spelt = _SPELT_SUFFIX.match(text)
    if spelt:
        return Heading(text, spelt[1], spelt[2])
    return Heading(text, text, "")


def is_number(text: str) -> bool:
    """Return True if ``text`` is one number, with either decimal sign."""
    return _NUMBER.fullmatch(text) is not None


def is_no_reading(text: str) -> bool:
    """Return True if ``text`` is what recorders write where there is no reading."""
    return not text or _NO_READING.fullmatch(text) is not None


def to_numbers(entries: pd.Series, decimal: str) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the numbers in a column of text, NaN without one, and where other text stands.

    Parameters
    ----------
    entries : pandas.Series of str, shape (n,)
    decimal : {".", ","}

    Returns
    -------
    numbers : ndarray, shape (n,)
    wrong : ndarray of int
        Indices of entries that are neither a number nor a word for "no reading".
    """
    text = entries.str.strip()
    if decimal == ",":
        has_point = text.str.contains(".", regex=False).to_numpy(dtype=bool)
        text = text.where(~has_point, "x" + text).str.replace(",", ".", regex=False)
    numbers = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, copy=True)
    numbers[~np.isfinite(numbers)] = np.nan
    unread = np.flatnonzero(np.isnan(numbers))
    original = entries.iloc[unread].str.strip()
    wrong = [at for at, word in zip(unread, original, strict=True) if not is_no_reading(word)]
    return numbers, np.asarray(wrong, dtype=np.int64)


def to_si_readings(numbers: NDArray[np.float64], unit: Unit) -> NDArray[np.float64]:
    """Return readings in the SI unit of their kind, NaN for numbers that stand for no reading.

    Parameters
    ----------
    numbers : ndarray, shape (n,)
        As logged.
    unit : Unit
    """
    kind = unit.kind or "time"
    zero = to_si(0.0, unit.name, SI_UNIT[kind])
    scale = to_si(1.0, unit.name, SI_UNIT[kind]) - zero
    if kind == "time":
        return zero + scale * numbers
    no_reading = np.abs(numbers) >= 1e20
    no_reading |= np.isin(numbers, _NEGATIVE_SENTINELS)
    values = zero + scale * numbers
    if kind == "temperature":
        no_reading |= np.isin(numbers, _SENTINELS)
        no_reading |= (values < 0.0) | (values > HOTTEST_READING)
    return np.where(no_reading, np.nan, values)
