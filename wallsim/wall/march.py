"""Transient of the wall with exact sensitivities.

Each step is TR-BDF2 (Bank et al. 1985, IEEE Trans. Electron Devices 32, 1992): a trapezoidal
stage to ``t + gamma dt`` and a BDF2 stage to ``t + dt``, both with the weight ``d = gamma dt/2``
when ``gamma = 2 - sqrt(2)``; second order and L-stable. The quantity stepped is the heat stored,

    e(T) - d F(T, t) = known,

so a step's balance closes for any c(T). Sensitivities are those of this discrete scheme: one
more right-hand side a parameter with the tangent at the stage's solution.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import reduce
from math import prod
from operator import add

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.wall.gas import Exchange, WallParameters
from wallsim.wall.mesh import FACES
from wallsim.wall.model import History, Surfaces, WallSlope
from wallsim.wall.operators import BandFactor, ColumnFactor, SparseFactor, Wall
from wallsim.wall.properties import NodalProperties
from wallsim.wall.schedule import GAMMA, Schedule

Array = NDArray[np.float64]

_FROM_STAGE = 1.0 / (GAMMA * (2.0 - GAMMA))
_FROM_START = (1.0 - GAMMA) ** 2 / (GAMMA * (2.0 - GAMMA))

LARGEST_UPDATE = 1e-5
MOST_ITERATIONS = 30
SLOW_CONTRACTION = 0.2
EQUAL_STEPS = 1e-6
LEAST_CONTRACTION = 0.01
_NOT_CONVERGED = "a time step did not converge: the update still was {:.3g} K at t = {:.3f} s"


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """A state of the wall with its heat, its rate and, if wanted, their derivatives."""

    t: float
    T: Array
    exchange: Exchange
    properties: tuple[NodalProperties, ...]
    heat: Array
    rate: Array
    dT: Array | None = None
    dheat: Array | None = None
    drate: Array | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _FaceHeat:
    """Heat flux into the wall [W/m^2] at the nodes of all faces, and its slope to T [W/(m^2 K)].

    ``convected`` and ``radiated`` are the outside's parts before their factors.
    """

    flux: Array
    slope: Array
    convected: Array
    radiated: Array


class _March:
    """One run's march: the model at fixed parameters, and the counts of its work."""

    def __init__(
        self,
        wall: Wall,
        surfaces: Surfaces,
        p: WallParameters,
        active: NDArray[np.intp] | None,
        slope: WallSlope | None,
    ) -> None:
        self.wall = wall.changed(
            p.log_conductivity, p.conductivity_tilt, p.log_heat_capacity, p.heat_capacity_tilt
        )
        self.tilted = self.wall.tilted()
        self.surfaces, self.p, self.slope = surfaces, p, slope
        self.active = active
        self.slots = p.slots()
        self.column = {} if active is None else {int(j): i for i, j in enumerate(active)}
        self.tangent: BandFactor | ColumnFactor | SparseFactor | None = None
        self.weight = 0.0
        self.contraction = 1.0
        self.recent: list[tuple[float, Array]] = []
        self.work = dict.fromkeys(("steps", "factorisations", "solves", "residuals"), 0)
        self.gas = surfaces.gas.at(p)
        faces = [wall.faces[name] for name in FACES]
        ends = np.cumsum([0, *(face.nodes.size for face in faces)])
        self.at = {name: slice(*ends[i : i + 2]) for i, name in enumerate(FACES)}
        self.nodes = np.concatenate([face.nodes for face in faces])
        self.area = np.concatenate([face.area for face in faces])
        self.conductance, self.drive = np.zeros(ends[-1]), np.zeros(ends[-1])
        for end, log_h, T in (
            ("head", p.log_head, surfaces.head), ("exit", p.log_exit, surfaces.exit)
        ):
            self.conductance[self.at[end]], self.drive[self.at[end]] = np.exp(log_h), T
        if slope is not None:
            self.slope_area = np.concatenate([slope.area[name] for name in FACES])

    def face_heat(self, T: Array, e: Exchange) -> _FaceHeat:
        """Return what the faces let in at the temperatures ``T``."""
        p, bore, outside = self.p, self.at["bore"], self.at["outside"]
        conductance, drive = self.conductance.copy(), self.drive.copy()
        conductance[bore], drive[bore] = e.U, e.T_inf
        T = T[self.nodes]
        flux, slope = conductance * (drive - T), -conductance
        q_c, q_r, dq_c, dq_r = self.surfaces.outer.flux(T[outside])
        flux[outside] = p.convection * q_c + p.emissivity * q_r
        slope[outside] = p.convection * dq_c + p.emissivity * dq_r
        return _FaceHeat(flux, slope, q_c, q_r)

    def at_nodes(self, of_faces: Array, size: int) -> Array:
        """Return what values at the faces' nodes, times the areas, come to at each node."""
        return np.asarray(np.bincount(self.nodes, self.area * of_faces, size), dtype=np.float64)

    def rate(
        self, T: Array, properties: tuple[NodalProperties, ...], e: Exchange
    ) -> tuple[Array, Array]:
        """Return the nodal heat rate [W] and the slope of its nodal part [W/K]."""
        faces = self.face_heat(T, e)
        self.work["residuals"] += 1
        heat = self.wall.conduction(properties) + self.at_nodes(faces.flux, T.size)
        return heat, self.at_nodes(faces.slope, T.size)

    def factor(
        self, properties: tuple[NodalProperties, ...], slope: Array, d: float, many: bool = False
    ) -> BandFactor | ColumnFactor | SparseFactor:
        """Return the factor of d(e - d F)/dT, for one or for many right-hand sides."""
        self.work["factorisations"] += 1
        factor = self.wall.factor_for_many if many else self.wall.factor
        return factor(self.wall.capacity(properties) - d * slope, d, properties)

    def guess(self, t: float) -> Array:
        """Extrapolate the last states to ``t``."""
        if len(self.recent) == 1:
            return self.recent[0][1]
        times = [s for s, _ in self.recent]
        weights = [prod((t - b) / (a - b) for b in times if b != a) for a in times]
        return reduce(add, (w * T for w, (_, T) in zip(weights, self.recent, strict=True)))

    def solve_stage(self, known: Array, t: float, d: float, burning: bool) -> _Point:
        """Solve ``e(T) - d F(T, t) = known`` by chord iteration from the extrapolated state.

        The tangent is kept over steps of equal length until it contracts slowly.
        It ends where what the contraction, or that of the stage before, leaves of the last update
        is small (Hairer & Wanner 1996, Solving Ordinary Differential Equations II, IV.8).
        """
        e = self.gas.exchange(t, burning)
        T, last = self.guess(t), np.inf
        for iteration in range(MOST_ITERATIONS):
            properties = self.wall.properties(T)
            F, slope = self.rate(T, properties, e)
            residual = known + d * F - self.wall.heat(properties)
            if self.tangent is None:
                self.tangent = self.factor(properties, slope, d)
            update = self.tangent.solve(residual)
            self.work["solves"] += 1
            size = float(np.abs(update).max())
            T = T + update
            if iteration:
                self.contraction = max(size / last, LEAST_CONTRACTION)
            left = size * min(self.contraction, 1.0)
            if left < LARGEST_UPDATE:
                properties = self.wall.properties(T)
                heat = self.wall.heat(properties)
                return _Point(t, T, e, properties, heat, (heat - known) / d)
            if iteration and size > SLOW_CONTRACTION * last:
                self.tangent = None
            last = size
        raise ConvergenceError(_NOT_CONVERGED.format(last, t))

    def explicit_heat(
        self, point: _Point, tilted: tuple[NodalProperties, ...]
    ) -> dict[int, Array]:
        """Return the columns of d(heat)/dp at fixed T; ``tilted`` as `tilted_at`."""
        out = {}
        scale, tilt, thickness = (
            self.column.get(self.slots[name].start)
            for name in ("log_heat_capacity", "heat_capacity_tilt", "log_wall")
        )
        if scale is not None:
            out[scale] = point.heat
        if tilt is not None:
            out[tilt] = self.tilted.heat(tilted)
        if thickness is not None and self.slope is not None:
            pairs = zip(self.slope.volume, point.properties, strict=True)
            out[thickness] = np.exp(self.p.log_wall) * sum(dv * q.heat for dv, q in pairs)
        return out

    def tilted_at(self, T: Array) -> tuple[NodalProperties, ...]:
        """Return the derivatives of the properties to the tilts, none if none is wanted."""
        wanted = any(self.slots[name].start in self.column
                     for name in ("conductivity_tilt", "heat_capacity_tilt"))
        return self.tilted.properties(T) if wanted else ()

    def add_explicit_rate(
        self, out: Array, point: _Point, tilted: tuple[NodalProperties, ...], faces: _FaceHeat,
        burning: bool, weight: float,
    ) -> None:
        """Add ``weight`` times dF/dp at fixed T to ``out``, shape (n, n_active)."""
        self.add_gas(out, point, point.exchange, burning, weight)
        wall, p, outside = self.wall, self.p, self.at["outside"]
        nodes, area = self.nodes, weight * self.area
        self.add(out, "emissivity", nodes[outside], area[outside] * faces.radiated)
        self.add(out, "convection", nodes[outside], area[outside] * faces.convected)
        for end in ("head", "exit"):
            at = self.at[end]
            self.add(out, f"log_{end}", nodes[at], area[at] * faces.flux[at])
        all_nodes = slice(None)
        if self.wanted("log_conductivity"):
            conduction = wall.conduction(point.properties)
            self.add(out, "log_conductivity", all_nodes, weight * conduction)
        if self.wanted("conductivity_tilt"):
            self.add(out, "conductivity_tilt", all_nodes, weight * self.tilted.conduction(tilted))
        if self.wanted("log_wall") and self.slope is not None:
            s = weight * np.exp(p.log_wall)
            pairs = zip(self.slope.laplacian, point.properties, strict=True)
            conducted = sum(dk @ q.potential for dk, q in pairs)
            taken = np.bincount(nodes, self.slope_area * faces.flux, point.T.size)
            self.add(out, "log_wall", all_nodes, s * (taken - conducted))

    def wanted(self, field: str) -> bool:
        return self.slots[field].start in self.column

    def add(self, out: Array, field: str, nodes: object, value: Array) -> None:
        column = self.column.get(self.slots[field].start)
        if column is not None:
            out[nodes, column] += value  # type: ignore[index]

    def add_gas(
        self, out: Array, point: _Point, e: Exchange, burning: bool, weight: float
    ) -> None:
        """Add ``weight`` times the bore's part of dF/dp at fixed T to ``out``."""
        bore = self.wall.faces["bore"]
        of_p = self.gas.derivative(point.t, burning, point.T[bore.nodes], e)
        out[bore.nodes] += (weight * bore.area)[:, None] * of_p[:, self.active]

    def with_sensitivities(
        self, point: _Point, dknown: Array, d: float, burning: bool
    ) -> _Point:
        """Return the stage's solution with the derivatives of state and heat."""
        faces = self.face_heat(point.T, point.exchange)
        slope = self.at_nodes(faces.slope, point.T.size)
        tangent = self.factor(point.properties, slope, d, many=True)
        tilted = self.tilted_at(point.T)
        rhs = dknown.copy()
        self.add_explicit_rate(rhs, point, tilted, faces, burning, d)
        explicit = self.explicit_heat(point, tilted)
        for column, values in explicit.items():
            rhs[:, column] -= values
        dT = tangent.solve(rhs)
        self.work["solves"] += rhs.shape[1]
        dheat = self.wall.capacity(point.properties)[:, None] * dT
        for column, values in explicit.items():
            dheat[:, column] += values
        return replace(point, dT=dT, dheat=dheat)

    def start(self, T: Array, t: float, burning: bool) -> _Point:
        """Return the state before the first step."""
        properties, e = self.wall.properties(T), self.gas.exchange(t, burning)
        F, _ = self.rate(T, properties, e)
        point = _Point(t, T, e, properties, self.wall.heat(properties), F)
        if self.active is None:
            return point
        dT = np.zeros((T.size, len(self.active)))
        dheat, drate = np.zeros_like(dT), np.zeros_like(dT)
        tilted = self.tilted_at(T)
        self.add_explicit_rate(drate, point, tilted, self.face_heat(T, e), burning, 1.0)
        for column, values in self.explicit_heat(point, tilted).items():
            dheat[:, column] = values
        return replace(point, dT=dT, dheat=dheat, drate=drate)

    def across_jump(self, point: _Point, before: bool, after: bool) -> _Point:
        """Return ``point`` with its rate on the other side of a jump of the gas side."""
        bore = self.wall.faces["bore"]
        old, new = (self.gas.exchange(point.t, burning) for burning in (before, after))
        T = point.T[bore.nodes]
        rate = point.rate.copy()
        rate[bore.nodes] += bore.area * (new.U * (new.T_inf - T) - old.U * (old.T_inf - T))
        drate = point.drate
        if drate is not None and point.dT is not None:
            drate = drate.copy()
            self.add_gas(drate, point, old, before, -1.0)
            self.add_gas(drate, point, new, after, 1.0)
            drate[bore.nodes] += (bore.area * (old.U - new.U))[:, None] * point.dT[bore.nodes]
        self.recent = [(point.t, point.T)]
        self.tangent = None
        return replace(point, rate=rate, drate=drate, exchange=new)

    def step(self, start: _Point, t_end: float, burning: bool) -> tuple[_Point, _Point]:
        """Return the inner stage and the end of a step."""
        dt = t_end - start.t
        d = 0.5 * GAMMA * dt
        if abs(d - self.weight) > EQUAL_STEPS * d:
            self.tangent, self.weight = None, d
        known, dknown = start.heat + d * start.rate, None
        if start.dheat is not None and start.drate is not None:
            dknown = start.dheat + d * start.drate
        inner = self.stage(known, dknown, start.t + GAMMA * dt, d, burning)
        known = _FROM_STAGE * inner.heat - _FROM_START * start.heat
        if start.dheat is not None and inner.dheat is not None:
            dknown = _FROM_STAGE * inner.dheat - _FROM_START * start.dheat
        end = self.stage(known, dknown, t_end, d, burning)
        if end.dheat is not None and dknown is not None:
            end = replace(end, drate=(end.dheat - dknown) / d)
        self.work["steps"] += 1
        return inner, end

    def stage(
        self, known: Array, dknown: Array | None, t: float, d: float, burning: bool
    ) -> _Point:
        """Solve one stage, with its sensitivities if they are wanted."""
        point = self.solve_stage(known, t, d, burning)
        if dknown is not None:
            point = self.with_sensitivities(point, dknown, d, burning)
        self.recent = [*self.recent[-2:], (t, point.T)]
        return point


def march(
    wall: Wall,
    surfaces: Surfaces,
    p: WallParameters,
    schedule: Schedule,
    observe: sp.csr_matrix,
    T0: Array,
    active: NDArray[np.intp] | None = None,
    slope: WallSlope | None = None,
    stop_above: float = np.inf,
    stop_after: float = 0.0,
) -> History:
    """Return the observed temperatures of one run.

    Parameters
    ----------
    wall, surfaces, p, schedule
        The model and its step sequence.
    observe : csr_matrix, shape (n_obs, n)
        Observation of the nodal temperatures.
    T0 : Array, shape (n,)
        Temperatures at ignition [K].
    active : NDArray of int, shape (n_active,), or None
        Columns of `WallParameters` whose sensitivities are wanted; None for a march alone.
    slope : WallSlope or None
        Needed for the sensitivity to the wall thickness.
    stop_above : float
        End after the step in which an observed value exceeds this [K],
    stop_after : float
        but not before this time [s].

    Raises
    ------
    TableRangeError
        If the wall leaves the range of its material.
    ConvergenceError
        If a step does not converge.
    """
    run = _March(wall, surfaces, p, active, slope)
    point = run.start(T0, float(schedule.t[0]), bool(schedule.burning[0]))
    run.recent = [(point.t, T0)]
    y, dy = [observe @ T0], [] if active is None else [observe @ point.dT]
    before = bool(schedule.burning[0])
    for t_end, burning in zip(schedule.t[1:], schedule.burning, strict=True):
        if bool(burning) != before:
            point = run.across_jump(point, before, bool(burning))
        try:
            inner, point = run.step(point, float(t_end), bool(burning))
        except TableRangeError as error:
            raise TableRangeError(f"at {point.t:.2f} s after ignition: {error}") from error
        for stage in (inner, point):
            y.append(observe @ stage.T)
            if stage.dT is not None:
                dy.append(observe @ stage.dT)
        before = bool(burning)
        if t_end >= stop_after and y[-1].max() > stop_above:
            break
    times = schedule.stage_times[: len(y)]
    return History(times, np.array(y), np.array(dy) if dy else None, run.work)
