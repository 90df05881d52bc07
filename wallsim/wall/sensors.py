"""From wall temperatures at a march's stages to what a thermocouple shows at its sample times.

    tau dy/dt + y = T + (hotter - loss) (T - T_amb) + dz dT/dz

The stage values are interpolated by a parabola in each step, brought on an even grid, lagged
there exactly for a piecewise-linear input, and sampled by a cubic (Catmull & Rom 1974). All of
it is linear in the stage values, so sensitivities take the same way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.linalg import lapack

Array = NDArray[np.float64]

GRID_STEP = 0.02


def even_grid(end: float, step: float = GRID_STEP) -> Array:
    """Return an even grid from 0 to at least ``end`` [s]."""
    return step * np.arange(int(np.ceil(end / step)) + 3, dtype=np.float64)


def parabola_matrix(stage_times: Array, t: Array) -> sp.csr_matrix:
    """Return the interpolation from stage times (start, then two a step) to ``t``."""
    ends = stage_times[::2]
    step = np.clip(np.searchsorted(ends, t, side="right") - 1, 0, ends.size - 2)
    a, b, c = (stage_times[2 * step + i] for i in range(3))
    t = np.minimum(t, ends[-1])
    weights = (
        (t - b) * (t - c) / ((a - b) * (a - c)),
        (t - a) * (t - c) / ((b - a) * (b - c)),
        (t - a) * (t - b) / ((c - a) * (c - b)),
    )
    rows = np.tile(np.arange(t.size), 3)
    columns = np.concatenate([2 * step + i for i in range(3)])
    shape = (t.size, stage_times.size)
    return sp.csr_matrix((np.concatenate(weights), (rows, columns)), shape=shape)


def lag(x: Array, tau: float, step: float = GRID_STEP) -> tuple[Array, Array]:
    """Return the first-order lag of ``x`` and its derivative to ``tau``.

    Parameters
    ----------
    x : Array, shape (n, ...)
        On an even grid of ``step`` [s]; at rest before its first value.
    tau : float
        Time constant [s], positive.

    Returns
    -------
    y, dy_dtau : Array, shape (n, ...) and (n,)
        The derivative belongs to the first column of ``x``.
    """
    flat = x.reshape(len(x), -1)
    u = step / tau
    a = np.exp(-u)
    mean = -np.expm1(-u) / u
    b1, b0 = 1.0 - mean, mean - a
    driven = b1 * flat
    driven[0] = flat[0]
    driven[1:] += b0 * flat[:-1]
    y = _decaying_sum(driven, a)
    da = a * u / tau
    dmean = (mean - a) / tau
    first, out = flat[:, 0], y[:, 0]
    source = np.zeros(len(x))
    source[1:] = da * out[:-1] + (dmean - da) * first[:-1] - dmean * first[1:]
    return y.reshape(x.shape), _decaying_sum(source[:, None], a)[:, 0]


def _decaying_sum(x: Array, a: float) -> Array:
    """Return ``y`` of ``y_i = a y_(i-1) + x_i`` along the first axis; shape (n, m)."""
    band = np.vstack((np.ones(len(x)), np.full(len(x), -a)))
    y, _ = lapack.dtbtrs(band, x, uplo="L")
    return np.asarray(y)


@dataclass(frozen=True, slots=True, eq=False)
class Sampling:
    """Cubic sampling of an even grid at given times.

    Parameters
    ----------
    value, slope : csr_matrix, shape (n_samples, n_grid)
        Value and time derivative [1/s].
    """

    value: sp.csr_matrix
    slope: sp.csr_matrix

    @classmethod
    def at(cls, t: Array, n_grid: int, step: float = GRID_STEP) -> Sampling:
        """Return the sampling at ``t`` [s]; times before 0 read the first value."""
        x = np.clip(t / step, 0.0, n_grid - 1.001)
        i = x.astype(np.intp)
        s = x - i
        inside = ((t > 0.0) & (t / step < n_grid - 1.001)).astype(float)
        value = (
            0.5 * (-s + 2 * s**2 - s**3),
            0.5 * (2 - 5 * s**2 + 3 * s**3),
            0.5 * (s + 4 * s**2 - 3 * s**3),
            0.5 * (-(s**2) + s**3),
        )
        slope = (
            0.5 * (-1 + 4 * s - 3 * s**2),
            0.5 * (-10 * s + 9 * s**2),
            0.5 * (1 + 8 * s - 9 * s**2),
            0.5 * (-2 * s + 3 * s**2),
        )
        rows = np.tile(np.arange(t.size), 4)
        columns = np.clip(np.concatenate([i + k for k in (-1, 0, 1, 2)]), 0, n_grid - 1)
        shape = (t.size, n_grid)

        def matrix(weights: Array) -> sp.csr_matrix:
            return sp.csr_matrix((weights, (rows, columns)), shape=shape)

        slopes = np.concatenate([w * inside for w in slope]) / step
        return cls(matrix(np.concatenate(value)), matrix(slopes))
