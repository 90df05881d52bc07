"""A file of another kind than a command takes: one line that says what it seems to be."""

import json
import shutil
from pathlib import Path

import pytest

from tests.cli.command import wallsim_here
from wallsim.file_kinds import CASE, METAL, NEXT, PLAN, WHAT_IF, is_record, other_kind

ROOT = Path(__file__).parents[2]
CASES = ROOT / "cases"
OF_CASE = "case.toml:199: run[R01].log: makes this a case file, not a"


def said(command, path, tmp_path):
    more = [] if command == "check" else ["--out", tmp_path / "out"]
    more += ["--from", tmp_path] if command == "next" else []
    done = wallsim_here(command, path, *more)
    assert done.returncode == 3
    assert not done.stdout
    [line] = done.stderr.splitlines()
    return line


@pytest.mark.parametrize("command", ["fit"])
def test_a_plan_has_nothing_to_fit(command, tmp_path):
    line = said(command, CASES / "placement", tmp_path)
    assert ("makes this a plan, not a case file; wallsim place, predict and whatif take it"
            in line)
    assert line.startswith(f"{CASES / 'placement' / 'case.toml'}:")


@pytest.mark.parametrize(("command", "file", "words"), [
    ("fit", "thicker_tube/whatif.toml", "base: makes this a what-if file, not a case file; wallsim "
                                        "whatif takes it"),
    ("place", "next_firing/next.toml", "decision: makes this a question of a next firing, not a "
                                       "plan; wallsim next takes it"),
    ("whatif", "next_firing/next.toml", "decision: makes this a question of a next firing, not a "
                                        "what-if file; wallsim next takes it"),
    ("next", "thicker_tube/whatif.toml", "base: makes this a what-if file, not a question of a "
                                         "next firing; wallsim whatif takes it"),
    ("next", "lance/case.toml", "run[R01].log: makes this a case file, not a question of a next "
                                "firing; wallsim fit, check, predict and whatif take it"),
    ("place", "lance", "run[R01].log: makes this a case file, not a plan; "),
    ("check", "../wallsim/materials/data/carbon_steel.toml",
     "density: makes this a material file, not a case file; tube.material of a case file names it"),
    ("fit", "lance/logs/R05.csv", "R05.csv: a table of numbers, as logs are, not a case file; name "
                                  "the log in a [[run]] of a case file, and give that"),
    ("fit", "../README.md", "README.md: looks like text, not a case file; name the case file, "
                            "which ends in .toml"),
    ("whatif", "thicker_tube/thicker_tube.png", "thicker_tube.png: looks like a picture, not a "
                                                "what-if file; name the what-if file"),
    ("fit", "thicker_tube", "case.toml: no such case file; its folder holds whatif.toml, a what-if "
                            "file: wallsim whatif takes it"),
    ("whatif", "next_firing", "holds neither whatif.toml nor case.toml; its folder holds "
                              "next.toml, a question of a next firing: wallsim next takes it"),
])
def test_what_a_file_seems_to_be_and_which_command_takes_it(command, file, words, tmp_path):
    assert words in said(command, CASES / file, tmp_path)


def test_a_result_folder_is_no_case(tmp_path):
    folder = tmp_path / "result"
    folder.mkdir()
    (folder / "result.json").write_text(json.dumps({}))
    assert said("fit", folder, tmp_path) == (
        f"{folder / 'case.toml'}: no such case file; its folder holds result.json, a result: "
        "wallsim report shows it again, and --from starts from a fit's")


def test_a_key_of_another_kind_in_a_sound_file_is_still_told_as_that(tmp_path):
    folder = shutil.copytree(CASES / "lance", tmp_path / "lance")
    case = folder / "case.toml"
    case.write_text(case.read_text() + '[plan]\nwant = "h"\n')
    assert "unknown key" in said("check", folder, tmp_path)


def test_kinds():
    assert other_kind({"tube": {}, "run": [{"log": "a"}]}, CASE) is None
    assert other_kind({"tube": {}, "run": [{"log": "a"}]}, WHAT_IF) is None
    assert other_kind({"tube": {}, "run": [{"burn": "4 s"}]}, PLAN) is None
    assert other_kind({"tube": {}, "conductivity": 3}, CASE) is None
    assert other_kind({"title": "x"}, NEXT) is None
    assert other_kind({"run": "R01"}, METAL) is None
    assert other_kind({"tube": {}, "run": [{"name": "a", "burn": "4 s"}]}, CASE) == (
        ("run", 0, "burn"), PLAN)


def test_records():
    assert is_record("t,P,A\n0.0,1.0,20.1\n0.1,1.0,20.2\n")
    assert is_record("t;P\n0,0;1,0\n0,1;1,2\n")
    assert not is_record('title = "a"\n[tube]\nbore = "20 mm"\npoints = [\n[1, 2],\n[3, 4],\n')
    assert not is_record("Some words, and more of them.\n")
    assert not is_record("")
