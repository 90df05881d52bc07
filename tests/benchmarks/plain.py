"""The march written the plain way: the finite-element library's forms, assembled each iteration.

Quadratic quads on the same mesh, the equation in T, heat stored as rho times the integral of c dT,
Newton's method with the full tangent from the last state, `spsolve`. Backward Euler has one stage a
step; TR-BDF2 has the two of the march it is held against. What stays the same during a march
(bases, tables, places along the bore) is made once.
"""

import numpy as np
from scipy.constants import Stefan_Boltzmann
from scipy.sparse.linalg import spsolve
from skfem import Basis, BilinearForm, ElementQuad2, FacetBasis, LinearForm
from skfem.helpers import dot, grad

from tests.wall.walls import AMBIENT
from wallsim.wall.mesh import FACES
from wallsim.wall.schedule import GAMMA

SMALLEST_UPDATE = 1e-3
MOST_ITERATIONS = 20


@BilinearForm
def cell_tangent(u, v, w):
    conducted = w.k * dot(grad(u), grad(v)) + w.slope * u * dot(w.T.grad, grad(v))
    return w.x[0] * (w.c * u * v + w.d * conducted)


@LinearForm
def cell_residual(v, w):
    return w.x[0] * (w.heat * v + w.d * w.k * dot(w.T.grad, grad(v)))


@LinearForm
def stored(v, w):
    return w.x[0] * w.heat * v


@BilinearForm
def face_tangent(u, v, w):
    return w.x[0] * w.slope * u * v


@LinearForm
def face_residual(v, w):
    return w.x[0] * w.flux * v


class Plain:
    """The firing of a `Firing`, marched the plain way."""

    def __init__(self, firing):
        mesh, self.firing = firing.wall.mesh, firing
        self.cells = Basis(mesh, ElementQuad2())
        self.faces = {name: FacetBasis(mesh, ElementQuad2(), facets=name) for name in FACES}
        self.z = {name: np.asarray(b.global_coordinates())[1] for name, b in self.faces.items()}
        self.observe = self.cells.probes(np.array([
            np.full(firing.stations.size, firing.outer_radius), firing.stations]))
        self.solves = 0

    def properties(self, T):
        """Return k, dk/dT, rho c and rho times the integral of c dT at temperatures ``T``."""
        solid = self.firing.solid
        table = solid.conductivity
        i = table.interval(T)
        k, slope = table.y[i] + table.slopes[i] * (T - table.x[i]), table.slopes[i]
        c, heat = solid.specific_heat.value_and_integral(T)
        return k, slope, solid.density * c, solid.density * heat

    def flux(self, name, T, t):
        """Return flux out of the wall and its slope to T at a face's quadrature points."""
        s, p = self.firing.surfaces, self.firing.p
        if name == "bore":
            e = s.gas.at(p).exchange(t, True)
            z = self.firing.wall.faces["bore"].z
            U, T_gas = np.interp(self.z[name], z, e.U), np.interp(self.z[name], z, e.T_inf)
            return U * (T - T_gas), U
        if name == "outside":
            lost = np.interp(T, s.outer.T, s.outer.convected)
            slope = np.interp(T + 0.5, s.outer.T, s.outer.convected) - np.interp(
                T - 0.5, s.outer.T, s.outer.convected)
            radiated = p.emissivity * Stefan_Boltzmann
            return (p.convection * lost + radiated * (T**4 - AMBIENT**4),
                    p.convection * slope + 4.0 * radiated * T**3)
        h = np.exp(p.log_head if name == "head" else p.log_exit)
        return h * (T - AMBIENT), np.full(T.shape, h)

    def assembled(self, T, t, d):
        """Return ``e(T) - d F(T, t)`` and its derivative to T."""
        at = self.cells.interpolate(T)
        k, slope, c, heat = self.properties(np.asarray(at))
        fields = {"T": at, "k": k, "slope": slope, "c": c, "heat": heat, "d": d}
        A = cell_tangent.assemble(self.cells, **fields)
        b = cell_residual.assemble(self.cells, **fields)
        for name, basis in self.faces.items():
            flux, slope = self.flux(name, np.asarray(basis.interpolate(T)), t)
            A = A + face_tangent.assemble(basis, slope=d * slope)
            b = b + face_residual.assemble(basis, flux=d * flux)
        return b, A

    def heat(self, T):
        heat = self.properties(np.asarray(self.cells.interpolate(T)))[3]
        return stored.assemble(self.cells, heat=heat)

    def stage(self, T, known, t, d):
        for _ in range(MOST_ITERATIONS):
            b, A = self.assembled(T, t, d)
            update = spsolve(A, known - b)
            self.solves += 1
            T = T + update
            if np.abs(update).max() < SMALLEST_UPDATE:
                return T
        raise AssertionError("the plain march did not converge")

    def march(self, steps, end, scheme="TR-BDF2"):
        """Return observed temperatures at the step ends, shape (steps + 1, n_obs)."""
        T = np.full(self.cells.N, AMBIENT)
        out, dt = [self.observe @ T], end / steps
        start, rate = self.heat(T), None
        for n in range(steps):
            t = n * dt
            if scheme == "backward Euler":
                T = self.stage(T, start, t + dt, dt)
                start = self.heat(T)
            else:
                d = 0.5 * GAMMA * dt
                if rate is None:
                    rate = (start - self.assembled(T, t, d)[0]) / d
                inner = self.stage(T, start + d * rate, t + GAMMA * dt, d)
                share = 1.0 / (GAMMA * (2.0 - GAMMA))
                known = share * self.heat(inner) + (1.0 - share) * start
                T = self.stage(inner, known, t + dt, d)
                start = self.heat(T)
                rate = (start - known) / d
            out.append(self.observe @ T)
        return np.array(out)
