"""The joint fit: all traces of all firings at once, maximum a posteriori.

    minimise  sum |whitened (model - measured)|^2 + |z|^2

``z`` are the unknowns in coordinates of unit-normal prior. A first pass, on a coarse mesh and with
an assumed residual model, finds the neighbourhood. There the resolution is chosen, and the
residuals give each trace's noise, correlation and robust weights. With these a second pass comes
near the end; there they are learnt once more, with what the fit took for signal given back, and
held while the last pass ends the fit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign
from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.first_estimate import slope_method, starting_point
from wallsim.estimate.resolution import choose, first_guess
from wallsim.estimate.run_model import (
    Resolution,
    RunModel,
    RunRows,
    WallBuilder,
    run_rows,
)
from wallsim.estimate.scatter import covariance_with_doubt, learnt
from wallsim.estimate.unknowns import Unknowns
from wallsim.estimate.weights import Weights, assumed
from wallsim.regression.least_squares import Refused, Solution, covariance, solve

Array = NDArray[np.float64]

FIRST_PASS = 8
ALL_PASSES = 60
Progress = Callable[[str, int, float], None]
"""Told the stage, the evaluations so far and the misfit."""


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """Outcome of the joint fit.

    Parameters
    ----------
    campaign, unknowns, resolution, runs, weights
        What was fitted and how.
    x : Array, shape (m,)
        Unknowns in their normal coordinates.
    covariance : Array, shape (m, m)
        Posterior covariance of ``x`` (Laplace), priors, correlated residuals and the doubt of
        learnt scatters in.
    residuals : dict of str to tuple of Array
        Model minus measured by run and trace [K].
    converged : bool
    evaluations : int
        Of misfit and Jacobian together.
    condition : float
        Of the column-scaled Jacobian, priors in.
    chi2, prior_chi2 : float
        Sums of squares of the whitened residuals and of the priors.
    work : dict of str to int
        Counts over the whole fit.
    rows : tuple of RunRows
        Each firing's share of the least-squares problem at ``x``.
    """

    campaign: Campaign
    unknowns: Unknowns
    resolution: Resolution
    runs: tuple[RunModel, ...]
    weights: dict[str, tuple[Weights, ...]]
    x: Array
    covariance: Array
    residuals: dict[str, tuple[Array, ...]]
    converged: bool
    evaluations: int
    condition: float
    chi2: float
    prior_chi2: float
    work: dict[str, int]
    rows: tuple[RunRows, ...]


class Misfit:
    """Residuals and Jacobian of all firings, for the solver; remembers its last point.

    ``weights`` are the residual models of each run, as `assumed` if None.
    """

    def __init__(
        self,
        unknowns: Unknowns,
        resolution: Resolution,
        runs: tuple[RunModel, ...],
        executor: Executor,
        work: dict[str, int] | None = None,
        weights: Mapping[str, tuple[Weights, ...]] | None = None,
    ) -> None:
        self.unknowns, self.runs, self.executor = unknowns, runs, executor
        self.builder = WallBuilder(unknowns, resolution)
        self.drift = unknowns.case.fit.drift
        self.weights = {
            run.name: weights[run.name] if weights else assumed(run.traces, self.drift)
            for run in runs
        }
        self.rows: tuple[RunRows, ...] = ()
        self.x = np.empty(0)
        self.work: dict[str, int] = dict(work or {"marches": 0})

    def __call__(self, z: Array) -> tuple[Array, Array]:
        """Return whitened residuals with the prior's, and their Jacobian in ``z``."""
        self.be_at(z)
        r, J = self.of_readings()
        return np.concatenate((r, z)), np.vstack((J, np.eye(z.size)))

    def of_readings(self) -> tuple[Array, Array]:
        """Return whitened residuals at the last point, and their Jacobian in ``z``."""
        r, J = zip(*(row.in_z(self.unknowns.prior.root) for row in self.rows), strict=True)
        return np.concatenate(r), np.vstack(J)

    def be_at(
        self, z: Array, drift: float | None = None, spread: Array | None = None
    ) -> None:
        """March at ``z`` unless that was the last point; `run_rows` explains the others."""
        x = self.unknowns.prior.x(z)
        if drift is None and self.x.size and np.allclose(x, self.x, rtol=1e-12, atol=0.0):
            return
        try:
            wall, slope = self.builder.at(x)
            weights = [self.weights[run.name] for run in self.runs]
            rows = tuple(self.executor.map(
                run_rows, self.runs, weights, repeat(x), repeat(wall), repeat(slope),
                repeat(drift), repeat(spread),
            ))
        except (TableRangeError, ConvergenceError, ValueError) as error:
            raise Refused(str(error)) from error
        self.take(x, rows)
        self.work["marches"] += len(rows)
        for row in rows:
            for name, count in row.work.items():
                self.work[name] = self.work.get(name, 0) + count

    def take(self, x: Array, rows: tuple[RunRows, ...]) -> None:
        """Make ``x`` the last point, its ``rows`` being known."""
        self.rows, self.x = rows, x
        self.weights = {run.name: row.weights for run, row in zip(self.runs, rows, strict=True)}

    def learn(self, z: Array, J: Array | None = None) -> Array:
        """Learn at ``z`` the residual models and the scatter between firings, and keep them.

        ``J`` is the Jacobian at a fit's end, from which what it took for signal is known.
        Returns ``z`` in the coordinates of the prior so changed.
        """
        spread = None
        if J is not None:
            values, vectors = np.linalg.eigh(covariance(J)[0])
            spread = self.unknowns.prior.root @ (vectors * np.sqrt(np.maximum(values, 0.0)))
        self.be_at(z, self.drift, spread)
        self.unknowns = learnt(self.unknowns, z, *self.of_readings())
        return self.unknowns.prior.z(self.x)


def estimate_jointly(
    campaign: Campaign,
    executor: Executor,
    progress: Progress | None = None,
    resolution: Resolution | None = None,
) -> Estimate:
    """Fit all unknowns of ``campaign`` to all its traces.

    Raises
    ------
    TableRangeError
        If the wall leaves the range of its material where the fit starts.
    ConvergenceError
        If the model cannot be evaluated there for another reason.
    """
    unknowns = Unknowns.of(campaign)
    z = starting_point(unknowns, slope_method(campaign))
    coarse = resolution or first_guess(campaign)
    misfit = Misfit(unknowns, coarse, _models(campaign, unknowns, coarse), executor)
    done = 0

    def told(stage: str) -> Callable[[int, float], None] | None:
        return (lambda n, S: progress(stage, done + n, S)) if progress else None

    try:
        first = solve(misfit, z, tolerance=1.0, relative=1e-3, most=FIRST_PASS,
                      report=told("finding the neighbourhood"))
        done = first.evaluations
        resolution = resolution or choose(campaign, unknowns, unknowns.prior.x(first.z))
        if resolution != coarse:
            misfit = Misfit(
                unknowns, resolution, _models(campaign, unknowns, resolution), executor, misfit.work
            )
        z = misfit.learn(first.z)
        near = solve(misfit, z, tolerance=1.0, most=ALL_PASSES - done, report=told("fitting"))
        done += near.evaluations
        z = misfit.learn(near.z, near.J)
        last = solve(misfit, z, tolerance=3e-2, most=max(ALL_PASSES - done, 1),
                     report=told("fitting"))
    except Refused as error:
        if isinstance(error.__cause__, TableRangeError):
            raise error.__cause__ from None
        raise ConvergenceError(f"the model cannot be evaluated at the start: {error}") from error
    return _collect(campaign, misfit.unknowns, resolution, misfit, last, done)


def _models(
    campaign: Campaign, unknowns: Unknowns, resolution: Resolution
) -> tuple[RunModel, ...]:
    return tuple(RunModel.of(campaign, f, unknowns, resolution) for f in campaign.firings)


def _collect(
    campaign: Campaign, unknowns: Unknowns, resolution: Resolution, misfit: Misfit,
    solution: Solution, before: int,
) -> Estimate:
    prior = unknowns.prior
    misfit.be_at(solution.z)
    cov_z = covariance_with_doubt(unknowns, solution.z, *misfit.of_readings())
    own = float(solution.z @ solution.z)
    return Estimate(
        campaign, unknowns, resolution, misfit.runs, dict(misfit.weights),
        prior.x(solution.z), prior.root @ cov_z @ prior.root.T,
        {run.name: row.residuals for run, row in zip(misfit.runs, misfit.rows, strict=True)},
        solution.converged, before + solution.evaluations, covariance(solution.J)[1],
        solution.misfit - own, own, dict(misfit.work), misfit.rows,
    )
