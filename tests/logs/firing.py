"""A made-up firing: a lumped wall behind a lag, with the scatter of a real recorder."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

from wallsim.logs.model import Array, Events, Log

AMBIENT = 298.15


@dataclass(frozen=True)
class Station:
    """How one made-up thermocouple reads."""

    heating: float = 40.0
    wall_lag: float = 0.5
    lag: float = 0.1
    cooling: float = 60.0
    noise: float = 0.6


@dataclass(frozen=True)
class Firing:
    """A firing from 0 s to ``burn`` on a clock from ``start`` to ``end``."""

    stations: tuple[Station, ...] = field(
        default_factory=lambda: tuple(
            Station(heating=h, wall_lag=w, lag=g, cooling=c)
            for h, w, g, c in [
                (33.0, 0.40, 0.05, 30.0), (40.0, 0.45, 0.12, 60.0), (44.0, 0.50, 0.08, 90.0),
                (41.0, 0.50, 0.15, 90.0), (38.0, 0.55, 0.06, 70.0), (35.0, 0.45, 0.20, 45.0),
            ]
        )
    )  # fmt: skip
    rate: float = 50.0
    start: float = -5.0
    end: float = 25.0
    burn: float = 8.0
    quantum: float = 0.01
    seed: int = 1

    @property
    def t(self) -> Array:
        return self.start + np.arange(round((self.end - self.start) * self.rate)) / self.rate

    @property
    def events(self) -> Events:
        return Events(0.0, self.burn, 4.7e5)

    def truth(self, station: Station) -> Array:
        """Reading without scatter [K], marched in fine steps."""
        fine = np.arange(self.start, self.end, 0.002)
        flux = ((fine > 0.0) & (fine < self.burn)).astype(float)
        flux *= 1.0 - 0.35 * np.clip(fine / self.burn, 0.0, 1.0)
        mean = _first_order(station.heating * flux * station.cooling, station.cooling)
        outer = _first_order(_first_order(mean, station.wall_lag), station.lag)
        return AMBIENT + np.interp(self.t, fine, outer)

    def readings(self) -> list[Array]:
        """Readings with white and slow scatter and quantisation [K]."""
        rng = np.random.default_rng(self.seed)
        phi = np.exp(-1.0 / (0.4 * self.rate))
        out = []
        for station in self.stations:
            white = 0.66 * station.noise * rng.standard_normal(self.t.size)
            drive = 0.75 * station.noise * np.sqrt(1 - phi**2)
            slow = lfilter([1.0], [1.0, -phi], drive * rng.standard_normal(self.t.size))
            y = self.truth(station) + rng.uniform(-1.0, 1.0) + white + slow
            out.append(np.round(y / self.quantum) * self.quantum)
        return out

    def pressure(self, noise: float = 0.01) -> Array:
        """Absolute pressure [Pa] with the stated share of scatter."""
        rng = np.random.default_rng(self.seed + 1)
        t = self.t
        rise = np.clip((t + 0.05) / 0.1, 0.0, 1.0) * np.clip((self.burn + 0.05 - t) / 0.1, 0.0, 1.0)
        return 1.013e5 + 3.7e5 * (rise + noise * rng.standard_normal(t.size))

    def log(self, readings: list[Array] | None = None) -> Log:
        """Log with channels ``T1``... in this order."""
        values = self.readings() if readings is None else readings
        channels = {f"T{i}": y for i, y in enumerate(values, 1)}
        return Log(Path("made-up.csv"), "", self.t, channels, (), 0)

    def but(self, **changes: object) -> Firing:
        return replace(self, **changes)


def _first_order(x: Array, tau: float) -> Array:
    """Lagged ``x`` on the fine clock."""
    share = 1.0 - np.exp(-0.002 / tau)
    return np.asarray(lfilter([share], [1.0, share - 1.0], x))
