"""What a tired engineer reads on the terminal: the verdict first, ten seconds in all."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from wallsim.report.document import Document, array, band
from wallsim.report.other_intervals import summary_lines
from wallsim.report.words import (
    PER_MM2,
    USED,
    ZERO_CELSIUS,
    Fault,
    beyond_text,
    channel_counts,
    channel_faults,
    coefficient_at,
    counts_text,
    deposit_text,
    has_limit,
    limit_celsius,
    limits_text,
    shown,
    stations,
    stretch_text,
)
from wallsim.rounding import NOT_IDENTIFIABLE, fixed, interval_text, significant

_MOST_LOST = 8
_MOST_MARKED = 3


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
    said = "\n".join(str(item.get("text", "")) for item in document.get("verdict") or [])
    _print_deposits(document, console, said)
    _print_coefficient(document, console)
    _print_runs(document, console)
    _print_faults(document, console, said)
    _print_fit(document, console)
    for line in summary_lines(document):
        _line(console, line)
    if folder is not None:
        _line(console, "")
        _line(console, f"Report: {Path(folder) / 'report.html'}", "bold", wrap=False)


def _said(text: str, console: Console) -> str:
    """Return ``text`` in characters that the terminal can show."""
    try:
        text = shown(text)
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


def _print_deposits(document: Document, console: Console, said: str) -> None:
    """Print one row a blend, and below it what the verdict has not ``said`` already."""
    deposits = {n: b["deposit"] for n, b in document["blends"].items() if b.get("deposit")}
    _line(console, "")
    if not deposits:
        _line(console, "No blend was given a deposit: only the gas side was determined.")
        return
    _line(console, f"Deposit, mean {stretch_text(document)}, 95 % intervals", "bold")
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
        reason, limits = str(deposit.get("reason") or ""), limits_text(deposit)
        if reason and reason not in said:
            notes.append((Text(name, "bold"), reason))
        if limits and not _already(said, name, deposit):
            notes.append((Text(name, "bold"), f"limited by {limits}"))
    console.print(table)
    if notes:
        _grid(console, notes)


def _already(said: str, name: str, deposit: Document) -> bool:
    """Return whether the line of ``name`` has named what limits its resistance."""
    first = str(deposit["dominated_by"][0]["parameter"])
    return any(line.startswith(f"{name}:") and first in line for line in said.splitlines())


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


def _plus_minus(interval: Mapping[str, Any] | None, decimals: int, shift: float = 0.0) -> str:
    """Return ``"707 +- 12"``; a value that was held fixed stands alone."""
    b = band(interval)
    half = 0.5 * float(b.high - b.low)
    text = fixed(float(b.estimate) + shift, decimals)
    return f"{text} +- {half:.{decimals}f}" if half > 0.0 else text


def _print_runs(document: Document, console: Console) -> None:
    """Print one row a run."""
    _line(console, "")
    _line(console, "Runs (+- is half of the 95 % interval)", "bold")
    totals = {channel_counts(run)[2] for run in document["runs"].values()}
    used = f"used of {totals.pop()}" if len(totals) == 1 else "channels used"
    columns = ["run", "blend", "burn s", "heating factor", "hottest bore °C", used]
    limited = has_limit(document)
    columns += [f"{limit_celsius(document)} at s"] * limited
    table = _table(console, columns, left=2)
    for name, run in document["runs"].items():
        table.add_row(
            Text(_said(name, console)),
            Text(_said(str(run.get("blend")), console)),
            fixed(run.get("burn_s"), 1),
            _plus_minus(run.get("heating_factor"), 3),
            _plus_minus(run.get("bore_peak_K"), 0, -ZERO_CELSIUS),
            counts_text(run),
            *[fixed((run.get("time_to_limit_s") or {}).get("estimate"), 1)] * limited,
        )
    console.print(table)
    if limited:
        _line(console, f"{limit_celsius(document)} at s: when the hottest bore would reach it if "
                       "the burn went on.")
        for note, names in _limit_notes(document).items():
            _line(console, f"{', '.join(names)}: {note}")
    if beyond := beyond_text(document):
        _line(console, beyond)


def _limit_notes(document: Document) -> dict[str, list[str]]:
    """Return why there is no time to the limit, with the runs it holds for."""
    notes: dict[str, list[str]] = {}
    for name, run in document["runs"].items():
        if run.get("time_to_limit_note") and not run.get("time_to_limit_s"):
            notes.setdefault(str(run["time_to_limit_note"]), []).append(name)
    return notes


def _print_fit(document: Document, console: Console) -> None:
    """Print how well the fit closed, with the misfit that its progress line showed."""
    fit = document.get("fit") or {}
    if fit.get("evaluations") is None or fit.get("blocks") is None:
        return
    chi2 = significant(fit.get("reduced_chi2"))
    misfit = f"misfit {fit['misfit']:.4g} over " if fit.get("misfit") is not None else ""
    rms = [c["rms_K"] for run in document["runs"].values() for c in run["channels"].values()
           if c.get("rms_K") is not None]
    missed = f", traces missed by {min(rms):.2f} to {max(rms):.2f} K rms" if rms else ""
    _line(console, f"Fit: {fit['evaluations']} evaluations, {misfit}{fit['blocks']} block means "
                   f"({chi2} each, by the noise found){missed}, {fixed(fit.get('seconds'), 0)} s")


def _print_faults(document: Document, console: Console, said: str) -> None:
    """Print what was lost first; channels only marked share a line where they are many."""
    faults = [f for f in (_unsaid(f, said) for f in channel_faults(document)) if f.sensors]
    lost = [f for f in faults if f.use != USED]
    marked = [f for f in faults if f.use == USED]
    rows = [_fault_row(f) for f in lost[:_MOST_LOST]]
    if len(lost) > _MOST_LOST:
        rows.append((Text("and"), f"{len(lost) - _MOST_LOST} more lost: see the report"))
    if sum(len(f.sensors) for f in marked) <= _MOST_MARKED:
        rows += [_fault_row(f) for f in marked]
    else:
        counts: Counter[str] = Counter()
        for f in marked:
            counts[f.verdict] += len(f.sensors)
        rows += [
            (Text(verdict, "bold"), f"{n} channels, used all the same: see the report")
            for verdict, n in counts.items()
            if not _counted(verdict, n, said)
        ]
    if rows:
        _line(console, "Channels not in order", "bold")
        _grid(console, rows)


def _counted(verdict: str, n: int, said: str) -> bool:
    """Return whether the verdict has counted the channels with this finding already."""
    return f"{n} channels" in said or (
        verdict == "spikes" and re.search(r"[Ss]pikes were masked in", said) is not None
    )


def _unsaid(fault: Fault, said: str) -> Fault:
    """Return ``fault`` without the sensors that a line of the verdict names with its reason."""

    def told(sensor: str) -> bool:
        name = re.compile(rf"(?<!\w){re.escape(f'{sensor} in {fault.run}')}(?!\w)")
        parts = fault.reason.split("; ")
        return any(
            name.search(line) and any(part in line for part in parts) for line in said.splitlines()
        )

    return replace(fault, sensors=tuple(s for s in fault.sensors if not told(s)))


def _fault_row(fault: Fault) -> tuple[Text, str]:
    text = f"{fault.verdict}, {fault.use}"
    head = Text(f"{fault.run} {', '.join(fault.sensors)}", "bold")
    return head, f"{text}: {fault.reason}" if fault.reason else text
