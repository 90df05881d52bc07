"""The answers of a plan as one document, SI units."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from typing import Any

import numpy as np

from wallsim import __version__
from wallsim.errors import CaseError, ConvergenceError, TableRangeError
from wallsim.plan import place_limit
from wallsim.plan import place_study as ask
from wallsim.plan.place_file import Plan, Want
from wallsim.plan.place_model import Marched
from wallsim.plan.place_remarks import remarks
from wallsim.plan.place_study import Study
from wallsim.plan.place_words import CAUTION, answers, wells
from wallsim.plausibility import planned_slips

Document = dict[str, Any]
Progress = Callable[[str, int, int], None]

SCHEMA = "wallsim.place/1"
QUESTIONS = ("marching the plan", "where", "how hot", "how long", "how often", "how fast",
             "what else")


def build(plan: Plan, executor: Executor, progress: Progress | None = None) -> Document:
    """Return the document of a plan; ``executor`` runs the marches of changed plans.

    Every ``half_widths`` list follows ``wants``: half the 95 % interval, a share of the value
    where the unit is "1", else in that unit.

    Raises
    ------
    InputError
        If there is no room for the thermocouples planned.
    CaseError
        Instead of the two below, if some number looks like a slip of units.
    TableRangeError
        If a planned firing takes the wall out of the range of its material.
    ConvergenceError
        If a march does not converge.
    """

    def told(i: int) -> None:
        if progress:
            progress(QUESTIONS[i], i, len(QUESTIONS))

    told(0)
    slips = planned_slips(plan.case, [(r.burn, r.pressure) for r in plan.runs])
    try:
        study = Study.of(plan)
    except (TableRangeError, ConvergenceError) as error:
        if slips:
            raise CaseError([*slips, str(error)]) from error
        raise
    told(1)
    by_number = ask.against_number(study)
    chosen = next(r for r in by_number if r["thermocouples"] == plan.thermocouples)["chosen"]
    document = _head(study, chosen) | {"slips": list(slips), "remarks": remarks(plan)}
    document["against_number"] = [_numbered(study, row) for row in by_number]
    document["plain"] = ask.plain(study, len(chosen))
    document["bare_added"] = ask.bare_added(study, chosen)
    document["along_tube"] = ask.along_tube(study, chosen)
    told(2)
    document["bore"], document["limit"] = place_limit.bores(_as_chosen(study, chosen))
    document["metal_limits"] = {
        solid.name: dict(solid.limits) for solid in plan.case.tube.solids.values()}
    told(3)
    document["against_burn"] = ask.against_burn(
        study, chosen, executor, place_limit.factors(document["bore"]))
    document["burn_of"] = ask.first_run(study.plan).name
    told(4)
    document["against_repeats"] = ask.against_repeats(study, chosen)
    told(5)
    document["against_rate"] = ask.against_rate(study, chosen)
    document["against_lag"] = ask.against_lag(study, chosen, executor)
    told(6)
    document["worth"] = ask.worth(study, chosen)
    document["caution"] = CAUTION
    document["answers"] = answers(document)
    return document


def _as_chosen(study: Study, chosen: Sequence[int]) -> Marched:
    """Return the plan with the thermocouples chosen: h and R vary along the tube between these."""
    places = dict.fromkeys(sorted(chosen))
    return Marched.unread(study.plan, [study.marched.candidates[i] for i in places])


def unit_of(want: Want) -> str:
    """Return the SI unit of a half width."""
    return {"difference": "m^2*K/W", "bore peak": "K"}.get(want.kind, "1")


def _head(study: Study, chosen: Sequence[int]) -> Document:
    plan = study.plan
    return {
        "schema": SCHEMA,
        "case": {"title": plan.case.title, "path": str(plan.case.path)},
        "versions": {"wallsim": __version__},
        "planned": [
            {"name": r.name, "blend": r.blend, "burn_s": r.burn, "pressure_Pa": r.pressure,
             "cool_down_s": r.cool_down, "repeats": r.repeats}
            for r in plan.runs if r.repeats
        ],
        "goal": plan.goal, "pairs": plan.pairs,
        "tube_length_m": plan.case.tube.length,
        "keep_out_m": [list(pair) for pair in plan.keep_out], "spacing_m": plan.spacing,
        "rate_Hz": plan.thermocouple.rate,
        "lag_s": plan.thermocouple.lag.value,
        "wants": [
            {"text": w.want.text, "unit": unit_of(w.want), "expected": w.value, "half_width": half,
             "z_m": w.z, "between_m": None if w.within is None else list(w.within)}
            for w, half in zip(study.wanted, study.widths(chosen), strict=True)
        ],
        "stations": _stations(study, chosen),
    }


def _stations(study: Study, chosen: Sequence[int]) -> list[dict[str, Any]]:
    every = sorted((study.marched.candidates[i] for i in chosen), key=lambda c: c.z)
    return [
        {"z_m": c.z, "depth_m": c.sensor.depth, "welded_already": c.fixed} for c in every
    ]


def _numbered(study: Study, row: dict[str, Any]) -> dict[str, Any]:
    z, stations = study.z[row["even"]], _stations(study, row["chosen"])
    return {
        "thermocouples": row["thermocouples"], "stations": stations,
        "plain": ask.plain(study, row["thermocouples"]) if wells(stations) else None,
        "half_widths": row["half_widths"], "evenly_spaced": row["evenly_spaced"],
        "even_stations": _stations(study, row["even"]),
        "even_stations_fit": bool((np.diff(z) >= study.plan.apart - 1e-9).all()),
    }


def tables(document: Document) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of each table by its name."""
    names = [w["text"] for w in document["wants"]]

    def flat(row: dict[str, Any], keys: Sequence[str]) -> dict[str, Any]:
        halves = row["half_widths"] or [None] * len(names)
        return {k: row[k] for k in keys} | {
            f"half width of {n}": h for n, h in zip(names, halves, strict=True)}

    along = document["along_tube"]
    return {
        "stations": document["stations"],
        "number": [
            flat(r, ["thermocouples", "evenly_spaced", "plain"])
            | {"z_m": " ".join(f"{s['z_m']:g}" for s in r["stations"]),
               "wells": wells(r["stations"])}
            for r in document["against_number"]
        ],
        "along_tube": [dict(zip(along, row, strict=True)) for row in zip(*along.values(),
                                                                      strict=True)],
        "bore": [_bore_row(r) for r in document["bore"]],
        "burn": [flat(r, ["burn_s", "bore_peak_K", "note"]) for r in document["against_burn"]],
        "repeats": [flat(r, ["bare", "dosed"]) for r in document["against_repeats"]],
        "rate": [flat(r, ["rate_Hz"]) for r in document["against_rate"]],
        "lag": [flat(r, ["lag_s"]) for r in document["against_lag"]],
        "worth": document["worth"],
    }


def _bore_row(row: dict[str, Any]) -> dict[str, Any]:
    times = row["limit_time_s"] or {}
    return {
        "name": row["name"], "burn_s": row["burn_s"],
        **{f"peak {end} [K]": row["peak_K"][end] for end in ("estimate", "low", "high")},
        **{f"bare at limit {end} [s]": times.get(end) for end in ("estimate", "low", "high")},
        "cautious_s": row["cautious_s"], "note": row["note"],
    }
