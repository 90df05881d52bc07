"""The figures of a prediction and of a what-if."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.colors import LogNorm

from wallsim.report.document import Array, Band, Document, array, band, file_stems
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

SECTION = "forecast"
ZERO_CELSIUS = 273.15
MOST_LINES = 6
CIRCLES = 25
LEAST_MARGIN = 0.5
UNKNOWN = "not reached, not assessed, or not before the metal's table ends (which is no survival)"
AXES: Mapping[str, tuple[str, float, float]] = {
    "wall": ("wall thickness [mm]", 1e3, 0.0),
    "bore": ("bore diameter [mm]", 1e3, 0.0),
    "burn": ("burn [s]", 1.0, 0.0),
    "pressure": ("pressure at the tap [bar abs]", 1e-5, 0.0),
    "resistance": ("deposit resistance [mm²K/W]", 1e6, 0.0),
    "start": ("wall temperature at ignition [°C]", 1.0, -ZERO_CELSIUS),
    "pause": ("cool-down between firings [s]", 1.0, 0.0),
    "cooling": ("outside convection [W/m²K]", 1.0, 0.0),
    "firings": ("firings one after the other", 1.0, 0.0),
}


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
    sensors = [str(c).removesuffix(" predicted [K]") for c in frame if "predicted" in str(c)]
    groups = batches(sensors, 4)
    figure = canvas(2.2 + 2.1 * len(groups))
    panels = np.atleast_1d(figure.subplots(len(groups), 1, sharex=True))
    t = frame["time_s"].to_numpy()
    for axes, group in zip(panels, groups, strict=True):
        for i, sensor in enumerate(group):
            parts = [frame[f"{sensor} {w} [K]"].to_numpy() for w in ("predicted", "low", "high")]
            draw_band(axes, t, _celsius(Band(*parts)), i, sensor, 0.10)
            measured = frame[f"{sensor} measured [K]"].to_numpy() - ZERO_CELSIUS
            some = slice(None, None, max(t.size // CIRCLES, 1))
            axes.plot(t[some], measured[some], linestyle="none", marker="o", markersize=3.6,
                      color=COLOURS[i], markerfacecolor="white", zorder=3)
        axes.set_ylabel("reading [°C]")
        axes.legend(loc="upper left", ncols=2)
    panels[0].set_title(f"{name}: predicted readings")
    panels[-1].set_xlabel("time on the log's clock [s]")
    caption = "Lines: predicted, with 95 % intervals; circles: some of those logged."
    return finish(figure, stem, SECTION, f"{name}: readings", caption)


def _along(name: str, run: Document, stem: str) -> Drawing:
    figure = canvas(3.6)
    axes = figure.subplots()
    z = 1e3 * array(run["z_m"])
    for i, (key, label) in enumerate((("bore_at_shutdown_K", "bore"),
                                      ("outside_at_shutdown_K", "outside"))):
        draw_band(axes, z, _celsius(band(run[key], z.size)), i, label)
    axes.set_title(f"{name}: wall at shutdown")
    axes.set_xlabel("from the head end [mm]")
    axes.set_ylabel("wall temperature [°C]")
    legend_below(axes, figure)
    return finish(figure, stem, SECTION, f"{name}: wall at shutdown",
                  "Wall temperature along the tube at shutdown, 95 % intervals.")


def draw_whatif(document: Document) -> list[Drawing]:
    """Return a sweep on one axis as lines, on two as maps, anything else as bars."""
    numeric = [name for name, values in document["varied"].items()
               if name in AXES and len(values) > 1]
    settings: Any = dict(SETTINGS)
    with mpl.rc_context(settings):
        wanted = _quantities(document)
        if len(numeric) == 2 and _one_per_point(document, numeric):
            return [d for q in wanted if (d := _map(document, numeric, q)) is not None]
        if len(numeric) == 1:
            return [d for q in wanted if (d := _sweep(document, numeric[0], q)) is not None]
        return [d for q in wanted if (d := _bars(document, q)) is not None]


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
        words = "the owner's limit" if first == "limit" else f"the metal's {first} limit"
        out.append((f"limits.{first}", f"burn until {words} [s]", 1.0, 0.0))
    factor = float(document["factor"])
    out.append(("below", f"burn until limit load is {factor:g} x pressure [s]", 1.0, 0.0))
    return out


def _interval(firing: Document, key: str) -> Any:
    if key.startswith("limits."):
        return (firing["limits"].get(key[7:]) or {}).get("time_s")
    if key == "below":
        return firing["survival"]["below_factor_s"]
    if key == "margin":
        return firing["survival"]["margin"]
    return firing[f"{key}_peak_K"]


def _values(firings: list[Document], key: str, scale: float, offset: float) -> Band:
    found = [band(_interval(f, key)) for f in firings]
    parts = (np.array([getattr(b, end) for b in found], dtype=float) * scale + offset
             for end in ("estimate", "low", "high"))
    return Band(*parts)


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
    return ", ".join(words) or "as in the campaign"


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
    drawn = False
    for i, (words, firings) in enumerate(list(groups.items())[:MOST_LINES]):
        x = np.array([f["changes"][name] for f in firings]) * x_scale + x_offset
        b = _values(firings, key, scale, offset)
        if not np.isfinite(b.estimate).any():
            continue
        draw_band(axes, x, b, i, words, 0.10)
        axes.plot(x, b.estimate, color=COLOURS[i % len(COLOURS)], marker="o", linestyle="none")
        drawn = True
    if not drawn:
        return None
    axes.set_title(label.partition(" [")[0])
    axes.set_xlabel(text)
    axes.set_ylabel(label)
    legend_below(axes, figure, 1)
    more = len(groups) - MOST_LINES
    caption = "95 % intervals." + (f" {more} more groups are in the table." if more > 0 else "")
    return finish(figure, f"{key.replace('.', '_')}_by_{name}", SECTION, label, caption)


def _bars(document: Document, quantity: tuple[str, str, float, float]) -> Any:
    key, label, scale, offset = quantity
    firings = list(document["firings"])[:24]
    b = _values(firings, key, scale, offset)
    if not np.isfinite(b.estimate).any():
        return None
    figure = canvas(1.6 + 0.36 * len(firings))
    axes = figure.subplots()
    y = np.arange(len(firings))
    low, high = b.estimate - b.low, np.nan_to_num(b.high - b.estimate, nan=0.0)
    axes.errorbar(b.estimate, y, xerr=np.maximum([np.nan_to_num(low), high], 0.0), fmt="o",
                  color=COLOURS[0], capsize=3.0)
    apart = _constant(document)
    axes.set_yticks(y, [_label(f, apart, document["varied"]) for f in firings])
    axes.invert_yaxis()
    axes.set_xlabel(label)
    return finish(figure, key.replace(".", "_"), SECTION, label.partition(" [")[0],
                  "Dots: estimates; bars: 95 % intervals. No dot: " + UNKNOWN + ".")


def _map(document: Document, names: list[str], quantity: tuple[str, str, float, float]) -> Any:
    key, label, scale, offset = quantity
    axis = [np.unique([f["changes"][n] for f in document["firings"]]) for n in names]
    shape = (axis[1].size, axis[0].size)
    middle: Array = np.full(shape, np.nan)
    low, high = middle.copy(), middle.copy()
    b = _values(list(document["firings"]), key, scale, offset)
    for i, firing in enumerate(document["firings"]):
        at = tuple(int(np.searchsorted(axis[k], firing["changes"][names[k]])) for k in (1, 0))
        middle[at], low[at], high[at] = b.estimate[i], b.low[i], b.high[i]
    if np.isfinite(middle).sum() < 4:
        return None
    x, y = (axis[k] * AXES[names[k]][1] + AXES[names[k]][2] for k in (0, 1))
    figure = canvas(4.6)
    axes = figure.subplots()
    shown: Any = np.ma.masked_invalid(middle)
    levels: int | Array = 10
    norm = None
    if key == "margin":
        shown = np.maximum(shown, LEAST_MARGIN)
        levels, norm = _steep(shown.compressed()), LogNorm()
    filled = axes.contourf(x, y, shown, levels=levels, norm=norm, cmap="cividis")
    inner = np.asarray(filled.levels)[1:-1:2]
    if inner.size:
        lines = axes.contour(x, y, shown, levels=inner, colors="white", linewidths=1.0)
        axes.clabel(lines, fmt="%g", fontsize=9.0)
    if key == "margin" and shown.min() < document["factor"] < shown.max():
        axes.contour(x, y, shown, levels=[document["factor"]], colors="#b3261e", linewidths=2.4)
    figure.colorbar(filled, ax=axes, label=label, ticks=filled.levels, format="%g").minorticks_off()
    axes.set_title(label.partition(" [")[0])
    axes.set_xlabel(AXES[names[0]][0])
    axes.set_ylabel(AXES[names[1]][0])
    half = np.nanmedian(0.5 * (high - low))
    words = "" if not np.isfinite(half) else f" Half of the 95 % interval: {half:.2g} (median)."
    if key == "margin":
        words += f" Red, where there is any: the factor asked for, {document['factor']:g}."
    return finish(figure, f"map_{key.replace('.', '_')}", SECTION, label,
                  f"Estimates; blank where {UNKNOWN}.{words}")


def _steep(values: Array) -> Array:
    """Return levels 1, 2, 5, 10, ... that hold positive values of several decades."""
    low, high = np.floor(np.log10([values.min(), values.max()])).astype(int)
    levels = np.append(np.outer(10.0 ** np.arange(low, high + 1), [1.0, 2.0, 5.0]).ravel(),
                       10.0 ** (high + 1))
    first = int(np.searchsorted(levels, values.min(), side="right"))
    last = int(np.searchsorted(levels, values.max(), side="left"))
    return np.asarray(levels[first - 1 : max(last, first) + 1])
