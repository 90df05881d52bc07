"""A raw log file to channels in SI on one clock, with a message for all that is wrong with it."""

from __future__ import annotations

import difflib
import hashlib
import io
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from wallsim.case.model import LogFormat
from wallsim.errors import LogError
from wallsim.logs.cadence import own_scans
from wallsim.logs.clock import count_lost, is_stamp, is_time_name, stamps_to_seconds
from wallsim.logs.columns import Kind, Unit, find_unit, to_numbers, to_si_readings
from wallsim.logs.layout import DELIMITER_WORDS, Layout, decode, find_layout
from wallsim.logs.model import Array, Log

FEWEST_SCANS = 20

SHORTEST_RECORD = 1.0
"""A clock without a unit that runs for less is not in seconds [s]."""

_ASSUMED: dict[Kind, Unit] = {
    "temperature": Unit("temperature", "degC"),
    "pressure": Unit("pressure", "bar", "gauge"),
    "time": Unit("time", "s"),
}
_EXAMPLES: dict[Kind, str] = {
    "temperature": "degC, degF or K",
    "pressure": "bar, kPa, MPa, Pa, mbar or psi",
    "time": "s, ms or min",
}


@dataclass(frozen=True, slots=True)
class _Source:
    """One file on its way in: how to name it, its layout and what the user told."""

    name: str
    layout: Layout
    told: LogFormat
    table: pd.DataFrame


def read_log(
    path: Path,
    layout: LogFormat,
    *,
    temperatures: tuple[str, ...],
    pressures: tuple[str, ...],
    absent: tuple[str, ...] = (),
    line: str = "",
) -> Log:
    """Return one log in SI: the clock and the channels asked for.

    Parameters
    ----------
    path : Path
    layout : LogFormat
        What the user stated; the rest is found out and said in ``assumptions``.
    temperatures, pressures : tuple of str
        Columns wanted, by name without unit or by the whole heading; case does not matter. The
        channels of the result carry the names as asked.
    absent : tuple of str
        Of these, the ones that the log need not have.
    line : str
        Where the case names this log (``file:line: key``), put before a message that the file
        cannot be found.

    Raises
    ------
    LogError
        One line for each fault: file, row or channel, what was found, what to do.
    """
    name = _shown(path)
    data = _read_bytes(path, name, line)
    text, encoding = decode(data, layout.encoding, name)
    found = find_layout(text, encoding, layout, name)
    source = _Source(name, found, layout, _table(found, name))
    if len(found.rows) < FEWEST_SCANS:
        raise LogError(
            f"{name}: {len(found.rows)} scans, at least {FEWEST_SCANS} are needed; "
            f"check that the recorder ran through the firing"
        )
    notes = [_describe(found), *found.remarks]
    columns, faults = _find_columns(source, (*temperatures, *pressures), temperatures, absent)
    t, clock, channels, zeros = _read_all(source, columns, pressures, notes, faults)
    if faults:
        raise LogError("\n".join(faults))
    for values in (t, *channels.values()):
        values.setflags(write=False)
    digest = hashlib.sha256(data).hexdigest()
    odd = tuple(c for w, at in columns.items() if (c := _unit_contradiction(source, w, at)))
    return Log(path, digest, t, channels, tuple(notes), count_lost(t), zeros, odd, clock)


def _read_all(
    source: _Source, columns: dict[str, int], pressures: tuple[str, ...], notes: list[str],
    faults: list[str],
) -> tuple[Array, str, dict[str, Array], dict[str, str]]:
    """Return clock and its unit, channels, zeros of pressures; add what is wrong to ``faults``."""
    t, clock = np.empty(0), ""
    try:
        t, clock = _read_clock(source, notes)
    except LogError as error:
        faults.append(str(error))
    channels: dict[str, Array] = {}
    zeros: dict[str, str] = {}
    for wanted, at in columns.items():
        kind: Kind = "pressure" if wanted in pressures else "temperature"
        try:
            unit = _unit(source, wanted, at, kind, notes)
            channels[wanted] = _read_channel(source, wanted, at, unit, notes)
        except LogError as error:
            faults.append(str(error))
            continue
        if kind == "pressure":
            zeros[wanted] = unit.relative
    return t, clock, channels, zeros


def _shown(path: Path) -> str:
    """Return the path as a person at this prompt would write it."""
    try:
        return str(path.resolve().relative_to(Path.cwd()))
    except ValueError:
        return str(path)


def _read_bytes(path: Path, name: str, line: str) -> bytes:
    before = f"{line}: " if line else ""
    try:
        data = path.read_bytes()
    except FileNotFoundError as error:
        folder = path.parent
        near = difflib.get_close_matches(
            path.name, sorted(p.name for p in folder.iterdir()) if folder.is_dir() else [], n=1
        )
        hint = f"did you mean {near[0]!r}? " if near else ""
        raise LogError(
            f"{before}{name}: there is no such log; {hint}correct the path in the run's 'log'"
        ) from error
    except OSError as error:
        raise LogError(
            f"{before}{name}: cannot be read ({error.strerror}); check the path and its permissions"
        ) from error
    if not data.strip(b" \t\r\n\x00"):
        raise LogError(f"{name}: the log is empty; check that the recorder wrote it")
    return data


def _table(layout: Layout, name: str) -> pd.DataFrame:
    """Return all entries as text, one column a heading."""
    size = len(layout.headings)
    try:
        table = pd.read_csv(
            io.StringIO("\n".join(layout.lines)),
            sep="\t" if layout.delimiter == " " else layout.delimiter,
            header=None,
            names=list(range(size)),
            index_col=False,
            dtype=str,
            na_filter=False,
            skip_blank_lines=False,
            skipinitialspace=layout.delimiter != "\t",
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise LogError(f"{name}: cannot be taken apart into columns ({error})") from error
    return table.fillna("")


def _describe(layout: Layout) -> str:
    delimiter = DELIMITER_WORDS.get(layout.delimiter, repr(layout.delimiter))
    sign = "comma" if layout.decimal == "," else "point"
    return (
        f"{layout.encoding} text, {delimiter} between entries, decimal {sign}, "
        f"header in line {layout.header_row}"
    )


def _key(text: str) -> str:
    return " ".join(text.casefold().split())


def _matches(source: _Source, wanted: str) -> list[int]:
    """Return the columns that answer to a name."""
    key = _key(wanted)
    headings = source.layout.headings
    exact = [at for at, heading in enumerate(headings) if _key(heading.text) == key]
    return exact or [at for at, heading in enumerate(headings) if _key(heading.name) == key]


def _find_columns(
    source: _Source, wanted: tuple[str, ...], temperatures: tuple[str, ...] = (),
    absent: tuple[str, ...] = (),
) -> tuple[dict[str, int], list[str]]:
    """Return the column of each channel, and what is wrong with those missing or there twice."""
    where = f"{source.name}:{source.layout.header_row}"
    names = [heading.name for heading in source.layout.headings if heading.name]
    columns: dict[str, int] = {}
    faults: list[str] = []
    for channel in wanted:
        found = _matches(source, channel)
        if len(found) == 1:
            columns[channel] = found[0]
        elif found:
            faults.append(
                f"{where}: {channel}: {len(found)} columns have this name; rename one of them, "
                f"or ask for the whole heading with its unit"
            )
        elif channel not in absent:
            near = _nearest(channel, names)
            hint = f"did you mean {near!r}? " if near else ""
            faults.append(
                f"{where}: {channel}: no such column; {hint}columns are {', '.join(names)}; a "
                "thermocouple that was not recorded is taken out of the run with exclude"
                if channel in temperatures else
                f"{where}: {channel}: no such column; {hint}columns are {', '.join(names)}"
            )
    return columns, faults


def _nearest(channel: str, names: list[str]) -> str:
    """Return the column most like a name that is not there, or the only one with it as a word."""
    lowered = {name.casefold(): name for name in names}
    near = difflib.get_close_matches(channel.casefold(), lowered, n=1)
    if near:
        return lowered[near[0]]
    word = rf"(?<![^\W_]){re.escape(channel.casefold())}(?![^\W_])"
    holding = [name for key, name in lowered.items() if re.search(word, key)]
    return holding[0] if len(holding) == 1 else ""


def _told_unit(source: _Source, names: tuple[str, ...]) -> str | None:
    told = {_key(key): unit for key, unit in source.told.units.items()}
    return next((told[_key(name)] for name in names if _key(name) in told), None)


def _unit(source: _Source, wanted: str, at: int, kind: Kind, notes: list[str]) -> Unit:
    """Return the unit of a column: from the header, else as told, else assumed and noted.

    Raises
    ------
    LogError
        If the unit measures something else or is unknown.
    """
    heading = source.layout.headings[at]
    names = (wanted, heading.name, heading.text, *(("*",) if kind == "temperature" else ()))
    told = _told_unit(source, names)
    written = find_unit(heading.unit) if heading.unit else None
    if written and written.kind == kind:
        return written
    if told is not None:
        unit = find_unit(told)
        if unit and unit.kind == kind:
            return unit
        raise LogError(
            f"{source.name}: {wanted}: {told!r} in the units of the logs is not a {kind}; "
            f"state {_EXAMPLES[kind]}"
        )
    if heading.unit:
        raise LogError(
            f"{source.name}:{source.layout.header_row}: {wanted}: the unit {heading.unit!r} is not "
            f"one of a {kind}; correct the header, or state {_EXAMPLES[kind]} in the units of logs"
        )
    assumed = _ASSUMED[kind]
    notes.append(
        f"{wanted}: no unit in the header, {assumed.name} {assumed.relative}".strip() + " assumed"
    )
    return assumed


def _entries_fault(source: _Source, channel: str, at: int, wrong: np.ndarray, what: str) -> str:
    """Return the message for entries that are not what the column holds."""
    row = source.layout.rows[int(wrong[0])]
    entry = str(source.table.iloc[int(wrong[0]), at]).strip()
    more = f" (and {wrong.size - 1} more in this column)" if wrong.size > 1 else ""
    return (
        f"{source.name}:{row}: {channel}: found {entry!r} where {what} belongs{more}; "
        f"correct the entry or leave it empty"
    )


def _unit_contradiction(source: _Source, wanted: str, at: int) -> str:
    """Return where the case states another unit for a column than its heading; empty if not."""
    heading = source.layout.headings[at]
    told = _told_unit(source, (wanted, heading.name, heading.text))
    written, stated = find_unit(heading.unit), find_unit(told) if told else None
    if stated is None or written is None or written.kind is None:
        return ""
    relative = {written.relative, stated.relative} - {""}
    if written.name == stated.name and len(relative) < 2:
        return ""
    return (
        f"{source.name}:{source.layout.header_row}: {wanted}: the heading says {heading.unit}, "
        f"units under [log] {told}; the heading was taken: remove one of the two"
    )


def _read_channel(source: _Source, wanted: str, at: int, unit: Unit, notes: list[str]) -> Array:
    """Return one channel in SI, NaN where there is no reading."""
    numbers, wrong = to_numbers(source.table[at], source.layout.decimal)
    if wrong.size:
        raise LogError(_entries_fault(source, wanted, at, wrong, "a number"))
    if words := _words_for_none(source, at, numbers):
        notes.append(f"{wanted}: {words} taken as no reading")
    values = to_si_readings(numbers, unit)
    dropped = int(np.sum(np.isnan(values) & np.isfinite(numbers)))
    if dropped:
        notes.append(f"{wanted}: {dropped} entries that no sensor reads taken as no reading")
    if unit.kind == "temperature" and (own := own_scans(values)) is not None:
        held = np.ones(values.size, dtype=np.bool_)
        held[own] = False
        values[held] = np.nan
        notes.append(f"{wanted}: a reading every {np.median(np.diff(own)):.0f} scans, held between")
    if unit.kind == "pressure":
        if np.isnan(values).all():
            raise LogError(
                f"{source.name}: {wanted}: no reading in the whole log; name another pressure "
                f"channel, or state ignition and shutdown of this run"
            )
        if unit.relative:
            notes.append(f"{wanted}: in {unit.name} {unit.relative}")
    return values


def _words_for_none(source: _Source, at: int, numbers: Array) -> str:
    """Return the words that stand for no reading in a column, less blanks and nan."""
    entries = source.table[at][np.isnan(numbers)].str.strip()
    words = dict.fromkeys(word for word in entries if re.search("[A-Za-z]", word))
    return ", ".join(repr(word) for word in words if "nan" not in word.casefold())


def _clock_column(source: _Source) -> int:
    """Return the time column: as told, else the first so called, else the first."""
    told = source.told.time
    if told is not None:
        columns, faults = _find_columns(source, (told,))
        if faults:
            raise LogError(f"{faults[0]}; correct 'time' under [log]")
        return columns[told]
    headings = source.layout.headings
    return next((at for at, heading in enumerate(headings) if is_time_name(heading.name)), 0)


def _read_clock(source: _Source, notes: list[str]) -> tuple[Array, str]:
    """Return the log clock [s], strictly increasing, and its unit; no unit for stamps."""
    at = _clock_column(source)
    heading = source.layout.headings[at]
    name = heading.name or "time"
    entries = source.table[at]
    stamped, taken = is_stamp(str(entries.iloc[0]).strip()), ""
    if stamped:
        t, wrong = stamps_to_seconds(entries)
        notes.append(f"clock from {name!r}: stamps turned into seconds since the first scan")
    else:
        unit = _unit(source, name, at, "time", notes)
        numbers, wrong = to_numbers(entries, source.layout.decimal)
        t = to_si_readings(numbers, unit)
        taken = unit.name
        notes.append(f"clock from {name!r} in {taken}")
        empty = np.flatnonzero(np.isnan(t))
        wrong = wrong if wrong.size else empty
    if wrong.size:
        raise LogError(_entries_fault(source, name, at, wrong, "a time"))
    assumed = not (stamped or heading.unit or _told_unit(source, (name, heading.text)))
    if assumed and t[-1] - t[0] < SHORTEST_RECORD:
        first, last = (str(entries.iloc[k]).strip() for k in (0, -1))
        raise LogError(
            f"{source.name}:{source.layout.header_row}: {name}: runs from {first} to {last} "
            f"without a unit, {t[-1] - t[0]:.2g} s if it is in s; state it under [log], for "
            f'example units = {{ "{name}" = "min" }} (ms, s, min, h or day)'
        )
    back = np.flatnonzero(np.diff(t) <= 0.0)
    if back.size:
        _refuse_clock(source, name, at, int(back[0]), t)
    return t, taken


def _refuse_clock(source: _Source, name: str, at: int, before: int, t: Array) -> None:
    """Raise for a clock that stands still or runs backwards after scan ``before``."""
    row = source.layout.rows[before + 1]
    first, second = (str(source.table.iloc[k, at]).strip() for k in (before, before + 1))
    if t[before + 1] == t[before]:
        raise LogError(
            f"{source.name}:{row}: {name}: time repeats ({first}, then {second}); "
            f"export the clock with enough decimals, or delete the row"
        )
    raise LogError(
        f"{source.name}:{row}: {name}: time runs backwards ({first}, then {second}); "
        f"correct the clock from this row on, split the log here if a second record begins, or "
        f"name another time column"
    )
