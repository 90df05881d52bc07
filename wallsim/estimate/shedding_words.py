"""Lines of the verdict about deposits carried over and lost."""

from __future__ import annotations

from typing import Any

from wallsim.estimate.missed import far_missed
from wallsim.rounding import interval_text

NEXT_TO_NONE = 0.1
"""Share below which a deposit claimed to be there, or to have come off, as good as was not."""


def shedding_lines(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return a line for each firing with a deposit left by another, or lost, or maybe lost."""
    out, far = [], far_missed(document)
    for run, entry in document["runs"].items():
        found, suspected = entry.get("deposit"), entry.get("shedding_suspected")
        if found and found["left_by"]:
            retained = found["retained_fraction"]
            text = (f"{run} began with {interval_text(retained, 100.0)} % of the deposit that "
                    f"{found['left_by']} left.")
            out.append(_claimed(text, retained, "its bore was as good as clean, against `start`"))
        if found and found["shedding"]:
            lost = found["shedding"]["lost_fraction"]
            text = _lost(run, found["shedding"])
            out.append(_claimed(text, lost, "hardly anything came off, against `shed`"))
        if suspected:
            others = [name for name in far if name != run]
            out.append({"level": "bad", "text": _suspected(run, entry, suspected, others)})
    return out


def _claimed(text: str, share: dict[str, Any], against: str) -> dict[str, str]:
    """Return the line of a share that the case claims; a warning where the logs find none."""
    if share["high"] is None or share["high"] >= NEXT_TO_NONE:
        return {"level": "note", "text": text}
    return {"level": "warning", "text": f"{text} By the logs {against} in the case file."}


def _lost(run: str, shedding: dict[str, Any]) -> str:
    beyond = shedding["beyond_m"]
    where = f" beyond {1e3 * beyond:.0f} mm" if beyond else ""
    text = (f"{run}: {interval_text(shedding['lost_fraction'], 100.0)} % of the deposit{where} "
            f"came off at {interval_text(shedding['time_s'])} s")
    before, after = (shedding[f"mean_resistance_{k}_m2K_W"] for k in ("before", "after"))
    if before["estimate"] is None:
        return f"{text}."
    apart = shedding["resistance_stated_apart_s"]
    return (f"{text}: mean resistance {interval_text(before, 1e6)} mm²K/W {apart:g} s before, "
            f"{interval_text(after, 1e6)} mm²K/W {apart:g} s after, what grew in between included.")


def _suspected(
    run: str, entry: dict[str, Any], suspected: dict[str, Any], others: list[str]
) -> str:
    """Return that deposit may have come off; ``others`` are firings whose traces are far off."""
    text = (f"{run} looks as if deposit came off at {interval_text(suspected['time_s'])} s "
            f"(misfit falls by {suspected['misfit_fall']:.0f}). ")
    if others:
        return (f"{text}That may follow from what is wrong with {', '.join(others)}, whose traces "
                "are missed by far more: settle that first and fit again.")
    return (f"{text}If so, write {suspected['case_line']} in its [[run]] and fit again; what is "
            f"said here of {entry['blend']} supposes that the deposit stayed whole.")
