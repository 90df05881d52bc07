"""Keys of a file that may have faults: what failed is stood in for, so that the rest is read.

A stand-in offends no rule: an unknown number is NaN, which no comparison holds for, and a list of
names with an unknown one among them may hold any name.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from copy import deepcopy
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from wallsim.errors import CaseError
from wallsim.source import EXTRA, Fault, Source, fields, is_named, meant_key
from wallsim.toml_lines import KeyPath
from wallsim.units import Quantity

Model = TypeVar("Model", bound=BaseModel)

NAMELESS = "\N{REPLACEMENT CHARACTER}"
"""Stands for a text that could not be read."""

_STAND_INS: tuple[Any, ...] = (Quantity(math.nan), NAMELESS, {}, [{}], {NAMELESS: {}})
_MOST_ROUNDS = 50


def is_known(quantity: Quantity) -> bool:
    """Return True unless the quantity is a stand-in."""
    return not math.isnan(quantity.value)


def read_keys(
    source: Source, model: type[Model]
) -> tuple[Model, list[Fault], set[KeyPath]]:
    """Return a file's keys, what is wrong with single ones, and the places stood in for.

    Raises
    ------
    CaseError
        With the faults found, if nothing can stand in for what failed.
    """
    data: Any = deepcopy(source.data)
    faults: list[Fault] = []
    used: dict[KeyPath, int] = {}
    for _ in range(_MOST_ROUNDS):
        try:
            return model.model_validate(data), faults, set(used)
        except ValidationError as error:
            faults = faults or source.faults_of(model, error)
            for place in _failed(model, data, error, used):
                _replace(data, place, used)
    raise CaseError([fault.text for fault in faults])


def sound(faults: Iterable[Fault], stood_in: set[KeyPath]) -> list[Fault]:
    """Return the faults that are not about something stood in for."""
    return [
        fault
        for fault in faults
        if not any(fault.place[:n] in stood_in for n in range(1, len(fault.place) + 1))
    ]


def _failed(
    model: type[BaseModel], data: Any, error: ValidationError, used: dict[KeyPath, int]
) -> list[KeyPath]:
    """Return the places that need a stand-in; keys that mean nothing are taken out."""
    places: dict[KeyPath, None] = {}
    for item in error.errors(include_url=False):
        place, kind = item["loc"], item["type"]
        table = _table(data, place)
        if kind == EXTRA:
            del table[place[-1]]
            place = meant_key(model, place)
            if place == item["loc"] or place[-1] in table:
                if place != item["loc"] and is_named(model, place):
                    table[place[-1]][NAMELESS] = {}
                    used[*place, NAMELESS] = 0
                continue
        elif kind == "model_type" and place[-1] in fields(model, place):
            del table[place[-1]]
            table[NAMELESS] = {}
            used[*place[:-1], NAMELESS] = 0
            continue
        places[place] = None
    return list(places)


def _replace(data: Any, place: KeyPath, used: dict[KeyPath, int]) -> None:
    """Put the next stand-in to a place; after the last one leave the place to its default."""
    table, n = _table(data, place), used.get(place, 0)
    used[place] = n + 1
    if n < len(_STAND_INS):
        table[place[-1]] = deepcopy(_STAND_INS[n])
    elif place[-1] in (table if isinstance(table, dict) else range(len(table))):
        del table[place[-1]]


def _table(data: Any, place: KeyPath) -> Any:
    """Return the table or list that holds a place; a text that stood for a table becomes one."""
    at = data
    for part in place[:-1]:
        if not isinstance(at[part], dict | list):
            at[part] = {}
        at = at[part]
    return at
