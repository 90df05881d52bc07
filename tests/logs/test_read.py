from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wallsim.case.model import LogFormat
from wallsim.errors import LogError
from wallsim.logs import read_log
from wallsim.logs.columns import find_unit, split_heading

UNTOLD = LogFormat(None, None, None, None, {})
NAMES = ("time [s]", "PC [bar(g)]", "T1 [degC]", "T2 [degC]")


def scans(count: int = 30) -> list[list[str]]:
    return [
        [f"{-0.1 + 0.01 * k:.2f}", f"{0.1 * k:.3f}", f"{20 + k:.1f}", f"{30 + 0.5 * k:.2f}"]
        for k in range(count)
    ]


def write(path: Path, rows: list[list[str]], names: tuple[str, ...] = NAMES, **how: str) -> Path:
    delimiter, decimal = how.get("delimiter", ","), how.get("decimal", ".")
    lines = [delimiter.join(names)] if names else []
    lines += [delimiter.join(cell.replace(".", decimal) for cell in row) for row in rows]
    text = how.get("before", "") + "\n".join(lines) + "\n"
    path.write_bytes(text.encode(how.get("encoding", "utf-8")))
    return path


def read(path: Path, told: LogFormat = UNTOLD, temperatures=("T1", "T2"), pressures=("PC",)):
    return read_log(path, told, temperatures=temperatures, pressures=pressures)


def fault(path: Path, **how) -> str:
    with pytest.raises(LogError) as caught:
        read(path, **how)
    return str(caught.value)


def with_cell(row: int, column: int, text: str) -> list[list[str]]:
    rows = scans()
    rows[row][column] = text
    return rows


def test_plain_log_in_si(tmp_path):
    path = write(tmp_path / "a.csv", scans())
    log = read(path)
    assert list(log.channels) == ["T1", "T2", "PC"]
    np.testing.assert_allclose(log.t, -0.1 + 0.01 * np.arange(30))
    np.testing.assert_allclose(log.channels["T1"], 293.15 + np.arange(30))
    np.testing.assert_allclose(log.channels["PC"], 1e4 * np.arange(30), atol=1e-9)
    assert log.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert log.lost_scans == 0
    assert not log.t.flags.writeable
    assert "PC: in bar gauge" in log.assumptions


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
@pytest.mark.parametrize("before", ["", "# stand 3\n% blend M0\n// tube, 2; 4\n", "Stand 3\n\n"])
def test_encodings_and_preambles(tmp_path, encoding, before):
    names = ("Zeit [s]", "PC [bar]", "T1 [°C]", "T2 [°C]")
    path = write(tmp_path / "a.csv", scans(), names, encoding=encoding, before=before)
    np.testing.assert_allclose(read(path).channels["T2"], 303.15 + 0.5 * np.arange(30))


@settings(
    max_examples=40, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(
    style=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","),
                           ("   ", "."), ("  ", ","), (", ", "."), (" ; ", ",")]),
    values=st.lists(st.floats(-50, 1200).map(lambda x: round(x, 3)), min_size=20, max_size=30),
    digits=st.integers(1, 6),
)  # fmt: skip
def test_delimiters_and_decimals_round_trip(tmp_path, style, values, digits):
    rows = [[f"{0.02 * k:.2f}", f"{k % 7}.5", f"{v:.{digits}f}"] for k, v in enumerate(values)]
    path = write(tmp_path / "a.txt", rows, NAMES[:3], delimiter=style[0], decimal=style[1])
    log = read(path, temperatures=("t1",))
    np.testing.assert_allclose(log.channels["t1"] - 273.15, values, atol=0.6 * 10.0**-digits)
    np.testing.assert_allclose(log.t, 0.02 * np.arange(len(values)))


def test_names_match_without_case_or_blanks_and_by_whole_heading(tmp_path):
    path = write(tmp_path / "a.csv", scans(200), ("TIME", " pc (kPa) ", "T1 [degF]", "T1 [K]"))
    log = read(path, temperatures=("t1 [DEGF]",), pressures=("PC",))
    np.testing.assert_allclose(log.channels["t1 [DEGF]"][0], (20 - 32) / 1.8 + 273.15)
    np.testing.assert_allclose(log.channels["PC"][1], 100.0)
    assert "columns have this name" in fault(path, temperatures=("T1",))


@pytest.mark.parametrize(
    ("heading", "name", "unit"),
    [
        ("PC [bar(g)]", "PC", "bar(g)"), ("PC (bar(g))", "PC", "bar(g)"),
        ("T1 / degC", "T1", "degC"),
        ("T (wall) [C]", "T (wall)", "C"), ("T (wall)", "T (wall)", ""), ("P_psi", "P", "psi"),
        ("T1", "T1", ""), ("flow/total", "flow/total", ""), ("T1 [V]", "T1", "V"),
    ],
)  # fmt: skip
def test_headings(heading, name, unit):
    found = split_heading(heading)
    assert (found.name, found.unit) == (name, unit)


@pytest.mark.parametrize(
    ("text", "kind", "name", "relative"),
    [
        ("°C", "temperature", "degC", ""), ("deg C", "temperature", "degC", ""),
        ("K", "temperature", "K", ""), ("barg", "pressure", "bar", "gauge"),
        ("bar(a)", "pressure", "bar", "absolute"), ("psig", "pressure", "psi", "gauge"),
        ("MPa", "pressure", "MPa", ""), ("mbar", "pressure", "mbar", ""), ("ms", "time", "ms", ""),
        ("Sec", "time", "s", ""), ("kW", None, "kw", ""),
    ],
)  # fmt: skip
def test_units(text, kind, name, relative):
    unit = find_unit(text)
    assert (unit.kind, unit.name, unit.relative) == (kind, name, relative)


def test_no_unit_is_assumed_and_said(tmp_path):
    log = read(write(tmp_path / "a.csv", scans(200), ("t", "PC", "T1", "T2")))
    assert "T1: no unit in the header, degC assumed" in log.assumptions
    assert "PC: no unit in the header, bar gauge assumed" in log.assumptions
    np.testing.assert_allclose(log.channels["T1"][0], 293.15)


def test_told_units_stand_in_for_the_header(tmp_path):
    told = LogFormat(None, None, None, None, {"*": "degF", "pc": "kPa", "T2": "K"})
    log = read(write(tmp_path / "a.csv", scans(200), ("t", "PC", "T1", "T2")), told)
    np.testing.assert_allclose(log.channels["T1"][0], (20 - 32) / 1.8 + 273.15)
    np.testing.assert_allclose(log.channels["T2"][0], 30.0)
    np.testing.assert_allclose(log.channels["PC"][1], 100.0)


def test_row_of_units_and_commented_header(tmp_path):
    rows = [["ms", "bar", "C", "C"], *scans()]
    log = read(write(tmp_path / "a.csv", rows, ("Time", "PC", "T1", "T2")))
    np.testing.assert_allclose(np.diff(log.t), 1e-5)
    path = write(tmp_path / "b.csv", scans(), ("# " + NAMES[0], *NAMES[1:]))
    np.testing.assert_allclose(read(path).t[0], -0.1)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_row_of_units_whose_first_entry_is_empty(tmp_path, delimiter):
    """Of a clock in stamps; with semicolons it looks like a comment."""
    rows = [["", "psig", "°F", "°F"], *([f"09:12:{3 + k / 20:06.3f}", *row[1:]]
                                        for k, row in enumerate(scans()))]
    log = read(write(tmp_path / "a.csv", rows, ("Time", "PC", "T1", "T2"), delimiter=delimiter))
    np.testing.assert_allclose(log.channels["T1"][0], (float(rows[1][2]) + 459.67) / 1.8)
    np.testing.assert_allclose(log.channels["PC"][5], 6894.757 * float(rows[6][1]), rtol=1e-6)


def test_quoted_decimal_commas(tmp_path):
    rows = [[f'"{cell.replace(".", ",")}"' for cell in row] for row in scans()]
    path = tmp_path / "a.csv"
    path.write_text("\n".join([",".join(NAMES), *(",".join(row) for row in rows)]))
    np.testing.assert_allclose(read(path).channels["T2"][1], 303.65)


@pytest.mark.parametrize(
    "form",
    ["2024-05-01 23:59:{:09.6f}", "23:59:{:06.3f}", "2024-05-01T23:59:{:06.3f}Z",
     "01.05.2024 23:59:{:06.3f}", "59:{:06.3f}"],
)  # fmt: skip
def test_stamps_count_from_the_first_scan(tmp_path, form):
    rows = scans()
    for k, row in enumerate(rows):
        row[0] = form.format(10.0 + 0.25 * k)
    log = read(write(tmp_path / "a.csv", rows))
    np.testing.assert_allclose(log.t, 0.25 * np.arange(30), atol=1e-6)


def test_time_of_day_runs_over_midnight(tmp_path):
    rows = scans()
    for k, row in enumerate(rows):
        seconds = 86395 + k
        row[0] = f"{seconds // 3600 % 24:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    np.testing.assert_allclose(read(write(tmp_path / "a.csv", rows)).t, np.arange(30))


@pytest.mark.parametrize(
    "word", ["", "NaN", "OPEN", "OVLD", "OL", "----", "-9999", "9999", "3276.7", "1e30", "inf"]
)
def test_words_for_no_reading(tmp_path, word):
    log = read(write(tmp_path / "a.csv", with_cell(7, 2, word)))
    assert np.flatnonzero(np.isnan(log.channels["T1"])).tolist() == [7]


def test_words_for_no_reading_are_said(tmp_path):
    rows = with_cell(7, 2, "OVERLOAD")
    rows[9][2], rows[11][2], rows[12][2] = "OVERLOAD", "open", "NaN"
    rows[9][3] = ""
    notes = read(write(tmp_path / "a.csv", rows)).assumptions
    assert "T1: 'OVERLOAD', 'open' taken as no reading" in notes
    assert not any(note.startswith("T2") for note in notes)


def test_decimal_commas_between_commas_are_told(tmp_path):
    line = fault(write(tmp_path / "a.csv", scans(), NAMES, decimal=","))
    assert "a.csv:2: 8 entries for the 4 names in line 1: commas within numbers" in line
    assert "export with semicolons between entries, or with decimal points" in line


def test_lost_scans_are_counted_and_not_filled(tmp_path):
    rows = scans(40)
    del rows[20:23], rows[5]
    log = read(write(tmp_path / "a.csv", rows))
    assert log.lost_scans == 4
    assert log.t.size == 36


def test_torn_last_row_is_left_out_and_said(tmp_path):
    rows = scans()
    rows[-1] = rows[-1][:2]
    log = read(write(tmp_path / "a.csv", rows))
    assert log.t.size == 29
    assert any("line 31" in note and "left out" in note for note in log.assumptions)


def test_text_in_a_numeric_column_names_row_and_channel(tmp_path):
    rows = with_cell(7, 2, "abc")
    rows[9][2] = "1.2.3"
    rows[3][3] = "x7"
    message = fault(write(tmp_path / "a.csv", rows))
    first, second = message.splitlines()
    assert "a.csv:9: T1: found 'abc' where a number belongs (and 1 more" in first
    assert "a.csv:5: T2: found 'x7'" in second


def test_missing_file_names_the_place_and_the_nearest(tmp_path):
    write(tmp_path / "n01.csv", scans())
    with pytest.raises(LogError, match=r"case\.toml:12: run\.n1\.log: .*n1\.csv: there is no such"):
        read_log(
            tmp_path / "n1.csv", UNTOLD, temperatures=(), pressures=(),
            line="case.toml:12: run.n1.log",
        )  # fmt: skip
    assert "did you mean 'n01.csv'" in fault(tmp_path / "n1.csv")


@pytest.mark.parametrize(
    ("rows", "names", "parts"),
    [
        ([], (), ["a.csv: the log is empty"]),
        (scans(), (), ["a.csv:1: no header", "4 columns"]),
        (scans(), (*NAMES[:2], "TC1 [degC]", "T2"), ["a.csv:1: T1: no such column",
                                                     "did you mean 'TC1'", "time, PC, TC1, T2"]),
        (scans(19), NAMES, ["a.csv: 19 scans", "at least 20"]),
        (scans(), (*NAMES[:2], "T1 [V]", "T2"), ["a.csv:1: T1: the unit 'V'", "degC, degF or K"]),
        (with_cell(7, 0, "-0.04"), NAMES, ["a.csv:9: time: time repeats (-0.04, then -0.04)"]),
        (with_cell(7, 0, "-0.07"), NAMES, ["a.csv:9: time: time runs backwards (-0.04, then -0.",
                                          "); correct the clock from this row on"]),
        (with_cell(7, 0, ""), NAMES, ["a.csv:9: time: found '' where a time belongs"]),
        ([[*row[:1], "", *row[2:]] for row in scans()], NAMES, ["PC: no reading in the whole log"]),
        ([*scans()[:9], ["1", "2"], *scans()[10:]], NAMES, ["a.csv:11: 2 entries where", "have 4"]),
    ],
)  # fmt: skip
def test_refusals_say_where_what_and_what_to_do(tmp_path, rows, names, parts):
    message = fault(write(tmp_path / "a.csv", rows, names))
    for part in parts:
        assert part in message
    assert ";" in message


def test_not_text_is_named(tmp_path):
    path = tmp_path / "a.xlsx"
    path.write_bytes(b"PK\x03\x04rest")
    assert "workbook" in fault(path)
    path = write(tmp_path / "b.csv", scans(), (*NAMES[:2], "T1 [°C]", "T2"), encoding="cp1252")
    assert "b.csv:1: not utf-8 text" in fault(path, told=LogFormat(None, None, None, "utf-8", {}))
