"""The time column of a log: numbers with a unit, times of day or dates, in seconds."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from numpy.typing import NDArray

_DATE = r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}"
_CLOCK = re.compile(
    rf"(?:(?P<date>{_DATE})(?:T|[ ,]+))?(?P<h>\d{{1,2}}):(?P<m>\d{{2}})"
    r"(?::(?P<s>\d{2}(?:[.,:]\d+)?))?\s*(?P<half>[AaPp][Mm])?(?:Z|[+-]\d{2}:?\d{2})?"
)
_STOPWATCH = re.compile(r"(?P<m>\d{1,3}):(?P<s>\d{2}[.,]\d+)")
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}")
_NAMES = re.compile(
    r"(?:rel(?:ative)?|abs(?:olute)?|elapsed|scan|log)?[ _]?"
    r"(?:t|time|times|timestamp|time[ _]?stamp|date[ _/]?time|zeit|uhrzeit|zeitstempel|temps|"
    r"tiempo|tempo|tid|elapsed|seconds?|secs?|clock)(?:[ _.-].*)?",
    re.IGNORECASE,
)
_DAY = 86400.0

EVEN = 0.25
"""Share by which steps of an even clock differ from the usual one, at most."""


def is_stamp(text: str) -> bool:
    """Return True if ``text`` is a time of day, a stopwatch reading or a date with a time."""
    return ":" in text and bool(_CLOCK.fullmatch(text) or _STOPWATCH.fullmatch(text))


def is_date(text: str) -> bool:
    """Return True if ``text`` is a date without a time."""
    return re.fullmatch(_DATE, text) is not None


def is_time_name(name: str) -> bool:
    """Return True if a column of that name holds the clock."""
    return _NAMES.fullmatch(name.strip()) is not None


def stamps_to_seconds(entries: pd.Series) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return seconds since the first scan from stamps, and where no stamp stands.

    Times of day without a date go on over midnight.

    Parameters
    ----------
    entries : pandas.Series of str, shape (n,)

    Returns
    -------
    seconds : ndarray, shape (n,)
    wrong : ndarray of int
        Indices of entries that are no stamp.
    """
    text = entries.str.strip()
    wrong = np.flatnonzero(~text.map(is_stamp).to_numpy(dtype=bool))
    if wrong.size:
        return np.full(len(text), np.nan), wrong
    if text.map(lambda word: _ISO.match(word) is not None).all():
        moments = pd.to_datetime(text.str.replace(",", "."), format="ISO8601", utc=True)
        return (moments - moments.iloc[0]).dt.total_seconds().to_numpy(dtype=np.float64), wrong
    seconds = np.array([_seconds_of_day(word) for word in text], dtype=np.float64)
    days = np.concatenate([[0.0], np.cumsum(np.diff(seconds) < -0.5 * _DAY)])
    seconds = seconds + _DAY * days
    return seconds - seconds[0], wrong


def _seconds_of_day(word: str) -> float:
    """Return the seconds since midnight, or since the stopwatch was started."""
    match = _STOPWATCH.fullmatch(word)
    if match:
        return 60.0 * int(match["m"]) + float(match["s"].replace(",", "."))
    match = _CLOCK.fullmatch(word)
    if match is None:
        raise ValueError(f"{word!r} is not a time of day")
    hour = int(match["h"])
    if match["half"]:
        hour = hour % 12 + 12 * (match["half"].casefold() == "pm")
    second = re.sub("[,:]", ".", match["s"] or "0")
    return 3600.0 * hour + 60.0 * int(match["m"]) + float(second)


def is_even(steps: NDArray[np.float64]) -> bool:
    """Return whether nine steps in ten of a clock are alike."""
    step = float(np.median(steps))
    return bool((np.abs(steps - step) < EVEN * step).mean() >= 0.9)


def count_lost(t: NDArray[np.float64]) -> int:
    """Return how many scans are missing from an otherwise even clock; 0 if it is uneven."""
    steps = np.diff(t)
    step = float(np.median(steps))
    if not is_even(steps):
        return 0
    gaps = steps[steps > 1.5 * step]
    return int(np.sum(np.rint(gaps / step) - 1.0))
