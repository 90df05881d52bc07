"""The hand method: temperatures and slopes of a dosed and of bare firings at equal time.

A straight line through the last second before each time gives both. How far a difference is off
is told by how far the bare firings scatter, and by nothing else: with few of them Student's factor
is large, and with one there is no interval. Scatter is pooled over the moments of a thermocouple,
that of temperatures as growing with time since ignition, for two firings that differ drift apart.
A firing in which deposit came off, or on a bore not cleaned, is left out. Firings of another fuel
differ by its gas as well as by the deposit, which the hand method cannot tell apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Firing
from wallsim.estimate.readouts import plain
from wallsim.estimate.unknowns import gas_family
from wallsim.quick.repeats import half_width, why_not_comparable

Array = NDArray[np.float64]

EQUAL_PRESSURE = 0.03
"""Share by which the pressure of a bare firing may differ."""
SHARES = (0.4, 0.6, 0.8, 1.0)
"""Of the shortest burn of the firings compared."""
SPAN = 1.0
LEAST_VALUES = 4


def by_hand(campaign: Campaign) -> list[dict[str, Any]]:
    """Return the differences of every blend fired; without a bare firing like it only why not."""
    clean = [f for f in campaign.firings if why_not_comparable(f) is None]
    bare = [f for f in clean if f.blend.deposit is None]
    out = []
    for name, blend in campaign.case.blends.items():
        if blend.deposit is None or all(f.blend.name != name for f in campaign.firings):
            continue
        dosed = [f for f in clean if f.blend.name == name]
        first = next((f for f in dosed if any(_equal_pressure(b, f) for b in bare)), None)
        alike = [[f for f in group if first and _equal_pressure(f, first)]
                 for group in (dosed, bare)]
        left_out = {
            f.run.name: why_not_comparable(f) or _pressure_apart(f, first)
            for f in campaign.firings
            if (f.blend.name == name or f.blend.deposit is None) and f not in alike[0] + alike[1]
        }
        out.append(_difference(campaign, name, *alike) | {"left_out": left_out})
    return out


def _equal_pressure(one: Firing, other: Firing) -> bool:
    return abs(one.events.plateau / other.events.plateau - 1.0) < EQUAL_PRESSURE


def _pressure_apart(firing: Firing, first: Firing | None) -> str:
    """Return in words how far the pressure of a firing is from that of those compared."""
    if first is None:
        return "no other firing to compare with at its pressure"
    apart = firing.events.plateau / first.events.plateau - 1.0
    side = "above" if apart > 0.0 else "below"
    return f"pressure {100.0 * abs(apart):.0f} % {side} that of {first.run.name}"


def _difference(
    campaign: Campaign, name: str, dosed: Sequence[Firing], bare: Sequence[Firing]
) -> dict[str, Any]:
    found = {"blend": name, "runs": [f.run.name for f in dosed],
             "bare_runs": [f.run.name for f in bare]}
    if not (dosed and bare):
        return found | {"same_gas": None, "time_s": [], "sensors": [], "z_m": [],
                        "temperature_K": _no_interval(), "slope_K_s": _no_interval()}
    times = np.array(SHARES) * min(f.burn for f in (*dosed, *bare))
    sensors = sorted(campaign.case.sensors, key=lambda s: s.z.value)
    seen, unseen = (
        np.array([[lines(f, s.name, times).T for s in sensors] for f in group])
        for group in (dosed, bare)
    )
    growth = np.stack((times, np.ones_like(times)))
    value, half = difference_of_means(seen, unseen, growth)
    return found | {
        "same_gas": len({gas_family(campaign.case, f.blend.name) for f in (*dosed, *bare)}) == 1,
        "time_s": plain(times),
        "sensors": [s.name for s in sensors],
        "z_m": [s.z.value for s in sensors],
        "temperature_K": _interval(value[:, 0], half[:, 0]),
        "slope_K_s": _interval(value[:, 1], half[:, 1]),
    }


def lines(firing: Firing, sensor: str, times: Array) -> Array:
    """Return temperature [K] and slope [K/s] of a thermocouple at ``times``; shape (n_t, 2)."""
    out = np.full((times.size, 2), np.nan)
    trace = next((tr for tr in firing.traces if tr.sensor == sensor), None)
    if trace is None:
        return out
    for i, at in enumerate(times):
        inside = (trace.t > at - SPAN) & (trace.t <= at)
        if np.count_nonzero(inside) >= LEAST_VALUES:
            slope, level = np.polyfit(trace.t[inside] - at, trace.T[inside], 1)
            out[i] = level, slope
    return out


def difference_of_means(
    dosed: Array, bare: Array, growth: Array | float = 1.0
) -> tuple[Array, Array]:
    """Return the difference of the means over the first axis, and half its 95 % interval.

    The dosed firings are taken to scatter as the bare ones do. NaN where nothing is known, the
    half width also where no two bare firings were read at any one moment.

    Parameters
    ----------
    dosed, bare : Array, shape (n, ..., n_t), (m, ..., n_t)
    growth : Array
        How the deviation of a firing goes with time, up to a factor; of a shape that broadcasts.
    """
    means, counts = [], []
    for values in (dosed, bare):
        known = np.isfinite(values)
        count = known.sum(axis=0)
        total = np.where(known, values, 0.0).sum(axis=0)
        means.append(np.where(count > 0, total / np.maximum(count, 1), np.nan))
        counts.append(count)
    deviations = np.where(np.isfinite(bare), bare - means[1], 0.0) / growth
    one = growth * half_width((deviations**2).sum(axis=0), counts[1] - 1)
    share = np.sqrt(1.0 / np.maximum(counts[0], 1) + 1.0 / np.maximum(counts[1], 1))
    value = means[0] - means[1]
    return value, np.where(np.isfinite(value), one * share, np.nan)


def _no_interval() -> dict[str, object]:
    return {"estimate": [], "low": [], "high": []}


def _interval(value: Array, half: Array) -> dict[str, object]:
    return {"estimate": plain(value), "low": plain(value - half), "high": plain(value + half)}
