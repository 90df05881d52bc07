"""Heat flux into the bore, step by step, each from the readings of a few steps ahead.

Function specification with ``r`` future steps (Beck 1970, Int. J. Heat Mass Transfer 13,
703-716): the flux is taken as constant over them,

    q = q_last + sum X_j (Y_j - T*_j) / sum X_j^2,    X = dT_outer/dq,  T* with q_last

and only the first step is kept. Where the future steps pass the end of the burn there is no flux.
The wall is marched by backward Euler on nodes in the radius, conserving heat with k(T) and c(T);
``X`` and ``T*`` hold the properties of the temperatures expected halfway through the future steps.
All stations are marched together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.quick.inverse import History, Record
from wallsim.quick.radial_wall import RadialWall

Array = NDArray[np.float64]

NODES = 13
FUTURE = 0.25
FEWEST = 3
LEAST_READ = 0.6
NEWTON = 2


@dataclass(frozen=True, slots=True, eq=False)
class RadialMarch:
    """Nodes of a radial wall and its step.

    Parameters
    ----------
    wall : RadialWall
    dt : float
        [s].
    volume : Array, shape (n,)
        Of each node, per radian and metre of length [m^2].
    link : Array, shape (n - 1,)
        ``1 / ln(r_(j+1) / r_j)`` [-].
    """

    wall: RadialWall
    dt: float
    volume: Array
    link: Array

    @classmethod
    def of(cls, wall: RadialWall, dt: float, nodes: int = NODES) -> RadialMarch:
        """Space the nodes evenly, both surfaces among them."""
        r = np.linspace(wall.inner, wall.outer, nodes)
        edges = np.concatenate((r[:1], 0.5 * (r[1:] + r[:-1]), r[-1:]))
        return cls(wall, dt, 0.5 * np.diff(edges**2), 1.0 / np.log(r[1:] / r[:-1]))

    def tangent(self, T: Array) -> Array:
        """Return the matrix of a step linearised about ``T``, shape (m, n, n)."""
        g = self.link * self.wall.conductivity(0.5 * (T[:, 1:] + T[:, :-1]))
        out = np.zeros((*T.shape, T.shape[1]))
        at = np.arange(T.shape[1])
        out[:, at, at] = self.volume * self.wall.heat(T)[0] / self.dt
        out[:, at[:-1], at[:-1]] += g
        out[:, at[1:], at[1:]] += g
        out[:, at[:-1], at[1:]] = -g
        out[:, at[1:], at[:-1]] = -g
        out[:, -1, -1] += self.wall.outer * self.wall.loss(T[:, -1])[1]
        return out

    def residual(self, T: Array, old: Array, q: Array) -> Array:
        """Return what the heat balance of each node lacks [W/(m rad)], shape (m, n)."""
        flow = self.link * np.diff(T) * self.wall.conductivity(0.5 * (T[:, 1:] + T[:, :-1]))
        out = -self.volume * (self.wall.heat(T)[1] - self.wall.heat(old)[1]) / self.dt
        out[:, :-1] += flow
        out[:, 1:] -= flow
        out[:, 0] += self.wall.inner * q
        out[:, -1] -= self.wall.outer * self.wall.loss(T[:, -1])[0]
        return out

    def step(self, T: Array, q: Array, inverse: Array, drift: Array) -> Array:
        """Return the temperatures one step on; ``inverse`` is that of a nearby tangent."""
        new = T + drift
        for _ in range(NEWTON):
            new = new + _times(inverse, self.residual(new, T, q))
        return new


def _times(matrix: Array, vector: Array) -> Array:
    return (matrix @ vector[..., None])[..., 0]


def future_steps(wall: RadialWall, dt: float) -> int:
    """Return over how many steps the flux is taken as constant."""
    return max(FEWEST, round(FUTURE * wall.diffusion_time / dt))


def sequential(every: Sequence[Record], wall: RadialWall) -> list[History]:
    """Return the flux of every record, in their order."""
    found: dict[int, History] = {}
    for dt in {record.step for record in every}:
        at = [i for i, record in enumerate(every) if record.step == dt]
        march = RadialMarch.of(wall, dt)
        found |= dict(zip(at, _together([every[i] for i in at], march), strict=True))
    return [found[i] for i in range(len(every))]


def _together(every: Sequence[Record], march: RadialMarch) -> list[History]:
    r = future_steps(march.wall, march.dt)
    steps = int(np.ceil(max(record.burn for record in every) / march.dt))
    t = march.dt * np.arange(1, steps + r + 1, dtype=np.float64)
    Y = np.array([_on_grid(record, t) for record in every])
    start = np.array([record.start for record in every])
    flux, bore = march_sequentially(Y, start, march, r)
    middle, ahead = t[:steps] - 0.5 * march.dt, t[r - 1 : r - 1 + steps]
    return [
        History(middle, np.where(ahead <= last_of_burn(record), q, np.nan), T)
        for record, q, T in zip(every, flux, bore, strict=True)
    ]


def last_of_burn(record: Record) -> float:
    """Return until when interpolation takes no block of readings that shutdown is in [s]."""
    half = 0.5 * record.block
    spoilt = record.t[record.t + half > record.burn]
    return float(min(spoilt.min(initial=np.inf), record.burn + half)) - record.block


def march_sequentially(
    Y: Array, start: Array, march: RadialMarch, r: int
) -> tuple[Array, Array]:
    """Return flux [W/m^2] and bore temperature [K] in the middle of each step.

    Parameters
    ----------
    Y : Array, shape (m, steps + r)
        Outer temperature at the end of each step and of ``r`` more [K]; NaN where not read.
    start : Array, shape (m,)
        First temperature of the wall [K].
    r : int
        Future steps.

    Returns
    -------
    flux, bore : Array, shape (m, steps)
        NaN where too few of the future steps were read.
    """
    steps = Y.shape[1] - r
    T = np.repeat(start[:, None], march.volume.size, axis=1)
    q, drift = np.zeros(start.size), np.zeros_like(T)
    flux, bore = np.empty((2, start.size, steps))
    for m in range(steps):
        expected = T + 0.5 * r * drift
        inverse: Array = np.linalg.inv(march.tangent(expected)).astype(np.float64, copy=False)
        storage = march.volume * march.wall.heat(expected)[0] / march.dt
        ahead = _look_ahead(march, T, q, (inverse, storage), r)
        read = np.isfinite(Y[:, m : m + r])
        misfit = np.where(read, Y[:, m : m + r] - ahead[0], 0.0)
        X = np.where(read, ahead[1], 0.0)
        told = read.sum(axis=1) >= LEAST_READ * r
        square = (X**2).sum(axis=1)
        q = q + np.where(told, (X * misfit).sum(axis=1) / np.where(told, square, 1.0), 0.0)
        new = march.step(T, q, inverse, drift)
        flux[:, m] = np.where(told, q, np.nan)
        bore[:, m] = 0.5 * (new + T)[:, 0]
        T, drift = new, new - T
    return flux, bore


def _look_ahead(
    march: RadialMarch, T: Array, q: Array, halfway: tuple[Array, Array], r: int
) -> Array:
    """Return outer temperature with the flux unchanged [K], and its slope to it, (2, m, r).

    ``halfway`` holds the inverse tangent and the storage of each node, at the expected
    temperatures.
    """
    inverse, storage = halfway
    source = np.zeros((*T.shape, 2))
    source[..., 0] = march.residual(T, T, q)
    source[:, 0, 1] = march.wall.inner
    pushed = inverse @ source
    carried = inverse * storage[:, None, :]
    change, out = pushed, np.empty((r, T.shape[0], 2))
    for j in range(r):
        out[j] = change[:, -1]
        change = carried @ change + pushed
    return np.stack((T[:, -1:] + out[..., 0].T, out[..., 1].T))


def _on_grid(record: Record, t: Array) -> Array:
    """Return readings between blocks [K]; NaN where the nearest is over a block away."""
    after = np.clip(np.searchsorted(record.t, t), 0, record.t.size - 1)
    before = np.maximum(after - 1, 0)
    away = np.minimum(np.abs(record.t[after] - t), np.abs(record.t[before] - t))
    known = np.concatenate(([0.0], record.t)) if record.t[0] > 0.0 else record.t
    T = np.concatenate(([record.start], record.T)) if record.t[0] > 0.0 else record.T
    return np.where(away <= record.block, np.interp(t, known, T), np.nan)
