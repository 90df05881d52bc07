"""The real command, as a user types it: help, refusals, interrupts."""

import os
import signal
import subprocess
import sys
import time
from functools import partial

import pytest

from tests.cli.campaign import log_rows, write
from tests.cli.command import COMMAND, wallsim, wallsim_here


def test_help_is_quick_and_names_every_command():
    seconds = []
    for _ in range(3):
        begun = spent_by_children()
        done = wallsim("--help")
        seconds.append(spent_by_children() - begun)
    assert done.returncode == 0
    assert min(seconds) < 0.3
    for command in ("new", "check", "fit", "report"):
        assert command in done.stdout
        assert f"Example: wallsim {command} " in wallsim_here(command, "--help").stdout


def spent_by_children():
    """Return the processor time [s] of all children that have ended; others' load is not in it."""
    spent = os.times()
    return spent.children_user + spent.children_system


@pytest.mark.parametrize(
    ("words", "meant"), [(("fti", "x"), "'fit'"), (("fit", "x", "--ouut", "y"), "--out")]
)
def test_a_typo_is_a_usage_error_with_what_was_meant(words, meant):
    done = wallsim(*words)
    assert done.returncode == 2
    assert meant in done.stderr.splitlines()[-1]
    assert not done.stdout


def faulty(number, text):
    return [*ROWS[:number], text, *ROWS[number + 1 :]]


ROWS = log_rows()
QUIET = [",".join((r.split(",")[0], "0.0", *r.split(",")[2:])) for r in ROWS]
COLD = [",".join((*r.split(",")[:2], "20.0", "20.0")) for r in ROWS]
BAD_LOGS = {
    "text in a numeric column": (faulty(40, "2.00,5.0,hot,99.0"), ["r1.csv:42: A: ", "'hot'"]),
    "time running backwards": (
        faulty(40, "0.50,5.0,80.0,80.0"), ["r1.csv:42: time: ", "1.90, then 0.50"]
    ),
    "a row too short": (faulty(40, "2.00,5.0"), ["r1.csv:42: 2 entries", " 4;"]),
    "pressure never rises": (
        QUIET, ["r1.csv: P: run r1: the pressure never rises", "1.013 bar abs"]
    ),
    "no thermocouple": (
        COLD, ["r1.csv: no thermocouple of run r1 can be used: A B (", "; look at the log"]
    ),
    "no row": ([], ["r1.csv:1: 1 line of text but no scan below", "(and so in r2)"]),
}
BAD_CASES = {
    "sensor outside": ({"z": "90 mm"}, ["case.toml:10: sensor[A].z: ", "90 mm", "80 mm"]),
    "wrong unit": (
        {"gas": "2000 kg"}, ["case.toml:21: blend.bare.gas_temperature: ", '(got "2000 kg")']
    ),
    "unknown blend": (
        {"runs": (("r1", "baer"),)}, ["case.toml:30: run[r1].blend: ", '"baer"', 'mean "bare"?']
    ),
    "readings above the metal's range": (
        {"material": "aluminium 6061", "rows": log_rows(h=2500.0)},
        ["case.toml:3: tube.material: ", "aluminium 6061 ends at 500 degC", "reads 593 degC"],
    ),
}


SHORT_STEEL = """\
name = "short steel"
density = { value = "7850 kg/m^3", source = "made up" }
[conductivity]
units = ["degC", "W/m/K"]
source = "made up"
points = [[0, 54], [450, 39]]
[specific_heat]
units = ["degC", "J/kg/K"]
source = "made up"
points = [[0, 425], [100, 488], [200, 530], [300, 565], [450, 633]]
"""


def refusal(tmp_path, case, run=wallsim_here):
    """Return the one line that a fit of ``case`` ends with, which leaves nothing behind."""
    before = sorted(p.name for p in tmp_path.iterdir())
    done = run("fit", case, "--out", tmp_path / "results" / "out", "-q")
    assert done.returncode == 3, done.stderr
    assert not done.stdout
    assert done.stderr.count("\n") == 1, done.stderr
    assert ";" in done.stderr or ": shorten the burn" in done.stderr, "says nothing of what to do"
    assert sorted(p.name for p in tmp_path.iterdir()) == before
    return done.stderr


@pytest.mark.parametrize("what", BAD_LOGS)
def test_a_bad_log_is_refused_with_its_place_and_leaves_nothing(tmp_path, what):
    rows, parts = BAD_LOGS[what]
    line = refusal(tmp_path, write(tmp_path / "c", rows=rows))
    assert [part for part in parts if part not in line] == []


@pytest.mark.parametrize("what", BAD_CASES)
def test_a_bad_case_is_refused_with_its_place_and_leaves_nothing(tmp_path, what):
    changes, parts = BAD_CASES[what]
    line = refusal(tmp_path, write(tmp_path / "c", **changes))
    assert [part for part in parts if part not in line] == []


def test_a_bore_above_the_range_of_its_metal_is_refused_with_the_moment(tmp_path):
    folder = tmp_path / "c"
    case = write(folder, material="short.toml")
    (folder / "short.toml").write_text(SHORT_STEEL)
    line = refusal(tmp_path, case, run=partial(wallsim_here, worker=True))
    parts = ("run r1, at ", "s after ignition: ", "short steel", "450 degC")
    assert [part for part in parts if part not in line] == []


def test_files_that_are_not_there_or_empty_are_refused(tmp_path):
    line = refusal(tmp_path, tmp_path / "none.toml", run=wallsim)
    assert "none.toml: no such case file" in line
    case = write(tmp_path / "c")
    (tmp_path / "c" / "r2.csv").write_bytes(b"")
    assert "r2.csv: the log is empty" in refusal(tmp_path, case, run=wallsim)
    (tmp_path / "c" / "r2.csv").unlink()
    line = refusal(tmp_path, case)
    assert "case.toml:33: run[r2].log: no such log file" in line
    assert '"r2.csv"' in line


def test_two_faults_of_a_case_are_two_lines(tmp_path):
    done = wallsim_here("check", write(tmp_path / "c", growth="square", gas="2000 kg"))
    assert done.returncode == 3
    assert [line.split(": ")[1] for line in done.stderr.splitlines()] == [
        "blend.bare.gas_temperature", "blend.dosed.deposit.growth"
    ]


def test_check_says_what_will_be_used_and_what_was_found_out(tmp_path):
    done = wallsim("check", write(tmp_path / "c"))
    assert done.returncode == 0
    assert "thermocouples: 2 used whole\n" in done.stdout
    assert "In all 2 runs: 4 used whole\n" in done.stdout
    assert "all runs: clock from 'time' in s" in done.stdout


RICH = """
import sys
from wallsim import cli

def run():
    from rich.console import Console
    Console().print("said")
    Console(stderr=True).print("said")
    sys.exit(5)

cli._run = run
cli.main()
"""


@pytest.mark.parametrize(("words", "code"), [
    ((*COMMAND, "check", "{case}"), 0), ((*COMMAND, "check", "{case}.toml"), 3),
    ((sys.executable, "-c", RICH), 5)], ids=["written", "refused", "by tables"])
def test_a_pipe_that_its_reader_has_closed_changes_no_exit_code(tmp_path, words, code):
    case, (reader, writer) = str(write(tmp_path / "c")), os.pipe()
    os.close(reader)
    try:
        done = subprocess.run([word.replace("{case}", case) for word in words], stdout=writer,
                              stderr=writer, timeout=60, check=False)
    finally:
        os.close(writer)
    assert done.returncode == code


@pytest.mark.parametrize("words", [
    ("predict", "{case}"), ("whatif", "{case}"), ("next", "{next}")])
def test_a_folder_that_is_no_fit_is_refused_before_anything_is_said_to_be_marched(tmp_path, words):
    case = write(tmp_path / "c")
    question = tmp_path / "next.toml"
    question.write_text('case = "c"\n[decision]\nblend = "dosed"\nabove = "100 mm^2*K/W"\n'
                        '[new]\nsilicon = ["1 %", "2 %"]\n')
    at = {"{case}": str(case), "{next}": str(question)}
    done = wallsim_here(*(at.get(word, word) for word in words), "--from", tmp_path / "no", "--out",
                        tmp_path / "out")
    assert done.returncode == 3
    (line,) = done.stderr.splitlines()
    assert str(tmp_path / "no") in line


def test_a_starter_is_not_written_over_what_is_there(tmp_path):
    (tmp_path / "mine.txt").write_text("keep")
    done = wallsim_here("new", tmp_path)
    assert done.returncode == 3
    assert "--force" not in done.stderr, "new has no such option"
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize(
    ("number", "to_all", "after"),
    [(signal.SIGINT, True, 0.0), (signal.SIGINT, True, 1.0), (signal.SIGTERM, False, 1.0)],
    ids=["keyboard, workers starting", "keyboard, fitting", "ended from outside, fitting"],
)
def test_an_interrupted_fit_leaves_nothing_and_no_process(tmp_path, number, to_all, after):
    case = write(tmp_path / "c")
    process = subprocess.Popen(
        [*COMMAND, "fit", str(case), "--out", str(tmp_path / "results" / "out")],
        stderr=subprocess.PIPE, text=True, start_new_session=True,
    )
    try:
        wait_until(lambda: sum("spawn_main" in row for row in living(process.pid)) > 0, 30.0)
        time.sleep(after)
        assert process.poll() is None
        (os.killpg if to_all else os.kill)(process.pid, number)
        begun = time.monotonic()
        _, err = process.communicate(timeout=30)
        assert time.monotonic() - begun < 10.0
    finally:
        process.kill()
    assert process.returncode == 130
    assert err.splitlines()[-1].startswith("Interrupted")
    assert "Traceback" not in err
    assert [p.name for p in tmp_path.iterdir()] == ["c"]
    wait_until(lambda: not living(process.pid), 5.0)


EARLY = """
import os, signal, sys

class Early:
    def find_spec(self, name, *_):
        if name == {name!r}:
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Early())
from wallsim.cli import main
sys.argv = ["wallsim", "check", {case!r}]
main()
"""


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("name", ["typer", "pydantic", "pint", "numpy", "wallsim.build"])
def test_an_interrupt_while_modules_are_imported_is_one_line(tmp_path, name):
    code = EARLY.format(name=name, case=str(write(tmp_path / "c")))
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                          timeout=60, check=False)
    assert done.returncode == 130
    assert done.stderr == "Interrupted; nothing is left half written.\n"
    assert not done.stdout


def wait_until(condition, seconds):
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def living(group):
    """Return the processes of a group that still run; ended ones may await their reaper."""
    rows = subprocess.run(["ps", "-wweo", "pgid=,stat=,args="], capture_output=True, text=True,
                          check=True).stdout.splitlines()
    return [r for r in rows if r.split()[0] == str(group) and not r.split()[1].startswith("Z")]
