"""Numbers as a reader wants them: rounded to what the interval supports, unit beside them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from wallsim.report.document import Document, array, band, number

NOT_IDENTIFIABLE = "not identifiable"
USED, NOT_USED = "used", "not used"
PER_MM2 = 1e6
"""From m^2 K/W to mm^2 K/W."""


def _decimals(size: float, digits: int = 2) -> int:
    """Return the decimals that leave ``digits`` significant figures in ``size``."""
    if not np.isfinite(size) or size <= 0.0:
        return digits
    return digits - 1 - int(np.floor(np.log10(size)))


def _rounded(value: float, decimals: int) -> str:
    value = round(value, decimals) + 0.0
    return f"{value:.{max(decimals, 0)}f}"


def significant(value: Any, digits: int = 3, scale: float = 1.0) -> str:
    """Return a number with ``digits`` significant figures, "-" where there is none."""
    value = scale * number(value)
    if not np.isfinite(value):
        return "-"
    if value == 0.0:
        return "0"
    if not 1e-3 <= abs(value) < 1e6:
        return f"{value:.{digits - 1}e}"
    return _rounded(value, _decimals(abs(value), digits))


def fixed(value: Any, decimals: int, scale: float = 1.0) -> str:
    """Return a number with ``decimals`` decimals, "-" where there is none."""
    value = scale * number(value)
    return _rounded(value, decimals) if np.isfinite(value) else "-"


def interval_text(interval: Mapping[str, Any] | None, scale: float = 1.0) -> str:
    """Return ``"127 (110 to 146)"``; one end alone reads "below" or "above"."""
    b = band(interval).scaled(scale)
    estimate, low, high = float(b.estimate), float(b.low), float(b.high)
    if not np.isfinite(estimate):
        if np.isfinite(high):
            return upper_limit_text(high)
        return f"above {significant(low, 2)}" if np.isfinite(low) else NOT_IDENTIFIABLE
    if not np.isfinite(low + high):
        return f"{significant(estimate)} (no interval)"
    if low == high:
        return f"{significant(estimate)} (held fixed)"
    decimals = min(_decimals(0.5 * (high - low)), 6)
    estimate_text, low_text, high_text = (_rounded(v, decimals) for v in (estimate, low, high))
    return f"{estimate_text} ({low_text} to {high_text})"


def upper_limit_text(high: float) -> str:
    """Return ``"below 180"``: two significant figures, rounded away from the value."""
    step = 10.0 ** -_decimals(abs(high))
    return f"below {significant(np.ceil(high / step - 1e-9) * step, 2)}"


def deposit_text(deposit: Document, key: str, scale: float) -> str:
    """Return an interval of a deposit, or why there is none, in a few words."""
    if not deposit.get("identifiable", False):
        return NOT_IDENTIFIABLE
    interval = deposit.get(key)
    if deposit.get("upper_limit_only"):
        high = float(band(interval).high) * scale
        return upper_limit_text(high) if np.isfinite(high) else NOT_IDENTIFIABLE
    return interval_text(interval, scale)


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


def channel_counts(run: Document) -> tuple[int, int]:
    """Return how many channels of a run were used at all, and how many it has."""
    channels = run.get("channels") or {}
    return sum((c.get("samples") or 0) > 0 for c in channels.values()), len(channels)


def channel_use(channel: Document, run: Document) -> str:
    """Return how far a channel of ``run`` was used: "used", "until 7.0 s", "not used"."""
    if not channel.get("samples"):
        return NOT_USED
    ends = [number(c.get("used_until_s")) for c in (run.get("channels") or {}).values()]
    longest = max((end for end in ends if np.isfinite(end)), default=np.nan)
    until = number(channel.get("used_until_s"))
    return f"until {until:.1f} s" if until < longest - 0.1 else USED


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


def celsius(kelvin: Any) -> str:
    """Return a temperature in whole degC, "-" where there is none."""
    return fixed(number(kelvin) - 273.15, 0)


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
