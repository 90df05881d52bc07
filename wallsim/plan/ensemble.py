"""Many draws of many firings marched side by side.

The equations and the scheme are those of `wallsim.wall.march`. Draws of one wall and of equal steps
share a factor of the tangent, that of their mean, which iteration puts right for each of them. So a
draw costs array work only, no factor. Firings side by side, which may differ in all but metal and
number of nodes, make the arrays long: in short ones the calls cost more than the numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from itertools import groupby, pairwise

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from wallsim.errors import ConvergenceError
from wallsim.plan.draw_tables import DrawProperties, DrawTables
from wallsim.plan.draw_tangent import DrawTangent
from wallsim.wall.gas import GasSide, WallParameters
from wallsim.wall.growth import grown_of_draws
from wallsim.wall.mesh import FACES
from wallsim.wall.model import Surfaces, WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import GAMMA, Schedule
from wallsim.wall.surroundings import OuterWall

Array = NDArray[np.float64]

LARGEST_ERROR = 3e-3
"""Of a stage's solution [K]; what the contraction leaves of the last update."""
LEAST_CONTRACTION = 0.01
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

    def of(self, steps: slice) -> Track:
        """Return the track at some of its step ends."""
        return Track(self.t[steps], self.T[steps])


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
        region = wall.regions[0]
        self.tables = DrawTables.of(
            region.table, self.get("log_conductivity"), self.get("conductivity_tilt"),
            self.get("log_heat_capacity"), self.get("heat_capacity_tilt"))
        gas = surfaces.gas
        self.h = np.exp(gas.coefficient_basis @ p[self.slots["log_h"]])
        self.R = np.exp(gas.resistance_basis @ p[self.slots["log_R"]])
        self.rise = gas.share[:, None] * np.exp(self.get("log_rise"))
        every = np.ones((1, self.n))
        self.volume = region.volume[:, None] * every
        self.area = {name: face.area[:, None] * every for name, face in wall.faces.items()}
        self.thicker, self.bent = np.zeros(self.n), None
        if slope is not None:
            thickness = np.exp(self.get("log_wall"))
            self.thicker, self.bent = thickness - thickness[0], slope.laplacian[0]
            self.volume += slope.volume[0][:, None] * self.thicker
            for name, change in slope.area.items():
                self.area[name] += change[:, None] * self.thicker

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
        return grown_of_draws(gas.law, s, self.p[self.slots["growth_shape"]])

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
        return march([self], [schedule], [T0], [stop_above])[0]

    @property
    def table_end(self) -> float:
        """End of the metal's table [K]."""
        return float(self.wall.regions[0].table.T[-1])


def march(
    parts: Sequence[Ensemble], schedules: Sequence[Schedule], starts: Sequence[Array],
    stop_above: Sequence[float] | None = None,
) -> list[Track]:
    """Return the temperatures of each ensemble at its own step ends, marched side by side.

    Parameters
    ----------
    parts : sequence of Ensemble
        Of one metal, of walls with equally many nodes through and along them.
    schedules : sequence of Schedule
    starts : sequence of Array, shape (n, n_draws)
        [K].
    stop_above : sequence of float or None
        Where an ensemble ends: once the hottest bore node of its every draw exceeds it [K].

    Raises
    ------
    ConvergenceError
        If a step of one of them does not converge.
    """
    limits = [np.inf] * len(parts) if stop_above is None else stop_above
    states = [[T] for T in starts]
    left = list(range(len(parts)))
    now, T = _SideBySide(parts), np.hstack(starts)
    heat, rate, burning = now.heat(T), np.empty(0), None
    recent: list[tuple[Array, Array]] = []
    for step in range(max(s.burning.size for s in schedules)):
        t, t_end = (np.array([schedules[i].t[k] for i in left]) for k in (step, step + 1))
        before, burning = burning, tuple(bool(schedules[i].burning[step]) for i in left)
        if burning != before:
            rate, recent = now.rate_at(T, t, burning), [(t, T)]
        middle, d = t + GAMMA * (t_end - t), 0.5 * GAMMA * (t_end - t)
        known = heat + now.columns(d) * rate
        T, inner, _ = now.stage(known, now.guess(recent, middle), middle, d, burning)
        recent = [*recent[-2:], (middle, T)]
        known = _FROM_STAGE * inner - _FROM_START * heat
        T, heat, rate = now.stage(known, now.guess(recent, t_end), t_end, d, burning)
        recent = [*recent[-2:], (t_end, T)]
        hottest = now.coolest_draw(T)
        for i, at in zip(left, now.at, strict=True):
            states[i].append(T[:, at])
        goes_on = [step + 1 < schedules[i].burning.size and not T_bore > limits[i]
                   for i, T_bore in zip(left, hottest, strict=True)]
        if not all(goes_on):
            keep = np.flatnonzero(goes_on)
            if keep.size == 0:
                break
            columns = np.concatenate([np.arange(now.n)[now.at[j]] for j in keep])
            left, burning = [left[j] for j in keep], tuple(burning[j] for j in keep)
            now = _SideBySide([parts[i] for i in left])
            T, heat, rate = T[:, columns], heat[:, columns], rate[:, columns]
            recent = [(times[keep], each[:, columns]) for times, each in recent]
    return [Track(s.t[: len(each)], np.array(each))
            for s, each in zip(schedules, states, strict=True)]


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """Columns next to each other of one wall in the same surroundings."""

    at: slice
    laplacian: sp.csr_matrix
    bent: sp.csr_matrix | None
    outer: OuterWall


class _SideBySide:
    """Ensembles as one: the columns of one after those of the other."""

    def __init__(self, parts: Sequence[Ensemble]) -> None:
        self.parts = parts
        self.sizes = [e.n for e in parts]
        ends = np.cumsum([0, *self.sizes])
        self.n, self.starts = int(ends[-1]), ends[:-1]
        self.at = [slice(a, b) for a, b in pairwise(ends)]
        self.walls = [e.wall for e in parts for _ in range(e.n)]
        self.tables = DrawTables.joined([e.tables for e in parts])
        self.volume = np.hstack([e.volume for e in parts])
        self.thicker = np.concatenate([e.thicker for e in parts])
        self.area = {name: np.hstack([e.area[name] for e in parts]) for name in FACES}
        self.nodes = {name: face.nodes for name, face in parts[0].wall.faces.items()}
        self.convection, self.emissivity = (
            np.concatenate([e.get(name) for e in parts]) for name in ("convection", "emissivity"))
        self.ends = {
            name: (self.area[name] * np.exp(np.concatenate([e.get(f"log_{name}") for e in parts])),
                   self.columns(np.array([getattr(e.surfaces, name) for e in parts])))
            for name in ("head", "exit")}
        self.stretches = []
        for _, same in groupby(range(len(parts)),
                               lambda i: (id(parts[i].wall), id(parts[i].surfaces.outer))):
            each = list(same)
            e = parts[each[0]]
            self.stretches.append(_Stretch(slice(ends[each[0]], ends[each[-1] + 1]),
                                           e.wall.regions[0].laplacian, e.bent, e.surfaces.outer))
        self.contraction = np.ones(self.n)

    def columns(self, of_parts: Array) -> Array:
        """Return a value of every part as one of every draw."""
        return np.repeat(of_parts, self.sizes)

    def heat(self, T: Array) -> Array:
        """Return the heat stored at the nodes [J]."""
        return self.volume * self.tables.at(T).heat

    def coolest_draw(self, T: Array) -> Array:
        """Return of each part the hottest bore node [K] of the draw where it is coolest."""
        return np.asarray(np.minimum.reduceat(T[self.nodes["bore"]].max(axis=0), self.starts))

    def exchange(self, times: Array, burning: tuple[bool, ...]) -> tuple[Array, Array]:
        """Return U [W/(m^2 K)] and driving temperature [K] at the bore nodes of every draw."""
        each = [e.exchange(float(t), flag)
                for e, t, flag in zip(self.parts, times, burning, strict=True)]
        return np.hstack([U for U, _, _ in each]), np.hstack([T_inf for _, T_inf, _ in each])

    def lost(self, T: Array) -> tuple[Array, Array]:
        """Return flux into the outside [W/m^2] at its nodes, and its slope [W/(m^2 K)]."""
        T = np.clip(T, 201.0, 1998.0)
        parts = [s.outer.flux(T[:, s.at]) for s in self.stretches]
        q_c, q_r, dq_c, dq_r = (np.hstack(each) for each in zip(*parts, strict=True))
        c, eps = self.convection, self.emissivity
        return c * q_c + eps * q_r, c * dq_c + eps * dq_r

    def rate(
        self, T: Array, q: DrawProperties, e: tuple[Array, Array]
    ) -> tuple[Array, dict[str, Array]]:
        """Return the nodal heat rate [W], and what its slope is at the nodes of faces [W/K]."""
        F = np.empty_like(T)
        for s in self.stretches:
            theta = np.ascontiguousarray(q.theta[:, s.at])
            F[:, s.at] = -(s.laplacian @ theta)
            if s.bent is not None:
                F[:, s.at] -= self.thicker[s.at] * (s.bent @ theta)
        nodes, area = self.nodes, self.area
        conductance = area["bore"] * e[0]
        F[nodes["bore"]] += conductance * (e[1] - T[nodes["bore"]])
        lost, slope = self.lost(T[nodes["outside"]])
        F[nodes["outside"]] += area["outside"] * lost
        for name, (of_end, T_end) in self.ends.items():
            F[nodes[name]] += of_end * (T_end - T[nodes[name]])
        return F, {"bore": -conductance, "outside": area["outside"] * slope,
                   **{name: -of_end for name, (of_end, _) in self.ends.items()}}

    def rate_at(self, T: Array, times: Array, burning: tuple[bool, ...]) -> Array:
        """Return the nodal heat rate [W] in state ``T``."""
        return self.rate(T, self.tables.at(T), self.exchange(times, burning))[0]

    def guess(self, recent: list[tuple[Array, Array]], t: Array) -> Array:
        """Return the curve through the last states at ``t``."""
        times = [s for s, _ in recent]
        weights = [np.prod([(t - b) / (a - b) for b in times if b is not a], axis=0)
                   for a in times]
        return np.asarray(sum(self.columns(np.broadcast_to(w, t.shape)) * T
                              for w, (_, T) in zip(weights, recent, strict=True)))

    def stage(
        self, known: Array, guess: Array, times: Array, d: Array, burning: tuple[bool, ...]
    ) -> tuple[Array, Array, Array]:
        """Return temperature, heat and rate that solve ``heat(T) - d F(T, t) = known``."""
        e, T, columns = self.exchange(times, burning), guess, self.columns(d)
        tangent: DrawTangent | None = None
        slow, last = np.zeros(self.n, dtype=bool), np.empty(0)
        for iteration in range(MOST_ITERATIONS):
            q = self.tables.at(T)
            F, slopes = self.rate(T, q, e)
            diagonal = self.volume * q.c
            for name, slope in slopes.items():
                diagonal[self.nodes[name]] -= columns * slope
            diagonal /= q.k
            if tangent is None:
                tangent = DrawTangent(self.walls, columns, diagonal)
            residual = known + columns * F - self.volume * q.heat
            update = tangent.solve(residual, diagonal, slow) / q.k
            T = T + update
            size = np.abs(update).max(axis=0)
            if iteration:
                moved = last > LARGEST_ERROR
                self.contraction[moved] = np.maximum(size[moved] / last[moved], LEAST_CONTRACTION)
                slow = moved & (self.contraction > SLOW_CONTRACTION)
            error = size * np.minimum(self.contraction, 1.0)
            if error.max() < LARGEST_ERROR:
                heat = self.volume * (q.heat + q.c * update)
                return T, heat, (heat - known) / columns
            last = size
        worst = int(error.argmax())
        t = float(np.repeat(times, self.sizes)[worst])
        raise ConvergenceError(
            f"a time step did not converge: {size[worst]:.3g} K at t = {t:.3f} s")
