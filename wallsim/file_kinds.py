"""Which kind of file one seems to be, and which command takes it: for those given to another."""

from __future__ import annotations

import codecs
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from wallsim.toml_lines import KeyPath

CASE, PLAN, WHAT_IF, NEXT, METAL = (
    "case file", "plan", "what-if file", "question of a next firing", "material file")

TAKES = {
    CASE: "wallsim fit, check, predict and whatif take it",
    PLAN: "wallsim place, predict and whatif take it",
    WHAT_IF: "wallsim whatif takes it",
    NEXT: "wallsim next takes it",
    METAL: "tube.material of a case file names it",
}
"""What each kind is for."""

_NAMES = {
    "case.toml": "case file or plan: name it with the command that takes it",
    "whatif.toml": f"{WHAT_IF}: {TAKES[WHAT_IF]}",
    "next.toml": f"{NEXT}: {TAKES[NEXT]}",
    "result.json": "result: wallsim report shows it again, and --from starts from a fit's",
}

_TELLING = {
    PLAN: ("plan", "thermocouple"),
    WHAT_IF: ("base", "vary", "variant", "measurable", "draws"),
    NEXT: ("decision", "new"),
    METAL: ("density", "specific_heat", "conductivity"),
}
_OF_A_RUN = {CASE: ("log",), PLAN: ("burn", "cool_down", "repeats")}

_STARTS = {
    b"\x89PNG": "a picture", b"\xff\xd8\xff": "a picture", b"GIF8": "a picture",
    b"%PDF": "a PDF", b"PK\x03\x04": "a spreadsheet or zip file",
}
"""First bytes of common files."""
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?")
_LOOKED_AT, _BYTES = 40, 4096
_NAMED = 4
_MOSTLY = 0.5


def other_kind(data: Mapping[str, Any], wanted: str) -> tuple[KeyPath, str] | None:
    """Return what gives a file away as of another kind, and that kind; None if nothing does.

    A file with keys of two kinds is taken to be the one that is wanted, with faults.

    Parameters
    ----------
    data : mapping
        Content of the file.
    wanted : str
        Kind that a command takes.
    """
    found: dict[str, KeyPath] = {}
    for kind, place in _signs(data):
        found.setdefault(kind, place)
    if not found or wanted in found or len(found) > 1:
        return None
    kind, place = next(iter(found.items()))
    allowed = (wanted, kind) == (WHAT_IF, CASE) or (kind == METAL and "tube" in data)
    return None if allowed else (place, kind)


def _signs(data: Mapping[str, Any]) -> Iterator[tuple[str, KeyPath]]:
    for kind, keys in _TELLING.items():
        for key in keys:
            if key in data:
                yield kind, (key,)
                break
    runs = data.get("run")
    for i, run in enumerate(runs if isinstance(runs, list) else ()):
        for kind, keys in _OF_A_RUN.items():
            for key in keys:
                if isinstance(run, dict) and key in run:
                    yield kind, ("run", i, key)


def is_record(text: str) -> bool:
    """Return whether a text is a table of numbers, as loggers write them."""
    rows = [row for row in text.splitlines() if row.strip()][:_LOOKED_AT]
    return sum(_of_numbers(row) for row in rows) > _MOSTLY * len(rows)


def not_text(data: bytes) -> str:
    """Return what a file of bytes that are no text looks like; empty if like text."""
    for start, what in _STARTS.items():
        if data.startswith(start):
            return what
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    return "a binary file" if b"\0" in data[:_BYTES] and not wide else ""


def is_prose(path: Path, text: str) -> bool:
    """Return whether a file that is not TOML is none by its name and its first line either."""
    rows = (row.strip() for row in text.splitlines())
    first = next((row for row in rows if row and not row.startswith("#")), "")
    return path.suffix.lower() != ".toml" and "=" not in first and not first.startswith("[")


def _of_numbers(row: str) -> bool:
    for delimiter in ";\t,":
        entries = [entry.strip() for entry in row.split(delimiter)]
        if len(entries) > 1:
            numbers = sum(_NUMBER.fullmatch(entry) is not None for entry in entries)
            return numbers > _MOSTLY * len(entries)
    return False


def beside(path: Path) -> str:
    """Return which TOML files the folder of a missing file holds, ours first; empty if none."""
    held = [f"{name}, a {what}" for name, what in _NAMES.items()
            if name != path.name and (path.parent / name).is_file()]
    if not held and path.parent.is_dir():
        others = sorted(p.name for p in path.parent.glob("*.toml") if p.is_file())
        held = [f"{', '.join(others[:_NAMED])}: name the file itself"] if others else []
    return f"its folder holds {'; and '.join(held)}" if held else ""


def lies_in(folder: Path) -> Path:
    """Return the file of ours in a folder: its case or plan, else a question; case.toml if none."""
    every = [folder / name for name in _NAMES if name.endswith(".toml")]
    return next((path for path in every if path.is_file()), every[0])


def kind_at(path: Path) -> str:
    """Return which kind of file lies at a path, a case where nothing tells."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return CASE
    found = other_kind(data, CASE)
    return CASE if found is None else found[1]
