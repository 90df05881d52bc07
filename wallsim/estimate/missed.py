"""Lines of the verdict on traces that the model misses, the worst first; each fails the gate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

LARGE_RESIDUAL = 1.5
"""Residuals below this are never too large [K]."""

NOISE_MULTIPLE = 3.0
MOST = 3
"""So many traces get a line of their own."""

FAR = 5.0
"""Multiples of what noise explains beyond which leads may be exchanged."""

FEWEST_TRACES = 4
"""With fewer, two that are missed may be the wall, not its leads."""

TOGETHER = (1.44, 4.0)
"""Times that a firing's readings count less, from which on it is told and fails the gate.

Intervals would be 1.2 times too narrow, as a trace of its own is told, and twice.
"""

ALIKE = 0.8
"""Least ratio of the residuals of two exchanged leads."""


@dataclass(frozen=True, slots=True)
class _Missed:
    """A trace whose residual is more than noise explains [K], and how many traces its run has."""

    run: str
    sensor: str
    rms: float
    limit: float
    traces: int


def missed_traces(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return a line for each of the worst traces that the model misses, one for all others."""
    missed = sorted(_missed(document), key=lambda m: m.limit / m.rms)
    out: list[dict[str, str]] = []
    told: set[tuple[str, str]] = set()
    for one in missed:
        if len(out) >= MOST or (one.run, one.sensor) in told:
            continue
        other = _exchanged(one, missed)
        told |= {(m.run, m.sensor) for m in (one, other) if m}
        out.append(_bad(
            f"{one.sensor} in {one.run}: the model misses this trace by {one.rms:.2f} K rms, more "
            f"than noise explains ({one.limit:.2f} K). "
            + (f"{other.sensor} is missed as far ({other.rms:.2f} K): "
               f"{_leads(one, other, missed)}. " if other else "")
            + "Check the junction, its station and the case file."
            + (_without(one) if not other and one.rms > FAR * one.limit else "")
        ))
    rest = [m for m in missed if (m.run, m.sensor) not in told]
    if rest:
        words = ", ".join(f"{m.sensor} in {m.run} ({m.rms:.1f} K)" for m in rest)
        count = "1 more trace is" if len(rest) == 1 else f"{len(rest)} more traces are"
        out.append(_bad(
            f"{count} missed by more than noise explains: {words}. Settle the "
            "worst first: the others may follow from it."
        ))
    return out


def _without(one: _Missed) -> str:
    return (
        f" If nothing is found, write exclude = {{ {one.sensor} = \"missed\" }} in the [[run]] of "
        f"{one.run} and fit again: what else is missed may follow from it."
    )


def correlated_traces(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return a line for each trace that fails the residual test and is not missed anyway."""
    test = document["fit"].get("residual_test") or {"failed": []}
    missed = {(m.run, m.sensor) for m in _missed(document)}
    out = []
    for trace in test["failed"]:
        run, sensor = trace["run"], trace["channel"]
        if (run, sensor) in missed:
            continue
        found = document["runs"][run]["channels"][sensor]["whitened"]
        out.append(_bad(
            f"{sensor} in {run}: its residuals are not independent after whitening: "
            f"{found['runs']} runs of one sign where {found['runs_expected']:.0f} are expected "
            f"(chance {found['p_adjusted']:.1g}, all {test['traces']} traces counted); intervals "
            f"from it are {found['interval_factor']:.1f} times too narrow. Look at its residuals, "
            "and take out the part that is not the wall."
        ))
    return out


def together_lines(document: dict[str, Any]) -> list[dict[str, str]]:
    """Return a line for each firing whose traces are missed all in one way."""
    out = []
    for run, entry in document["runs"].items():
        found = entry.get("residuals_together") or {"counted_less_by": 1.0}
        factor = found["counted_less_by"]
        if factor < TOGETHER[0]:
            continue
        text = (
            f"{run}: the residuals of its thermocouples go together: their mean scatters "
            f"{factor**0.5:.1f} times as far as that of independent ones. Something acted on the "
            "whole firing that the model does not know: look at its pressure and its fuel and air "
            f"during the burn. Its readings were counted {factor:.1f} times less."
        )
        out.append(_bad(text) if factor > TOGETHER[1] else {"level": "warning", "text": text})
    return out


def _missed(document: dict[str, Any]) -> list[_Missed]:
    out = []
    for run, entry in document["runs"].items():
        channels = entry.get("channels") or {}
        traces = sum(c["rms_K"] is not None for c in channels.values())
        for sensor, c in channels.items():
            rms = c["rms_K"]
            limit = max(LARGE_RESIDUAL, NOISE_MULTIPLE * (c["noise_K"] or 0.0))
            if rms is not None and rms > limit:
                out.append(_Missed(run, sensor, rms, limit, traces))
    return out


def _exchanged(one: _Missed, missed: list[_Missed]) -> _Missed | None:
    """Return the one other trace of the run that is missed as far, if both are far off."""
    far = [m for m in missed if m.run == one.run and m.rms > FAR * m.limit]
    if one not in far or len(far) != 2 or one.traces < FEWEST_TRACES:
        return None
    other = far[1 - far.index(one)]
    small, large = sorted((one.rms, other.rms))
    return other if small > ALIKE * large else None


def _leads(one: _Missed, other: _Missed, missed: list[_Missed]) -> str:
    """Return that leads may be exchanged, and in which firing if others miss the two as well."""
    places = {(m.run, m.sensor) for m in missed}
    runs = [one.run, *dict.fromkeys(
        m.run for m in missed if m.run != one.run
        and {(m.run, one.sensor), (m.run, other.sensor)} <= places)]
    if len(runs) == 1:
        return "perhaps their leads are exchanged"
    return (f"perhaps their leads are exchanged in one of the firings {', '.join(runs)}, which "
            "miss both: see which of the two is the hotter in each firing")


def far_missed(document: dict[str, Any]) -> list[str]:
    """Return the firings with a trace that is missed so far that others may follow from it."""
    return list(dict.fromkeys(m.run for m in _missed(document) if m.rms > FAR * m.limit))


def _bad(text: str) -> dict[str, str]:
    return {"level": "bad", "text": text}
