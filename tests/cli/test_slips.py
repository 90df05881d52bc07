"""Slips of units that every other check lets pass: remarked, at their place, and nothing else."""

from pathlib import Path

import pytest

from tests.cli.campaign import log_rows
from tests.cli.test_differences import ROWS, campaign, refusal, remarks
from wallsim.consistency import other_unit

ROOT = Path(__file__).parents[2]
THREE = (("r1", "bare"), ("r2", "bare"), ("r3", "bare"))


def rewritten(rows, column, change):
    """Return rows with a function of the numbers of some columns in their place."""
    out = []
    for row in rows:
        entries = row.split(",")
        entries[column] = [f"{change(float(x)):.5f}" for x in entries[column]]
        out.append(",".join(entries))
    return out


TIME, P, READINGS = slice(0, 1), slice(1, 2), slice(2, None)


def with_log(folder, run, rows, runs=THREE):
    """Return a campaign of like firings, the log of one of them another."""
    path = campaign(folder, runs=runs)
    log = folder / f"{run}.csv"
    log.write_text("\n".join([log.read_text().splitlines()[0], *rows]) + "\n")
    return path


@pytest.mark.parametrize("name", ["lance", "flange"])
def test_no_campaign_of_ours_is_remarked(name):
    assert remarks(ROOT / "cases" / name / "case.toml") == ()


@pytest.mark.parametrize(("old", "new", "words"), [
    ('bore = "20 mm"', 'bore = "20 in"', "a bore of 508 mm is unusual: such tubes have 5 to"),
    ('bore = "20 mm"', 'outside_diameter = "36 in"', "a bore of 906 mm is unusual"),
    ('wall = "4 mm"', 'wall = "0.4 mm"', "a wall of 0.4 mm is unusual"),
    ('wall = "4 mm"', 'wall = "25 mm"', "is 1.25 times the bore of 20 mm, which is unusual"),
    ('length = "80 mm"', 'length = "8 m"', "a length of 8000 mm is unusual: such tubes have 40"),
    ('lag = "0.05 s"', 'lag = "50 s"', "of A, B is unusual: thermocouples on a wall have 0.01 to"),
    ('like = "bare"', 'like = "bare"\nsilicon = "0.57"', "57 % of the fuel is more than pure"),
    ('"2000 K +- 40 K"', '"20000 K"', "20000 K is unusual: burning gas has 800 to 4500 K"),
    ('growth = "auto"', 'growth = "auto", conductivity = "120 W/m/K"',
     "a conductivity of 120 W/m/K is unusual: deposits have 0.01 to 5"),
    ('growth = "auto"', 'growth = "auto", resistance = "100 m^2*K/W"',
     "a resistance of 100 m^2*K/W is unusual: deposits have 1e-06 to 0.01"),
    ('growth = "auto"', 'growth = "auto", softening = "170 degC"',
     "a softening of 443 K is unusual: deposits have 600 to 3300"),
    ('tolerance = "1 K"', 'coefficient = "2 W/m^2/K"',
     "2 W/m^2/K is unusual: gas-side coefficients are 10 to 100000"),
    ('tolerance = "1 K"', 'limit_temperature = "1600 degC"',
     "1600 degC is above the solidus of carbon steel, 1425 degC: it would have melted"),
    ('tolerance = "1 K"', 'limit_temperature = "150 degF"',
     "66 degC is passed in every firing, even outside: A of r"),
])
def test_numbers_of_a_case_that_are_not_of_the_trade(tmp_path, old, new, words):
    path = campaign(tmp_path, (old, new))
    (line,) = remarks(path)
    at = next(i for i, row in enumerate(path.read_text().splitlines(), 1)
              if new.splitlines()[-1] in row)
    assert line.startswith(f"{path}:{at}: ")
    assert words in line
    assert "; " in line


@pytest.mark.parametrize(("factor", "said"), [
    (14.504, "(1 bar is 14.5 psi)"), (1.0 / 14.504, "(1 bar is 14.5 psi)"),
    (0.1, "(1 MPa is 10 bar)"),
])
def test_one_tap_in_another_unit(tmp_path, factor, said):
    path = with_log(tmp_path, "r2", rewritten(ROWS, P, lambda x: factor * x))
    (line,) = remarks(path)
    assert "run[r2]: P is " in line
    assert "bar above air pressure while burning, in r" in line
    assert "times as fast as that asks for; check the unit in the headings" in line
    assert line.endswith(said)


def test_a_pressure_above_any_of_such_tubes(tmp_path):
    (line,) = remarks(campaign(tmp_path, rows=rewritten(ROWS, P, lambda x: 100.0 * x)))
    assert "run[r1]: P of all runs is 500 bar abs while burning, which is unusual" in line


def test_a_throttled_firing_is_no_slip(tmp_path):
    throttled = log_rows(h=1500.0 * ((1.25 + 1.013) / (5.0 + 1.013)) ** 0.8)
    path = with_log(tmp_path, "r2", rewritten(throttled, P, lambda x: 0.25 * x))
    assert remarks(path) == ()


@pytest.mark.parametrize(("change", "words"), [
    (lambda x: 1.8 * x + 32.0, "read 68 degC; logged in degF and taken to be in degC, that is the"),
    (lambda x: (x - 32.0) / 1.8, "read -7 degC; logged in degC and taken to be in degF, that is"),
    (lambda x: x + 273.15, "read 293 degC; logged in K and taken to be in degC, that is the"),
])
def test_one_log_with_readings_in_another_unit(tmp_path, change, words):
    path = with_log(tmp_path, "r2", rewritten(ROWS, READINGS, change))
    (line,) = remarks(path)
    assert f"run[r2]: before ignition of run r2 the thermocouples {words}" in line
    assert f"check the unit in the heading of {tmp_path / 'r2.csv'}" in line


def test_all_logs_in_another_unit_are_one_line(tmp_path):
    (line,) = remarks(campaign(tmp_path, rows=rewritten(ROWS, READINGS, lambda x: 1.8 * x + 32.0)))
    assert "before ignition of all runs the thermocouples read 68 degC" in line


IN_F = (lambda x: 1.8 * x + 32.0, "68 degC", "degF")
IN_K = (lambda x: x + 273.15, "293 degC", "K")


def with_channel(folder, change, runs, rows=ROWS):
    """Return a campaign of like firings, channel A of some of them in another unit."""
    path = with_log(folder, "r2", rows)
    for run in runs:
        log = folder / f"{run}.csv"
        head, *rest = log.read_text().splitlines()
        log.write_text("\n".join([head, *rewritten(rest, slice(2, 3), change)]) + "\n")
    return path


@pytest.mark.parametrize(("change", "read", "unit"), [IN_F, IN_K])
def test_one_channel_of_one_log_in_another_unit(tmp_path, change, read, unit):
    (line,) = remarks(with_channel(tmp_path, change, ["r2"], ROWS[:-1]))
    assert f"run[r2]: before ignition of run r2 A reads {read}, the others 20 degC; " in line
    assert f"logged in {unit} and taken to be in degC, that is about the same" in line
    assert line.endswith(f'write "A [{unit}]" in the heading of {tmp_path / "r2.csv"}')


@pytest.mark.parametrize(("change", "read", "unit"), [IN_F, IN_K])
def test_one_channel_of_all_logs_in_another_unit(tmp_path, change, read, unit):
    (line,) = remarks(with_channel(tmp_path, change, ["r1", "r2", "r3"], ROWS[:-1]))
    assert f"sensor[A]: before ignition of all runs A reads {read}, the others 20 degC;" in line
    assert line.endswith(f'write "A [{unit}]" in the headings of their logs, or units = '
                         f'{{ "A" = "{unit}" }} under [log] where these give none')


def test_one_place_still_warm_that_rises_as_in_the_others_is_no_slip(tmp_path):
    assert remarks(with_channel(tmp_path, lambda x: x + 48.0, ["r2"], ROWS[:-1])) == ()


def test_a_warm_wall_that_rises_like_the_others_is_no_slip(tmp_path):
    path = with_log(tmp_path, "r2", rewritten(ROWS, READINGS, lambda x: x + 48.0))
    assert remarks(path) == ()


def test_readings_in_kelvin_too_cold_for_the_metal_name_the_unit(tmp_path):
    path = campaign(tmp_path, header="time [s],P [bar(g)],A [K],B [K]")
    (line,) = refusal(path)
    assert "before ignition; check its unit in the log, exclude" in line


def test_one_clock_in_another_unit(tmp_path):
    path = with_log(tmp_path, "r2", rewritten(ROWS, TIME, lambda x: 10.0 * x))
    line, *_ = remarks(path)
    assert "run[r2]: burns for 40 s by its log, r1 for 4 s, and the wall becomes about as" in line
    path = with_log(tmp_path, "r2", rewritten(ROWS, TIME, lambda x: x / 60.0))
    (line,) = refusal(path)
    assert "; check the unit of its clock, by which it burns for 0.067 s; else look" in line


def test_a_short_firing_beside_long_ones_is_no_slip(tmp_path):
    """From 0.6 s on the wall cools slowly: far less hot than after the 4 s of the others."""
    at = [row.split(",")[0] for row in ROWS].index("0.60")
    reached = [float(x) for x in ROWS[at].split(",")[2:]]
    short = ROWS[: at + 1] + tuple(
        f"{0.1 * i + 0.6:.2f},0.0," + ",".join(f"{T - 0.05 * i:.2f}" for T in reached)
        for i in range(1, len(ROWS) - at)
    )
    assert remarks(with_log(tmp_path, "r2", short)) == ()


def test_what_a_reading_is_in_another_unit():
    assert other_unit(293.15, 293.15) is None
    assert other_unit(273.15 + 68.0, 293.15) == ("degF", "degC")
    assert other_unit(293.15 + 273.15, 293.15) == ("K", "degC")
    assert other_unit(20.0, 293.15) == ("degC", "K")
