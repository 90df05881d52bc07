"""Channels recorded more slowly than the log's own clock: which scans are theirs.

Recorders of two rates write one file on the faster clock and leave the slower channels empty in
between; those empty places are no lost readings.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wallsim.logs.lines import Mask
from wallsim.logs.model import Array

REGULAR = 0.8
"""Share of the steps between readings that must be alike, or a multiple."""

HELD = 0.97
"""The same of changes, where a channel repeats its reading until the next."""

FEWEST_CHANGES = 15


def scans_of(known: Mask) -> NDArray[np.intp]:
    """Return the indices of the scans at which a reading was due.

    All of them, unless nearly all readings are the same two or more scans apart. Where readings
    stay away for longer, before, between or after, they were due at the same step.

    Parameters
    ----------
    known : Mask, shape (n,)
        Where there is a reading.
    """
    return _due(known, REGULAR)


def own_scans(values: Array) -> NDArray[np.intp] | None:
    """Return the indices of a slower channel's own readings, where each is repeated until the next.

    None for a channel that changes at any scan. A quiet record of coarse resolution repeats itself
    too, but not at even steps.

    Parameters
    ----------
    values : Array, shape (n,)
    """
    if not np.isfinite(values).all():
        return None
    changed = np.concatenate([[False], np.diff(values) != 0.0])
    if changed.sum() < FEWEST_CHANGES:
        return None
    due = _due(changed, HELD)
    return due if due.size < values.size else None


def _due(known: Mask, regular: float) -> NDArray[np.intp]:
    """Return where changes or readings were due, if that share of their steps is alike."""
    everything = np.arange(known.size)
    at = np.flatnonzero(known)
    if at.size < 5:
        return everything
    steps = np.diff(at)
    stride = int(np.median(steps))
    off = np.abs(steps - stride * np.maximum(np.rint(steps / stride), 1.0))
    if stride < 2 or np.mean(off <= stride // 4) < regular:
        return everything
    before = np.arange(at[0] - stride, -1, -stride)[::-1]
    after = np.arange(at[-1] + stride, known.size, stride)
    parts = [before]
    for first, step in zip(at[:-1], steps, strict=True):
        parts.append(np.arange(first, first + max(step - stride // 2, 1), stride))
    return np.concatenate([*parts, at[-1:], after])
