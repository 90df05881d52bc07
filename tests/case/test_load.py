"""What a case file says, in SI, with its defaults."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.case.campaign import SMALL, read
from wallsim.case import load_case, schema_text
from wallsim.case.schema import CaseKeys, Table

LANCE = Path(__file__).parents[2] / "cases" / "lance" / "case.toml"


def test_smallest_case_and_its_defaults(tmp_path):
    case = read(tmp_path)
    tube = case.tube
    assert case.title == "small"
    assert tube.bore.value == pytest.approx(0.024)
    assert (tube.wall.value, tube.wall.sd) == (pytest.approx(0.008), pytest.approx(1e-4))
    assert (tube.inner_radius, tube.outer_radius) == (pytest.approx(0.012), pytest.approx(0.02))
    assert tube.fixed_diameter == "bore"
    assert tube.solids["wall"].name == "carbon steel"
    assert (tube.head.coefficient.value, tube.exit.coefficient.value) == (0.0, 0.0)
    assert tube.outside.ambient == pytest.approx(293.15)
    assert tube.outside.convection is None
    assert (tube.outside.emissivity.value, tube.outside.emissivity.sd) == (0.8, 0.1)
    assert tube.mesh is None
    assert [s.channel for s in case.sensors] == ["S1", "S2"]
    assert (case.sensors[0].z.value, case.sensors[0].z.sd) == (pytest.approx(0.025), 0.0)
    assert case.sensors[0].lag.sd == pytest.approx(0.05)
    assert case.pressure.gauge
    assert case.pressure.barometer == pytest.approx(101325.0)
    assert case.blends["neat"].deposit is None
    assert case.blends["D5"].deposit.growth == "auto"
    assert case.runs[0].start is None
    assert case.runs[0].log.is_file()
    assert case.fit.heating_scatter.value == pytest.approx(0.025)
    assert case.fit.correlation_length == pytest.approx(0.1)
    assert case.fit.limit_temperature is None


def test_title_is_the_folder_if_not_said(tmp_path):
    assert read(tmp_path, ('title = "small"\n', "")).title == tmp_path.name


def test_outside_diameter_stays_and_the_bore_follows(tmp_path):
    tube = read(tmp_path, ('bore = "24 mm"', 'outside_diameter = "40 mm"')).tube
    assert tube.fixed_diameter == "outside"
    assert tube.bore.value == pytest.approx(0.024)


def test_ends(tmp_path):
    words = 'head = { contact = "500 W/m^2/K +- 60 %" }\nexit = "open"\nwall ='
    tube = read(tmp_path, ("wall =", words)).tube
    assert tube.head.coefficient.sd == pytest.approx(300.0)
    assert tube.head.temperature == pytest.approx(293.15)
    assert (tube.exit.coefficient.value, tube.exit.coefficient.sd) == (15.0, 7.5)


def test_end_of_its_own_temperature(tmp_path):
    words = 'head = { convection = "30 W/m^2/K", temperature = "60 degC" }\nwall ='
    head = read(tmp_path, ("wall =", words)).tube.head
    assert (head.coefficient.value, head.temperature) == (30.0, pytest.approx(333.15))


def test_like_takes_the_gas_but_not_the_deposit(tmp_path):
    neat = (
        'gas_temperature = "2350 K +- 110 K"\ncoefficient = "1.1 +- 5 %"\nwater = "20 %"\n'
        'gas_temperature_along = [["0 mm", "0.5"], ["400 mm", "1"]]\ndeposit = "linear"'
    )
    case = read(
        tmp_path,
        ('gas_temperature = "2350 K +- 110 K"', neat),
        ('deposit = { growth = "auto" }', 'silicon = "1 %"'),
    )
    a, b = case.blends["neat"], case.blends["D5"]
    assert b.gas_temperature == a.gas_temperature
    assert b.gas_temperature_along == ((0.0, 0.5), (pytest.approx(0.4), 1.0))
    assert b.coefficient == a.coefficient
    assert (a.deposit.growth, b.deposit) == ("linear", None)
    assert (a.water, b.water, b.silicon) == (pytest.approx(0.2), 0.0, pytest.approx(0.01))
    assert (a.own_error.sd, b.own_error.sd) == (0.005, 0.0)


def test_error_of_its_own_is_taken_out_of_the_shared_one(tmp_path):
    """Once: the blend that is like it shares that error and does not count it again."""
    own = ('110 K"', '110 K"\ngas_temperature_error = "own"\nown_error = "1 +- 1 %"')
    case = read(tmp_path, own)
    a, b = case.blends["neat"], case.blends["D5"]
    assert (a.gas_temperature.value, a.gas_temperature.sd) == (2350.0, 0.0)
    assert a.own_error.sd == pytest.approx(math.hypot(0.01, 110.0 / 2350.0))
    assert (b.gas_temperature.sd, b.own_error.sd) == (0.0, 0.0)


def test_like_with_an_error_of_its_own(tmp_path):
    case = read(tmp_path, ('like = "neat"', 'like = "neat"\ngas_temperature_error = "own"'))
    assert case.blends["neat"].gas_temperature.sd == pytest.approx(110.0)
    assert case.blends["D5"].gas_temperature.sd == 0.0
    assert case.blends["D5"].own_error.sd == pytest.approx(110.0 / 2350.0)


@pytest.mark.parametrize("value", ['"none"', '{ growth = "none" }'])
def test_no_deposit(tmp_path, value):
    case = read(tmp_path, ('deposit = { growth = "auto" }', f"deposit = {value}"))
    assert case.blends["D5"].deposit is None


@pytest.mark.parametrize(
    "along",
    [
        '[["0 mm", "3.7 bar"], ["400 mm", "1.85 bar"]]',
        '[["0 mm", "1"], ["400 mm", "0.5"]]',
        '[["0 mm", "0.8"], ["400 mm", "40 %"]]',
    ],
)
def test_pressure_along_is_told_against_the_tap(tmp_path, along):
    pressure = read(tmp_path, ('channel = "P"', f'channel = "P"\nalong = {along}')).pressure
    assert pressure.along == ((0.0, 1.0), (pytest.approx(0.4), pytest.approx(0.5)))


@pytest.mark.parametrize(
    ("reason", "start", "end"),
    [
        ("hanging loose after the firing, from 7 s", 7.0, math.inf),
        ("from 3,25 s until 4.5 sec: cable moved", 3.25, 4.5),
        ("Until 0 s, cold", -math.inf, 0.0),
        ("lead shorted from 7 s to 9.5 s", 7.0, 9.5),
        ("From 7s to the end", 7.0, math.inf),
        ("moved from TC3 to TC4", -math.inf, math.inf),
        ("from -0.5 s", -0.5, math.inf),
        ("fell off", -math.inf, math.inf),
        ("bad from the start", -math.inf, math.inf),
    ],
)
def test_exclusions(tmp_path, reason, start, end):
    case = read(tmp_path, ('blend = "D5"', f'blend = "D5"\nexclude = {{ S2 = "{reason}" }}'))
    found = case.runs[1].exclude["S2"]
    assert (found.from_s, found.until_s, found.reason) == (start, end, reason)


def test_run_that_starts_where_another_ended(tmp_path):
    more = 'blend = "D5"\nstart = "as left by R01"\nreattached = ["S2"]\nignition = "0.4 s"'
    run = read(tmp_path, ('blend = "D5"', more)).runs[1]
    assert (run.start, run.reattached, run.ignition) == ("R01", ("S2",), 0.4)
    assert (run.retained.value, run.retained.sd, run.shed) == (0.9, 0.2, None)


def test_a_fraction_retained_and_a_deposit_that_comes_off(tmp_path):
    more = 'blend = "D5"\nstart = "as left by R01"\nretained = "1"\n'
    case = read(tmp_path, ('blend = "D5"', more + 'shed = "3.2 s +- 0.3 s"'))
    run = case.runs[1]
    assert (run.retained.value, run.retained.sd) == (1.0, 0.0)
    assert (run.shed.at.value, run.shed.at.sd, run.shed.lost.value, run.shed.beyond) == (
        3.2, pytest.approx(0.3), 0.5, 0.0)
    assert "retained" not in case.resolved["run"][0]
    table = 'shed = { at = "3.2 s", lost = "1", beyond = "250 mm" }'
    assert read(tmp_path, ('blend = "D5"', more + table)).runs[1].shed.beyond == 0.25


def test_a_metal_of_ones_own_beside_the_case(tmp_path):
    (tmp_path / "tin.toml").write_text(
        'name = "tin"\n[density]\nvalue = "7300 kg/m^3"\nsource = "x"\n'
        '[conductivity]\nunits = ["K", "W/m/K"]\nsource = "x"\npoints = [[200, 70], [500, 60]]\n'
        '[specific_heat]\nunits = ["K", "J/kg/K"]\nsource = "x"\npoints = [[200, 210], [500, 260]]'
    )
    assert read(tmp_path, ("carbon steel", "tin.toml")).tube.solids["wall"].name == "tin"


def leaves(value):
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        return [leaf for item in value for leaf in leaves(item)]
    return [value]


def test_echo_is_text_and_holds_every_default(tmp_path):
    case = read(tmp_path)
    echo = case.resolved
    assert all(isinstance(leaf, str) for leaf in leaves(echo))
    assert echo["tube"]["wall"] == "8 mm +- 0.1 mm"
    assert echo["tube"]["outside"]["convection"] == "natural"
    assert echo["tube"]["head"] == {"contact": "0 W/m^2/K", "temperature": "20 degC"}
    assert "outside_diameter" not in echo["tube"]
    assert echo["sensor"][1]["channel"] == "S2"
    assert echo["blend"]["D5"]["gas_temperature"] == "2350 K +- 110 K"
    assert echo["blend"]["D5"]["own_error"] == "1"
    assert echo["blend"]["neat"]["deposit"] == "bare bore"
    assert echo["run"][0]["ignition"] == "from the pressure"
    assert echo["fit"]["correlation_length"] == "100 mm"
    assert list(echo) == ["title", "tube", "sensor", "pressure", "log", "blend", "run", "fit"]


def test_byte_order_mark_and_windows_line_ends(tmp_path):
    (tmp_path / "a.csv").touch()
    path = tmp_path / "case.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert load_case(path).title == "small"


def test_relative_path(tmp_path, monkeypatch):
    read(tmp_path)
    monkeypatch.chdir(tmp_path)
    case = load_case("case.toml")
    assert case.runs[0].log.is_file()


def test_lance():
    case = load_case(LANCE)
    assert len(case.sensors) == 11
    assert case.blends["D5_3"].gas_temperature == case.blends["neat"].gas_temperature
    assert case.pressure.along[-1] == (pytest.approx(0.4), pytest.approx(1.70 / 3.75))
    assert all(run.log.is_file() for run in case.runs)


def tables(model: type[Table]):
    yield model
    for field in model.model_fields.values():
        for inner in (field.annotation, *getattr(field.annotation, "__args__", ())):
            if isinstance(inner, type) and issubclass(inner, Table):
                yield from tables(inner)


def test_every_key_is_explained():
    """In the printed table too, except for `TapKeys`, which fits in its own line."""
    rows = [row for row in schema_text().splitlines() if row.startswith("| `")]
    printed = {row.split("`")[3] for row in rows}
    for model in tables(CaseKeys):
        for name, field in model.model_fields.items():
            assert field.description
            assert name in printed | {
                "tube",
                "sensor",
                "pressure",
                "log",
                "blend",
                "run",
                "fit",
                "title",
                "z",
            }
    assert '| `[tube]` | `wall` | wall thickness | required: `wall = "5.08 mm +- 0.1 mm"` |' in rows
    assert "| `[fit]` | `heating_scatter` |" in schema_text()


def test_the_manual_prints_the_keys_there_are():
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    _, heading, section = text.partition("\n## Keys of a case file\n")
    assert heading
    rows = [line for line in section.splitlines() if line.startswith("|")]
    assert rows == schema_text().splitlines()
    assert "\n## " not in section
