"""Steady tubes: resistances in series with a deposit, k(T), axial modes, each in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from tests.exact.bodies import FEEDING, FIXING, ends, metal, settle, tube
from tests.wall.walls import parameters, surfaces
from wallsim.wall.march import march
from wallsim.wall.schedule import Schedule
from wallsim.wall.surroundings import OuterWall

ZERO, AMBIENT = 273.15, 293.15
R = np.linspace(0.02, 0.03, 9)
LENGTH = 0.1
RADII = np.array([0.02, 0.025, 0.03])


def test_bore_flux_and_outside_convection():
    """T_o = T_amb + q r_i/(h r_o), T = T_o + q r_i/k ln(r_o/r)."""
    q = 1e5
    w = tube(R, [0.0, LENGTH], metal(20.0, 460.0, 7850.0))
    got = settle(w, lambda t, burning: (FEEDING, q / FEEDING), RADII, np.full(3, 0.03),
                 p=ends(outside=500.0), ambient=AMBIENT)
    expected = [193.879844144, 171.565489013, 153.333333333]
    np.testing.assert_allclose(got - ZERO, expected, atol=1e-4)


def test_gas_deposit_wall_and_air_in_series():
    """1/h + R + r_i/k ln(r_o/r_i) + r_i/(h_o r_o) = 0.00260546510811 m2K/W of bore."""
    w = tube(R, [0.0, LENGTH], metal(20.0, 460.0, 7850.0))
    p = parameters(
        1, "constant", log_h=np.log([1500.0]), log_R=np.log([2e-4]), pressure_exponent=0.0,
        log_rise=np.log(1980.0), emissivity=0.0, convection=500.0, log_head=-80.0,
        log_exit=-80.0, conductivity_tilt=0.0, heat_capacity_tilt=0.0,
    )
    s = surfaces(w, n_knots=1, law="constant", burn=1e12, ambient=AMBIENT)
    s = replace(s, outer=OuterWall.fixed(AMBIENT))
    t = np.concatenate(([0.0], np.geomspace(1e-2, 1e10, 60)))
    observe = w.probe(RADII[[0, 2]], np.full(2, 0.03))
    schedule = Schedule(t, np.ones(60, dtype=bool))
    bore, outside = march(w, s, p, schedule, observe, np.full(w.size, AMBIENT)).y[-1]
    q = s.gas.at(p).exchange(t[-1], True).U[0] * (2000.0 + ZERO - bore)
    assert q == pytest.approx(759941.092221, rel=1e-7)
    assert bore - ZERO == pytest.approx(1341.38438674, abs=1e-4)
    assert outside - ZERO == pytest.approx(1033.25478963, abs=1e-4)
    assert bore - ZERO + 2e-4 * q == pytest.approx(1493.37260519, abs=1e-4)


def test_conductivity_that_falls_with_temperature():
    """Kirchhoff (1894): integral of k dT from outside = q r_i ln(r_o/r), k = 54 - 0.0333 T/C."""
    q = 5e5
    steel = metal(lambda T: 54.0 - 0.0333 * (T - ZERO), 460.0, 7850.0, span=(20.0, 1500.0))
    got = settle(tube(R, [0.0, LENGTH], steel), lambda t, burning: (FEEDING, q / FEEDING),
                 RADII, np.full(3, 0.03), p=ends(outside=FIXING), ambient=ZERO + 100.0)
    np.testing.assert_allclose(got - ZERO, [182.243362812, 136.417957852, 100.0], atol=1e-5)


FLUX_MODE = [[1559.21398893, 1510.78873908, 1228.54569936],
             [1527.59666456, 1481.89619132, 1215.53431347],
             [1505.28030811, 1460.77606958, 1201.38635856]]
GAS_MODE = [[1629.92557861, 1169.24393906],
            [1594.55782087, 1159.79766976],
            [1570.55991622, 1147.17984821]]


def axial(bore, z, n=16):
    w = tube(np.linspace(0.02, 0.03, n + 1), np.linspace(0.0, LENGTH, 2 * n + 1),
             metal(20.0, 460.0, 7850.0))
    mode = np.cos(np.pi * w.faces["bore"].z / LENGTH)
    r, z = np.repeat(RADII, len(z)), np.tile(z, 3)
    T = settle(w, lambda t, burning: bore(mode), r, z, p=ends(outside=50.0), ambient=AMBIENT)
    return T.reshape(3, -1) - ZERO


def test_axial_mode_of_the_bore_flux():
    """q = 1e5 + 5e4 cos(pi z/L): mean plus [a I0 + c K0](pi r/L) cos(pi z/L), outside h = 50."""
    got = axial(lambda mode: (FEEDING, (1e5 + 5e4 * mode) / FEEDING), [0.0, LENGTH / 4, LENGTH])
    np.testing.assert_allclose(got, FLUX_MODE, atol=2e-3)


def test_axial_mode_of_the_gas_temperature():
    """h = 1000, T_g = 1500 + 300 cos(pi z/L) C; without axial conduction it is off by 49 K."""
    got = axial(lambda mode: (1000.0, ZERO + 1500.0 + 300.0 * mode), [0.0, LENGTH])
    np.testing.assert_allclose(got, GAS_MODE, atol=2e-3)


def test_axial_mode_is_third_order_in_space():
    def bore(mode):
        return 1000.0, ZERO + 1500.0 + 300.0 * mode

    cells = np.array([2, 4, 8, 16])
    errors = [np.abs(axial(bore, [0.0, LENGTH], n) - GAS_MODE).max() for n in cells]
    slope = -np.polyfit(np.log(cells), np.log(errors), 1)[0]
    assert slope > 2.7, errors
