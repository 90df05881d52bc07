"""A small campaign to read, and to break one line at a time."""

from __future__ import annotations

from pathlib import Path

import pytest

from wallsim.case import load_case
from wallsim.errors import CaseError

SMALL = """\
title = "small"

[tube]
material = "carbon steel"
bore = "24 mm"
wall = "8 mm +- 0.1 mm"
length = "400 mm"

[[sensor]]
name = "S1"
z = "25 mm"

[[sensor]]
name = "S2"
z = "60 mm"

[pressure]
channel = "P"

[blend.neat]
gas_temperature = "2350 K +- 110 K"

[blend.D5]
like = "neat"
deposit = { growth = "auto" }

[[run]]
name = "R01"
log = "a.csv"
blend = "neat"

[[run]]
name = "R02"
log = "a.csv"
blend = "D5"
"""


def line_of(text: str) -> int:
    """Return the line of `SMALL` on which a piece of text begins first."""
    return SMALL[: SMALL.index(text)].count("\n") + 1


def write(folder: Path, *changes: tuple[str, str]) -> Path:
    text = SMALL
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "a.csv").touch()
    path = folder / "case.toml"
    path.write_text(text, encoding="utf-8")
    return path


def read(folder: Path, *changes: tuple[str, str]):
    return load_case(write(folder, *changes))


def faults(folder: Path, *changes: tuple[str, str]) -> list[str]:
    """Return the faults without the name of the file, which each must carry."""
    path = write(folder, *changes)
    with pytest.raises(CaseError) as caught:
        load_case(path)
    assert all(fault.startswith(f"{path}:") for fault in caught.value.faults)
    return [fault.removeprefix(f"{path}:") for fault in caught.value.faults]
