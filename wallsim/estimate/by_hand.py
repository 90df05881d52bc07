"""The hand method: temperatures and slopes of a dosed and of bare firings at equal time.

A straight line through the last second before each time gives both. How far a difference is off
is told by how far the bare firings scatter, and by nothing else: with few of them Student's factor
is large, and with one there is no interval. Firings of another fuel differ by its gas as well as by
the deposit, which the hand method cannot tell apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from wallsim.build import Campaign, Firing
from wallsim.estimate.readouts import COVERAGE, plain
from wallsim.estimate.unknowns import gas_family

Array = NDArray[np.float64]

EQUAL_PRESSURE = 0.03
"""Share by which the pressure of a bare firing may differ."""
SHARES = (0.4, 0.6, 0.8, 1.0)
"""Of the shortest burn of the firings compared."""
SPAN = 1.0
LEAST_VALUES = 4


def by_hand(campaign: Campaign) -> list[dict[str, Any]]:
    """Return the differences of every blend with a deposit; none without a bare firing like it."""
    clean = [f for f in campaign.firings if f.run.start is None]
    bare = [f for f in clean if f.blend.deposit is None]
    out = []
    for name, blend in campaign.case.blends.items():
        dosed = [f for f in clean if f.blend.name == name and blend.deposit is not None]
        like = {f.run.name: [b for b in bare if _equal_pressure(b, f)] for f in dosed}
        first = next((f for f in dosed if like[f.run.name]), None)
        if first is not None:
            alike = [f for f in dosed if _equal_pressure(f, first)]
            out.append(_difference(campaign, name, alike, like[first.run.name]))
    return out


def _equal_pressure(one: Firing, other: Firing) -> bool:
    return abs(one.events.plateau / other.events.plateau - 1.0) < EQUAL_PRESSURE


def _difference(
    campaign: Campaign, name: str, dosed: Sequence[Firing], bare: Sequence[Firing]
) -> dict[str, Any]:
    times = np.array(SHARES) * min(f.burn for f in (*dosed, *bare))
    sensors = sorted(campaign.case.sensors, key=lambda s: s.z.value)
    seen = [np.array([lines(f, s.name, times) for s in sensors]) for f in dosed]
    unseen = [np.array([lines(f, s.name, times) for s in sensors]) for f in bare]
    value, half = difference_of_means(np.stack(seen), np.stack(unseen))
    return {
        "blend": name,
        "runs": [f.run.name for f in dosed],
        "bare_runs": [f.run.name for f in bare],
        "same_gas": len({gas_family(campaign.case, f.blend.name) for f in (*dosed, *bare)}) == 1,
        "time_s": plain(times),
        "sensors": [s.name for s in sensors],
        "z_m": [s.z.value for s in sensors],
        "temperature_K": _interval(value[..., 0], half[..., 0]),
        "slope_K_s": _interval(value[..., 1], half[..., 1]),
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


def difference_of_means(dosed: Array, bare: Array) -> tuple[Array, Array]:
    """Return the difference of the means over the first axis, and half its 95 % interval.

    The dosed firings are taken to scatter as the bare ones do. NaN where nothing is known, the
    half width also where fewer than two bare firings are.

    Parameters
    ----------
    dosed, bare : Array, shape (n, ...), (m, ...)
    """
    means, counts = [], []
    for values in (dosed, bare):
        known = np.isfinite(values)
        count = known.sum(axis=0)
        total = np.where(known, values, 0.0).sum(axis=0)
        means.append(np.where(count > 0, total / np.maximum(count, 1), np.nan))
        counts.append(count)
    squares = np.where(np.isfinite(bare), bare - means[1], 0.0) ** 2
    freedom = np.maximum(counts[1] - 1, 1)
    spread = np.sqrt(squares.sum(axis=0) / freedom)
    share = np.sqrt(1.0 / np.maximum(counts[0], 1) + 1.0 / np.maximum(counts[1], 1))
    half = stdtrit(freedom, 0.5 + 0.5 * COVERAGE) * spread * share
    value = means[0] - means[1]
    return value, np.where((counts[1] > 1) & np.isfinite(value), half, np.nan)


def _interval(value: Array, half: Array) -> dict[str, object]:
    return {"estimate": plain(value), "low": plain(value - half), "high": plain(value + half)}
