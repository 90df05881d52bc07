"""Another wall, metal, burn, pressure or blend: what the firing would do to the wall."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import asdict, replace
from itertools import repeat
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from wallsim import __version__
from wallsim.build import Campaign
from wallsim.case.model import Case
from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.run_model import Resolution
from wallsim.materials.solid import Solid
from wallsim.plan.answers import (
    Grid,
    crossing,
    deposit_surface,
    interval,
    margins,
    peak,
    stresses,
    within,
)
from wallsim.plan.draws import Knowledge
from wallsim.plan.ensemble import Ensemble, Track
from wallsim.plan.predict import BELOW_AMBIENT, LEAST_PRESSURE, straight_tube
from wallsim.plan.strength import DISCLAIMER, NO_TABLE
from wallsim.plan.whatif_file import Change, WhatIf
from wallsim.plan.whatif_measure import TOLD, Planned, Stand, measurable
from wallsim.plan.whatif_model import Base, ChangedFiring, Start
from wallsim.plan.whatif_table import table
from wallsim.wall.schedule import Schedule

Array = NDArray[np.float64]

SCHEMA = "wallsim.whatif/1"
ZERO_CELSIUS = 273.15
HORIZON = 60.0
COOL_DOWN = 20.0
PAUSE = 60.0
FEW = 200
FINE = Resolution(3, 24, 0.5)
COARSE = Resolution(2, 12, 0.35)
CHUNK = 8


def answer(
    question: WhatIf, campaign: Campaign, knowledge: Knowledge, executor: Executor,
    told: Any = None,
) -> tuple[dict[str, Any], pd.DataFrame]:
    """Return the document and the table, one row a firing tried.

    Parameters
    ----------
    executor : Executor
        Any; tasks and results pickle.
    told : callable or None
        Told how many firings are done.

    Raises
    ------
    InputError
        If the case names a mesh file.
    """
    straight_tube(campaign)

    every = question.changes
    chunks = [every[i : i + CHUNK] for i in range(0, len(every), CHUNK)]
    resolution = FINE if len(every) <= FEW else COARSE
    start = Start.of(question, campaign, knowledge, resolution, question.draws)
    if question.measurable:
        start = replace(start, stand=Stand.of(campaign, knowledge, resolution, executor))
    rows: list[dict[str, Any]] = []
    for part in executor.map(_answer, repeat(start), chunks):
        rows.extend(part)
        if told:
            told(len(rows), len(every))
    error = _discretisation(rows, every, [
        Start.of(question, campaign, knowledge, n, 1) for n in (resolution.finer(), resolution)
    ], executor)
    document = {
        "schema": SCHEMA, "title": question.title, "path": str(question.path),
        "case": {"title": campaign.case.title, "path": str(campaign.case.path)},
        "versions": {"wallsim": __version__}, "from": knowledge.origin,
        "draws": question.draws, "factor": question.factor,
        "varied": {name: list(values) for name, values in question.varied.items()},
        "horizon_s": HORIZON, "discretisation_error_K": error, "firings": rows,
        "measurable": None if start.stand is None else _measuring(start.stand, rows),
        "caution": DISCLAIMER,
    }
    return document, table(rows)


def _measuring(stand: Stand, rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return what the answers to "could it still be measured" rest on, and what they cost."""
    marches = stand.marches + sum(row["measurable"]["marches"] for row in rows)
    return {"noise": stand.noise_from, "standard_deviations": TOLD,
            "marches_with_sensitivities": marches}


def _discretisation(
    rows: list[dict[str, Any]], every: tuple[Change, ...], starts: list[Start],
    executor: Executor,
) -> float | None:
    """Return the error of the bore peak [K] by halved cells and steps, at three of the firings.

    None where all three leave the table of their metal.
    """
    peaks = [row["bore_peak_K"]["estimate"] or np.inf for row in rows]
    some = {int(np.argmax(peaks)), int(np.argmin(peaks)), len(rows) // 2}
    changes = tuple(every[i] for i in sorted(some))
    fine, coarse = executor.map(_answer, starts, repeat(changes))
    pairs = ((a["bore_peak_K"]["estimate"], b["bore_peak_K"]["estimate"])
             for a, b in zip(fine, coarse, strict=True))
    errors = [4.0 / 3.0 * abs(a - b) for a, b in pairs if a and b]
    return max(errors, default=None)


def _answer(start: Start, changes: tuple[Change, ...]) -> list[dict[str, Any]]:
    out = []
    for change in changes:
        base = start.bases[change.blend or next(iter(start.bases))]
        try:
            out.append(_one(start, base, change))
        except (TableRangeError, ConvergenceError) as error:
            raise type(error)(f"{_words(change)}: {error}") from error
    return out


def _words(change: Change) -> str:
    stated = {k: v for k, v in asdict(change).items() if v not in (None, "")}
    return ", ".join(f"{k} {v}" for k, v in stated.items())


def _one(task: Start, base: Base, change: Change) -> dict[str, Any]:
    model = ChangedFiring.of(task, base, change)
    case, question = task.question.case, task.question
    burn = base.burn if change.burn is None else change.burn
    start = change.start or case.tube.outside.ambient
    T = np.full((model.ensemble.wall.size, base.p.shape[1]), start)
    parts, burns, before = [], [], T
    for i in range(change.firings):
        ensemble = model.firing(burn, i * burn)
        burning, before = ensemble.march(_steps(0.0, burn, task.resolution), T), T
        rest = COOL_DOWN if i == change.firings - 1 else change.pause or PAUSE
        cool = ensemble.march(_cooling(burn, burn + rest, task.resolution), burning.T[-1])
        parts.append(burning.then(cool))
        burns.append((ensemble, burning))
        T = cool.T[-1]
    burning = burns[-1][1]
    wanted = _limits(model.solid, question)
    table_end = float(model.ensemble.tables.T[-1])
    on = model.firing(np.inf, (change.firings - 1) * burn)
    further = on.march(_steps(burn, max(HORIZON, burn + 1.0), task.resolution), burning.T[-1],
                       table_end)
    whole = burning.then(further)
    return {
        **_changed(change, base, burn, model),
        **_temperatures(model, parts, burns, start, case),
        "limits": _times(on, whole, wanted, base),
        "survival": _survival(task, model, burns, whole, base),
        "measurable": _measurable(task, base, change, model, burns[-1][0], before[:, 0]),
    }


def _measurable(
    task: Start, base: Base, change: Change, model: ChangedFiring, last: Ensemble, start: Array
) -> dict[str, Any] | None:
    """Return whether the deposit could still be measured in the last firing, if that is asked."""
    if task.stand is None:
        return None
    burn = last.surfaces.gas.burn
    planned = Planned(last, model.template, model.solid, model.slope, start, burn,
                      burn + COOL_DOWN, change.firings > 1)
    return measurable(task.stand, base.blend.name, change, planned, task.resolution)


def _steps(start: float, end: float, resolution: Resolution) -> Schedule:
    """Return burning steps; fine after ignition, long in a burn that goes on."""
    if start == 0.0:
        return Schedule.of(end, end, resolution.fineness)
    longest, dt, t = 1.0 / resolution.fineness, 0.25 / resolution.fineness, [start]
    while t[-1] < end - 1e-9:
        t.append(min(t[-1] + dt, end))
        dt = min(1.15 * dt, longest)
    return Schedule(np.array(t), np.ones(len(t) - 1, dtype=bool))


def _cooling(start: float, end: float, resolution: Resolution) -> Schedule:
    whole = Schedule.of(start, end, resolution.fineness)
    first = int(np.argmin(np.abs(whole.t - start)))
    return Schedule(whole.t[first:], whole.burning[first:])


def _limits(solid: Solid, question: WhatIf) -> dict[str, float]:
    stated = {} if question.limit is None else {"limit": question.limit}
    return stated | solid.limits


def _changed(change: Change, base: Base, burn: float, model: ChangedFiring) -> dict[str, Any]:
    """Return what the firing is: everything that can be changed, in SI."""
    r = model.ensemble.wall.r
    stated = {k: v for k, v in asdict(change).items() if v not in (None, "")}
    return {
        "name": change.name or None, "changes": stated, "blend": base.blend.name,
        "metal": model.solid.name, "burn_s": burn, "pressure_Pa": model.pressure,
        "bore_m": 2.0 * float(r.min()), "wall_m": float(np.ptp(r)), "firings": change.firings,
    }


def _temperatures(
    model: ChangedFiring, parts: list[Track], burns: list[tuple[Ensemble, Track]], start: float,
    case: Case,
) -> dict[str, Any]:
    faces = model.ensemble.wall.faces
    base = min(start, case.tube.outside.ambient) - BELOW_AMBIENT
    table_end = float(model.ensemble.tables.T[-1])
    out: dict[str, Any] = {}
    each = []
    for name in ("bore", "outside"):
        found = [peak(part.t, part.T[:, faces[name].nodes]) for part in parts]
        worst = int(np.argmax([T[0] for T, _, _ in found]))
        T, when, where = found[worst]
        out |= {
            f"{name}_peak_K": interval(within(T, table_end), base),
            f"{name}_peak_s": float(when[0]),
            f"{name}_peak_z_m": float(faces[name].z[where[0]]),
        }
        if name == "bore":
            each = [interval(within(T, table_end), base) for T, _, _ in found]
    out["bore_peak_by_firing_K"] = each
    hot = np.max([part.T.max(axis=(0, 1)) for part in parts], axis=0)
    surface = [peak(b.t, deposit_surface(e, b))[0] for e, b in burns]
    bare = model.ensemble.surfaces.gas.law == "none"
    out["deposit_surface_peak_K"] = None if bare else interval(
        np.where(hot > table_end, np.nan, np.max(surface, axis=0)), base)
    out["beyond_the_table"] = float((hot > table_end).mean())
    return out


def _times(
    run: Ensemble, whole: Track, wanted: dict[str, float], base: Base
) -> dict[str, Any]:
    """Return when the bore reaches each limit if the burn goes on, and the deposit softens."""
    hottest = whole.T[:, run.wall.faces["bore"].nodes].max(axis=1)
    out: dict[str, Any] = {}
    table_end = float(run.tables.T[-1])
    for name, limit in wanted.items():
        beyond = limit > table_end
        times = crossing(whole.t, hottest, min(limit, table_end))
        found = interval(times, 0.0)
        note = ""
        if beyond:
            note = f"beyond the metal's table, whose end of {table_end - ZERO_CELSIUS:.0f} °C is "
            reached = found["estimate"]
            note += "not reached" if reached is None else f"reached at {reached:.1f} s"
            found = {"estimate": None, "low": found["estimate"], "high": None}
        elif found["estimate"] is None:
            note = f"not within {whole.t[-1]:.0f} s"
        out[name] = {"at_K": limit, "time_s": found, "note": note}
    deposit = base.blend.deposit
    if deposit is not None and deposit.softening is not None:
        surface = deposit_surface(run, whole).max(axis=1)
        found = interval(crossing(whole.t, surface, deposit.softening), 0.0)
        out["deposit softens"] = {"at_K": deposit.softening, "time_s": found, "note": ""}
    return out


def _survival(
    task: Start, model: ChangedFiring, burns: list[tuple[Ensemble, Track]], whole: Track, base: Base
) -> dict[str, Any]:
    """Return limit load over gas pressure in the burns, and when it falls below the factor.

    A draw is followed until its wall leaves the table of the metal.
    """
    grid, solid, factor = Grid.of(model.ensemble.wall), model.solid, task.question.factor
    share = np.interp(grid.z, base.pressure_share[:, 0], base.pressure_share[:, 1])
    over = model.pressure * share - task.question.case.pressure.barometer
    over = np.maximum(over, LEAST_PRESSURE)
    out: dict[str, Any] = {
        "assessed": solid.yield_strength is not None, "note": NO_TABLE, "factor": factor,
        "margin": None, "at_s": None, "z_m": None, "below_factor_s": None,
        "table_ends_s": None, "thermal_hoop_stress_Pa": None,
    }
    hoop = stresses(grid, burns[-1][1], solid)
    if hoop is not None:
        out["thermal_hoop_stress_Pa"] = {"bore": interval(hoop[0]), "outside": interval(hoop[1])}
    if solid.yield_strength is None:
        return out
    found = [margins(grid, b, np.tile(over, (b.t.size, 1)), solid) for _, b in burns]
    worst = min((m for m in found if m is not None), key=lambda m: m.lowest[:, 0].min())
    i = int(worst.lowest[:, 0].argmin())
    longer = margins(grid, whole, np.tile(over, (whole.t.size, 1)), solid)
    assert longer is not None
    below = crossing(longer.t, -longer.lowest, -factor)
    left = crossing(whole.t, whole.T.max(axis=1), float(model.ensemble.tables.T[-1]))
    return out | {
        "note": "", "margin": interval(worst.lowest.min(axis=0), 0.0),
        "at_s": float(worst.t[i]), "z_m": float(grid.z[worst.place[i, 0]]),
        "below_factor_s": interval(np.where(below > left, np.nan, below), 0.0),
        "table_ends_s": interval(left, 0.0),
    }
