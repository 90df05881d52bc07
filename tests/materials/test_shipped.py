"""Shipped metals against the published formulas and tables they are taken from."""

from __future__ import annotations

import numpy as np
import pytest

from wallsim.errors import CaseError, TableRangeError
from wallsim.materials import available, load_solid

CELSIUS = 273.15


def conductivity(name: str, celsius: float) -> float:
    return float(load_solid(name).conductivity(np.array([celsius + CELSIUS]))[0])


def specific_heat(name: str, celsius: float) -> float:
    return float(load_solid(name).specific_heat(np.array([celsius + CELSIUS]))[0])


def strength_factor(name: str, celsius: float) -> float:
    table = load_solid(name).yield_strength
    T = np.array([celsius, 20.0]) + CELSIUS
    return float(table(T)[0] / table(T)[1])


def enthalpy(name: str, celsius: float) -> float:
    T = np.array([20.0, celsius]) + CELSIUS
    return float(np.diff(load_solid(name).specific_heat.value_and_integral(T)[1])[0])


# Formulas of EN 1993-1-2:2005, 3.4.1.2 (c) and 3.4.1.3 (k), and factors k_y of its Table 3.1
# (interpolated at 735 degC). At 800 degC k is that of the upper piece, at 600 and 900 degC so is c.
CARBON_STEEL = [
    # degC, k [W/(m K)], c [J/(kg K)], k_y [-]
    (20.0, 53.3340, 439.8018, 1.0),
    (200.0, 47.3400, 529.7600, 1.0),
    (400.0, 40.6800, 605.8800, 1.0),
    (600.0, 34.0200, 760.2174, 0.47),
    (735.0, 29.5245, 5000.0, 0.188),
    (800.0, 27.3000, 803.2609, 0.11),
    (900.0, 27.3000, 650.0000, 0.06),
    (1000.0, 27.3000, 650.0000, 0.04),
    (1200.0, 27.3000, 650.0000, 0.0),
]

# Annex C of EN 1993-1-2:2005: C.3.3 (k), C.3.2 (c), Table C.1 (0.2 % proof factors).
AUSTENITIC = [
    # degC, k [W/(m K)], c [J/(kg K)], 1.4301 [-], 1.4401 [-]
    (20.0, 14.8540, 455.4847, 1.00, 1.00),
    (100.0, 15.8700, 475.2240, 0.82, 0.88),
    (200.0, 17.1400, 495.4320, 0.68, 0.76),
    (400.0, 19.6800, 524.0160, 0.60, 0.66),
    (600.0, 22.2200, 542.1840, 0.49, 0.61),
    (735.0, 23.9345, 551.8013, 0.3545, 0.4715),
    (800.0, 24.7600, 556.3680, 0.27, 0.40),
    (1000.0, 27.3000, 573.0000, 0.06, 0.10),
    (1100.0, 28.5700, 584.2440, 0.03, 0.05),
    (1200.0, 29.8400, 598.5120, 0.0, 0.0),
]


@pytest.mark.parametrize(("celsius", "k", "c", "factor"), CARBON_STEEL)
def test_carbon_steel_follows_en_1993(celsius, k, c, factor):
    assert conductivity("carbon steel", celsius) == pytest.approx(k, abs=5e-5)
    assert specific_heat("carbon steel", celsius) == pytest.approx(c, rel=2e-5)
    assert strength_factor("carbon steel", celsius) == pytest.approx(factor, abs=1e-9)


@pytest.mark.parametrize(("celsius", "k", "c", "of_304", "of_316"), AUSTENITIC)
def test_austenitic_steels_follow_annex_c(celsius, k, c, of_304, of_316):
    for name, factor in (
        ("stainless 304", of_304),
        ("stainless 321", of_304),
        ("stainless 316", of_316),
    ):
        assert conductivity(name, celsius) == pytest.approx(k, abs=5e-5)
        assert specific_heat(name, celsius) == pytest.approx(c, rel=2e-5)
        assert strength_factor(name, celsius) == pytest.approx(factor, abs=1e-9)


@pytest.mark.parametrize(
    ("celsius", "stated"),
    # Integrals of 3.4.1.2 from 20 degC in closed form, piece by piece [J/kg].
    [
        (200.0, 88191.151),
        (400.0, 201344.485),
        (600.0, 335737.818),
        (735.0, 475427.813),
        (800.0, 561600.826),
        (900.0, 632063.843),
        (1000.0, 697063.843),
        (1200.0, 827063.843),
    ],
)
def test_heat_of_carbon_steel_across_the_peak(celsius, stated):
    """The peak of c is a kelvin wide: only its integral shows that no table point missed it."""
    assert enthalpy("carbon steel", celsius) == pytest.approx(stated, rel=2e-5)


@pytest.mark.parametrize(
    ("celsius", "stated"),
    # Integrals of C.3.2 from 20 degC in closed form [J/kg].
    [
        (100.0, 37251.121),
        (200.0, 85822.371),
        (400.0, 187994.371),
        (600.0, 294734.371),
        (735.0, 368587.671),
        (800.0, 404602.371),
        (1000.0, 517444.771),
        (1200.0, 634394.371),
    ],
)
def test_heat_of_austenitic_steel(celsius, stated):
    assert enthalpy("stainless 304", celsius) == pytest.approx(stated, rel=2e-5)


@pytest.mark.parametrize(
    ("celsius", "below", "above"), [(600.0, 759.9200, 760.2174), (900.0, 650.4438, 650.0)]
)
def test_a_jump_between_pieces_is_a_step_of_a_hundredth_of_a_kelvin(celsius, below, above):
    """Limits of 3.4.1.2 from either side."""
    assert specific_heat("carbon steel", celsius - 0.0101) == pytest.approx(below, rel=2e-5)
    assert specific_heat("carbon steel", celsius) == pytest.approx(above, rel=2e-5)


@pytest.mark.parametrize(
    ("celsius", "k", "c"),
    # EN 1999-1-2:2007, formulas for 3xxx and 6xxx (from memory).
    [(20.0, 191.4, 911.2), (200.0, 204.0, 985.0), (400.0, 218.0, 1067.0), (500.0, 225.0, 1108.0)],
)
def test_aluminium_follows_en_1999(celsius, k, c):
    assert conductivity("aluminium 6061", celsius) == pytest.approx(k)
    assert specific_heat("aluminium 6061", celsius) == pytest.approx(c)


@pytest.mark.parametrize("celsius", [500.1, 600.0, 735.0, 1000.0])
def test_aluminium_is_refused_above_500_degc(celsius):
    for table in (
        load_solid("aluminium 6061").conductivity,
        load_solid("aluminium 6061").specific_heat,
    ):
        with pytest.raises(TableRangeError, match="aluminium 6061"):
            table(np.array([celsius + CELSIUS]))


@pytest.mark.parametrize(
    ("celsius", "factor"),
    # EN 1999-1-2:2007, 0.2 % proof factors of 6061-T6.
    [(100.0, 0.95), (150.0, 0.91), (200.0, 0.79), (250.0, 0.55), (300.0, 0.31), (350.0, 0.10)],
)
def test_aluminium_softens_as_published(celsius, factor):
    assert strength_factor("aluminium 6061", celsius) == pytest.approx(factor)


@pytest.mark.parametrize(
    ("kelvin", "k", "c"),
    # Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, Table A.1.
    [
        (100, 482, 252),
        (200, 413, 356),
        (300, 401, 385),
        (400, 393, 397),
        (600, 379, 417),
        (800, 366, 433),
        (1000, 352, 451),
        (1200, 339, 480),
    ],
)
def test_copper_as_published(kelvin, k, c):
    assert conductivity("copper", kelvin - CELSIUS) == pytest.approx(k)
    assert specific_heat("copper", kelvin - CELSIUS) == pytest.approx(c)


@pytest.mark.parametrize(
    ("fahrenheit", "british"),
    # Maker's bulletin for alloy 718, annealed, in Btu in/(ft^2 h degF): 1 is 0.1441314 W/(m K).
    [
        (70.0, 77.0),
        (200.0, 86.0),
        (400.0, 98.0),
        (600.0, 111.0),
        (800.0, 123.0),
        (1000.0, 135.0),
        (1200.0, 147.0),
    ],
)
def test_alloy_718_as_published(fahrenheit, british):
    celsius = (fahrenheit - 32.0) / 1.8
    assert conductivity("alloy 718", celsius) == pytest.approx(0.1441314 * british, abs=0.011)


def test_alloy_625_as_published():
    """End points of the maker's bulletin."""
    assert conductivity("alloy 625", 982.0) == pytest.approx(25.2)
    assert load_solid("alloy 625").conductivity.y[0] == pytest.approx(7.21)
    assert load_solid("alloy 625").specific_heat.y[[0, -1]] == pytest.approx([402.0, 669.0])


@pytest.mark.parametrize(
    ("name", "factors"),
    # Each table's row for 20, 100, 200, ... 1200 degC.
    [
        # EN 1993-1-2:2005, Table 3.1, k_y.
        ("carbon steel", "1 1 1 1 1 .78 .47 .23 .11 .06 .04 .02 0"),
        # EN 1993-1-2:2005, Table C.1, k_0.2p of 1.4301 and 1.4401.
        ("stainless 304", "1 .82 .68 .64 .60 .54 .49 .40 .27 .14 .06 .03 0"),
        ("stainless 316", "1 .88 .76 .71 .66 .63 .61 .51 .40 .19 .10 .05 0"),
    ],
)
def test_every_published_strength_factor(name, factors):
    celsius = [20.0, *(100.0 * n for n in range(1, 13))]
    stated = [float(text) for text in factors.split()]
    assert [strength_factor(name, t) for t in celsius] == pytest.approx(stated, abs=1e-9)


def test_conductivity_of_carbon_steel_steps_down_at_800_degc():
    """Limit from below of EN 1993-1-2:2005, 3.4.1.3."""
    assert conductivity("carbon steel", 800.0 - 0.0101) == pytest.approx(27.36, abs=5e-4)


@pytest.mark.parametrize(
    ("name", "density", "solidus"),
    [
        # EN 1993-1-2:2005, 3.2.2; the least of the usual range of low-carbon steel (from memory).
        ("carbon steel", 7850.0, 1425.0),
        # Kim, ANL-75-55 (1975), 316L at 298 K: 1670 K.
        ("stainless 316", 7955.0, 1396.85),
        # Incropera & DeWitt, Table A.1; ITS-90 freezing point (from memory).
        ("copper", 8933.0, 1084.62),
        # Makers' bulletins.
        ("alloy 625", 8440.0, 1290.0),
        ("alloy 718", 8193.0, 1260.0),
        # EN 1999-1-2:2007 (from memory); makers' sheets.
        ("aluminium 6061", 2700.0, 582.0),
    ],
)
def test_density_and_first_melting_as_published(name, density, solidus):
    s = load_solid(name)
    assert s.density == pytest.approx(density)
    assert s.limits["solidus"] == pytest.approx(solidus + CELSIUS)


@pytest.mark.parametrize("name", available())
def test_every_metal_is_fit_to_use(name):
    """Cold stands are above -15 degC; strength never rises; each number names its source."""
    s = load_solid(name)
    assert s.range[0] <= -15.0 + CELSIUS
    assert s.range[1] >= 500.0 + CELSIUS
    assert 2000.0 < s.density < 10000.0
    for table in (s.conductivity, s.specific_heat):
        assert (np.diff(table.x) > 0.0).all()
        assert (table.y > 0.0).all()
    if s.yield_strength is not None:
        assert (np.diff(s.yield_strength.y) <= 0.0).all()
    assert s.limits["solidus"] > s.range[1] - 120.0
    assert {"density", "conductivity", "specific_heat", "solidus"} <= set(s.sources)
    assert all(len(text) > 10 for text in s.sources.values())


def test_names_in_any_spelling():
    for text in ("Stainless_321", "stainless-321", "  STAINLESS  321 "):
        assert load_solid(text).name == "stainless 321"


def test_unknown_name_lists_what_there_is():
    with pytest.raises(CaseError) as caught:
        load_solid("stainles steel 321")
    text = str(caught.value)
    assert 'did you mean "stainless 321"?' in text
    assert all(name in text for name in available())
    assert available() == sorted(available())
    assert len(available()) == 8


def test_elastic_constants_of_the_metals_of_the_standards():
    """EN 1993-1-1:2005, 3.2.6; EN 1993-1-4:2006, 2.1.3; EN 1999-1-1:2007, 3.2.5 (from memory)."""
    for name, modulus in (
        ("carbon steel", 210e9), ("stainless 304", 200e9), ("aluminium 6061", 70e9),
    ):
        solid = load_solid(name)
        assert solid.elastic.modulus == pytest.approx(modulus)
        assert "from memory" in solid.sources["elastic"]
    assert load_solid("copper").elastic is None
