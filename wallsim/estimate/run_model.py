"""One firing's model: from the unknowns to the readings of its thermocouples, with derivatives."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from skfem import Mesh

from wallsim.build import Campaign, Firing, Trace, mesh_of
from wallsim.case.model import Sensor
from wallsim.errors import TableRangeError
from wallsim.estimate.run_map import RunMap, firing_map
from wallsim.estimate.unknowns import PURGE_KNOTS, SensorMap, Unknowns, smooth_basis
from wallsim.estimate.weights import Weights, learnt, whitened
from wallsim.wall.gas import GasSide
from wallsim.wall.march import march
from wallsim.wall.mesh import outside_radius, tube_mesh, with_thickness
from wallsim.wall.model import Surfaces, WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import LONGEST_BURNING, LONGEST_SHEDDING, Schedule
from wallsim.wall.sensors import Sampling, even_grid, lag, parabola_matrix
from wallsim.wall.surroundings import OuterWall

Array = NDArray[np.float64]

THICKNESS_STEP = 1e-4
PROBE_STEP = 1e-4


@dataclass(frozen=True, slots=True)
class Resolution:
    """Fineness of the discretisation.

    Parameters
    ----------
    n_r, n_z : int
        Cells through the wall and along it; for a mesh file both are the number of parts that each
        side of its cells is cut into, a power of two.
    fineness : float
        Divides the step lengths.
    """

    n_r: int
    n_z: int
    fineness: float

    def finer(self) -> Resolution:
        """Return the resolution with every cell and step halved."""
        return Resolution(2 * self.n_r, 2 * self.n_z, 2.0 * self.fineness)


@dataclass(frozen=True, slots=True)
class WallBuilder:
    """Builds the wall of a case at any thickness.

    Parameters
    ----------
    unknowns : Unknowns
    resolution : Resolution
    file : Mesh or None
        Of the case's mesh file, its cells cut as often as ``resolution`` says.
    """

    unknowns: Unknowns
    resolution: Resolution
    file: Mesh | None = field(init=False)

    def __post_init__(self) -> None:
        mesh = mesh_of(self.unknowns.case.tube)
        if mesh is not None:
            mesh = mesh.refined(self.resolution.n_r.bit_length() - 1)
        object.__setattr__(self, "file", mesh)

    def thickness(self, x: Array) -> float:
        """Return the wall thickness at the unknowns ``x`` [m]."""
        place = self.unknowns.prior.names.get("wall thickness")
        return self.unknowns.case.tube.wall.value if place is None else float(np.exp(x[place]))

    def wall(self, thickness: float) -> Wall:
        """Return the wall [m]; the diameter stated in the case stays."""
        tube = self.unknowns.case.tube
        bore_stays = tube.fixed_diameter == "bore"
        if self.file is not None:
            mesh = with_thickness(self.file, tube.inner_radius, tube.outer_radius, thickness,
                                  bore_stays=bore_stays)
            return Wall.of(mesh, tube.solids)
        inner = tube.inner_radius if bore_stays else tube.outer_radius - thickness
        outer = tube.inner_radius + thickness if bore_stays else tube.outer_radius
        n = self.resolution
        return Wall.of(tube_mesh(inner, outer, tube.length, n.n_r, n.n_z), tube.solids)

    def at(self, x: Array) -> tuple[Wall, WallSlope | None]:
        """Return the wall at ``x`` and its derivative to the thickness, if that is fitted."""
        s = self.thickness(x)
        wall = replace(self.wall(s), mesh=None)
        if "wall thickness" not in self.unknowns.prior.names:
            return wall, None
        step = THICKNESS_STEP * s
        slope = WallSlope.between(self.wall(s - step), self.wall(s + step), 2.0 * step)
        return wall, slope


@dataclass(frozen=True, slots=True, eq=False)
class SensorModel:
    """A thermocouple in one firing: stated values, and unknowns where they are fitted."""

    lag: float
    loss: float
    place: SensorMap


@dataclass(frozen=True, slots=True, eq=False)
class RunModel:
    """All that a worker needs to hold one firing's model against its traces.

    Parameters
    ----------
    name : str
    map : RunMap
    surfaces : Surfaces
    schedule : Schedule
    observe : csr_matrix, shape (2 n_s, n)
        Wall temperature and its axial slope at each trace's sensor.
    bore : csr_matrix, shape (m, n)
        The bore nodes.
    start : Array, shape (n,)
        Wall temperature at ignition [K].
    sensors : tuple of SensorModel
    traces : tuple of Trace
    pressure_error : Array, shape (n_p,)
        Of the log of the measured pressure at the times it is given.
    """

    name: str
    map: RunMap
    surfaces: Surfaces
    schedule: Schedule
    observe: sp.csr_matrix
    bore: sp.csr_matrix
    start: Array
    sensors: tuple[SensorModel, ...]
    traces: tuple[Trace, ...]
    pressure_error: Array

    @classmethod
    def of(
        cls, campaign: Campaign, firing: Firing, unknowns: Unknowns, resolution: Resolution
    ) -> RunModel:
        """Set up the model of ``firing``."""
        case = campaign.case
        builder = WallBuilder(unknowns, resolution)
        wall = builder.wall(case.tube.wall.value)
        stated = {s.name: s for s in case.sensors}
        used = [stated[t.sensor] for t in firing.traces]
        sensors = tuple(
            SensorModel(s.lag.value, s.lead_loss.value, unknowns.sensor_map(s.name, firing))
            for s in used
        )
        observe = observation(wall, used)
        nodes = wall.faces["bore"].nodes
        bore = sp.csr_matrix(
            (np.ones(nodes.size), (np.arange(nodes.size), nodes)), shape=(nodes.size, wall.size)
        )
        return cls(
            firing.run.name, firing_map(unknowns, firing),
            _surfaces(campaign, firing, unknowns, wall),
            _schedule(firing, unknowns, resolution), observe, bore,
            np.interp(wall.z, firing.start_z, firing.start_T), sensors, firing.traces,
            firing.pressure.error,
        )


def _surfaces(campaign: Campaign, firing: Firing, unknowns: Unknowns, wall: Wall) -> Surfaces:
    case, blend = campaign.case, firing.blend
    z = wall.faces["bore"].z
    basis = smooth_basis(unknowns.knots, z)
    law = unknowns.laws.get(blend.name, "none")
    share = np.ones(z.size)
    if blend.gas_temperature_along:
        points = np.array(blend.gas_temperature_along)
        share = np.interp(z, points[:, 0], points[:, 1])
    ambient, chain = case.tube.outside.ambient, unknowns.chains.get(firing.run.name)
    gas = GasSide(
        basis, basis if law != "none" else np.zeros((z.size, 0)), share, ambient, firing.burn,
        firing.pressure.t, np.log(firing.pressure.p / campaign.reference_pressure),
        PURGE_KNOTS, law, unknowns.t_ref[blend.name],
        history=None if chain is None else chain.history(z, basis),
    )
    diameter = 2.0 * case.tube.outer_radius
    natural = case.tube.outside.convection is None
    outer = OuterWall.natural(ambient, diameter) if natural else OuterWall.fixed(ambient)
    return Surfaces(gas, outer, case.tube.head.temperature, case.tube.exit.temperature)


def _schedule(firing: Firing, unknowns: Unknowns, resolution: Resolution) -> Schedule:
    chain = unknowns.chains.get(firing.run.name)
    sheds = chain is not None and chain.last.shed is not None
    longest = LONGEST_SHEDDING if sheds else LONGEST_BURNING
    return Schedule.of(firing.burn, firing.end, resolution.fineness, longest)


def observation(wall: Wall, sensors: list[Sensor]) -> sp.csr_matrix:
    """Return wall temperature and its axial slope at the sensors, shape (2 n_s, n).

    Parameters
    ----------
    wall : Wall
        With its mesh.
    """
    low, high = float(wall.z.min()), float(wall.z.max())
    depth = np.array([s.depth for s in sensors])
    z = np.clip([s.z.value for s in sensors], low, high)
    below, above = np.maximum(z - PROBE_STEP, low), np.minimum(z + PROBE_STEP, high)
    where = np.array((below, z, above))
    radii = outside_radius(wall.mesh, where)
    under, at, over = (wall.probe(r - depth, z) for r, z in zip(radii, where, strict=True))
    slope = sp.diags(1.0 / (above - below)) @ (over - under)
    return sp.vstack((at, slope)).tocsr()


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What the model says the thermocouples of one firing show.

    Parameters
    ----------
    T : tuple of Array, shape (n,)
        At each trace's times [K].
    dT_dx : tuple of Array, shape (n, n_x), or None
    work : dict of str to int
        Counts of the march.
    """

    T: tuple[Array, ...]
    dT_dx: tuple[Array, ...] | None
    work: dict[str, int]


def readings(
    run: RunModel, x: Array, wall: Wall, slope: WallSlope | None, *, derivatives: bool
) -> Readings:
    """March one firing at the unknowns ``x`` and return its thermocouples' readings.

    Raises
    ------
    TableRangeError, ConvergenceError
        As `wallsim.wall.march.march`.
    """
    p, active = run.map.at(x), run.map.active
    columns = active if derivatives else None
    try:
        history = march(
            wall, run.surfaces, p, run.schedule, run.observe, run.start, columns, slope
        )
    except TableRangeError as error:
        raise TableRangeError(f"run {run.name}, {error}") from error
    grid = even_grid(float(run.schedule.t[-1]))
    onto_grid = parabola_matrix(history.t, grid)
    T_grid = onto_grid @ history.y
    dT_grid = None
    if history.dy_dp is not None:
        flat = onto_grid @ history.dy_dp.reshape(history.t.size, -1)
        dT_grid = flat.reshape(grid.size, *history.dy_dp.shape[1:])
    offset = run.map.offset_fixed if run.map.offset is None else float(x[run.map.offset])
    values, slopes = [], []
    for i, trace in enumerate(run.traces):
        sampling = Sampling.at(trace.t - offset, grid.size)
        T, dT = _reading(run, x, i, sampling, T_grid, dT_grid)
        values.append(T)
        slopes.append(dT)
    kept = tuple(d for d in slopes if d is not None)
    return Readings(tuple(values), kept if derivatives else None, history.work)


def _reading(
    run: RunModel, x: Array, i: int, sampling: Sampling, T_grid: Array, dT_grid: Array | None
) -> tuple[Array, Array | None]:
    """Return one thermocouple's reading at its sample times and its derivative to ``x``."""
    sensor, n_s = run.sensors[i], len(run.sensors)
    place, ambient = sensor.place, run.surfaces.gas.ambient
    loss = sensor.loss if place.loss is None else float(x[place.loss])
    hotter = 0.0 if place.heating is None else float(x[place.heating])
    shift = 0.0 if place.shift is None else float(x[place.shift])
    tau = sensor.lag if place.lag is None else float(np.exp(x[place.lag]))
    T, gradient = T_grid[:, i], T_grid[:, n_s + i]
    seen = T + (hotter - loss) * (T - ambient) + shift * gradient
    columns = [seen, -(T - ambient), gradient]
    if dT_grid is not None:
        of_march = (1.0 + hotter - loss) * dT_grid[:, i] + shift * dT_grid[:, n_s + i]
        columns.extend(of_march.T)
    lagged, of_tau = lag(np.column_stack(columns), tau) if tau > 0.0 else (
        np.column_stack(columns), np.zeros(len(T)))
    sampled = sampling.value @ lagged
    if dT_grid is None:
        return sampled[:, 0], None
    out = sampled[:, 3:] @ run.map.matrix[run.map.active]
    if place.loss is not None:
        out[:, place.loss] += sampled[:, 1]
    if place.heating is not None:
        out[:, place.heating] -= sampled[:, 1]
    if place.shift is not None:
        out[:, place.shift] += sampled[:, 2]
    if place.lag is not None:
        out[:, place.lag] += tau * (sampling.value @ of_tau)
    if run.map.offset is not None:
        out[:, run.map.offset] -= sampling.slope @ lagged[:, 0]
    return sampled[:, 0], out


@dataclass(frozen=True, slots=True, eq=False)
class RunRows:
    """One firing's share of the least-squares problem, compressed.

    Parameters
    ----------
    columns : NDArray of int, shape (k,)
        Unknowns it depends on.
    triangle : Array, shape (k + 1, k + 1)
        R of the QR factors of ``[J r]``, whitened: same normal equations, same sum of squares.
    residuals : tuple of Array
        Model minus measured at each trace's times [K].
    weights : tuple of Weights
        With which the rows were whitened.
    work : dict of str to int
    """

    columns: NDArray[np.intp]
    triangle: Array
    residuals: tuple[Array, ...]
    weights: tuple[Weights, ...]
    work: dict[str, int]

    def in_z(self, root: Array) -> tuple[Array, Array]:
        """Return the whitened residuals, and their Jacobian to all ``z`` of ``x = .. + root z``."""
        return self.triangle[:, -1], self.triangle[:, :-1] @ root[self.columns]


def run_rows(
    run: RunModel, weights: tuple[Weights, ...], x: Array, wall: Wall, slope: WallSlope | None,
    drift: float | None = None, spread: Array | None = None,
) -> RunRows:
    """Return the whitened residuals and Jacobian of one firing at ``x``, compressed.

    Where the standard deviation of a ``drift`` [K] is given the residual models are learnt from
    the residuals at ``x`` first, those of ``weights`` being the last known; ``spread spread^T``
    is the covariance of the unknowns, if known.
    """
    shared = None
    if drift is not None and run.pressure_error.any():
        model, shared = _with_pressure_error(run, x, wall, slope)
    else:
        model = readings(run, x, wall, slope, derivatives=True)
    assert model.dT_dx is not None
    residuals = tuple(T - t.T for T, t in zip(model.T, run.traces, strict=True))
    if drift is not None:
        moved = None if spread is None else tuple(J @ spread for J in model.dT_dx)
        weights = learnt(run.traces, residuals, weights, drift, moved, shared)
    stacked = whitened(run.traces, weights, [
        np.column_stack((J, r)) for r, J in zip(residuals, model.dT_dx, strict=True)])
    columns = np.flatnonzero(np.abs(stacked[:, :-1]).sum(axis=0))
    kept = stacked[:, [*columns, -1]]
    triangle = np.asarray(np.linalg.qr(kept, mode="r"))
    if triangle.shape[0] < kept.shape[1]:
        padding = np.zeros((kept.shape[1] - triangle.shape[0], kept.shape[1]))
        triangle = np.vstack((triangle, padding))
    return RunRows(columns, triangle, residuals, weights, model.work)


def _with_pressure_error(
    run: RunModel, x: Array, wall: Wall, slope: WallSlope | None
) -> tuple[Readings, tuple[Array, ...]]:
    """Return the readings, and what one standard deviation of each pressure does to them [K].

    The noise of the tap is one of the heating, which all thermocouples of the firing share. It is
    no unknown of the fit: it goes into the covariance of the readings.
    """
    k, n = run.pressure_error.size, x.size
    wider = replace(run, map=run.map.with_more("pressure_error", k))
    found = readings(wider, np.append(x, np.zeros(k)), wall, slope, derivatives=True)
    assert found.dT_dx is not None
    model = replace(found, dT_dx=tuple(J[:, :n] for J in found.dT_dx))
    return model, tuple(J[:, n:] * run.pressure_error for J in found.dT_dx)
