"""Junctions that cool far sooner than the wall: off it, however softly they left."""

from __future__ import annotations

import numpy as np

from wallsim.logs.lines import moving_lines
from wallsim.logs.model import Array, Events
from wallsim.logs.spikes import bridged, running_median, step_of

_SHORTEST_TIME = 8.0
_LEAST_DROP = 0.4
_SMALLEST_RISE = 15.0
_SMALLEST_PEAK = 6.0


def fades_from(
    t: Array, own: Array, others: list[Array], ambient: float, noise: float, events: Events
) -> int | None:
    """Return the sample from which on a channel cools as the others do not.

    That is its peak, when it fell far from it while the others still rose, else where its share of
    the others' rise begins to fade after shutdown. None where it does not, or where there are too
    few others to tell.

    Parameters
    ----------
    t : Array, shape (n,)
    own : Array, shape (n,)
        [K], NaN at samples that are masked.
    others : list of Array, shape (n,)
        [K], the same.
    ambient, noise : float
        [K].
    events : Events
    """
    if len(others) < 2:
        return None
    rise = bridged(t, own) - ambient
    usual = np.median([bridged(t, other) - ambient for other in others], axis=0)
    fallen = _falls_while_burning(t, rise, usual, noise, events)
    if fallen is not None:
        return fallen
    burn = events.shutdown - events.ignition
    settled = t > events.shutdown + max(1.0, 0.3 * burn)
    known = settled & (usual > 2.0 * _SMALLEST_RISE) & np.isfinite(own)
    share = np.where(known, rise / np.where(known, usual, 1.0), np.nan)
    clear = known & (rise > max(_SMALLEST_RISE, 10.0 * noise))
    if clear.sum() < 8:
        return None
    width = max(4, round(1.5 / step_of(t)))
    # both, so that one bad channel among the others cannot make a sound one seem to fade
    rates = [
        moving_lines(t, np.log(np.where(clear, values, 1.0)), clear, width).after
        for values in (share, rise)
    ]
    slower = np.nan_to_num(np.maximum(*rates), nan=0.0)
    for first in np.flatnonzero(clear & (slower < -1.0 / _SHORTEST_TIME)):
        rest = share[first:][known[first:]]
        last = float(np.median(rest[-max(4, width // 2) :]))
        if last < (1.0 - _LEAST_DROP) * float(np.median(rest[: max(3, width // 4)])):
            return int(first)
    return None


def _falls_while_burning(
    t: Array, rise: Array, usual: Array, noise: float, events: Events
) -> int | None:
    """Return the peak of a channel that ends the burn far below it while the others still rose."""
    burning = np.flatnonzero((t > events.ignition) & (t < events.shutdown))
    if burning.size < 8:
        return None
    level = running_median(rise[burning], 2 * max(2, round(0.15 / step_of(t))) + 1)
    peak = int(np.argmax(level))
    end = float(np.median(level[-max(3, round(0.3 / step_of(t))) :]))
    if level[peak] < max(_SMALLEST_PEAK, 6.0 * noise) or end > (1.0 - _LEAST_DROP) * level[peak]:
        return None
    return int(burning[peak]) if usual[burning[-1]] > usual[burning[peak]] else None
