"""What a campaign's logs hold: used or not, and why, before any fit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from wallsim.build import Campaign
from wallsim.case.model import Run
from wallsim.estimate.identify import before_the_fit
from wallsim.file_kinds import NEXT, PLAN, WHAT_IF
from wallsim.logs.model import Channel
from wallsim.logs.spike_words import without_ignition_spikes
from wallsim.plan.next_file import load_next
from wallsim.plan.place_burn_words import celsius
from wallsim.plan.place_campaign import candidates, is_bare
from wallsim.plan.place_file import Plan, load_plan
from wallsim.plan.place_remarks import remarks as looked_at
from wallsim.plan.planned import understood
from wallsim.plan.whatif_file import load_question
from wallsim.plausibility import planned_slips
from wallsim.units import Quantity

SCHEMA = "wallsim.check/1"
UNSTEADY = 0.1
"""Share of the mean pressure by which it changes in a burn from which on that is said."""
_CUT = {"open", "detached", "drift", "clipped", "excluded"}


def check_document(campaign: Campaign) -> dict[str, Any]:
    """Return what was read and screened as one document."""
    runs = {}
    for f in campaign.firings:
        used = {t.sensor: t.samples for t in f.traces}
        runs[f.run.name] = {
            "log": str(f.log.path), "blend": f.blend.name,
            "ignition_s": f.events.ignition, "shutdown_s": f.events.shutdown, "burn_s": f.burn,
            "plateau_pressure_Pa": f.events.plateau, "lost_scans": f.log.lost_scans,
            "pressure_between_Pa": [float(f.pressure.p.min()), float(f.pressure.p.max())],
            "deposit_stated": _stated(f.run), "log_notes": list(f.log.assumptions),
            "channels": {
                name: {
                    "verdict": c.verdict, "use": _use(c, used.get(name, 0)),
                    "used_from_s": c.used_from, "used_until_s": c.used_until,
                    "samples": used.get(name, 0), "noise_K": c.noise, "reason": c.reason,
                }
                for name, c in f.channels.items()
            },
        }
    case = campaign.case
    return {"schema": SCHEMA, "case": {"title": case.title, "path": str(case.path),
            "resolved": case.resolved}, "runs": runs,
            "remarks": [*campaign.remarks, *before_the_fit(campaign)],
            "reference_pressure_Pa": campaign.reference_pressure}


def question_document(path: Path, kind: str) -> dict[str, Any] | None:
    """Return what a plan, a what-if or the question of a next firing says, nothing being marched.

    None for a file of another kind.

    Raises
    ------
    InputError
        With every fault of the file.
    """
    if kind == PLAN:
        command = "place"
        title, holds, remarks = _of_plan(load_plan(path))
    elif kind == WHAT_IF:
        question = load_question(path)
        title, command, remarks = question.title, "whatif", question.slips + question.too_long
        n = len(question.changes)
        holds = f"{n} changed firing{'s' if n > 1 else ''} of {question.case.path}"
    elif kind == NEXT:
        decision = load_next(path)
        title, command, remarks = decision.title, "next", decision.slips
        holds = f"on the campaign of {decision.case.path}"
    else:
        return None
    return {"schema": SCHEMA, "kind": kind, "case": {"title": title, "path": str(path)},
            "holds": holds, "remarks": list(remarks),
            "next": f"wallsim {command} {path} {'--from FIT ' * (kind == NEXT)}--out DIR"}


def _of_plan(plan: Plan) -> tuple[str, str, tuple[str, ...]]:
    """Return the title, what the plan holds, and what there is to remark on it."""
    remarks = planned_slips(plan.case, [(r.burn, r.pressure) for r in plan.runs])
    if not any(is_bare(plan, r) and r.repeats for r in plan.runs):
        remarks = (*remarks, "no firing planned is bare: R is then told from h by growth alone; "
                             "add a run of a blend without deposit")
    T = plan.case.fit.limit_temperature
    if T is None:
        remarks = (*remarks, "no limit temperature is stated: no burn is held against one; "
                             "write limit_temperature in [fit]")
    remarks = (*remarks, *looked_at(plan).values())
    every = candidates(plan)
    places, welded = sum(not c.fixed for c in every), sum(c.fixed for c in every)
    fired = ", ".join(f"{r.name} {r.burn:.3g} s" + f" x {r.repeats}" * (r.repeats > 1)
                      for r in plan.runs)
    limit = "no limit" if T is None else f"limit of the bore {celsius(T)}"
    holds = (f"{understood(plan)}; firings {fired}; {limit}; {plan.thermocouples} "
             f"thermocouple{'s' * (plan.thermocouples > 1)} at {places} place{'s' * (places > 1)}"
             + f" and {welded} welded on" * (welded > 0)
             + f", two at each of {plan.pairs} of the stations" * (plan.pairs > 0)
             + "; wanted: "
             + ", ".join(want.text for want in plan.wants))
    return plan.case.title, holds, remarks


def question_text(document: dict[str, Any]) -> str:
    """Return the document of `question_document` in words."""
    lines = [document["case"]["title"] or document["case"]["path"]]
    if document["remarks"]:
        lines.append("Look at this first:")
        lines.extend(f"    {remark}" for remark in document["remarks"])
    kind, holds = document["kind"], document["holds"]
    lines.append(f"{kind[0].upper()}{kind[1:]}: {holds}.")
    lines.append(f"The file can be read; next: {document['next']}")
    return "\n".join(lines) + "\n"


def check_text(document: dict[str, Any]) -> str:
    """Return the document of `check_document` in words."""
    runs = document["runs"]
    lines = [document["case"]["title"]]
    if document.get("remarks"):
        lines.append("Look at this first:")
        lines.extend(f"    {remark}" for remark in document["remarks"])
    for name, run in runs.items():
        lost = run["lost_scans"]
        scans = f"; {lost} {'scan' if lost == 1 else 'scans'} lost" if lost else ""
        lines.append(
            f"{name}  {run['blend']}: ignition at {run['ignition_s']:.2f} s, burn "
            f"{run['burn_s']:.2f} s, {_pressure(run)}; "
            f"thermocouples: {_counts(run['channels'].values())}{scans}"
        )
        lines.extend(f"    {line}" for line in _deposit_lines(run))
        lines.extend(f"    {line}" for line in _channel_lines(run))
    if len(runs) > 1:
        channels = [c for run in runs.values() for c in run["channels"].values()]
        lines.append(f"In all {len(runs)} runs: {_counts(channels)}")
    lines.extend(_found_out(runs))
    return "\n".join(lines) + "\n"


def _pressure(run: dict[str, Any]) -> str:
    """Return the mean pressure, and between what it lay from second to second if it changed."""
    mean, (low, high) = run["plateau_pressure_Pa"], run["pressure_between_Pa"]
    text = f"{1e-5 * mean:.2f} bar abs"
    if high - low > UNSTEADY * mean:
        text += f" (between {1e-5 * low:.2f} and {1e-5 * high:.2f} while burning)"
    return text


def _stated(run: Run) -> dict[str, Any] | None:
    """Return what the case says of the deposit of a run besides its blend; None if nothing."""
    if run.start is None and run.shed is None:
        return None
    shed = run.shed
    return {
        "left_by": run.start,
        "retained_fraction": None if run.start is None else _with_sd(run.retained),
        "shed": None if shed is None else {
            "time_s": _with_sd(shed.at), "lost_fraction": _with_sd(shed.lost),
            "beyond_m": shed.beyond,
        },
    }


def _with_sd(quantity: Quantity) -> dict[str, float]:
    return {"value": quantity.value, "sd": quantity.sd}


def _deposit_lines(run: dict[str, Any]) -> list[str]:
    """Return what is taken of a run's deposit, stated or expected, in words."""
    stated, lines = run["deposit_stated"] or {}, []
    if stated.get("left_by"):
        lines.append(f"taken: begins with {_share(stated['retained_fraction'])} of the deposit "
                     f"that {stated['left_by']} left")
    if shed := stated.get("shed"):
        where = f" beyond {1e3 * shed['beyond_m']:.0f} mm" if shed["beyond_m"] else ""
        at, sd = shed["time_s"]["value"], shed["time_s"]["sd"]
        lines.append(
            f"taken: {_share(shed['lost_fraction'])} of the deposit{where} comes off at "
            f"{at:.2f} s" + (f" +- {sd:.2g} s" if sd else "") + f" (log clock), "
            f"{at - run['ignition_s']:.2f} s after ignition"
        )
    return lines


def _share(fraction: dict[str, float]) -> str:
    sd = f" +- {100.0 * fraction['sd']:.3g} %" if fraction["sd"] else ""
    return f"{100.0 * fraction['value']:.3g} %{sd}"


def _use(channel: Channel, samples: int) -> str:
    """Return how much of a channel's record after ignition goes into the fit."""
    if not samples:
        return "lost"
    return "in part" if _CUT & set(channel.verdict.split(", ")) else "whole"


def _counts(channels: Iterable[dict[str, Any]]) -> str:
    """Return how many channels are used whole, in part, not at all."""
    n = Counter(c["use"] for c in channels)
    rest = "".join(f", {n[use]} {use}" for use in ("in part", "lost") if n[use])
    return f"{n['whole']} used whole{rest}"


def _channel_lines(run: dict[str, Any]) -> list[str]:
    """Return what was found on the channels of a run; spikes of the igniter share one line."""
    lines: list[str] = []
    spiky: dict[str, tuple[float, float]] = {}
    for name, c in run["channels"].items():
        verdict, reason, when = without_ignition_spikes(
            c["verdict"], c["reason"], run["ignition_s"]
        )
        if when:
            spiky[name] = when
        if c["use"] == "lost" and not reason:
            verdict, reason = "lost", "too few readings after ignition"
        if reason:
            lines.append(f"{name}: {verdict}. {reason}")
    if spiky:
        first, last = min(t for t, _ in spiky.values()), max(t for _, t in spiky.values())
        lines.append(
            f"ignition spikes masked between {first:.2f} and {last:.2f} s: {', '.join(spiky)}"
        )
    return lines


def _found_out(runs: dict[str, Any]) -> list[str]:
    """Return what was found out about the logs rather than told, with the runs it holds for."""
    holders: dict[str, list[str]] = {}
    for name, run in runs.items():
        for note in run["log_notes"]:
            holders.setdefault(note, []).append(name)
    if not holders:
        return []
    return ["Found out about the logs; state it under [log] where it is wrong:"] + [
        f"    {'all runs' if len(names) == len(runs) else ', '.join(names)}: {note}"
        for note, names in holders.items()
    ]
