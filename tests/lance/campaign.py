"""Truth of a campaign: what the tube, the gas, the deposit and the sensors really do.

``lance(seed)`` is the committed campaign; ``lance(seed, vary=True)`` draws everything that the
case file gives an uncertainty to, for statements about coverage. All draws come from the seed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .conduction import Array, Wall
from .metals import STAINLESS, scaled

REFERENCE_PRESSURE = 3.75e5
BAROMETER = 1.013e5


@dataclass(frozen=True, slots=True)
class Gas:
    """Bare-wall coefficient and driving temperature along the tube, and their course in time.

    ``h = level [1 + entrance exp(-z / entrance_length)]`` at the reference pressure;
    ``T_g = hot - deficit exp(-z / flame_length)`` [K]; ramps and purge in s and W/(m^2 K).
    """

    level: float = 1180.0
    entrance: float = 0.55
    entrance_length: float = 0.045
    hot: float = 2350.0
    deficit: float = 950.0
    flame_length: float = 0.07
    exponent: float = 0.80
    ramp: float = 0.25
    pressure_ramp: float = 0.10
    fall: float = 0.10
    purge: float = 120.0
    purge_time: float = 5.0
    still: float = 8.0

    def coefficient(self, z: Array) -> Array:
        """Return h of the bare bore at the reference pressure [W/(m^2 K)]."""
        return self.level * (1.0 + self.entrance * np.exp(-z / self.entrance_length))

    def temperature(self, z: Array) -> Array:
        """Return the driving gas temperature [K]."""
        return self.hot - self.deficit * np.exp(-z / self.flame_length)


@dataclass(frozen=True, slots=True)
class Deposit:
    """Layer that grows by ``limit (1 - exp(-rate t / limit))`` from ignition on [m, m/s]."""

    rate: float
    limit: float
    conductivity: float = 0.12

    def resistance(self, z: Array, t: float) -> Array:
        """Return the resistance after ``t`` seconds of burning [m^2 K/W]."""
        thickness = self.limit * (1.0 - np.exp(-self.rate * max(t, 0.0) / self.limit))
        return thickness * self.full(z)

    def full(self, z: Array) -> Array:
        """Return the resistance per thickness along the tube [m K/W]."""
        return (0.85 + 0.3 * np.exp(-(((z - 0.13) / 0.09) ** 2))) / self.conductivity

    def grown(self, z: Array, R: Array, dt: float) -> Array:
        """Return what ``R`` [m^2 K/W] becomes in ``dt`` [s]; it grows to the limit."""
        end = self.limit * self.full(z)
        return end + (R - end) * np.exp(-self.rate * dt / self.limit)


@dataclass(frozen=True, slots=True)
class Thermocouple:
    """Welded to the outer wall at ``z`` [m]; ``loss`` is the share of the rise not read."""

    name: str
    z: float
    logger: str
    loss: float
    lag: float


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a channel in one run; times on the log clock [s]."""

    sensor: str
    kind: str
    at: float | None = None
    share: float | None = None


@dataclass(frozen=True, slots=True)
class Firing:
    """One run: ``multiplier`` on h, ``gas_factor`` on T_g, ``ignition`` on the log clock [s].

    ``after`` names the run whose deposit was not cleaned off, of which the share ``retained`` is
    left; ``shed_at`` [s] after ignition the share ``lost`` comes off, beyond ``shed_beyond`` [m].
    """

    name: str
    blend: str
    flux: float
    burn: float
    multiplier: float
    gas_factor: float
    ignition: float
    start: float = -5.0
    end: float = 25.0
    faults: tuple[Fault, ...] = ()
    reattached: tuple[Thermocouple, ...] = ()
    after: str | None = None
    retained: float = 1.0
    shed_at: float | None = None
    lost: float = 0.0
    shed_beyond: float = 0.0


@dataclass(frozen=True, slots=True)
class Noise:
    """Of every thermocouple reading [K]; ``phi`` at 50 Hz; pressure noise as a share."""

    white: float = 0.4
    correlated: float = 0.45
    phi: float = 0.95
    hum: float = 0.3
    quantum: float = 0.1
    offset: float = 1.0
    drift_b: float = 1.5
    pressure: float = 0.01
    spikes: bool = True


@dataclass(frozen=True, slots=True)
class Campaign:
    """Everything that makes the logs."""

    seed: int
    wall: Wall
    gas: Gas
    deposits: dict[str, Deposit | None]
    sensors: tuple[Thermocouple, ...]
    firings: tuple[Firing, ...]
    noise: Noise = Noise()
    rate: float = 20.0

    def sensors_of(self, firing: Firing) -> tuple[Thermocouple, ...]:
        """Return the sensors as attached in ``firing``."""
        new = {sensor.name: sensor for sensor in firing.reattached}
        return tuple(new.get(sensor.name, sensor) for sensor in self.sensors)


STATIONS = (25, 60, 100, 150, 200, 250, 300, 345, 378, 200, 200)
DEPOSITS = {
    "neat": None,
    "D5_1p5": Deposit(0.8e-6, 25e-6),
    "D5_3": Deposit(1.6e-6, 40e-6),
    "D5_6": Deposit(3.2e-6, 60e-6),
    "HMDSO": Deposit(1.4e-6, 25e-6),
}
PLAN = (
    ("R01", "neat", 1.0, 12.0),
    ("R02", "neat", 0.7, 16.0),
    ("R03", "D5_3", 1.0, 12.0),
    ("R04", "D5_6", 1.0, 12.0),
    ("R05", "neat", 1.0, 12.0),
    ("R06", "D5_1p5", 1.0, 12.0),
    ("R07", "D5_3", 1.0, 12.0),
    ("R09", "HMDSO", 1.0, 12.0),
)
FAULTS = {
    "R06": (Fault("S3", "detached", at=7.0),),
    "R07": (Fault("S8", "dropouts", share=0.05),),
    "R09": (Fault("S5", "reversed"),),
}


def _thermocouple(rng: np.random.Generator, name: str, z: float, logger: str) -> Thermocouple:
    loss = float(rng.uniform(0.005, 0.03))
    lag = float(np.exp(rng.uniform(np.log(0.03), np.log(0.25))))
    return Thermocouple(name, z, logger, loss, lag)


def _firings(rng: np.random.Generator, sensors: tuple[Thermocouple, ...]) -> tuple[Firing, ...]:
    firings = []
    for name, blend, flux, burn in PLAN:
        multiplier = float(np.exp(rng.normal(0.0, 0.02)))
        gas_factor = float(rng.normal(1.0, 0.007))
        ignition = float(rng.normal(0.0, 0.08))
        again = _thermocouple(rng, "S6", sensors[5].z, "A")
        firings.append(
            Firing(
                name,
                blend,
                flux,
                burn,
                multiplier,
                gas_factor,
                0.42 if name == "R04" else ignition,
                faults=FAULTS.get(name, ()),
                reattached=(again,) if name == "R09" else (),
            )
        )
    return tuple(firings)


def lance(seed: int = 24, *, vary: bool = False) -> Campaign:
    """Return the campaign of the burner lance.

    The committed draw is the first that was made; DEVELOPERS.md says how other draws fared.

    Parameters
    ----------
    vary : bool
        Draw also the wall, the metal, the surroundings, the gas and the deposits about their
        nominal values, as wide as the case file says.
    """
    rng = np.random.default_rng(seed)
    sensors = tuple(
        _thermocouple(rng, f"S{i + 1}", 1e-3 * z, "A" if i < 6 else "B")
        for i, z in enumerate(STATIONS)
    )
    firings = _firings(rng, sensors)
    wall = Wall(STAINLESS, bore=0.024, wall=0.0080, length=0.400)
    campaign = Campaign(seed, wall, Gas(), dict(DEPOSITS), sensors, firings)
    return _varied(campaign, np.random.default_rng([seed, 1])) if vary else campaign


def _varied(campaign: Campaign, rng: np.random.Generator) -> Campaign:
    def spread(relative: float) -> float:
        return float(np.exp(rng.normal(0.0, relative)))

    wall = replace(
        campaign.wall,
        metal=scaled(STAINLESS, float(rng.normal(1.0, 0.03)), float(rng.normal(1.0, 0.02))),
        wall=float(rng.normal(7.94e-3, 0.06e-3)),
        contact=(1500.0 * spread(0.4), 1500.0 * spread(0.4)),
        emissivity=float(np.clip(rng.normal(0.7, 0.1), 0.3, 1.0)),
        convection_scale=float(rng.normal(1.0, 0.1)),
    )
    gas = replace(
        campaign.gas,
        level=1180.0 * spread(0.15),
        entrance=0.55 * spread(0.3),
        hot=float(rng.normal(2350.0, 110.0)),
        exponent=float(rng.normal(0.8, 0.03)),
    )
    deposits = {
        name: None
        if deposit is None
        else Deposit(deposit.rate * spread(0.4), deposit.limit * spread(0.4), 0.12 * spread(0.3))
        for name, deposit in campaign.deposits.items()
    }
    return replace(campaign, wall=wall, gas=gas, deposits=deposits)
