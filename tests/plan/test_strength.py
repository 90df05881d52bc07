"""Limit load and elastic stresses against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from wallsim.materials import load_solid
from wallsim.materials.solid import Elastic, Table
from wallsim.plan.strength import hot_strength, limit_load, pressure_stress, thermal_stress


def radii(ratio, n=4, inner=0.02):
    return np.linspace(inner, ratio * inner, 2 * n + 1)


@pytest.mark.parametrize(
    ("ratio", "collapse"),
    # Closed form 2/sqrt(3) ln(ro/ri), Hill, The Mathematical Theory of Plasticity (1950), ch. V.
    [
        (1.05, 0.0563380288), (1.1, 0.1100547159), (1.2, 0.2105267998), (1.5, 0.4681907786),
        (2.0, 0.8003774226), (3.0, 1.2685682012),
    ],
)
def test_even_strength_gives_the_closed_form(ratio, collapse):
    r = radii(ratio, n=40)
    assert limit_load(r, np.full(r.size, 200e6)) / 200e6 == pytest.approx(collapse, rel=1e-6)


def test_strength_that_falls_in_proportion_to_the_radius():
    """With sigma_y = s r the integral is 2/sqrt(3) s (ro - ri)."""
    r = radii(1.5)
    assert limit_load(r, 1e10 * r) == pytest.approx(2.0 / np.sqrt(3.0) * 1e10 * (r[-1] - r[0]))


def test_many_stations_and_times_at_once():
    r = radii(1.5)
    sigma = np.arange(1.0, 7.0).reshape(2, 3, 1) * np.ones(r.size)
    loads = limit_load(r, sigma)
    assert loads.shape == (2, 3)
    assert loads[1, 2] == pytest.approx(6.0 * loads[0, 0])


def test_lame_as_published():
    """Lame's closed form for ri = 20 mm, ro = 30 mm, 50 MPa."""
    hoop, radial, axial = pressure_stress(50e6, 0.02, 0.03, np.array([0.02, 0.03]))
    assert hoop == pytest.approx([130e6, 80e6])
    assert radial == pytest.approx([-50e6, 0.0], abs=1e-3)
    assert axial == pytest.approx([40e6, 40e6])
    s = hoop[0], radial[0], axial[0]
    mises = np.sqrt(0.5 * ((s[0] - s[1]) ** 2 + (s[1] - s[2]) ** 2 + (s[2] - s[0]) ** 2))
    assert mises == pytest.approx(155.884573e6)


def test_thermal_stress_of_a_steady_profile():
    """Timoshenko & Goodier, Theory of Elasticity: log profile, bore hotter by 100 K, ro/ri 1.5."""
    r = radii(1.5, n=8)
    T = 300.0 + 100.0 * np.log(r[-1] / r) / np.log(1.5)
    bore, outside = thermal_stress(r, T, Elastic(200e9, 12e-6, 0.3))
    assert bore == pytest.approx(-194.348e6, rel=1e-5)
    assert outside == pytest.approx(148.509e6, rel=1e-5)


def test_no_strength_is_counted_on_beyond_the_table():
    """A table that ends while the metal is strong must not make a hotter wall safe."""
    table = Table("s", np.array([300.0, 1000.0]), np.array([200e6, 20e6]))
    assert hot_strength(table, np.array([250.0, 650.0, 1000.0, 1000.1])) == pytest.approx(
        [200e6, 110e6, 20e6, 0.0])


def test_a_hot_bore_costs_its_share_of_the_wall():
    """Two elements of carbon steel: one at 20 degC, one at 700 degC with 0.23 of the strength
    (EN 1993-1-2:2005, Table 3.1)."""
    table = load_solid("carbon steel").yield_strength
    r = radii(1.5, n=200)
    T = np.where(r < 0.025, 973.15, 293.15)
    wanted = 2.0 / np.sqrt(3.0) * 235e6 * (0.23 * np.log(1.25) + np.log(1.2))
    assert limit_load(r, hot_strength(table, T)) == pytest.approx(wanted, rel=2e-3)
