"""Written quantities: read, refused, brought back."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wallsim.units import Quantity, example, parse, to_si


@pytest.mark.parametrize(
    ("text", "si_unit", "value", "sd"),
    [
        ("5.08 mm", "m", 5.08e-3, 0.0),
        ("5.08 mm +- 0.1 mm", "m", 5.08e-3, 1e-4),
        ("5.08 +- 0.1 mm", "m", 5.08e-3, 1e-4),
        ("5.08mm±2%", "m", 5.08e-3, 1.016e-4),
        ("5.08 mm +/- 100 um", "m", 5.08e-3, 1e-4),
        ("-1.5e1 mm", "m", -0.015, 0.0),
        ("2 in", "m", 0.0508, 0.0),
        ("2450 +- 120 K", "K", 2450.0, 120.0),
        ("2450 K +- 4 %", "K", 2450.0, 98.0),
        ("25 degC +- 2 K", "K", 298.15, 2.0),
        ("25 degC +- 2 degC", "K", 298.15, 2.0),
        ("25 °C", "K", 298.15, 0.0),
        ("77 F +- 9 F", "K", 298.15, 5.0),
        ("2 % +- 1 %", "dimensionless", 0.02, 0.01),
        ("2 % +- 0.5", "dimensionless", 0.02, 0.005),
        ("1 +- 25 %", "dimensionless", 1.0, 0.25),
        ("4 +- 25 %", "dimensionless", 4.0, 1.0),
        ("0.8 +- 0.1", "dimensionless", 0.8, 0.1),
        ("0.02", "dimensionless", 0.02, 0.0),
        ("1.14 wt% +- 0.1 %", "dimensionless", 0.0114, 0.001),
        ("1.14 % by mass", "dimensionless", 0.0114, 0.0),
        ("11.4 g/kg", "dimensionless", 0.0114, 0.0),
        ("50 ppm", "dimensionless", 5e-5, 0.0),
        ("25 Celsius", "K", 298.15, 0.0),
        ("77 degf", "K", 298.15, 0.0),
        ("0 s +- 0.03 s", "s", 0.0, 0.03),
        ("1500 W/m^2/K +- 40 %", "W/m^2/K", 1500.0, 600.0),
        ("1500 W/(m^2 K)", "W/m^2/K", 1500.0, 0.0),
        ("1500 W/m2K", "W/m^2/K", 1500.0, 0.0),
        ("1500 W/m²K", "W/m^2/K", 1500.0, 0.0),
        ("1500 W/m2/K", "W/m^2/K", 1500.0, 0.0),
        ("0.12 W/mK +- 0.05 W/mK", "W/m/K", 0.12, 0.05),
        ("1e-4 m^2*K/W", "m^2*K/W", 1e-4, 0.0),
        ("1e-4 m2K/W", "m^2*K/W", 1e-4, 0.0),
        ("1e-4 m²·K/W", "m^2*K/W", 1e-4, 0.0),
        ("50 mm²K/W +- 50 %", "m^2*K/W", 5e-5, 2.5e-5),
        ("50 mm2K/W", "m^2*K/W", 5e-5, 0.0),
        ("50 mm^2*K/W", "m^2*K/W", 5e-5, 0.0),
        ("1.5 kW/m2K", "W/m^2/K", 1500.0, 0.0),
        ("1.5 kW/m²K +- 0.3 kW/m²K", "W/m^2/K", 1500.0, 300.0),
        ("0.15 W/cm²K", "W/m^2/K", 1500.0, 0.0),
        ("120 mW/mK", "W/m/K", 0.12, 0.0),
        ("1013 mbar", "Pa", 101300.0, 0.0),
        ("2.7 bar(g)", "Pa", 270000.0, 0.0),
        ("2.7 barg", "Pa", 270000.0, 0.0),
        ("14.5 psi", "Pa", 99973.98, 0.0),
    ],
)
def test_reads(text, si_unit, value, sd):
    quantity = parse(text, si_unit)
    assert quantity.value == pytest.approx(value, rel=1e-7, abs=1e-15)
    assert quantity.sd == pytest.approx(sd, rel=1e-7, abs=1e-15)
    assert quantity.text == text


@pytest.mark.parametrize(
    ("text", "si_unit", "wrong"),
    [
        ("5.08", "m", 'has no unit; write it like "5.08 mm +- 0.1 mm"'),
        ("0.12 +- 33 %", "W/m/K", 'has no unit before +-; write it like "0.12 W/m/K +- 40 %"'),
        ("thick", "m", 'not a quantity; write it like "5.08 mm'),
        ("", "m", "not a quantity"),
        ("5 mm +-", "m", "not a quantity"),
        ("5 mm +- 1 mm +- 1 mm", "m", "cannot read the unit"),
        ("5 kg", "m", "'kg' is not a unit of the kind 'm'"),
        ("5 mm +- 1 kg", "m", "'kg' is not a unit of the kind 'm'"),
        ("5 foo", "m", "unknown unit 'foo'"),
        ("5 m^", "m", "cannot read the unit"),
        ("5,08 mm", "m", "has a decimal comma"),
        ("5 mm +- -1 mm", "m", "cannot be negative"),
        ("5 %", "m", "'%' is not a unit of the kind 'm'"),
        ("5 mm", "dimensionless", "takes a plain number or a share in %, not 'mm'"),
        ("1 g", "dimensionless", "takes a plain number or a share in %, not 'g'"),
        ("2 rad", "dimensionless", "not 'rad'"),
        ("1 mass%", "dimensionless", "not 'mass%'"),
        ("nan mm", "m", "not a quantity"),
        ("1e400 mm", "m", "too large"),
        ("1e308 km", "m", "too large"),
        ("1 m +- 1e400 m", "m", "cannot be negative or infinite"),
        ("0 s +- 10 %", "s", "a share of 0 s says nothing"),
        ("25 degC +- 5 %", "K", "a share of 25 degC says nothing"),
    ],
)
def test_refuses(text, si_unit, wrong):
    with pytest.raises(ValueError, match=re.escape(wrong)):
        parse(text, si_unit)


finite = st.floats(-1e6, 1e6).filter(lambda x: x == 0.0 or abs(x) > 1e-6)
units = st.sampled_from(
    [
        ("mm", "m"),
        ("inch", "m"),
        ("degC", "K"),
        ("degF", "K"),
        ("K", "K"),
        ("bar", "Pa"),
        ("mbar", "Pa"),
        ("ms", "s"),
        ("W/m^2/K", "W/m^2/K"),
        ("%", "dimensionless"),
    ]
)


@given(finite, st.floats(0.0, 1e6), units)
def test_round_trip(value, sd, unit_and_si):
    """Back from SI, a value and its uncertainty are those that were written."""
    unit, si_unit = unit_and_si
    quantity = parse(f"{value!r} {unit} +- {sd!r} {unit}", si_unit)
    zero, one = to_si(0.0, unit, si_unit), to_si(1.0, unit, si_unit)
    assert (quantity.value - zero) / (one - zero) == pytest.approx(value, rel=1e-9, abs=1e-9)
    assert quantity.sd / (one - zero) == pytest.approx(sd, rel=1e-9, abs=1e-9)


@given(st.floats(1e-6, 1e6), st.floats(0.0, 1e3))
def test_uncertainty_in_per_cent_is_a_share(value, percent):
    quantity = parse(f"{value!r} W/m^2/K +- {percent!r} %", "W/m^2/K")
    assert quantity.relative_sd == pytest.approx(percent / 100.0)


@given(st.text(max_size=20))
def test_any_text_is_read_or_refused(text):
    try:
        quantity = parse(text, "m")
    except ValueError:
        return
    assert math.isfinite(quantity.value)
    assert quantity.sd >= 0.0


@pytest.mark.parametrize("si_unit", ["m", "s", "K", "Pa", "W/m^2/K", "W/m/K", "m^2*K/W", "kg"])
def test_examples_can_be_read(si_unit):
    assert parse(example(si_unit).strip('"'), si_unit).value > 0.0


def test_relative_uncertainty_of_nothing():
    assert Quantity(0.0, 1.0).relative_sd == math.inf
    assert Quantity(0.0).relative_sd == 0.0


@pytest.mark.parametrize(("text", "kelvin"), [("0.4 degC", 0.4), ("0.9 degF", 0.5), ("2 K", 2.0)])
def test_a_difference_of_temperatures_has_no_zero(text, kelvin):
    assert parse(text, "K", difference=True).value == pytest.approx(kelvin)
