"""What a tired engineer reads on the terminal: the verdict first, ten seconds in all."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table
from rich.text import Text

from wallsim.report.document import Document, array, number
from wallsim.report.words import (
    NOT_IDENTIFIABLE,
    PER_MM2,
    celsius,
    channel_counts,
    coefficient_at,
    deposit_text,
    faulty_channels,
    fixed,
    interval_text,
    limits_text,
    stations,
)

_MOST_FAULTS = 8


def summary(document: Document, console: Console, folder: Path | None = None) -> None:
    """Print the result of a fit on ``console``; fits 80 columns.

    Parameters
    ----------
    document : mapping
        Schema ``wallsim.fit/1``.
    console : Console
    folder : Path, optional
        Where the report was written.
    """
    _line(console, str(document["case"].get("title") or "untitled campaign"), "bold")
    _print_verdict(document, console)
    _print_deposits(document, console)
    _print_coefficient(document, console)
    _print_runs(document, console)
    if folder is not None:
        _line(console, "")
        _line(console, f"Report: {Path(folder) / 'report.html'}", "bold", wrap=False)


def _said(text: str, console: Console) -> str:
    """Return ``text`` in characters that the terminal can show."""
    try:
        text.encode(console.encoding)
    except UnicodeEncodeError:
        text = text.replace("²", "^2").replace("µ", "u").replace("°", "deg")
        return text.encode(console.encoding, "replace").decode(console.encoding)
    return text


def _line(console: Console, text: str, style: str = "", wrap: bool = True) -> None:
    console.print(Text(_said(text, console), style=style), soft_wrap=not wrap, highlight=False)


def _grid(console: Console, rows: list[tuple[Text, str]]) -> None:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    for head, text in rows:
        grid.add_row(Text(_said(head.plain, console), head.style), Text(_said(text, console)))
    console.print(grid)


def _print_verdict(document: Document, console: Console) -> None:
    words = {
        "good": ("GOOD", "bold green"),
        "note": ("NOTE", "bold"),
        "warning": ("WARNING", "bold yellow"),
        "bad": ("PROBLEM", "bold red"),
    }
    rows = []
    for item in document.get("verdict") or []:
        word, style = words.get(item.get("level", "note"), words["note"])
        rows.append((Text(word, style), str(item.get("text", ""))))
    if rows:
        _grid(console, rows)


def _table(console: Console, columns: list[str], left: int) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for i, column in enumerate(columns):
        table.add_column(
            Text(_said(column, console)),
            justify="left" if i < left else "right",
            overflow="fold",
        )
    return table


def _print_deposits(document: Document, console: Console) -> None:
    deposits = {n: b["deposit"] for n, b in document["blends"].items() if b.get("deposit")}
    _line(console, "")
    if not deposits:
        _line(console, "No blend was given a deposit: only the gas side was determined.")
        return
    _line(console, "Deposit, mean of the tube, 95 % intervals", "bold")
    columns = ["blend", "at s", "R mm²K/W", "heat kept out %", "thickness µm"]
    table = _table(console, columns, left=1)
    notes: list[tuple[Text, str]] = []
    for name, deposit in deposits.items():
        label, at = Text(_said(name, console)), fixed(deposit.get("at_s"), 1)
        R = deposit_text(deposit, "mean_resistance_m2K_W", PER_MM2)
        if R == NOT_IDENTIFIABLE:
            table.add_row(label, at, R, "-", "-")
        else:
            removed = deposit_text(deposit, "heat_load_removed", 100.0)
            thickness = deposit_text(deposit, "mean_thickness_m", 1e6)
            table.add_row(label, at, R, removed, thickness)
        if deposit.get("reason"):
            notes.append((Text(name, "bold"), str(deposit["reason"])))
        if limits := limits_text(deposit):
            notes.append((Text(name, "bold"), f"limited by {limits}"))
    console.print(table)
    if notes:
        _grid(console, notes)


def _print_coefficient(document: Document, console: Console) -> None:
    gas = document["gas_side"]
    places = [z for _, z in stations(document)] or list(array(gas["z_m"]))
    if not places:
        return
    some = sorted({places[0], places[len(places) // 2], places[-1]})
    bar = fixed(gas.get("reference_pressure_Pa"), 2, 1e-5)
    _line(console, "")
    _line(console, f"Gas side, bare wall at {bar} bar abs, h in W/(m²K)", "bold")
    rows = [
        (Text(f"z {1e3 * z:.0f} mm"), interval_text(coefficient_at(document, float(z))))
        for z in some
    ]
    _grid(console, rows)


def _print_runs(document: Document, console: Console) -> None:
    _line(console, "")
    _line(console, "Runs", "bold")
    columns = ["run", "blend", "burn s", "heating factor", "hottest bore °C", "channels"]
    table = _table(console, columns, left=2)
    for name, run in document["runs"].items():
        used, total = channel_counts(run)
        peak = run.get("bore_peak_K") or {}
        half = 0.5 * (number(peak.get("high")) - number(peak.get("low")))
        bore = celsius(peak.get("estimate"))
        bore = f"{bore} +- {half:.0f}" if np.isfinite(half) else bore
        factor = interval_text(run.get("heating_factor"))
        table.add_row(
            Text(_said(name, console)),
            Text(_said(str(run.get("blend")), console)),
            fixed(run.get("burn_s"), 1),
            factor,
            bore,
            f"{used}/{total}",
        )
    console.print(table)
    faults = faulty_channels(document)
    rows = [
        (Text(f"{run} {sensor}", "bold"), f"{verdict}, {use}" + (f": {why}" if why else ""))
        for run, sensor, verdict, use, why in faults[:_MOST_FAULTS]
    ]
    if rows:
        _line(console, "Channels not in order", "bold")
        _grid(console, rows)
    if len(faults) > _MOST_FAULTS:
        _line(console, f"and {len(faults) - _MOST_FAULTS} more: see the report")
