"""Whether the deposit of a changed firing could still be measured.

The firing is thought made with the thermocouples and the noise of the logged firing of the same
blend. All that is known beforehand (the posterior of the fit, or the priors of the case) is kept
but what that firing brings anew: its own scatter; on another tube the thermocouples' attachment;
of another metal its tables; and R, whose level counts as unknown, for it is to be told by the
traces. With the whitened Jacobian ``J`` at the changed firing the covariance afterwards is

    (C^-1 + J^T J)^-1                (linear Bayesian update)
"""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import repeat
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Trace
from wallsim.case.model import Sensor
from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.readouts import QUANTILE
from wallsim.estimate.run_model import (
    Resolution,
    RunModel,
    WallBuilder,
    observation,
    readings,
    run_rows,
)
from wallsim.estimate.unknowns import OF_ONE_FIRING, RESISTANCE_VARIATION, smooth_basis
from wallsim.estimate.weights import Weights, assumed
from wallsim.materials.solid import Solid
from wallsim.plan.draws import Knowledge
from wallsim.plan.ensemble import Ensemble
from wallsim.plan.whatif_file import Change
from wallsim.regression.noise import Noise
from wallsim.regression.prior import Prior, smooth_covariance
from wallsim.wall.gas import WallParameters
from wallsim.wall.mesh import REGION, tube_mesh
from wallsim.wall.model import WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import Schedule

Array = NDArray[np.float64]

TOLD = 3.0
"""Standard deviations above zero from which on a deposit counts as measurable."""
UNKNOWN_LEVEL = 10.0
"""Standard deviation of the log of R, so wide that the traces alone tell the level."""
ATTACHMENT = ("lag ", "lead loss ", "heating round the tube at ", "position ")
METAL = ("conductivity ", "heat capacity ")
BARE = "bare"
POINTS = 41


@dataclass(frozen=True, slots=True, eq=False)
class Instruments:
    """Thermocouples of a logged firing, and how noisy its traces are.

    Parameters
    ----------
    run : RunModel
    sensors : tuple of Sensor
        One a trace.
    noise : tuple of Noise
        One a trace.
    """

    run: RunModel
    sensors: tuple[Sensor, ...]
    noise: tuple[Noise, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Stand:
    """What the campaign measures with, and what it knows already.

    Parameters
    ----------
    instruments : dict of str to Instruments
        By blend.
    prior : Prior
    x : Array, shape (m,)
    covariance : Array, shape (m, m)
        Posterior of the fit, or the prior's.
    knots : Array, shape (n,)
        Of h and R along the tube [m].
    drift, correlation_length : float
        [K], [m].
    noise_from : str
        Where the noise comes from, for the reader.
    marches : int
        With sensitivities that setting this up took.
    """

    instruments: dict[str, Instruments]
    prior: Prior
    x: Array
    covariance: Array
    knots: Array
    drift: float
    correlation_length: float
    noise_from: str
    marches: int

    @classmethod
    def of(
        cls, campaign: Campaign, knowledge: Knowledge, resolution: Resolution, executor: Executor
    ) -> Stand:
        """Return the stand; the noise is that of the logs about the fit, assumed without a fit."""
        unknowns, case = knowledge.unknowns, campaign.case
        first = {f.blend.name: f for f in reversed(campaign.firings)}
        runs = [RunModel.of(campaign, f, unknowns, resolution) for f in first.values()]
        first_weights = [assumed(run.traces, case.fit.drift) for run in runs]
        words, weights, marches = "assumed: 1 K, correlation 0.8 after 0.1 s", first_weights, 0
        if knowledge.of_a_fit:
            wall, slope = WallBuilder(unknowns, resolution).at(knowledge.x)
            weights = [rows.weights for rows in executor.map(
                run_rows, runs, first_weights, repeat(knowledge.x), repeat(wall), repeat(slope),
                repeat(case.fit.drift))]
            words, marches = "residuals of the logged firings about the fit", len(runs)
        stated = {s.name: s for s in case.sensors}
        instruments = {
            blend: Instruments(run, tuple(stated[t.sensor] for t in run.traces),
                               tuple(w.noise for w in each))
            for blend, run, each in zip(first, runs, weights, strict=True)
        }
        return cls(instruments, unknowns.prior, knowledge.x, knowledge.root @ knowledge.root.T,
                   unknowns.knots, case.fit.drift, case.fit.correlation_length, words, marches)

    def before(self, change: Change) -> tuple[Array, Array]:
        """Return mean and covariance of the unknowns before the changed firing is made."""
        anew: tuple[str, ...] = OF_ONE_FIRING
        if change.wall is not None or change.bore is not None or change.metal is not None:
            anew += ATTACHMENT
        if change.metal is not None:
            anew += METAL
        at = np.array([i for i, p in enumerate(self.prior.parameters) if p.name.startswith(anew)],
                      dtype=np.intp)
        x, C = self.x.copy(), self.covariance.copy()
        x[at] = self.prior.mean[at]
        C[at] = C[:, at] = 0.0
        root = self.prior.root[at]
        C[np.ix_(at, at)] = root @ root.T
        return x, C


@dataclass(frozen=True, slots=True, eq=False)
class Planned:
    """A changed firing as it is thought to be made.

    Parameters
    ----------
    ensemble : Ensemble
        Of the last of the firings.
    template : WallParameters
    solid : Solid
    slope : WallSlope or None
    start : Array, shape (n,)
        Wall temperature at ignition [K].
    burn, end : float
        Shutdown and end of the record, from ignition [s].
    again : bool
        True if it follows another firing.
    """

    ensemble: Ensemble
    template: WallParameters
    solid: Solid
    slope: WallSlope | None
    start: Array
    burn: float
    end: float
    again: bool


def measurable(
    stand: Stand, blend: str, change: Change, planned: Planned, resolution: Resolution
) -> dict[str, Any]:
    """Return the expected interval of the mean R at shutdown, and whether it is told from none.

    The mean is along the tube between the first and the last station. ``marches`` counts those
    with sensitivities.
    """
    found: dict[str, Any] = {"mean_resistance_m2K_W": None, "standard_deviations": None,
                             "told": None, "note": BARE, "marches": 0}
    if planned.ensemble.surfaces.gas.law == "none":
        return found
    tools = stand.instruments[blend]
    try:
        run, x, C, wall = _model(stand, tools, change, planned, resolution)
        model = readings(run, x, wall, planned.slope, derivatives=True)
    except (TableRangeError, ConvergenceError) as error:
        return found | {"note": str(error), "marches": 1}
    assert model.dT_dx is not None
    white = np.vstack([
        Weights.of(trace, noise, stand.drift, None).apply(trace, J)
        for trace, noise, J in zip(run.traces, tools.noise, model.dT_dx, strict=True)
    ])
    value, gradient = _mean_resistance(stand, tools, run, x)
    sd = _sd_after(C, white, gradient)
    half = QUANTILE * sd
    return found | {
        "mean_resistance_m2K_W": {
            "estimate": value, "low": max(value - half, 0.0), "high": value + half},
        "standard_deviations": value / sd, "told": bool(value > TOLD * sd), "note": "",
        "marches": 1,
    }


def _model(
    stand: Stand, tools: Instruments, change: Change, planned: Planned, resolution: Resolution
) -> tuple[RunModel, Array, Array, Wall]:
    """Return the firing's model, mean and covariance of its unknowns, and its wall.

    The last unknowns are its own log R at the knots.
    """
    ensemble, r = planned.ensemble, planned.ensemble.wall.r
    mesh = tube_mesh(float(r.min()), float(r.max()), float(ensemble.wall.z.max()),
                     resolution.n_r, resolution.n_z)
    wall = Wall.of(mesh, {REGION: planned.solid})
    slots, n = planned.template.slots(), stand.knots.size
    old, own = tools.run.map, slots["log_R"]
    x, C = stand.before(change)
    matrix = np.zeros((ensemble.p.shape[0], x.size + n))
    for name, place in old.parameters.slots().items():
        if name != "log_R":
            matrix[slots[name], : x.size] = old.matrix[place]
    matrix[own, x.size :] = np.eye(n)
    if change.cooling is not None:
        matrix[slots["convection"]] = 0.0
    if planned.slope is None:
        matrix[slots["log_wall"]] = 0.0
    p = ensemble.p[:, 0]
    x = np.concatenate((x, p[own]))
    joint = np.zeros((x.size, x.size))
    joint[:-n, :-n] = C
    joint[-n:, -n:] = smooth_covariance(
        stand.knots, UNKNOWN_LEVEL, RESISTANCE_VARIATION, stand.correlation_length)
    run = replace(
        tools.run, name=change.name or "as changed",
        map=replace(old, parameters=planned.template, constant=p - matrix @ x, matrix=matrix),
        surfaces=ensemble.surfaces,
        schedule=Schedule.of(planned.burn, planned.end, resolution.fineness),
        observe=observation(wall, list(tools.sensors)), start=planned.start,
        traces=tuple(_trace(t, planned) for t in tools.run.traces),
    )
    return run, x, joint, replace(wall, mesh=None)


def _trace(logged: Trace, planned: Planned) -> Trace:
    """Return the trace of the changed firing; a wall still warm leaves the zero unknown."""
    block = float(np.median(np.diff(logged.t) / np.diff(logged.index)))
    index = np.arange(int(planned.end / block + 1e-9), dtype=np.intp)
    t = np.asarray((index + 0.5) * block, dtype=np.float64)
    zero = 0.0 if planned.again else logged.zero_blocks
    return Trace(logged.sensor, index, t, np.zeros(t.size), t.size, zero)


def _mean_resistance(
    stand: Stand, tools: Instruments, run: RunModel, x: Array
) -> tuple[float, Array]:
    """Return the mean R at shutdown [m^2 K/W] and its gradient to ``x``."""
    z = np.array([s.z.value for s in tools.sensors])
    basis = smooth_basis(stand.knots, np.linspace(z.min(), z.max(), POINTS))
    gas, n = run.surfaces.gas, stand.knots.size
    g, dg = gas.growth(gas.burn, run.map.at(x).growth_shape)
    R = np.exp(basis @ x[-n:])
    gradient = R.mean() * dg @ run.map.matrix[run.map.parameters.slots()["growth_shape"]]
    gradient[-n:] += g * (R[:, None] * basis).mean(axis=0)
    return float(R.mean() * g), gradient


def _sd_after(C: Array, white: Array, gradient: Array) -> float:
    """Return the standard deviation of a quantity after the update."""
    values, vectors = np.linalg.eigh(C)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    A = white @ root
    G = root.T @ gradient
    return float(np.sqrt(G @ np.linalg.solve(np.eye(len(G)) + A.T @ A, G)))
