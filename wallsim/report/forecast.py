"""Page and figures of a prediction or a what-if, and its answers for the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from wallsim.report.document import READINGS, Document, read_traces
from wallsim.report.pages import filled
from wallsim.report.style import Drawing
from wallsim.rounding import interval_text

ZERO_CELSIUS = 273.15
MOST_ROWS = 40
BEYOND = "beyond the metal's table"


def render_prediction(document: Document, folder: Path) -> tuple[list[Drawing], str]:
    """Return figures and page of a prediction, whose readings are in ``folder``."""
    from wallsim.report.forecast_figures import draw_prediction

    drawings = draw_prediction(document, read_traces(document, folder, READINGS))
    title = f"Prediction: {document['case']['title']}"
    return drawings, _page(document, title, prediction_rows(document), drawings)


def render_whatif(document: Document, folder: Path) -> tuple[list[Drawing], str]:
    """Return figures and page of a what-if."""
    from wallsim.report.forecast_figures import draw_whatif

    drawings = draw_whatif(document)
    return drawings, _page(document, document["title"], whatif_rows(document), drawings)


def _page(
    document: Document, title: str, rows: list[dict[str, str]], drawings: Sequence[Drawing]
) -> str:
    keys = list(rows[0]) if rows else []
    same = [key for key in keys[1:] if len(rows) > 1 and len({row[key] for row in rows}) == 1]
    return filled(
        "forecast.html", drawings, title=title, basis=basis(document), caution=document["caution"],
        alike=[f"{key} {rows[0][key]}" for key in same],
        columns=[key for key in keys if key not in same], rows=rows[:MOST_ROWS],
        left_out=max(len(rows) - MOST_ROWS, 0),
    )


def _text(interval: Any, offset: float = 0.0, digits: int = 0, none: str = "-") -> str:
    """Return an interval in words."""
    if not interval:
        return none
    def one(value: float | None) -> str:
        return "open" if value is None else f"{value + offset:.{digits}f}"

    if interval["estimate"] is None:
        low = interval["low"]
        return none if low is None else f"{none}; lowest of the draws {one(low)}"
    return f"{one(interval['estimate'])} ({one(interval['low'])} to {one(interval['high'])})"


def _time(limit: Document) -> str:
    if limit["time_s"]["estimate"] is None:
        return str(limit["note"] or "not reached")
    return _text(limit["time_s"], digits=1)


def _margin(survival: Document) -> str:
    if not survival["assessed"]:
        return str(survival["note"])
    margin = survival["margin"]
    return interval_text(margin)


def _beyond(firing: Document) -> dict[str, str]:
    """Return which share of the draws is hotter than the metal's table reaches, if any is."""
    share = firing["beyond_the_table"]
    return {"draws beyond the metal's table": f"{100.0 * share:.0f} %"} if share else {}


def prediction_rows(document: Document) -> list[dict[str, str]]:
    """Return one row a run in words."""
    rows = []
    for name, run in document["runs"].items():
        rows.append({
            "run": name, "blend": run["blend"], "burn [s]": f"{run['burn_s']:.1f}",
            "bore peak [°C]": _text(run["bore_peak_K"], -ZERO_CELSIUS, none=BEYOND),
            "bore peak at z [mm]": f"{1e3 * run['bore_peak_z_m']:.0f}",
            "outside peak [°C]": _text(run["outside_peak_K"], -ZERO_CELSIUS, none=BEYOND),
            "outside peak at [s]": f"{run['outside_peak_s']:.1f}",
            "limit load over pressure, least": _margin(run["survival"]),
            **_beyond(run),
        })
    return _even(rows)


def whatif_rows(document: Document) -> list[dict[str, str]]:
    """Return one row a firing in words."""
    rows = []
    for f in document["firings"]:
        name = f["name"] or f["blend"]
        times = {
            f"burn until {'your limit' if key == 'limit' else key} [s]": _time(limit)
            for key, limit in f["limits"].items()
        }
        survival = f["survival"]
        ends = (survival["table_ends_s"] or {}).get("estimate")
        never = "not reached"
        if ends is not None:
            never = f"not before the metal's table ends at {ends:.1f}"
        below = _text(survival["below_factor_s"], digits=1, none=never)
        rows.append({
            "firing": name, "blend": f["blend"], "metal": f["metal"],
            "wall [mm]": f"{1e3 * f['wall_m']:.2f}", "bore [mm]": f"{1e3 * f['bore_m']:.1f}",
            "burn [s]": f"{f['burn_s']:.1f}",
            "pressure [bar abs]": f"{1e-5 * f['pressure_Pa']:.2f}",
            "firings": str(f["firings"]),
            "bore peak [°C]": _text(f["bore_peak_K"], -ZERO_CELSIUS, none=BEYOND),
            "outside peak [°C]": _text(f["outside_peak_K"], -ZERO_CELSIUS, none=BEYOND),
            "deposit surface [°C]": _text(
                f["deposit_surface_peak_K"], -ZERO_CELSIUS,
                none=BEYOND if f["deposit_surface_peak_K"] else "bare"),
            **times,
            "limit load over pressure, least": _margin(survival),
            f"burn until below {survival['factor']:g} x [s]": (
                below if survival["assessed"] else "not assessed"),
            **_measurable(f),
            **_beyond(f),
        })
    return _even(rows)


def _measurable(firing: Document) -> dict[str, str]:
    """Return whether the deposit could still be measured in words, if that was asked."""
    found = firing.get("measurable")
    if found is None:
        return {}
    if found["told"] is None:
        return {"mean R, as it would be measured [mm²K/W]": "-",
                "deposit measurable": str(found["note"])}
    R = interval_text(found["mean_resistance_m2K_W"], 1e6)
    return {
        "mean R, as it would be measured [mm²K/W]": R,
        "deposit measurable": f"{'yes' if found['told'] else 'no'} "
                              f"({found['standard_deviations']:.1f} sd)",
    }


def basis(document: Document) -> str:
    """Return what the answers rest on."""
    text = f"From: {document['from']}; 95 % intervals of {document['draws']} draws"
    if (error := document.get("discretisation_error_K")) is not None:
        size = "below 0.1" if error < 0.1 else f"{error:.1f}"
        text += f"; discretisation error of a peak {size} K"
    if (asked := document.get("measurable")) is not None:
        text += (
            f". Deposit measurable: mean R at shutdown over {asked['standard_deviations']:g} "
            "standard deviations (sd) if fired with the thermocouples of the campaign, R not known "
            f"before; noise: {asked['noise']}; cost {asked['marches_with_sensitivities']} marches "
            "with sensitivities"
        )
    return f"{text}."


def _even(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    keys = dict.fromkeys(key for row in rows for key in row)
    return [{key: row.get(key, "-") for key in keys} for row in rows]


def forecast_text(title: str, rows: list[dict[str, str]], document: Document) -> str:
    """Return the rows for the terminal, one block a row, with what they are based on."""
    lines = [title, basis(document), ""]
    for row in rows[:MOST_ROWS]:
        head, *rest = row.items()
        lines.append(f"{head[0]} {head[1]}")
        lines.extend(f"    {key}: {value}" for key, value in rest)
    if len(rows) > MOST_ROWS:
        lines.append(f"... and {len(rows) - MOST_ROWS} more, in tables/firings.csv")
    return "\n".join([*lines, "", document["caution"]]) + "\n"
