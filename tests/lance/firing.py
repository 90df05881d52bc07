"""From the truth of a campaign to the readings of one firing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from .campaign import BAROMETER, REFERENCE_PRESSURE, Campaign, Firing, Noise, Thermocouple
from .conduction import Array, Exchange, Record, Resolution, simulate


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """One log: clock [s], head pressure [bar gauge], temperatures [degC] by sensor."""

    t: Array
    pressure: Array
    temperatures: dict[str, Array]


def burning(campaign: Campaign, firing: Firing, t: Array | float) -> Array:
    """Return the course of the burn between 0 and 1; ``t`` [s] since ignition."""
    gas = campaign.gas
    return np.interp(
        t,
        [0.0, gas.pressure_ramp, firing.burn, firing.burn + gas.fall],
        [0.0, 1.0, 1.0, 0.0],
    )


def absolute_pressure(campaign: Campaign, firing: Firing, t: Array | float) -> Array:
    """Return the head pressure [Pa]; ``t`` [s] since ignition."""
    plateau = REFERENCE_PRESSURE * firing.flux
    return BAROMETER + (plateau - BAROMETER) * burning(campaign, firing, t)


def resistance(campaign: Campaign, firing: Firing, z: Array, t: float) -> Array:
    """Return the deposit [m^2 K/W] on a bore that need not have been clean, at ``t`` [s]."""
    deposit = campaign.deposits[firing.blend]
    R = np.zeros_like(z)
    if firing.after is not None:
        before = next(f for f in campaign.firings if f.name == firing.after)
        R = firing.retained * resistance(campaign, before, z, before.burn)
    moment = t if firing.shed_at is None else min(t, firing.shed_at)
    if deposit is not None:
        R = deposit.grown(z, R, max(moment, 0.0))
    if firing.shed_at is not None and t >= firing.shed_at:
        R = np.where(z >= firing.shed_beyond, (1.0 - firing.lost) * R, R)
        if deposit is not None:
            R = deposit.grown(z, R, t - firing.shed_at)
    return R


def bore_exchange(campaign: Campaign, firing: Firing) -> Exchange:
    """Return U [W/(m^2 K)] to the metal and gas temperature [K] as a function of z, t."""
    gas, deposit = campaign.gas, campaign.deposits[firing.blend]
    ambient = campaign.wall.ambient

    def exchange(z: Array, t: float) -> tuple[Array, Array]:
        if firing.after is None and firing.shed_at is None:
            R = deposit.resistance(z, min(t, firing.burn)) if deposit else np.zeros_like(z)
        else:
            R = resistance(campaign, firing, z, min(t, firing.burn))
        after = t - firing.burn
        share = float(np.clip(1.0 - after / gas.fall, 0.0, 1.0)) if after > 0.0 else 1.0
        pressure = float(absolute_pressure(campaign, firing, min(t, firing.burn)))
        h = gas.coefficient(z) * firing.multiplier
        h = share * h * (pressure / REFERENCE_PRESSURE) ** gas.exponent
        cold = gas.purge if after <= gas.purge_time else gas.still
        rise = min(t / gas.ramp, 1.0) * (gas.temperature(z) * firing.gas_factor - ambient)
        both = h + (1.0 - share) * cold
        return 1.0 / (1.0 / both + R), ambient + rise * h / both

    return exchange


def march(campaign: Campaign, firing: Firing, resolution: Resolution) -> Record:
    """Return the wall of one firing, time since ignition."""
    gas, dt = campaign.gas, resolution.dt
    duration = dt * np.ceil((firing.end - firing.ignition) / dt)
    kinks = (
        0.0,
        gas.pressure_ramp,
        gas.ramp,
        firing.burn,
        firing.burn + gas.fall,
        firing.burn + gas.purge_time,
        *(() if firing.shed_at is None else (firing.shed_at,)),
    )
    exchange = bore_exchange(campaign, firing)
    return simulate(campaign.wall, exchange, duration, resolution, kinks=kinks)


def lagged(y: Array, dt: float, lag: float) -> Array:
    """Return the response of a first-order lag to ``y``, exact for straight pieces."""
    a = np.exp(-dt / lag)
    b1 = 1.0 - (1.0 - a) * lag / dt
    b0 = (1.0 - a) - b1
    out, _ = lfilter([b1, b0], [1.0, -a], y - y[0], zi=[0.0])
    return out + y[0]


def read(campaign: Campaign, firing: Firing, record: Record) -> Readings:
    """Return what the loggers of the stand write down."""
    names = [f.name for f in campaign.firings]
    rng = np.random.default_rng([campaign.seed, 7, names.index(firing.name)])
    n = round((firing.end - firing.start) * campaign.rate) + 1
    t = firing.start + np.arange(n) / campaign.rate
    since = t - firing.ignition
    ambient = campaign.wall.ambient
    sensors = campaign.sensors_of(firing)
    surface = record.outer_at(np.array([sensor.z for sensor in sensors]))
    dt = record.t[1] - record.t[0]
    temperatures = {}
    for j, sensor in enumerate(sensors):
        wall = ambient + (1.0 - sensor.loss) * (surface[:, j] - ambient)
        rise = np.interp(since, record.t, lagged(wall, dt, sensor.lag)) - ambient
        rise = _faulty(rng, firing, sensor, t, rise)
        disturbance = _disturbance(rng, campaign.noise, sensor, t, campaign.rate)
        y = ambient - 273.15 + rise + disturbance
        if campaign.noise.spikes:
            y = y + _igniter(rng, since)
        quantum = campaign.noise.quantum
        y = np.round(y / quantum) * quantum if quantum else y
        # A type K input reads nothing below -200 degC.
        temperatures[sensor.name] = np.where(y < -200.0, np.nan, y)
    pressure = 1e-5 * (absolute_pressure(campaign, firing, since) - BAROMETER)
    scale = np.where(burning(campaign, firing, since) > 0.0, REFERENCE_PRESSURE * firing.flux, 1e5)
    pressure = pressure + campaign.noise.pressure * 1e-5 * scale * rng.standard_normal(n)
    return Readings(t, pressure, temperatures)


def _disturbance(
    rng: np.random.Generator, noise: Noise, sensor: Thermocouple, t: Array, rate: float
) -> Array:
    """Return offset, drift, hum and both kinds of noise [K]."""
    phi = noise.phi ** (50.0 / rate)
    kicks = rng.standard_normal(t.size)
    kicks[1:] *= np.sqrt(1.0 - phi**2)
    slow = noise.correlated * lfilter([1.0], [1.0, -phi], kicks)
    mains = rng.uniform(49.95, 50.05)
    hum = noise.hum * np.sin(2.0 * np.pi * (mains * t + rng.uniform()))
    offset = rng.uniform(-noise.offset, noise.offset)
    drift = noise.drift_b * (t - t[0]) / 30.0 if sensor.logger == "B" else 0.0
    return offset + drift + hum + slow + noise.white * rng.standard_normal(t.size)


def _igniter(rng: np.random.Generator, since: Array) -> Array:
    """Return spikes in the first tenth of a second, on about half of the channels [K]."""
    hit = (since >= 0.0) & (since < 0.1)
    size = rng.choice([-1.0, 1.0]) * np.exp(rng.uniform(np.log(10.0), np.log(200.0), since.size))
    return np.where(hit & (rng.uniform() < 0.5), size, 0.0)


def _faulty(
    rng: np.random.Generator, firing: Firing, sensor: Thermocouple, t: Array, rise: Array
) -> Array:
    """Return the rise above ambient as the faulty channel sees it [K]."""
    for fault in firing.faults:
        if fault.sensor != sensor.name:
            continue
        if fault.kind == "reversed":
            rise = -rise
        elif fault.kind == "dropouts":
            rise = np.where(rng.uniform(size=t.size) < (fault.share or 0.0), np.nan, rise)
        elif fault.kind == "detached":
            loose = t >= (fault.at or 0.0)
            # A free junction near the hot tube: a quarter of its rise, reached in 6 s.
            y = rise[~loose][-1]
            rise = rise.copy()
            for i in np.flatnonzero(loose):
                y += (0.25 * rise[i] - y) * (t[1] - t[0]) / 6.0
                rise[i] = y
        else:
            raise ValueError(f"unknown kind of fault {fault.kind!r}")
    return rise
