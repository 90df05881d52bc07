"""The first lines a reader sees: what was found, what limits it, what failed."""

from __future__ import annotations

import math
from typing import Any

from wallsim.estimate.cautions import (
    cautions,
    on_growth_alone,
    pulled_both_ways,
    pulled_one_way,
)
from wallsim.estimate.missed import correlated_traces, missed_traces, together_lines
from wallsim.estimate.shedding_words import shedding_lines
from wallsim.logs.spike_words import without_ignition_spikes
from wallsim.rounding import interval_text, upper_limit_text

MANY = 4
STATED = ("constant", "linear", "saturating")
IN_DOUBT = "In doubt until the problems above are settled."
ODD_FIRING = 5.0
"""Stated scatters between firings beyond which a heating factor is no scatter."""
OF_THE_WALL = ("conductivity scale", "heat capacity scale", "wall thickness")
NOT_AS_STATED = 5.0
"""Stated standard deviations beyond which one of these is no error of what is stated."""


def verdict(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return the lines of the verdict, worst first; ``bad`` marks a failed quality gate."""
    lines: list[dict[str, str]] = []
    fit = document["fit"]
    if not fit["converged"]:
        lines.append(_line("bad", "The fit did not converge; no number below can be relied on."))
    lines.extend(_growth(document))
    lines.extend(shedding_lines(document))
    lines.extend(cautions(document))
    lines.extend(_softened(document))
    lines.extend(missed_traces(document))
    lines.extend(correlated_traces(document))
    lines.extend(together_lines(document))
    lines.extend(_bounds(document))
    lines.extend(_pulls(document))
    lines.extend(odd_firings(document))
    if fit["discretisation_error_K"] > fit["tolerance_K"]:
        lines.append(_line(
            "warning",
            f"The estimated discretisation error is {fit['discretisation_error_K']:.2f} K, above "
            f"the {fit['tolerance_K']:g} K asked for.",
        ))
    lines.extend(_lost(document))
    lines.extend(_deposits(document, [line for line in lines if line["level"] == "bad"]))
    if not fit["converged"]:
        lines = [line | {"level": "note"} if line["level"] == "good" else line for line in lines]
    order = ("bad", "warning", "good", "note")
    return sorted(lines, key=lambda line: order.index(line["level"]))


def _line(level: str, text: str) -> dict[str, str]:
    return {"level": level, "text": text}


def _deposits(
    document: dict[str, Any], problems: list[dict[str, str]]
) -> list[dict[str, str]]:
    """Return a line for each blend's deposit; none is good where the fit has ``problems``.

    All firings are fitted at once, so what spoils one of them bears on every blend.
    """
    doubtful, out = on_growth_alone(document), []
    for name, blend in document["blends"].items():
        if blend["deposit"] is None:
            continue
        line = _deposit(name, blend["deposit"])
        if line["level"] == "good":
            if problems and document["fit"]["converged"]:
                line = _line("warning", f"{line['text']} {IN_DOUBT}")
            elif name in doubtful or _perhaps_none(blend["deposit"]):
                line = line | {"level": "warning"}
        out.append(line)
    return out


def _perhaps_none(deposit: dict[str, Any]) -> bool:
    """Return whether the logs do not tell a deposit from none, its growth being unknown."""
    return "none" in ((deposit.get("growth_laws") or {}).get("untold") or ())


def _deposit(name: str, deposit: dict[str, Any]) -> dict[str, str]:
    if not deposit["identifiable"]:
        both = interval_text(deposit["mean_combined_resistance_m2K_W"], 1e6)
        return _line("bad", f"{name}: the deposit's resistance is not identifiable: "
                            f"{deposit['reason']}. The logs tell only the sum of gas side and "
                            f"deposit, mean 1/h + R = {both} mm²K/W.")
    R = deposit["mean_resistance_m2K_W"]
    if deposit["upper_limit_only"]:
        return _line("warning", f"{name}: the deposit {deposit['reason']}. Mean resistance below "
                                f"{upper_limit_text(1e6 * R['high']).removeprefix('below ')} "
                                "mm²K/W.")
    removed = deposit["heat_load_removed"]
    text = (
        f"{name}: mean deposit resistance {interval_text(R, 1e6)} mm²K/W after "
        f"{deposit['at_s']:.1f} s; it keeps out {interval_text(removed, 100.0)} % of the bare "
        "wall's heat."
    )
    if deposit["dominated_by"]:
        first = deposit["dominated_by"][0]
        share = f"{100 * first['share']:.0f} %"
        text += f" Largest cause of the uncertainty: {first['parameter']} ({share})"
        text += f"; {first['advice']}." if first["advice"] else "."
    return _line("good", text)


def _bounds(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return a line for each parameter at a bound; it fails the gate if its interval is beyond."""
    return [
        _line("note", f"{b['parameter']} is estimated at its bound of {b['bound']:g}.")
        if b.get("share") else _line(
            "bad" if b["beyond"] else "warning",
            f"{b['parameter']} is estimated at {b['estimate']:.3g}{_unit(b)}, "
            f"{'beyond' if b['beyond'] else 'at'} its bound of {b['bound']:g}. Check what the "
            "case file states of it.",
        )
        for b in document["fit"].get("at_bounds") or []
    ]


def _unit(bound: dict[str, Any]) -> str:
    return "" if bound["unit"] == "1" else f" {bound['unit']}"


def _growth(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return what the logs say of growth laws where these were compared, alike blends together."""
    said: dict[tuple[str, str], list[str]] = {}
    for name, blend in document["blends"].items():
        found = (blend["deposit"] or {}).get("growth_laws")
        law = (blend["deposit"] or {}).get("law")
        if not found and law in STATED:
            text = (f"{law} growth, as the case states, was not held against the logs; "
                    "--laws does that")
            said.setdefault(("note", text), []).append(name)
        if found:
            level = "warning" if found["contradicted"] else "note"
            text = found["text"]
            if blend["deposit"].get("identifiable") is False:
                text = text.partition("; R is ")[0]
            said.setdefault((level, text), []).append(name)
    return [
        _line(level, f"{', '.join(names)}: {text}.") for (level, text), names in said.items()
    ]


def _softened(document: dict[str, Any]) -> list[dict[str, str]]:
    out = []
    for name, blend in document["blends"].items():
        found = (blend["deposit"] or {}).get("softening")
        if found and found["exceeded"]:
            surface = interval_text(found["surface_K"], shift=-273.15)
            out.append(_line(
                "warning",
                f"{name}: with the resistance found the deposit's surface would reach {surface} "
                f"degC in {found['run']}, above the softening temperature of "
                f"{found['softening_K'] - 273.15:.0f} degC: it would have flowed off. Resistance, "
                "gas temperature or softening temperature is not as stated.",
            ))
    return out


def _pulls(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return what the traces contradict: kinds of errors that go one way, then single ones."""
    one_way = pulled_one_way(document["parameters"])
    lines = [_line("warning", text) for text in one_way.values()]
    far = [p for p in document["parameters"] if p["far_from_prior"]
           and not p["name"].startswith(tuple(one_way))]
    if not far:
        return lines
    wall = [p for p in far if p["name"] in OF_THE_WALL
            and abs(p.get("pull") or 0.0) > NOT_AS_STATED]
    if wall:
        lines.append(_line(
            "bad", f"The wall is not as the case file states: {_pulled(wall)}. Check metal, bore "
                   "and wall, and the clock of the logs; what the logs say of deposits rests on "
                   "them."))
    if far := [p for p in far if p not in wall]:
        lines.append(_line("warning", "The traces contradict what the case file states: "
                                      f"{_pulled(far)}.{pulled_both_ways(far)}"))
    return lines


def _pulled(far: list[dict[str, Any]]) -> str:
    return ", ".join(
        f"{p['name']} ({p['estimate']:.3g} against {p['prior_mean']:.3g} +- {p['prior_sd']:.2g} "
        f"{p['unit']}".removesuffix(" 1") + ")" for p in far[:4])


def odd_firings(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return a line for each firing that heated far more or less than firings scatter."""
    told = document["fit"].get("scatter_between_firings") or {}
    scatter = (told.get("heating_scatter") or {}).get("stated") or 0.0
    out = []
    for run, entry in document["runs"].items():
        factor = (entry.get("heating_factor") or {}).get("estimate") or 1.0
        if scatter and abs(math.log(factor)) > ODD_FIRING * scatter:
            out.append(_line(
                "bad",
                f"{run} heated {factor:.2f} times as much as its pressure and blend let expect, "
                f"where firings scatter by {100 * scatter:.2g} %. Check its pressure channel, "
                "its blend and its ignition; what it says of deposits cannot be relied on.",
            ))
    return out


def _lost(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return a line for each channel left out in part or whole; ignition spikes share one."""
    out: list[dict[str, str]] = []
    spikes: list[dict[str, str]] = []
    ignition: dict[str, int] = {}
    for run, entry in document["runs"].items():
        for sensor, c in entry["channels"].items():
            found, reason, igniter = without_ignition_spikes(
                c["verdict"], c["reason"], entry["ignition_s"]
            )
            if igniter:
                ignition[run] = ignition.get(run, 0) + 1
            if found != "ok" and reason:
                line = _line("note", f"{sensor} in {run} ({found}): {reason}.")
                (spikes if found == "spikes" else out).append(line)
    if len(spikes) > MANY:
        spikes = [_line("note", f"Spikes were masked in {len(spikes)} channels; the table of "
                                "channels says where.")]
    if ignition:
        runs = f"{len(ignition)} runs" if len(ignition) > 1 else next(iter(ignition))
        spikes.append(_line(
            "note", f"Ignition spikes were masked in {sum(ignition.values())} channels of {runs}; "
                    "the table of channels says where."))
    return [*out, *spikes]
