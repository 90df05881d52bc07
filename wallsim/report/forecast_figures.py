"""The figures of a prediction and of a what-if."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from wallsim.report.document import Array, Band, Document, array, band, file_stems
from wallsim.report.forecast_maps import (
    AXES,
    RED,
    SECTION,
    UNKNOWN,
    draw_map,
    limit_of_all,
    values_of,
)
from wallsim.report.style import (
    COLOURS,
    SETTINGS,
    Drawing,
    batches,
    canvas,
    draw_band,
    finish,
    legend_below,
)
from wallsim.report.words import ZERO_CELSIUS

MOST_LINES = 6
CIRCLES = 25
ARROW = 0.12
"""Length of the arrow of an open end, in shares of what all bars reach over."""
FEW_LEFT = 0.025
"""Share of the draws below which those without a value leave an end known."""
BESIDE = 0.03
"""Of the tube's length, by which the bar of the bore's peak stands beside its end."""
LOW_END = "low end, no high one"
TRIANGLE = "Triangles: more than that."


def draw_prediction(document: Document, frames: Mapping[str, pd.DataFrame]) -> list[Drawing]:
    """Return readings in time and temperatures along the tube of each run."""
    settings: Any = dict(SETTINGS)
    with mpl.rc_context(settings):
        out = []
        for name, stem in file_stems(document["runs"]).items():
            out.append(_readings(name, document["runs"][name], frames[name], f"readings_{stem}"))
            out.append(_along(name, document["runs"][name], f"along_{stem}"))
        return out


def _celsius(b: Band) -> Band:
    return Band(b.estimate - ZERO_CELSIUS, b.low - ZERO_CELSIUS, b.high - ZERO_CELSIUS)


def _readings(name: str, run: Document, frame: pd.DataFrame, stem: str) -> Drawing:
    told = run["leaves_the_table"]
    sensors = [str(c).removesuffix(" predicted [K]") for c in frame if "predicted" in str(c)]
    groups = batches(sensors, 4)
    figure = canvas(2.2 + 2.1 * len(groups))
    panels = np.atleast_1d(figure.subplots(len(groups), 1, sharex=True))
    t = frame["time_s"].to_numpy()
    logged = frame.filter(like=" measured [K]").notna().to_numpy().any()
    for axes, group in zip(panels, groups, strict=True):
        low_ends = []
        for i, sensor in enumerate(group):
            parts = [frame[f"{sensor} {w} [K]"].to_numpy() for w in ("predicted", "low", "high")]
            b = _celsius(Band(*parts))
            draw_band(axes, t, b, i, sensor, 0.10)
            low_ends.append(_low_end_alone(axes, t, b, i))
            measured = frame[f"{sensor} measured [K]"].to_numpy() - ZERO_CELSIUS
            some = slice(None, None, max(t.size // CIRCLES, 1))
            axes.plot(t[some], measured[some], linestyle="none", marker="o", markersize=3.6,
                      color=COLOURS[i], markerfacecolor="white", zorder=3)
        axes.set_ylabel("reading [°C]")
        if told:
            axes.axvline(run["ignition_s"] + told["first_s"], color=RED, linewidth=1.1)
        _name_low_ends(axes, low_ends)
        axes.legend(loc="upper left", ncols=2)
    panels[0].set_title(f"{name}: predicted readings")
    clock = "time on the log's clock [s]" if logged else "time from ignition [s]"
    panels[-1].set_xlabel(clock + _leaving(run))
    caption = "Lines: predicted, with 95 % intervals" + (
        "; circles: some of those logged." if logged else ".")
    if told:
        caption += " Red: from there on draws have left the metal's table" + (
            ", and there is no band; dotted lines are the low ends, which still stand."
            if _many_left(told) else ".")
    return finish(figure, stem, SECTION, f"{name}: readings", caption)


def _leaving(run: Document) -> str:
    """Return from when on draws have left the metal's table, as a line below an axis label."""
    told = run["leaves_the_table"]
    if not told:
        return ""
    text = (f"\nred: from {told['first_s']:.1f} s after ignition {told['draws']} of {told['of']} "
            f"draws leave the table of\n{told['metal']} above "
            f"{told['table_end_K'] - ZERO_CELSIUS:.0f} °C" + ": no band" * _many_left(told))
    if told["estimate_s"] is not None:
        text += f"; the estimate from {told['estimate_s']:.1f} s: no line"
    return text


def _many_left(told: Document) -> bool:
    """Return whether so many draws have left the metal's table that an end is not known."""
    return bool(told["draws"] >= FEW_LEFT * (told["of"] - 1))


def _low_end_alone(axes: Axes, x: Array, b: Band, i: int, marker: str = "") -> bool:
    """Draw the low end as a dotted line where the interval has no high end; return if so."""
    alone = np.where(np.isfinite(b.high), np.nan, b.low)
    drawn = bool(np.isfinite(alone).any())
    if drawn:
        axes.plot(x, alone, color=COLOURS[i % len(COLOURS)], linewidth=0.9, linestyle=":",
                  marker=marker)
    return drawn


def _name_low_ends(axes: Axes, drawn: Sequence[bool], marker: str = "") -> None:
    """Add what the dotted lines are to the legend, if there are any."""
    if any(drawn):
        axes.plot([], [], color="#555555", linewidth=0.9, linestyle=":", marker=marker,
                  label=LOW_END)


def _along(name: str, run: Document, stem: str) -> Drawing:
    figure = canvas(3.6)
    axes = figure.subplots()
    z, open_ended, low_ends = 1e3 * array(run["z_m"]), False, []
    for i, (key, label) in enumerate((("bore_at_shutdown_K", "bore"),
                                      ("outside_at_shutdown_K", "outside"))):
        b = _celsius(band(run[key], z.size))
        draw_band(axes, z, b, i, label)
        low_ends.append(_low_end_alone(axes, z, b, i))
        open_ended = open_ended or not np.isfinite(b.high).all()
    _name_low_ends(axes, low_ends)
    peak = _peak_bar(axes, run, z)
    _limit_line(axes, [run])
    axes.set_title(f"{name}: wall at shutdown")
    axes.set_xlabel("from the head end [mm]")
    axes.set_ylabel("wall temperature [°C]")
    legend_below(axes, figure)
    caption = f"Wall temperature along the tube at shutdown, 95 % intervals of each place.{peak}"
    if open_ended:
        caption += (" No band: draws have left the metal's table by then; dotted: the low end, "
                    "which still stands.")
    return finish(figure, stem, SECTION, f"{name}: wall at shutdown", caption)


def _peak_bar(axes: Axes, run: Document, z: Array) -> str:
    """Draw the interval of the bore's peak beside the right end; return what it is in words."""
    b = _celsius(band(run["bore_peak_K"]))
    estimate, low, high = (float(v) for v in (b.estimate, b.low, b.high))
    if not np.isfinite(low):
        return ""
    x, is_open = z[-1] + BESIDE * np.ptp(z), not np.isfinite(high)
    middle = estimate if np.isfinite(estimate) else low
    axes.plot([x, x], [low, middle if is_open else high], color=COLOURS[0], marker="_",
              markersize=9.0)
    axes.plot(x, middle, color=COLOURS[0], marker="^" if is_open else "o", markersize=6.0,
              linestyle="none", label="bore peak, any place")
    if is_open:
        return f" Triangle at the right: the bore's peak, over {low:.0f} °C, its high end open."
    return (f" Bar at the right: the bore's peak, {low:.0f} to {high:.0f} °C; it is that of the "
            "hottest place of each draw, wherever it lies, so it can reach beyond the band.")


def _limit_line(axes: Axes, firings: Sequence[Document], across: bool = True) -> bool:
    """Draw the bore's limit if all firings have the same; return whether they do."""
    one = limit_of_all(firings)
    if one is None:
        return False
    words, at = one
    (axes.axhline if across else axes.axvline)(
        at, color=RED, linestyle="--", linewidth=1.1, label=f"{words} of the bore, {at:.0f} °C")
    return True


def draw_whatif(document: Document) -> list[Drawing]:
    """Return a sweep on one axis as lines, on two as maps, anything else as bars."""
    each = _at_every_pause(document)
    numeric = [name for name, values in each["varied"].items()
               if name in AXES and len(values) > 1
               and all(name in f["changes"] for f in each["firings"])]
    settings: Any = dict(SETTINGS)
    with mpl.rc_context(settings):
        wanted = _quantities(document)
        if len(numeric) == 2 and _one_per_point(each, numeric):
            return [d for q in wanted if (d := draw_map(each, numeric, q)) is not None]
        if len(numeric) == 1:
            return [d for q in wanted if (d := _sweep(each, numeric[0], q)) is not None]
        return [d for q in wanted if (d := _bars(document, q)) is not None]


def _at_every_pause(document: Document) -> Document:
    """Return the document with firings made once, which have no pause, at each that is varied."""
    pauses, out = document["varied"].get("pause", ()), []
    for f in document["firings"]:
        alone = len(pauses) > 1 and "pause" not in f["changes"]
        out += [{**f, "changes": {**f["changes"], "pause": p}} for p in pauses] if alone else [f]
    return {**document, "firings": out}


def _quantities(document: Document) -> list[tuple[str, str, float, float]]:
    """Return key, label, scale and offset of each quantity that is drawn."""
    out = [("bore", "bore peak [°C]", 1.0, -ZERO_CELSIUS),
           ("outside", "outside peak [°C]", 1.0, -ZERO_CELSIUS),
           ("margin", "limit load over pressure, least [-]", 1.0, 0.0)]
    if "burn" in document["varied"]:
        return out
    limits = document["firings"][0]["limits"]
    first = "limit" if "limit" in limits else next(
        (n for n in ("oxidation", "solidus") if n in limits), "")
    if first:
        words = "your limit" if first == "limit" else f"the metal's {first} limit"
        out.append((f"limits.{first}", f"burn until {words} [s]", 1.0, 0.0))
    factor = float(document["factor"])
    out.append(("below", f"burn until limit load is {factor:g} x pressure [s]", 1.0, 0.0))
    return out


def _label(firing: Document, apart: tuple[str, ...], varied: Collection[str]) -> str:
    """Return what sets a firing apart: its name and what is varied, or all that is changed."""
    words = []
    for key, value in firing["changes"].items():
        if key in apart or (firing["name"] and key not in {"name", *varied}):
            continue
        if key in AXES:
            text, scale, offset = AXES[key]
            unit = text[text.find("[") + 1 : -1] if "[" in text else "firings"
            words.append(f"{scale * value + offset:.3g} {unit}")
        else:
            words.append(str(value))
    return ", ".join(words) or "unchanged"


def _one_per_point(document: Document, numeric: list[str]) -> bool:
    points = {tuple(f["changes"].get(n) for n in numeric) for f in document["firings"]}
    return len(points) == len(document["firings"])


def _constant(document: Document) -> tuple[str, ...]:
    """Return the keys that every firing has alike, which no label needs."""
    firings = document["firings"]
    keys = dict.fromkeys(key for f in firings for key in f["changes"])
    return tuple(k for k in keys if len({str(f["changes"].get(k)) for f in firings}) == 1)


def _sweep(document: Document, name: str, quantity: tuple[str, str, float, float]) -> Any:
    key, label, scale, offset = quantity
    groups: dict[str, list[Document]] = {}
    for firing in document["firings"]:
        words = _label(firing, (name, *_constant(document)), document["varied"])
        groups.setdefault(words, []).append(firing)
    text, x_scale, x_offset = AXES[name]
    figure = canvas(4.0 + 0.2 * min(len(groups), MOST_LINES))
    axes = figure.subplots()
    drawn = triangles = False
    low_ends = []
    for i, (words, firings) in enumerate(list(groups.items())[:MOST_LINES]):
        x = np.array([f["changes"][name] for f in firings]) * x_scale + x_offset
        b = values_of(firings, key, scale, offset)
        more = np.where(np.isfinite(b.estimate), np.nan, b.low)
        if not np.isfinite(b.estimate).any() and not np.isfinite(more).any():
            continue
        colour = COLOURS[i % len(COLOURS)]
        known = np.isfinite(b.estimate)
        as_line, as_dot = bool((known[1:] & known[:-1]).any()), bool(known.any())
        draw_band(axes, x, b, i, words if as_line else "", 0.10)
        low_ends.append(_low_end_alone(
            axes, x, replace(b, low=np.where(known, b.low, np.nan)), i, "."))
        axes.plot(x, b.estimate, color=colour, marker="o", linestyle="none",
                  label=words if as_dot and not as_line else "")
        axes.plot(x, more, color=colour, marker="^", markersize=7.0, linestyle="none",
                  label="" if as_dot else words)
        drawn, triangles = True, triangles or bool(np.isfinite(more).any())
    if not drawn:
        return None
    _name_low_ends(axes, low_ends, ".")
    if key == "bore":
        _limit_line(axes, document["firings"])
    axes.set_title(label.partition(" [")[0])
    axes.set_xlabel(text)
    axes.set_ylabel(label)
    legend_below(axes, figure, 1)
    rest = len(groups) - MOST_LINES
    caption = "95 % intervals." + (f" {rest} more groups are in the table." if rest > 0 else "")
    caption += f" {TRIANGLE}" if triangles else ""
    return finish(figure, f"{key.replace('.', '_')}_by_{name}", SECTION, label, caption)


def _bars(document: Document, quantity: tuple[str, str, float, float]) -> Any:
    key, label, scale, offset = quantity
    firings = list(document["firings"])[:24]
    b = values_of(firings, key, scale, offset)
    more = np.where(np.isfinite(b.estimate), np.nan, b.low)
    if not (np.isfinite(b.estimate) | np.isfinite(more)).any():
        return None
    figure = canvas(1.6 + 0.36 * len(firings))
    axes = figure.subplots()
    y = np.arange(len(firings))
    low, high = b.estimate - b.low, np.nan_to_num(b.high - b.estimate, nan=0.0)
    axes.errorbar(b.estimate, y, xerr=np.maximum([np.nan_to_num(low), high], 0.0), fmt="o",
                  color=COLOURS[0], capsize=3.0)
    axes.plot(more, y, color=COLOURS[0], marker=">", markersize=7.0, linestyle="none")
    _arrows(axes, b)
    triangle = f" {TRIANGLE}" if np.isfinite(more).any() else ""
    if key == "bore" and _limit_line(axes, firings, across=False):
        legend_below(axes, figure)
    axes.set_title(label.partition(" [")[0])
    axes.set_yticks(y, [f["label"] for f in firings])
    axes.set_ylim(len(firings) - 0.5, -0.5)
    axes.set_xlabel(label)
    return finish(figure, key.replace(".", "_"), SECTION, label.partition(" [")[0],
                  "Dots: estimates; bars: 95 % intervals, an arrow where an end is open."
                  f"{triangle} No dot: {UNKNOWN}.")


def _arrows(axes: Axes, b: Band) -> None:
    """Draw an arrow from each estimate towards an end that is open."""
    every = np.concatenate((b.estimate, b.low, b.high))
    length = ARROW * (float(np.ptp(every[np.isfinite(every)])) or abs(float(np.nanmax(every))))
    for end, side in ((b.low, -1.0), (b.high, 1.0)):
        for i in np.flatnonzero(np.isfinite(b.estimate) & ~np.isfinite(end)):
            x = float(b.estimate[i])
            axes.annotate("", (x + side * length, i), (x, i), annotation_clip=False,
                          arrowprops={"arrowstyle": "->", "color": COLOURS[0], "linewidth": 1.5})
            axes.plot(x + 1.1 * side * length, i, alpha=0.0)
