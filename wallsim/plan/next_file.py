"""The file that asks which firing to make next: the decision, and the firings to choose from.

``case`` names the campaign, ``[decision]`` what is to be settled, ``[firing]`` how the next firing
is made and of which fired blends, ``[new]`` the bounds for blends not fired yet.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field, PlainValidator

from wallsim.case.load import named_case
from wallsim.case.model import Case
from wallsim.case.quantities import FixedShare, Word, reader
from wallsim.case.schema import Table, key
from wallsim.case.stand_ins import read_keys, sound
from wallsim.errors import CaseError
from wallsim.file_kinds import NEXT
from wallsim.plan.slips import unusual
from wallsim.source import Fault, Source, advice
from wallsim.units import Quantity

FILE = "next.toml"
BEST = "best blend"
MOST = 24
SLACK = 1e-9


def _bounds(value: Any) -> tuple[Quantity, Quantity]:
    """Return two shares from a list of two texts; a stand-in stands for both."""
    if isinstance(value, Quantity):
        return value, value
    share = reader("dimensionless", low=0.0, high=1.0, fixed=True).func
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError('must be a pair; write it like ["0.5 %", "3 %"]')
    low, high = share(value[0]), share(value[1])
    if low.value > high.value:
        raise ValueError("ends before it starts; write the lower share first")
    return low, high


Bounds = Annotated[tuple[Quantity, Quantity], PlainValidator(_bounds)]
Level = Annotated[Quantity, reader("dimensionless", above=0.5, below=1.0, fixed=True)]


class DecisionKeys(Table):
    """What is to be settled."""

    quantity: Literal["mean resistance"] = key("along the tube, at shutdown", "mean resistance")
    blend: Word = key(f'of the campaign, or "{BEST}"', example='blend = "D5"')
    above: Annotated[Quantity, reader("m^2*K/W", above=0.0, fixed=True)] = key(
        "is it above this?", example='above = "100 mm^2*K/W"'
    )
    confidence: Level = key("of the interval that has to leave the value out", "95 %")
    chance: Annotated[
        Quantity, reader("dimensionless", above=0.0, below=1.0, fixed=True)
    ] | None = key("wanted, that the firings settle it", None)


class FiringKeys(Table):
    """How the next firing is made, and of which blends of the campaign."""

    like: Word | None = key(
        "run whose pressure, record after shutdown, channels and noise it has", None,
        like="the first of the decision's blend",
    )
    burn: Annotated[Quantity, reader("s", low=1.0, high=60.0, fixed=True)] | None = key(
        "ignition to shutdown, at whose end R decides", None,
        like="the longest logged with a deposit",
    )
    repeats: Annotated[int, Field(ge=1, le=6)] = key("most firings to look at", 4)
    blends: list[Word] | None = key("fired blends to choose from", None, like="all")


class NewBlendKeys(Table):
    """A blend not fired yet."""

    name: Word = key("of the blend", example='name = "D5_4"')
    silicon: FixedShare = key("mass fraction in the fuel", example='silicon = "1.5 %"')
    water: FixedShare | None = key("mass fraction in the fuel", None, like="as in like")


class NewKeys(Table):
    """Blends not fired yet, and what is expected of them."""

    silicon: Bounds = key("bounds of the mass fraction", example='silicon = ["0.5 %", "3 %"]')
    water: Bounds | None = key("bounds of the mass fraction", None, like="as in like")
    steps: Annotated[int, Field(ge=2, le=9)] = key("blends looked at between two bounds", 4)
    like: Word | None = key(
        "fired blend whose gas side and growth it has", None, like="the nearest in silicon"
    )
    response: list[Word] | None = key(
        "fired blends that tell how R follows silicon and water", None, like="all with a value"
    )
    scatter: Annotated[
        Quantity, reader("dimensionless", above=0.0, below=1.0, widest_share=1.0)
    ] = key("of the R of a blend about that response", "20 % +- 10 %")
    blend: list[NewBlendKeys] = key("blends by name, instead of steps", [])


class NextKeys(Table):
    """A question which firing to make next."""

    title: str = key("of the question", "")
    case: Word = key("case file of the campaign, or its folder", example='case = "../lance"')
    decision: DecisionKeys = key("table", example="[decision] with blend and above")
    firing: FiringKeys = key("table", {})
    new: NewKeys | None = key("table", None)


@dataclass(frozen=True, slots=True)
class NewBlend:
    """A blend not fired yet: its fractions [-], and the fired blend that it is like."""

    name: str
    silicon: float
    water: float
    like: str


@dataclass(frozen=True, slots=True)
class NextQuestion:
    """Which firing to make next.

    Parameters
    ----------
    path : Path
    title : str
    case : Case
    blend : str or None
        Whose mean R decides; None for whichever blend is best.
    above : float
        [m^2 K/W].
    confidence : float
        Of the interval that has to leave ``above`` out [-].
    chance : float or None
        Wanted, that it is settled [-].
    like : str
        Run of the campaign that the next firing is made like.
    burn : float or None
        Of the firings to come, at whose end R decides [s]; None for the longest logged burn with a
        deposit.
    repeats : int
        Most firings to look at.
    fired : tuple of str
        Blends of the campaign to choose from.
    new : tuple of NewBlend
        Blends besides, not fired yet.
    response : tuple of str or None
        Blends that tell how R follows silicon and water; None for all that have a value.
    scatter : Quantity
        Relative, of a blend's R about that response [-].
    slips : tuple of str
        Located lines, one for each number that looks like a slip of units.
    """

    path: Path
    title: str
    case: Case
    blend: str | None
    above: float
    confidence: float
    chance: float | None
    like: str
    burn: float | None
    repeats: int
    fired: tuple[str, ...]
    new: tuple[NewBlend, ...]
    response: tuple[str, ...] | None
    scatter: Quantity
    slips: tuple[str, ...] = ()

    @property
    def candidates(self) -> tuple[str, ...]:
        """Blends to choose from, fired and new."""
        return (*self.fired, *(b.name for b in self.new))


def load_next(path: Path | str) -> NextQuestion:
    """Return the question at ``path``, or in the ``next.toml`` of the folder there.

    Raises
    ------
    CaseError
        With every fault of the file, ``file:line: key: what is wrong (got X); what to do``.
    """
    path = Path(path)
    source = Source.of(path / FILE if path.is_dir() else path, NEXT)
    keys, faults, stood_in = read_keys(source, NextKeys)
    case = named_case(keys.case, source, faults, stood_in)
    faults += sound(_faults(keys, source, case), stood_in)
    new: tuple[NewBlend, ...] = ()
    if not faults and keys.new is not None:
        new = _new_blends(keys.new, case)
        faults = _new_faults(keys.new, new, source, case)
    if faults:
        raise CaseError([f.text for f in sorted(faults, key=lambda f: f.line)])
    slip = unusual(source, ("decision", "above"), "resistance", keys.decision.above)
    return replace(_question(keys, source.path, case, new), slips=(slip,) if slip else ())


def _question(
    keys: NextKeys, path: Path, case: Case, new: tuple[NewBlend, ...]
) -> NextQuestion:
    d, f = keys.decision, keys.firing
    blend = None if d.blend == BEST else d.blend
    used = tuple(dict.fromkeys(run.blend for run in case.runs))
    like = f.like or next(
        run.name for run in case.runs if run.blend == (blend or _dosed(case)[0]))
    named = keys.new.response if keys.new else None
    scatter = keys.new.scatter if keys.new else Quantity(0.0)
    return NextQuestion(
        path, keys.title or path.absolute().parent.name, case, blend, d.above.value,
        d.confidence.value, d.chance.value if d.chance else None, like,
        f.burn.value if f.burn else None, f.repeats,
        tuple(dict.fromkeys(f.blends)) if f.blends is not None else used, new,
        tuple(dict.fromkeys(named)) if named else None, scatter,
    )


def _dosed(case: Case) -> list[str]:
    """Return the fired blends that leave a deposit."""
    used = dict.fromkeys(run.blend for run in case.runs)
    return [name for name in used if case.blends[name].deposit is not None]


def _faults(keys: NextKeys, source: Source, case: Case) -> list[Fault]:
    faults: list[Fault] = []
    used, dosed = list(dict.fromkeys(run.blend for run in case.runs)), _dosed(case)

    def hold(place: tuple[str | int, ...], value: str | None, known: list[str], what: str) -> None:
        if value is not None and value not in known:
            faults.append(source.fault(place, f"no such {what}", value,
                                       advice(value, known, "known")))

    decided = [*dosed, BEST] if dosed else []
    hold(("decision", "blend"), keys.decision.blend, decided, "fired blend with a deposit")
    hold(("firing", "like"), keys.firing.like, [run.name for run in case.runs], "run")
    for i, name in enumerate(keys.firing.blends or ()):
        hold(("firing", "blends", i), name, used, "fired blend")
    if keys.new is None:
        if keys.firing.blends == []:
            faults.append(source.fault(("firing", "blends"), "leaves nothing to choose from", None,
                                       "name a fired blend, or add a table [new]"))
        return faults
    hold(("new", "like"), keys.new.like, dosed, "fired blend with a deposit")
    for i, name in enumerate(keys.new.response or ()):
        hold(("new", "response", i), name, dosed, "fired blend with a deposit")
    return faults


def _new_blends(keys: NewKeys, case: Case) -> tuple[NewBlend, ...]:
    dosed = _dosed(case)

    def like(silicon: float) -> str:
        return keys.like or min(dosed, key=lambda n: abs(case.blends[n].silicon - silicon))

    if keys.blend:
        out = []
        for b in keys.blend:
            parent = like(b.silicon.value)
            water = case.blends[parent].water if b.water is None else b.water.value
            out.append(NewBlend(b.name, b.silicon.value, water, parent))
        return tuple(out)
    waters = [None] if keys.water is None else _levels(keys.water, keys.steps)
    new = []
    for si, w in product(_levels(keys.silicon, keys.steps), waters):
        name = f"silicon {100.0 * si:.3g} %" + ("" if w is None else f", water {100.0 * w:.3g} %")
        parent = like(si)
        new.append(NewBlend(name, si, case.blends[parent].water if w is None else w, parent))
    return tuple(new)


def _levels(bounds: tuple[Quantity, Quantity], steps: int) -> list[float]:
    low, high = bounds[0].value, bounds[1].value
    return [low] if low == high else [float(v) for v in np.linspace(low, high, steps)]


def _new_faults(
    keys: NewKeys, new: tuple[NewBlend, ...], source: Source, case: Case
) -> list[Fault]:
    faults: list[Fault] = []
    if len(new) > MOST:
        faults.append(source.fault(("new", "steps"), f"{len(new)} new blends, more than {MOST}",
                                   keys.steps, "take fewer steps"))
    for i, b in enumerate(keys.blend):
        if b.name in case.blends or b.name in [other.name for other in keys.blend[:i]]:
            faults.append(source.fault(("new", "blend", i, "name"), "used twice", b.name,
                                       "give each blend its own name"))
        for field in ("silicon", "water"):
            stated, bounds = getattr(b, field), getattr(keys, field)
            if stated is None or bounds is None:
                continue
            low, high = bounds
            if not low.value - SLACK <= stated.value <= high.value + SLACK:
                wrong = f"outside the bounds of new.{field}, {low.text} to {high.text}"
                faults.append(source.fault(("new", "blend", i, field), wrong, stated.text,
                                           "widen the bounds if that is meant"))
    told = [case.blends[n] for n in keys.response or _dosed(case)]
    waters = {b.water for b in told}
    place = ("new",) if keys.water is None else ("new", "water")
    off = next((b for b in new if b.water not in waters), None)
    if len(waters) == 1 and off is not None:
        only = 100.0 * waters.pop()
        wrong = f"all fired blends have {only:.3g} % water, so what more or less does is not known"
        faults.append(source.fault(place, wrong, f"{100.0 * off.water:.3g} %",
                                   "fire two blends that differ in water first"))
    return faults
