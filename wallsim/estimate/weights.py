"""Residual models of the traces: noise, serial correlation, offset and drift, robust weights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Trace
from wallsim.estimate.together import INDEPENDENT, Together, together
from wallsim.regression.noise import (
    Autoregression,
    Noise,
    estimate,
    huber_weights,
    without_nuisance,
)

Array = NDArray[np.float64]

RAW_OFFSET = 1.5
NOISE_FLOOR = 0.05
FIRST_NOISE = Noise(1.0, Autoregression.of(np.array([1.0, 0.8])))


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """Residual model of one trace, fixed during a pass of the fit.

    Parameters
    ----------
    noise : Noise
    robust : Array, shape (n,)
        Square-root weights of the whitened residuals.
    nuisance : Array, shape (n, 2)
        Offset and drift of the reading, each times its standard deviation [K].
    together : Together
        How far the residuals of the firing's traces go together; they count by so much less.
    shared : Array, shape (n, k), or None
        What the firing's traces share, terms of unit-normal size [K].
    """

    noise: Noise
    robust: Array
    nuisance: Array
    together: Together = INDEPENDENT
    shared: Array | None = None

    @classmethod
    def of(
        cls, trace: Trace, noise: Noise, drift: float, residuals: Array | None,
        firing: Together = INDEPENDENT, shared: Array | None = None,
    ) -> Weights:
        """Return the weights of ``trace``; robust where its last ``residuals`` are known.

        Parameters
        ----------
        drift : float
            Standard deviation of the drift from ignition to the end of the record [K].
        """
        terms = nuisance_terms(trace, noise, drift)
        robust = np.ones(trace.t.size)
        if residuals is not None:
            white = noise.whiten(trace.index, residuals)
            robust = huber_weights(without_nuisance(noise.whiten(trace.index, terms), white))
        return cls(noise, robust, terms, firing, shared)

    def apply(self, trace: Trace, rows: Array) -> Array:
        """Return ``rows`` (n, ...) of the trace whitened and weighted, what it shares left in."""
        return np.asarray(self.whitened(trace, rows) / np.sqrt(self.together.factor))

    def whitened(self, trace: Trace, rows: Array) -> Array:
        """Return ``rows`` whitened, of a trace as if it were alone."""
        white = self.robust[:, None] * self.noise.whiten(trace.index, rows)
        terms = self.robust[:, None] * self.noise.whiten(trace.index, self.nuisance)
        return without_nuisance(terms, white)


def whitened(
    traces: Sequence[Trace], weights: Sequence[Weights], rows: Sequence[Array]
) -> Array:
    """Return the ``rows`` (n, m) of a firing's traces whitened and weighted, one below another.

    What the traces share is taken into their covariance.
    """
    m = rows[0].shape[1]
    stacked = np.vstack([
        w.apply(t, each if w.shared is None else np.column_stack((each, w.shared)))
        for t, w, each in zip(traces, weights, rows, strict=True)])
    terms = stacked[:, m:]
    return without_nuisance(terms, stacked[:, :m]) if terms.size else stacked


def nuisance_terms(trace: Trace, noise: Noise, drift: float) -> Array:
    """Return offset and drift of a reading times their standard deviations [K]; shape (n, 2).

    The zero is the mean of a correlated record before ignition, so its error is known.
    """
    zero = RAW_OFFSET
    if trace.zero_blocks > 0.0:
        zero = noise.sd * np.sqrt(max(noise.process.memory, 1.0) / trace.zero_blocks)
    return np.column_stack((np.full(trace.t.size, zero), drift * trace.t / trace.t[-1]))


def settled(trace: Trace, residuals: Array, terms: Array) -> Array:
    """Return the residuals less the offset and drift that fit them best [K]."""
    rows = np.vstack((terms, np.eye(terms.shape[1])))
    rhs = np.concatenate((residuals, np.zeros((terms.shape[1], *residuals.shape[1:]))))
    return np.asarray(residuals - terms @ np.linalg.lstsq(rows, rhs, rcond=None)[0])


def _taken(trace: Trace, moved: Array, last: Weights) -> Array:
    """Return the root of the covariance of what was fitted to a trace, offset and drift too [K]."""
    white = last.noise.whiten(trace.index, last.nuisance)
    own = np.linalg.cholesky(np.linalg.inv(np.eye(white.shape[1]) + white.T @ white))
    return np.column_stack((settled(trace, moved, last.nuisance), last.nuisance @ own))


def assumed(traces: tuple[Trace, ...], drift: float) -> tuple[Weights, ...]:
    """Return the residual models of a firing before its residuals are known."""
    return tuple(Weights.of(t, FIRST_NOISE, drift, None) for t in traces)


def learnt(
    traces: tuple[Trace, ...], residuals: tuple[Array, ...], last: tuple[Weights, ...],
    drift: float, moved: tuple[Array, ...] | None = None,
    shared: tuple[Array, ...] | None = None,
) -> tuple[Weights, ...]:
    """Return the residual model of each trace of a firing, from its residuals [K].

    Parameters
    ----------
    moved : tuple of Array, shape (n, k), or None
        Covariance of each trace's readings by that of the unknowns is ``moved moved^T`` [K]; None
        if it is not known yet.
    shared : tuple of Array, shape (n, k), or None
        What the traces share, terms of unit-normal size [K].
    """
    own = residuals if shared is None else _without_shared(traces, residuals, last, shared)
    left = [settled(t, r, w.nuisance) for t, r, w in zip(traces, own, last, strict=True)]
    taken = None if moved is None else [
        _taken(t, m, w) for t, m, w in zip(traces, moved, last, strict=True)
    ]
    noises = estimate([t.index for t in traces], left, floor=NOISE_FLOOR, taken=taken)
    firing = together([t.index for t in traces], left, noises)
    return tuple(
        Weights.of(t, noise, drift, r, firing, s)
        for t, noise, r, s in zip(traces, noises, own, shared or (None,) * len(traces), strict=True)
    )


def _without_shared(
    traces: tuple[Trace, ...], residuals: tuple[Array, ...], last: tuple[Weights, ...],
    shared: tuple[Array, ...],
) -> tuple[Array, ...]:
    """Return the residuals less what the traces most likely share."""
    k = shared[0].shape[1]
    white = np.vstack([w.apply(t, np.column_stack((s, r))) for t, w, s, r in zip(
        traces, last, shared, residuals, strict=True)])
    terms, r = white[:, :k], white[:, k]
    size = np.linalg.solve(np.eye(k) + terms.T @ terms, terms.T @ r)
    return tuple(r - s @ size for r, s in zip(residuals, shared, strict=True))
