"""A user's own metal: read like the shipped ones, each fault with its line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wallsim.errors import CaseError
from wallsim.materials import load_solid
from wallsim.materials.library import Piece

GOOD = """\
name = "my steel"

[density]
value = "7.8 g/cm^3"
source = "weighed"

[conductivity]
units = ["degF", "W/m/K"]
source = "certificate"
points = [[32, 50], [212, 48], [1832, 30]]

[specific_heat]
units = ["degC", "kJ/kg/K"]
source = "certificate"
pieces = [
  { from = 0, to = 500, polynomial = [0.45, 2e-4] },
  { from = 500, to = 1000, hyperbola = [0.5, 5, 400] },
]

[limits]
oxidation = { value = "800 degC", source = "seen" }
"""


def solid(folder: Path, text: str = GOOD):
    (folder / "my_steel.toml").write_text(text, encoding="utf-8")
    return load_solid("my_steel.toml", folder)


def faults(folder: Path, old: str, new: str) -> list[str]:
    assert old in GOOD
    with pytest.raises(CaseError) as caught:
        solid(folder, GOOD.replace(old, new, 1))
    start = f"{folder / 'my_steel.toml'}:"
    assert all(fault.startswith(start) for fault in caught.value.faults)
    return [fault.removeprefix(start) for fault in caught.value.faults]


def test_units_of_the_file_become_si(tmp_path):
    s = solid(tmp_path)
    assert s.name == "my steel"
    assert s.density == pytest.approx(7800.0)
    assert s.conductivity(np.array([373.15]))[0] == pytest.approx(48.0)
    assert s.specific_heat(np.array([373.15]))[0] == pytest.approx(470.0)
    assert s.specific_heat(np.array([1073.15]))[0] == pytest.approx(512.5, rel=2e-5)
    assert s.limits == {"oxidation": pytest.approx(1073.15)}
    assert s.yield_strength is None
    assert s.sources["density"] == "weighed"


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('"7.8 g/cm^3"', "7800", "4: density.value: must be text with a unit (got 7800)"),
        ('"7.8 g/cm^3"', '"7.8 mm"', "4: density.value: 'mm' is not a unit of the kind"),
        ('"7.8 g/cm^3"', '"-1 g/cm^3"', "4: density.value: must be positive"),
        (
            "points =",
            "ponits =",
            '10: conductivity.ponits: unknown key (got "ponits"); did you mean "points"?',
        ),
        (
            "[212, 48], [1832, 30]",
            "[1832, 30], [212, 48]",
            "7: conductivity: needs two or more points of increasing temperature",
        ),
        ("[212, 48]", "[212, -48]", "7: conductivity: must be positive everywhere (got -48)"),
        ("[212, 48]", '[212, "48"]', 'must be a number (got "48"); write it without quotes'),
        ("from = 500", "from = 510", "12: specific_heat: pieces leave a gap or overlap at 510"),
        (
            "polynomial = [0.45, 2e-4]",
            "polynomial = 0.45",
            "16: specific_heat.pieces[1].polynomial: must be a list of coefficients (got 0.45)",
        ),
        ("5, 400]", "5, 600]", "the pole of the hyperbola is inside the range"),
        ("to = 500", "to = -5", "to must be above from"),
        ('source = "weighed"\n', "", "3: density.source: missing; add it"),
    ],
)
def test_faults_with_their_line(tmp_path, old, new, expected):
    found = faults(tmp_path, old, new)
    assert any(expected in fault for fault in found), found


def test_missing_file(tmp_path):
    with pytest.raises(CaseError, match=r"my_steel\.toml: no such material file"):
        load_solid("my_steel.toml", tmp_path)


coefficient = st.floats(-1.0, 1.0)


@given(a=coefficient, b=coefficient, c=coefficient, width=st.floats(1.0, 200.0))
def test_chords_of_a_sampled_formula_keep_to_it(a, b, c, width):
    """Between table points the straight line leaves the curve by 1e-5 of it at the most.

    Curvature is bounded by its values at the ends of a grid interval, exact for a cubic.
    """
    piece = Piece(
        **{"from": -40.0, "to": -40.0 + width, "polynomial": [500.0, 0.1 * a, 1e-2 * b, 1e-5 * c]}
    )
    x, y = piece.sampled()
    middle = 0.5 * (x[1:] + x[:-1])
    exact = piece.value(middle)
    chord = 0.5 * (y[1:] + y[:-1])
    assert x[0] == -40.0
    assert x[-1] == -40.0 + width
    assert (np.diff(x) > 0.0).all()
    assert (np.abs(chord - exact) <= 1.001e-5 * np.abs(exact) + 1e-12).all()
