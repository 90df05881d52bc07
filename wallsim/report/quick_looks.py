"""The flux histories that assume no growth law, and the resistance they give, beside the fit's."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from wallsim.report.document import Array, Band, Document, array, band
from wallsim.report.style import COLOURS, Drawing, canvas, draw_band, finish
from wallsim.report.words import PER_MM2, left_out_text
from wallsim.rounding import number

_SHOWN = "sequential"
_FLUXES = ("lumped_slope", "exact_inverse", "sequential")
_MOST_PANELS = 8


def quick_resistances(document: Document) -> pd.DataFrame:
    """Return the resistances by pairs of firings: blend, method, station (or all), time.

    "R is" tells the calorimetric one, a mean over the burn, from those at one moment.
    """
    looks = document.get("quick_looks") or {}
    frames = [_resistance_rows(blend, method, found, array(looks.get("time_s")))
              for blend, methods in (looks.get("blends") or {}).items()
              for method, found in methods.items()]
    columns = ["blend", "method", "sensor", "z [mm]", "R is", "since ignition [s]",
               *(f"R {end} [mm^2*K/W]" for end in ("estimate", "low", "high"))]
    frames = [frame for frame in frames if len(frame)]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)


def _resistance_rows(
    blend: str, method: str, found: Mapping[str, Any], times: Array
) -> pd.DataFrame:
    over_burn = method == "calorimetric"
    kind = "mean over the burn" if over_burn else "at this moment"
    t = np.full(1, np.nan) if over_burn else times
    sensors = list(found.get("sensors") or [])
    z = array(found.get("z_m"))
    each = _rows(found.get("station_resistance_m2K_W"), len(sensors), t.size)
    mean = _rows(found.get("mean_resistance_m2K_W"), 1, t.size)
    frames = []
    for name, at, b in zip(("all", *sensors), (np.nan, *z), (*mean, *each), strict=True):
        frame = pd.DataFrame({"blend": blend, "method": method, "sensor": name,
                              "z [mm]": 1e3 * at, "R is": kind, "since ignition [s]": t})
        for end in ("estimate", "low", "high"):
            frame[f"R {end} [mm^2*K/W]"] = PER_MM2 * getattr(b, end)
        frames.append(frame[np.isfinite(b.estimate)])
    frames = [frame for frame in frames if len(frame)]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def _rows(interval: Mapping[str, Any] | None, n: int, width: int) -> list[Band]:
    """Return the rows of an interval of shape (n, width), in whatever lists it comes."""
    b = band(interval, n * width)
    parts = [np.reshape(v, (n, width)) for v in (b.estimate, b.low, b.high)]
    return [Band(*(part[i] for part in parts)) for i in range(n)]


def quick_fluxes(document: Document) -> pd.DataFrame:
    """Return the heat flux into the bore by run, sensor and time since ignition."""
    looks = document.get("quick_looks") or {}
    t = array(looks.get("time_s"))
    frames = []
    for run, sensors in (looks.get("runs") or {}).items():
        for sensor, found in sensors.items():
            frame = pd.DataFrame({"run": run, "sensor": sensor, "z [mm]": 1e3 * found["z_m"],
                                  "since ignition [s]": t})
            for method in _FLUXES:
                title = f"{method.replace('_', ' ')} [MW/m^2]"
                frame[title] = 1e-6 * array(found.get(f"{method}_W_m2"))
            frame["mean over the burn [MW/m^2]"] = 1e-6 * number(found.get("calorimetric_W_m2"))
            frames.append(frame[frame.iloc[:, 4:7].notna().any(axis=1)])
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def draw_quick_looks(document: Document) -> list[Drawing]:
    """Return the growth of the fit beside that from flux histories; empty if there is none."""
    looks = document.get("quick_looks") or {}
    t = array(looks.get("time_s"))
    found = {n: m[_SHOWN] for n, m in (looks.get("blends") or {}).items() if _SHOWN in m}
    deposits = [n for n, b in document["blends"].items() if b.get("deposit")]
    told = {n for n, one in found.items() if np.isfinite(_mean(one, t).estimate).any()}
    shown = [n for n in deposits if n in told][:_MOST_PANELS]
    if not shown:
        return []
    figure = canvas(0.9 + 1.75 * len(shown))
    panels = figure.subplots(len(shown), 1, sharex=True, squeeze=False)[:, 0]
    for name, axes in zip(shown, panels, strict=True):
        i = deposits.index(name)
        _draw_fitted(axes, document["blends"][name]["deposit"], i)
        R = _mean(found[name], t)
        colour = "#222222"
        sure = np.isfinite(R.low) & np.isfinite(R.high)
        if sure.any():
            ends = np.array([R.estimate - R.low, R.high - R.estimate])[:, sure]
            axes.errorbar(t[sure], R.estimate[sure], yerr=ends, color=colour, linestyle="none",
                          marker="o", markersize=3.2, elinewidth=0.6, label="from flux histories")
        if (np.isfinite(R.estimate) & ~sure).any():
            axes.plot(t[~sure], R.estimate[~sure], color=colour, linestyle="none", marker="o",
                      markersize=3.6, markerfacecolor="none",
                      label="points, no interval")
        axes.set_title(name)
        axes.set_ylabel("[mm²K/W]")
        top = _top(R, document["blends"][name]["deposit"])
        axes.set_ylim(-0.25 * top, top)
        axes.axhline(0.0, color="#888888", linewidth=0.8)
        axes.legend(loc="upper left", ncols=2)
    panels[-1].set_xlabel("time since ignition [s]")
    panels[-1].margins(x=0.01)
    caption = (
        "Mean deposit resistance, first to last station. Line and band: the fit. Points: from the "
        "heat flux of each thermocouple, step by step and without any growth law, by difference "
        "to the bare firings at the same time. Their bars are 95\N{NO-BREAK SPACE}% intervals "
        "from the scatter of repeats alone, pooled over the burn, and may leave the picture; open: "
        "no repeats and no interval. A firing that runs hot moves all its points the same way."
    )
    if left_out := left_out_text(looks.get("left_out")):
        caption += f" Left out of the points: {left_out}."
    title = "Growth of the deposit, fitted and from flux histories"
    return [finish(figure, "quick_looks", "deposit", title, caption)]


def _mean(found: Mapping[str, Any], t: Array) -> Band:
    """Return the mean resistance in time; without repeats its ends are NaN."""
    return band(found.get("mean_resistance_m2K_W"), t.size).scaled(PER_MM2)


def _draw_fitted(axes: Any, deposit: Document, i: int) -> None:
    history = deposit.get("in_time") or {}
    t = array(history.get("time_s"))
    R = band(history.get("mean_resistance_m2K_W"), t.size).scaled(PER_MM2)
    if deposit.get("identifiable") and R.known:
        draw_band(axes, t, R, i, "fit")
    elif deposit.get("identifiable") and R.bounded:
        axes.plot(t, R.high, color=COLOURS[i % len(COLOURS)], linestyle=":",
                  label="upper limit of the fit")
    else:
        axes.plot([], [], color="none", label="fit: not identifiable")


def _top(R: Band, deposit: Document) -> float:
    """Return the upper end of the axis: what the points and the fitted band need, not the bars."""
    history = deposit.get("in_time") or {}
    fitted = band(history.get("mean_resistance_m2K_W"), len(history.get("time_s") or [])).high
    high = np.concatenate((R.estimate, np.atleast_1d(fitted * PER_MM2)))
    high = high[np.isfinite(high)]
    # Above the highest there is room for the legend.
    return float(max(1.7 * high.max(), 1.0))
