"""Fits by the command: what comes out on stdout, stderr, in the folder and as code."""

import json
import re

import pytest

from tests.cli.campaign import RESISTANCE, log_rows, write
from tests.cli.command import wallsim_here


@pytest.fixture(scope="module")
def fitted(coarse, tmp_path_factory):
    """A bare and a dosed firing, fitted into a folder in use with --force."""
    base = tmp_path_factory.mktemp("fitted")
    case = write(base / "c")
    out = base / "out"
    out.mkdir()
    (out / "mine.txt").write_text("old")
    (out / "result.json").write_text("{}")
    refusal = wallsim_here("fit", case, "--out", out)
    kept = [p.name for p in out.iterdir()]
    return refusal, kept, wallsim_here("fit", case, "--out", out, "--force"), out


def test_a_folder_in_use_is_refused_and_kept(fitted):
    refusal, kept, _, _ = fitted
    assert refusal.returncode == 3
    assert refusal.stderr.count("\n") == 1
    assert "--force" in refusal.stderr
    assert sorted(kept) == ["mine.txt", "result.json"]


def test_force_replaces_it_whole(fitted):
    _, _, done, out = fitted
    assert done.returncode == 0, done.stderr
    assert sorted(p.name for p in out.parent.iterdir()) == ["c", "out"]
    assert not (out / "mine.txt").exists()
    assert (out / "report.html").is_file()
    assert f"Report: {out / 'report.html'}" in done.stdout


def test_a_fit_without_a_terminal_tells_how_far_it_is_on_stderr(fitted):
    done = fitted[2]
    stages = [line.split(" s  ")[1].split(":")[0] for line in done.stderr.splitlines()]
    assert stages[0] == "reading 2 logs"
    assert re.fullmatch(r"fitting 2 runs, 4 traces, \d+ unknowns", stages[1])
    assert list(dict.fromkeys(stages[2:])) == [
        "finding the neighbourhood", "fitting", "comparing growth laws", "reading off the results"
    ]
    assert not any(stage in done.stdout for stage in stages)


def test_the_fit_finds_what_made_the_logs(fitted):
    document = json.loads((fitted[3] / "result.json").read_text())
    h = document["gas_side"]["coefficient_W_m2K"]
    assert all(low < 1500.0 < high for low, high in zip(h["low"], h["high"], strict=True))
    R = document["blends"]["dosed"]["deposit"]["mean_resistance_m2K_W"]
    assert R["low"] < RESISTANCE < R["high"]
    assert R["estimate"] == pytest.approx(RESISTANCE, rel=0.1)


def test_growth_left_open_is_compared(fitted):
    document = json.loads((fitted[3] / "result.json").read_text())
    found = document["blends"]["dosed"]["deposit"]["growth_laws"]
    assert "linear" in found["untold"]
    assert "constant" not in found["untold"]
    assert any(line["text"] == f"dosed: {found['text']}." for line in document["verdict"])
    assert "linear" in (fitted[3] / "tables" / "growth_laws.csv").read_text()


def test_a_result_is_rendered_again(fitted):
    page = fitted[3] / "report.html"
    page.unlink()
    done = wallsim_here("report", fitted[3])
    assert done.returncode == 0
    assert page.is_file()


def test_force_replaces_result_folders_only(tmp_path):
    case = write(tmp_path / "c")
    out = tmp_path / "thesis"
    out.mkdir()
    (out / "chapter.txt").write_text("years of work")
    for arguments in ((), ("--force",)):
        done = wallsim_here("fit", case, "--out", out, *arguments)
        assert done.returncode == 3
        assert done.stderr.count("\n") == 1
        assert "name a new folder" in done.stderr
    assert [p.name for p in out.iterdir()] == ["chapter.txt"]


def test_force_spares_the_campaign_itself(tmp_path):
    case = write(tmp_path / "c")
    before = sorted(p.name for p in case.parent.iterdir())
    for out, folder in ((case.parent, None), (".", case.parent), (tmp_path, None)):
        done = wallsim_here("fit", case, "--out", out, "--force", folder=folder)
        assert done.returncode == 3, out
        assert "would delete" in done.stderr
    assert sorted(p.name for p in case.parent.iterdir()) == before


def test_one_dosed_firing_alone_is_not_identifiable(tmp_path):
    case = write(
        tmp_path / "c", runs=(("r1", "dosed"),), growth="constant", rows=log_rows(h=1240.0)
    )
    out = tmp_path / "out"
    done = wallsim_here("fit", case, "--out", out, "--json", "-q", worker=True)
    assert done.returncode == 5, done.stderr
    document = json.loads(done.stdout)
    assert document == json.loads((out / "result.json").read_text())
    deposit = document["blends"]["dosed"]["deposit"]
    assert not deposit["identifiable"]
    assert deposit["mean_resistance_m2K_W"] == {"estimate": None, "low": None, "high": None}
    assert "bare firing" in deposit["reason"]
    assert "dosed: the deposit's resistance is not identifiable" in done.stderr
