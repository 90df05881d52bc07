"""Campaigns whose logs are kept outside the repository."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from wallsim.case import load_case
from wallsim.case.model import Case

CASE_FILE = Path(__file__).parent / "north" / "case.toml"


@pytest.fixture(scope="session")
def north_case() -> Case:
    """Return the north campaign; skips where its logs are not beside the checkout."""
    runs = tomllib.loads(CASE_FILE.read_text(encoding="utf-8"))["run"]
    folder = (CASE_FILE.parent / runs[0]["log"]).parent
    if not folder.is_dir():
        pytest.skip(f"the logs of the north campaign are not there: no folder {folder.resolve()}")
    return load_case(CASE_FILE)
