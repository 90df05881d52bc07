"""Serially correlated residuals: AR(1) whitening and its estimate.

    r_i = phi^gap r_{i-1} + sd sqrt(1 - phi^(2 gap)) e_i,   e ~ N(0, 1)

Whitened residuals have unit variance; an interval computed from them counts the independent
information only (Cochrane & Orcutt 1949, J. Am. Stat. Assoc. 44, 32).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

HUBER = 2.5


@dataclass(frozen=True, slots=True)
class Noise:
    """Residual model of one channel.

    Parameters
    ----------
    sd : float
        Standard deviation of a block mean [K].
    phi : float
        Correlation of neighbouring blocks [-].
    """

    sd: float
    phi: float

    def whiten(self, index: NDArray[np.intp], rows: Array) -> Array:
        """Return ``rows`` (n, ...) whitened; ``index`` (n,) counts blocks, gaps included."""
        shape = (-1,) + (1,) * (rows.ndim - 1)
        phi = self.phi ** np.diff(index)
        scale = self.sd * np.sqrt(1.0 - phi**2)
        out = np.empty_like(rows)
        out[:1] = rows[:1] / self.sd
        out[1:] = (rows[1:] - phi.reshape(shape) * rows[:-1]) / scale.reshape(shape)
        return out

    def effective_samples(self, n: int) -> float:
        """Return the number of independent samples that ``n`` blocks are worth."""
        return n * (1.0 - self.phi) / (1.0 + self.phi)


def estimate(
    index: NDArray[np.intp], r: Array, *, floor: float, largest_phi: float = 0.97
) -> Noise:
    """Return the AR(1) model of residuals ``r`` (n,), robust against outliers.

    Parameters
    ----------
    index : NDArray of int, shape (n,)
        Block numbers.
    r : Array, shape (n,)
        [K].
    floor : float
        Least standard deviation [K].
    """
    spread = max(1.4826 * float(np.median(np.abs(r))), 1e-9)
    clipped = np.clip(r, -3.0 * spread, 3.0 * spread)
    sd = max(float(np.sqrt(np.mean(clipped**2))), floor)
    neighbours = np.diff(index) == 1
    if neighbours.sum() < 10:
        return Noise(sd, 0.5)
    a, b = clipped[:-1][neighbours], clipped[1:][neighbours]
    phi = float(a @ b / np.sqrt((a @ a) * (b @ b) + 1e-30))
    return Noise(sd, min(max(phi, 0.0), largest_phi))


def huber_weights(whitened: Array) -> Array:
    """Return square-root weights that cap the pull of outliers (Huber 1964)."""
    return np.sqrt(np.minimum(1.0, HUBER / np.maximum(np.abs(whitened), 1e-12)))
