"""Heat flux into the bore from one thermocouple outside, without any model of the gas side.

Smoothed readings ``T_o(t)`` give

    lumped:  q = rho c (r_o^2 - r_i^2)/(2 r_i) dT_o/dt
    exact:   d(r k dT/dr)/dr = r dH/dt, marched inwards from T_o(t) and the loss outside
             (the series of Burggraf 1964, J. Heat Transfer 86, 373-382, with k(T) and c(T))

and the plateau that the wall evens out to after shutdown gives the heat of the whole burn.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Firing, Trace, mesh_of
from wallsim.quick.radial_wall import RadialWall
from wallsim.wall.mesh import outside_radius

Array = NDArray[np.float64]

SMOOTHING = 0.06
SMALLEST_SMOOTHING = 2.0
LEAST_FILLED = 1e-3
"""Of the determinant of a parabola's normal equations; 2 well inside a record."""
REACH = 3.0
KERNEL_REACH = 6.0
CHUNK = 128
MOST_STEPS = 400
SAME_THICKNESS = 0.05
SHELLS = 12
PEAK_SEARCH = 1.0
SHORTEST_SEARCH = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """Temperature of the outer wall over one firing, as one thermocouple tells it.

    Parameters
    ----------
    run, blend, sensor : str
    z : float
        [m].
    start : float
        Wall temperature at ignition [K].
    burn, block : float
        Shutdown, from ignition, and spacing of the readings [s].
    t, T : Array, shape (n,)
        Time from ignition [s]; temperature [K], the stated lag and lead loss taken out.
    """

    run: str
    blend: str
    sensor: str
    z: float
    start: float
    burn: float
    block: float
    t: Array
    T: Array

    @property
    def step(self) -> float:
        """Spacing of a flux history [s]: that of the readings unless the burn is long."""
        return self.block * max(1.0, float(np.ceil(self.burn / (MOST_STEPS * self.block))))


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """Heat flux into the bore of one station.

    Parameters
    ----------
    t : Array, shape (n,)
        From ignition [s].
    flux, bore : Array, shape (n,)
        [W/m^2] and the temperature of the bore [K]; NaN where the readings do not tell.
    """

    t: Array
    flux: Array
    bore: Array


def records(campaign: Campaign) -> list[Record]:
    """Return the outer wall temperatures of every usable thermocouple of every firing.

    What sits on a flange of a mesh file is left out: there is no tube wall under it.
    """
    known = _on_tube(campaign)
    sensors = {s.name: s for s in campaign.case.sensors if s.name in known}
    ambient = campaign.case.tube.outside.ambient
    out = []
    for firing in campaign.firings:
        for trace in (t for t in firing.traces if t.sensor in sensors):
            s = sensors[trace.sensor]
            out.append(_record(firing, trace, s.z.value, s.lag.value, s.lead_loss.value, ambient))
    return out


def _on_tube(campaign: Campaign) -> set[str]:
    """Return the thermocouples under which the wall is as thick as stated."""
    tube, every = campaign.case.tube, campaign.case.sensors
    mesh = mesh_of(tube)
    if mesh is None:
        return {s.name for s in every}
    radii = outside_radius(mesh, np.array([s.z.value for s in every]))
    near = np.abs(radii - tube.outer_radius) < SAME_THICKNESS * tube.wall.value
    return {s.name for s, on_tube in zip(every, near, strict=True) if on_tube}


def _record(
    firing: Firing, trace: Trace, z: float, lag: float, loss: float, ambient: float
) -> Record:
    """Return one record; a lag much shorter than the wall's own only delays the reading."""
    T = ambient + (trace.T - ambient) / (1.0 - loss)
    start = float(np.interp(z, firing.start_z, firing.start_T))
    return Record(firing.run.name, firing.blend.name, trace.sensor, z, start, firing.burn,
                  firing.block, trace.t - lag, T)


def smoothing_time(wall: RadialWall, step: float) -> float:
    """Return the standard deviation of the smoothing kernel [s]."""
    return max(SMOOTHING * wall.diffusion_time, SMALLEST_SMOOTHING * step)


def smooth(record: Record, width: float, at: Array) -> tuple[Array, Array]:
    """Return the smoothed temperature [K] and its slope [K/s]; NaN beyond the readings.

    Local parabola with normal weights of standard deviation ``width`` [s]. Before ignition the
    wall is known: it holds its first temperature.
    """
    before = record.block * np.arange(-np.ceil(4.0 * width / record.block), 0.0)
    before = before[before < record.t[0] - 0.5 * record.block]
    t = np.concatenate((before, record.t))
    rise = np.concatenate((np.zeros(before.size), record.T - record.start))
    fitted = np.empty((at.size, 3))
    for first in range(0, at.size, CHUNK):
        some = at[first : first + CHUNK]
        near = np.abs(t - 0.5 * (some[0] + some[-1])) < 0.5 * np.ptp(some) + KERNEL_REACH * width
        fitted[first : first + CHUNK] = _parabolas(t[near], rise[near], width, some)
    fitted[at > record.t[-1]] = np.nan
    return record.start + fitted[:, 0], fitted[:, 1] / width


def _parabolas(t: Array, rise: Array, width: float, at: Array) -> Array:
    """Return the coefficients of the local parabola in ``(t - at) / width``, shape (n, 3)."""
    x = (t - at[:, None]) / width
    w = np.exp(-0.5 * x**2)
    moments, right = [], []
    for n in range(5):
        moments.append(w.sum(axis=1))
        if n < 3:
            right.append(w @ rise)
        w = w * x
    M = np.stack(moments, axis=-1)
    normal = M[:, np.add.outer(np.arange(3), np.arange(3))]
    known = np.linalg.det(normal) > LEAST_FILLED * M[:, 0] ** 3
    known &= np.abs(x).min(axis=1, initial=np.inf) < 1.0
    out = np.full((at.size, 3), np.nan)
    b = np.stack(right, axis=-1)[known]
    out[known] = np.linalg.solve(normal[known], b[..., None])[..., 0]
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Smoothed:
    """A record on even times, from before ignition to beyond shutdown.

    Parameters
    ----------
    t, T, slope : Array, shape (n,)
        [s], [K], [K/s]; no longer than the readings go without a gap.
    width : float
        Standard deviation of the smoothing kernel [s].
    burn : float
        [s].
    """

    t: Array
    T: Array
    slope: Array
    width: float
    burn: float

    @classmethod
    def of(cls, record: Record, wall: RadialWall) -> Smoothed:
        """Smooth as much as the inverse needs."""
        width = smoothing_time(wall, record.step)
        first = -int(np.ceil(REACH * width / record.step))
        last = int(np.ceil((record.burn + REACH * width) / record.step))
        t = record.step * np.arange(first, last + 1, dtype=np.float64)
        T, slope = smooth(record, width, t)
        lost = np.flatnonzero(np.isnan(T))
        end = lost[0] if lost.size else t.size
        return cls(t[:end], T[:end], slope[:end], width, record.burn)

    def told(self, wall: RadialWall) -> NDArray[np.bool_]:
        """Return which times are of the burn and untouched by what ends the readings or it.

        The kernel reaches two widths ahead, and a shutdown takes its time to the outside.
        """
        if not self.t.size:
            return np.zeros(0, dtype=bool)
        end = min(self.burn + wall.unaware, float(self.t[-1])) - 2.0 * self.width
        return (self.t >= 0.0) & (self.t <= min(end, self.burn))


def lumped_slope(record: Smoothed, wall: RadialWall) -> History:
    """Return the flux of a wall without gradients: the hand method, no losses."""
    keep = record.told(wall)
    t, T, slope = record.t[keep], record.T[keep], record.slope[keep]
    return History(t, wall.heat(T)[0] * wall.area_ratio * slope, T)


def exact_inverse(record: Smoothed, wall: RadialWall) -> History:
    """Return the flux that the heat equation in the radius demands.

    Each shell inwards takes one more time derivative of what was smoothed, so fluctuations grow
    by ``exp(s sqrt(omega / 2 alpha))`` and the smoothing has to end them before.
    """
    keep = record.told(wall)
    if record.t.size < 3:
        return History(record.t[keep], np.full(keep.sum(), np.nan), record.T[keep])
    T, flux = march_inwards(record.T, wall, float(record.t[1] - record.t[0]))
    return History(record.t[keep], flux[keep], T[keep])


def march_inwards(T_outer: Array, wall: RadialWall, dt: float) -> tuple[Array, Array]:
    """Return bore temperature [K] and flux [W/m^2] that belong to an outer temperature.

    Midpoint rule in the radius, central differences in time.
    """
    r = np.linspace(wall.outer, wall.inner, SHELLS + 1)
    T, F = T_outer, -wall.outer * wall.loss(T_outer)[0]

    def slopes(radius: float, T: Array, F: Array) -> tuple[Array, Array]:
        return F / (radius * wall.conductivity(T)), radius * np.gradient(wall.heat(T)[1], dt)

    for a, b in pairwise(r):
        dT, dF = slopes(a, T, F)
        half = 0.5 * (b - a)
        dT, dF = slopes(0.5 * (a + b), T + half * dT, F + half * dF)
        T, F = T + (b - a) * dT, F + (b - a) * dF
    return T, -F / wall.inner


@dataclass(frozen=True, slots=True)
class HeatOfBurn:
    """What a whole burn brought into the wall at one station.

    Parameters
    ----------
    flux : float
        Mean over the burn [W/m^2].
    outer : float
        Mean temperature of the outer wall over the burn [K].
    peak_at : float
        When the outer wall was hottest, from ignition [s].
    """

    flux: float
    outer: float
    peak_at: float


def calorimetric(record: Record, wall: RadialWall) -> HeatOfBurn | None:
    """Return the heat of the burn from the hottest moment after shutdown, None where not seen.

    Heat stored then and heat lost outside until then, over the time of the burn; what the bore
    and the flanges lost after shutdown is missing.
    """
    burning = record.t <= record.burn
    search = max(PEAK_SEARCH * wall.diffusion_time, SHORTEST_SEARCH * record.block)
    after = np.flatnonzero(~burning & (record.t < record.burn + search))
    if after.size < 5 or burning.sum() < 5:
        return None
    width = smoothing_time(wall, record.step)
    T, _ = smooth(record, width, record.t[after])
    if np.isnan(T).any():
        return None
    peak = int(np.argmax(T))
    if peak == after.size - 1:
        return None
    at = float(record.t[after[peak]])
    ends = wall.heat(np.array([record.start, T[peak]]))[1]
    until = np.concatenate(([0.0], record.t[: after[peak] + 1]))
    lost = wall.loss(np.concatenate(([record.start], record.T[: after[peak] + 1])))[0]
    heat = wall.area_ratio * (ends[1] - ends[0])
    heat += wall.outer / wall.inner * float(np.trapezoid(lost, until))
    t = np.concatenate(([0.0], record.t[burning]))
    outer = float(np.trapezoid(np.concatenate(([record.start], record.T[burning])), t) / t[-1])
    return HeatOfBurn(float(heat / record.burn), outer, at)
