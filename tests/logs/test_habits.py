"""Logs as other stands write them: repeated headers, closing rows, two rates, a date beside."""

from __future__ import annotations

import numpy as np
import pytest

from wallsim.case.model import LogFormat
from wallsim.errors import LogError
from wallsim.logs import find_events, screen_channels
from wallsim.logs.cadence import own_scans, scans_of

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


def test_a_word_before_the_time_names_the_first_such_scan(tmp_path):
    rows = [["IDLE", *row] for row in scans()]
    path = write(tmp_path / "a.csv", rows, ("State", *NAMES))
    assert f"{path}:2: scans must begin with their time or a number (got 'IDLE')" in fault(path)


def test_a_clock_without_a_unit_that_cannot_be_in_seconds(tmp_path):
    names = ("time", *NAMES[1:])
    rows = [[f"{float(row[0]) / 60:.6f}", *row[1:]] for row in scans()]
    path = write(tmp_path / "a.csv", rows, names)
    where = f"{path}:1: time: runs from -0.001667 to 0.003167 without a unit, 0.0048 s"
    assert where in fault(path)
    told = LogFormat(None, None, None, None, {"time": "min"})
    np.testing.assert_allclose(read(path, told).t, -0.1 + 0.01 * np.arange(30), atol=1e-4)


def test_a_clock_in_days(tmp_path):
    names = ("time [d]", *NAMES[1:])
    rows = [[f"{45720 + float(row[0]) / 86400:.10f}", *row[1:]] for row in scans()]
    t = read(write(tmp_path / "a.csv", rows, names)).t
    np.testing.assert_allclose(np.diff(t), 0.01, atol=2e-5)


@pytest.mark.parametrize(("heading", "hint"), [
    ("TC T9 [degC]", "did you mean 'TC T9'?"), ("T9, inlet [degC]", "did you mean 'T9, inlet'?"),
    ("T99 [degC]", "did you mean 'T99'?"), ("Wall [degC]", "no such column; columns are"),
])  # fmt: skip
def test_a_column_that_holds_the_name_is_offered(tmp_path, heading, hint):
    path = write(tmp_path / "a.csv", scans(), (*NAMES[:2], "Other [degC]", heading),
                 delimiter=";")
    assert hint in fault(path, temperatures=("T9",))


def test_readings_held_between_scans_are_read_once(tmp_path):
    rng = np.random.default_rng(3)
    rows = [[f"{0.01 * k:.2f}", f"{0.1 * k:.3f}", f"{20 + 0.5 * (k // 5) + rng.normal(0, .01):.2f}",
             "30.0"] for k in range(200)]
    for k, row in enumerate(rows):
        row[2] = rows[k - k % 5][2]
    log = read(write(tmp_path / "a.csv", rows))
    np.testing.assert_array_equal(np.flatnonzero(np.isfinite(log.channels["T1"])),
                                  np.arange(0, 200, 5))
    assert np.isfinite(log.channels["T2"]).all()
    assert "T1: a reading every 5 scans, held between" in log.assumptions


def test_a_quiet_record_of_coarse_resolution_is_not_held():
    rng = np.random.default_rng(4)
    for resolution in (0.1, 0.5, 1.0, 2.0):
        quiet = np.round(rng.normal(20, 0.4, 2000) / resolution) * resolution
        assert own_scans(quiet) is None


def two_levels(spans, drop=0.0):
    t = np.arange(-3.0, 20.0, 0.02)
    up = sum(((t >= a) & (t < b)).astype(float) for a, b in spans)
    return t, 1.013e5 + (3e5 * np.clip(up, drop, 1.0))


def test_two_burns_in_one_log_are_refused():
    with pytest.raises(LogError, match=r"up from 0\.\d+ to 3\.\d+ s and again from 8\.99"):
        find_events(*two_levels([(0, 4), (9, 13)]), "r1")


def test_a_tap_lost_for_a_while_is_refused_until_both_moments_are_stated():
    t, p = two_levels([(0, 2), (2.5, 6)])
    with pytest.raises(LogError, match="if that was one burn and the tap was lost"):
        find_events(t, p, "r1")
    events = find_events(t, p, "r1", ignition=0.0, shutdown=6.0)
    assert (events.ignition, events.shutdown) == (0.0, 6.0)
    assert events.plateau == pytest.approx(4.013e5, rel=1e-3)


def test_an_igniter_before_and_a_purge_after_are_no_burns():
    t, p = two_levels([(0, 6)])
    p = p + 1e5 * ((t > -2) & (t < -0.5)) + 0.8e5 * (t > 8) + 5e5 * ((t > -1.2) & (t < -1.1))
    events = find_events(t, p, "r1")
    assert events.ignition == pytest.approx(0.0, abs=0.03)
    assert events.shutdown == pytest.approx(6.0, abs=0.03)
