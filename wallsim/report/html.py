"""The report as one self-contained page: no script, no request to anywhere."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import jinja2
import numpy as np

from wallsim.report.compared import pair_rows
from wallsim.report.document import Document, array
from wallsim.report.growth_laws import law_rows, law_text
from wallsim.report.other_intervals import WAYS, how, interval_rows, used
from wallsim.report.style import Drawing
from wallsim.report.words import (
    LEVELS,
    PER_MM2,
    beyond_text,
    celsius_text,
    channel_counts,
    channel_faults,
    channel_use,
    coefficient_at,
    counts_text,
    deposit_text,
    dominance_text,
    has_limit,
    limit_celsius,
    shown,
    stations,
    stretch_text,
)
from wallsim.rounding import fixed, interval_text, number, significant


def page(document: Document, drawings: Sequence[Drawing]) -> str:
    """Return the report as HTML text."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).with_name("templates")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["unbroken"] = lambda text: str(text).replace(" to ", "\xa0to\xa0")
    environment.filters["shown"] = shown
    case = document["case"]
    return environment.get_template("report.html").render(
        title=case.get("title") or "untitled campaign",
        path=case.get("path") or "-",
        verdict=verdict_lines(document),
        deposits=list(_deposit_rows(document)),
        laws=law_rows(document),
        intervals=interval_rows(document),
        ways=[WAYS[way] for way in used(document)],
        how=how(document),
        pairs=list(pair_rows(document)),
        compared_at=fixed((document.get("comparisons") or {}).get("at_s"), 1),
        bare=[n for n, b in document["blends"].items() if not b.get("deposit")],
        gas=_gas_rows(document),
        reference=fixed(document["gas_side"].get("reference_pressure_Pa"), 2, 1e-5),
        blends=list(_blend_rows(document)),
        factors=any(_factor(b) != "1" for b in document["blends"].values()),
        water=any(b.get("water") for b in document["blends"].values()),
        runs=list(_run_rows(document)),
        faults=channel_faults(document),
        stretch=stretch_text(document),
        has_limit=has_limit(document),
        limit=limit_celsius(document),
        beyond=beyond_text(document),
        parameters=[_parameter_row(p) for p in document.get("parameters") or []],
        fit=_fit_rows(document.get("fit") or {}),
        validity=[str(line) for line in document.get("validity") or []],
        inputs=document.get("inputs") or [],
        versions=document.get("versions") or {},
        resolved=json.dumps(case.get("resolved") or {}, indent=2, ensure_ascii=False),
        figures=_figures(drawings),
    )


def verdict_lines(document: Document) -> list[dict[str, str]]:
    """Return level, heading and text of each line of the verdict, in the given order."""
    lines = []
    for item in document.get("verdict") or []:
        level = item.get("level", "note")
        level = level if level in LEVELS else "note"
        text = shown(str(item.get("text", "")))
        lines.append({"level": level, "word": LEVELS[level], "text": text})
    return lines


def _figures(drawings: Sequence[Drawing]) -> dict[str, list[dict[str, Any]]]:
    figures: dict[str, list[dict[str, Any]]] = {"deposit": [], "gas side": [], "runs": []}
    for d in drawings:
        figures[d.section].append(
            {
                "title": d.title,
                "caption": d.caption,
                "width": d.width,
                "height": d.height,
                "data": base64.b64encode(d.png).decode("ascii"),
            }
        )
    return figures


def _deposit_rows(document: Document) -> Iterator[dict[str, Any]]:
    for name, blend in document["blends"].items():
        deposit = blend.get("deposit")
        if not deposit:
            continue
        items = deposit.get("dominated_by") or []
        yield {
            "blend": name,
            "at": fixed(deposit.get("at_s"), 1),
            "resistance": deposit_text(deposit, "mean_resistance_m2K_W", PER_MM2),
            "removed": deposit_text(deposit, "heat_load_removed", 100.0),
            "thickness": deposit_text(deposit, "mean_thickness_m", 1e6),
            "law": law_text(deposit),
            "reason": deposit.get("reason") or "",
            "identifiable": bool(deposit.get("identifiable")),
            "limits": [
                {"text": dominance_text(item), "advice": item.get("advice") or ""} for item in items
            ],
        }


def _blend_rows(document: Document) -> Iterator[dict[str, str]]:
    for name, blend in document["blends"].items():
        yield {
            "blend": name,
            "silicon": fixed(blend.get("silicon"), 2, 100.0),
            "water": fixed(blend.get("water"), 1, 100.0),
            "factor": _factor(blend),
            "gas": celsius_text(blend.get("gas_temperature_K")),
        }


def _factor(blend: Document) -> str:
    """Return a blend's own factor on the coefficient; "1" where it shares the campaign's."""
    interval = blend.get("coefficient_factor")
    if not interval or set(interval.values()) == {1.0}:
        return "1"
    return interval_text(interval)


def _gas_rows(document: Document) -> list[dict[str, str]]:
    gas = document["gas_side"]
    own_z, p = array(gas["z_m"]), array(gas.get("local_pressure_Pa"))
    rows = []
    for names, z in stations(document):
        local = float(np.interp(z, own_z, p)) if p.size else np.nan
        rows.append(
            {
                "station": names,
                "z": fixed(z, 0, 1e3),
                "pressure": fixed(local, 2, 1e-5),
                "h": interval_text(coefficient_at(document, z)),
            }
        )
    return rows


def _run_rows(document: Document) -> Iterator[dict[str, Any]]:
    for name, run in document["runs"].items():
        yield {
            "run": name,
            "blend": run.get("blend") or "-",
            "ignition": fixed(run.get("ignition_s"), 2),
            "burn": fixed(run.get("burn_s"), 2),
            "pressure": fixed(run.get("plateau_pressure_Pa"), 2, 1e-5),
            "factor": interval_text(run.get("heating_factor")),
            "peak": celsius_text(run.get("bore_peak_K")),
            "peak_z": fixed(run.get("bore_peak_z_m"), 0, 1e3),
            "limit": _limit_text(run),
            "used": counts_text(run),
            "total": channel_counts(run)[2],
            "notes": [str(note) for note in run.get("log_notes") or []],
            "channels": list(_channel_rows(run)),
        }


def _limit_text(run: Document) -> str:
    if run.get("time_to_limit_s"):
        return interval_text(run["time_to_limit_s"])
    return str(run.get("time_to_limit_note") or "-")


def _channel_rows(run: Document) -> Iterator[dict[str, Any]]:
    for sensor, channel in (run.get("channels") or {}).items():
        yield {
            "sensor": sensor,
            "z": fixed(channel.get("z_m"), 0, 1e3),
            "verdict": channel.get("verdict") or "-",
            "use": channel_use(channel, run),
            "samples": channel.get("samples") or 0,
            "rms": fixed(channel.get("rms_K"), 2),
            "lag1": fixed(channel.get("lag1"), 2),
            "error": fixed(channel.get("discretisation_error_K"), 2),
            "reason": channel.get("reason") or "",
        }


def _parameter_row(p: Mapping[str, Any]) -> dict[str, Any]:
    sd, prior_sd = number(p.get("sd")), number(p.get("prior_sd"))
    narrowed = np.isfinite(sd) and np.isfinite(prior_sd) and prior_sd > 0.0
    far = "far from what was stated" if p.get("far_from_prior") else ""
    return {
        "name": p.get("name", "-"),
        "unit": p.get("unit") or "-",
        "estimate": significant(p.get("estimate"), 4),
        "sd": significant(sd, 2),
        "prior": significant(p.get("prior_mean"), 4),
        "prior_sd": significant(prior_sd, 2),
        "ratio": fixed(sd / prior_sd, 2) if narrowed else "-",
        "remark": "at its bound" if p.get("at_bound") else far,
    }


def _samples_text(fit: Document) -> str:
    effective = fixed(fit.get("effective_samples"), 0)
    blocks = fixed(fit.get("blocks"), 0)
    return f"{effective} of {blocks}"


def _collinear_text(pairs: Sequence[Mapping[str, Any]]) -> str:
    texts = []
    for pair in pairs:
        one, other = pair["parameters"]
        alike = pair["pairs_alike"] - 1
        more = f", and {alike} pairs like it" if alike else ""
        texts.append(f"{one} and {other} ({fixed(pair['correlation'], 3)}{more})")
    return "; ".join(texts)


def _fit_rows(fit: Document) -> list[tuple[str, str]]:
    cover = fit.get("seconds_cover")
    seconds = f"time taken [s]: {cover}" if cover else "time taken [s]"
    rows = [
        ("converged", "yes" if fit.get("converged") else "no"),
        ("misfit, as in the progress line", significant(fit.get("misfit"), 4)),
        ("reduced chi-square: misfit per block mean", significant(fit.get("reduced_chi2"))),
        ("evaluations", fixed(fit.get("evaluations"), 0)),
        ("unknowns", fixed(fit.get("unknowns"), 0)),
        ("marches of the wall", fixed(fit.get("marches"), 0)),
        ("independent samples (of block means)", _samples_text(fit)),
        (seconds, fixed(fit.get("seconds"), 1)),
        ("condition number", significant(fit.get("condition"), 2)),
        (
            "largest discretisation error of a reading [K]",
            significant(fit.get("discretisation_error_K"), 2),
        ),
    ]
    test = fit.get("residual_test")
    if test:
        rate = fixed(test["false_alarm_rate"], 0, 100.0)
        rows.append((f"traces whose residuals are not independent (false alarms: {rate} %)",
                     f"{len(test['failed'])} of {test['traces']}"))
    if fit.get("collinear"):
        rows.append(("hardly told apart (correlation)", _collinear_text(fit["collinear"])))
    noise = fit.get("noise")
    if isinstance(noise, Mapping):
        for key, value in noise.items():
            text = significant(value) if isinstance(value, (int, float)) else str(value)
            rows.append((f"noise: {key.replace('_', ' ')}", text))
    return rows
