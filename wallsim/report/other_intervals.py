"""Intervals made in other ways than by curvature: a table of the page, a CSV, terminal lines."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from wallsim.report.document import Document, band
from wallsim.report.words import PER_MM2, ZERO_CELSIUS, shown
from wallsim.rounding import interval_text, number

WAYS: Mapping[str, str] = {
    "laplace": "curvature", "profile": "profile", "sample": "samples", "bootstrap": "firings drawn",
}
_SHOWN: Mapping[str, tuple[str, str, float, float]] = {
    "mean_resistance_m2K_W": ("mean R", "mm²K/W", PER_MM2, 0.0),
    "heat_load_removed": ("heat kept out", "%", 100.0, 0.0),
    "mean_thickness_m": ("mean thickness", "µm", 1e6, 0.0),
    "bore_peak_K": ("hottest bore", "°C", 1.0, -ZERO_CELSIUS),
}
_CSV: Mapping[str, tuple[str, float]] = {
    "mean_resistance_m2K_W": ("mm^2*K/W", PER_MM2), "heat_load_removed": ("%", 100.0),
    "mean_thickness_m": ("um", 1e6), "bore_peak_K": ("K", 1.0),
}
_ENDS = ("estimate", "low", "high")


def found(document: Document) -> Document:
    """Return the part ``intervals`` of the document; results of older fits have none."""
    part: Document = document.get("intervals") or {"readouts": []}
    return part


def used(document: Document) -> list[str]:
    """Return the ways that were asked for, curvature first."""
    return [way for way in WAYS if way == "laplace" or found(document).get(way)]


def other_intervals(document: Document) -> pd.DataFrame:
    """Return one row a read-out: its interval in every way."""
    rows = []
    for entry in found(document)["readouts"]:
        unit, scale = _CSV[entry["quantity"]]
        row: dict[str, Any] = {"read-out": _SHOWN[entry["quantity"]][0], "of": entry["of"],
                               "unit": unit}
        for way, words in WAYS.items():
            b = band(entry[way]).scaled(scale)
            values = (b.estimate, b.low, b.high)
            row |= {f"{words} {end}": float(v) for end, v in zip(_ENDS, values, strict=True)}
        row["independent samples"] = number((entry["sample"] or {}).get("effective"))
        row["remarks"] = "; ".join(entry["remarks"])
        rows.append(row)
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=["read-out", "of"])


def interval_rows(document: Document) -> list[dict[str, Any]]:
    """Return each read-out with its intervals in words, for the page."""
    rows = []
    for entry in found(document)["readouts"]:
        words, unit, scale, shift = _SHOWN[entry["quantity"]]
        rows.append({
            "readout": f"{words} of {entry['of']} [{unit}]",
            "cells": [_cell(entry, way, scale, shift) for way in used(document)],
            "remarks": [shown(text) for text in entry["remarks"]],
        })
    return rows


def _cell(entry: Document, way: str, scale: float, shift: float) -> str:
    interval = entry[way]
    if interval is None:
        return "-"
    rough = " (rough)" if interval.get("rough") else ""
    if interval["estimate"] is not None and None in (interval["low"], interval["high"]):
        return f"{_end(interval['low'], scale, shift)} to {_end(interval['high'], scale, shift)}"
    if interval["estimate"] is None and interval["high"] is None:
        return "no limit"
    return interval_text(interval, scale, shift) + rough


def _end(value: float | None, scale: float, shift: float) -> str:
    return "open" if value is None else f"{scale * value + shift:.3g}"


def how(document: Document) -> list[tuple[str, str]]:
    """Return what each way asked for does, in words."""
    out = []
    for way in used(document)[1:]:
        entry = found(document)[way]
        text = str(entry["how"])
        if way == "sample":
            text += (f"; {entry['evaluations']} evaluations, worth {entry['effective']:.0f} "
                     "independent samples of the worst read-out")
        if way == "bootstrap":
            text += f"; {entry['draws']} draws"
        out.append((WAYS[way], text))
    return out


def summary_lines(document: Document) -> list[str]:
    """Return what the terminal says: which intervals are printed, and the others of mean R."""
    if not found(document)["readouts"]:
        return ["Intervals are from curvature; --intervals profile makes them in another way."]
    lines = ["Intervals above are from curvature. In other ways, mean R in mm²K/W:"]
    for entry in found(document)["readouts"]:
        if entry["quantity"] == "mean_resistance_m2K_W":
            cells = [f"{WAYS[way]} {_cell(entry, way, PER_MM2, 0.0)}" for way in used(document)]
            lines.append(f"  {entry['of']}: {', '.join(cells)}")
    return [*lines, "  See the report for the other read-outs."]
