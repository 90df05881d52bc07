"""One figure a run: measured against fitted readings, and what is left between them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from wallsim.report.document import TIME, Array, Document, number, sensors_of
from wallsim.report.style import COLOURS, UNUSED, Drawing, batches, canvas, finish, spread


def draw_run(name: str, run: Document, frame: pd.DataFrame, stem: str) -> Drawing:
    """Return the traces of one run with their residuals below."""
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
        _draw_readings(top, frame, group, run)
        _draw_residuals(bottom, frame, group, stations, scale)
        bottom.set_title(f"measured minus fitted, one lane = ±{scale:g} K", fontsize=9.5)
    panels[0, 0].set_title(f"{name}, {run.get('blend')}")
    panels[-1, 0].set_xlabel("time on the log's clock [s]")
    for axes in panels[:, 0]:
        for moment in (number(run.get("ignition_s")), number(run.get("shutdown_s"))):
            axes.axvline(moment, color="#555555", linewidth=0.9, linestyle=(0, (4, 3)))
        axes.margins(x=0.01)
    caption = (
        f"Run {name}, blend {run.get('blend')}. Dots: measured (block averages); lines: fitted; "
        "grey: not used in the fit, may leave the panel. Dashed uprights: ignition and shutdown. "
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


def _column(frame: pd.DataFrame, column: str) -> Array:
    if column not in frame.columns:
        return np.full(len(frame), np.nan)
    return np.asarray(frame[column], dtype=np.float64)


def _used(frame: pd.DataFrame, sensor: str) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    return np.asarray(_column(frame, f"{sensor} used") > 0.5)


def _residual(frame: pd.DataFrame, sensor: str) -> Array:
    return _column(frame, f"{sensor} measured [K]") - _column(frame, f"{sensor} fitted [K]")


def _draw_readings(axes: Axes, frame: pd.DataFrame, sensors: list[str], run: Document) -> None:
    t = _column(frame, TIME)
    inside, ends = [], []
    for i, sensor in enumerate(sensors):
        measured, fitted = (
            _column(frame, f"{sensor} {kind} [K]") for kind in ("measured", "fitted")
        )
        used, colour = _used(frame, sensor), COLOURS[i % len(COLOURS)]
        axes.plot(t[~used], measured[~used], ".", color=UNUSED, markersize=2.2, zorder=1)
        axes.plot(t[used], measured[used], ".", color=colour, markersize=2.6, alpha=0.45)
        axes.plot(t, fitted, color=colour, linewidth=1.2)
        inside += [measured[used], fitted]
        finite = fitted[np.isfinite(fitted)]
        ends.append(float(finite[-1]) if finite.size else np.nan)
    values = np.concatenate(inside) if inside else np.empty(0)
    values = values[np.isfinite(values)]
    if values.size:
        room = 0.05 * max(float(np.ptp(values)), 1.0)
        axes.set_ylim(values.min() - room, values.max() + room)
    low, high = axes.get_ylim()
    shown = [i for i, end in enumerate(ends) if np.isfinite(end)]
    heights = spread([ends[i] for i in shown], 0.075 * (high - low), low, high)
    for i, y in zip(shown, heights, strict=True):
        axes.annotate(
            sensors[i],
            (1.015, (y - low) / (high - low)),
            xycoords="axes fraction",
            va="center",
            fontsize=9.5,
            fontweight="bold",
            color=COLOURS[i % len(COLOURS)],
            annotation_clip=False,
        )
    axes.set_ylabel("outer wall [K]")


def _draw_residuals(
    axes: Axes,
    frame: pd.DataFrame,
    sensors: list[str],
    stations: dict[str, float],
    scale: float,
) -> None:
    t, n = _column(frame, TIME), len(sensors)
    for i, sensor in enumerate(sensors):
        centre = float(n - 1 - i)
        r = 0.5 * _residual(frame, sensor) / scale
        y, used = centre + np.clip(r, -0.5, 0.5), _used(frame, sensor)
        unused = ~used & (np.abs(r) <= 0.5)
        axes.axhline(centre, color="#cccccc", linewidth=0.7)
        axes.plot(t[unused], y[unused], ".", color=UNUSED, markersize=1.8)
        axes.plot(t, np.where(used, y, np.nan), color=COLOURS[i % len(COLOURS)], linewidth=0.9)
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
            color=COLOURS[i % len(COLOURS)],
            annotation_clip=False,
        )
    axes.set_ylim(-0.55, n - 0.45)
    axes.set_yticks(np.arange(n + 1) - 0.5, labels=[""] * (n + 1))
    axes.tick_params(axis="y", length=0)
