"""Every refusal names the line, the key, what was written and what to write."""

from __future__ import annotations

import re

import pytest

from tests.case.campaign import SMALL, faults, line_of, read
from wallsim.case import load_case
from wallsim.errors import CaseError

BORE, WALL, LENGTH = 'bore = "24 mm"', 'wall = "8 mm +- 0.1 mm"', 'length = "400 mm"'
NEAT = 'gas_temperature = "2350 K +- 110 K"'
DEPOSIT = 'deposit = { growth = "auto" }'
TITLE = 'title = "small"'
TAP = 'channel = "P"'
LAST = 'blend = "D5"'


def after(line: str, more: str) -> str:
    return f"{line}\n{more}"


KEYS = [
    # where, what is written there instead, lines below, key, what is wrong
    (BORE, "bore = 24", 0, "tube.bore", "has no unit (got 24); write it like"),
    (BORE, 'bore = "24"', 0, "tube.bore", 'has no unit (got "24"); write it like "24 mm"'),
    (BORE, 'bore = "24 kg"', 0, "tube.bore", "'kg' is not a unit of the kind 'm' (got \"24 kg\")"),
    (BORE, 'bore = "24 mm +- 1 mm"', 0, "tube.bore", "takes no +-, it is held fixed"),
    (BORE, "bore = true", 0, "tube.bore", "must be text (got true)"),
    (BORE, 'boer = "24 mm"', 0, "tube.boer", 'unknown key (got "boer"); did you mean "bore"?'),
    (WALL, 'wall = "-8 mm"', 0, "tube.wall", 'must be above 0 mm (got "-8 mm")'),
    (WALL, "", -3, "tube.wall", "missing; add it, for example wall ="),
    (
        '"carbon steel"',
        '"carbon stel"',
        0,
        "tube.material",
        'unknown material (got "carbon stel"); did you mean "carbon steel"?',
    ),
    ('"carbon steel"', '"own.toml"', 0, "tube.material", "no such material file"),
    (
        LENGTH,
        after(LENGTH, 'head = "bolted"'),
        1,
        "tube.head",
        'neither a known word nor a table (got "bolted")',
    ),
    (
        LENGTH,
        after(LENGTH, 'head = { contact = "300 W/m^2" }'),
        1,
        "tube.head.contact",
        "'W/m^2' is not a unit",
    ),
    (
        LENGTH,
        after(LENGTH, 'head = { contcat = "300 W/m^2/K" }'),
        1,
        "tube.head.contcat",
        'unknown key (got "contcat"); did you mean "contact"?',
    ),
    (LENGTH, after(LENGTH, "head = 3"), 1, "tube.head", "must be a table (got 3)"),
    (
        LENGTH,
        after(LENGTH, 'outside = { emissivity = "1.2" }'),
        1,
        "tube.outside.emissivity",
        'must be 1 or less (got "1.2")',
    ),
    (
        LENGTH,
        after(LENGTH, 'outside = { convection = "natrual" }'),
        1,
        "tube.outside.convection",
        'neither "natural" nor a coefficient (got "natrual"); write "natural" or',
    ),
    (
        'z = "60 mm"',
        'z = "60 mm"\nlead_loss = "100 %"',
        1,
        "sensor[S2].lead_loss",
        'must be below 1 (got "100 %")',
    ),
    ('z = "60 mm"', 'x = "60 mm"', 0, "sensor[S2].x", 'unknown key (got "x")'),
    ('z = "60 mm"', "", -2, "sensor[S2].z", 'missing; add it, for example z = "40 mm"'),
    (
        TAP,
        after(TAP, 'reads = "guage"'),
        1,
        "pressure.reads",
        'not one of the choices (got "guage"); did you mean "gauge"?',
    ),
    (
        TAP,
        after(TAP, 'barometer = "1013 bar"'),
        1,
        "pressure.barometer",
        "must be 1.2 bar or less",
    ),
    (
        TAP,
        after(TAP, 'along = [\n["0 mm", "3 bar"],\n["9 mm", "x"]]'),
        3,
        "pressure.along[2]",
        "neither a share nor an absolute pressure",
    ),
    (TAP, after(TAP, 'along = [["0 mm"]]'), 1, "pressure.along[1]", "must be a pair"),
    (
        TITLE,
        after(TITLE, '[log]\ndelimiter = ":"'),
        2,
        "log.delimiter",
        'not one of the choices (got ":"); write one of ",", ";", "\\t", " ", "|"',
    ),
    (
        TITLE,
        after(TITLE, '[log]\nunits = { TC1 = "" }'),
        2,
        "log.units.TC1",
        'is empty (got "")',
    ),
    ('name = "S2"', 'name = "  "', 0, "sensor[  ].name", 'is empty (got "  "); write a text'),
    (TAP, after(TAP, 'taps = [{ channel = "P2" }]'), 1, "pressure.taps[1].z", "missing"),
    (NEAT, "gas_temperature = 2350", 0, "blend.neat.gas_temperature", "has no unit (got 2350)"),
    (
        NEAT,
        after(NEAT, 'silicon = "1 g"'),
        1,
        "blend.neat.silicon",
        "takes a plain number or a share in %, not 'g' (got \"1 g\"); write it like \"1.14 %\"",
    ),
    (
        NEAT,
        after(NEAT, "silicon = 1.14"),
        1,
        "blend.neat.silicon",
        'must be 1 or less (got 1.14); write it like "1.14 %"',
    ),
    (
        LENGTH,
        after(LENGTH, 'outside = { emissivity = "70" }'),
        1,
        "tube.outside.emissivity",
        'must be 1 or less (got "70"); write it like "0.8 +- 0.1"',
    ),
    (
        LENGTH,
        after(LENGTH, 'outside = { convection = "10 W/m2" }'),
        1,
        "tube.outside.convection",
        'write it like "20 W/m^2/K"',
    ),
    (
        TAP,
        after(TAP, 'barometer = "0 bar(g)"'),
        1,
        "pressure.barometer",
        'is above air pressure where an absolute one belongs (got "0 bar(g)"); add the air',
    ),
    (
        TAP,
        after(TAP, 'along = [["0 mm", "2.7 barg"]]'),
        1,
        "pressure.along[1]",
        "is above air pressure where an absolute one belongs",
    ),
    (
        LAST,
        after(LAST, 'exclude = ["S1"]'),
        1,
        "run[R02].exclude",
        "must be a table (got ['S1']); write exclude = { S3 = \"loose from 7 s\" }",
    ),
    (
        LAST,
        after(LAST, 'reattached = "S1"'),
        1,
        "run[R02].reattached",
        'must be a list (got "S1"); write reattached = ["S3"]',
    ),
    (
        LAST,
        after(LAST, 'shed = "50 %"'),
        1,
        "run[R02].shed.at",
        'write it like "3.2 s +- 0.3 s"',
    ),
    (NEAT, 'gas_temperature = "-3 K"', 0, "blend.neat.gas_temperature", "must be above 0 K"),
    (
        'like = "neat"',
        'lik = "neat"',
        0,
        "blend.D5.lik",
        'unknown key (got "lik"); did you mean "like"?',
    ),
    (
        DEPOSIT,
        'deposit = { growth = "linaer" }',
        0,
        "blend.D5.deposit.growth",
        'not one of the choices (got "linaer"); did you mean "linear"?',
    ),
    (
        DEPOSIT,
        'deposit = { grwth = "auto" }',
        0,
        "blend.D5.deposit.grwth",
        'unknown key (got "grwth"); did you mean "growth"?',
    ),
    ("[blend.neat]", "[blend]", 1, "blend.gas_temperature", "stands outside a table [blend.NAME]"),
    (LAST, after(LAST, 'exclude = ["S1"]'), 1, "run[R02].exclude", "must be a table"),
    (LAST, after(LAST, 'exclude = { S1 = "" }'), 1, "run[R02].exclude.S1", "is empty"),
    (LAST, after(LAST, 'reattached = "S1"'), 1, "run[R02].reattached", "must be a list"),
    (TITLE, "title = 5", 0, "title", "must be text (got 5); put it in quotes"),
    (
        TITLE,
        after(TITLE, '[fit]\nheating_scater = "2 %"'),
        2,
        "fit.heating_scater",
        'unknown key (got "heating_scater"); did you mean "heating_scatter"?',
    ),
    (
        TITLE,
        after(TITLE, '[fit]\nheating_scatter = "2.5"'),
        2,
        "fit.heating_scatter",
        "must be below 1",
    ),
    (
        TITLE,
        after(TITLE, '[fit]\nlimit_temperature = "900"'),
        2,
        "fit.limit_temperature",
        "has no unit",
    ),
    (TITLE, after(TITLE, "[pres]\nx = 1"), 1, "pres", 'unknown key (got "pres")'),
]


@pytest.mark.parametrize(("old", "new", "below", "key", "wrong"), KEYS)
def test_one_key(tmp_path, old, new, below, key, wrong):
    found = faults(tmp_path, (old, new))
    start = f"{line_of(old) + below}: {key}: "
    assert any(told(f, start, wrong) for f in found), found


def told(fault, start, wrong):
    return fault.startswith(start) and wrong in fault.removeprefix(start)


BETWEEN = [
    (
        BORE,
        after(BORE, 'outside_diameter = "40 mm"'),
        -2,
        "tube",
        'bore or outside_diameter, exactly one of the two (got "both")',
    ),
    (BORE, "", -2, "tube", "bore or outside_diameter, exactly one of the two;"),
    (BORE, 'outside_diameter = "16 mm"', 1, "tube.wall", "leaves no bore"),
    ('material = "carbon steel"\n', "", -1, "tube.material", "missing"),
    (LENGTH, after(LENGTH, 'regions = { wall = "copper" }'), 1, "tube.regions", "needs a mesh"),
    (
        LENGTH,
        after(LENGTH, 'head = { contact = "1 W/m^2/K", convection = "1 W/m^2/K" }'),
        1,
        "tube.head",
        "contact or convection, exactly one of the two",
    ),
    (LENGTH, after(LENGTH, "head = { }"), 1, "tube.head", "contact or convection, exactly one"),
    (
        LENGTH,
        after(LENGTH, 'outside = { convection = "9 W/m^2/K", convection_scale = "1" }'),
        1,
        "tube.outside.convection_scale",
        "only for natural convection",
    ),
    (
        'z = "60 mm"',
        'z = "460 mm"',
        0,
        "sensor[S2].z",
        'S2 is outside the tube, which is 400 mm long (got "460 mm")',
    ),
    (
        'z = "60 mm"',
        'z = "60 mm"\ndepth = "9 mm"',
        1,
        "sensor[S2].depth",
        "S2 would be in the bore: the wall is 8 mm",
    ),
    ('name = "S2"', 'name = "S1"', 0, "sensor[S1].name", "used twice (first at line 10)"),
    ('name = "S2"', 'name = "S2"\nchannel = "S1"', 1, "sensor[S2].channel", "used twice"),
    (TAP, 'channel = "S1"', 0, "pressure.channel", "is the channel of sensor S1 too"),
    (
        TAP,
        after(TAP, 'along = [["0 mm", "3 bar"], ["9 mm", "0.9"]]'),
        1,
        "pressure.along",
        "mixes shares and pressures",
    ),
    (
        TAP,
        after(TAP, 'along = [["9 mm", "3 bar"],\n["0 mm", "2 bar"]]'),
        1,
        "pressure.along",
        "positions must increase",
    ),
    (
        TAP,
        after(TAP, 'along = [["9 mm", "3 bar"],\n["500 mm", "2 bar"]]'),
        2,
        "pressure.along[2]",
        "the last point is outside the tube",
    ),
    (
        TAP,
        after(TAP, 'taps = [{ channel = "P2", z = "1 m" }]'),
        1,
        "pressure.taps[1].z",
        "P2 is outside the tube",
    ),
    (
        TAP,
        after(TAP, 'along = [["0 mm", "1"]]\ntaps = [{ channel = "P2", z = "1 mm" }]'),
        1,
        "pressure.along",
        "given beside taps",
    ),
    (
        NEAT,
        'gas_temperature = "15 degC"',
        0,
        "blend.neat.gas_temperature",
        'not above the ambient, 20 degC (got "15 degC")',
    ),
    (
        NEAT,
        after(NEAT, 'gas_temperature_along = [["9 mm", "1"], ["9 mm", "1"]]'),
        1,
        "blend.neat.gas_temperature_along",
        "positions must increase",
    ),
    (NEAT, 'silicon = "1 %"', -1, "blend.neat.gas_temperature", "missing"),
    (NEAT, after(NEAT, 'like = "D5"'), 1, "blend.neat.like", "goes round in a circle"),
    (
        'like = "neat"',
        'like = "naet"',
        0,
        "blend.D5.like",
        'no such blend (got "naet"); did you mean "neat"?',
    ),
    ('like = "neat"', 'like = "D5"', 0, "blend.D5.like", "goes round in a circle"),
    (LAST, 'blend = "D6"', 0, "run[R02].blend", 'no such blend (got "D6"); did you mean "D5"?'),
    ('log = "a.csv"', 'log = "b.csv"', 0, "run[R01].log", 'no such log file (got "b.csv")'),
    ('name = "R02"', 'name = "R01"', 0, "run[R01].name", "used twice (first at line 28)"),
    (
        LAST,
        after(LAST, 'start = "as left by R03"'),
        1,
        "run[R02].start",
        "neither a clean bore nor an earlier run",
    ),
    (LAST, after(LAST, 'start = "as left by R02"'), 1, "run[R02].start", "earlier runs: R01"),
    (LAST, after(LAST, 'start = "R01"'), 1, "run[R02].start", 'write "clean bore" or "as left by'),
    (LAST, after(LAST, 'retained = "0.8"'), 1, "run[R02].retained", "left on a clean bore"),
    (LAST, after(LAST, 'retained = "1 +- 0.1"'), 1, "run[R02].retained", "no +- at 0 or 1"),
    (LAST, after(LAST, 'shed = { lost = "1" }'), 1, "run[R02].shed.at", "missing; add it"),
    (LAST, after(LAST, 'shed = "3 s +- 9 s"'), 1, "run[R02].shed.at", "write +- 5 s or less"),
    (
        LAST,
        after(LAST, 'shed = { at = "3 s", beyond = "500 mm" }'),
        1,
        "run[R02].shed.beyond",
        "which is 400 mm long",
    ),
    ('blend = "neat"', 'blend = "neat"\nshed = "3 s"', 1, "run[R01].shed", "leaves no deposit"),
    (
        LAST,
        after(LAST, 'exclude = { S2 = "x", S9 = "x" }'),
        1,
        "run[R02].exclude.S9",
        'no such sensor (got "S9")',
    ),
    (
        LAST,
        after(LAST, 'exclude = { S2 = "loose, from 7" }'),
        1,
        "run[R02].exclude.S2",
        'the moment has no unit (got "loose, from 7"); write "from 7 s"',
    ),
    (
        LAST,
        after(LAST, 'exclude = { S2 = "lags by 3 s" }'),
        1,
        "run[R02].exclude.S2",
        '"3 s" in it is not understood (got "lags by 3 s"); write "from 7 s", "until 9 s" or',
    ),
    (
        LAST,
        after(LAST, 'exclude = { S2 = "from 7 s until 3 s" }'),
        1,
        "run[R02].exclude.S2",
        "ends before it starts",
    ),
    (
        LAST,
        after(LAST, 'reattached = [\n"T1"]'),
        2,
        "run[R02].reattached[1]",
        'no such sensor (got "T1")',
    ),
    (
        LAST,
        after(LAST, 'ignition = "5 s"\nshutdown = "2 s"'),
        2,
        "run[R02].shutdown",
        "is not after ignition",
    ),
    (
        TITLE,
        after(TITLE, '[fit]\nlimit_temperature = "900 mK"'),
        2,
        "fit.limit_temperature",
        "not above the ambient",
    ),
]


@pytest.mark.parametrize(("old", "new", "below", "key", "wrong"), BETWEEN)
def test_keys_against_each_other(tmp_path, old, new, below, key, wrong):
    found = faults(tmp_path, (old, new))
    start = f"{line_of(old) + below}: {key}: "
    assert any(told(f, start, wrong) for f in found), found


@pytest.mark.parametrize(
    ("where", "bare"),
    [
        (BORE, "bore = 24"),
        (LENGTH, "length = 400"),
        (LENGTH, after(LENGTH, "outside = { ambient = 14 }")),
        (TAP, after(TAP, "barometer = 1013")),
        (LAST, after(LAST, "ignition = 0.4")),
        (TITLE, after(TITLE, "[fit]\ntolerance = 0.2")),
    ],
)
def test_what_to_write_for_a_fixed_quantity_has_no_uncertainty(tmp_path, where, bare):
    """It would be refused in its turn."""
    (fault,) = faults(tmp_path, (where, bare))
    assert re.search(r'; write it like "[\d.]+ [a-zA-Z]+"$', fault), fault


WIDE = [
    # where, what is written there, what is wrong, the widest that is taken
    (WALL, 'wall = "8 mm +- 60 %"', "is 60 % of the value, as good as unknown", "+- 50 %"),
    (WALL, 'wall = "8 mm +- 5 mm"', "is 62 % of the value", "+- 50 %"),
    (LENGTH, 'head = { contact = "500 W/m^2/K +- 900 %" }', "is 900 % of the value", "+- 200 %"),
    (LENGTH, 'head = { contact = "0 W/m^2/K +- 9 W/m^2/K" }', "takes no +- on 0", "positive value"),
    (LENGTH, 'conductivity_scale = "1 +- 70 %"', "is 70 % of the value", "+- 50 %"),
    (LENGTH, 'heat_capacity_tilt = "0 % +- 90 %"', "too wide to mean anything", "+- 0.5 or less"),
    (LENGTH, 'outside = { emissivity = "0.7 +- 0.6" }', "too wide", "+- 0.5 or less"),
    (LENGTH, 'outside = { convection = "9 W/m^2/K +- 300 %" }', "is 300 %", "+- 100 %"),
    (LENGTH, 'outside = { convection_scale = "1 +- 3" }', "is 300 %", "+- 100 %"),
    ('z = "60 mm"', 'z = "60 mm +- 60 mm"', "too wide", "+- 0.05 m or less"),
    ('z = "60 mm"', 'lag = "0.1 s +- 900 %"', "is 900 %", "+- 200 %"),
    ('z = "60 mm"', 'lag = "0 s +- 0.1 s"', "takes no +- on 0", "or 0 alone"),
    ('z = "60 mm"', 'lead_loss = "2 % +- 40 %"', "too wide", "+- 0.3 or less"),
    (NEAT, 'gas_temperature = "2350 K +- 1500 K"', "is 64 %", "+- 50 %"),
    (NEAT, 'own_error = "1 +- 90 %"', "is 90 %", "+- 50 %"),
    (NEAT, 'coefficient = "1 +- 250 %"', "is 250 %", "+- 200 %"),
    (DEPOSIT, 'deposit = { resistance = "1e-4 m^2*K/W +- 900 %" }', "is 900 %", "+- 200 %"),
    (DEPOSIT, 'deposit = { conductivity = "0.2 W/m/K +- 1 W/m/K" }', "is 500 %", "+- 200 %"),
    (TITLE, '[fit]\nignition_offset = "0 s +- 2 s"', "too wide", "+- 1 s or less"),
    (TITLE, '[fit]\npressure_exponent = "0.8 +- 0.8"', "too wide", "+- 0.5 or less"),
    (TITLE, '[fit]\npurge = "50 W/m^2/K +- 900 %"', "is 900 %", "+- 200 %"),
    (TITLE, '[fit]\nramp = "0 s +- 0.1 s"', "takes no +- on 0", "or 0 alone"),
]


@pytest.mark.parametrize(("old", "new", "wrong", "widest"), WIDE)
def test_an_uncertainty_that_says_nothing(tmp_path, old, new, wrong, widest):
    kept = new if old.split(" =")[0] == new.split(" =")[0] else after(old, new)
    (fault,) = faults(tmp_path, (old, kept))
    assert "+- " in fault
    assert wrong in fault
    assert widest in fault.rpartition("; ")[2]


def test_the_widest_uncertainties_that_are_taken(tmp_path):
    case = read(
        tmp_path,
        (WALL, 'wall = "8 mm +- 50 %"'),
        (DEPOSIT, 'deposit = { resistance = "3e-4 m^2*K/W +- 200 %" }'),
        (TITLE, '[fit]\npurge = "70 W/m^2/K +- 140 W/m^2/K"'),
    )
    assert case.tube.wall.sd == pytest.approx(0.004)
    assert case.blends["D5"].deposit.resistance.relative_sd == pytest.approx(2.0)


def test_all_faults_at_once(tmp_path):
    found = faults(tmp_path, (BORE, "bore = 24"), (TAP, 'chanel = "P"'), (LAST, "blend = 5"))
    assert [fault.split(": ")[1] for fault in found] == [
        "tube.bore",
        "pressure.chanel",
        "run[R02].blend",
    ]


def test_all_faults_between_keys_at_once(tmp_path):
    found = faults(
        tmp_path, ('z = "60 mm"', 'z = "6 m"'), (LAST, 'blend = "D6"'), ("carbon steel", "steal")
    )
    assert [fault.split(": ")[1] for fault in found] == [
        "tube.material",
        "sensor[S2].z",
        "run[R02].blend",
    ]


def test_faults_of_both_kinds_come_together_in_the_order_of_the_lines(tmp_path):
    """A key that failed makes no further fault, and hides none that has nothing to do with it."""
    found = faults(
        tmp_path,
        ("carbon steel", "carbon stel"),
        (LENGTH, "length = 400"),
        ('z = "60 mm"', 'z = "60 mm"\ndepth = "9 mm"'),
        (TAP, 'channel = "P"\nbarometer = "1013 bar"\nalong = [["9 mm", "1"], ["0 mm", "1"]]'),
        (LAST, 'blend = "D6"'),
    )
    assert [(int(fault.split(":")[0]), fault.split(": ")[1]) for fault in found] == [
        (4, "tube.material"),
        (7, "tube.length"),
        (16, "sensor[S2].depth"),
        (20, "pressure.barometer"),
        (21, "pressure.along"),
        (38, "run[R02].blend"),
    ]


FOLLOWERS = [
    # a fault, and elsewhere what would be a fault only because of it
    ((BORE, "bore = 24"),),
    ((BORE, 'boer = "24 mm"'),),
    ((BORE, after(BORE, 'inside_diameter = "24 mm"')),),
    (('material = "carbon steel"', "material = 3"),),
    ((LENGTH, after(LENGTH, "head = { contact = 3 }")),),
    ((LENGTH, after(LENGTH, "mesh = 3")),),
    (('name = "S1"', 'nmae = "S1"'), (LAST, after(LAST, 'reattached = ["S1"]'))),
    (('name = "S1"', "name = 1"), (LAST, after(LAST, 'exclude = { S1 = "loose" }'))),
    (('name = "R01"', ""), (LAST, after(LAST, 'start = "as left by R01"'))),
    ((TAP, after(TAP, 'along = [["0 mm", "1"], ["9 mm", "x"], ["20 mm", "0.8"]]')),),
    ((TAP, after(TAP, 'along = [["0 mm", "3 bar"], [9, "2 bar"], ["20 mm", "1 bar"]]')),),
    (("[blend.neat]", "[blend]"),),
    (("[blend.neat]", "[blends.neat]"),),
    ((NEAT, "gas_temperature = 2350"),),
    ((NEAT, 'gas_temprature = "2350 K"'),),
    (('like = "neat"', "like = 3"),),
    ((DEPOSIT, "deposit = 3"),),
    ((DEPOSIT, 'deposit = "linaer"'),),
    ((LAST, after(LAST, "reattached = [3]")),),
]


@pytest.mark.parametrize("changes", FOLLOWERS)
def test_one_fault_makes_no_other(tmp_path, changes):
    assert len(faults(tmp_path, *changes)) == 1


WHOLE = {
    "tube": (SMALL[SMALL.index("[tube]") : SMALL.index("[[sensor]]")], "tube = 3\n"),
    "sensor": (SMALL[SMALL.index("[[sensor]]") : SMALL.index("[pressure]")], "sensor = 3\n"),
    "pressure": (SMALL[SMALL.index("[pressure]") : SMALL.index("[blend.neat]")], "pressure = 3\n"),
    "blend": (SMALL[SMALL.index("[blend.neat]") : SMALL.index("[[run]]")], "blend = []\n"),
    "run": (SMALL[SMALL.index("[[run]]") :], "run = {}\n"),
}


@pytest.mark.parametrize("name", WHOLE)
@pytest.mark.parametrize("missing", [True, False])
def test_a_whole_table_that_failed_is_one_fault(tmp_path, name, missing):
    table, instead = WHOLE[name]
    changes = [(table, "")]
    if not missing:
        changes.append(('title = "small"\n', instead))
    assert [fault.split(": ")[1] for fault in faults(tmp_path, *changes)] == [name]


def test_faults_of_a_metal_of_ones_own_name_its_own_file(tmp_path):
    (tmp_path / "own.toml").write_text('name = "own"\n')
    with pytest.raises(CaseError, match=r"own\.toml:1: density: missing"):
        read(tmp_path, ("carbon steel", "own.toml"))


def test_empty_file_lists_what_is_needed(tmp_path):
    (tmp_path / "case.toml").write_text("")
    with pytest.raises(CaseError) as caught:
        load_case(tmp_path / "case.toml")
    assert [fault.split(": ")[1] for fault in caught.value.faults] == [
        "tube",
        "sensor",
        "pressure",
        "blend",
        "run",
    ]
