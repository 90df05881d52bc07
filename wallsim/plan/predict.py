"""March the firings of a case from stated or fitted values, without fitting anything."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import repeat
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from wallsim import __version__
from wallsim.build import Campaign, Firing, all_blocks
from wallsim.errors import ConvergenceError, InputError, TableRangeError
from wallsim.estimate.resolution import first_guess
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder
from wallsim.materials.solid import Solid
from wallsim.plan.answers import (
    ROUGH,
    Side,
    hottest_between,
    interval,
    interval_error,
    peak,
)
from wallsim.plan.directed import draws_for
from wallsim.plan.draws import Knowledge
from wallsim.plan.ensemble import Ensemble, Track
from wallsim.plan.followed import (
    HORIZON,
    Followed,
    going_on,
    not_assessed,
    times_to,
    told_leaving,
)
from wallsim.plan.loads import Grid, elastic_stresses, falls_below, load_interval, margins
from wallsim.plan.predict_words import coarsest, verdict
from wallsim.plan.strength import DISCLAIMER, NO_TABLE
from wallsim.wall.sensors import GRID_STEP, Sampling, even_grid, lag

Array = NDArray[np.float64]

SCHEMA = "wallsim.predict/1"
FACTOR = 4.0
DRAWS = 101
"""The estimate and 50 pairs."""
LEAST_PRESSURE = 1e3
BELOW_AMBIENT = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """What a worker needs for one firing."""

    knowledge: Knowledge
    campaign: Campaign
    firing: Firing
    draws: int
    factor: float


def straight_tube(campaign: Campaign) -> Solid:
    """Return the metal of the tube.

    Raises
    ------
    InputError
        If the case names a mesh file; planning marches a straight tube.
    """
    tube = campaign.case.tube
    if tube.mesh is not None or len(tube.solids) > 1:
        raise InputError(f"{campaign.case.path}: tube.mesh: predict and whatif march a straight "
                         "tube of one metal; copy the case without mesh and regions")
    return next(iter(tube.solids.values()))


def predict_runs(
    campaign: Campaign, knowledge: Knowledge, executor: Executor, *,
    draws: int = DRAWS, factor: float = FACTOR, only: tuple[str, ...] = (),
) -> tuple[dict[str, Any], dict[str, pd.DataFrame]]:
    """Return the document and one frame a run: predicted and, where logged, measured readings.

    Parameters
    ----------
    draws : int
        Of the unknowns, the estimate itself among them.
    factor : float
        Limit load over gas pressure that the owner asks for [-].
    only : tuple of str
        Names of the runs; all of them if empty.

    Raises
    ------
    InputError
        If there is no such run, or the case names a mesh file.
    """
    solid = straight_tube(campaign)
    known = {f.run.name: f for f in campaign.firings}
    for name in only:
        if name not in known:
            raise InputError(f"{campaign.case.path}: run: no run {name}; known: {', '.join(known)}")
    chosen = [f for name, f in known.items() if not only or name in only]
    tasks = [_Task(knowledge, campaign, f, draws, factor) for f in chosen]
    x = draws_for(knowledge, campaign, chosen, draws, first_guess(campaign), executor)
    x = knowledge.draw(draws, firing=False) if x is None else x
    parts = list(executor.map(_one, tasks, repeat(x)))
    runs = {f.run.name: entry for f, (entry, _) in zip(chosen, parts, strict=True)}
    error, whose = coarsest(runs)
    document = {
        "schema": SCHEMA,
        "case": {"title": campaign.case.title, "path": str(campaign.case.path)},
        "versions": {"wallsim": __version__},
        "from": knowledge.origin, "draws": draws, "rough_intervals": draws < ROUGH,
        "interval_error": interval_error(draws), "factor": factor,
        "untold": dict(knowledge.untold), "metal": solid.name,
        "discretisation_error_K": error, "discretisation_error_of": whose, "runs": runs,
        "stations": [{"sensor": s.name, "z_m": s.z.value} for s in campaign.case.sensors],
        "caution": DISCLAIMER,
    }
    document["verdict"] = verdict(document)
    frames = {f.run.name: frame for f, (_, frame) in zip(chosen, parts, strict=True)}
    return document, frames


def _one(task: _Task, x: Array) -> tuple[dict[str, Any], pd.DataFrame]:
    try:
        return _predict(task, x)
    except (TableRangeError, ConvergenceError) as error:
        raise type(error)(f"run {task.firing.run.name}: {error}") from error


def _march(
    task: _Task, resolution: Resolution, x: Array
) -> tuple[RunModel, Ensemble, Track]:
    unknowns = task.knowledge.unknowns
    run = RunModel.of(task.campaign, task.firing, unknowns, resolution)
    wall, slope = WallBuilder(unknowns, resolution).at(x[:, 0])
    p = run.map.constant[:, None] + run.map.matrix @ x
    ensemble = Ensemble(wall, run.surfaces, run.map.parameters, p, slope)
    T0 = np.repeat(run.start[:, None], x.shape[1], axis=1)
    return run, ensemble, ensemble.march(run.schedule, T0)


def _predict(task: _Task, x: Array) -> tuple[dict[str, Any], pd.DataFrame]:
    resolution = first_guess(task.campaign)
    run, ensemble, track = _march(task, resolution, x)
    _, fine, fine_track = _march(task, resolution.finer(), x[:, :1])
    followed = Followed.of(track, ensemble.table_end)
    entry = _entry(task, ensemble, followed)
    entry["limits"] = _limits(task, ensemble, track, resolution)
    coarse_peak = float(_bore(ensemble, track)[:, :, 0].max())
    entry["discretisation_error_K"] = 4.0 / 3.0 * abs(
        coarse_peak - float(_bore(fine, fine_track).max()))
    return entry, _frame(task, run, track, x, followed.left)


def _bore(ensemble: Ensemble, track: Track) -> Array:
    return track.T[:, ensemble.wall.faces["bore"].nodes]


def _limits(
    task: _Task, ensemble: Ensemble, track: Track, resolution: Resolution
) -> dict[str, dict[str, Any]]:
    """Return the limits of the case and of the metal, and when the bore reaches them.

    The burn is marched on from shutdown, at the last pressure while burning.
    """
    stated, burn = task.campaign.case.fit.limit_temperature, task.firing.burn
    every = ({} if stated is None else {"limit": stated}) | straight_tube(task.campaign).limits
    if not every:
        return {}
    n = int(np.argmin(np.abs(track.t - burn))) + 1
    steps = going_on(burn, max(HORIZON, burn + 1.0), resolution.fineness)
    on = ensemble.with_gas(replace(ensemble.surfaces.gas, burn=float(steps.t[-1])))
    further = on.march(steps, track.T[n - 1], ensemble.table_end)
    whole = Track(track.t[:n], track.T[:n]).then(further)
    return times_to(Followed.of(whole, ensemble.table_end), _bore(ensemble, whole).max(axis=1),
                    every, on.surfaces.gas.ambient - BELOW_AMBIENT)


def _at_least(found: dict[str, Any], rows: dict[str, list[float | None]]) -> dict[str, Any]:
    """Return the interval of a peak with ends no lower than those at any point.

    A peak is nowhere below a point, and so are its quantiles; ends that rest on the scatter of
    the draws of each can be.
    """
    ends = {end: [v for v in (found[end], *rows[end]) if v is not None] for end in ("low", "high")}
    return found | {end: max(known) for end, known in ends.items() if found[end] is not None}


def _entry(task: _Task, ensemble: Ensemble, followed: Followed) -> dict[str, Any]:
    """Return what ``result.json`` says of one run."""
    firing, faces, track = task.firing, ensemble.wall.faces, followed.track
    solid = straight_tube(task.campaign)
    T_bore, T_out = _bore(ensemble, track), track.T[:, faces["outside"].nodes]
    hot, when, where = followed.bore_peak(T_bore)
    out, out_when, out_where = peak(track.t, T_out)
    at = int(np.argmin(np.abs(track.t - firing.burn)))
    z, base = faces["bore"].z, ensemble.surfaces.gas.ambient - BELOW_AMBIENT
    lost = followed.lost
    U, T_inf, _ = ensemble.exchange(firing.burn, True)
    then = followed.first(at + 1)
    bore_then = _rows(then.bounded(T_bore[at]), base, then.lost)
    out_then = _rows(then.bounded(T_out[at]), base, then.lost)
    after = slice(1, at + 1)
    burning = replace(then, track=track.of(after), raw=followed.raw.of(after))
    return {
        "blend": firing.blend.name, "burn_s": firing.burn, "ignition_s": firing.events.ignition,
        "plateau_pressure_Pa": firing.events.plateau,
        "bore_peak_K": _at_least(interval(hot, base, lost), bore_then),
        "bore_peak_s": None if lost[0] else float(when[0]),
        "bore_peak_z_m": float(z[where[0]]),
        "bore_peak_between_m": hottest_between(z, T_bore, where),
        "outside_peak_K": _at_least(interval(followed.bounded(out), base, lost), out_then),
        "outside_peak_s": None if lost[0] else float(out_when[0]),
        "outside_peak_z_m": float(faces["outside"].z[out_where[0]]),
        "beyond_the_table": float(lost.mean()),
        "leaves_the_table": told_leaving(followed, solid.name),
        "z_m": z.tolist(),
        "bore_at_shutdown_K": bore_then,
        "outside_at_shutdown_K": out_then,
        "heat_flux_at_shutdown_W_m2": _rows(
            np.where(then.lost, np.nan, U * (T_inf - T_bore[at])), None, then.lost, "unknown"),
        "survival": survival(task, ensemble, burning, solid),
    }


def _rows(
    values: Array, base: float | None, lost: NDArray[np.bool_], side: Side = "above"
) -> dict[str, list[float | None]]:
    """Return the interval of each row of ``values``; ``lost`` by draw, or by row and draw."""
    every = np.broadcast_to(lost, values.shape)
    return _columns([interval(v, base, gone, side)
                     for v, gone in zip(values, every, strict=True)])


def _columns(rows: list[dict[str, float | None]]) -> dict[str, list[float | None]]:
    return {key: [row[key] for row in rows] for key in ("estimate", "low", "high")}


def survival(
    task: _Task, ensemble: Ensemble, followed: Followed, solid: Solid
) -> dict[str, Any]:
    """Return how the limit load stands to the gas pressure while burning."""
    firing, grid, burning = task.firing, Grid.of(ensemble.wall), followed.track
    tap = np.interp(burning.t, firing.pressure.t, firing.pressure.p)
    over = np.array([firing.local_pressure(grid.z, p) for p in tap])
    over = np.maximum(over - task.campaign.case.pressure.barometer, LEAST_PRESSURE)
    out: dict[str, Any] = {
        "assessed": False, "note": NO_TABLE,
        "factor": task.factor, "margin": None, "at_s": None, "z_m": None, "below_factor_s": None,
        **elastic_stresses(grid, burning, followed.lost, over, solid),
    }
    if solid.yield_strength is None:
        return out
    lost, found = followed.lost, margins(grid, burning, over, solid.yield_strength)
    below = falls_below(task.factor, found, grid, followed, over, solid.yield_strength)
    out["below_factor_s"] = followed.reached(below)
    gone = found.t[:, None] > followed.left
    in_time = _columns([
        load_interval(np.where(left, np.nan, row), float(cold), left)
        for row, cold, left in zip(found.lowest, found.cold, gone, strict=True)])
    out["in_time"] = {"time_s": found.t.tolist(), "margin": in_time}
    if lost[0]:
        return out | {"note": not_assessed(followed, solid.name)}
    i = int(found.lowest[:, 0].argmin())
    return out | {
        "assessed": True, "note": "",
        "margin": load_interval(
            followed.bounded(found.lowest.min(axis=0)), float(found.cold.min()), lost),
        "at_s": float(found.t[i]), "z_m": float(grid.z[found.place[i, 0]]),
    }


def _frame(task: _Task, run: RunModel, track: Track, x: Array, left: Array) -> pd.DataFrame:
    """Return predicted readings on the blocks of the log, with what was measured.

    A draw ends where it has ``left`` the table of the metal [s].
    """
    firing, ambient = task.firing, run.surfaces.gas.ambient
    grid = even_grid(float(track.t[-1]))
    seen = np.einsum("sn,tnd->tsd", run.observe.toarray(), track.T)
    on_grid = CubicSpline(track.t, seen)(np.minimum(grid, track.t[-1]))
    every = np.arange(int(firing.end / firing.block))
    t = np.asarray((every + 0.5) * firing.block, dtype=np.float64)
    offset = run.map.offset_fixed if run.map.offset is None else x[run.map.offset, 0]
    sampling = Sampling.at(t - offset, grid.size, GRID_STEP)
    gone = t[:, None] > left
    columns: dict[str, Array] = {"time_s": firing.events.ignition + t}
    channels = {s.name: s.channel for s in task.campaign.case.sensors}
    for i, (trace, sensor) in enumerate(zip(run.traces, run.sensors, strict=True)):
        def value(place: int | None, stated: float) -> Array:
            return np.full(x.shape[1], stated) if place is None else x[place]

        T, slope = on_grid[:, i], on_grid[:, len(run.sensors) + i]
        loss, shift = value(sensor.place.loss, sensor.loss), value(sensor.place.shift, 0.0)
        hotter = value(sensor.place.heating, 0.0)
        tau = value(sensor.place.lag, np.log(sensor.lag) if sensor.lag > 0.0 else -np.inf)
        shown = T + (hotter - loss) * (T - ambient) + shift * slope
        lagged = np.column_stack([
            lag(shown[:, d], s)[0] if (s := float(np.exp(tau[d]))) > 0.0 else shown[:, d]
            for d in range(x.shape[1])
        ])
        readings = np.where(gone, np.nan, sampling.value @ lagged)
        rows = _rows(readings, ambient - BELOW_AMBIENT, gone)
        for key, word in (("estimate", "predicted"), ("low", "low"), ("high", "high")):
            columns[f"{trace.sensor} {word} [K]"] = np.array(rows[key], dtype=float)
        measured = np.full(every.size, np.nan)
        index, T_log = all_blocks(firing, trace.sensor, channels[trace.sensor])
        measured[index[index < every.size]] = T_log[index < every.size]
        columns[f"{trace.sensor} measured [K]"] = measured
    return pd.DataFrame(columns)
