"""From when until when a reason takes a channel out of a run, as engineers write it."""

from __future__ import annotations

import re

from wallsim.units import to_si

_UNIT = r"(?:ms|msecs?|s|secs?|seconds?|mins?|minutes?)\b"
_NUMBER = r"[+-]?\d+(?:[.,]\d+)?(?:e[+-]?\d+)?"
_MOMENT = rf"(?:(?:t\s*=|about|around|~)\s*)*(?P<number>{_NUMBER})(?:\s*(?P<unit>{_UNIT}))?"
_FROM = re.compile(rf"\b(?P<word>from|after|since)\s+{_MOMENT}", re.IGNORECASE)
_UNTIL = re.compile(rf"\b(?P<word>until|till|til|before|up\s+to)\s+{_MOMENT}", re.IGNORECASE)
_TO = re.compile(
    rf"\b(?:from|between)(?P<first>\s+(?:t\s*=\s*)?{_NUMBER})(?P<unit>\s*{_UNIT})?"
    rf"\s*(?:to|and|until|till|up\s+to|-|–)\s*(?P<last>(?:t\s*=\s*)?{_NUMBER})(?:\s*(?P<end>{_UNIT}))?",
    re.IGNORECASE,
)
_TIME = re.compile(
    rf"(?<![\w.,]){_NUMBER}\s*{_UNIT}|\bt\s*=\s*{_NUMBER}(?:\s*{_UNIT})?", re.IGNORECASE
)
_OTHER_UNIT = re.compile(r"\s*(?!(?:to|and|until|till|up)\b)[^\W\d]|\s*[%°]", re.IGNORECASE)
_VAGUE = re.compile(
    r"\b(?:from|after|since|until|till|til|before|up\s+to)\s+(?:the\s+)?"
    r"(?:(?:\d+\w*\s+)?seconds?\b|shut\s?down|ignition)|\bo'clock",
    re.IGNORECASE,
)
_WAYS = 'write "from 7 s", "until 9 s" or "from 7 s to 9 s" (log clock)'


def window(text: str) -> tuple[float, float]:
    """Return from when until when [s, log clock] a reason takes a channel out.

    ``from 7 s`` (or after, since), ``until 9 s`` (or till, before, up to) or ``from 7 s to 9 s``
    anywhere in the text bound it; a text without a time is the whole run.

    Raises
    ------
    ValueError
        If a moment has no unit, nothing is left between the two, or the text has a time besides.
    """
    rest = _TO.sub(_as_two, text)
    bounds = [float("-inf"), float("inf")]
    for i, pattern in enumerate((_FROM, _UNTIL)):
        for found in pattern.finditer(rest):
            if not found["unit"] and _OTHER_UNIT.match(rest, found.end()):
                continue
            bounds[i] = _moment(found)
            rest = rest[: found.start()] + " " + rest[found.end() :]
            break
    if (besides := _TIME.search(rest)) is not None:
        raise ValueError(
            f'"{besides[0]}" in it is not understood; {_WAYS}, or leave the time out to take out '
            f"the whole run"
        )
    if (vague := _VAGUE.search(rest)) is not None:
        raise ValueError(
            f'"{vague[0]}" in it is no moment on the log\'s clock; {_WAYS}, or leave it out to '
            f"take out the whole run"
        )
    if not bounds[0] < bounds[1]:
        raise ValueError("ends before it starts; it can be one stretch only, on the log's clock")
    return bounds[0], bounds[1]


def _as_two(found: re.Match[str]) -> str:
    """Return ``from ... to ...`` as a beginning and an end; a unit at the end serves both."""
    unit, end = found["unit"] or found["end"] or "", found["end"] or ""
    return f"from{found['first']} {unit.strip()} until {found['last']} {end}"


def _moment(found: re.Match[str]) -> float:
    """Return the moment of a match [s]."""
    if not found["unit"]:
        word, number = " ".join(found["word"].split()), found["number"]
        raise ValueError(f'the moment has no unit; write "{word} {number} s"')
    return to_si(float(found["number"].replace(",", ".")), found["unit"].lower(), "s")
