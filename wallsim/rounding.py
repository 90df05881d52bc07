"""Numbers as a reader wants them: rounded to what their interval supports."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

NOT_IDENTIFIABLE = "not identifiable"
NOT_ASSESSED = "not assessed"
AT_ONCE = 0.05
"""Times below this are printed as nothing [s]."""
NO_SPREAD = 1e-6
"""Share of the value below which a distance between ends is rounding, not doubt."""


def number(value: Any) -> float:
    """Return a number of a document; null or absent becomes NaN."""
    return math.nan if value is None else float(value)


def decimals(size: float, digits: int = 2) -> int:
    """Return the decimals that leave ``digits`` significant figures in ``size``."""
    if not math.isfinite(size) or size <= 0.0:
        return digits
    return digits - 1 - math.floor(math.log10(size))


def decimals_of_error(error: float) -> int:
    """Return the decimals that an uncertainty supports.

    Two significant figures where it starts with 100 to 354, one from 355 to 949 (Particle Data
    Group, Review of Particle Physics, Introduction, section 5.3, "Rounding"; from memory).
    """
    if not math.isfinite(error) or error <= 0.0:
        return 2
    leading = error / 10.0 ** math.floor(math.log10(error))
    return decimals(error, 1 if 3.55 <= leading < 9.5 else 2) - (leading >= 9.5)


def rounded(value: float, places: int) -> str:
    """Return ``value`` with ``places`` decimals; below zero whole tens, hundreds, ..."""
    return f"{round(value, places) + 0.0:.{max(places, 0)}f}"


def significant(value: Any, digits: int = 3, scale: float = 1.0) -> str:
    """Return a number with ``digits`` significant figures, "-" where there is none."""
    value = scale * number(value)
    if not math.isfinite(value):
        return "-"
    if value == 0.0:
        return "0"
    if not 1e-3 <= abs(value) < 1e6:
        return f"{value:.{digits - 1}e}"
    return rounded(value, decimals(abs(value), digits))


def plain(value: float, digits: int = 3) -> str:
    """Return a number with ``digits`` significant figures at most; large ones as whole numbers."""
    return rounded(value, 0) if abs(value) >= 10.0**digits else f"{value:.{digits}g}"


def fixed(value: Any, places: int, scale: float = 1.0) -> str:
    """Return a number with ``places`` decimals, "-" where there is none."""
    value = scale * number(value)
    return rounded(value, places) if math.isfinite(value) else "-"


def per_cent(share: float) -> str:
    """Return a chance in whole per cent; what is not quite nothing or certain says so."""
    if 0.0 < share < 0.005:
        return "below 1 %"
    if 0.995 < share < 1.0:
        return "above 99 %"
    return f"{100.0 * share:.0f} %"


def chance_text(chance: float) -> str:
    """Return a chance in whole per cent, never quite nothing or certain."""
    return per_cent(min(max(chance, 1e-9), 1.0 - 1e-9))


def parts_text(parts: Sequence[float]) -> list[str]:
    """Return chances in whole per cent that add up to their sum as `chance_text` rounds it.

    What is cut off goes to the parts that lose most by it.
    """
    every = [100.0 * part for part in parts]
    whole = [math.floor(part) for part in every]
    order = sorted(range(len(every)), key=lambda i: whole[i] - every[i])
    for i in order[: round(sum(every)) - sum(whole)]:
        whole[i] += 1
    return [chance_text(n / 100.0) for n in whole]


def interval_text(
    interval: Mapping[str, Any] | None, scale: float = 1.0, shift: float = 0.0,
    apart: float = math.nan, digits: int | None = None,
) -> str:
    """Return ``"127 (110 to 146)"``; one end alone reads "below" or "above".

    Parameters
    ----------
    interval : mapping or None
        ``{"estimate", "low", "high"}``; null as a whole or in part where not identifiable.
    scale, shift : float
        To the unit wanted: ``scale * value + shift``.
    apart : float
        In that unit; an end that differs from it gets the digits to show it.
    digits : int or None
        Significant figures of the estimate, at most.
    """
    ends = interval or {}
    estimate, low, high = (
        scale * number(ends.get(key)) + shift for key in ("estimate", "low", "high")
    )
    if not math.isfinite(estimate):
        if math.isfinite(high):
            return upper_limit_text(high)
        return f"above {significant(low, 2)}" if math.isfinite(low) else NOT_IDENTIFIABLE
    if not math.isfinite(low + high):
        return f"{significant(estimate)} (no interval)"
    if low == high:
        return f"{significant(estimate)} (held fixed)"
    if high - low < NO_SPREAD * abs(estimate):
        return significant(estimate)
    # the shorter side: in a skew interval the longer one would round the lower end to nothing
    shorter = max(min(estimate - low, high - estimate), 1e-3 * (high - low))
    places = min(decimals_of_error(shorter), 6)
    if digits is not None and estimate:
        places = min(places, decimals(abs(estimate), digits))
    while places < 6 and any(
            end != apart and round(end, places) == round(apart, places) for end in (low, high)):
        places += 1
    return f"{rounded(estimate, places)} ({rounded(low, places)} to {rounded(high, places)})"


def load_text(margin: Mapping[str, Any] | None) -> str:
    """Return the interval of a limit load over pressure; with one end alone "less than" it.

    Three significant figures at most: tables of strength are no better.
    """
    ends = margin or {}
    estimate, low, high = (number(ends.get(key)) for key in ("estimate", "low", "high"))
    if math.isfinite(low) or not math.isfinite(estimate + high):
        if math.isfinite(estimate):
            return significant(estimate) if low == high else interval_text(margin, digits=3)
        return f"less than {high:.3g}" if math.isfinite(high) else NOT_ASSESSED
    return f"{significant(estimate)} (less than {significant(high)})"


def upper_limit_text(high: float) -> str:
    """Return ``"below 180"``: two significant figures, rounded away from the value."""
    step = 10.0 ** -decimals(abs(high))
    return f"below {significant(math.ceil(high / step - 1e-9) * step, 2)}"


def open_text(
    interval: Mapping[str, Any] | None, places: int = 0, shift: float = 0.0, none: str = "-"
) -> str:
    """Return ``"824 (792 to 857)"``; where an end is open ``"824 (more than 792)"``.

    Parameters
    ----------
    interval : mapping or None
        As in `interval_text`; without an estimate the end that is known stands alone.
    places : int
        Decimals.
    shift : float
        Added to all numbers.
    none : str
        What is returned where nothing is known.
    """
    ends = interval or {}
    estimate, low, high = (number(ends.get(key)) + shift for key in ("estimate", "low", "high"))
    if math.isfinite(low) and math.isfinite(high):
        rest = f"{low:.{places}f} to {high:.{places}f}"
    elif math.isfinite(low):
        rest = f"more than {math.floor(low * 10**places + 1e-9) / 10**places:.{places}f}"
    else:
        rest = f"less than {high:.{places}f}" if math.isfinite(high) else ""
    if not math.isfinite(estimate):
        return rest or none
    return f"{estimate:.{places}f} ({rest or 'open'})"
