"""k(T) and c(T) in the transient: a manufactured solution and an exact one without a source."""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import j0, j1, y0, y1

from tests.exact.bodies import ends, metal, run, tube
from wallsim.wall import march as march_module
from wallsim.wall.gas import Exchange
from wallsim.wall.surroundings import OuterWall

INNER, OUTER, LENGTH = 0.02, 0.03, 0.1
K0, A, C0, B, RHO = 20.0, 5e-4, 460.0, 3e-4, 7850.0
T0, D, TAU, WAVE = 300.0, 500.0, 5.0, 0.3
H = 2000.0


@dataclass(frozen=True, slots=True, eq=False)
class Driven(Exchange):
    """An exchange with heat sources at the nodes [W] and a flux through the outside [W/m^2]."""

    source: np.ndarray
    outside: np.ndarray


class DrivenMarch(march_module._March):
    """The march with the source and the outside flux of the exchange added."""

    def rate(self, T, properties, e):
        F, slope = super().rate(T, properties, e)
        return F + e.source, slope

    def face_heat(self, T, e):
        faces = super().face_heat(T, e)
        faces.flux[self.at["outside"]] = e.outside
        faces.slope[self.at["outside"]] = 0.0
        return faces


def field(r, z, t):
    """Return T, T_r and the source of T = T0 + D (1 - exp(-t/tau)) Z(z) P(r)."""
    g, m = -np.expm1(-t / TAU), np.pi / LENGTH
    Z, P = 1.0 + WAVE * np.cos(m * z), 2.0 - (r / OUTER) ** 2
    T, T_r = T0 + D * g * Z * P, -2.0 * r * D * g * Z / OUTER**2
    T_z, T_zz = -D * g * WAVE * m * np.sin(m * z) * P, -D * g * WAVE * m**2 * np.cos(m * z) * P
    lap = -4.0 * D * g * Z / OUTER**2 + T_zz
    k, c = K0 * (1.0 + A * (T - T0)), C0 * (1.0 + B * (T - T0))
    T_t = D / TAU * np.exp(-t / TAU) * Z * P
    return T, T_r, k, RHO * c * T_t - k * lap - K0 * A * (T_r**2 + T_z**2)


class Manufactured:
    """Gas side of the manufactured solution on a wall."""

    def __init__(self, wall):
        self.wall, self.volume = wall, wall.regions[0].volume
        self.bore_z, self.outside_z = wall.faces["bore"].z, wall.faces["outside"].z

    def at(self, p):
        return self

    def exchange(self, t, burning):
        T, T_r, k, _ = field(INNER, self.bore_z, t)
        _, outer_slope, outer_k, _ = field(OUTER, self.outside_z, t)
        source = self.volume * field(self.wall.r, self.wall.z, t)[3]
        return Driven(np.full(T.shape, H), T - k * T_r / H, np.full(T.shape, H), source,
                      outer_k * outer_slope)


POINTS = np.random.default_rng(7).uniform((INNER, 0.0), (OUTER, LENGTH), (150, 2)).T


def error(n_r, n_z, steps, monkeypatch, end=2.0):
    """Return the root mean square error [K] at random points when ``end`` [s] is reached."""
    monkeypatch.setattr(march_module, "_March", DrivenMarch)
    solid = metal(lambda T: K0 * (1.0 + A * (T - T0)), lambda T: C0 * (1.0 + B * (T - T0)), RHO)
    w = tube(np.linspace(INNER, OUTER, n_r + 1), np.linspace(0.0, LENGTH, n_z + 1), solid)
    s = march_module.Surfaces(Manufactured(w), OuterWall.fixed(T0), T0, T0)
    schedule = march_module.Schedule(np.linspace(0.0, end, steps + 1), np.ones(steps, dtype=bool))
    T = march_module.march(w, s, ends(), schedule, w.probe(*POINTS), np.full(w.size, T0)).y[-1]
    return float(np.sqrt(np.mean((T - field(*POINTS, end)[0]) ** 2)))


def test_source_of_the_manufactured_solution():
    """Ten digits at one point, by the hand formula and by numerical differentiation."""
    T, T_r, k, S = field(0.024, 0.03, 2.0)
    assert T == pytest.approx(563.71369573877, rel=1e-12)
    assert S == pytest.approx(4.3716916281913e8, rel=1e-12)
    _, T_r, k, _ = field(INNER, 0.03, 2.0)
    assert -k * T_r == pytest.approx(198356.93691978, rel=1e-12)


def test_manufactured_solution_is_third_order_in_space(monkeypatch):
    cells = np.array([1, 2, 4])
    errors = [error(n, 4 * n, 400, monkeypatch) for n in cells]
    slope = -np.polyfit(np.log(cells), np.log(errors), 1)[0]
    assert slope > 2.8, errors


def test_manufactured_solution_is_second_order_in_time(monkeypatch):
    steps = np.array([2, 4, 8, 16])
    errors = [error(4, 24, n, monkeypatch, 8.0) for n in steps]
    slope = -np.polyfit(np.log(steps), np.log(errors), 1)[0]
    assert slope > 1.9, errors


def test_mode_of_a_metal_whose_c_follows_its_k():
    """With k and rho c in one proportion the conductivity integral obeys the linear equation.

    So an insulated mode [J0, Y0](b r) cos(pi z/L) of the integral decays as exp(-a m t) while the
    temperature swings by 600 K over a threefold conductivity.
    """
    diffusivity, slope = 5e-6, 2e-3

    def k(T):
        return 15.0 * (1.0 + slope * (T - T0))

    def temperature(theta):
        return T0 + (np.sqrt(1.0 + 2.0 * slope * theta / 15.0) - 1.0) / slope

    def radial(b, r):
        return j0(b * r) * y1(b * INNER) - y0(b * r) * j1(b * INNER)

    b = brentq(lambda b: j1(b * OUTER) * y1(b * INNER) - y1(b * OUTER) * j1(b * INNER), 200, 400)
    decay = diffusivity * (b**2 + (np.pi / LENGTH) ** 2)

    def exact(r, z, t):
        shape = radial(b, r) / radial(b, INNER) * np.cos(np.pi * z / LENGTH)
        return temperature(11000.0 + 9000.0 * np.exp(-decay * t) * shape)

    w = tube(np.linspace(INNER, OUTER, 17), np.linspace(0.0, LENGTH, 33),
             metal(k, lambda T: k(T) / diffusivity / RHO, RHO, span=(250.0, 2000.0)))
    t = np.linspace(0.0, 1.0 / decay, 201)
    got = run(w, lambda t, burning: (0.0, T0), t, *POINTS, T0=exact(w.r, w.z, 0.0))
    assert np.ptp(got[0]) > 590.0
    np.testing.assert_allclose(got[-1], exact(*POINTS, t[-1]), atol=0.02)
