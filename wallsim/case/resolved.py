"""A case's keys as text with the defaults filled in, for the echo in a result."""

from __future__ import annotations

from operator import attrgetter
from typing import Any

from pydantic import BaseModel

from wallsim.case.checks import source_blend
from wallsim.case.schema import RETAINED, CaseKeys, stand_in
from wallsim.units import Quantity

ONE = Quantity(1.0, 0.0, "1")
SLIGHT = Quantity(1.0, 0.005, "1 +- 0.5 %")

_EITHER_OR = {"bore", "outside_diameter", "contact", "convection", "material"}
_INHERITED = ("gas_temperature", "gas_temperature_error", "gas_temperature_along", "coefficient")


def resolved(keys: CaseKeys, folder: str) -> dict[str, Any]:
    """Return every key as nested text; of keys that exclude each other only the one in use."""
    text: dict[str, Any] = {"title": keys.title or folder}
    text |= {k: v for k, v in _plain(keys).items() if k != "title"}
    tube = text["tube"]
    outside = tube["outside"]
    outside.setdefault("convection", "natural")
    for end in ("head", "exit"):
        if getattr(keys.tube, end).temperature is None:
            tube[end]["temperature"] = outside["ambient"]
    for sensor, stated in zip(text["sensor"], keys.sensor, strict=True):
        sensor["channel"] = stated.channel or stated.name
    if keys.fit.correlation_length is None:
        text["fit"]["correlation_length"] = f"{250.0 * keys.tube.length.value:g} mm"
    for run, stated_run in zip(text["run"], keys.run, strict=True):
        if stated_run.start == "clean bore":
            del run["retained"]
        elif stated_run.retained is None:
            run["retained"] = RETAINED
    for name, blend in text["blend"].items():
        own = keys.blend[name]
        for field in _INHERITED:
            value = _plain(source_blend(keys, name, attrgetter(field))[0])
            blend[field] = _UNSAID[field] if value is None else value
        blend["own_error"] = (own.own_error or (ONE if own.like else SLIGHT)).text
    return text


_UNSAID = {
    "gas_temperature": "",
    "gas_temperature_error": "shared",
    "gas_temperature_along": "uniform",
    "coefficient": "1",
}


def _plain(value: object) -> Any:
    if isinstance(value, Quantity):
        return value.text
    if isinstance(value, BaseModel):
        found = {}
        for name, field in type(value).model_fields.items():
            inner = getattr(value, name)
            if inner is not None:
                found[name] = _plain(inner)
            elif name not in _EITHER_OR:
                found[name] = stand_in(field) or "none"
        return found
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value
