"""Scatter, spikes and clipped stretches of a single channel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, median_filter

from wallsim.logs.lines import Mask
from wallsim.logs.model import Array

SHORTEST_QUIET = 0.3
"""A shorter record before ignition says nothing of the scatter [s]."""

SMALLEST_SPIKE = 3.0
"""Excursions below this are scatter [K]."""

LONG_QUIET = 1.5
"""A record before ignition as long as this tells the scatter alone [s]."""

_TO_SD = 1.4826
_SPIKE_WINDOW = 0.25
_BURST_WINDOW = 1.2
_CROWD_WINDOW = 1.0
_CROWD_SHARE = 0.45
_TOUCHED = 0.03


def step_of(t: Array) -> float:
    """Return the usual time between scans [s]."""
    return float(np.median(np.diff(t)))


def quantum_of(y: Array) -> float:
    """Return the smallest step between different readings [K]; 0 for a constant record."""
    steps = np.diff(np.unique(y[np.isfinite(y)]))
    steps = steps[steps > 1e-6]
    return float(steps.min()) if steps.size else 0.0


def zero_and_noise(t: Array, y: Array, ignition: float) -> tuple[float, float]:
    """Return the mean reading before ignition and the scatter of a single sample [K].

    Without a long enough record before ignition the first is NaN. A short one shows too little
    of slow scatter, so the scatter about short straight lines through the quieter parts of the
    whole record is the least that the second can be.

    Parameters
    ----------
    t, y : Array, shape (n,)
    ignition : float
        [s].
    """
    known = np.isfinite(y)
    quiet = known & (t < ignition - 2.0 * step_of(t))
    time = t[quiet]
    floor = max(quantum_of(y) / np.sqrt(12.0), 1e-3)
    span = float(time[-1] - time[0]) if time.size >= 8 else 0.0
    about_lines = _scatter_about_lines(t[known], y[known]) if span < LONG_QUIET else 0.0
    if span < SHORTEST_QUIET:
        return float("nan"), max(floor, about_lines)
    middle = float(np.median(y[quiet]))
    noise = max(floor, _TO_SD * float(np.median(np.abs(y[quiet] - middle))))
    about_lines = max(noise, min(about_lines, 2.0 * noise)) if span < LONG_QUIET else 0.0
    calm = y[quiet & (np.abs(y - middle) < max(4.0 * noise, SMALLEST_SPIKE))]
    return float(np.mean(calm)), max(floor, about_lines, float(np.std(calm)))


def _scatter_about_lines(t: Array, y: Array) -> float:
    """Return the scatter about lines half a second long, of the calmer ones [K]."""
    size = max(8, round(0.5 / step_of(t))) if t.size > 1 else 8
    if t.size < size:
        return 0.0
    scatter = []
    for first in range(0, t.size - size + 1, size):
        time, value = t[first : first + size], y[first : first + size]
        slope, level = np.polyfit(time - time[0], value, 1)
        rest = value - level - slope * (time - time[0])
        scatter.append(float(np.sqrt(np.sum(rest**2) / (size - 2))))
    return float(np.quantile(scatter, 0.15))


def bridged(t: Array, y: Array) -> Array:
    """Return the record with straight lines over samples without a reading."""
    known = np.isfinite(y)
    return np.interp(t, t[known], y[known])


def running_median(y: Array, size: int) -> Array:
    """Return the running median over ``size`` samples, the ends continued point-symmetrically."""
    half = min(size // 2, y.size - 1)
    padded = np.pad(y, half, mode="reflect", reflect_type="odd")
    return np.asarray(median_filter(padded, size=2 * half + 1), dtype=np.float64)[
        half : half + y.size
    ]


def find_spikes(t: Array, y: Array, noise: float, slope: float) -> Mask:
    """Return which samples belong to spikes or short bursts, with their next neighbours.

    A running median leaves a record that only rises or only falls as it is, so an excursion from
    it that is large against the scatter comes back within half its width.

    Parameters
    ----------
    t, y : Array, shape (n,)
    noise : float
        Of a single sample [K].
    slope : float
        Steepest heating [K/s], which sets how sharp a true peak may be.
    """
    step = step_of(t)
    whole = bridged(t, y)
    narrow = 2 * max(2, round(0.5 * _SPIKE_WINDOW / step)) + 1
    off = np.abs(whole - running_median(whole, narrow))
    limit = max(8.0 * noise, SMALLEST_SPIKE) + 0.25 * slope * step
    spikes = off > limit
    wide = 2 * round(0.5 * _BURST_WINDOW / step) + 1
    if wide > narrow:
        off = np.abs(whole - running_median(whole, wide))
        spikes |= off > max(12.0 * noise, 4.0 * SMALLEST_SPIKE) + 0.35 * slope * _BURST_WINDOW
    if not spikes.any():
        return spikes
    touched = min(round(_TOUCHED / step), 3)
    # in slow logs the neighbours masked for safety must not make a crowd of a few spikes
    spikes &= ~_crowded(_widened(spikes, touched), round(_CROWD_WINDOW / step))
    masked = _widened(spikes, max(touched, 1))
    return masked & ~_corners(t, y, masked, limit) & np.isfinite(y)


def _widened(flags: Mask, by: int) -> Mask:
    size = 2 * by + 1
    return np.asarray(binary_dilation(flags, np.ones(size, dtype=np.bool_)), dtype=np.bool_)


def _corners(t: Array, y: Array, masked: Mask, limit: float) -> Mask:
    """Return the masked stretches that lie on the lines of the samples before or after them.

    The corner where a lead opens stands out from a running median too; masked, it would hide the
    break.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], masked, [False]]).astype(np.int8)))
    sound = np.flatnonzero(~masked & np.isfinite(y))
    size = max(3, round(0.1 / step_of(t)))
    corners = np.zeros(t.size, dtype=np.bool_)
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        before, after = sound[sound < first][-size:], sound[sound >= stop][:size]
        if min(before.size, after.size) < size:
            continue
        off = np.full(stop - first, np.inf)
        for side in (before, after):
            line = np.polyfit(t[side] - t[first], y[side], 1)
            aside = np.abs(y[first:stop] - np.polyval(line, t[first:stop] - t[first]))
            off = np.fmin(off, aside)
        corners[first:stop] = bool(np.all(off < limit))
    return corners


def _crowded(flags: Mask, size: int) -> Mask:
    """Return where flags fill so much of a stretch that they are no spikes but the signal."""
    size = max(size, 15)
    total = np.concatenate([[0], np.cumsum(flags)])
    at = np.arange(flags.size)
    stop = np.minimum(at + size, flags.size)
    crowded = np.zeros(flags.size, dtype=np.bool_)
    for first in np.flatnonzero(flags & (total[stop] - total[at] > _CROWD_SHARE * size)):
        crowded[first : stop[first]] = True
    return crowded


def find_clipping(t: Array, y: Array, good: Mask, noise: float) -> Mask:
    """Return which samples stand at the top of the recorder's range.

    Such a top is reached in full climb and repeats one value; a wall's own peak is rounded, and
    a lead that opens jumps there.
    """
    none = np.zeros(t.size, dtype=np.bool_)
    used = good & np.isfinite(y)
    if used.sum() < 20:
        return none
    quantum = quantum_of(y[used])
    top = float(np.max(y[used]))
    at_top = used & (y >= top - 0.25 * quantum - 1e-9)
    index = np.flatnonzero(used)
    first, last = _longest_run(at_top[index])
    step = step_of(t)
    if last - first + 1 < max(8, 0.3 / step):
        return none
    start, end = index[first], index[last]
    lead = index[max(0, first - max(5, round(0.5 / step))) : first]
    if lead.size < 4:
        return none
    slope, level = np.polyfit(t[lead] - t[start], y[lead], 1)
    short = top - level
    earlier = index[max(0, first - 2 * lead.size) : first - lead.size]
    growth = _growth(t, y, earlier, lead, slope, min(1.0, t[end] - t[start]))
    unit = max(noise, quantum)
    if growth < 4.0 * unit or short > max(8.0 * unit, 3.0 * slope * step, 10.0):
        return none
    pad = max(2, round(0.1 / step))
    touched = np.flatnonzero(at_top)
    clipped = none.copy()
    clipped[max(0, touched[0] - 1) : touched[-1] + pad + 1] = True
    return clipped


def _growth(
    t: Array, y: Array, earlier: NDArray[np.intp], lead: NDArray[np.intp], slope: float, time: float
) -> float:
    """Return how far a record would climb on, slowing down as it did over two stretches [K]."""
    if earlier.size < 4:
        return slope * time
    before = float(np.polyfit(t[earlier] - t[earlier[0]], y[earlier], 1)[0])
    slowing = max(0.0, (before - slope) / float(np.mean(t[lead]) - np.mean(t[earlier])))
    slope -= 0.5 * slowing * float(t[lead[-1]] - t[lead[0]])
    if slope <= 0.0:
        return 0.0
    time = min(time, slope / slowing) if slowing > 0.0 else time
    return slope * time - 0.5 * slowing * time**2


def _longest_run(flags: Mask) -> tuple[int, int]:
    """Return first and last index of the longest stretch of True; (0, -1) without one."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    if not edges.size:
        return 0, -1
    lengths = edges[1::2] - edges[::2]
    at = int(np.argmax(lengths))
    return int(edges[2 * at]), int(edges[2 * at + 1] - 1)
