"""One growth law of one blend's deposit, fitted beside the law of the joint fit, cheaply.

The firings that carry the deposit are marched anew, those that do not keep their residuals and
slopes at the estimate; noise, weights and the scatter between firings are held, so that misfits
compare. What a law costs:

    criterion = S + 2 k + 2 k (k + 1)/(n - k - 1)

(Akaike 1974, IEEE Trans. Autom. Control 19, 716; small-sample term Hurvich & Tsai 1989, Biometrika
76, 297). ``S`` is the whitened misfit with the priors of what all laws share, which count as
measurements; the law's own unknowns are free in it, and ``k`` is how many of them the traces tell
(sum of 1 - posterior over prior variance; Moody 1992). ``n`` is the effective number of samples of
the blend's firings: serial correlation is counted, in ``S`` by whitening.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.joint import Estimate, Misfit
from wallsim.estimate.linearised import Linearised
from wallsim.estimate.run_model import RunModel, RunRows, run_rows
from wallsim.estimate.unknowns import Unknowns
from wallsim.estimate.weights import Weights
from wallsim.regression.least_squares import Refused, solve
from wallsim.wall.growth import Law
from wallsim.wall.model import WallSlope
from wallsim.wall.operators import Wall

Array = NDArray[np.float64]
Index = NDArray[np.intp]

EXCLUDED = 50.0
"""Misfit above that of the joint fit from which on a law is not fitted further."""
TOLERANCE = 2.0
MOST = 8
FARTHEST = 2.0
"""Standard deviations of curvature and exponent that a start is moved by."""


@dataclass(frozen=True, slots=True, eq=False)
class LawFit:
    """One law of one blend's deposit, fitted.

    Parameters
    ----------
    law : Law
    estimate : Estimate
        With this law: unknowns, ``x``, covariance; ``runs`` are those that carry the deposit.
    misfit : float
        S.
    parameters : float
        k.
    criterion, bic : float
        With ``2 k`` and small-sample term; with ``k log n`` instead (Schwarz 1978).
    left_out_rms : float or None
        How badly the blend's firings are predicted when left out, in units of independent noise;
        None where there are less than two. What is a firing's own (heating, ignition) is fitted.
    converged : bool
        False for a law so bad that it was not fitted to the end.
    fitted : bool
        True for the law that the joint fit was made with.
    evaluations : float
        Of the blend's firings; 0 where none was needed.
    """

    law: Law
    estimate: Estimate
    misfit: float
    parameters: float
    criterion: float
    bic: float
    left_out_rms: float | None
    converged: bool
    fitted: bool
    evaluations: float


def fit_laws(
    estimate: Estimate, pairs: Sequence[tuple[str, Law]], executor: Executor
) -> list[LawFit]:
    """Return the estimate with each pair of blend and law, all other blends keeping theirs."""
    problems = [OneLaw(estimate, blend, law, executor) for blend, law in pairs]
    march_together([p for p in problems if p.marched is not None], executor)
    return [problem.fit() for problem in problems]


def march_together(problems: Sequence[OneLaw], executor: Executor) -> None:
    """Evaluate ``problems`` where they start, the firings of all at once to keep workers busy."""
    tasks, sizes = [], []
    for problem in problems:
        misfit = problem.marched
        assert misfit is not None
        x = problem.unknowns.prior.x(problem.start())
        try:
            wall, slope = misfit.builder.at(x)
        except ValueError:
            continue
        tasks += [(run, misfit.weights[run.name], x, wall, slope) for run in misfit.runs]
        sizes.append((misfit, x))
    results = iter(list(executor.map(_rows_or_none, *zip(*tasks, strict=True)) if tasks else ()))
    for misfit, x in sizes:
        rows = [next(results) for _ in misfit.runs]
        misfit.work["marches"] += len(rows)
        known = tuple(row for row in rows if row is not None)
        if len(known) == len(rows):
            misfit.take(x, known)


def _rows_or_none(
    run: RunModel, weights: tuple[Weights, ...], x: Array, wall: Wall, slope: WallSlope | None
) -> RunRows | None:
    """Return as `run_rows`; None where the firing cannot be evaluated."""
    try:
        return run_rows(run, weights, x, wall, slope)
    except (TableRangeError, ConvergenceError, ValueError):
        return None


def carries(estimate: Estimate, blend: str) -> set[str]:
    """Return the firings whose bore carries a deposit of ``blend``, also left by an earlier one."""
    starts = {run.name: run.start for run in estimate.campaign.case.runs}
    own = {f.run.name for f in estimate.campaign.firings if f.blend.name == blend}

    def met(run: str | None) -> bool:
        return run is not None and (run in own or met(starts.get(run)))

    return {f.run.name for f in estimate.campaign.firings if met(f.run.name)}


def effective_samples(estimate: Estimate, blend: str) -> float:
    """Return how many independent samples the firings with a deposit of ``blend`` are worth."""
    mine = carries(estimate, blend)
    return float(sum(
        w.noise.effective_samples(t.t.size)
        for run in estimate.runs if run.name in mine
        for t, w in zip(run.traces, estimate.weights[run.name], strict=True)
    ))


def with_law(estimate: Estimate, blend: str, law: Law) -> Unknowns:
    """Return the unknowns with ``law`` for ``blend``; scatters learnt in the fit are kept."""
    base = estimate.unknowns
    if law == base.laws[blend]:
        return base
    fresh = Unknowns.of(estimate.campaign, base.laws | {blend: law})
    new, old = _shared(fresh, base)
    root, mean = fresh.prior.root.copy(), fresh.prior.mean.copy()
    root[np.ix_(new, new)] = base.prior.root[np.ix_(old, old)]
    mean[new] = base.prior.mean[old]
    parameters = list(fresh.prior.parameters)
    for i, j in zip(new, old, strict=True):
        parameters[i] = base.prior.parameters[j]
    return replace(fresh, prior=replace(
        fresh.prior, parameters=tuple(parameters), mean=mean, root=root
    ))


def _shared(new: Unknowns, old: Unknowns) -> tuple[Index, Index]:
    """Return the places, in both, of the unknowns that both have."""
    names = old.prior.names
    pairs = [(i, names[name]) for name, i in new.prior.names.items() if name in names]
    i, j = np.array(pairs, dtype=np.intp).T
    return i, j


class OneLaw:
    """The campaign with one blend's law changed, as a misfit for the solver.

    ``marched`` is the misfit of the firings with the deposit; None where nothing need be marched:
    for the law of the joint fit, and for no deposit where the estimate's own linearisation puts it
    beyond `EXCLUDED`.
    """

    def __init__(self, estimate: Estimate, blend: str, law: Law, executor: Executor) -> None:
        self.estimate, self.blend, self.law = estimate, blend, law
        self.unknowns = with_law(estimate, blend, law)
        self.fitted = self.unknowns is estimate.unknowns
        self.carrying = carries(estimate, blend)
        self.new, self.old = _shared(self.unknowns, estimate.unknowns)
        self.marched: Misfit | None = None
        if self.fitted or (law == "none" and self.excess(self.of_estimate().stepped()) > EXCLUDED):
            return
        runs = tuple(
            RunModel.of(estimate.campaign, f, self.unknowns, estimate.resolution)
            for f in estimate.campaign.firings if f.run.name in self.carrying
        )
        self.marched = Misfit(self.unknowns, estimate.resolution, runs, executor,
                              weights=estimate.weights)

    def excess(self, at: Linearised) -> float:
        """Return the misfit of ``at`` above that of the joint fit."""
        return at.S - self.estimate.chi2 - self.estimate.prior_chi2

    def fit(self) -> LawFit:
        """Return the fit of this law.

        A law that its linearisation puts beyond `EXCLUDED` is not fitted further; to any other the
        last Gauss-Newton step, worth less than `TOLERANCE`, is added without a march.
        """
        if self.marched is None:
            at = self.of_estimate()
            return self.collected(at if self.fitted else at.stepped(),
                                  self.fitted and self.estimate.converged)
        try:
            start = self.at(self.start())
            at = start.stepped()
            converged = start.S - at.S <= TOLERANCE
            if not converged and self.excess(at) < EXCLUDED:
                found = solve(self, start.z, tolerance=TOLERANCE, most=MOST)
                at, converged = self.at(found.z).stepped(), found.converged
        except (Refused, ValueError, np.linalg.LinAlgError):
            return self.collected(None, False)
        return self.collected(at, converged)

    def start(self) -> Array:
        """Return where to begin.

        For linear or saturating growth that is the estimate moved along curvature and exponent,
        for a constant deposit the mean in time of the one that grows.
        """
        base, prior = self.estimate, self.unknowns.prior
        x, there = base.x, prior.mean.copy()
        aim = {"linear": {0: 0.0, 1: 0.0}, "saturating": {1: 0.0}}.get(self.law, {})
        places = base.unknowns.growth_places(self.blend)
        if moved := [(places[i], value) for i, value in aim.items() if i in places]:
            at, to = [place for place, _ in moved], np.array([value for _, value in moved])
            C = base.covariance[np.ix_(at, at)]
            far = FARTHEST * np.sqrt(np.diag(C))
            x = x + base.covariance[:, at] @ np.linalg.solve(C, np.clip(to - x[at], -far, far))
        there[self.new] = x[self.old]
        if self.law == "constant":
            there[self.unknowns.curve(f"R {self.blend}")] += np.log(self.mean_growth())
        return prior.z(there)

    def mean_growth(self) -> float:
        """Return the mean of the growth in time in the estimate, over the blend's first firing."""
        base = self.estimate
        first = next(f for f in base.campaign.firings if f.blend.name == self.blend)
        gas = next(run.surfaces.gas for run in base.runs if run.name == first.run.name)
        growth_shape = base.unknowns.growth_shape(self.blend, base.x)
        times = gas.burn * (np.arange(20) + 0.5) / 20.0
        return float(np.mean([gas.growth(float(t), growth_shape)[0] for t in times]))

    def __call__(self, z: Array) -> tuple[Array, Array]:
        """Return whitened residuals with the prior's, and their Jacobian in ``z``, compressed."""
        return self.at(z).compressed()

    def at(self, z: Array) -> Linearised:
        """Return the problem at ``z``: firings with the deposit marched, the others linearised."""
        assert self.marched is not None
        self.marched.be_at(z)
        return self._of(z, {
            run.name: row for run, row in zip(self.marched.runs, self.marched.rows, strict=True)
        })

    def of_estimate(self) -> Linearised:
        """Return the problem as linearised at the estimate; without its deposit where none is.

        A resistance is nearly linear where its log is not: ``dR = R d log R`` down to zero.
        """
        x = self.unknowns.prior.mean.copy()
        x[self.new] = self.estimate.x[self.old]
        return self._of(self.unknowns.prior.z(x), {})

    def _of(self, z: Array, fresh: Mapping[str, RunRows]) -> Linearised:
        """Return the problem at ``z`` with the rows of ``fresh`` runs, those of others moved there.

        What the law has no more is taken out of these; a resistance gone is none.
        """
        base, prior = self.estimate, self.unknowns.prior
        x = prior.x(z)
        to_new = dict(zip(self.old.tolist(), self.new.tolist(), strict=True))
        gone = np.setdiff1d(np.arange(base.x.size), self.old)
        shift = np.zeros(base.x.size)
        shift[self.old] = x[self.new] - base.x[self.old]
        shift[np.intersect1d(gone, base.unknowns.curve(f"R {self.blend}"))] = -1.0
        shares = []
        for run, row in zip(base.runs, base.rows, strict=True):
            if run.name in fresh:
                row = fresh[run.name]
                shares.append((run, *row.in_z(prior.root), row.columns))
                continue
            r = row.triangle[:, -1] + row.triangle[:, :-1] @ shift[row.columns]
            kept = ~np.isin(row.columns, gone)
            columns = np.array([to_new[int(c)] for c in row.columns[kept]], dtype=np.intp)
            shares.append((run, r, row.triangle[:, :-1][:, kept] @ prior.root[columns], columns))
        return Linearised.joined(z, shares)

    def own(self) -> Index:
        """Return the places of the law's own unknowns: resistances, curvature and exponent."""
        if self.law == "none":
            return np.empty(0, dtype=np.intp)
        places = list(self.unknowns.growth_places(self.blend).values())
        return np.append(self.unknowns.curve(f"R {self.blend}"), np.array(places, dtype=np.intp))

    def collected(self, at: Linearised | None, converged: bool) -> LawFit:
        """Return the fit of this law at its solution; None if there was none to evaluate."""
        base, prior, marched = self.estimate, self.unknowns.prior, self.marched
        evaluations = marched.work["marches"] / len(marched.runs) if marched else 0.0
        if at is None:
            return LawFit(self.law, base, np.inf, np.nan, np.inf, np.inf, None, False, False,
                          evaluations)
        C = at.covariance
        own = self.own()
        n = effective_samples(base, self.blend)
        k = float(np.sum(1.0 - np.diag(C)[own]))
        S, prior_chi2 = at.S - float(at.z[own] @ at.z[own]), float(at.z @ at.z)
        estimate = base if self.fitted else replace(
            base, unknowns=self.unknowns, runs=marched.runs if marched else (), rows=(),
            x=prior.x(at.z), covariance=prior.root @ C @ prior.root.T,
            chi2=at.S - prior_chi2, prior_chi2=prior_chi2, converged=converged,
        )
        small = 2.0 * k * (k + 1.0) / max(n - k - 1.0, 1.0)
        left_out = at.left_out_rms(self.carrying) if converged and len(self.carrying) > 1 else None
        return LawFit(self.law, estimate, S, k, S + 2.0 * k + small,
                      S + k * float(np.log(max(n, 1.0))), left_out, converged, self.fitted,
                      evaluations)
