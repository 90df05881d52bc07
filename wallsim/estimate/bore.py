"""What each firing does to the bore: peak temperature, heat flux at shutdown, time to a limit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.readouts import Readout
from wallsim.estimate.run_model import RunModel
from wallsim.wall.march import march
from wallsim.wall.model import Surfaces, WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import Schedule

Array = NDArray[np.float64]

LONGEST_SURVIVAL = 60.0
AFTER_SHUTDOWN = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class BoreReadouts:
    """Bore of one firing.

    Parameters
    ----------
    z : Array, shape (m,)
        Where ``flux`` and ``shutdown_temperature`` are given [m].
    peak : Readout
        Highest bore temperature [K].
    peak_z : float
        Where it is [m].
    shutdown_temperature, flux : Readout
        Along ``z`` at shutdown [K], [W/m^2].
    limit_time : Readout or None
        Burning time until the bore would reach the limit temperature [s].
    limit_note : str
        Why there is none, empty otherwise.
    """

    z: Array
    peak: Readout
    peak_z: float
    shutdown_temperature: Readout
    flux: Readout
    limit_time: Readout | None
    limit_note: str


def bore_readouts(
    run: RunModel,
    x: Array,
    wall: Wall,
    slope: WallSlope | None,
    z: Array,
    limit: float | None,
) -> BoreReadouts:
    """March one firing at the unknowns ``x`` and read its bore.

    Parameters
    ----------
    z : Array, shape (m,)
        Where the flux is wanted [m].
    limit : float or None
        Bore temperature whose crossing time is wanted [K].
    """
    p, active = run.map.at(x), run.map.active
    matrix = run.map.matrix
    gas = run.surfaces.gas
    end = min(gas.burn + AFTER_SHUTDOWN, float(run.schedule.t[-1]))
    schedule = _until(run.schedule, end)
    history = march(
        wall, run.surfaces, p, schedule, run.bore, run.start, active, slope
    )
    assert history.dy_dp is not None
    when, where = np.unravel_index(int(np.argmax(history.y)), history.y.shape)
    of_x = matrix[active]
    peak = Readout(np.asarray(history.y[when, where]), history.dy_dp[when, where] @ of_x, False)
    bore_z = wall.faces["bore"].z
    at = int(np.argmin(np.abs(history.t - gas.burn)))
    T, dT = history.y[at], history.dy_dp[at] @ of_x
    e = gas.exchange(gas.burn, True, p)
    explicit = gas.derivative(gas.burn, True, p, T) @ matrix
    flux, dflux = e.U * (e.T_inf - T), explicit - e.U[:, None] * dT
    onto = np.array([np.interp(z, bore_z, unit) for unit in np.eye(bore_z.size)]).T
    q = onto @ flux
    limit_time, note = _limit_time(run, x, wall, slope, limit)
    return BoreReadouts(
        z, peak, float(bore_z[where]), Readout(onto @ T, onto @ dT, False),
        Readout(q, (onto @ dflux) / q[:, None], True), limit_time, note,
    )


def _until(schedule: Schedule, end: float) -> Schedule:
    n = int(np.searchsorted(schedule.t, end))
    return Schedule(schedule.t[: n + 1], schedule.burning[:n])


def _limit_time(
    run: RunModel, x: Array, wall: Wall, slope: WallSlope | None, limit: float | None
) -> tuple[Readout | None, str]:
    """Return when the bore would reach ``limit`` if the burn went on."""
    if limit is None:
        return None, ""
    surfaces = replace(run.surfaces, gas=replace(run.surfaces.gas, burn=LONGEST_SURVIVAL))
    schedule = Schedule.of(LONGEST_SURVIVAL, LONGEST_SURVIVAL)
    p, active = run.map.at(x), run.map.active
    try:
        history = march(wall, Surfaces(surfaces.gas, surfaces.outer, surfaces.head, surfaces.exit),
                        p, schedule, run.bore, run.start, active, slope, stop_above=limit)
    except (TableRangeError, ConvergenceError) as error:
        return None, str(error)
    hottest = history.y.max(axis=1)
    if hottest[-1] <= limit or history.dy_dp is None:
        return None, f"the bore stays below it for {LONGEST_SURVIVAL:.0f} s"
    i = int(np.argmax(hottest > limit))
    if i == 0:
        return None, "the bore starts above it"
    node = int(np.argmax(history.y[i]))
    before, after = history.y[i - 1, node], history.y[i, node]
    span = history.t[i] - history.t[i - 1]
    share = (limit - before) / (after - before)
    t = history.t[i - 1] + share * span
    dT = ((1.0 - share) * history.dy_dp[i - 1, node] + share * history.dy_dp[i, node])
    rate = (after - before) / span
    return Readout(np.asarray(t), -(dT @ run.map.matrix[active]) / rate / t, True), ""
