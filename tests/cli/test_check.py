"""What `check` says of the demo: few lines, each worth reading."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.plan.small_plan import write as write_plan
from wallsim.build import load_campaign
from wallsim.case import load_case
from wallsim.check import check_document, check_text, question_document
from wallsim.file_kinds import PLAN, WHAT_IF
from wallsim.plan.whatif_file import load_question

from .campaign import log_rows, write

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
    assert block(document, "R07")[1] == (
        "    S8: dropouts. 38 of 601 samples without a reading, the first at -4.65 s")


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


def test_what_is_stated_of_deposits_left_and_lost_is_repeated(tmp_path):
    path = write(tmp_path, runs=(("r1", "dosed"), ("r2", "dosed"), ("r3", "bare")))
    text = path.read_text()
    for run, lines in {
        "r1": 'shed = "2.0 s +- 0.3 s"',
        "r2": 'start = "as left by r1"\nretained = "0.8"\n'
              'shed = { at = "1.55 s", lost = "0.3 +- 0.1", beyond = "40 mm" }',
        "r3": 'start = "as left by r2"',
    }.items():
        text = text.replace(f'name = "{run}"\n', f'name = "{run}"\n{lines}\n')
    path.write_text(text)
    document = check_document(load_campaign(load_case(path)))
    said = {run: block(document, run)[1:] for run in ("r1", "r2", "r3")}
    assert said["r1"] == ["    taken: 50 % +- 30 % of the deposit comes off at 2.00 s +- 0.3 s "
                          "(log clock), 1.95 s after ignition"]
    assert said["r2"] == ["    taken: begins with 80 % of the deposit that r1 left",
                          "    taken: 30 % +- 10 % of the deposit beyond 40 mm comes off at "
                          "1.55 s (log clock), 1.50 s after ignition"]
    assert said["r3"] == ["    taken: begins with 90 % +- 20 % of the deposit that r2 left"]
    stated = {name: run["deposit_stated"] for name, run in document["runs"].items()}
    assert stated["r1"]["left_by"] is None
    assert stated["r2"] == {
        "left_by": "r1", "retained_fraction": {"value": 0.8, "sd": 0.0},
        "shed": {"time_s": {"value": 1.55, "sd": 0.0}, "lost_fraction": {"value": 0.3, "sd": 0.1},
                 "beyond_m": 0.04},
    }


def test_nothing_is_said_of_a_clean_bore(document):
    assert all(run["deposit_stated"] is None for run in document["runs"].values())


@pytest.mark.parametrize(("growth", "words"), [
    ("auto", "so h and R are told apart by growth while burning alone; where none is seen, the fit "
             "gives only 1/h + R"),
    ("constant", "and the case holds the deposit constant, so the fit will give no R of it, only "
                 "1/h + R"),
])
def test_without_a_bare_firing_it_says_what_cannot_be_told(tmp_path, growth, words):
    path = write(tmp_path, runs=(("r1", "dosed"), ("r2", "dosed")), rows=log_rows(1e-4),
                 growth=growth)
    lines = check_text(check_document(load_campaign(load_case(path)))).splitlines()
    assert lines[1:3] == [
        "Look at this first:",
        f"    dosed: no bare firing shares the gas-side coefficient, {words}: a steady deposit "
        "cannot be told from a lower gas-side coefficient. Add a bare firing (same pressure, same "
        "sensors)",
    ]


def test_a_coefficient_loosely_tied_to_the_bare_firings_is_said(tmp_path):
    path = write(tmp_path, rows=log_rows())
    assert check_document(load_campaign(load_case(path)))["remarks"] == []
    path.write_text(path.read_text().replace(
        'like = "bare"', 'like = "bare"\ncoefficient = "1 +- 40 %"'))
    (line,) = check_document(load_campaign(load_case(path)))["remarks"]
    assert line.startswith("dosed: its gas-side coefficient is too loosely tied to the bare ")
    assert line.endswith("or state its coefficient to 15 % or better")


def test_a_plan_is_remarked_on_before_anything_is_marched(tmp_path):
    path = write_plan(
        tmp_path, limit=('limit_temperature = "1100 K"\n', ""),
        welded=("[plan]", '[[sensor]]\nname = "T78"\nz = "78 mm"\n[[sensor]]\nname = "T75"\n'
                          'z = "75 mm"\n[plan]'),
        blend=('name = "bare"\nblend = "neat"', 'name = "bare"\nblend = "dosed"'))
    remarks = question_document(path, PLAN)["remarks"]
    assert [text[:20] for text in remarks] == [
        "no firing planned is", "no limit temperature", "welded on where plan",
        "welded on nearer to "]
    assert remarks[-2].endswith(": T78")
    assert remarks[-1].endswith("than plan.apart, 15 mm (they stay): T75 and T78 (3 mm)")


def test_a_well_that_leaves_little_of_the_wall_is_remarked(tmp_path):
    def remarks(depth):
        path = write_plan(tmp_path, wells=("most = 4", f'most = 4\nwells = ["1 mm", "{depth} mm"]'))
        return question_document(path, PLAN)["remarks"]

    assert remarks(3.0) == []
    assert remarks(3.9) == [
        "a well 3.9 mm deep leaves as little as 0.1 mm of a wall of 4 mm under gas pressure; "
        "common practice is to leave a fifth of it, and 1 mm at least"]


def test_a_burn_beyond_the_range_of_validity_is_remarked_in_a_whatif_too(tmp_path):
    write_plan(tmp_path)
    path = tmp_path / "whatif.toml"
    path.write_text('case = "case.toml"\n[base]\nburn = "4 min"\n')
    document = question_document(path, WHAT_IF)
    assert document["holds"].startswith("1 changed firing of ")
    assert document["remarks"] == [
        f"{path}:3: base.burn: 240 s is beyond the range of validity, burns of 1 to 60 s (got "
        '"4 min"); check value and unit']
    path.write_text('case = "case.toml"\n[vary]\nburn = { from = "5 s", to = "90 s", steps = 9 }\n')
    (line,) = question_document(path, WHAT_IF)["remarks"]
    assert line.startswith(f"{path}:3: vary.burn: 90 s is beyond")
    assert load_question(path).slips == ()
