"""Many draws of one firing marched together.

The equations and the scheme are those of `wallsim.wall.march`. The draws differ in parameters but
share wall, steps and, in each stage, one factor of the tangent, that of their mean: chord
iteration takes each draw to its own solution. So a draw costs array work only, no factor.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from wallsim.errors import ConvergenceError
from wallsim.wall.gas import GasSide, WallParameters
from wallsim.wall.growth import grown
from wallsim.wall.model import Surfaces, WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import GAMMA, Schedule

Array = NDArray[np.float64]

LARGEST_UPDATE = 1e-2
MOST_ITERATIONS = 40
SLOW_CONTRACTION = 0.3
_FROM_STAGE = 1.0 / (GAMMA * (2.0 - GAMMA))
_FROM_START = (1.0 - GAMMA) ** 2 / (GAMMA * (2.0 - GAMMA))


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Temperatures of a march at its step ends.

    Parameters
    ----------
    t : Array, shape (n_t,)
        From ignition [s].
    T : Array, shape (n_t, n, n_draws)
        [K].
    """

    t: Array
    T: Array

    def then(self, later: Track) -> Track:
        """Return this track continued by one that starts where it ends."""
        return Track(np.concatenate((self.t, later.t[1:])), np.concatenate((self.T, later.T[1:])))


class Ensemble:
    """One firing at many draws of its parameters.

    Parameters
    ----------
    wall : Wall
        Of one metal, with a banded Laplacian.
    surfaces : Surfaces
    template : WallParameters
        Carries the sizes.
    p : Array, shape (n_par, n_draws)
        Columns as `WallParameters.vector`.
    slope : WallSlope or None
        Where the draws differ in thickness too.
    """

    def __init__(
        self, wall: Wall, surfaces: Surfaces, template: WallParameters, p: Array,
        slope: WallSlope | None = None,
    ) -> None:
        self.wall, self.surfaces, self.slots = wall, surfaces, template.slots()
        self.template = template
        self.p, self.n = p, p.shape[1]
        self.tables = _Tables.of(wall, self.get("log_conductivity"), self.get("conductivity_tilt"),
                                 self.get("log_heat_capacity"), self.get("heat_capacity_tilt"))
        gas = surfaces.gas
        self.h = np.exp(gas.coefficient_basis @ p[self.slots["log_h"]])
        self.R = np.exp(gas.resistance_basis @ p[self.slots["log_R"]])
        self.rise = gas.share[:, None] * np.exp(self.get("log_rise"))
        region = wall.regions[0]
        self.laplacian = region.laplacian
        self.volume = region.volume[:, None]
        self.area = {name: face.area[:, None] for name, face in wall.faces.items()}
        self.thicker: Array | None = None
        if slope is not None:
            thickness = np.exp(self.get("log_wall"))
            self.thicker = thickness - thickness[:1]
            self.bent = slope.laplacian[0]
            self.volume = self.volume + slope.volume[0][:, None] * self.thicker
            for name, change in slope.area.items():
                self.area[name] = self.area[name] + change[:, None] * self.thicker
        self.steps = 0

    def with_gas(self, gas: GasSide) -> Ensemble:
        """Return the ensemble with another history of the same gas side."""
        other = copy(self)
        other.surfaces = replace(self.surfaces, gas=gas)
        return other

    def get(self, field: str) -> Array:
        """Return one scalar parameter of every draw; shape (n_draws,)."""
        return np.asarray(self.p[self.slots[field].start])

    def growth(self, t: float) -> Array:
        """Return the growth of the deposit at ``t`` [s]; shape (n_draws,)."""
        gas = self.surfaces.gas
        s = (gas.deposit_age + min(t, gas.burn)) / gas.t_ref
        shapes = self.p[self.slots["growth_shape"]].T
        return np.array([grown(gas.law, s, shape)[0] for shape in shapes])

    def resistance(self, t: float) -> Array:
        """Return R at the bore nodes at ``t`` [s]; shape (m, n_draws), or (m, 1) if bare."""
        gas = self.surfaces.gas
        if gas.history is not None:
            each = (gas.resistance(t, self.template.with_vector(p)) for p in self.p.T)
            return np.column_stack(list(each))
        return np.zeros((len(self.h), 1)) if gas.law == "none" else self.R * self.growth(t)

    def exchange(self, t: float, burning: bool) -> tuple[Array, Array, Array]:
        """Return U [W/(m^2 K)], driving temperature [K] and R [m^2 K/W] at the bore nodes."""
        gas, m = self.surfaces.gas, self.h.shape[0]
        T_inf = np.full((m, self.n), gas.ambient)
        if burning:
            h = self.h * np.exp(self.get("pressure_exponent") * gas.log_pressure_at(t))
            T_inf += -np.expm1(-t / np.exp(self.get("log_ramp"))) * self.rise
        else:
            weights = gas.purge_weights(t)
            h = np.exp(weights @ self.p[self.slots["log_purge"]])[None, :] * np.ones((m, 1))
        R = self.resistance(t)
        return h / (1.0 + h * R), T_inf, R

    def rate(
        self, T: Array, q: _Nodal, e: tuple[Array, Array, Array]
    ) -> tuple[Array, Array]:
        """Return the nodal heat rate [W] and the slope of its nodal part [W/K]."""
        F = -(self.laplacian @ q.theta)
        if self.thicker is not None:
            F -= self.thicker * (self.bent @ q.theta)
        slope = np.zeros_like(F)
        faces, s = self.wall.faces, self.surfaces
        bore, outside = faces["bore"].nodes, faces["outside"].nodes
        U, T_inf, _ = e
        F[bore] += self.area["bore"] * U * (T_inf - T[bore])
        slope[bore] -= self.area["bore"] * U
        q_c, q_r, dq_c, dq_r = s.outer.flux(np.clip(T[outside], 201.0, 1998.0))
        c, eps = self.get("convection"), self.get("emissivity")
        F[outside] += self.area["outside"] * (c * q_c + eps * q_r)
        slope[outside] += self.area["outside"] * (c * dq_c + eps * dq_r)
        for end, T_end in (("head", s.head), ("exit", s.exit)):
            nodes = faces[end].nodes
            conductance = self.area[end] * np.exp(self.get(f"log_{end}"))
            F[nodes] += conductance * (T_end - T[nodes])
            slope[nodes] -= conductance
        return F, slope

    def solver(self, q: _Nodal, slope: Array, d: float, *, own: bool) -> _Solver:
        """Return the solver of the tangent in the potential: of the mean draw, or each its own."""
        band = self.wall.band
        if band is None:
            raise ConvergenceError("draws are marched on a wall of one metal with a narrow band")
        diagonal = (self.volume * q.c - d * slope) / q.k
        columns = diagonal.T if own else [diagonal.mean(axis=1)]
        factors = []
        for column in columns:
            matrix = d * band
            matrix[0] += column
            factor, info = lapack.dpbtrf(matrix, lower=1, overwrite_ab=1)
            if info != 0:
                raise ConvergenceError("the system of a time step is not positive definite")
            factors.append(factor)
        return _Solver(factors)

    def stage(
        self, known: Array, guess: Array, t: float, d: float, burning: bool
    ) -> tuple[Array, Array, Array]:
        """Return temperature, heat and rate that solve ``heat(T) - d F(T, t) = known``.

        Where draws are apart across a peak of c(T) the mean's tangent serves none of them; each
        then gets its own.
        """
        e, T, solver, last, renewed = self.exchange(t, burning), guess, None, np.inf, 0
        for _ in range(MOST_ITERATIONS):
            q = self.tables.at(T)
            F, slope = self.rate(T, q, e)
            if solver is None:
                solver = self.solver(q, slope, d, own=renewed > 1)
            update = solver.solve(known + d * F - self.volume * q.heat) / q.k
            T = T + update
            size = float(np.abs(update).max())
            if size < LARGEST_UPDATE:
                return T, known + d * F, F
            if size > SLOW_CONTRACTION * last:
                solver, renewed = None, renewed + 1
            last = size
        raise ConvergenceError(f"a time step did not converge: {size:.3g} K at t = {t:.3f} s")

    def march(self, schedule: Schedule, T0: Array, stop_above: float = np.inf) -> Track:
        """Return the temperatures at the step ends.

        Parameters
        ----------
        schedule : Schedule
        T0 : Array, shape (n, n_draws)
            [K].
        stop_above : float
            End once the hottest bore node of every draw exceeds it [K].
        """
        T, t = T0, float(schedule.t[0])
        heat = self.volume * self.tables.at(T).heat
        states, times, before = [T], [t], None
        recent: list[tuple[float, Array]] = []
        rate = np.empty(0)
        bore = self.wall.faces["bore"].nodes
        for t_end, flag in zip(schedule.t[1:], schedule.burning, strict=True):
            burning = bool(flag)
            if burning != before:
                rate = self.rate(T, self.tables.at(T), self.exchange(t, burning))[0]
                recent, before = [(t, T)], burning
            dt = float(t_end) - t
            d, middle = 0.5 * GAMMA * dt, t + GAMMA * dt
            T_in, heat_in, _ = self.stage(
                heat + d * rate, _guess(recent, middle), middle, d, burning)
            recent = [*recent[-2:], (middle, T_in)]
            known = _FROM_STAGE * heat_in - _FROM_START * heat
            T, heat, rate = self.stage(known, _guess(recent, t_end), float(t_end), d, burning)
            recent, t = [*recent[-2:], (float(t_end), T)], float(t_end)
            self.steps += 1
            states.append(T)
            times.append(t)
            if T[bore].max(axis=0).min() > stop_above:
                break
        return Track(np.array(times), np.array(states))


def _guess(recent: list[tuple[float, Array]], t: float) -> Array:
    """Return the curve through the last states at ``t``."""
    times = [s for s, _ in recent]
    weights = [np.prod([(t - b) / (a - b) for b in times if b != a]) for a in times]
    return np.asarray(sum(w * T for w, (_, T) in zip(weights, recent, strict=True)))


@dataclass(frozen=True, slots=True, eq=False)
class _Solver:
    """Banded factors: one for all draws, or one for each."""

    factors: list[Array]

    def solve(self, rhs: Array) -> Array:
        if len(self.factors) == 1:
            return np.asarray(lapack.dpbtrs(self.factors[0], rhs, lower=1)[0])
        return np.column_stack([
            lapack.dpbtrs(factor, column, lower=1)[0]
            for factor, column in zip(self.factors, rhs.T, strict=True)
        ])


@dataclass(frozen=True, slots=True, eq=False)
class _Nodal:
    """k, theta, rho c and H at the nodes; each (n, n_draws)."""

    k: Array
    theta: Array
    c: Array
    heat: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    """Property table of every draw; beyond its ends the last interval is continued.

    A draw that leaves the range of the metal must not end the march of the others; those that read
    the track look for it.
    """

    T: Array
    columns: tuple[Array, ...]
    place: NDArray[np.intp]

    @classmethod
    def of(cls, wall: Wall, log_k: Array, tilt_k: Array, log_c: Array, tilt_c: Array) -> _Tables:
        table = wall.regions[0].table
        dT = np.diff(table.T)
        parts: list[list[Array]] = [[] for _ in range(6)]
        for four in zip(log_k, tilt_k, log_c, tilt_c, strict=True):
            own = table.changed(*four)
            for first, y in ((0, own.k), (3, own.rho_c)):
                integral = np.concatenate(([0.0], np.cumsum(0.5 * dT * (y[1:] + y[:-1]))))
                for i, column in enumerate((y[:-1], np.diff(y) / dT, integral[:-1])):
                    parts[first + i].append(column)
        columns = tuple(np.concatenate(part) for part in parts)
        return cls(table.T, columns, dT.size * np.arange(log_k.size))

    def at(self, T: Array) -> _Nodal:
        i = np.clip(np.searchsorted(self.T, T, side="right") - 1, 0, self.T.size - 2)
        x = T - self.T.take(i)
        i += self.place
        k, dk, theta, c, dc, heat = (column.take(i) for column in self.columns)
        return _Nodal(k + dk * x, theta + x * (k + 0.5 * dk * x), c + dc * x,
                      heat + x * (c + 0.5 * dc * x))
