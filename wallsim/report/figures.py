"""The figures of a report: along the tube, against pressure, in time, and what dominates."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wallsim.report.compared import draw_differences
from wallsim.report.document import Array, Band, Document, array, band, file_stems
from wallsim.report.quick_looks import draw_quick_looks
from wallsim.report.style import (
    COLOURS,
    SETTINGS,
    Drawing,
    batches,
    canvas,
    draw_band,
    draw_limit,
    draw_stations,
    finish,
    legend_below,
)
from wallsim.report.traces import draw_run, sensor_colours
from wallsim.report.words import PER_MM2
from wallsim.rounding import NOT_IDENTIFIABLE, fixed, number

_R_LABEL = "deposit resistance [mm²K/W]"
_BAND = "Bands: 95\N{NO-BREAK SPACE}% intervals."


def draw(document: Document, traces: Mapping[str, pd.DataFrame]) -> list[Drawing]:
    """Return every figure of the report, in the order it shows them."""
    settings: Any = dict(SETTINGS)
    with mpl.rc_context(settings):
        drawings = [
            *draw_resistance(document),
            *draw_resistance_in_time(document),
            *draw_resistance_of_firings(document),
            *draw_differences(document),
            *draw_quick_looks(document),
            *draw_dominance(document),
            *draw_coefficient(document),
            *draw_heat_flux(document),
            *draw_against_pressure(document),
        ]
        colours = sensor_colours(document, traces)
        for name, stem in file_stems(document["runs"]).items():
            run = document["runs"][name]
            drawings.append(draw_run(name, run, traces[name], f"run_{stem}", colours))
    return drawings


def _stations(document: Document) -> Array:
    return array([s.get("z_m") for s in document.get("stations") or []])


def _deposits(document: Document) -> dict[str, Document]:
    return {n: b["deposit"] for n, b in document["blends"].items() if b.get("deposit")}


def _panels(every: Collection[str], shown: Collection[str]) -> list[list[tuple[int, str]]]:
    """Return ``shown`` split over panels, each name with its place in ``every``.

    The place sets the colour, so that a name keeps it from one figure to the next.
    """
    places = {name: i for i, name in enumerate(every)}
    groups = [[(places[n], n) for n in group if n in shown] for group in batches(list(every))]
    return [group for group in groups if group]


def _draw_deposit(axes: Axes, name: str, deposit: Document, x: Array, b: Band, i: int) -> None:
    """Draw one deposit as what it is: a band, an upper limit, or a word in the legend.

    ``name`` is what the legend calls it.
    """
    if not deposit.get("identifiable", False) or not b.bounded:
        axes.plot([], [], color="none", label=f"{name}: {NOT_IDENTIFIABLE}")
    elif deposit.get("upper_limit_only") or not b.known:
        draw_limit(axes, x, b, i, f"{name}: upper limit")
    else:
        draw_band(axes, x, b, i, name)


def draw_resistance(document: Document) -> list[Drawing]:
    """Return deposit resistance along the tube, one line a blend."""
    deposits = _deposits(document)
    drawings = []
    for k, group in enumerate(_panels(deposits, deposits)):
        figure = canvas(4.2)
        axes = figure.subplots()
        for i, name in group:
            z = array(deposits[name].get("z_m"))
            R = band(deposits[name].get("resistance_m2K_W"), z.size).scaled(PER_MM2)
            _draw_deposit(axes, _at_end(name, deposits[name]), deposits[name], 1e3 * z, R, i)
        _along(axes, document)
        axes.set_ylim(bottom=0.0)
        axes.set_ylabel(_R_LABEL)
        axes.set_title("deposit resistance at the end of the longest burn")
        legend_below(axes, figure)
        caption = (
            "Deposit resistance along the tube at the end of each blend's longest burn: the time "
            "since ignition stands beside its name. "
            f"{_BAND} Arrows: an upper limit only."
        )
        title = "Deposit resistance along the tube"
        drawings.append(finish(figure, f"resistance{_suffix(k)}", "deposit", title, caption))
    return drawings


def _at_end(name: str, deposit: Document) -> str:
    """Return a blend with the time since ignition for which its resistance holds."""
    at = number(deposit.get("at_s"))
    return f"{name} at {fixed(at, 1)} s" if np.isfinite(at) else name


def _suffix(k: int) -> str:
    return f"_{k + 1}" if k else ""


def _along(axes: Axes, document: Document) -> None:
    stations = _stations(document)
    if stations.size:
        draw_stations(axes, 1e3 * stations)
    axes.set_xlabel("distance from the head z [mm]")
    axes.margins(x=0.01)


def draw_resistance_in_time(document: Document) -> list[Drawing]:
    """Return the growth of the mean resistance, one line a blend that has a history."""
    deposits = _deposits(document)

    def line(axes: Axes, i: int, name: str, t: Array, R: Band) -> None:
        _draw_deposit(axes, name, deposits[name], t, R, i)

    return _in_time(
        deposits, line, "resistance_in_time", "Growth of the deposit",
        "Mean deposit resistance between the first and the last station since ignition.")


def moment_of_loss(run: Document) -> tuple[float, float]:
    """Return the ends of the moment at which deposit came off, from ignition [s]."""
    at, zero = run["deposit"]["shedding"]["time_s"], number(run.get("ignition_s"))
    return number(at.get("low")) - zero, number(at.get("high")) - zero


def draw_resistance_of_firings(document: Document) -> list[Drawing]:
    """Return the mean resistance in firings on a bore not clean, or in which deposit came off."""
    runs = document["runs"]
    deposits = {n: d for n, run in runs.items() if (d := run.get("deposit"))}

    def line(axes: Axes, i: int, name: str, t: Array, R: Band) -> None:
        left_by = deposits[name].get("left_by")
        draw_band(axes, t, R, i, f"{name}, after {left_by}" if left_by else name)
        if deposits[name].get("shedding"):
            axes.axvspan(*moment_of_loss(runs[name]), color=COLOURS[i % len(COLOURS)], alpha=0.18,
                         linewidth=0.0)

    return _in_time(
        deposits, line, "resistance_of_firings", "Deposit in single firings",
        "Mean deposit resistance, first to last station, in each firing that began on a bore not "
        "clean or in which deposit came off; an upright band is the interval of the moment.")


def _in_time(
    deposits: Mapping[str, Document], line: Callable[[Axes, int, str, Array, Band], None],
    stem: str, title: str, caption: str,
) -> list[Drawing]:
    """Return the mean resistances that have a history over time, each drawn by ``line``."""
    drawings = []
    known = [n for n, d in deposits.items() if d.get("in_time")]
    for k, group in enumerate(_panels(deposits, known)):
        figure = canvas(3.9)
        axes = figure.subplots()
        for i, name in group:
            history = deposits[name]["in_time"]
            t = array(history.get("time_s"))
            R = band(history.get("mean_resistance_m2K_W"), t.size).scaled(PER_MM2)
            line(axes, i, name, t, R)
        axes.set_xlabel("time since ignition [s]")
        axes.set_ylabel(_R_LABEL)
        axes.set_ylim(bottom=0.0)
        axes.margins(x=0.01)
        axes.set_title(f"{title[0].lower()}{title[1:]}, mean first to last station")
        legend_below(axes, figure)
        drawings.append(finish(figure, f"{stem}{_suffix(k)}", "deposit", title,
                               f"{caption} {_BAND}"))
    return drawings


def draw_dominance(document: Document) -> list[Drawing]:
    """Return what makes the interval of each resistance wide, as bars; empty if unknown."""
    every = {n: (d.get("dominated_by") or [])[:4] for n, d in _deposits(document).items()}
    known = {n: items for n, items in every.items() if items}
    if not known:
        return []
    heights = [0.5 + 0.42 * len(items) for items in known.values()]
    figure = canvas(sum(heights) + 0.6)
    panels = figure.subplots(len(known), 1, sharex=True, height_ratios=heights, squeeze=False)
    for (name, items), axes in zip(known.items(), panels[:, 0], strict=True):
        colour = COLOURS[list(every).index(name) % len(COLOURS)]
        share = 100.0 * array([item.get("share") for item in items])
        y = np.arange(share.size)[::-1]
        axes.barh(y, share, height=0.34, color=colour, align="edge")
        for row, item, value in zip(y, items, share, strict=True):
            axes.annotate(
                f"{item['parameter']}, {value:.0f} %",
                (0.6, row - 0.06),
                va="top",
                fontsize=9.5,
            )
        axes.set_ylim(-0.55, share.size - 0.5)
        axes.set_yticks([])
        axes.grid(visible=False, axis="y")
        axes.set_title(name)
        axes.set_xlim(0.0, 100.0)
    panels[-1, 0].set_xlabel("part of the variance that would go if known [%]")
    caption = (
        "What makes the interval of each blend's mean resistance wide: the part of its variance "
        "that would go if this quantity alone were known exactly. Causes overlap, so the bars need "
        "not add up to 100 %. Work on the longest bar first."
    )
    title = "What limits each resistance"
    return [finish(figure, "what_limits", "deposit", title, caption)]


def draw_coefficient(document: Document) -> list[Drawing]:
    """Return the gas-side coefficient along the tube; empty if the logs do not tell it."""
    gas = document["gas_side"]
    z = array(gas["z_m"])
    h = band(gas["coefficient_W_m2K"], z.size)
    if not h.known:
        return []
    figure = canvas(3.9)
    axes = figure.subplots()
    draw_band(axes, 1e3 * z, h, 0, "gas-side coefficient, bare wall")
    _along(axes, document)
    axes.set_ylim(bottom=0.0)
    axes.set_ylabel("h [W/(m²K)]")
    bar = 1e-5 * number(gas.get("reference_pressure_Pa"))
    axes.set_title(f"gas-side coefficient at {bar:.2f} bar abs")
    legend_below(axes, figure)
    caption = (
        f"Gas-side coefficient h of the bare wall at {bar:.2f} bar (absolute) and heating "
        f"factor 1. {_BAND}"
    )
    title = "Gas-side coefficient along the tube"
    return [finish(figure, "coefficient", "gas side", title, caption)]


def _flux(run: Document) -> tuple[Array, Array, Band]:
    z = array(run.get("z_m"))
    p = array(run.get("local_pressure_Pa"))
    return z, p, band(run.get("heat_flux_W_m2"), z.size).scaled(1e-6)


def draw_heat_flux(document: Document) -> list[Drawing]:
    """Return the bore heat flux along the tube at shutdown, one line a run."""
    names = [name for name, run in document["runs"].items() if array(run.get("z_m")).size]
    drawings = []
    for k, group in enumerate(_panels(document["runs"], names)):
        figure = canvas(4.6)
        axes = figure.subplots()
        for i, name in group:
            z, _, q = _flux(document["runs"][name])
            label = f"{name}, {document['runs'][name].get('blend')}"
            draw_band(axes, 1e3 * z, q, i, label, fill=0.10)
        _along(axes, document)
        axes.set_ylim(bottom=0.0)
        axes.set_ylabel("heat flux at shutdown [MW/m²]")
        axes.set_title("heat flux into the bore at shutdown")
        legend_below(axes, figure)
        caption = (
            f"Heat flux into the bore at the moment of shutdown. {_BAND} Runs of different burn "
            "time or pressure are not to be compared by flux; compare resistances."
        )
        title = "Heat flux along the tube"
        drawings.append(finish(figure, f"heat_flux{_suffix(k)}", "gas side", title, caption))
    return drawings


def draw_against_pressure(document: Document) -> list[Drawing]:
    """Return h, R and q against local static pressure; empty if it does not vary."""
    gas = document["gas_side"]
    p = 1e-5 * array(gas.get("local_pressure_Pa"))
    if not p.size or np.ptp(p) < 0.01 * np.abs(p).max():
        return []
    known_h = band(gas["coefficient_W_m2K"], p.size).known
    drawings = [_draw_coefficient_against_pressure(gas, p)] if known_h else []
    deposits = _deposits(document)
    known = [n for n, d in deposits.items() if d.get("local_pressure_Pa")]
    for k, group in enumerate(_panels(deposits, known)):
        figure = canvas(3.9)
        axes = figure.subplots()
        for i, name in group:
            own_p = 1e-5 * array(deposits[name]["local_pressure_Pa"])
            R = band(deposits[name].get("resistance_m2K_W"), own_p.size).scaled(PER_MM2)
            _draw_deposit(axes, _at_end(name, deposits[name]), deposits[name], own_p, R, i)
        axes.set_title("deposit resistance against pressure")
        axes.set_ylabel(_R_LABEL)
        _against(axes, figure)
        caption = (
            "Deposit resistance at the end of each blend's longest burn, with the local static "
            f"pressure as the axis. {_BAND}"
        )
        title, stem = "Deposit resistance against pressure", f"pressure_resistance{_suffix(k)}"
        drawings.append(finish(figure, stem, "gas side", title, caption))
    runs = {n: r for n, r in document["runs"].items() if r.get("local_pressure_Pa")}
    for k, group in enumerate(_panels(document["runs"], runs)):
        figure = canvas(4.4)
        axes = figure.subplots()
        for i, name in group:
            _, own_p, q = _flux(runs[name])
            draw_band(axes, 1e-5 * own_p, q, i, f"{name}, {runs[name].get('blend')}", fill=0.08)
        axes.set_title("heat flux at shutdown against pressure")
        axes.set_ylabel("heat flux at shutdown [MW/m²]")
        _against(axes, figure)
        caption = f"Heat flux at shutdown with the local static pressure as the axis. {_BAND}"
        title, stem = "Heat flux against pressure", f"pressure_heat_flux{_suffix(k)}"
        drawings.append(finish(figure, stem, "gas side", title, caption))
    return drawings


def _draw_coefficient_against_pressure(gas: Document, p: Array) -> Drawing:
    figure = canvas(3.7)
    axes = figure.subplots()
    h = band(gas["coefficient_W_m2K"], p.size)
    draw_band(axes, p, h, 0, "gas-side coefficient, bare wall")
    axes.set_title("gas-side coefficient against pressure")
    axes.set_ylabel("h [W/(m²K)]")
    _against(axes, figure)
    caption = (
        f"The coefficient with the local static pressure as the axis. {_BAND} In a tube of "
        "constant bore the pressure only says where on the tube one is: the coefficient follows "
        "the mass flux, not the local pressure."
    )
    title = "Gas-side coefficient against pressure"
    return finish(figure, "pressure_coefficient", "gas side", title, caption)


def _against(axes: Axes, figure: Figure) -> None:
    axes.set_xlabel("local static pressure [bar abs]")
    axes.set_ylim(bottom=0.0)
    axes.margins(x=0.01)
    legend_below(axes, figure)
