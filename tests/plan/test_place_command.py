"""The command `place` as a user runs it: what a bad plan is told, and what a good one leaves."""

import json

import pytest

from tests.cli.command import wallsim, wallsim_here
from tests.plan.small_plan import write


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
