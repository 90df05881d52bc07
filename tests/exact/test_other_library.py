"""The full problem solved by an independent finite-element library, its mesh, forms and scheme.

ngsolve, cubic elements, the equation in T (no conductivity integral, consistent heat storage),
the two-stage SDIRK scheme of Alexander (1977, SIAM J. Numer. Anal. 14, 1006), Newton's method.
Everything at once: h(z) with pressure, ramp of the gas, growing deposit, shutdown and purge,
k(T) and c(T), radiation and convection outside, contact at the ends.
"""

from dataclasses import replace

import ngsolve as ng
import numpy as np
import pytest
from ngsolve.meshes import MakeStructured2DMesh

from tests.wall.walls import AMBIENT, INNER, LENGTH, parameters, surfaces, wall
from wallsim.wall.march import march
from wallsim.wall.schedule import Schedule
from wallsim.wall.surroundings import OuterWall

THICKNESS, BURN, END = 0.005, 3.5, 6.0
STATIONS = (0.03, 0.2, 0.41)
CONVECTION = 9.0
SIGMA = 5.670374419e-8
SDIRK = 1.0 - 1.0 / np.sqrt(2.0)


def settings():
    return parameters(2, log_h=np.log([2000.0, 1400.0]), log_R=np.log([1e-4, 3e-4]),
                      convection=CONVECTION, conductivity_tilt=0.0, heat_capacity_tilt=0.0)


def ours(n_r, n_z, schedule):
    w, p = wall(THICKNESS, n_r, n_z), settings()
    s = replace(surfaces(w, n_knots=2, burn=BURN), outer=OuterWall.fixed(AMBIENT))
    r = np.repeat([INNER + THICKNESS, INNER], 3)
    observe = w.probe(r, np.tile(STATIONS, 2))
    return march(w, s, p, schedule, observe, np.full(w.size, AMBIENT)).y[::2]


class Theirs:
    """The same tube in the other library."""

    def __init__(self, n_r, n_z, order):
        mesh = MakeStructured2DMesh(
            quads=True, nx=n_r, ny=n_z,
            mapping=lambda x, y: (INNER + THICKNESS * x, LENGTH * y),
        )
        self.mesh, self.p = mesh, settings()
        self.d, self.U0, self.growth, self.scale, self.T_gas, self.purge = (
            ng.Parameter(0.0) for _ in range(6))
        V = ng.H1(mesh, order=order)
        self.T = ng.GridFunction(V)
        u, v = V.TnT()
        self.heat, self.stage = ng.BilinearForm(V), ng.BilinearForm(V)
        stored = 7850.0 * (440.0 * (u - 273.0) + 0.2 * (u - 273.0) ** 2)
        self.heat += ng.x * stored * v * ng.dx
        self.stage += ng.x * stored * v * ng.dx
        k = 54.0 - 0.0333 * (u - 273.0)
        self.stage += self.d * ng.x * k * ng.grad(u) * ng.grad(v) * ng.dx
        along = ng.y / LENGTH
        log_h, log_R = self.p.log_h, self.p.log_R
        h = self.scale * ng.exp(log_h[0] + (log_h[1] - log_h[0]) * along) + self.purge
        R = self.growth * ng.exp(log_R[0] + (log_R[1] - log_R[0]) * along)
        out = CONVECTION * (u - AMBIENT) + self.p.emissivity * SIGMA * (u**4 - AMBIENT**4)
        faces = {
            "left": 1.0 / (1.0 / h + R) * (u - self.T_gas), "right": out,
            "bottom": np.exp(self.p.log_head) * (u - AMBIENT),
            "top": np.exp(self.p.log_exit) * (u - AMBIENT),
        }
        for name, flux in faces.items():
            self.stage += self.d * ng.x * flux * v * ng.ds(name)

    def at(self, t, burning, d):
        """Set the faces to time ``t`` and the stage's weight to ``d``."""
        x, m = 2.0 * np.sinh(self.p.growth_shape[0]), np.exp(self.p.growth_shape[1])
        self.growth.Set(np.expm1(-x * (min(t, BURN) / BURN) ** m) / np.expm1(-x))
        pressure = np.interp(t, [0.0, 1.0, 3.5], np.log([1.0, 1.05, 1.0]))
        self.scale.Set(np.exp(self.p.pressure_exponent * pressure) if burning else 0.0)
        rise = -np.expm1(-t / np.exp(self.p.log_ramp)) * np.exp(self.p.log_rise)
        self.T_gas.Set(AMBIENT + (rise if burning else 0.0))
        purge = np.exp(np.interp(t - BURN, [0.0, 2.0, 6.0], self.p.log_purge))
        self.purge.Set(0.0 if burning else purge)
        self.d.Set(d)

    def solve(self, known):
        """Solve a stage by Newton's method from the last state."""
        T = self.T.vec
        residual, update = T.CreateVector(), T.CreateVector()
        for _ in range(12):
            self.stage.Apply(T, residual)
            residual.data -= known
            self.stage.AssembleLinearization(T)
            update.data = self.stage.mat.Inverse(inverse="umfpack") * residual
            T.data -= update
            if np.abs(update.FV().NumPy()).max() < 1e-6:
                return
        raise AssertionError("the reference did not converge")

    def march(self, schedule):
        self.T.Set(ng.CoefficientFunction(AMBIENT))
        heat, first, known = (self.T.vec.CreateVector() for _ in range(3))
        out = [self.observed()]
        for t, t_end, burning in zip(schedule.t, schedule.t[1:], schedule.burning, strict=False):
            dt = t_end - t
            self.heat.Apply(self.T.vec, heat)
            self.at(t + SDIRK * dt, burning, SDIRK * dt)
            self.solve(heat)
            self.heat.Apply(self.T.vec, first)
            ratio = (1.0 - SDIRK) / SDIRK
            known.data = (1.0 - ratio) * heat + ratio * first
            self.at(t_end, burning, SDIRK * dt)
            self.solve(known)
            out.append(self.observed())
        return np.array(out)

    def observed(self):
        """Return temperatures at the stations, outside first."""
        tiny = 1e-9
        radii = (INNER + THICKNESS - tiny, INNER + tiny)
        return [self.T(self.mesh(r, z)) for r in radii for z in STATIONS]


def outside_and_bore(n_r, n_z, fineness):
    """Return the largest differences [K] between the two, outside and at the bore after 1 s."""
    schedule = Schedule.of(BURN, END, fineness)
    difference = np.abs(ours(n_r, n_z, schedule) - Theirs(n_r, n_z, 3).march(schedule))
    late = (schedule.t > 1.0) & (np.abs(schedule.t - BURN - 0.25) > 0.26)
    return difference[:, :3].max(), difference[late, 3:].max()


def test_the_two_agree_on_a_coarse_mesh():
    """Below the default tolerance of a fit, 0.2 K, where thermocouples sit."""
    outside, _ = outside_and_bore(3, 24, 2.0)
    assert outside < 0.1


@pytest.mark.slow
def test_the_two_agree_better_when_finer():
    outside, bore = outside_and_bore(8, 64, 12.0)
    assert outside < 0.005
    assert bore < 0.05
