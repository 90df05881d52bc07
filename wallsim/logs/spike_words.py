"""How spikes are told in a channel's reason, and how they are found there again.

A reason is text, and results keep it as text; so the words and their reader stand together.
"""

from __future__ import annotations

import re

IGNITION = 0.5
"""How far from ignition a spike is the igniter's [s]."""

_TOLD = re.compile(r"\d+ spikes? between (\S+) and (\S+) s, \d+ samples masked")


def spike_words(count: int, first: float, last: float, samples: int) -> str:
    """Return the words for ``count`` spikes between two moments [s, log clock]."""
    what = "spike" if count == 1 else "spikes"
    return f"{count} {what} between {first:.2f} and {last:.2f} s, {samples} samples masked"


def without_ignition_spikes(
    verdict: str, reason: str, ignition: float
) -> tuple[str, str, tuple[float, float] | None]:
    """Return verdict and reason of a channel less its igniter's spikes, and when these were.

    Parameters
    ----------
    verdict, reason : str
        As in `Channel`: words joined by commas, reasons by semicolons.
    ignition : float
        [s, log clock].
    """
    words, parts, when = verdict.split(", "), reason.split("; "), None
    for part in list(parts):
        told = _TOLD.fullmatch(part)
        if told and all(abs(float(t) - ignition) < IGNITION for t in told.groups()):
            when = float(told[1]), float(told[2])
            parts.remove(part)
            words = [word for word in words if word != "spikes"]
    return ", ".join(words), "; ".join(parts), when
