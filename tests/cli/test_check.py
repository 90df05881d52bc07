"""What `check` says of the demo: few lines, each worth reading."""

from __future__ import annotations

from pathlib import Path

import pytest

from wallsim.build import load_campaign
from wallsim.case import load_case
from wallsim.check import check_document, check_text

LANCE = Path(__file__).parents[2] / "cases" / "lance" / "case.toml"


@pytest.fixture(scope="module")
def document():
    return check_document(load_campaign(load_case(LANCE)))


def block(document, run):
    """Return the lines of one run."""
    lines = check_text(document).splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith(f"{run}  "))
    rest = [line.startswith("    ") for line in lines[first + 1 :]]
    return lines[first : first + 1 + rest.index(False)]


def test_a_channel_is_whole_in_part_or_lost(document):
    use = {name: run["channels"] for name, run in document["runs"].items()}
    assert use["R06"]["S3"]["use"] == "in part"
    assert use["R09"]["S5"]["use"] == "lost"
    assert use["R01"]["S1"]["use"] == "whole"
    assert "thermocouples: 10 used whole, 1 in part" in block(document, "R06")[0]
    assert "thermocouples: 10 used whole, 1 lost" in block(document, "R09")[0]
    assert "In all 8 runs: 86 used whole, 1 in part, 1 lost" in check_text(document).splitlines()


def test_spikes_of_the_igniter_are_one_line_a_run(document):
    assert block(document, "R01")[1:] == [
        "    ignition spikes masked between 0.05 and 0.20 s: S1, S3, S4, S5, S7, S10"
    ]
    for run in document["runs"]:
        assert sum("spike" in line for line in block(document, run)) == 1


def test_what_else_was_found_keeps_its_line_without_the_spikes(document):
    _, detached, spikes = block(document, "R06")
    assert detached.startswith("    S3: detached. falls 21 K/s at 6.95 s")
    assert detached.endswith("; not used from 6.85 s")
    assert "S3" in spikes
    assert block(document, "R07")[1] == "    S8: dropouts. 38 of 601 samples without a reading"


def test_spikes_later_on_are_told_by_themselves(document):
    channel = document["runs"]["R01"]["channels"]["S1"] | {
        "reason": "13 spikes between 0.46 and 9.04 s, 95 samples masked"
    }
    run = document["runs"]["R01"]
    changed = document | {"runs": {"R01": run | {"channels": {"S1": channel}}}}
    assert "    S1: spikes. 13 spikes between 0.46 and 9.04 s, 95 samples masked" in (
        check_text(changed).splitlines()
    )


def test_a_channel_lost_for_want_of_readings_says_so(document):
    run = document["runs"]["R01"]
    channel = run["channels"]["S2"] | {"use": "lost", "samples": 0}
    changed = document | {
        "runs": {"R01": run | {"channels": {"S2": channel}, "lost_scans": 1, "log_notes": []}}
    }
    _, head, line = check_text(changed).splitlines()
    assert head.endswith("thermocouples: 0 used whole, 1 lost; 1 scan lost")
    assert line == "    S2: lost. too few readings after ignition"
