"""Logs as other stands write them: repeated headers, closing rows, two rates, a date beside."""

from __future__ import annotations

import numpy as np
import pytest

from wallsim.case.model import LogFormat
from wallsim.logs import screen_channels
from wallsim.logs.cadence import scans_of

from .firing import AMBIENT, Firing
from .test_read import NAMES, UNTOLD, fault, read, scans, write


def test_a_header_repeated_between_scans_is_left_out_and_said(tmp_path):
    rows = scans()
    path = write(tmp_path / "a.csv", [*rows[:10], list(NAMES), *rows[10:20], list(NAMES),
                                      *rows[20:]])
    log = read(path)
    assert log.t.size == len(rows)
    assert "lines 12, 23: header repeated, left out" in log.assumptions


def test_a_row_of_units_repeated_with_its_header(tmp_path):
    names, units = ("time", "PC", "T1", "T2"), ["s", "bar", "degC", "degC"]
    rows = scans()
    path = write(tmp_path / "a.csv", [units, *rows[:10], list(names), units, *rows[10:]], names)
    log = read(path)
    assert log.t.size == len(rows)
    assert "lines 13, 14: header repeated, left out" in log.assumptions


@pytest.mark.parametrize("closing", [
    [["Min", "0", "20", "30"], ["Max", "3", "49", "45"]], [["End of record"]],
    [["Mean", "", "", "25"], ["", "", "", ""]],
])  # fmt: skip
def test_closing_rows_are_left_out_and_said(tmp_path, closing):
    log = read(write(tmp_path / "a.csv", [*scans(), *closing]))
    assert log.t.size == 30
    count = sum(any(row) for row in closing)
    assert f"line 32: {count} torn or closing row(s) at the end left out" in log.assumptions


def test_a_word_between_scans_is_still_refused(tmp_path):
    rows = scans()
    path = write(tmp_path / "a.csv", [*rows[:10], ["Marker", "1", "2", "3"], *rows[10:]])
    assert f"{path}:12: time: found 'Marker' where a time belongs" in fault(path)


def test_empty_rows_of_a_spreadsheet_are_no_scans(tmp_path):
    rows = scans()
    empty = [[""] * 4]
    assert read(write(tmp_path / "a.csv", [*rows[:9], *empty, *rows[9:], *empty])).t.size == 30


def test_date_and_time_of_day_in_columns_of_their_own(tmp_path):
    names = ("Date", "Time", "PC [bar]", "T1 [degC]", "T2 [degC]")
    rows = [["04.03.2026", f"23:59:{55 + k // 10:02d},{k % 10}00" if k < 50 else
             f"00:00:{k // 10 - 5:02d},{k % 10}00", f"0,{k}", "20,5", "21"] for k in range(70)]
    path = write(tmp_path / "a.csv", rows, names, delimiter=";")
    np.testing.assert_allclose(read(path).t, 0.1 * np.arange(70), atol=1e-9)


def test_header_only_says_so(tmp_path):
    path = write(tmp_path / "a.csv", [])
    assert f"{path}:1: 1 line of text but no scan below" in fault(path)


def test_all_faults_of_a_log_at_once(tmp_path):
    rows = scans()
    rows[5][0], rows[7][3] = "noon", "warm"
    lines = fault(write(tmp_path / "a.csv", rows), temperatures=("T1", "T2", "T9")).splitlines()
    assert [line.split(": ", 1)[1].split(":")[0] for line in lines] == ["T9", "time", "T2"]


def test_a_unit_stated_against_the_heading_is_said(tmp_path):
    told = LogFormat(None, None, None, None, {"T1": "degF", "PC": "bar(a)", "T2": "degC"})
    log = read(write(tmp_path / "a.csv", scans()), told)
    assert [line.split(": ")[1] for line in log.contradictions] == ["T1", "PC"]
    assert "the heading says degC, units under [log] degF; the heading was taken" in (
        log.contradictions[0]
    )
    np.testing.assert_allclose(log.channels["T1"][0], 293.15)


def test_a_unit_for_all_thermocouples_contradicts_no_heading(tmp_path):
    told = LogFormat(None, None, None, None, {"*": "degF"})
    assert read(write(tmp_path / "a.csv", scans()), told).contradictions == ()
    assert read(write(tmp_path / "b.csv", scans()), UNTOLD).zeros == {"PC": "gauge"}


def test_scans_at_which_a_reading_was_due():
    every = np.ones(200, dtype=bool)
    assert scans_of(every).size == 200
    tenth, due = np.arange(200) % 10 == 3, np.arange(3, 200, 10)
    np.testing.assert_array_equal(scans_of(tenth), due)
    tenth[160:] = False
    np.testing.assert_array_equal(scans_of(tenth), due)
    tenth[[23, 33]] = False
    np.testing.assert_array_equal(scans_of(tenth), due)


def test_readings_lost_at_random_have_no_rate_of_their_own():
    known = np.random.default_rng(0).random(400) < 0.4
    assert scans_of(known).size == 400


def slow(y, by, first=0):
    """Return the record with only every ``by``-th reading kept."""
    return np.where(np.arange(y.size) % by == first, y, np.nan)


def test_slower_channels_are_neither_open_nor_full_of_dropouts():
    firing = Firing()
    readings = firing.readings()
    for i in (1, 2):
        readings[i] = slow(readings[i], 5, i)
    channels = {f"T{i}": f"T{i}" for i in range(1, 7)}
    seen = screen_channels(firing.log(readings), channels, firing.events, ambient=AMBIENT,
                           exclusions={})
    assert [seen[name].verdict for name in channels] == ["ok"] * 6


def test_a_slower_channel_that_goes_silent_is_open():
    firing = Firing()
    readings = firing.readings()
    readings[1] = np.where(firing.t < 4.0, slow(readings[1], 5), np.nan)
    channels = {f"T{i}": f"T{i}" for i in range(1, 7)}
    seen = screen_channels(firing.log(readings), channels, firing.events, ambient=AMBIENT,
                           exclusions={})
    assert seen["T2"].verdict == "open"
    assert seen["T2"].reason.startswith("no reading after 3.90 s")
