"""Where case and logs say different things of the same: refused or remarked, always located."""

import re
from dataclasses import replace

import numpy as np
import pytest

from wallsim.build import _firing, load_campaign
from wallsim.case import load_case
from wallsim.check import check_document, check_text
from wallsim.consistency import refusals
from wallsim.errors import InputError
from wallsim.estimate.unknowns import Unknowns

from .campaign import log_rows, write

ROWS = log_rows()


def campaign(folder, *changes, rows=ROWS, header=None, runs=(("r1", "bare"), ("r2", "bare"))):
    """Return the tiny campaign on disk, its case text and headers changed."""
    path = write(folder, runs=runs, rows=rows)
    text = path.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text)
    for name, _ in runs if header else ():
        log = folder / f"{name}.csv"
        log.write_text("\n".join([header, *log.read_text().splitlines()[1:]]) + "\n")
    return path


def remarks(path):
    return load_campaign(load_case(path)).remarks


def refusal(path):
    with pytest.raises(InputError) as caught:
        load_campaign(load_case(path))
    return str(caught.value).splitlines()


def line_of(path, text):
    return 1 + path.read_text().splitlines().index(text)


def test_a_campaign_in_which_all_agrees_has_no_remark(tmp_path):
    path = campaign(tmp_path)
    assert remarks(path) == ()
    assert "first:" not in check_text(check_document(load_campaign(load_case(path))))


@pytest.mark.parametrize(("stated", "words"), [("35 degC", "15 K below"), ("5 degC", "15 K above")])
def test_an_ambient_against_the_readings_before_ignition(tmp_path, stated, words):
    path = campaign(tmp_path, ('"20 degC"', f'"{stated}"'))
    (line,) = remarks(path)
    at = line_of(path, f'outside = {{ ambient = "{stated}" }}')
    assert line.startswith(f"{path}:{at}: tube.outside.ambient: before ignition of all runs")
    assert words in line
    text = check_text(check_document(load_campaign(load_case(path))))
    assert text.splitlines()[1] == "Look at this first:"


def test_a_wall_still_warm_in_a_later_run_is_no_remark(tmp_path):
    path = campaign(tmp_path)
    warm = [",".join([a, b, *(f"{float(x) + 30:.2f}" for x in rest)])
            for a, b, *rest in (row.split(",") for row in ROWS)]
    log = tmp_path / "r2.csv"
    log.write_text("\n".join([log.read_text().splitlines()[0], *warm]) + "\n")
    assert remarks(path) == ()


def test_a_tap_that_drifts_is_told_and_its_drift_taken_off(tmp_path):
    path = campaign(tmp_path)
    even = load_campaign(load_case(path)).firings[1].events.plateau
    log = tmp_path / "r2.csv"
    head, *rows = log.read_text().splitlines()
    cells = [row.split(",") for row in rows]
    rows = [",".join([t, f"{float(p) + 0.02 * float(t):.4f}", *T]) for t, p, *T in cells]
    log.write_text("\n".join([head, *rows]) + "\n")
    seen = load_campaign(load_case(path))
    (line,) = seen.remarks
    assert "pressure.channel: P in run r2 reads otherwise at the end of the record" in line
    assert seen.firings[1].pressure.p == pytest.approx(even, rel=5e-3)


def absolute(rows):
    return [re.sub(r",([-\d.]+)", lambda m: f",{float(m[1]) + 1.013:.3f}", row, count=1)
            for row in rows]


def test_the_heading_tells_absolute_where_the_case_is_silent(tmp_path):
    header = "time [s],P [bar(a)],A [degC],B [degC]"
    path = campaign(tmp_path, rows=absolute(ROWS), header=header)
    assert remarks(path) == ()


def test_reads_against_the_heading_is_said_and_reads_holds(tmp_path):
    path = campaign(tmp_path, ('channel = "P"', 'channel = "P"\nreads = "absolute"'),
                    rows=absolute(ROWS))
    (line,) = remarks(path)
    at = line_of(path, 'reads = "absolute"')
    assert line.startswith(f"{path}:{at}: pressure.reads: but the heading of P in all runs says "
                           'gauge; absolute was taken (got "absolute")')


def test_a_quiet_pressure_that_cannot_be_gauge(tmp_path):
    path = campaign(tmp_path, rows=absolute(ROWS))
    (line,) = remarks(path)
    assert "reads 1.01 bar before ignition, where gauge reads 0.00" in line
    assert line.endswith('it looks absolute: reads = "absolute"')


METAL = """\
name = "hall steel"
density = {{ value = "7850 kg/m^3", source = "made up" }}
[conductivity]
units = ["degC", "W/m/K"]
source = "made up"
points = [[{low}, 50], [{high}, 30]]
[specific_heat]
units = ["degC", "J/kg/K"]
source = "made up"
points = [[{low}, 450], [{high}, 700]]
"""


@pytest.mark.parametrize(("low", "high", "words"), [
    (25, 1200, "the table of hall steel starts at 25 degC, but "),
    (0, 200, "the table of hall steel ends at 200 degC, but "),
])  # fmt: skip
def test_a_metal_whose_table_does_not_hold_the_readings(tmp_path, low, high, words):
    (tmp_path / "hall.toml").write_text(METAL.format(low=low, high=high))
    path = campaign(tmp_path, ('"carbon steel"', '"hall.toml"'))
    (line,) = refusal(path)
    at = line_of(path, 'material = "hall.toml"')
    assert line.startswith(f"{path}:{at}: tube.material: {words}")
    assert re.search(r"[AB] in run r[12] reads \d+ degC", line)


def test_faults_of_all_logs_come_together_and_shared_ones_once(tmp_path):
    path = campaign(tmp_path, runs=(("r1", "bare"), ("r2", "bare"), ("r3", "bare")))
    for name in ("r1", "r3"):
        log = tmp_path / f"{name}.csv"
        log.write_text(log.read_text().replace("B [degC]", "Bee [degC]"))
    bad = tmp_path / "r2.csv"
    bad.write_text("\n".join(bad.read_text().splitlines()[:1]) + "\n")
    first, second = refusal(path)
    assert first.startswith(f"{tmp_path / 'r1.csv'}:1: B: no such column; columns are time, P")
    assert first.endswith("(and so in r3)")
    assert second.startswith(f"{bad}:1: 1 line of text but no scan below")


def test_a_thermocouple_not_recorded_is_taken_out_of_the_run(tmp_path):
    path = campaign(tmp_path, ('name = "r2"', 'name = "r2"\nexclude = { B = "not recorded" }'))
    log = tmp_path / "r2.csv"
    log.write_text("\n".join(row.rpartition(",")[0] for row in log.read_text().splitlines()) + "\n")
    firing = load_campaign(load_case(path)).firings[1]
    assert [trace.sensor for trace in firing.traces] == ["A"]


def test_pressure_on_a_faster_clock_than_the_thermocouples(tmp_path):
    rows = []
    for row in ROWS:
        t, P, *_ = row.split(",")
        rows += [row, *(f"{float(t) + 0.02 * k:.2f},{P},," for k in range(1, 5))]
    path = campaign(tmp_path, rows=rows)
    firing = load_campaign(load_case(path)).firings[0]
    assert [c.verdict for c in firing.channels.values()] == ["ok", "ok"]
    assert firing.log.t.size == len(ROWS)
    assert len(firing.traces[0].t) > 50


def test_thermocouples_that_rise_before_ignition(tmp_path):
    rows = [re.sub(r"^([-\d.]+),[-\d.]+", lambda m: f"{m[1]},{creeping(float(m[1])):.3f}", row)
            for row in ROWS]
    path = campaign(tmp_path, rows=rows, runs=(("r1", "bare"),))
    (line,) = remarks(path)
    assert re.search(r": run\[r1\]: its thermocouples rise \d+ K before the ignition at 1\.\d+ s; "
                     "the flame was there before the pressure tells", line)
    path = campaign(tmp_path, ('name = "r1"', 'name = "r1"\nignition = "0.05 s"'), rows=rows,
                    runs=(("r1", "bare"),))
    assert remarks(path) == ()


def creeping(t):
    return 5.0 * min(max(t / 3.0, 0.0), 1.0) * (t < 4.05)


def test_a_burn_too_long_to_be_in_seconds(tmp_path):
    rows = [re.sub(r"^[-\d.]+", lambda m: f"{1000 * float(m[0]):.0f}", row) for row in ROWS]
    path = campaign(tmp_path, rows=rows, runs=(("r1", "bare"),),
                    header="time,P [bar(g)],A [degC],B [degC]")
    (line,) = remarks(path)
    assert ("run[r1]: burns for 4000 s by its log, its clock taken to be in s; in ms that is 4 s; "
            "if that is so, correct the unit") in line


def test_a_log_that_ends_before_the_shutdown_stated(tmp_path):
    rows = [row for row in ROWS if float(row.split(",")[0]) < 3.0]
    path = campaign(tmp_path, ('name = "r1"', 'name = "r1"\nshutdown = "4 s"'), rows=rows,
                    runs=(("r1", "bare"),))
    (line,) = remarks(path)
    assert line.startswith(f"{path}:{line_of(path, '[[run]]')}: run[r1]: its log ends at 2.90 s, "
                           "before the shutdown at 4.00 s; its hottest bore is that of the record")


@pytest.mark.parametrize(("every", "sd"), [(1, 0.1 / 12**0.5), (4, 0.4 / 12**0.5)])
def test_ignition_is_known_no_better_than_the_step_of_the_pressure(tmp_path, every, sd):
    rows = [row if i % every == 0 else re.sub(r",[-\d.]+", ",", row, count=1)
            for i, row in enumerate(ROWS)]
    path = campaign(tmp_path, rows=rows)
    assert remarks(path) == ()
    prior = Unknowns.of(load_campaign(load_case(path))).prior
    (offset, *_) = [p for p in prior.parameters if p.name.startswith("ignition offset")]
    assert offset.sd == pytest.approx(np.hypot(0.03, sd), rel=1e-3)


def renamed(path, old, new):
    path.write_text(path.read_text().replace(old, new))
    return path


def test_one_log_for_two_firings_is_refused(tmp_path):
    path = renamed(campaign(tmp_path), 'log = "r2.csv"', 'log = "r1.csv"')
    (line,) = refusal(path)
    first, second = (i for i, row in enumerate(path.read_text().splitlines(), 1)
                     if row == 'log = "r1.csv"')
    assert line.startswith(f"{path}:{second}: run[r2].log: the log of run r1 too (line {first}) "
                           '(got "r1.csv"); name the log of each firing')


@pytest.mark.parametrize("comment", ["", "# exported again\n"])
def test_the_same_readings_under_two_names_are_refused(tmp_path, comment):
    path = campaign(tmp_path)
    (tmp_path / "r2.csv").write_text(comment + (tmp_path / "r1.csv").read_text())
    (line,) = refusal(path)
    assert 'run[r2].log: holds the same readings as r1.csv of run r1 (line ' in line
    assert '(got "r2.csv"); name the log of each firing' in line


def test_two_burns_in_one_log_are_not_taken_for_one(tmp_path):
    case = load_case(renamed(campaign(tmp_path), 'log = "r2.csv"', 'log = "r1.csv"'))
    one, other = (_firing(case, run)[1] for run in case.runs)
    assert len(refusals(case, [one, other])) == 1
    later = replace(other, ignition=one.ignition + one.burn + 0.5)
    assert refusals(case, [one, later]) == []


def jumped(rows, at, by):
    return [row if i < at else f"{float(row.partition(',')[0]) + by:.2f},{row.partition(',')[2]}"
            for i, row in enumerate(rows)]


def test_a_clock_that_jumps_while_burning_is_told_from_lost_scans(tmp_path):
    path = campaign(tmp_path, rows=jumped(ROWS, 40, 1.5))
    lines = remarks(path)
    assert len(lines) == 2
    line = next(line for line in lines if "run[r1]" in line)
    assert ("run[r1]: no reading goes on from 1.90 to 3.50 s of its log, where there are no scans, "
            "as all do before and after (by ") in line
    assert f"if so, take 1.5 s off its times from 3.50 s on in {tmp_path / 'r1.csv'}" in line
    assert remarks(campaign(tmp_path, rows=[*ROWS[:40], *ROWS[55:]])) == ()
