"""Page and figures of a prediction or a what-if, and its answers for the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from wallsim.report.document import READINGS, Document, read_traces
from wallsim.report.pages import filled
from wallsim.report.style import Drawing
from wallsim.report.words import LEVELS, PER_MM2, ZERO_CELSIUS
from wallsim.rounding import AT_ONCE, NOT_ASSESSED, interval_text, load_text, open_text

SOFTENS = "deposit softens"
MOST_ROWS = 40
FEW_ROWS = 12
ANYWHERE = 0.8
"""Share of the tube from which on a stretch is no place."""
NO_LIMIT = "no limit stated"
TOLD = 1.0
"""Discretisation error of a predicted peak from which on it is said [K]."""
LOAD = "limit load over pressure, least"
OF_STRENGTH = (
    "Intervals of the limit load hold what is not known of temperature and pressure, not the doubt "
    "of the strength table itself."
)
MORE_THAN = (
    '"more than": not reached in what was looked at, which ends with the record, at 60 s of burn, '
    "or where the wall leaves the table of its metal; that is no survival."
)


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
    rows, same = _apart(rows)
    return filled(
        "forecast.html", drawings, title=title, basis=basis(document), caution=document["caution"],
        verdict=document["verdict"], levels=LEVELS, alike=same, rows=rows[:MOST_ROWS],
        few=len(rows) <= FEW_ROWS, left_out=max(len(rows) - MOST_ROWS, 0), note=_note(rows),
    )


def _apart(rows: list[dict[str, str]]) -> tuple[list[dict[str, str]], list[str]]:
    """Return the rows without what is alike in all of them, and that in words."""
    keys = list(rows[0])[1:] if len(rows) > 1 else []
    same = [key for key in keys if len({row[key] for row in rows}) == 1]
    return ([{k: v for k, v in row.items() if k not in same} for row in rows],
            [f"{key} {rows[0][key]}" for key in same if rows[0][key] != "-"])


def _note(rows: list[dict[str, str]]) -> str:
    notes = []
    if any("more than" in text for row in rows for text in row.values()):
        notes.append(MORE_THAN)
    if any("(" in row.get(LOAD, "") for row in rows):
        notes.append(OF_STRENGTH)
    return " ".join(notes)


def _celsius(interval: Any) -> str:
    return open_text(interval, 0, -ZERO_CELSIUS)


def _time(interval: Any, passed: str = "above it") -> str:
    if interval and interval["estimate"] is None and not interval["low"]:
        return NOT_ASSESSED
    if interval and interval["estimate"] is not None and interval["estimate"] < AT_ONCE:
        high = interval["high"]
        some = "" if high is not None and high < AT_ONCE else " (not in all draws)"
        return f"{passed} at ignition{some}"
    return open_text(interval, 1)


def prediction_rows(document: Document) -> list[dict[str, str]]:
    """Return one row a run in words."""
    rows, heads = [], _limit_heads(list(document["runs"].values()))
    for name, run in document["runs"].items():
        when, told = run["outside_peak_s"], run["leaves_the_table"]
        rows.append({
            "run": name, "blend": run["blend"],
            "bore peak [°C]": _celsius(run["bore_peak_K"]),
            "outside peak [°C]": _celsius(run["outside_peak_K"]),
            **_limit_cells(run, heads),
            LOAD: load_text(run["survival"]["margin"]),
            **({"draws beyond the metal's table":
                f"{told['draws']} of {told['of']} (from {told['first_s']:.1f} s)"} if told else {}),
            "burn [s]": f"{run['burn_s']:.1f}",
            "bore peak at z [mm]": _hottest_place(run),
            "outside peak at [s]": "-" if when is None else f"{when:.1f}",
        })
    return _even(rows)


def _hottest_place(run: Document) -> str:
    """Return where the bore is hottest [mm]: a place, or the stretch in which it may lie."""
    at, length = f"{1e3 * run['bore_peak_z_m']:.0f}", run["z_m"][-1] - run["z_m"][0]
    low, high = run.get("bore_peak_between_m", (run["bore_peak_z_m"],) * 2)
    if high - low > ANYWHERE * length:
        return "anywhere"
    ends = [f"{1e3 * end:.0f}" for end in (low, high)]
    return at if ends == [at, at] else f"{at} ({ends[0]} to {ends[1]})"


def whatif_rows(document: Document) -> list[dict[str, str]]:
    """Return one row a firing in words: what was asked first, how it is fired last."""
    rows = []
    said = {key for key, values in document["varied"].items() if len(values) > 1}
    heads = _limit_heads(document["firings"])
    for f in document["firings"]:
        times = _limit_cells(f, heads)
        first = [heads["limit"]] if "limit" in f["limits"] else []
        survival = f["survival"]
        deposit = f["deposit_surface_peak_K"]
        rows.append({
            "firing": f["label"],
            **{key: times.pop(key) for key in first},
            f"burn until limit load below {survival['factor']:g} x [s]": (
                _time(survival["below_factor_s"], "below it") if survival["below_factor_s"]
                else NOT_ASSESSED),
            "bore peak [°C]": _celsius(f["bore_peak_K"]),
            LOAD: load_text(survival["margin"]),
            **_measurable(f), **_prior_only(f),
            "outside peak [°C]": _celsius(f["outside_peak_K"]),
            "deposit surface [°C]": _celsius(deposit),
            **times, **_beyond(f, document["draws"]),
            **{key: text for key, text in _state(f).items() if key.split(" [")[0] not in said},
        })
    return _even(rows)


def _limit_heads(firings: list[Document]) -> dict[str, str]:
    """Return the heading of each limit's column, with its temperature where all have the same."""
    heads = {}
    for key in dict.fromkeys(key for f in firings for key in f["limits"]):
        stated = [f["limits"][key]["at_K"] for f in firings if key in f["limits"]]
        alike = key == SOFTENS or len(stated) == len(firings)
        at = {f"{T - ZERO_CELSIUS:.0f}" for T in stated} if alike else set()
        heads[key] = (f"burn until {'your limit' if key == 'limit' else key}"
                      + (f" at {next(iter(at))} °C" if len(at) == 1 else "") + " [s]")
    return heads


def _limit_cells(firing: Document, heads: Mapping[str, str]) -> dict[str, str]:
    """Return the times to limits under their headings; those of a metal may not be stated."""
    cells = {
        heads[key]: _time(limit["time_s"]) for key, limit in firing["limits"].items()}
    missing = {heads[key]: NO_LIMIT for key in heads
               if key not in firing["limits"] and key != SOFTENS}
    return cells | missing


def _state(firing: Document) -> dict[str, str]:
    """Return how a firing is made."""
    return {
        "blend": firing["blend"], "metal": firing["metal"],
        "wall [mm]": f"{1e3 * firing['wall_m']:.2f}", "bore [mm]": f"{1e3 * firing['bore_m']:.1f}",
        "burn [s]": f"{firing['burn_s']:.1f}",
        "pressure [bar abs]": f"{1e-5 * firing['pressure_Pa']:.2f}",
        "firings": str(firing["firings"]),
    }


def _beyond(firing: Document, draws: int) -> dict[str, str]:
    """Return how many draws leave the metal's table, if any does."""
    share = firing["beyond_the_table"]
    return {"draws beyond the metal's table": f"{share * draws:.0f} of {draws}"} if share else {}


def _prior_only(firing: Document) -> dict[str, str]:
    """Return which changes rest on the prior alone, if any does."""
    keys = firing["prior_only"]
    return {"prior only": ", ".join(keys)} if keys else {}


def _measurable(firing: Document) -> dict[str, str]:
    """Return whether the deposit could still be measured in words, if that was asked."""
    found = firing.get("measurable")
    if found is None:
        return {}
    if found["told"] is None:
        return {"deposit measurable": str(found["note"]),
                "mean R as a firing would tell it [mm²K/W]": "-"}
    return {
        "deposit measurable": f"{'yes' if found['told'] else 'no'} "
                              f"({found['standard_deviations']:.1f} sd)",
        "mean R as a firing would tell it [mm²K/W]": interval_text(
            found["mean_resistance_m2K_W"], PER_MM2),
    }


def basis(document: Document) -> str:
    """Return what the answers rest on."""
    rough, only = ("rough ", " only") if document["rough_intervals"] else ("", "")
    where = " at a thermocouple" if "runs" in document else ""
    text = (f"From: {document['from']}; {rough}95 % intervals of {document['draws']} draws{only} "
            f"(an end{where} is uncertain by about {100.0 * document['interval_error']:.0f} % of "
            "its distance from the estimate)")
    text += _discretisation(document)
    if (asked := document.get("measurable")) is not None:
        text += (
            f". Deposit measurable: mean R at shutdown over {asked['standard_deviations']:g} "
            "standard deviations (sd) if fired with the thermocouples of the campaign, R not known "
            "before: its interval is how well one such firing would tell it, not how well it is "
            "known now, least of all beyond the logs (wallsim next says that); noise: "
            f"{asked['noise']}; cost {asked['marches_with_sensitivities']} marches with "
            "sensitivities"
        )
    return f"{text}."


def _discretisation(document: Document) -> str:
    """Return the error of a peak by steps and cells; of a prediction only where it counts."""
    error = document.get("discretisation_error_K")
    if error is None or ("runs" in document and error <= TOLD):
        return ""
    return f"; discretisation error of a peak {'below 0.1' if error < 0.1 else f'{error:.1f}'} K"


def _even(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    keys = dict.fromkeys(key for row in rows for key in row)
    return [{key: row.get(key, "-") for key in keys} for row in rows]


def forecast_text(title: str, rows: list[dict[str, str]], document: Document) -> str:
    """Return verdict and rows for the terminal, one block a row, with what they are based on."""
    rows, same = _apart(rows)
    said = [f"{LEVELS[line['level']]}: {line['text']}" for line in document["verdict"]]
    lines = [title, *said, "", basis(document)]
    if same:
        lines.append(f"Alike in all: {'; '.join(same)}.")
    lines.append("")
    for row in rows[:FEW_ROWS]:
        head, *rest = row.items()
        lines.append(f"{head[0]} {head[1]}")
        lines.extend(f"    {key}: {value}" for key, value in rest)
    if len(rows) > FEW_ROWS:
        where = "result.json" if "runs" in document else "tables/firings.csv"
        lines.append(f"... and {len(rows) - FEW_ROWS} more, in {where}")
    notes = [note] if (note := _note(rows)) else []
    return "\n".join([*lines, "", *notes, document["caution"]]) + "\n"
