"""What each firing does to the bore: peak temperature, heat flux at shutdown, time to a limit."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.readouts import Readout
from wallsim.estimate.run_model import RunModel
from wallsim.wall.gas import WallParameters
from wallsim.wall.march import march
from wallsim.wall.model import History, WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import LONGEST_BURNING, Schedule

Array = NDArray[np.float64]

LONGEST_SURVIVAL = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class BoreReadouts:
    """Bore of one firing.

    Parameters
    ----------
    z : Array, shape (m,)
        Where ``flux`` and ``shutdown_temperature`` are given [m].
    peak : Readout
        Highest bore temperature of the burn [K].
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
    history, note = _on_and_on(run, p, wall, slope, limit)
    assert history.dy_dp is not None
    burnt = int(np.argmin(np.abs(history.t - gas.burn)))
    until = history.y[: burnt + 1]
    when, where = np.unravel_index(int(np.argmax(until)), until.shape)
    of_x = matrix[active]
    peak = Readout(np.asarray(until[when, where]), history.dy_dp[when, where] @ of_x, False)
    bore_z = wall.faces["bore"].z
    T, dT = history.y[burnt], history.dy_dp[burnt] @ of_x
    at_p = gas.at(p)
    e = at_p.exchange(gas.burn, True)
    explicit = at_p.derivative(gas.burn, True, T, e) @ matrix
    flux, dflux = e.U * (e.T_inf - T), explicit - e.U[:, None] * dT
    onto = np.array([np.interp(z, bore_z, unit) for unit in np.eye(bore_z.size)]).T
    q = onto @ flux
    limit_time, note = _limit_time(history, of_x, limit, note)
    return BoreReadouts(
        z, peak, float(bore_z[where]), Readout(onto @ T, onto @ dT, False),
        Readout(q, (onto @ dflux) / q[:, None], True), limit_time, note,
    )


def hottest_bore(run: RunModel, x: Array, wall: Wall) -> tuple[float, tuple[int, int]]:
    """March one firing to shutdown and return its highest bore [K], and at which step and node."""
    y = _to_shutdown(run, x, wall, None, derivatives=False).y
    when, where = np.unravel_index(int(np.argmax(y)), y.shape)
    return float(y[when, where]), (int(when), int(where))


def bore_temperature(
    run: RunModel, x: Array, wall: Wall, slope: WallSlope | None, place: tuple[int, int]
) -> Readout:
    """March one firing to shutdown and return the bore's temperature at a step and node [K]."""
    history = _to_shutdown(run, x, wall, slope, derivatives=True)
    assert history.dy_dp is not None
    of_x = run.map.matrix[run.map.active]
    return Readout(np.asarray(history.y[place]), history.dy_dp[place] @ of_x, False)


def peaks_along(
    run: RunModel, x: Array, wall: Wall, slope: WallSlope | None
) -> tuple[Array, Readout]:
    """March one firing to shutdown; return z of the bore's nodes [m] and the peak of each [K]."""
    history = _to_shutdown(run, x, wall, slope, derivatives=True)
    assert history.dy_dp is not None
    when, nodes = history.y.argmax(axis=0), np.arange(history.y.shape[1])
    of_x = run.map.matrix[run.map.active]
    peaks = Readout(history.y[when, nodes], history.dy_dp[when, nodes] @ of_x, False)
    return wall.faces["bore"].z, peaks


def _to_shutdown(
    run: RunModel, x: Array, wall: Wall, slope: WallSlope | None, *, derivatives: bool
) -> History:
    n = int(np.argmin(np.abs(run.schedule.t - run.surfaces.gas.burn)))
    short = Schedule(run.schedule.t[: n + 1], np.ones(n, dtype=bool))
    return march(wall, run.surfaces, run.map.at(x), short, run.bore, run.start,
                 run.map.active if derivatives else None, slope)


def _on_and_on(
    run: RunModel, p: WallParameters, wall: Wall, slope: WallSlope | None, limit: float | None
) -> tuple[History, str]:
    """March to shutdown, and on as if the burn went on until the bore reaches ``limit``.

    Returns the history and, where it could not go on, why.
    """
    gas, active = run.surfaces.gas, run.map.active
    n = int(np.argmin(np.abs(run.schedule.t - gas.burn)))
    t = run.schedule.t[: n + 1]
    last, note = max(LONGEST_SURVIVAL, gas.burn), ""
    if limit is not None:
        surfaces = replace(run.surfaces, gas=replace(gas, burn=last))
        more = np.arange(t[-1], last, LONGEST_BURNING)[1:]
        on = Schedule(np.concatenate((t, more)), np.ones(n + more.size, dtype=bool))
        try:
            return march(wall, surfaces, p, on, run.bore, run.start, active, slope,
                         stop_above=limit, stop_after=gas.burn), ""
        except (TableRangeError, ConvergenceError) as error:
            note = str(error)
    short = Schedule(t, np.ones(n, dtype=bool))
    return march(wall, run.surfaces, p, short, run.bore, run.start, active, slope), note


def _limit_time(
    history: History, of_x: Array, limit: float | None, note: str
) -> tuple[Readout | None, str]:
    """Return when the bore reaches ``limit`` in ``history``."""
    if limit is None or note or history.dy_dp is None:
        return None, note
    hottest = history.y.max(axis=1)
    if hottest.max() <= limit:
        return None, f"the bore stays below it for {history.t[-1]:.0f} s"
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
    return Readout(np.asarray(t), -(dT @ of_x) / rate / t, True), ""
