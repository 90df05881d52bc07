"""Maps of a what-if over two axes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm
from matplotlib.patheffects import withStroke
from matplotlib.ticker import MaxNLocator

from wallsim.report.document import Array, Band, Document, band
from wallsim.report.style import UNUSED, canvas, finish, legend_below
from wallsim.report.words import ZERO_CELSIUS
from wallsim.rounding import significant

SECTION = "forecast"
LEAST, LEAST_TIME = {"margin": 0.5}, 0.1
"""Lowest values that maps on a log scale tell apart: of loads over pressure [-], of times [s]."""
UNKNOWN = "not reached, not assessed, or the metal's table ends before (which is no survival)"
RED = "#b3261e"
LEAST_RATIO = 1.5
MANTISSAS: Mapping[float, list[float]] = {
    8.0: [1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0],
    100.0: [1.0, 1.5, 2.0, 3.0, 5.0, 7.0], np.inf: [1.0, 2.0, 5.0],
}
"""Levels in a decade, by the ratio of the values below which they are fine enough."""
MOST_DOTS = 400
LIMITS = {"limit": "your limit", "oxidation": "oxidation limit"}
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


def limit_of_all(firings: Sequence[Document]) -> tuple[str, float] | None:
    """Return the bore's limit in words and degC: the owner's, else that of oxidation.

    None where firings have none, or not the same.
    """
    found: set[tuple[str, float] | None] = set()
    for firing in firings:
        each = [(words, float(firing["limits"][key]["at_K"]) - ZERO_CELSIUS)
                for key, words in LIMITS.items() if key in firing["limits"]]
        found.add(each[0] if each else None)
    return found.pop() if len(found) == 1 else None


def _interval(firing: Document, key: str) -> Any:
    if key.startswith("limits."):
        return (firing["limits"].get(key[7:]) or {}).get("time_s")
    if key == "below":
        return firing["survival"]["below_factor_s"]
    if key == "margin":
        return firing["survival"]["margin"]
    return firing[f"{key}_peak_K"]


def values_of(firings: list[Document], key: str, scale: float, offset: float) -> Band:
    """Return estimates and ends of a quantity of each firing, scaled and shifted."""
    found = [band(_interval(f, key)) for f in firings]
    parts = (np.array([getattr(b, end) for b in found], dtype=float) * scale + offset
             for end in ("estimate", "low", "high"))
    return Band(*parts)


def draw_map(document: Document, names: list[str], quantity: tuple[str, str, float, float]) -> Any:
    """Return a map over two numeric axes; None of fewer than four values."""
    key, label, scale, offset = quantity
    axis = [np.unique([f["changes"][n] for f in document["firings"]]) for n in names]
    shape = (axis[1].size, axis[0].size)
    middle: Array = np.full(shape, np.nan)
    low, high = middle.copy(), middle.copy()
    b = values_of(list(document["firings"]), key, scale, offset)
    for i, firing in enumerate(document["firings"]):
        at = tuple(int(np.searchsorted(axis[k], firing["changes"][names[k]])) for k in (1, 0))
        middle[at], low[at], high[at] = b.estimate[i], b.low[i], b.high[i]
    if np.isfinite(middle).sum() < 4:
        return None
    x, y = (axis[k] * AXES[names[k]][1] + AXES[names[k]][2] for k in (0, 1))
    figure = canvas(4.8)
    axes = figure.subplots()
    axes.grid(visible=False)
    least = -np.inf if key in {"bore", "outside"} else LEAST.get(key, LEAST_TIME)
    shown = np.maximum(middle, least)
    known = shown[np.isfinite(shown)]
    levels = _even(known) if np.isinf(least) else _steep(known)
    edges = [_edges(v, clip=n != "start") for v, n in zip((x, y), names, strict=True)]
    cells = axes.pcolormesh(*edges, shown, norm=BoundaryNorm(levels, 256), cmap="cividis")
    axes.set_xlim(edges[0][0], edges[0][-1])
    axes.set_ylim(edges[1][0], edges[1][-1])
    axes.set_facecolor(UNUSED)
    if shown.size <= MOST_DOTS:
        _dots(axes, x, y, shown)
    figure.colorbar(cells, ax=axes, label=label, ticks=levels, format="%g")
    bound = np.full(shape, np.nan) if key == "margin" else low
    words = _red(document, axes, (x, y, np.where(np.isfinite(shown), shown, bound)), key)
    if axes.get_legend_handles_labels()[1]:
        legend_below(axes, figure)
    axes.set_title(label.partition(" [")[0])
    axes.set_xlabel(AXES[names[0]][0])
    axes.set_ylabel(AXES[names[1]][0])
    half = np.nanmedian(0.5 * (high - low)) if np.isfinite(high - low).any() else np.nan
    if np.isfinite(half):
        words = f" Half of the 95 % interval: {significant(half, 2)} (median).{words}"
    return finish(figure, f"map_{key.replace('.', '_')}", SECTION, label,
                  f"Estimates, a cell for each firing tried.{_grey(key, shown)}{words}")


def _edges(centres: Array, *, clip: bool) -> Array:
    """Return the borders of cells about their centres; above zero where ``clip``."""
    middle = 0.5 * (centres[1:] + centres[:-1])
    first, last = 1.5 * centres[0] - 0.5 * centres[1], 1.5 * centres[-1] - 0.5 * centres[-2]
    if clip:
        first = max(first, 0.5 * centres[0])
    return np.concatenate(([first], middle, [last]))


def _grey(key: str, shown: Array) -> str:
    """Return what cells without a value mean, if there are any."""
    if np.isfinite(shown).all():
        return ""
    hot = "too hot, the wall leaves the table of its metal"
    meaning = hot if key in {"bore", "outside", "margin"} else UNKNOWN
    below = ", which counts as below the factor" if key == "margin" else ""
    return f" Grey with a cross: {meaning}{below}."


def _dots(axes: Axes, x: Array, y: Array, shown: Array) -> None:
    """Mark every firing tried, with a cross where it has no value."""
    every_x, every_y = np.meshgrid(x, y)
    known = np.isfinite(shown)
    edge: Any = [withStroke(linewidth=2.0, foreground="#222222")]
    axes.plot(every_x[known], every_y[known], linestyle="none", marker=".", markersize=3.0,
              color="white", path_effects=edge)
    axes.plot(every_x[~known], every_y[~known], linestyle="none", marker="x", markersize=6.0,
              color="#222222")


def _red(document: Document, axes: Axes, shown: tuple[Array, Array, Array], key: str) -> str:
    """Draw what is asked for as a red line where it runs through the map; return it in words.

    Temperatures ``shown`` of cells that are too hot are bounds, which lie above any limit.
    """
    limit = limit_of_all(document["firings"])
    wanted, words = None, ""
    if key == "margin":
        wanted, words = document["factor"], f"the factor asked for, {document['factor']:g}"
    elif key == "bore" and limit:
        wanted = limit[1]
        words = f"{limit[0]}, {wanted:.0f} °C"
    known = shown[2][np.isfinite(shown[2])]
    if wanted is None:
        return ""
    if not known.min() < wanted < known.max():
        side = "above" if known.min() >= wanted else "below"
        return f" Every value shown is {side} {words}."
    even = np.log if key == "margin" else np.asarray
    axes.contour(*shown[:2], even(shown[2]), levels=[even(wanted)], colors=RED, linewidths=2.4)
    axes.plot([], [], color=RED, linewidth=2.4, label=words)
    return f" Red: {words}."


def _even(values: Array) -> Array:
    """Return about ten even levels that hold all values."""
    low, high = float(values.min()), float(values.max())
    if high - low < 1e-6 * max(abs(high), 1.0):
        return np.array([np.floor(low), np.floor(low) + 1.0])
    return np.asarray(MaxNLocator(10).tick_values(low, high))


def _steep(values: Array) -> Array:
    """Return levels that hold positive values, evenly in the log, the finer the closer these are.

    They stand at 1, 2, 5, 10, ... for values of two decades and more.
    """
    ratio = float(values.max() / values.min())
    if ratio < LEAST_RATIO:
        return _even(values)
    steps = next(steps for most, steps in MANTISSAS.items() if ratio < most)
    low, high = np.floor(np.log10([values.min(), values.max()])).astype(int)
    levels = np.append(np.outer(10.0 ** np.arange(low, high + 1), steps).ravel(),
                       10.0 ** (high + 1))
    first = int(np.searchsorted(levels, values.min(), side="right"))
    last = int(np.searchsorted(levels, values.max(), side="left"))
    return np.asarray(levels[first - 1 : max(last, first) + 1])
