"""A raw log as read, what its pressure channel says, and what each channel is good for."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """One log file, in SI.

    Parameters
    ----------
    path : Path
    sha256 : str
        Of the file as it is.
    t : Array, shape (n,)
        Log clock [s], strictly increasing.
    channels : dict of str to Array, shape (n,)
        Temperatures [K], pressures [Pa] as logged (gauge or absolute); NaN where the file has
        no number.
    assumptions : tuple of str
        What was found out rather than told: delimiter, decimal sign, encoding, units.
    lost_scans : int
        Scans missing from an otherwise even clock.
    zeros : dict of str to str
        What headings say of the pressures' zero: ``gauge``, ``absolute`` or nothing.
    contradictions : tuple of str
        Where file and case file say different things, and which one was taken.
    clock : str
        Unit that the clock was read in; empty for stamps.
    """

    path: Path
    sha256: str
    t: Array
    channels: dict[str, Array]
    assumptions: tuple[str, ...]
    lost_scans: int
    zeros: dict[str, str] = field(default_factory=dict)
    contradictions: tuple[str, ...] = ()
    clock: str = ""

    def at(self, scans: NDArray[np.intp]) -> Log:
        """Return the log at some of its scans only."""
        channels = {name: values[scans] for name, values in self.channels.items()}
        return replace(self, t=self.t[scans], channels=channels)


@dataclass(frozen=True, slots=True)
class Events:
    """Moments of one firing, log clock [s], and its mean absolute pressure [Pa].

    Parameters
    ----------
    ignition, shutdown : float
        Half-rise and half-fall of the pressure.
    plateau : float
        Mean absolute pressure while burning [Pa].
    zero : float
        What is added to the tap's readings for its error at rest [Pa]; ``plateau`` has it.
    """

    ignition: float
    shutdown: float
    plateau: float
    zero: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """One thermocouple in one run after screening.

    Parameters
    ----------
    name : str
        Sensor name.
    verdict : str
        ``ok``, ``open``, ``detached``, ``spikes``, ``clipped``, ``reversed``, ``drift``,
        ``dropouts``, ``dead``, ``noisy``, ``excluded`` or ``missing``. Several joined by ``, ``.
    used_from, used_until : float or None
        Log clock [s] of the first and last sample used; None if none is.
    good : NDArray of bool, shape (n,)
        Samples of the log that are used.
    zero : float
        Mean reading before ignition [K]; NaN without a record there.
    noise : float
        Standard deviation of a single sample, from the record before ignition or from the
        scatter about a smooth curve [K].
    reason : str
        In words, empty when nothing is wrong.
    """

    name: str
    verdict: str
    used_from: float | None
    used_until: float | None
    good: NDArray[np.bool_]
    zero: float
    noise: float
    reason: str
