"""Growth laws of each blend's deposit against each other, as a table of the page and a CSV."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from wallsim.report.document import Document
from wallsim.rounding import fixed, number

_FAR = 99.5


def compared(document: Document) -> Iterator[tuple[str, Document]]:
    """Return name and comparison of each blend whose growth laws were compared."""
    for name, blend in document["blends"].items():
        found = (blend.get("deposit") or {}).get("growth_laws")
        if found:
            yield name, found


def growth_laws(document: Document) -> pd.DataFrame:
    """Return one row a law of a blend."""
    rows = [
        {
            "blend": name,
            "law": law["law"],
            "in the fit": law["fitted"],
            "criterion difference [-]": number(law.get("criterion_difference")),
            "difference by BIC [-]": number(law.get("bic_difference")),
            "weight [-]": number(law.get("weight")),
            "averaged with weight [-]": found["averaged_over"].get(law["law"], 0.0),
            "unknowns told [-]": number(law.get("unknowns_told")),
            "firings left out, rms [noise]": number(law.get("left_out_rms")),
            "converged": law["converged"],
        }
        for name, found in compared(document) for law in found["laws"]
    ]
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=["blend", "law"])


def law_rows(document: Document) -> list[dict[str, Any]]:
    """Return each blend's laws in words, for the page."""
    return [
        {
            "blend": name,
            "laws": [
                {
                    "law": _named(law["law"]) + (" (fit)" if law["fitted"] else ""),
                    "difference": _difference(law),
                    "weight": fixed(law.get("weight"), 2),
                    "left_out": fixed(law.get("left_out_rms"), 2),
                    "converged": "yes" if law["converged"] else "no",
                }
                for law in found["laws"]
            ],
        }
        for name, found in compared(document)
    ]


def law_text(deposit: Document) -> str:
    """Return the growth law of a deposit, or those that its resistance is averaged over."""
    over = (deposit.get("growth_laws") or {}).get("averaged_over")
    return " or ".join(_named(law) for law in over or [deposit.get("law") or "-"])


def _named(law: str) -> str:
    return "another shape" if law == "general" else law


def _difference(law: Document) -> str:
    """Return a difference; that of a law far off is as linearised, and only said to be large."""
    value = number(law.get("criterion_difference"))
    return fixed(value, 1) if value < _FAR else "> 99"
