"""The figures of a next firing: the chance against repeats, and the intervals to expect."""

from __future__ import annotations

from typing import Any

import matplotlib as mpl

from wallsim.report.document import Document, array
from wallsim.report.style import COLOURS, DASHES, SETTINGS, Drawing, canvas, finish, legend_below
from wallsim.report.words import PER_MM2

MARKERS = "osD^vPXh"
SECTION = "next firing"
MOST_LINES = 8


def draw_next(document: Document) -> list[Drawing]:
    """Return every figure, in the order it is read."""
    settings: Any = dict(SETTINGS)
    with mpl.rc_context(settings):
        return [draw_chance(document), draw_intervals(document)]


def draw_chance(document: Document) -> Drawing:
    """Return the chance that the decision is settled against the number of firings."""
    rows, wanted = document["candidates"], document["decision"]["chance_wanted"]
    figure = canvas(4.6)
    axes = figure.subplots()
    for i, row in enumerate(rows[:MOST_LINES]):
        axes.plot([s["total"] for s in row["steps"]],
                  [100.0 * s["chance"] for s in row["steps"]], color=COLOURS[i % len(COLOURS)],
                  linestyle=DASHES[i % len(DASHES)], marker=MARKERS[i % len(MARKERS)],
                  markersize=5.0, label=row["blend"])
    if any(len(m["firings"]) > 1 for m in document["mixes"]):
        axes.plot([m["total"] for m in document["mixes"]],
                  [100.0 * m["chance"] for m in document["mixes"]], color="#222222",
                  linestyle=(0, (1, 1)), marker="x", markersize=6.0, label="best mix")
    if wanted is not None:
        axes.axhline(100.0 * wanted, color="#555555", linewidth=1.0, linestyle=(0, (2, 2)),
                     label="wanted")
    axes.set_ylim(0.0, 102.0)
    axes.set_xticks(sorted({s["total"] for row in rows for s in row["steps"]}))
    axes.set_xlabel("firings")
    axes.set_ylabel("chance [%]")
    axes.set_title("chance that the decision is settled")
    legend_below(axes, figure, 2)
    left = len(rows) - MOST_LINES
    more = f" The best {MOST_LINES} of {len(rows)} are shown." if left > 0 else ""
    caption = ("Chance that the interval then leaves the value asked for out, on either side, "
               f"against the number of firings of one blend, and of the best mix.{more}")
    return finish(figure, "chance", SECTION, "Chance to settle it", caption)


def draw_intervals(document: Document) -> Drawing:
    """Return the interval of the decision's R now and after each candidate's firings."""
    d, n = document["decision"], document["recommended"]["times"] - 1
    rows = document["candidates"][:MOST_LINES]
    figure = canvas(1.7 + 0.36 * len(rows))
    axes = figure.subplots()
    labels = ["now"]
    _bar(axes, d["now"]["mean_resistance_m2K_W"], 0.0, "#222222", 1.7, d["blend"])
    for i, row in enumerate(rows):
        own = row["own_resistance_m2K_W"] if d["best_blend"] else None
        colour = COLOURS[1] if own else COLOURS[0]
        if own:
            _bar(axes, own["expected"], -1.0 - i, "#c9c9c9", 5.0, None)
        shown = own["after"][n] if own else row["steps"][n]["mean_resistance_m2K_W"]
        label = "the new blend itself" if own else f"{d['blend']}, after"
        _bar(axes, shown, -1.0 - i, colour, 1.7, label)
        labels.append(row["blend"])
    axes.axvline(PER_MM2 * d["above_m2K_W"], color=COLOURS[3], linestyle="--", linewidth=1.2,
                 label="asked for")
    axes.set_yticks(-array(range(len(labels))), labels)
    axes.grid(visible=False, axis="y")
    axes.set_xlabel("mean R [mm²K/W]")
    axes.set_title(f"intervals after {n + 1} firing{'s' if n else ''}, if the estimates stay")
    handles, names = axes.get_legend_handles_labels()
    once = dict(zip(names, handles, strict=True))
    figure.legend(once.values(), once.keys(), loc="outside lower left", ncols=2)
    grey = " Grey: what is expected of a new blend before it is fired." if any(
        row["own_resistance_m2K_W"] for row in rows) and d["best_blend"] else ""
    confidence = f"{100.0 * d['confidence']:.3g} %"
    caption = f"{confidence} intervals of mean R now and after firing each blend.{grey}"
    return finish(figure, "intervals", SECTION, "Intervals to expect", caption)


def _bar(axes: Any, interval: Document, y: float, colour: str, width: float, label: Any) -> None:
    low, mid, high = (PER_MM2 * interval[k] for k in ("low", "estimate", "high"))
    axes.plot([low, high], [y, y], color=colour, linewidth=width, solid_capstyle="butt")
    axes.plot(mid, y, color=colour, marker="o", markersize=5.0, linestyle="none", label=label)
