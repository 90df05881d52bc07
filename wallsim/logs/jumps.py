"""Clocks that jump forward: stretches without scans over which the wall stood still.

Where scans are lost, readings have gone on meanwhile by their slope times the time without scans;
where the clock jumped, they go on as if there had been none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wallsim.logs.clock import is_even
from wallsim.logs.model import Array

LEAST_STEPS = 2.5
"""Shorter stretches without scans are not looked at, in usual steps."""

STOOD_STILL = 0.25
"""Share of the change expected up to which the usual channel has not gone on.

Slopes that only rise or only fall, by up to `ALIKE`, leave at least 0.46 of it where scans are
lost, even if they change at once."""

WENT_ON = 0.5
"""Share of the change expected from which a single channel has gone on."""

MOST = 0.75
"""So many of the channels have not gone on; the others may be faulty."""

ALIKE = 0.3
"""Ratio of the slopes before and after from which they are of one course."""

CLEAR = 6.0
"""The change expected is told from none if it is so many of its standard deviations."""

LEAST_CHANGE = 8.0
"""Smaller changes expected tell nothing [K]: channels share slow noise of a kelvin or two."""

_SPAN = 1.0
_FEWEST = 5


@dataclass(frozen=True, slots=True)
class Standstill:
    """A stretch without scans over which nothing went on.

    Parameters
    ----------
    start, end : float
        Last scan before and first after, log clock [s].
    jump : float
        By how much it is longer than a usual step [s].
    slope : float
        What the usual channel did before and after [K/s].
    """

    start: float
    end: float
    jump: float
    slope: float


def standstills(t: Array, readings: Sequence[Array]) -> tuple[Standstill, ...]:
    """Return the stretches without scans over which no reading went on.

    Parameters
    ----------
    t : Array, shape (n,)
        Log clock [s].
    readings : sequence of Array, shape (n,)
        Of each thermocouple as logged [K], NaN where there is none.
    """
    steps = np.diff(t)
    step = float(np.median(steps))
    if not is_even(steps):
        return ()
    records = [(t[known], T[known]) for T in readings if (known := np.isfinite(T)).any()]
    out = []
    for at in np.flatnonzero(steps > LEAST_STEPS * step):
        start, end = float(t[at]), float(t[at + 1])
        told = [one for record in records if (one := _gone_on(*record, start, end, step))]
        # few channels may have been touched, or their noise wander so
        if len(told) < max(min(2, len(records)), 0.5 * len(records)):
            continue
        shares = np.abs([share for share, _ in told])
        still = np.mean(shares < WENT_ON)
        if np.median(shares) < STOOD_STILL and still >= MOST:
            slope = float(np.median([slope for _, slope in told]))
            out.append(Standstill(start, end, end - start - step, slope))
    return tuple(out)


def _gone_on(
    t: Array, T: Array, start: float, end: float, step: float
) -> tuple[float, float] | None:
    """Return how much of the change expected a channel has made [-], and its slope [K/s].

    None where its slopes differ too much or expect too little to tell.
    """
    before, after = np.flatnonzero(t < start + 0.5 * step), np.flatnonzero(t > end - 0.5 * step)
    own = float(np.median(np.diff(t))) if t.size > 1 else step
    size = max(_FEWEST, round(_SPAN / own))
    if min(before.size, after.size) < _FEWEST:
        return None
    sides = [_line(t[side], T[side], edge)
             for side, edge in ((before[-size:], start), (after[:size], end))]
    (level_a, slope_a), (level_b, slope_b) = (line[:2] for line in sides)
    of_levels, of_slopes = np.sqrt(np.sum([line[2:] for line in sides], axis=0))
    low, high = sorted([slope_a, slope_b], key=abs)
    slope = 0.5 * (slope_a + slope_b)
    jump = end - start - step
    expected = slope * jump
    if low * high <= 0.0 or abs(low) < ALIKE * abs(high):
        return None
    if abs(expected) < max(LEAST_CHANGE, CLEAR * max(of_levels, 0.5 * jump * of_slopes)):
        return None
    return (level_b - level_a - slope * step) / expected, slope


def _line(t: Array, T: Array, edge: float) -> tuple[float, float, float, float]:
    """Return level at ``edge`` [K] and slope [K/s] of a straight line, and their variances."""
    time = t - t.mean()
    spread = float(np.sum(time**2))
    slope = float(np.sum(time * T)) / spread
    rest = T - T.mean() - slope * time
    aside = edge - float(t.mean())
    variance = float(np.sum(rest**2)) / (t.size - 2)
    level = float(T.mean()) + slope * aside
    return level, slope, variance * (1.0 / t.size + aside**2 / spread), variance / spread
