"""One figure a run: measured against fitted readings, and what is left between them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from wallsim.report.document import TIME, Array, Document, sensors_of
from wallsim.report.style import SENSOR_COLOURS, UNUSED, Drawing, batches, canvas, finish, spread
from wallsim.report.words import ZERO_CELSIUS
from wallsim.rounding import number

_UPRIGHT = (0, (4, 3))


def sensor_colours(document: Document, traces: Mapping[str, pd.DataFrame]) -> dict[str, str]:
    """Return one colour a sensor for all runs, in the order along the tube."""
    place: dict[str, float] = {}
    for name, run in document["runs"].items():
        for sensor, channel in (run.get("channels") or {}).items():
            place.setdefault(sensor, number(channel.get("z_m")))
        for sensor in sensors_of(traces[name]):
            place.setdefault(sensor, np.inf)
    ordered = sorted(place, key=lambda sensor: np.nan_to_num(place[sensor], nan=np.inf))
    return {s: SENSOR_COLOURS[i % len(SENSOR_COLOURS)] for i, s in enumerate(ordered)}


def draw_run(
    name: str, run: Document, frame: pd.DataFrame, stem: str, colours: Mapping[str, str]
) -> Drawing:
    """Return the traces of one run with their residuals below; ``colours`` by sensor."""
    stations = {s: number(c.get("z_m")) for s, c in (run.get("channels") or {}).items()}
    every = dict.fromkeys([*stations, *sensors_of(frame)])
    sensors = sorted(every, key=lambda s: stations.get(s, np.inf))
    groups = batches(sensors)
    scale = lane_scale(frame, sensors)
    lanes = [0.55 + 0.26 * len(group) for group in groups]
    heights = [h for lane in lanes for h in (2.5, lane)]
    figure = canvas(sum(heights) + 0.5 * len(groups) + 0.5)
    panels = figure.subplots(len(heights), 1, sharex=True, height_ratios=heights, squeeze=False)
    for i, group in enumerate(groups):
        top, bottom = panels[2 * i, 0], panels[2 * i + 1, 0]
        _draw_readings(top, frame, group, colours)
        _draw_residuals(bottom, frame, group, stations, scale, colours)
        bottom.set_title(f"measured minus fitted, one lane = ±{scale:g} K", fontsize=9.5)
    panels[0, 0].set_title(f"{name}, {run.get('blend')}", pad=24.0)
    _legend(panels[0, 0])
    panels[-1, 0].set_xlabel("time on the log's clock [s]")
    for axes in panels[:, 0]:
        for moment in (number(run.get("ignition_s")), number(run.get("shutdown_s"))):
            axes.axvline(moment, color="#555555", linewidth=0.9, linestyle=_UPRIGHT)
        axes.margins(x=0.01)
    caption = (
        f"Run {name}, blend {run.get('blend')}. A sensor has the same colour in every figure of a "
        "run; its name stands at the end of its line. Measured readings are block averages; what "
        "was not used may leave the panel. "
        f"Lower lanes: measured minus fitted, each lane from -{scale:g} to +{scale:g} K, cut at "
        "its edge."
    )
    return finish(figure, stem, "runs", f"Run {name}", caption)


def lane_scale(frame: pd.DataFrame, sensors: list[str]) -> float:
    """Return half the height of a residual lane [K]: 1, 2 or 5 times a power of ten.

    Wide enough for 99 % of the residuals used in the fit.
    """
    left = [np.abs(_residual(frame, s))[_used(frame, s)] for s in sensors]
    left = [r[np.isfinite(r)] for r in left]
    everything = np.concatenate(left) if left else np.empty(0)
    if not everything.size:
        return 1.0
    size = max(float(np.quantile(everything, 0.99)), 0.1)
    power = 10.0 ** np.floor(np.log10(size))
    return float(next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= size))


def _legend(axes: Axes) -> None:
    """Say between title and panel what dots and lines are."""
    dark = "#444444"
    handles = [
        Line2D([], [], color=dark, linestyle="none", marker=".", alpha=0.6, label="measured"),
        Line2D([], [], color=dark, linewidth=1.2, label="fitted"),
        Line2D([], [], color=UNUSED, linestyle="none", marker=".", label="not used"),
        Line2D([], [], color="#555555", linewidth=0.9, linestyle=_UPRIGHT,
               label="ignition, shutdown"),
    ]
    axes.legend(handles=handles, loc="lower left", bbox_to_anchor=(-0.02, 1.0), ncols=4,
                fontsize=8.5, handlelength=1.4, columnspacing=0.9, borderaxespad=0.1)


def _column(frame: pd.DataFrame, column: str) -> Array:
    if column not in frame.columns:
        return np.full(len(frame), np.nan)
    return np.asarray(frame[column], dtype=np.float64)


def _used(frame: pd.DataFrame, sensor: str) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    return np.asarray(_column(frame, f"{sensor} used") > 0.5)


def _residual(frame: pd.DataFrame, sensor: str) -> Array:
    return _column(frame, f"{sensor} measured [K]") - _column(frame, f"{sensor} fitted [K]")


def _draw_readings(
    axes: Axes, frame: pd.DataFrame, sensors: list[str], colours: Mapping[str, str]
) -> None:
    t = _column(frame, TIME)
    inside: list[Array] = []
    ends: dict[str, float] = {}
    for sensor in sensors:
        measured, fitted = (
            _column(frame, f"{sensor} {kind} [K]") - ZERO_CELSIUS
            for kind in ("measured", "fitted")
        )
        used, colour = _used(frame, sensor), colours[sensor]
        axes.plot(t[~used], measured[~used], ".", color=UNUSED, markersize=2.2, zorder=1)
        axes.plot(t[used], measured[used], ".", color=colour, markersize=2.6, alpha=0.45)
        axes.plot(t, fitted, color=colour, linewidth=1.2)
        inside += [measured[used], fitted]
        known = np.flatnonzero(np.isfinite(fitted))
        if known.size and known[-1] >= 0.98 * t.size - 1:
            ends[sensor] = float(fitted[known[-1]])
        elif known.size:
            _label_at(axes, sensor, float(t[known[-1]]), float(fitted[known[-1]]), colour)
    values = np.concatenate(inside) if inside else np.empty(0)
    values = values[np.isfinite(values)]
    if values.size:
        room = 0.05 * max(float(np.ptp(values)), 1.0)
        axes.set_ylim(values.min() - room, values.max() + room)
    axes.set_ylabel("outer wall [°C]")
    _label_ends(axes, ends, colours)


def _label_at(axes: Axes, sensor: str, t: float, T: float, colour: str) -> None:
    """Put the name of a sensor that was lost below the end of its line."""
    axes.annotate(
        sensor,
        (t, T),
        xytext=(0.0, -26.0),
        textcoords="offset points",
        ha="center",
        fontsize=9.5,
        fontweight="bold",
        color=colour,
    )


def _label_ends(axes: Axes, ends: Mapping[str, float], colours: Mapping[str, str]) -> None:
    """Put each sensor's name beside the end of its line, joined to it where lines lie close."""
    low, high = axes.get_ylim()
    heights = spread(list(ends.values()), 0.075 * (high - low), low, high)
    for (sensor, end), y in zip(ends.items(), heights, strict=True):
        at, label = ((v - low) / (high - low) for v in (end, y))
        axes.plot(
            [0.995, 1.045],
            [at, label],
            transform=axes.transAxes,
            color=colours[sensor],
            linewidth=0.9,
            clip_on=False,
        )
        axes.annotate(
            sensor,
            (1.055, label),
            xycoords="axes fraction",
            va="center",
            fontsize=9.5,
            fontweight="bold",
            color=colours[sensor],
            annotation_clip=False,
        )


def _draw_residuals(
    axes: Axes,
    frame: pd.DataFrame,
    sensors: list[str],
    stations: dict[str, float],
    scale: float,
    colours: Mapping[str, str],
) -> None:
    t, n = _column(frame, TIME), len(sensors)
    for i, sensor in enumerate(sensors):
        centre = float(n - 1 - i)
        r = 0.5 * _residual(frame, sensor) / scale
        y, used = centre + np.clip(r, -0.5, 0.5), _used(frame, sensor)
        unused = ~used & (np.abs(r) <= 0.5)
        axes.axhline(centre, color="#cccccc", linewidth=0.7)
        axes.plot(t[unused], y[unused], ".", color=UNUSED, markersize=1.8)
        axes.plot(t, np.where(used, y, np.nan), color=colours[sensor], linewidth=0.9)
        rms = np.sqrt(np.nanmean(_residual(frame, sensor)[used] ** 2)) if used.any() else np.nan
        z = stations.get(sensor, np.nan)
        right = f"rms {rms:.2f} K" if np.isfinite(rms) else "not used"
        axes.annotate(
            right,
            (1.015, centre),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=8.5,
            annotation_clip=False,
        )
        sensors_label = f"{sensor}, {1e3 * z:.0f} mm" if np.isfinite(z) else sensor
        axes.annotate(
            sensors_label,
            (-0.015, centre),
            xycoords=("axes fraction", "data"),
            va="center",
            ha="right",
            fontsize=8.5,
            color=colours[sensor],
            annotation_clip=False,
        )
    axes.set_ylim(-0.55, n - 0.45)
    axes.set_yticks(np.arange(n + 1) - 0.5, labels=[""] * (n + 1))
    axes.tick_params(axis="y", length=0)
