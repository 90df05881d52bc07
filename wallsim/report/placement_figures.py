"""The figures of a plan: along the tube, against number, burn, repeats, rate, lag, and worth."""

from __future__ import annotations

from collections import Counter
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, NullFormatter

from wallsim.report.document import Array, Document, array
from wallsim.report.style import COLOURS, DASHES, SETTINGS, Drawing, canvas, finish, legend_below
from wallsim.report.words import ZERO_CELSIUS

MARKERS, WELL = "osD^vP", "v"
UNITS = {"1": (100.0, "%"), "m^2*K/W": (1e6, "mm²K/W"), "K": (1.0, "K")}
SECTION = "plan"
BARS = 10
ROOM = 1.08
BARE = 0.06
"""Drop of a legend below an axis without numbers, whose neighbour carries them [inch]."""


def draw_plan(document: Document) -> list[Drawing]:
    """Return every figure of a plan, in the order it is read."""
    settings: Any = dict(SETTINGS)
    with mpl.rc_context(settings):
        drawings = [
            draw_along(document), draw_number(document), draw_burn(document),
            draw_repeats(document), draw_logging(document), draw_worth(document),
        ]
    return [d for d in drawings if d is not None]


def _scale(document: Document, i: int = 0) -> tuple[float, str]:
    return UNITS[document["wants"][i]["unit"]]


def _label(document: Document, i: int = 0) -> str:
    return f"± on {document['wants'][i]['text']} [{_scale(document, i)[1]}]"


def _halves(document: Document, rows: list[Document], i: int = 0) -> Array:
    scale = _scale(document, i)[0]
    return array([np.nan if not r["half_widths"] else scale * r["half_widths"][i] for r in rows])


def _goal(axes: Axes, document: Document) -> None:
    if document["goal"] is not None:
        at = _scale(document)[0] * document["goal"]
        axes.axhline(at, color="#555555", linewidth=1.0, linestyle=(0, (2, 2)), label="goal")


def _line(axes: Axes, x: Any, y: Any, i: int, label: str) -> None:
    axes.plot(x, y, color=COLOURS[i % len(COLOURS)], linestyle=DASHES[i % len(DASHES)],
              marker=MARKERS[i % len(MARKERS)], markersize=5.0, label=label)


def _from_zero(*each: Axes) -> None:
    """Let the axis of values start at zero and end above all of them."""
    for axes in each:
        axes.set_ylim(0.0, ROOM * max(other.dataLim.ymax for other in each))


def draw_along(document: Document) -> Drawing:
    """Return what a thermocouple tells by where it sits, and the stations chosen."""
    along, scale = document["along_tube"], _scale(document)[0]
    figure = canvas(5.2)
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    z, depth = 1e3 * array(along["z_m"]), array(along["depth_m"])
    for i, d in enumerate(np.unique(depth)):
        at = depth == d
        where = "on the surface" if d == 0.0 else f"{1e3 * d:g} mm deep"
        _line(top, z[at], scale * array(along["alone"])[at], i, where)
        _line(bottom, z[at], scale * array(along["one_more"])[at], i, "")
    now = scale * document["wants"][0]["half_width"]
    bottom.axhline(now, color="#555555", linewidth=1.0, linestyle=(0, (2, 2)), label="as planned")
    counted = Counter((s["z_m"], s["welded_already"]) for s in document["stations"])
    for axes in (top, bottom):
        for low, high in document["keep_out_m"]:
            axes.axvspan(1e3 * low, 1e3 * high, color="#ececec", zorder=0)
    for (at, welded), n in counted.items():
        top.plot(1e3 * at, 0.03, transform=top.get_xaxis_transform(), marker="s" if welded else "^",
                 color="#222222", markersize=7.0, linestyle="none", zorder=5)
        if n > 1:
            top.annotate(f"×{n}", (1e3 * at, 0.06), xycoords=top.get_xaxis_transform(),
                         ha="center", va="bottom")
    for welded, label in ((False, "chosen station"), (True, "welded on already")):
        if any(s["welded_already"] == welded for s in document["stations"]):
            top.plot([], [], marker="s" if welded else "^", color="#222222", linestyle="none",
                     label=label)
    for axes in (top, bottom):
        _from_zero(axes)
        axes.set_ylabel("± [" + _scale(document)[1] + "]")
    top.set_title(f"± on {document['wants'][0]['text']}, a single thermocouple at z")
    bottom.set_title("one more beside those chosen")
    bottom.set_xlim(0.0, 1e3 * document["tube_length_m"])
    bottom.set_xlabel("distance from the head z [mm]")
    handles, _ = top.get_legend_handles_labels()
    for line in handles:
        bottom.plot([], [], color=line.get_color(), marker=line.get_marker(), markersize=5.0,
                    linestyle=line.get_linestyle(), label=line.get_label())
    legend_below(bottom, figure)
    caption = (
        "Half the 95 % interval with a single thermocouple at z (top), and with one more beside "
        "those chosen (bottom). Triangles: chosen stations"
        + "; squares: welded on already" * any(s["welded_already"] for s in document["stations"])
        + ". Grey: kept free."
    )
    return finish(figure, "along_tube", SECTION, "Where", caption)


def draw_number(document: Document) -> Drawing:
    """Return intervals against the number of thermocouples, and where they then sit."""
    rows = document["against_number"]
    n = array([r["thermocouples"] for r in rows])
    figure = canvas(6.2)
    top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(3, 3))
    _line(top, n, _halves(document, rows), 0, "best places")
    if rows[0]["evenly_spaced"] is not None:
        even = _scale(document)[0] * array([r["evenly_spaced"] for r in rows])
        _line(top, n, even, 1, "evenly spaced")
    plain = array([np.nan if r.get("plain") is None else r["plain"] for r in rows])
    if np.isfinite(plain).any():
        _line(top, n, _scale(document)[0] * plain, 2, "best places without wells")
    _goal(top, document)
    _from_zero(top)
    top.set_ylabel("± [" + _scale(document)[1] + "]")
    top.set_title(_label(document))
    legend_below(top, figure, 2, BARE)
    deep = any(_marker(s) == WELL for r in rows for s in r["stations"])
    planned = len(document["stations"])
    for row in rows:
        counted = Counter((s["z_m"], _marker(s)) for s in row["stations"])
        colour = COLOURS[3] if row["thermocouples"] == planned else COLOURS[0]
        for (at, marker), count in counted.items():
            bottom.plot(row["thermocouples"], 1e3 * at, color=colour, linestyle="none",
                        marker=marker, markersize=8.5 if count > 1 else 5.0,
                        markerfacecolor="none" if count > 1 else colour, markeredgewidth=1.6)
    bottom.plot([], [], "o", color=COLOURS[0], label="one")
    bottom.plot([], [], "o", color=COLOURS[0], markerfacecolor="none", markersize=8.5,
                markeredgewidth=1.6, label="two at one station")
    bottom.plot([], [], "o", color=COLOURS[3], label="as planned")
    if deep:
        bottom.plot([], [], WELL, color=COLOURS[0], label="in a well")
    if any(s["welded_already"] for r in rows for s in r["stations"]):
        bottom.plot([], [], "s", color=COLOURS[0], label="welded on already")
    bottom.set_ylabel("z [mm]")
    bottom.set_ylim(0.0, 1e3 * document["tube_length_m"])
    bottom.set_title("the best places for each number")
    bottom.set_xlabel("thermocouples")
    bottom.set_xticks(n)
    legend_below(bottom, figure, 2)
    caption = "Half the 95 % interval against the number of thermocouples, and where they sit."
    return finish(figure, "against_number", SECTION, "How many thermocouples", caption)


def _marker(station: Document) -> str:
    """Return the marker of a station: welded already, in a well to drill, or on the surface."""
    if station["welded_already"]:
        return "s"
    return WELL if station["depth_m"] else "o"


def draw_burn(document: Document) -> Drawing | None:
    """Return intervals and the hottest bore against the burn time."""
    rows = [r for r in document["against_burn"] if r["half_widths"]]
    if len(rows) < 2:
        return None
    t = array([r["burn_s"] for r in rows])
    alike = len({r["burn_s"] for r in document["planned"]}) == 1
    figure = canvas(5.4)
    top, bottom = figure.subplots(2, 1, sharex=True)
    _line(top, t, _halves(document, rows), 0, "expected interval")
    _goal(top, document)
    _from_zero(top)
    top.set_ylabel("± [" + _scale(document)[1] + "]")
    top.set_title(_label(document))
    peak = array([r["bore_peak_K"] for r in rows]) - ZERO_CELSIUS
    _line(bottom, t, peak, 2, "as expected")
    if (limit := document["limit"]) is not None:
        hot = limit["temperature_K"] - ZERO_CELSIUS
        bottom.axhline(hot, color=COLOURS[3], linewidth=1.2, linestyle="--", label="limit")
        _limit_lines(document, top, bottom, rows[0]["burn_s"] / rows[0]["factor"], t.max())
    legend_below(top, figure, 2, BARE)
    bottom.set_ylabel("peak [°C]")
    bottom.set_title("hottest bore of the firings planned")
    bottom.set_xlabel("burn [s]" if alike else f"burn of {document['burn_of']} [s], the others "
                      "in proportion")
    legend_below(bottom, figure, 2)
    caption = (
        "Half the 95 % interval against the burn (all firings longer or shorter together, the "
        "deposit grown as far as it then gets), and the hottest bore against its limit. "
        "Vertical lines are of a bare bore; the lower end is that of the 95 % interval."
    )
    return finish(figure, "against_burn", SECTION, "How long", caption)


def _limit_lines(
    document: Document, top: Axes, bottom: Axes, burn: float, last: float
) -> None:
    """Draw when the bare bore of the limit's firing passes it, on the axis of another's burn."""
    row = next(r for r in document["bore"] if r["name"] == document["limit"]["run"])
    times = row["limit_time_s"] or {"estimate": None, "low": None}
    for at, style, label in ((times["estimate"], "-", "bare bore at limit"),
                             (times["low"], ":", "bare bore at limit, lower end"),
                             (row["cautious_s"], "-.", "cautious first burn")):
        if at is not None and (x := at * burn / row["burn_s"]) < 1.3 * last:
            top.axvline(x, color=COLOURS[3], linestyle=style, linewidth=1.2)
            bottom.axvline(x, color=COLOURS[3], linestyle=style, linewidth=1.2, label=label)


def draw_repeats(document: Document) -> Drawing | None:
    """Return intervals against how often bare and dosed blends are fired."""
    rows = document["against_repeats"]
    if not rows:
        return None
    figure = canvas(4.2)
    axes = figure.subplots()
    for i, m in enumerate(dict.fromkeys(r["dosed"] for r in rows)):
        of_m = [r for r in rows if r["dosed"] == m]
        n = array([r["bare"] for r in of_m])
        _line(axes, n, _halves(document, of_m), i, f"{m} dosed")
    _goal(axes, document)
    _from_zero(axes)
    axes.set_xticks(sorted({r["bare"] for r in rows}))
    axes.set_xlabel("bare firings")
    axes.set_ylabel("± [" + _scale(document)[1] + "]")
    axes.set_title(_label(document))
    legend_below(axes, figure, 3)
    caption = "Half the 95 % interval against the number of bare firings, one line a number dosed."
    return finish(figure, "against_repeats", SECTION, "How many repeats", caption)


def draw_logging(document: Document) -> Drawing:
    """Return intervals against the sample rate and the lag of the thermocouples."""
    figure = canvas(3.4)
    left, right = figure.subplots(1, 2, sharey=True)
    rates, lags = document["against_rate"], document["against_lag"]
    _line(left, array([r["rate_Hz"] for r in rates]), _halves(document, rates), 0, "")
    _line(right, array([r["lag_s"] for r in lags]), _halves(document, lags), 0, "")
    for axes, at, label in ((left, document["rate_Hz"], "samples a second [Hz]"),
                            (right, document["lag_s"], "lag [s]")):
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
        axes.xaxis.set_minor_formatter(NullFormatter())
        if at > 0.0:
            axes.axvline(at, color="#555555", linewidth=1.0, linestyle=(0, (2, 2)))
        axes.set_xlabel(label)
    _from_zero(left, right)
    left.set_ylabel("± [" + _scale(document)[1] + "]")
    figure.suptitle(_label(document), fontsize=10.5, fontweight="bold", x=0.02, ha="left")
    caption = "Half the 95 % interval against sample rate and lag. Dashed: as planned."
    return finish(figure, "logging", SECTION, "How fast", caption)


def draw_worth(document: Document) -> Drawing:
    """Return by how much one more measurement would narrow the first want."""
    rows = [r for r in document["worth"] if r["narrower_by"] > 0.001][:BARS][::-1]
    scale, unit = _scale(document)
    now = scale * document["wants"][0]["half_width"]
    figure = canvas(0.9 + 0.5 * max(len(rows), 1))
    axes = figure.subplots()
    y, kinds = np.arange(len(rows)), ("known", "firing", "thermocouple")
    for row, at in zip(rows, y, strict=True):
        colour = COLOURS[kinds.index(row["kind"])]
        half = scale * row["half_width"]
        axes.barh(at, half, height=0.34, color=colour, align="edge")
        text = f"{row['what']}: {half:.3g} {unit}"
        axes.annotate(text, (0.0, at - 0.04), xytext=(2, 0), textcoords="offset points", va="top",
                      fontsize=9.5)
    axes.set_yticks([])
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.axvline(now, color="#555555", linewidth=1.0, linestyle=(0, (2, 2)))
    axes.set_xlim(0.0, 1.02 * now)
    axes.grid(visible=False, axis="y")
    axes.set_xlabel(_label(document))
    axes.set_title(f"what would narrow {document['wants'][0]['text']}")
    caption = (
        f"Half the 95 % interval, {now:.3g} {unit} as planned (dashed), with one thing known "
        "exactly, one more firing, or one more thermocouple."
    )
    return finish(figure, "worth", SECTION, "What else would help", caption)
