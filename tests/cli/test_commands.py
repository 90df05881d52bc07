"""The real command, as a user types it."""

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from tests.cli.campaign import log_rows, write


def wallsim(*words, timeout=120):
    return subprocess.run(
        [sys.executable, "-m", "wallsim.cli", *map(str, words)],
        capture_output=True, text=True, timeout=timeout, check=False,
    )


def test_help_is_quick_and_names_every_command():
    seconds = []
    for _ in range(3):
        begun = time.perf_counter()
        done = wallsim("--help")
        seconds.append(time.perf_counter() - begun)
    assert done.returncode == 0
    assert min(seconds) < 0.3
    for command in ("new", "check", "fit", "report"):
        assert command in done.stdout
        assert "Example: wallsim" in wallsim(command, "--help").stdout


def test_a_typo_is_a_usage_error_with_the_nearest_command():
    done = wallsim("fti", "x")
    assert done.returncode == 2
    assert "fit" in done.stderr


def faulty(rows, number, text):
    return [*rows[:number], text, *rows[number + 1 :]]


ROWS = log_rows()
BAD_LOGS = {
    "text in a numeric column": (faulty(ROWS, 40, "2.00,5.0,hot,99.0"), ["r1.csv:42", "A", "hot"]),
    "time running backwards": (faulty(ROWS, 40, "0.50,5.0,80.0,80.0"), ["r1.csv", "0.5"]),
    "pressure never rises": (
        [",".join((r.split(",")[0], "0.0", *r.split(",")[2:])) for r in ROWS], ["r1", "pressure"]
    ),
    "empty log": ([], ["r1.csv"]),
}


@pytest.mark.parametrize("what", BAD_LOGS)
def test_a_bad_log_is_refused_with_its_place_and_leaves_nothing(tmp_path, what):
    rows, parts = BAD_LOGS[what]
    case = write(tmp_path / "c", rows=rows)
    refused(tmp_path, case, parts)


BAD_CASES = {
    "sensor outside": ({"z": "90 mm"}, ["case.toml:10:", "A", "90 mm", "80 mm"]),
    "wrong unit": ({"gas": "2000 kg"}, ["case.toml:21:", "gas_temperature", "kg"]),
    "unknown blend": ({"runs": (("r1", "baer"),)}, ["blend", "baer", "bare"]),
    "material above its range": (
        {"material": "aluminium 6061"}, ["aluminium 6061", "degC", "shorten the burn"]
    ),
}


@pytest.mark.parametrize("what", BAD_CASES)
def test_a_bad_case_is_refused_with_its_place_and_leaves_nothing(tmp_path, what):
    changes, parts = BAD_CASES[what]
    case = write(tmp_path / "c", **changes)
    refused(tmp_path, case, parts)


def refused(tmp_path, case, parts):
    done = wallsim("fit", case, "--out", tmp_path / "out", "-q")
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    for part in parts:
        assert part in done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["c"]


def test_a_missing_case_is_refused(tmp_path):
    done = wallsim("fit", tmp_path / "none.toml", "--out", tmp_path / "out")
    assert done.returncode == 3
    assert "none.toml" in done.stderr
    assert not list(tmp_path.iterdir())


def test_a_folder_in_use_is_refused_before_the_work(tmp_path):
    case = write(tmp_path / "c")
    out = tmp_path / "out"
    out.mkdir()
    (out / "mine.txt").write_text("keep")
    done = wallsim("fit", case, "--out", out)
    assert done.returncode == 3
    assert "--force" in done.stderr
    assert [p.name for p in out.iterdir()] == ["mine.txt"]


def test_one_dosed_run_alone_is_not_identifiable(tmp_path):
    case = write(tmp_path / "c", runs=(("r1", "dosed"),), growth="constant")
    done = wallsim("fit", case, "--out", tmp_path / "out", "--json")
    assert done.returncode == 5, done.stderr
    document = json.loads(done.stdout)
    deposit = document["blends"]["dosed"]["deposit"]
    assert not deposit["identifiable"]
    assert deposit["mean_resistance_m2K_W"]["estimate"] is None
    assert "bare firing" in deposit["reason"]
    assert (tmp_path / "out" / "report.html").is_file()
    assert json.loads((tmp_path / "out" / "result.json").read_text())["schema"] == "wallsim.fit/1"
    again = wallsim("report", tmp_path / "out")
    assert again.returncode == 0


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_fit_leaves_nothing_and_no_process(tmp_path, number):
    case = write(tmp_path / "c")
    process = subprocess.Popen(
        [sys.executable, "-m", "wallsim.cli", "fit", str(case), "--out", str(tmp_path / "out")],
        stderr=subprocess.PIPE, text=True, start_new_session=True,
    )
    time.sleep(2.5)
    process.send_signal(number)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "Interrupted" in err
    assert [p.name for p in tmp_path.iterdir()] == ["c"]
    deadline = time.monotonic() + 5.0
    while living(process.pid) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not living(process.pid)


def living(group):
    """Return the processes of a group that still run; ended ones may await their reaper."""
    rows = subprocess.run(["ps", "-eo", "pgid=,stat=,args="], capture_output=True, text=True,
                          check=True).stdout.splitlines()
    return [r for r in rows if r.split()[0] == str(group) and not r.split()[1].startswith("Z")]
