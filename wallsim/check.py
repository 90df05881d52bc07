"""What a campaign's logs hold: used or not, and why, before any fit."""

from __future__ import annotations

from typing import Any

from wallsim.build import Campaign


def check_document(campaign: Campaign) -> dict[str, Any]:
    """Return what was read and screened as one document."""
    runs = {}
    for f in campaign.firings:
        used = {t.sensor: t.samples for t in f.traces}
        runs[f.run.name] = {
            "log": str(f.log.path), "blend": f.blend.name,
            "ignition_s": f.events.ignition, "shutdown_s": f.events.shutdown, "burn_s": f.burn,
            "plateau_pressure_Pa": f.events.plateau, "lost_scans": f.log.lost_scans,
            "log_notes": list(f.log.assumptions),
            "channels": {
                name: {
                    "verdict": c.verdict, "used_from_s": c.used_from, "used_until_s": c.used_until,
                    "samples": used.get(name, 0), "noise_K": c.noise, "reason": c.reason,
                }
                for name, c in f.channels.items()
            },
        }
    case = campaign.case
    return {"schema": "wallsim.check/1", "case": {"title": case.title, "path": str(case.path),
            "resolved": case.resolved}, "runs": runs,
            "reference_pressure_Pa": campaign.reference_pressure}


def check_text(document: dict[str, Any]) -> str:
    """Return the document of `check_document` in words."""
    lines = [document["case"]["title"]]
    for name, run in document["runs"].items():
        used = sum(c["samples"] > 0 for c in run["channels"].values())
        lines.append(
            f"{name}  {run['blend']}: ignition {run['ignition_s']:.2f} s, burn {run['burn_s']:.2f} "
            f"s, {run['plateau_pressure_Pa'] / 1e5:.2f} bar abs, {used} of "
            f"{len(run['channels'])} thermocouples used, {run['lost_scans']} scans lost"
        )
        for channel, c in run["channels"].items():
            if c["verdict"] != "ok":
                lines.append(f"    {channel}: {c['verdict']}. {c['reason']}")
    lines.extend(_found_out(document["runs"]))
    return "\n".join(lines) + "\n"


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
