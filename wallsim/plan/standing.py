"""How a firing stands to a limit: one rule for all commands that plan.

A limit is kept only where the upper end of the bore's peak and the lower end of the time to the
limit both keep it, each by more than it is uncertain itself when it rests on few draws. An estimate
beyond the limit passes it. Whatever lies between may pass it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Literal

Interval = Mapping[str, Any]
Standing = Literal["passed", "may", "kept"]

ROUNDING = 1e-6
"""Share of a time that is not told from none."""


def worst(standings: Iterable[Standing]) -> Standing:
    """Return the worst of standings; kept if there is none."""
    every = set(standings)
    return "passed" if "passed" in every else "may" if "may" in every else "kept"


def of_bore(
    at: float, peak: Interval, burn: float, time: Interval | None, error: float = 0.0
) -> Standing:
    """Return how a bore stands to the limit ``at`` [K].

    Parameters
    ----------
    peak : interval
        Of the bore [K].
    burn : float
        [s].
    time : interval or None
        From ignition to the limit if the burn goes on [s]; None where it is not known.
    error : float
        How uncertain an end is, as a share of its distance from the estimate.
    """
    by_peak = _below(at, peak["estimate"], peak["high"], error)
    return by_peak if time is None else worst((by_peak, of_time(burn, time, error)))


def of_time(burn: float, time: Interval, error: float = 0.0) -> Standing:
    """Return whether something that is reached after ``time`` [s] is so in a ``burn`` [s]."""
    return _above(burn * (1.0 - ROUNDING), time["estimate"], time["low"], error)


def of_load(
    factor: float, margin: Interval | None, burn: float, time: Interval | None, error: float = 0.0
) -> Standing:
    """Return how limit load over gas pressure stands to the least that the owner asks for.

    Parameters
    ----------
    margin : interval or None
        Least of the burn [-].
    time : interval or None
        From ignition until it falls below ``factor`` [s].
    """
    by_load = "kept" if margin is None else _above(
        factor, margin["estimate"], margin["low"], error)
    return by_load if time is None else worst((by_load, of_time(burn, time, error)))


def _below(limit: float, estimate: float | None, high: float | None, error: float) -> Standing:
    """Return how what is to stay below ``limit`` stands to it: as its negative to stay above."""
    best, end = (None if value is None else -value for value in (estimate, high))
    return _above(-limit, best, end, error)


def _above(limit: float, estimate: float | None, low: float | None, error: float) -> Standing:
    if estimate is not None and estimate < limit:
        return "passed"
    if low is None or low - error * ((low if estimate is None else estimate) - low) < limit:
        return "may"
    return "kept"
