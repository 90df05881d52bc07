"""Blends against each other: differences with both intervals, ranks, and the hand method."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from wallsim.report.document import Document, array, band
from wallsim.report.style import COLOURS, Drawing, canvas, finish
from wallsim.report.words import PER_MM2, left_out_text
from wallsim.rounding import fixed, interval_text, number

_ENDS = ("estimate", "low", "high")
_MOST_PAIRS = 15
_R, _Q = "mean_resistance_m2K_W", "heat_load_removed"


def _compared(document: Document) -> Document:
    found: Document = document.get("comparisons") or {}
    return found


def pairs(document: Document) -> pd.DataFrame:
    """Return the differences of all pairs of blends: the means, then station by station.

    "if independent" is the interval that adds the variances of the two blends.
    """
    found = _compared(document)
    rows: list[dict[str, Any]] = []
    for pair in found.get("pairs") or []:
        head = {"blend": pair["blend"], "against": pair["against"],
                "at [s]": number(found.get("at_s"))}
        row = head | {"z [mm]": np.nan}
        row |= _difference("R", "mm^2*K/W", pair, _R, PER_MM2)
        row |= _difference("heat kept out", "%", pair, _Q, 100.0)
        ratio = pair.get("mean_resistance_ratio") or {}
        row |= {f"R ratio {end} [-]": number(ratio.get(end)) for end in _ENDS}
        row["chance that R is higher [-]"] = number(pair.get("probability_higher"))
        rows.append(row)
        for i, z in enumerate(array(found.get("z_m"))):
            at = head | {"z [mm]": 1e3 * z}
            rows.append(at | _difference("R", "mm^2*K/W", pair, "station_resistance_m2K_W",
                                         PER_MM2, i))
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=["blend", "against", "at [s]"])


def _difference(
    name: str, unit: str, pair: Document, key: str, scale: float, i: int | None = None
) -> dict[str, float]:
    out = {}
    for words, part in (("", key), (" if independent", f"{key}_naive")):
        for end in _ENDS[1 if words else 0 :]:
            value = pair[part][end] if i is None else pair[part][end][i]
            out[f"{name} difference{words} {end} [{unit}]"] = scale * number(value)
    return out


def ranking(document: Document) -> pd.DataFrame:
    """Return one row a blend, highest mean R first: chance of each rank, R per silicon."""
    found = _compared(document)
    silicon = {row["blend"]: row for row in found.get("per_silicon") or []}
    rows = []
    for entry in found.get("ranking") or []:
        row: dict[str, Any] = {"blend": entry["blend"]}
        for k, chance in enumerate(entry["rank_probability"], start=1):
            row[f"chance of rank {k} [-]"] = chance
        per = silicon.get(entry["blend"]) or {}
        row["silicon [mass %]"] = 100.0 * number(per.get("silicon"))
        R = per.get("resistance_m2K_W") or {}
        for end in _ENDS:
            row[f"R per silicon {end} [mm^2*K/W per mass %]"] = 1e4 * number(R.get(end))
        rows.append(row)
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=["blend"])


def hand_method(document: Document) -> pd.DataFrame:
    """Return differences of temperature and slope to the bare firings, by sensor and time.

    One row without numbers for a blend that no bare firing can be compared with.
    """
    frames = []
    for entry in _compared(document).get("by_hand") or []:
        t, n = array(entry["time_s"]), len(entry["sensors"])
        head = {"blend": entry["blend"], "runs": ", ".join(entry["runs"]),
                "bare runs": ", ".join(entry["bare_runs"]),
                "left out": left_out_text(entry.get("left_out"))}
        if not n:
            frames.append(pd.DataFrame([head]))
            continue
        frame = pd.DataFrame(head | {
            "same gas": entry["same_gas"],
            "sensor": np.repeat(entry["sensors"], t.size),
            "z [mm]": np.repeat(1e3 * array(entry["z_m"]), t.size),
            "since ignition [s]": np.tile(t, n),
        })
        for words, key, unit in (("temperature", "temperature_K", "K"),
                                 ("slope", "slope_K_s", "K/s")):
            for end in _ENDS:
                frame[f"{words} difference {end} [{unit}]"] = np.ravel(array(entry[key][end]))
        frames.append(frame)
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=["blend"])


def pair_rows(document: Document) -> Iterator[dict[str, str]]:
    """Return each pair of blends in words, for the page."""
    for pair in _compared(document).get("pairs") or []:
        yield {
            "pair": f"{pair['blend']} - {pair['against']}",
            "resistance": interval_text(pair[_R], PER_MM2),
            "independent": _width_text(pair[f"{_R}_naive"], PER_MM2),
            "removed": interval_text(pair[_Q], 100.0),
            "ratio": interval_text(pair.get("mean_resistance_ratio")),
            "higher": _chance(number(pair.get("probability_higher"))),
        }


def _width_text(interval: Mapping[str, Any], scale: float) -> str:
    """Return the ends of an interval alone."""
    return interval_text(interval, scale).partition("(")[2].rstrip(")") or "-"


def _chance(p: float) -> str:
    if p > 0.999:
        return "> 99.9"
    return "< 0.1" if p < 0.001 else fixed(p, 1, 100.0)


def draw_differences(document: Document) -> list[Drawing]:
    """Return the differences of mean R with both intervals; empty with fewer than two blends."""
    found = _compared(document)
    shown: Sequence[Document] = list(found.get("pairs") or [])[:_MOST_PAIRS]
    if not shown:
        return []
    figure = canvas(1.5 + 0.42 * len(shown))
    axes = figure.subplots()
    y = np.arange(len(shown), dtype=float)
    for key, shift, colour, width, label in (
        (_R, -0.12, COLOURS[0], 2.4, "common errors cancelled"),
        (f"{_R}_naive", 0.16, "#777777", 1.2, "taken for independent"),
    ):
        b = [band(pair[key]).scaled(PER_MM2) for pair in shown]
        middle = np.array([float(one.estimate) for one in b])
        ends = np.array([[float(one.estimate - one.low), float(one.high - one.estimate)]
                         for one in b]).T
        axes.errorbar(middle, y + shift, xerr=ends, color=colour, linestyle="none", marker="o",
                      markersize=4.5, elinewidth=width, capsize=3.0, label=label)
    axes.axvline(0.0, color="#888888", linewidth=0.8)
    axes.set_yticks(y, [f"{pair['blend']} - {pair['against']}" for pair in shown])
    axes.set_ylim(len(shown) - 0.4, -0.6)
    at = fixed(found.get("at_s"), 1)
    axes.set_title(f"differences of mean deposit resistance at {at} s")
    axes.set_xlabel("difference of mean deposit resistance [mm²K/W]")
    figure.legend(loc="outside lower left", ncols=2)
    caption = (
        f"Mean resistance of one blend less that of another, {at} s after ignition, with 95 % "
        "intervals. Gas temperature, wall and thermocouples are common to all firings: what they "
        "do to both blends cancels, and the interval of the difference (thick) is narrower than "
        "that from the two blends' own intervals (thin). Two blends differ where the thick one "
        "does not hold zero; of twenty such intervals one misses by chance."
    )
    title = "Blends against each other"
    return [finish(figure, "differences", "deposit", title, caption)]
