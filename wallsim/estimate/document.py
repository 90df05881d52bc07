"""The result of a fit as one document (``result.json``) and one table of traces a run."""

from __future__ import annotations

import hashlib
import platform
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from importlib.metadata import version
from itertools import repeat
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from wallsim import __version__
from wallsim.build import Firing, all_blocks
from wallsim.estimate.bore import BoreReadouts, bore_readouts
from wallsim.estimate.compare import comparisons
from wallsim.estimate.deposits import blend_document
from wallsim.estimate.identify import NOTHING, coefficient_told, untold_unknowns
from wallsim.estimate.joint import Estimate
from wallsim.estimate.laws import LawChoice
from wallsim.estimate.limits import at_bounds, collinear
from wallsim.estimate.readouts import AlongTube, plain, single
from wallsim.estimate.residuals import residual_tests, trace_tests
from wallsim.estimate.run_deposits import run_deposit
from wallsim.estimate.run_model import RunModel, WallBuilder, readings
from wallsim.estimate.scatter import scatters
from wallsim.estimate.shedding import suspected_shedding
from wallsim.estimate.verdict import verdict
from wallsim.estimate.weights import Weights
from wallsim.quick.witnesses import quick_looks

Array = NDArray[np.float64]

SCHEMA = "wallsim.fit/1"
FAR_FROM_PRIOR = 3.0


def build(
    estimate: Estimate, executor: Executor, begun: float,
    laws: Mapping[str, LawChoice] | None = None,
) -> tuple[dict[str, Any], dict[str, pd.DataFrame]]:
    """Return the document and the traces of a fit that began at ``begun`` [s, perf_counter].

    ``laws`` is the choice of growth law of the blends whose laws were compared.
    """
    along = AlongTube.of(estimate)
    builder = WallBuilder(estimate.unknowns, estimate.resolution)
    wall, slope = builder.at(estimate.x)
    limit = estimate.campaign.case.fit.limit_temperature
    bores = list(executor.map(
        bore_readouts, estimate.runs, repeat(estimate.x), repeat(wall), repeat(slope),
        repeat(along.z), repeat(limit),
    ))
    by_run = dict(zip((run.name for run in estimate.runs), bores, strict=True))
    errors = discretisation_errors(estimate, executor)
    tests, campaign_test = residual_tests(trace_tests(estimate))
    blends = {
        n: blend_document(estimate, along, n, by_run, (laws or {}).get(n))
        for n in estimate.unknowns.t_ref
    }
    suspected = suspected_shedding(estimate, executor, wall, slope)
    document: dict[str, Any] = {
        "schema": SCHEMA,
        "case": {
            "title": estimate.campaign.case.title,
            "path": str(estimate.campaign.case.path),
            "resolved": estimate.campaign.case.resolved,
        },
        "remarks": list(estimate.campaign.remarks),
        "inputs": _inputs(estimate),
        "versions": _versions(),
        "runs": {
            f.run.name: _run(estimate, f, run, by_run[run.name], errors[run.name], tests) | {
                "deposit": run_deposit(estimate, along, run, blends),
                "shedding_suspected": suspected.get(run.name),
            }
            for f, run in zip(estimate.campaign.firings, estimate.runs, strict=True)
        },
        "gas_side": _gas_side(estimate, along, blends),
        "blends": blends,
        "comparisons": comparisons(estimate, along, blends),
        "parameters": _parameters(estimate, blends),
        "stations": [
            {"sensor": s.name, "z_m": s.z.value} for s in estimate.campaign.case.sensors
        ],
        "limit_temperature_K": limit,
        "fit": _fit(estimate, errors) | {"residual_test": campaign_test},
        "quick_looks": quick_looks(estimate.campaign),
    }
    document["verdict"] = verdict(document)
    frames = {
        f.run.name: _frame(estimate, f, run)
        for f, run in zip(estimate.campaign.firings, estimate.runs, strict=True)
    }
    document["fit"]["seconds"] = time.perf_counter() - begun
    return document, frames


def discretisation_errors(estimate: Estimate, executor: Executor) -> dict[str, Array]:
    """Return the estimated discretisation error of every trace by run [K].

    Difference to a march with all cells and steps halved, times 4/3 (Richardson, for second
    order in time; the error in space is of higher order and so overstated).
    """
    fine_at = estimate.resolution.finer()
    campaign, unknowns = estimate.campaign, estimate.unknowns
    fine = [RunModel.of(campaign, f, unknowns, fine_at) for f in campaign.firings]
    walls = [WallBuilder(unknowns, n).at(estimate.x)[0] for n in (estimate.resolution, fine_at)]
    out = {}
    coarse_T = list(executor.map(_values, estimate.runs, repeat(estimate.x), repeat(walls[0])))
    fine_T = list(executor.map(_values, fine, repeat(estimate.x), repeat(walls[1])))
    for run, a, b in zip(estimate.runs, coarse_T, fine_T, strict=True):
        out[run.name] = np.array(
            [4.0 / 3.0 * float(np.abs(p - q).max()) for p, q in zip(a, b, strict=True)]
        )
    return out


def _values(run: RunModel, x: Array, wall: Any) -> tuple[Array, ...]:
    return readings(run, x, wall, None, derivatives=False).T


def _inputs(estimate: Estimate) -> list[dict[str, str]]:
    case = estimate.campaign.case
    paths = [case.path] if case.tube.mesh is None else [case.path, case.tube.mesh]
    files = [
        {"path": str(p), "sha256": hashlib.sha256(p.read_bytes()).hexdigest()} for p in paths
    ]
    logs = [{"path": str(f.log.path), "sha256": f.log.sha256} for f in estimate.campaign.firings]
    return [*files, *logs]


def _versions() -> dict[str, str]:
    packages = ("numpy", "scipy", "scikit-fem", "pandas")
    out = {"wallsim": __version__, "python": platform.python_version()}
    return out | {name: version(name) for name in packages}


def _run(
    estimate: Estimate, firing: Firing, run: RunModel, bore: BoreReadouts, errors: Array,
    tests: Mapping[tuple[str, str], Any],
) -> dict[str, Any]:
    C, events = estimate.covariance, firing.events
    limit = bore.limit_time.interval(C) if bore.limit_time else None
    return {
        "blend": firing.blend.name,
        "ignition_s": events.ignition,
        "shutdown_s": events.shutdown,
        "burn_s": firing.burn,
        "plateau_pressure_Pa": events.plateau,
        "heating_factor": single(estimate, f"heating factor {run.name}"),
        "bore_peak_K": bore.peak.interval(C),
        "bore_peak_z_m": bore.peak_z,
        "time_to_limit_s": limit,
        "time_to_limit_note": bore.limit_note,
        "z_m": plain(bore.z),
        "local_pressure_Pa": plain(firing.local_pressure(bore.z, events.plateau)),
        "heat_flux_W_m2": bore.flux.interval(C),
        "bore_temperature_K": bore.shutdown_temperature.interval(C),
        "channels": _channels(estimate, firing, run, errors, tests),
        "residuals_together": _together(estimate.weights[run.name]),
        "log_notes": [*firing.log.assumptions, f"{firing.log.lost_scans} scans lost"],
    }


def _together(weights: Sequence[Weights]) -> dict[str, float] | None:
    """Return how far the residuals of a firing's traces go together; None without a trace."""
    if not weights:
        return None
    found = weights[0].together
    return {"ratio": found.ratio, "chance": found.chance, "counted_less_by": found.factor}


def _channels(
    estimate: Estimate, firing: Firing, run: RunModel, errors: Array,
    tests: Mapping[tuple[str, str], Any],
) -> dict[str, dict[str, Any]]:
    place = {t.sensor: i for i, t in enumerate(run.traces)}
    out = {}
    for s in estimate.campaign.case.sensors:
        c = firing.channels[s.name]
        i = place.get(s.name)
        entry: dict[str, Any] = {
            "z_m": s.z.value, "verdict": c.verdict, "used_from_s": c.used_from,
            "used_until_s": c.used_until, "reason": c.reason, "samples": 0, "rms_K": None,
            "lag1": None, "discretisation_error_K": None, "zero_K": c.zero, "noise_K": c.noise,
            "whitened": tests.get((run.name, s.name)),
        }
        if i is not None:
            r = estimate.residuals[run.name][i]
            noise = estimate.weights[run.name][i].noise
            entry |= {
                "samples": run.traces[i].samples,
                "rms_K": float(np.sqrt(np.mean(r**2))),
                "lag1": noise.process.lag1,
                "effective_samples": noise.effective_samples(r.size),
                "discretisation_error_K": float(errors[i]),
            }
        out[s.name] = entry
    return out


def _gas_side(
    estimate: Estimate, along: AlongTube, blends: Mapping[str, Mapping[str, Any]]
) -> dict[str, Any]:
    campaign = estimate.campaign
    told = coefficient_told(campaign, blends)
    bare = [f for f in campaign.firings if f.blend.deposit is None] or list(campaign.firings)
    pressure = campaign.reference_pressure
    return {
        "z_m": plain(along.z),
        "identifiable": told,
        "coefficient_W_m2K": along.coefficient().interval(estimate.covariance) if told else dict(
            NOTHING),
        "reference_pressure_Pa": pressure,
        "local_pressure_Pa": plain(bare[0].local_pressure(along.z, pressure)),
    }


def _parameters(
    estimate: Estimate, blends: Mapping[str, Mapping[str, Any]]
) -> list[dict[str, Any]]:
    prior, C = estimate.unknowns.prior, estimate.covariance
    bounds = {b["parameter"] for b in at_bounds(estimate)}
    withheld = untold_unknowns(estimate, blends)
    out = []
    for i, p in enumerate(prior.parameters):
        if i in withheld:
            out.append({
                "name": p.name, "unit": p.unit, "estimate": None, "sd": None,
                "prior_mean": p.value(p.mean), "prior_sd": p.spread(p.mean, p.sd),
                "at_bound": False, "pull": None, "far_from_prior": False,
            })
            continue
        pull = (estimate.x[i] - p.mean) / p.sd
        out.append({
            "name": p.name, "unit": p.unit, "estimate": p.value(estimate.x[i]),
            "sd": p.spread(estimate.x[i], float(np.sqrt(C[i, i]))),
            "prior_mean": p.value(p.mean), "prior_sd": p.spread(p.mean, p.sd),
            "at_bound": p.name in bounds, "pull": float(pull), "far_from_prior": bool(
                abs(pull) > FAR_FROM_PRIOR),
        })
    return out


def _fit(estimate: Estimate, errors: dict[str, Array]) -> dict[str, Any]:
    samples = sum(t.t.size for run in estimate.runs for t in run.traces)
    effective = sum(
        w.noise.effective_samples(t.t.size)
        for run in estimate.runs
        for t, w in zip(run.traces, estimate.weights[run.name], strict=True)
    )
    firings = len(estimate.runs)
    return {
        "converged": estimate.converged,
        "misfit": estimate.chi2,
        "reduced_chi2": estimate.chi2 / samples,
        "prior_chi2": estimate.prior_chi2,
        "unknowns": int(estimate.x.size),
        "evaluations": estimate.evaluations,
        "seconds": None,
        "seconds_cover": "fit and reading off; not the logs read, nor the report drawn",
        "condition": estimate.condition,
        "discretisation_error_K": float(max(e.max() for e in errors.values())),
        "tolerance_K": estimate.campaign.case.fit.tolerance,
        "resolution": {
            "cells_through_the_wall": estimate.resolution.n_r,
            "cells_along": estimate.resolution.n_z,
            "fineness": estimate.resolution.fineness,
        },
        "collinear": collinear(estimate),
        "at_bounds": at_bounds(estimate),
        "scatter_between_firings": scatters(estimate.unknowns),
        "marches": estimate.work["marches"],
        "marches_per_run": estimate.work["marches"] / firings,
        "work": estimate.work,
        "blocks": samples,
        "effective_samples": effective,
    }


def _frame(estimate: Estimate, firing: Firing, run: RunModel) -> pd.DataFrame:
    """Return measured and fitted block means of one run on the log's clock."""
    block, zero = firing.block, firing.events.ignition
    every = np.arange(int(firing.end / block) + 1)
    columns: dict[str, Any] = {"time_s": zero + (every + 0.5) * block}
    residuals = dict(
        zip((t.sensor for t in run.traces), estimate.residuals[run.name], strict=True)
    )
    traces = {t.sensor: t for t in run.traces}
    for s in estimate.campaign.case.sensors:
        measured, fitted = np.full(every.size, np.nan), np.full(every.size, np.nan)
        used = np.zeros(every.size, dtype=int)
        index, T = all_blocks(firing, s.name, s.channel)
        measured[index[index < every.size]] = T[index < every.size]
        if s.name in traces:
            trace, r = traces[s.name], residuals[s.name]
            keep = trace.index < every.size
            at = trace.index[keep]
            measured[at], used[at] = trace.T[keep], 1
            fitted[at] = trace.T[keep] + r[keep]
        columns[f"{s.name} measured [K]"] = measured
        columns[f"{s.name} fitted [K]"] = fitted
        columns[f"{s.name} used"] = used
    return pd.DataFrame(columns)
