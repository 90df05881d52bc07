"""How every figure looks: fonts that survive a telephone, colours that colour-blind eyes tell."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation
from PIL import Image

from wallsim.report.document import Array, Band

WIDTH: Final = 5.4
"""Width of every figure [inch]; small, so that its 10 point text is read on a narrow screen."""
DPI: Final = 125
PER_PANEL: Final = 8
"""Most traces in one panel; more are split over panels."""
UNUSED: Final = "#b4b4b4"

COLOURS: Final = (
    "#36467e",
    "#d79d0b",
    "#3bbf69",
    "#b93763",
    "#5fb0e0",
    "#785200",
    "#4c3eb6",
    "#45191d",
)
SENSOR_COLOURS: Final = (
    *COLOURS,
    "#0e8f8b",
    "#e07ab8",
    "#8a9a1b",
    "#e8663c",
)
"""A campaign has more sensors than runs in a panel."""
DASHES: Final = ("-", "--", "-.", (0, (5, 1.5, 1, 1.5, 1, 1.5)), (0, (1.5, 1.2)), "-", "--", "-.")

SETTINGS: Final[Mapping[str, Any]] = {
    "font.size": 10.0,
    "font.family": "DejaVu Sans",
    "axes.titlesize": 10.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#e3e3e3",
    "grid.linewidth": 0.7,
    "lines.linewidth": 1.7,
    "legend.frameon": False,
    "legend.fontsize": 9.0,
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "figure.constrained_layout.use": True,
    "figure.constrained_layout.hspace": 0.04,
}


@dataclass(frozen=True, slots=True)
class Drawing:
    """A finished figure.

    Parameters
    ----------
    stem : str
        File name without its ending.
    section : str
        Part of the report it belongs to: "deposit", "gas side", "runs".
    title, caption : str
        Plain text for the report.
    png : bytes
    width, height : int
        [pixel].
    """

    stem: str
    section: str
    title: str
    caption: str
    png: bytes
    width: int
    height: int


def canvas(height: float) -> Figure:
    """Return an empty figure of ``height`` [inch] that belongs to no window."""
    return Figure(figsize=(WIDTH, height), dpi=DPI)


def finish(figure: Figure, stem: str, section: str, title: str, caption: str) -> Drawing:
    """Return ``figure`` as PNG of a quarter of the usual size, always the same bytes."""
    drawn: Any = FigureCanvasAgg(figure)
    drawn.draw()
    image = Image.fromarray(np.asarray(drawn.buffer_rgba())).convert("RGB")
    buffer = io.BytesIO()
    image.quantize(128).save(buffer, format="PNG", dpi=(DPI, DPI))
    return Drawing(stem, section, title, caption, buffer.getvalue(), image.width, image.height)


def draw_band(axes: Axes, x: Array, b: Band, i: int, label: str, fill: float = 0.18) -> None:
    """Draw an estimate as a line in colour ``i`` and its 95 % interval as a band around it."""
    colour = COLOURS[i % len(COLOURS)]
    axes.fill_between(x, b.low, b.high, color=colour, alpha=fill, linewidth=0.0)
    axes.plot(x, b.estimate, color=colour, linestyle=DASHES[i % len(DASHES)], label=label)


def draw_limit(axes: Axes, x: Array, b: Band, i: int, label: str) -> None:
    """Draw an upper limit: a thin line with arrows that point to where the value lies."""
    colour = COLOURS[i % len(COLOURS)]
    axes.plot(x, b.high, color=colour, linewidth=1.1, linestyle=":", label=label)
    some = slice(len(x) // 12, None, max(len(x) // 6, 1))
    axes.plot(x[some], b.high[some], color=colour, linestyle="none", marker="v", markersize=5.0)


def draw_stations(axes: Axes, z: Array) -> None:
    """Mark the thermocouple stations ``z`` along the lower edge."""
    axes.plot(
        np.unique(z),
        np.full(np.unique(z).size, 0.02),
        transform=axes.get_xaxis_transform(),
        color="#222222",
        linestyle="none",
        marker="^",
        markersize=6.0,
        clip_on=False,
        zorder=5,
        label="thermocouple station",
    )


def legend_below(axes: Axes, figure: Figure, columns: int = 2, drop: float = 0.44) -> None:
    """Put the legend under the axis label, ``drop`` [inch], where it covers no line."""
    below = ScaledTranslation(0.0, -drop, figure.dpi_scale_trans)
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(-0.04, 0.0),
        bbox_transform=axes.transAxes + below,
        ncols=columns,
        handlelength=2.6,
        columnspacing=1.2,
        borderaxespad=0.0,
    )


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return positions near ``wanted`` and in its order, ``gap`` apart where there is room.

    Parameters
    ----------
    wanted : sequence of float
        Where the labels would like to stand.
    gap : float
        Smallest distance between two.
    low, high : float
        Range they should stay in.
    """
    order = np.argsort(wanted, kind="stable")
    gap = min(gap, (high - low) / max(len(wanted) - 1, 1))
    y = np.clip(np.array(wanted, dtype=float)[order], low, high)
    for i in range(1, y.size):
        y[i] = max(y[i], y[i - 1] + gap)
    y[-1:] = np.minimum(y[-1:], high)
    for i in range(y.size - 2, -1, -1):
        y[i] = min(y[i], y[i + 1] - gap)
    placed = np.empty_like(y)
    placed[order] = y
    return [float(v) for v in placed]


def batches(names: Sequence[str], most: int = PER_PANEL) -> list[list[str]]:
    """Return ``names`` in order, split evenly into groups of at most ``most``."""
    n = max(-(-len(names) // most), 1)
    return [list(part) for part in np.array_split(np.array(names, dtype=object), n)]
