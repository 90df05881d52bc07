"""Another wall, metal, burn, pressure or blend: what the firing would do to the wall."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import replace
from itertools import repeat
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from wallsim import __version__
from wallsim.build import Campaign
from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.run_model import Resolution
from wallsim.plan.answers import ROUGH, interval_error
from wallsim.plan.draws import Knowledge
from wallsim.plan.followed import Followed
from wallsim.plan.predict import straight_tube
from wallsim.plan.strength import DISCLAIMER
from wallsim.plan.whatif_answers import COOL_DOWN, LONGER, Part, read_off
from wallsim.plan.whatif_file import Change, WhatIf
from wallsim.plan.whatif_measure import TOLD, Stand
from wallsim.plan.whatif_model import Base, ChangedFiring, Start
from wallsim.plan.whatif_table import table
from wallsim.plan.whatif_words import labels, verdict
from wallsim.wall.schedule import Schedule

Array = NDArray[np.float64]

SCHEMA = "wallsim.whatif/1"
HORIZON = 60.0
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
    for row, change, label in zip(rows, every, labels(every), strict=True):
        row["label"], row["longest_burn_logged_s"] = label, _outgrown(campaign, row, change)
    error = _discretisation(rows, every, [
        Start.of(question, campaign, knowledge, n, 1) for n in (resolution.finer(), resolution)
    ], executor)
    document = {
        "schema": SCHEMA, "title": question.title, "path": str(question.path),
        "case": {"title": campaign.case.title, "path": str(campaign.case.path)},
        "versions": {"wallsim": __version__}, "from": knowledge.origin,
        "draws": question.draws, "rough_intervals": question.draws < ROUGH,
        "interval_error": interval_error(question.draws), "factor": question.factor,
        "untold": dict(knowledge.untold),
        "varied": {name: list(values) for name, values in question.varied.items()},
        "horizon_s": HORIZON, "discretisation_error_K": error, "firings": rows,
        "measurable": None if start.stand is None else _measuring(start.stand, rows),
        "caution": DISCLAIMER,
    }
    document["verdict"] = verdict(document)
    return document, table(rows)


def _outgrown(campaign: Campaign, row: dict[str, Any], change: Change) -> float | None:
    """Return the longest burn logged of the blend [s] if its deposit grows for longer."""
    if change.resistance is not None or campaign.case.blends[row["blend"]].deposit is None:
        return None
    logged = [f.burn for f in campaign.firings if f.blend.name == row["blend"]]
    longer = bool(logged) and row["burn_s"] * row["firings"] > LONGER * max(logged)
    return max(logged) if longer else None


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
            raise type(error)(f"{labels((change,))[0]}: {error}") from error
    return out


def _one(task: Start, base: Base, change: Change) -> dict[str, Any]:
    model = ChangedFiring.of(task, base, change)
    burn = base.burn if change.burn is None else change.burn
    start = change.start or task.question.case.tube.outside.ambient
    table_end = float(model.ensemble.tables.T[-1])
    T = np.full((model.ensemble.wall.size, base.p.shape[1]), start)
    parts: list[Part] = []
    for i in range(change.firings):
        ensemble = model.firing(burn, i * burn)
        burning = ensemble.march(_steps(0.0, burn, task.resolution), T)
        rest = COOL_DOWN if i == change.firings - 1 else change.pause or PAUSE
        cool = ensemble.march(_cooling(burn, burn + rest, task.resolution), burning.T[-1])
        before = parts[-1].whole if parts else None
        whole = Followed.of(burning.then(cool), table_end, before)
        parts.append(Part(ensemble, burn, T, burning, whole))
        T = cool.T[-1]
    on = model.firing(np.inf, (change.firings - 1) * burn)
    further = on.march(_steps(burn, max(HORIZON, burn + 1.0), task.resolution), burning.T[-1],
                       table_end)
    before = parts[-2].whole if len(parts) > 1 else None
    longer = Part(on, burn, parts[-1].start, burning,
                  Followed.of(burning.then(further), table_end, before))
    return read_off(task, base, change, model, parts, longer)


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
