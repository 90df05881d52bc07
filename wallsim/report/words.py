"""What a document says, in a few words: deposits, what limits them, channels, places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from wallsim.report.document import Document, array, band
from wallsim.rounding import NOT_IDENTIFIABLE, fixed, interval_text, number, upper_limit_text

LEVELS: Mapping[str, str] = {
    "good": "Good",
    "note": "Note",
    "warning": "Warning",
    "bad": "Problem",
}
ZERO_CELSIUS = 273.15
USED, NOT_USED = "used", "not used"
PER_MM2 = 1e6
"""From m^2 K/W to mm^2 K/W."""


def deposit_text(deposit: Document, key: str, scale: float) -> str:
    """Return an interval of a deposit, or why there is none, in a few words."""
    if not deposit.get("identifiable", False):
        return NOT_IDENTIFIABLE
    interval = deposit.get(key)
    if deposit.get("upper_limit_only"):
        high = float(band(interval).high) * scale
        return upper_limit_text(high) if np.isfinite(high) else NOT_IDENTIFIABLE
    return interval_text(interval, scale)


def left_out_text(left_out: Mapping[str, str] | None) -> str:
    """Return ``"R04 (bore not cleaned after R03); R07 (...)"``, firings not compared and why."""
    return "; ".join(f"{run} ({why})" for run, why in (left_out or {}).items())


def dominance_text(item: Mapping[str, Any]) -> str:
    """Return ``"heating factor of R03 (56 %)"``."""
    return f"{item['parameter']} ({fixed(item.get('share'), 0, 100.0)} %)"


def limits_text(deposit: Document, count: int = 1) -> str:
    """Return what makes the interval of a deposit wide, and what would narrow it."""
    items = list(deposit.get("dominated_by") or [])[:count]
    if not items:
        return ""
    text = ", ".join(dominance_text(item) for item in items)
    advice = items[0].get("advice") or ""
    return f"{text}: {advice}" if advice else text


def channel_counts(run: Document) -> tuple[int, int, int]:
    """Return how many channels of a run were used whole, used in part, and are there."""
    uses = [channel_use(c, run) for c in (run.get("channels") or {}).values()]
    whole = uses.count(USED)
    return whole, len(uses) - whole - uses.count(NOT_USED), len(uses)


def counts_text(run: Document) -> str:
    """Return ``"10+1 part"``: channels used whole and in part."""
    whole, part, _ = channel_counts(run)
    return f"{whole}+{part} part" if part else str(whole)


def channel_use(channel: Document, run: Document) -> str:
    """Return how far a channel of ``run`` was used: "used", "until 7.00 s", "not used"."""
    if not channel.get("samples"):
        return NOT_USED
    every = (run.get("channels") or {}).values()
    ends = [number(c.get("used_until_s")) for c in every]
    starts = [number(c.get("used_from_s")) for c in every]
    longest = max((end for end in ends if np.isfinite(end)), default=np.nan)
    first = min((start for start in starts if np.isfinite(start)), default=np.nan)
    until, since = number(channel.get("used_until_s")), number(channel.get("used_from_s"))
    late = since > max(first, number(run.get("ignition_s"))) + 0.1
    limits = [f"from {since:.2f} s"] * late + [f"until {until:.2f} s"] * (until < longest - 0.1)
    if not limits and {"excluded", "clipped"} & set(str(channel.get("verdict")).split(", ")):
        return "in part"
    return " ".join(limits) or USED


@dataclass(frozen=True, slots=True)
class Fault:
    """What was found in channels of one run that share it.

    Parameters
    ----------
    run : str
    sensors : tuple of str
    verdict, use, reason : str
        One word; what `channel_use` says; why, or empty.
    """

    run: str
    sensors: tuple[str, ...]
    verdict: str
    use: str
    reason: str


def channel_faults(document: Document) -> list[Fault]:
    """Return what is not plainly ok: channels not used, then cut short, then used all the same."""
    found: dict[tuple[str, str, str, str], list[str]] = {}
    for name, run in document["runs"].items():
        for sensor, channel in (run.get("channels") or {}).items():
            verdict, reason = str(channel.get("verdict", "-")), str(channel.get("reason") or "")
            if verdict != "ok":
                key = (name, verdict, channel_use(channel, run), reason)
                found.setdefault(key, []).append(sensor)
    faults = [Fault(run, tuple(s), *rest) for (run, *rest), s in found.items()]
    rank = {NOT_USED: 0, USED: 2}
    return sorted(faults, key=lambda fault: rank.get(fault.use, 1))


def celsius_text(interval: Mapping[str, Any] | None) -> str:
    """Return an interval in K in degC."""
    return interval_text(interval, shift=-ZERO_CELSIUS)


def shown(text: str) -> str:
    """Return words of a document with the units a page writes."""
    return text.replace(" degC", " °C")


def limit_celsius(document: Document) -> str:
    """Return the limit temperature [°C] in words; "the limit" where it was not recorded."""
    limit = number(document.get("limit_temperature_K"))
    return f"{fixed(limit - ZERO_CELSIUS, 0)} °C" if np.isfinite(limit) else "the limit"


def has_limit(document: Document) -> bool:
    """Return whether the time to a limit temperature was asked for."""
    keys = ("time_to_limit_s", "time_to_limit_note")
    return any(run.get(key) for run in document["runs"].values() for key in keys)


def stretch_text(document: Document) -> str:
    """Return ``"from 25 to 378 mm (first to last station)"``, where means are taken."""
    z = [at for _, at in stations(document)]
    if not z:
        return "from the first to the last station"
    return f"from {1e3 * z[0]:.0f} to {1e3 * z[-1]:.0f} mm (first to last station)"


def beyond_text(document: Document) -> str:
    """Return which runs have their hottest bore where no station is; empty if none."""
    z = [at for _, at in stations(document)]
    peaks = {n: number(run.get("bore_peak_z_m")) for n, run in document["runs"].items()}
    beyond = {n: p for n, p in peaks.items() if z and not z[0] - 5e-4 <= p <= z[-1] + 5e-4}
    beyond = {n: p for n, p in beyond.items() if np.isfinite(p)}
    if not beyond:
        return ""
    names = "all runs" if len(beyond) == len(peaks) > 1 else ", ".join(beyond)
    places = sorted({f"{1e3 * p:.0f}" for p in beyond.values()}, key=float)
    span = places[0] if len(places) == 1 else f"{places[0]} to {places[-1]}"
    return (
        f"The hottest bore of {names} lies at z {span} mm, outside the stations "
        f"({1e3 * z[0]:.0f} to {1e3 * z[-1]:.0f} mm): no thermocouple checks it there."
    )


def stations(document: Document) -> list[tuple[str, float]]:
    """Return names and position [m] of the stations along the tube; a ring is one station."""
    at: dict[float, list[str]] = {}
    for station in document.get("stations") or []:
        at.setdefault(round(number(station.get("z_m")), 6), []).append(str(station["sensor"]))
    return [(", ".join(names), z) for z, names in sorted(at.items())]


def coefficient_at(document: Document, z: float) -> dict[str, float | None]:
    """Return the gas-side coefficient at ``z`` [m] as an interval [W/(m^2 K)]."""
    gas = document["gas_side"]
    own_z = array(gas["z_m"])
    h = band(gas["coefficient_W_m2K"], own_z.size).resampled(own_z, np.array([z]))
    ends = {"estimate": h.estimate[0], "low": h.low[0], "high": h.high[0]}
    return {key: float(v) if np.isfinite(v) else None for key, v in ends.items()}
