"""Another wall, metal, burn, pressure or blend: what the firing would do to the wall."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import replace
from itertools import groupby, repeat
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from wallsim import __version__
from wallsim.build import Campaign
from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.run_model import Resolution
from wallsim.plan.answers import ROUGH, interval_error
from wallsim.plan.directed import draws_for
from wallsim.plan.draws import Knowledge
from wallsim.plan.ensemble import march
from wallsim.plan.followed import HORIZON, Followed, going_on
from wallsim.plan.predict import straight_tube
from wallsim.plan.strength import DISCLAIMER
from wallsim.plan.whatif_answers import COOL_DOWN, LONGER, Part, read_off
from wallsim.plan.whatif_endings import LASTS, fate
from wallsim.plan.whatif_file import Change, WhatIf
from wallsim.plan.whatif_measure import TOLD, Stand
from wallsim.plan.whatif_model import ChangedFiring, Start
from wallsim.plan.whatif_table import table
from wallsim.plan.whatif_words import labels, verdict
from wallsim.wall.schedule import Schedule

Array = NDArray[np.float64]

SCHEMA = "wallsim.whatif/1"
PAUSE = 60.0
FEW = 200
FINE = Resolution(3, 24, 0.5)
COARSE = Resolution(2, 12, 0.35)
CHUNK, CHUNK_DRAWS, LEAST_CHUNKS = 24, 480, 8
"""Firings marched together, and all their draws, at most; parts of a question at least."""


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
    chunks = _chunks(every, min(CHUNK, max(CHUNK_DRAWS // question.draws, 1),
                                -(-len(every) // LEAST_CHUNKS)))
    resolution = FINE if len(every) <= FEW else COARSE
    X = _draws(question, campaign, knowledge, resolution, executor)
    start = Start.of(question, campaign, knowledge, resolution, X)
    if question.measurable:
        start = replace(start, stand=Stand.of(campaign, knowledge, resolution, executor))
    found: dict[int, dict[str, Any]] = {}
    tasks = [tuple(every[i] for i in chunk) for chunk in chunks]
    for chunk, part in zip(chunks, executor.map(_answer, repeat(start), tasks), strict=True):
        found |= zip(chunk, part, strict=True)
        if told:
            told(len(found), len(every))
    rows = [found[i] for i in range(len(every))]
    for row, change, label in zip(rows, every, labels(every), strict=True):
        row["label"], row["longest_burn_logged_s"] = label, _outgrown(campaign, row, change)
        row["lasts"] = LASTS[fate(row, interval_error(question.draws))[0]]
    error, where = _discretisation(rows, every, [
        Start.of(question, campaign, knowledge, n, X[:, :1])
        for n in (resolution.finer(), resolution)
    ], executor)
    document = {
        "schema": SCHEMA, "title": question.title, "path": str(question.path),
        "case": {"title": campaign.case.title, "path": str(campaign.case.path)},
        "versions": {"wallsim": __version__}, "from": knowledge.origin,
        "draws": question.draws, "rough_intervals": question.draws < ROUGH,
        "interval_error": interval_error(question.draws), "factor": question.factor,
        "untold": dict(knowledge.untold),
        "varied": {name: list(values) for name, values in question.varied.items()},
        "planned": question.plan is not None, "slips": list(question.slips),
        "horizon_s": HORIZON, "discretisation_error_K": error, "discretisation_error_of": where,
        "firings": rows,
        "measurable": None if start.stand is None else _measuring(start.stand, rows),
        "caution": DISCLAIMER,
    }
    document["verdict"] = verdict(document)
    return document, table(rows)


def _draws(
    question: WhatIf, campaign: Campaign, knowledge: Knowledge, resolution: Resolution,
    executor: Executor,
) -> Array:
    """Return draws of a firing to come, their spread exact for those fired that changes are of.

    Of each blend the first; a changed firing has other gradients, but nearly in their directions.
    """
    first = {f.blend.name: f for f in reversed(campaign.firings)}
    blends = dict.fromkeys(change.blend or campaign.firings[0].blend.name
                           for change in question.changes)
    exact = draws_for(knowledge.to_come(), campaign, [first[blend] for blend in blends],
                      question.draws, resolution, executor)
    return knowledge.draw(question.draws, firing=True) if exact is None else exact


def _chunks(every: tuple[Change, ...], size: int) -> list[list[int]]:
    """Return which firings to march together, at most ``size``: of one metal, of few tubes."""
    def metal(i: int) -> str:
        return every[i].metal or ""

    order = sorted(range(len(every)),
                   key=lambda i: (metal(i), every[i].bore or 0.0, every[i].wall or 0.0))
    same = [list(each) for _, each in groupby(order, metal)]
    return [each[i : i + size] for each in same for i in range(0, len(each), size)]


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
) -> tuple[float | None, str | None]:
    """Return the error of the bore peak [K] by halved cells and steps, and the firing it is of.

    The largest of three firings: the hottest, the coolest and the middle one. None where all three
    leave the table of their metal.
    """
    peaks = [row["bore_peak_K"]["estimate"] or np.inf for row in rows]
    some = sorted({int(np.argmax(peaks)), int(np.argmin(peaks)), len(rows) // 2})
    tasks = [(start, (every[i],)) for i in some for start in starts]
    peaks = [row["bore_peak_K"]["estimate"]
             for (row,) in executor.map(_answer, *zip(*tasks, strict=True))]
    pairs = zip(some, peaks[::2], peaks[1::2], strict=True)
    errors = [(4.0 / 3.0 * abs(a - b), rows[i]["label"]) for i, a, b in pairs if a and b]
    return max(errors, default=(None, None))


def _answer(start: Start, changes: tuple[Change, ...]) -> list[dict[str, Any]]:
    """Return the rows of firings, marched together; one by one where that fails."""
    try:
        return _together(start, changes)
    except (TableRangeError, ConvergenceError) as error:
        if len(changes) == 1:
            raise type(error)(f"{labels(changes)[0]}: {error}") from error
    return [row for change in changes for row in _answer(start, (change,))]


def _together(task: Start, changes: tuple[Change, ...]) -> list[dict[str, Any]]:
    firings = ChangedFiring.each_of(task, changes)
    parts: list[list[Part]] = [[] for _ in firings]
    for i in range(max(change.firings for change in changes)):
        some = [j for j, change in enumerate(changes) if change.firings > i]
        fired = _fired(task, [firings[j] for j in some], [parts[j] for j in some])
        for j, part in zip(some, fired, strict=True):
            parts[j].append(part)
    longer = _going_on(task, firings, parts)
    return [read_off(task, firing.base, firing.change, firing, each, on)
            for firing, each, on in zip(firings, parts, longer, strict=True)]


def _fired(
    task: Start, firings: list[ChangedFiring], before: list[list[Part]]
) -> list[Part]:
    """Return the next firing of each, with the cool-down after it."""
    ensembles, starts, burns, rests = [], [], [], []
    for firing, parts in zip(firings, before, strict=True):
        burn, change, i = firing.burn, firing.change, len(parts)
        ensembles.append(firing.firing(burn, i * burn))
        burns.append(_steps(0.0, burn, task.resolution))
        rest = COOL_DOWN if i == change.firings - 1 else change.pause or PAUSE
        rests.append(_cooling(burn, burn + rest, task.resolution))
        start = change.start or task.question.case.tube.outside.ambient
        T = np.full((firing.ensemble.wall.size, firing.ensemble.n), start)
        starts.append(parts[-1].whole.track.T[-1] if parts else T)
    burning = march(ensembles, burns, starts)
    cooling = march(ensembles, rests, [track.T[-1] for track in burning])
    return [
        Part(ensemble, firing.burn, T, burn,
             Followed.of(burn.then(cool), ensemble.table_end, parts[-1].whole if parts else None))
        for ensemble, firing, T, burn, cool, parts
        in zip(ensembles, firings, starts, burning, cooling, before, strict=True)
    ]


def _going_on(
    task: Start, firings: list[ChangedFiring], before: list[list[Part]]
) -> list[Part]:
    """Return the last of each one's firings, its burn going on."""
    last = [parts[-1] for parts in before]
    ensembles = [firing.firing(np.inf, (firing.change.firings - 1) * firing.burn)
                 for firing in firings]
    steps = [_steps(p.burn, max(HORIZON, p.burn + 1.0), task.resolution) for p in last]
    further = march(ensembles, steps, [p.raw.T[-1] for p in last],
                    [e.table_end for e in ensembles])
    whole = [p.raw.then(track) for p, track in zip(last, further, strict=True)]
    return [
        Part(on, p.burn, p.start, raw, Followed.of(
            raw, on.table_end, parts[-2].whole if len(parts) > 1 else None))
        for on, p, raw, parts in zip(ensembles, last, whole, before, strict=True)
    ]


def _steps(start: float, end: float, resolution: Resolution) -> Schedule:
    """Return burning steps; fine after ignition, long in a burn that goes on."""
    if start == 0.0:
        return Schedule.of(end, end, resolution.fineness)
    return going_on(start, end, resolution.fineness)


def _cooling(start: float, end: float, resolution: Resolution) -> Schedule:
    whole = Schedule.of(start, end, resolution.fineness)
    first = int(np.argmin(np.abs(whole.t - start)))
    return Schedule(whole.t[first:], whole.burning[first:])
