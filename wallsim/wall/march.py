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
from math import prod

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.wall.gas import Exchange, WallParameters
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
    properties: tuple[NodalProperties, ...]
    heat: Array
    rate: Array
    dT: Array | None = None
    dheat: Array | None = None
    drate: Array | None = None


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
        self.end_conductance = {"head": np.exp(p.log_head), "exit": np.exp(p.log_exit)}
        self.end_temperature = {"head": surfaces.head, "exit": surfaces.exit}

    def face_flux(self, T: Array, e: Exchange) -> dict[str, tuple[Array, Array]]:
        """Return flux into the wall [W/m^2] and its slope to T at each face's nodes."""
        faces, p = self.wall.faces, self.p
        out = {"bore": (e.U * (e.T_inf - T[faces["bore"].nodes]), -e.U)}
        q_c, q_r, dq_c, dq_r = self.surfaces.outer.flux(T[faces["outside"].nodes])
        flux = p.convection * q_c + p.emissivity * q_r
        out["outside"] = (flux, p.convection * dq_c + p.emissivity * dq_r)
        for end in ("head", "exit"):
            h = self.end_conductance[end]
            drive = self.end_temperature[end] - T[faces[end].nodes]
            out[end] = (h * drive, np.full(drive.shape, -h))
        return out

    def exchanged(self, T: Array, e: Exchange) -> tuple[Array, Array]:
        """Return the nodal heat rate through the faces [W] and its slope to T [W/K]."""
        heat, slope = np.zeros(T.size), np.zeros(T.size)
        for name, (flux, dflux) in self.face_flux(T, e).items():
            face = self.wall.faces[name]
            heat[face.nodes] += face.area * flux
            slope[face.nodes] += face.area * dflux
        return heat, slope

    def rate(
        self, T: Array, properties: tuple[NodalProperties, ...], e: Exchange
    ) -> tuple[Array, Array]:
        """Return the nodal heat rate [W] and the slope of its nodal part [W/K]."""
        heat, slope = self.exchanged(T, e)
        self.work["residuals"] += 1
        return self.wall.conduction(properties) + heat, slope

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
        return sum(w * T for w, (_, T) in zip(weights, self.recent, strict=True))

    def solve_stage(self, known: Array, t: float, d: float, burning: bool) -> _Point:
        """Solve ``e(T) - d F(T, t) = known`` by chord iteration from the extrapolated state.

        The tangent is kept over steps of equal length until it contracts slowly.
        It ends where what the contraction, or that of the stage before, leaves of the last update
        is small (Hairer & Wanner 1996, Solving Ordinary Differential Equations II, IV.8).
        """
        e = self.surfaces.gas.exchange(t, burning, self.p)
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
                return _Point(t, T, properties, heat, (heat - known) / d)
            if iteration and size > SLOW_CONTRACTION * last:
                self.tangent = None
            last = size
        raise ConvergenceError(_NOT_CONVERGED.format(last, t))

    def explicit_heat(self, point: _Point) -> dict[int, Array]:
        """Return the columns of d(heat)/dp at fixed T."""
        out = {}
        scale, tilt, thickness = (
            self.column.get(self.slots[name].start)
            for name in ("log_heat_capacity", "heat_capacity_tilt", "log_wall")
        )
        if scale is not None:
            out[scale] = point.heat
        if tilt is not None:
            out[tilt] = self.tilted.heat(self.tilted.properties(point.T))
        if thickness is not None and self.slope is not None:
            pairs = zip(self.slope.volume, point.properties, strict=True)
            out[thickness] = np.exp(self.p.log_wall) * sum(dv * q.heat for dv, q in pairs)
        return out

    def add_explicit_rate(self, out: Array, point: _Point, burning: bool, weight: float) -> None:
        """Add ``weight`` times dF/dp at fixed T to ``out``, shape (n, n_active)."""
        self.add_gas(out, point, burning, weight)
        wall, p, T = self.wall, self.p, point.T
        outside = wall.faces["outside"]
        q_c, q_r, _, _ = self.surfaces.outer.flux(T[outside.nodes])
        self.add(out, "emissivity", outside.nodes, weight * outside.area * q_r)
        self.add(out, "convection", outside.nodes, weight * outside.area * q_c)
        for end in ("head", "exit"):
            face = wall.faces[end]
            drive = weight * (self.end_temperature[end] - T[face.nodes])
            self.add(out, f"log_{end}", face.nodes, self.end_conductance[end] * face.area * drive)
        all_nodes = slice(None)
        self.add(out, "log_conductivity", all_nodes, weight * wall.conduction(point.properties))
        if self.slots["conductivity_tilt"].start in self.column:
            conduction = self.tilted.conduction(self.tilted.properties(T))
            self.add(out, "conductivity_tilt", all_nodes, weight * conduction)
        if self.slots["log_wall"].start in self.column and self.slope is not None:
            s = weight * np.exp(p.log_wall)
            pairs = zip(self.slope.laplacian, point.properties, strict=True)
            conducted = sum(dk @ q.potential for dk, q in pairs)
            self.add(out, "log_wall", all_nodes, -s * conducted)
            e = self.surfaces.gas.exchange(point.t, burning, p)
            for name, (flux, _) in self.face_flux(T, e).items():
                self.add(out, "log_wall", wall.faces[name].nodes, s * self.slope.area[name] * flux)

    def add(self, out: Array, field: str, nodes: object, value: Array) -> None:
        column = self.column.get(self.slots[field].start)
        if column is not None:
            out[nodes, column] += value  # type: ignore[index]

    def add_gas(self, out: Array, point: _Point, burning: bool, weight: float) -> None:
        """Add ``weight`` times the bore's part of dF/dp at fixed T."""
        bore = self.wall.faces["bore"]
        of_p = self.surfaces.gas.derivative(point.t, burning, self.p, point.T[bore.nodes])
        out[bore.nodes] += weight * bore.area[:, None] * of_p[:, self.active]

    def with_sensitivities(
        self, point: _Point, dknown: Array, d: float, burning: bool
    ) -> _Point:
        """Return the stage's solution with the derivatives of state and heat."""
        e = self.surfaces.gas.exchange(point.t, burning, self.p)
        _, slope = self.exchanged(point.T, e)
        tangent = self.factor(point.properties, slope, d, many=True)
        rhs = dknown.copy()
        self.add_explicit_rate(rhs, point, burning, d)
        explicit = self.explicit_heat(point)
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
        properties = self.wall.properties(T)
        e = self.surfaces.gas.exchange(t, burning, self.p)
        F, _ = self.rate(T, properties, e)
        point = _Point(t, T, properties, self.wall.heat(properties), F)
        if self.active is None:
            return point
        dT = np.zeros((T.size, len(self.active)))
        drate = np.zeros_like(dT)
        self.add_explicit_rate(drate, point, burning, 1.0)
        dheat = np.zeros_like(dT)
        for column, values in self.explicit_heat(point).items():
            dheat[:, column] = values
        return replace(point, dT=dT, dheat=dheat, drate=drate)

    def across_jump(self, point: _Point, before: bool, after: bool) -> _Point:
        """Return ``point`` with its rate on the other side of a jump of the gas side."""
        gas, bore = self.surfaces.gas, self.wall.faces["bore"]
        old, new = (gas.exchange(point.t, burning, self.p) for burning in (before, after))
        T = point.T[bore.nodes]
        rate = point.rate.copy()
        rate[bore.nodes] += bore.area * (new.U * (new.T_inf - T) - old.U * (old.T_inf - T))
        drate = point.drate
        if drate is not None and point.dT is not None:
            drate = drate.copy()
            self.add_gas(drate, point, before, -1.0)
            self.add_gas(drate, point, after, 1.0)
            drate[bore.nodes] += (bore.area * (old.U - new.U))[:, None] * point.dT[bore.nodes]
        self.recent = [(point.t, point.T)]
        self.tangent = None
        return replace(point, rate=rate, drate=drate)

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
