"""Samples of a fit's posterior by exact marches, noise and weights held, and its read-outs."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import repeat
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.bore import hottest_bore
from wallsim.estimate.intervals.wanted import PEAK, Optimum, Wanted
from wallsim.estimate.joint import Estimate
from wallsim.estimate.run_model import RunModel, WallBuilder, readings
from wallsim.estimate.weights import Weights, whitened
from wallsim.regression.least_squares import Refused
from wallsim.regression.profile import COVERAGE
from wallsim.regression.sample import WALKERS, Sample, sample
from wallsim.wall.model import WallSlope
from wallsim.wall.operators import Wall

Array = NDArray[np.float64]

SEED = 42
FEW = 100.0
"""Independent samples below which an end at 95 % is rough: two or three lie beyond it."""


def sampled(
    estimate: Estimate, optimum: Optimum, wants: list[Wanted], draws: int,
    executor: Executor, report: Callable[[int], None] | None = None,
) -> Sample:
    """Return samples of the read-outs ``wants`` (of their logs, if not of a bore), unmultiplied.

    Parameters
    ----------
    draws : int
        Fits to other noise, rounded up to whole steps of all chains.
    report : callable or None
        Told the number of draws.
    """
    across = _Across.of(estimate, optimum, executor)
    return sample(across, _Read(estimate, executor, wants), optimum.solution.z, draws=draws,
                  rng=np.random.default_rng(SEED), walkers=WALKERS, report=report)


def interval(found: Sample, i: int, want: Wanted) -> dict[str, Any]:
    """Return median, low and high of ``want``, number ``i`` of those sampled, and its worth."""
    values = found.readouts[:, :, i]
    if want.key != PEAK:
        rng = np.random.default_rng(SEED)
        values = want.factor * np.exp(values + want.factor_sd * rng.standard_normal(values.shape))
    tail = 0.5 * (1.0 - COVERAGE)
    low, middle, high = np.quantile(values, (tail, 0.5, 1.0 - tail))
    return {"estimate": float(middle), "low": float(low), "high": float(high),
            "effective": float(found.effective[i]), "rough": bool(found.effective[i] < FEW)}


@dataclass(frozen=True, slots=True, eq=False)
class _Across:
    """Residuals and Jacobian along the tangent ``Q = J(z_0) U^-1`` at the minimum, J = Q U.

    The rows that the fit works with will not do: each firing's are turned into a triangle anew
    wherever they are evaluated.

    Parameters
    ----------
    U : Array, shape (m, m)
        Triangle of the Jacobian at the minimum, prior and all.
    tangents : tuple of Array, shape (n, m)
        Rows of Q of each firing, which see the whitened residuals of its readings.
    """

    estimate: Estimate
    executor: Executor
    U: Array
    tangents: tuple[Array, ...]

    @classmethod
    def of(cls, estimate: Estimate, optimum: Optimum, executor: Executor) -> _Across:
        """Return what it is at the minimum of ``optimum``, its weights being the estimate's."""
        U = np.asarray(np.linalg.qr(optimum.solution.J, mode="r"))
        empty = cls(estimate, executor, U, ())
        rows = empty._rows(optimum.solution.z)
        tangents = tuple(solve_triangular(U, row[:, :-1].T, trans="T").T for row in rows)
        return replace(empty, tangents=tangents)

    def __call__(self, z: Array) -> tuple[Array, Array, float]:
        """Return Q^T r, Q^T J and S."""
        prior = solve_triangular(self.U, np.column_stack((np.eye(z.size), z)), trans="T")
        S, found = float(z @ z), prior
        for Q, row in zip(self.tangents, self._rows(z), strict=True):
            S, found = S + float(row[:, -1] @ row[:, -1]), found + Q.T @ row
        return found[:, -1], found[:, :-1], S

    def _rows(self, z: Array) -> list[Array]:
        """Return whitened Jacobian in ``z`` and, as last column, residuals of each firing."""
        estimate = self.estimate
        prior, runs = estimate.unknowns.prior, estimate.runs
        x = prior.x(z)
        try:
            wall, slope = WallBuilder(estimate.unknowns, estimate.resolution).at(x)
            return list(self.executor.map(
                _whitened_rows, runs, [estimate.weights[run.name] for run in runs], repeat(x),
                repeat(wall), repeat(slope), repeat(prior.root)))
        except (TableRangeError, ConvergenceError, ValueError) as error:
            raise Refused(str(error)) from error


def _whitened_rows(
    run: RunModel, weights: tuple[Weights, ...], x: Array, wall: Wall, slope: WallSlope | None,
    root: Array,
) -> Array:
    model = readings(run, x, wall, slope, derivatives=True)
    assert model.dT_dx is not None
    return whitened(run.traces, weights, [
        np.column_stack((J @ root, T - t.T))
        for J, T, t in zip(model.dT_dx, model.T, run.traces, strict=True)])


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """Read-outs at a point, logs of those that are positive; the bores are marched."""

    estimate: Estimate
    executor: Executor
    wants: list[Wanted]

    def __call__(self, z: Array) -> Array:
        estimate = self.estimate
        x = estimate.unknowns.prior.x(z)
        peaks: dict[str, float] = {}
        if any(want.key == PEAK for want in self.wants):
            builder = WallBuilder(estimate.unknowns, estimate.resolution)
            wall = replace(builder.wall(builder.thickness(x)), mesh=None)
            found = self.executor.map(hottest_bore, estimate.runs, repeat(x), repeat(wall))
            peaks = {run.name: T for run, (T, _) in zip(estimate.runs, found, strict=True)}
        return np.array([
            peaks[want.of] if want.key == PEAK else np.log(want.read(x).value)
            for want in self.wants
        ])
