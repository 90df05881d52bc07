"""The file of a what-if: the campaign it starts from, and the changes to try.

``case`` names a case file or its folder, ``[base]`` what every firing has, ``[vary]`` lists or
ranges of which every combination is tried, each ``[[variant]]`` a named firing on top.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from itertools import product
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import Field, PlainValidator

from wallsim.case.load import load_case, named_case
from wallsim.case.model import Case
from wallsim.case.quantities import FixedTemperature, Word, reader
from wallsim.case.schema import Table, key
from wallsim.case.stand_ins import read_keys, sound
from wallsim.errors import CaseError, InputError
from wallsim.file_kinds import WHAT_IF, beside
from wallsim.materials import load_solid
from wallsim.materials.solid import Solid, alike
from wallsim.plan.place_file import Plan
from wallsim.plan.planned import case_of, plan_at
from wallsim.plan.slips import too_long_in, unusual_in
from wallsim.source import Fault, Source, advice
from wallsim.toml_lines import KeyPath
from wallsim.units import Quantity

MOST = 20000
LEAST_DRAWS, MOST_DRAWS = 20, 101
MARCHES = 8000
"""Draws of all firings together, where no number of draws is stated; at least `LEAST_DRAWS`."""
_KINDS: dict[str, tuple[str, str, Any]] = {
    "wall": ("wall thickness", "m", reader("m", above=0.0, fixed=True)),
    "bore": ("bore diameter; h goes with its -0.2", "m", reader("m", above=0.0, fixed=True)),
    "burn": ("from ignition to shutdown", "s", reader("s", above=0.0, high=600.0, fixed=True)),
    "pressure": ("absolute, at the tap", "Pa", reader("Pa", above=1.1e5, fixed=True)),
    "resistance": ("of the deposit at the end of the blend's longest burn in the campaign, "
                   "even along the tube", "m^2*K/W", reader("m^2*K/W", above=0.0, fixed=True)),
    "start": ("wall temperature at the first ignition", "K", reader("K", above=0.0, fixed=True)),
    "pause": ("cool-down before the next firing", "s", reader("s", above=0.0, fixed=True)),
    "cooling": ("outside convection coefficient", "W/m^2/K",
                reader("W/m^2/K", low=0.0, fixed=True)),
}


@dataclass(frozen=True, slots=True)
class Change:
    """One firing to try; None where it is as in the campaign (SI).

    Parameters
    ----------
    name : str
        Of the variant; empty if there is none.
    blend, metal : str or None
    wall, bore, burn, pressure, resistance, start, pause, cooling : float or None
        As in the file.
    firings : int
        One after the other, the deposit carried over.
    """

    name: str = ""
    blend: str | None = None
    metal: str | None = None
    firings: int = 1
    wall: float | None = None
    bore: float | None = None
    burn: float | None = None
    pressure: float | None = None
    resistance: float | None = None
    start: float | None = None
    pause: float | None = None
    cooling: float | None = None


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A what-if, ready to be answered.

    Parameters
    ----------
    path : Path
    title : str
    case : Case
    changes : tuple of Change
    varied : dict of str to tuple
        Values of each key that is varied, in their order (SI or words).
    limit : float or None
        Bore temperature whose crossing time is wanted [K].
    factor : float
        Limit load over gas pressure asked for [-].
    draws : int
    measurable : bool
        Whether the deposit could still be measured is wanted too.
    slips : tuple of str
        Located lines, one for each number that looks like a slip of units.
    too_long : tuple of str
        Likewise for burns longer than the model is meant for; the answer says so by itself.
    plan : Plan or None
        Where it starts from a campaign not fired yet.
    """

    path: Path
    title: str
    case: Case
    changes: tuple[Change, ...]
    varied: dict[str, tuple[Any, ...]] = field(default_factory=dict)
    limit: float | None = None
    factor: float = 4.0
    draws: int = LEAST_DRAWS
    measurable: bool = False
    slips: tuple[str, ...] = ()
    too_long: tuple[str, ...] = ()
    plan: Plan | None = None

    @property
    def files(self) -> tuple[Path, ...]:
        """Case file, mesh and logs; of a plan its file."""
        return (self.plan.case if self.plan else self.case).files

    def metal_of(self, change: Change) -> tuple[Solid, bool]:
        """Return the metal of a change, and whether it is another than the case's own."""
        own = next(iter(self.case.tube.solids.values()))
        if change.metal is None:
            return own, False
        named = load_solid(change.metal, self.path.parent)
        return named, not alike(named, own)

    @classmethod
    def of(cls, case: Case, plan: Plan | None = None) -> WhatIf:
        """Return the what-if without changes: a firing of each blend as in the campaign."""
        used = tuple(dict.fromkeys(run.blend for run in case.runs))
        changes = tuple(Change(blend=blend) for blend in used)
        return cls(case.path, case.title, case, changes, {"blend": used},
                   case.fit.limit_temperature, draws=affordable(changes), plan=plan)


def affordable(changes: tuple[Change, ...]) -> int:
    """Return how many draws are made where no number is stated: the more, the fewer firings."""
    firings = sum(change.firings for change in changes)
    return min(max(LEAST_DRAWS, MARCHES // firings), MOST_DRAWS)


def _one_or_range(one: Any) -> Any:
    """Return a validator of a list of values, or of an even range."""

    def read(value: Any) -> tuple[Quantity, ...]:
        if isinstance(value, dict):
            if set(value) != {"from", "to", "steps"} or not isinstance(value["steps"], int):
                raise ValueError('a range has from, to and steps; write { from = "2 bar", '
                                 'to = "6 bar", steps = 5 }')
            if not 2 <= value["steps"] <= 200:
                raise ValueError("steps must be 2 to 200; it counts both ends")
            low, high = (_end(one, value, end) for end in ("from", "to"))
            values = np.linspace(low.value, high.value, value["steps"])
            return tuple(Quantity(float(v)) for v in values)
        if not isinstance(value, list) or not value:
            raise ValueError('must be a list or a range; write ["6 mm", "8 mm"]')
        return tuple(one.func(v) for v in value)

    return PlainValidator(read)


def _end(one: Any, value: dict[str, Any], end: str) -> Quantity:
    """Return one end of a range; the message of a fault names it."""
    try:
        quantity: Quantity = one.func(value[end])
    except ValueError as error:
        raise ValueError(f"{end} {error}") from error
    return quantity


class ChangeKeys(Table):
    """Changes of one firing."""

    blend: Word | None = key("of the campaign", None)
    metal: Word | None = key("shipped solid, or a .toml file beside this one", None)
    firings: Annotated[int, Field(ge=1, le=100)] | None = key("one after the other", None)
    wall: Annotated[Quantity, _KINDS["wall"][2]] | None = key(_KINDS["wall"][0], None)
    bore: Annotated[Quantity, _KINDS["bore"][2]] | None = key(_KINDS["bore"][0], None)
    burn: Annotated[Quantity, _KINDS["burn"][2]] | None = key(_KINDS["burn"][0], None)
    pressure: Annotated[Quantity, _KINDS["pressure"][2]] | None = key(
        _KINDS["pressure"][0], None)
    resistance: Annotated[Quantity, _KINDS["resistance"][2]] | None = key(
        _KINDS["resistance"][0], None)
    start: Annotated[Quantity, _KINDS["start"][2]] | None = key(_KINDS["start"][0], None)
    pause: Annotated[Quantity, _KINDS["pause"][2]] | None = key(_KINDS["pause"][0], None)
    cooling: Annotated[Quantity, _KINDS["cooling"][2]] | None = key(_KINDS["cooling"][0], None)


class VariantKeys(ChangeKeys):
    """A firing with a name."""

    name: Word = key("of the variant", example='name = "plant lance"')


class VaryKeys(Table):
    """Values of which every combination is tried."""

    blend: Annotated[list[Word], Field(min_length=1)] | None = key("of the campaign", None)
    metal: Annotated[list[Word], Field(min_length=1)] | None = key(
        "shipped solids, or .toml files", None)
    firings: Annotated[
        list[Annotated[int, Field(ge=1, le=100)]], Field(min_length=1)
    ] | None = key("one after the other", None)
    wall: Annotated[tuple[Quantity, ...], _one_or_range(_KINDS["wall"][2])] | None = key(
        "list or range", None)
    bore: Annotated[tuple[Quantity, ...], _one_or_range(_KINDS["bore"][2])] | None = key(
        "list or range", None)
    burn: Annotated[tuple[Quantity, ...], _one_or_range(_KINDS["burn"][2])] | None = key(
        "list or range", None)
    pressure: Annotated[tuple[Quantity, ...], _one_or_range(_KINDS["pressure"][2])] | None = key(
        "list or range", None)
    resistance: Annotated[
        tuple[Quantity, ...], _one_or_range(_KINDS["resistance"][2])
    ] | None = key("list or range", None)
    start: Annotated[tuple[Quantity, ...], _one_or_range(_KINDS["start"][2])] | None = key(
        "list or range", None)
    pause: Annotated[tuple[Quantity, ...], _one_or_range(_KINDS["pause"][2])] | None = key(
        "list or range", None)
    cooling: Annotated[tuple[Quantity, ...], _one_or_range(_KINDS["cooling"][2])] | None = key(
        "list or range", None)


class WhatIfKeys(Table):
    """A what-if file."""

    title: str = key("of the what-if", "")
    case: Word = key("case file it starts from, or its folder", example='case = "../lance"')
    limit: FixedTemperature | None = key("bore temperature whose crossing time is wanted", None,
                                         'limit = "1150 K"')
    factor: Annotated[Quantity, reader("dimensionless", low=1.0, fixed=True)] = key(
        "limit load over gas pressure that you ask for", "4")
    draws: Annotated[int, Field(ge=3, le=1000)] | None = key("of what is uncertain", None)
    measurable: bool = key("true: say whether the deposit could still be measured", False)
    base: ChangeKeys = key("table: what every firing has", {})
    vary: VaryKeys = key("table: every combination of these lists or ranges", {})
    variant: list[VariantKeys] = key("one table a named firing", [])


def load_whatif(path: Path | str) -> WhatIf:
    """Return the what-if at ``path``; a case file or a plan is the what-if without changes.

    Raises
    ------
    CaseError
        With every fault of the file, ``file:line: key: what is wrong (got X); what to do``.
    """
    path = Path(path)
    if (plan := plan_at(path)) is not None:
        return WhatIf.of(case_of(plan), plan)
    source = Source.of(path, WHAT_IF)
    if "tube" in source.data and "case" not in source.data:
        return WhatIf.of(load_case(path))
    keys, faults, stood_in = read_keys(source, WhatIfKeys)
    case, plan = _named(keys, source, faults, stood_in)
    faults += sound(_faults(keys, source, case), stood_in)
    if faults:
        raise CaseError([fault.text for fault in sorted(faults, key=lambda fault: fault.line)])
    varied = {name: tuple(_plain(v) for v in values) for name in VaryKeys.model_fields
              if (values := getattr(keys.vary, name)) is not None}
    changes = _changes(keys, varied)
    if len(changes) > MOST:
        wrong = f"{len(changes)} firings, more than {MOST}"
        raise CaseError(source.fault(("vary",), wrong, None, "shorten the lists").text)
    limit = keys.limit.value if keys.limit else case.fit.limit_temperature
    tables = dict([*_tables(keys), (("vary",), keys.vary)])
    return WhatIf(path, keys.title or path.absolute().parent.name, case, changes, varied, limit,
                  keys.factor.value, keys.draws or affordable(changes), keys.measurable,
                  unusual_in(source, tables), too_long_in(source, tables), plan)


def _named(
    keys: WhatIfKeys, source: Source, faults: list[Fault], stood_in: set[KeyPath]
) -> tuple[Case, Plan | None]:
    """Return the case that the what-if names, and the plan if it is one."""
    try:
        plan = None if ("case",) in stood_in else plan_at(source.path.parent / keys.case)
    except CaseError as error:
        raise CaseError([*(fault.text for fault in faults), *error.faults]) from error
    if plan is not None:
        return case_of(plan), plan
    return named_case(keys.case, source, faults, stood_in), None


def load_question(path: Path | str | Case | WhatIf) -> WhatIf:
    """Return the what-if of a path, of a case, or as it is.

    Raises
    ------
    InputError
        If the file has faults.
    """
    if isinstance(path, WhatIf):
        return path
    if isinstance(path, Case):
        return WhatIf.of(path)
    path = Path(path)
    if path.is_dir():
        names = [n for n in ("whatif.toml", "case.toml") if (path / n).is_file()]
        if not names:
            held = beside(path / "whatif.toml") or "name the file"
            raise InputError(f"{path}: holds neither whatif.toml nor case.toml; {held}")
        path = path / names[0]
    return load_whatif(path)


def _plain(value: Any) -> Any:
    return value.value if isinstance(value, Quantity) else value


def _stated(table: ChangeKeys) -> dict[str, Any]:
    known = {f.name for f in fields(Change)}
    return {name: _plain(v) for name in type(table).model_fields
            if name in known and (v := getattr(table, name)) is not None}


def _changes(keys: WhatIfKeys, varied: dict[str, tuple[Any, ...]]) -> tuple[Change, ...]:
    out = []
    variants: list[ChangeKeys] = [*keys.variant] or [ChangeKeys()]
    for variant in variants:
        for values in product(*varied.values()):
            changed = dict(zip(varied, values, strict=True))
            change = Change(**(_stated(keys.base) | changed | _stated(variant)))
            out.append(replace(change, pause=None) if change.firings == 1 else change)
    return tuple(dict.fromkeys(out))


def _tables(keys: WhatIfKeys) -> list[tuple[tuple[str | int, ...], ChangeKeys]]:
    return [(("base",), keys.base), *((("variant", i), v) for i, v in enumerate(keys.variant))]


def _faults(keys: WhatIfKeys, source: Source, case: Case) -> list[Fault]:
    faults = []
    used = tuple(dict.fromkeys(run.blend for run in case.runs))
    named = [((*at, key), getattr(t, key)) for at, t in _tables(keys) for key in ("blend", "metal")]
    for key_name in ("blend", "metal"):
        named += [(("vary", key_name, i), value)
                  for i, value in enumerate(getattr(keys.vary, key_name) or ())]
    for place, value in named:
        if value is None:
            continue
        if "blend" in place and value not in used:
            todo = advice(value, used, "fired in the campaign")
            faults.append(source.fault(place, "no such blend fired", value, todo))
        if "metal" in place:
            try:
                load_solid(value, source.path.parent)
            except CaseError as error:
                faults += [source.fault(place, text) for text in error.faults]
    return faults
