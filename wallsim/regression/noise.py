"""Serially correlated residuals: autoregressive whitening and its estimate.

    r_i = a_1 r_(i-1) + ... + a_p r_(i-p) + innovation

Whitened residuals have unit variance and carry the independent information only, so an interval
computed from them is neither too narrow for what is correlated (Cochrane & Orcutt 1949, J. Am.
Stat. Assoc. 44, 32) nor needlessly wide. One autoregression of an order that the data choose serves
all traces of a run: it takes in amplifier noise, hum and slow misfit alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]

HUBER = 2.5
LONGEST_MEMORY = 25
LARGEST_REFLECTION = 0.97


@dataclass(frozen=True, slots=True, eq=False)
class Autoregression:
    """Predictors of a stationary series of unit variance from its past.

    Parameters
    ----------
    coefficients : tuple of Array
        Of orders 0, 1, ..., p; the first weighs the latest value.
    variance : Array, shape (p + 1,)
        Of what each order leaves unpredicted.
    """

    coefficients: tuple[Array, ...]
    variance: Array

    @classmethod
    def of(cls, correlation: Array, n: float = np.inf) -> Autoregression:
        """Return the autoregression with the given autocorrelation at lags 0, 1, ...

        Levinson-Durbin recursion (Durbin 1960, Rev. Int. Stat. Inst. 28, 233); of the orders up to
        that given, the one of least AIC for ``n`` values (Akaike 1974).
        """
        coefficients, variance = [np.empty(0)], [1.0]
        for k in range(1, correlation.size):
            a = coefficients[-1]
            reflection = (correlation[k] - a @ correlation[k - 1 : 0 : -1]) / variance[-1]
            if abs(reflection) > LARGEST_REFLECTION:
                if k > 1:
                    break
                reflection = np.clip(reflection, -LARGEST_REFLECTION, LARGEST_REFLECTION)
            coefficients.append(np.append(a - reflection * a[::-1], reflection))
            variance.append(variance[-1] * (1.0 - reflection**2))
        orders = np.arange(len(variance))
        best = int(np.argmin(n * np.log(variance) + 2.0 * orders)) if np.isfinite(n) else orders[-1]
        return cls(tuple(coefficients[: best + 1]), np.array(variance[: best + 1]))

    @property
    def lag1(self) -> float:
        """Correlation of neighbours [-]."""
        return float(self.coefficients[1][0]) if len(self.coefficients) > 1 else 0.0

    @property
    def memory(self) -> float:
        """Values that are worth one independent value of their mean [-]."""
        return float(self.variance[-1] / (1.0 - self.coefficients[-1].sum()) ** 2)

    def whiten(self, index: Index, rows: Array) -> Array:
        """Return ``rows`` (n, ...) whitened; ``index`` (n,) numbers them, gaps start anew."""
        starts = np.flatnonzero(np.diff(index, prepend=index[:1] - 2) != 1)
        out = np.empty_like(rows)
        for a, b in zip(starts, [*starts[1:], index.size], strict=True):
            out[a:b] = self._whiten_even(rows[a:b])
        return out

    def _whiten_even(self, rows: Array) -> Array:
        out = rows.copy()
        p = len(self.coefficients) - 1
        for i in range(1, min(p, len(rows))):
            out[i] -= np.tensordot(self.coefficients[i], rows[i - 1 :: -1], axes=1)
        for lag, a in enumerate(self.coefficients[p], start=1):
            out[p:] -= a * rows[p - lag : len(rows) - lag]
        head = np.sqrt(self.variance[np.minimum(np.arange(len(rows)), p)])
        return out / head.reshape((-1,) + (1,) * (rows.ndim - 1))


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """Residual model of one trace.

    Parameters
    ----------
    sd : float
        Standard deviation of a block mean [K].
    process : Autoregression
        Of its serial correlation.
    """

    sd: float
    process: Autoregression

    def whiten(self, index: Index, rows: Array) -> Array:
        """Return ``rows`` (n, ...) as independent values of unit variance."""
        return self.process.whiten(index, rows) / self.sd

    def effective_samples(self, n: int) -> float:
        """Return the number of independent samples that ``n`` blocks are worth."""
        return n / max(self.process.memory, 1.0)


def estimate(
    index: Sequence[Index], residuals: Sequence[Array], *, floor: float,
    taken: Sequence[Array] | None = None,
) -> list[Noise]:
    """Return the residual model of each trace of a run, robust against outliers.

    A fit takes for signal what of the noise looks like it, and that is slow. So residuals lack
    variance, and correlation most of all: by as much as the fit's own uncertainty of the readings.
    That is given back (the expectation step of Dempster, Laird & Rubin 1977, J. R. Stat. Soc. B 39,
    1, with the fitted unknowns as what is not observed).

    Parameters
    ----------
    index : sequence of NDArray of int, shape (n,)
        Block numbers of each trace.
    residuals : sequence of Array, shape (n,)
        [K].
    floor : float
        Least standard deviation [K].
    taken : sequence of Array, shape (n, k), or None
        Of each trace: the readings' covariance by what was fitted is ``taken taken^T`` [K].
    """
    sds, scaled = [], []
    for i, r in enumerate(residuals):
        spread = max(1.4826 * float(np.median(np.abs(r))), 1e-9)
        columns = np.clip(r, -3.0 * spread, 3.0 * spread)[:, None]
        if taken is not None:
            columns = np.column_stack((columns, taken[i]))
        sd = float(np.sqrt(np.sum(columns**2) / r.size))
        sds.append(max(sd, floor))
        scaled.append(columns / (sd + 1e-9))
    process = Autoregression.of(_correlation(index, scaled), sum(r.size for r in residuals))
    return [Noise(sd, process) for sd in sds]


def _correlation(index: Sequence[Index], series: Sequence[Array]) -> Array:
    """Return the autocorrelation pooled over series of unit variance, lags 0, 1, ...

    Parameters
    ----------
    series : sequence of Array, shape (n, k)
        Their columns add up.
    """
    shortest = min(len(r) for r in series)
    sums = np.zeros(max(2, min(LONGEST_MEMORY, shortest // 4) + 1))
    total = sum(float(np.vdot(r, r)) for r in series)
    for where, r in zip(index, series, strict=True):
        even = np.zeros((int(where[-1] - where[0]) + 1, r.shape[1]))
        even[where - where[0]] = r
        for lag in range(sums.size):
            sums[lag] += np.vdot(even[lag:], even[: len(even) - lag])
    return sums / total


def without_nuisance(white: Array, rows: Array) -> Array:
    """Return whitened ``rows`` with the uncertainty of linear nuisance terms taken in.

    The covariance of ``rows`` grows from 1 to ``1 + white white^T``; the result is whitened against
    that. It is the same as fitting the terms with unit-normal priors, without more unknowns.

    Parameters
    ----------
    white : Array, shape (n, k)
        Whitened terms, each times its prior standard deviation.
    rows : Array, shape (n, ...)
    """
    q, r = np.linalg.qr(white)
    inner, vectors = np.linalg.eigh(np.eye(r.shape[0]) + r @ r.T)
    shrink = (vectors / np.sqrt(inner)) @ vectors.T - np.eye(r.shape[0])
    return np.asarray(rows + q @ (shrink @ (q.T @ rows)))


def huber_weights(whitened: Array) -> Array:
    """Return square-root weights that cap the pull of outliers (Huber 1964)."""
    return np.sqrt(np.minimum(1.0, HUBER / np.maximum(np.abs(whitened), 1e-12)))
