"""Samples of a fit's posterior by exact marches, noise and weights held, and its read-outs."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.bore import hottest_bore
from wallsim.estimate.intervals.wanted import PEAK, Optimum, Wanted
from wallsim.estimate.joint import Estimate
from wallsim.estimate.readouts import COVERAGE
from wallsim.estimate.run_model import RunModel, WallBuilder, readings
from wallsim.estimate.weights import Weights, whitened
from wallsim.regression.sample import WALKERS, Sample, sample
from wallsim.wall.operators import Wall

Array = NDArray[np.float64]

SEED = 42
FEW = 100.0
"""Independent samples below which an end at 95 % is rough: two or three lie beyond it."""


def sampled(
    estimate: Estimate, optimum: Optimum, wants: list[Wanted], evaluations: int,
    executor: Executor, report: Callable[[int], None] | None = None,
) -> Sample:
    """Return samples of the read-outs ``wants`` (of their logs, if not of a bore), unmultiplied.

    Parameters
    ----------
    evaluations : int
        Times that all firings are marched, rounded up to whole steps of all chains.
    """
    walk = _Posterior(estimate, executor, wants)
    steps = max(2, -(-evaluations // WALKERS))
    return sample(walk, optimum.solution, steps=steps, rng=np.random.default_rng(SEED),
                  report=report)


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
class _Posterior:
    """S and read-outs (logs of those that are positive) of many points at once."""

    estimate: Estimate
    executor: Executor
    wants: list[Wanted]

    def __call__(self, z: Array) -> tuple[Array, Array]:
        estimate = self.estimate
        prior, runs = estimate.unknowns.prior, estimate.runs
        builder = WallBuilder(estimate.unknowns, estimate.resolution)
        xs = [prior.x(point) for point in z]
        walls = [replace(builder.wall(builder.thickness(x)), mesh=None) for x in xs]
        tasks = [(run, estimate.weights[run.name], x, wall)
                 for x, wall in zip(xs, walls, strict=True) for run in runs]
        found = np.array(list(self.executor.map(_marched, *zip(*tasks, strict=True))))
        found = found.reshape(len(z), len(runs), 2)
        S = found[:, :, 0].sum(axis=1) + (z**2).sum(axis=1)
        peaks = {run.name: found[:, i, 1] for i, run in enumerate(runs)}
        return S, np.array([self._read(xs, peaks, want) for want in self.wants]).T

    def _read(self, xs: list[Array], peaks: dict[str, Array], want: Wanted) -> Array:
        if want.key == PEAK:
            return peaks[want.of]
        return np.array([np.log(want.read(x).value) for x in xs])


def _marched(
    run: RunModel, weights: tuple[Weights, ...], x: Array, wall: Wall
) -> tuple[float, float]:
    """Return a firing's sum of squares and its hottest bore [K]; infinite where not possible."""
    try:
        model = readings(run, x, wall, None, derivatives=False)
        peak, _ = hottest_bore(run, x, wall)
    except (TableRangeError, ConvergenceError, ValueError):
        return np.inf, np.nan
    r = whitened(run.traces, weights, [
        (T - t.T)[:, None] for T, t in zip(model.T, run.traces, strict=True)])[:, 0]
    return float(r @ r), peak
