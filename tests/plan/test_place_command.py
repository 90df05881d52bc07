"""The command `place` as a user runs it: what a bad plan is told, and what a good one leaves."""

import json
import sys
from pathlib import Path

import pytest

from tests.cli.command import wallsim, wallsim_here
from tests.plan.small_plan import write
from wallsim.errors import InputError

CASES = Path(__file__).parents[2] / "cases"


def test_a_bad_plan_ends_with_3_one_line_a_fault_and_no_folder(tmp_path):
    path = write(tmp_path, blend=('blend = "dosed"\nburn', 'blend = "dose"\nburn'),
                 goal=('goal = "20 %"', 'goal = "often"'))
    done = wallsim_here("place", path, "--out", tmp_path / "out")
    assert done.returncode == 3
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert all(line.startswith(f"{path}:") for line in lines)
    assert any('run[with].blend: no such blend (got "dose"); did you mean "dosed"' in line
               for line in lines)
    assert any("plan.goal" in line for line in lines)
    assert not (tmp_path / "out").exists()


def test_a_folder_without_a_plan_of_the_usual_name_names_what_lies_there(tmp_path):
    write(tmp_path).rename(tmp_path / "plan.toml")
    done = wallsim_here("place", tmp_path, "--out", tmp_path / "out")
    assert done.returncode == 3
    assert "no such plan; its folder holds plan.toml: name the file itself" in done.stderr


def test_check_takes_a_plan_and_marches_nothing(tmp_path):
    path = write(tmp_path, bore=('bore = "20 mm"', 'bore = "30 in"'))
    done = wallsim_here("check", tmp_path)
    assert done.returncode == 0
    assert f"{path}:4: tube.bore: a bore of 762 mm is unusual" in done.stdout
    assert "firings bare 4 s x 2, with 4 s; limit of the bore 827 °C; 3 thermocouples at 7 " \
        "places; wanted: R of dosed, h" in done.stdout
    assert "bare: R" not in done.stdout
    assert f"next: wallsim place {path} --out DIR" in done.stdout
    assert json.loads(wallsim_here("check", path, "--json").stdout)["kind"] == "plan"


@pytest.mark.parametrize(("case", "words"), [
    ("thicker_tube", "12 changed firings of "), ("next_firing", "--from FIT --out DIR")])
def test_check_takes_the_other_questions_too(case, words):
    done = wallsim_here("check", CASES / case)
    assert done.returncode == 0
    assert words in done.stdout


def test_slips_of_units_are_told_before_the_first_march(tmp_path, monkeypatch):
    said = []

    def marched(plan, progress):
        said.append(sys.stderr.getvalue())
        raise InputError("stopped here")

    monkeypatch.setattr("wallsim.api.place", marched)
    path = write(tmp_path, wall=('wall = "4 mm"', 'wall = "0.4 mm"'))
    wallsim_here("place", path, "--out", tmp_path / "out")
    assert f"Look at this first: {path}:5: tube.wall: a wall of 0.4 mm is unusual" in said[0]


@pytest.mark.slow
def test_a_plan_whose_goal_is_missed_ends_with_5_and_still_leaves_its_folder(tmp_path):
    path = write(tmp_path, goal=('goal = "20 %"', 'goal = "1 %"'))
    done = wallsim("place", tmp_path, "--out", tmp_path / "out", "--json")
    assert done.returncode == 5
    document = json.loads(done.stdout)
    assert document["wants"][0]["half_width"] > document["goal"] == 0.01
    assert "is not met" in done.stderr
    assert json.loads((tmp_path / "out" / "result.json").read_text()) == document
    assert path.is_file()
