"""Numbers of a question that look like a slip of units: remarked, nothing is changed for them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from wallsim.plausibility import COEFFICIENTS, LENGTHS, RESISTANCES, USUAL_PRESSURES, VALID_BURNS
from wallsim.source import Source
from wallsim.units import Quantity

_USUAL: Mapping[str, tuple[float, float, float, str, str]] = {
    "wall": (*LENGTHS["wall"], 1e3, "mm", "such tubes have {} to {} mm"),
    "bore": (*LENGTHS["bore"], 1e3, "mm", "such tubes have {} to {} mm"),
    "burn": (VALID_BURNS[0], float("inf"), 1.0, "s", "the model is meant for burns from {} s on"),
    "pressure": (1e-5 * USUAL_PRESSURES[0], 1e-5 * USUAL_PRESSURES[1], 1e-5, "bar",
                 "uncooled tubes have {} to some {} bar abs"),
    "resistance": (1e6 * RESISTANCES[0], 1e6 * RESISTANCES[1], 1e6, "mm^2*K/W",
                   "deposits have {} to {} mm^2*K/W"),
    "start": (250.0, 1500.0, 1.0, "K", "walls are fired from {} to {} K"),
    "cooling": (0.0, COEFFICIENTS[1], 1.0, "W/m^2/K", "coefficients are up to {1} W/m^2/K"),
}
"""Least and most in the unit of the words, SI to that unit, its name, and what is usual."""


def unusual(source: Source, place: Sequence[str | int], kind: str, value: Quantity) -> str | None:
    """Return a located line if a quantity of a question is not one of the trade.

    Parameters
    ----------
    source : Source
        Of the file.
    place : sequence of str or int
        Key of the quantity in it.
    kind : str
        Key of a what-if file whose kind it is of.
    value : Quantity
    """
    if kind not in _USUAL:
        return None
    low, high, scale, unit, usual = _USUAL[kind]
    if low <= scale * value.value <= high:
        return None
    words = usual.format(f"{low:g}", f"{high:g}")
    got = value.text or f"{scale * value.value:g} {unit}"
    return source.fault(tuple(place), f"is unusual: {words}", got, "check value and unit").text


def unusual_in(source: Source, tables: Mapping[tuple[str | int, ...], Any]) -> tuple[str, ...]:
    """Return a line for each unusual quantity, or list of them, in tables of a file."""
    found = [unusual(source, at, name, each) for at, name, each in _quantities(tables)]
    return tuple(dict.fromkeys(line for line in found if line is not None))


def too_long_in(source: Source, tables: Mapping[tuple[str | int, ...], Any]) -> tuple[str, ...]:
    """Return a line for each burn in tables of a file that is longer than the model is meant for.

    Of a range the longest.
    """
    low, high = VALID_BURNS
    burns = {at: each for at, name, each in _quantities(tables)
             if name == "burn" and each.value > high}
    return tuple(
        source.fault(at, f"{each.value:.4g} s is beyond the range of validity, burns of {low:g} to "
                     f"{high:g} s", each.text or None, "check value and unit").text
        for at, each in burns.items())


def _quantities(
    tables: Mapping[tuple[str | int, ...], Any]
) -> Iterator[tuple[tuple[str | int, ...], str, Quantity]]:
    """Yield place, key and value of each quantity in tables; those of a range have one place."""
    for place, table in tables.items():
        for name in type(table).model_fields:
            value = getattr(table, name)
            for i, each in enumerate(value if isinstance(value, tuple) else (value,)):
                if isinstance(each, Quantity):
                    own = isinstance(value, tuple) and each.text
                    yield ((*place, name, i) if own else (*place, name)), name, each
