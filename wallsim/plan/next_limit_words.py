"""Which firings to come pass a limit of the bore, in words."""

from __future__ import annotations

from typing import Any

from wallsim.plan.followed import ZERO_CELSIUS
from wallsim.plan.next_bore import oxidising, passing
from wallsim.rounding import open_text

Document = dict[str, Any]


def beyond_limit(document: Document) -> list[tuple[str, str]]:
    """Return which firings to come pass the limit, and which may, with the times."""
    passed, may = passing(document)
    best = document["recommended"]["blend"]
    mix = document["mixes"][document["recommended"]["times"] - 1]["firings"]
    out = []
    for rows, words in ((passed, "takes the bore beyond"), (may, "may take the bore beyond")):
        if rows:
            asked = [row for row in rows if row["blend"] == best or row["blend"] in mix]
            level = "bad" if rows is passed and asked else "warning"
            each = "; ".join(_reached(row) for row in rows)
            out.append((level, f"A burn of {document['firing']['burn_s']:.3g} s {words} "
                               f"{document['limit']['words']}: {each}. Ask again with a shorter "
                               "burn under [firing]."))
    return out


def beyond_oxidation(document: Document) -> list[str]:
    """Return which firings to come pass an oxidation limit below the owner's, and which may."""
    out = []
    for rows, words in zip(oxidising(document), ("takes", "may take"), strict=True):
        if rows:
            out.append(f"A burn of {document['firing']['burn_s']:.3g} s {words} the bore beyond "
                       f"the oxidation limit of {document['oxidation_K'] - ZERO_CELSIUS:.0f} °C, "
                       "which is below your limit: "
                       f"{', '.join(row['blend'] for row in rows)}.")
    return out


def _reached(row: Document) -> str:
    bore = row["bore"]
    peak = open_text(bore["bore_peak_K"], 0, -ZERO_CELSIUS)
    time = open_text(bore["time_to_limit_s"], 1, none="")
    return f"{row['blend']}, peak {peak} °C" + (f", the limit after {time} s" if time else "")


def too_hot(document: Document, mix: Document) -> list[str]:
    """Return the blends of a mix whose burn takes the bore beyond the limit."""
    passed = {row["blend"] for row in passing(document)[0]}
    return [blend for blend in mix["firings"] if blend in passed]


def within_limit(document: Document) -> Document | None:
    """Return the best candidate whose bore is not beyond the limit by the estimate, if any."""
    return next((row for row in document["candidates"]
                 if not too_hot(document, {"firings": {row["blend"]: 1}})), None)
