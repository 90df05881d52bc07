"""Whether part of a deposit came off at one moment of a firing without the case saying so.

A share lost from the deposit raises the heating of all stations at once. Were the model right but
for a share ``l`` lost at ``t``, the whitened residuals ``r`` of the firing would have the part
``-a l``, ``a`` their derivative to that share (`DepositHistory.trial_times`). With ``J`` the
whitened Jacobian of the firing and ``C`` the posterior covariance of all unknowns

    l = -a.r / s,    fall of the misfit = (a.r)^2 / s,    s = a.a - (J' a)' C (J' a)

(score test: Rao 1948, Proc. Camb. Phil. Soc. 44, 50), priors and all other firings included, for
the gradient to every unknown is none at the estimate. ``t`` is where the misfit falls most.

Only firings whose traces have more misfit in common than independent ones would are marched again.
"""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import repeat
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Firing
from wallsim.estimate.carry_over import Chain
from wallsim.estimate.joint import Estimate
from wallsim.estimate.run_model import RunModel, readings
from wallsim.estimate.weights import Weights, settled, whitened
from wallsim.regression.profile import RISE
from wallsim.wall.model import WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import LONGEST_SHEDDING, Schedule

Array = NDArray[np.float64]

IN_COMMON = 1.5
"""Variance of the mean residual over that of independent traces, from which on to look."""
FALL = 25.0
"""Of the misfit that is asked for: five standard deviations."""
OF_ONE = 0.7
"""Part of one trace in the fall from which on it is that trace, not the deposit."""
AGREEING = 0.75
"""Share of the traces that must see it."""
STEP_OF_PRESSURE = 0.02
"""Log change of the pressure within a second of the moment that explains more heating."""
FIRST, LAST = 1.0, 0.5
"""A moment is looked for from this long after ignition until this long before shutdown [s]."""
AFTER = 5.0
SPACING, MOST = 0.25, 40
AROUND, FINE = 3.0, 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """A firing with losses on trial.

    Parameters
    ----------
    run : RunModel
        Its map has the trial losses as further unknowns.
    weights : tuple of Weights
    times : Array, shape (k,)
        From ignition [s].
    """

    run: RunModel
    weights: tuple[Weights, ...]
    times: Array

    @classmethod
    def of(
        cls, estimate: Estimate, firing: Firing, times: Array, *, fine: bool = False
    ) -> Trial | None:
        """Return the trial of losses at ``times`` [s]; None for a bare bore or a declared loss."""
        u = estimate.unknowns
        run = next(r for r in estimate.runs if r.name == firing.run.name)
        chain = Chain.whole(estimate.campaign, firing, u.laws, u.t_ref)
        if chain is None or chain.last.shed is not None:
            return None
        gas, k = run.surfaces.gas, times.size
        basis = gas.coefficient_basis
        history = gas.history or chain.history(np.zeros(len(basis)), basis)
        history = replace(history, trial_times=times)
        schedule = run.schedule if not fine else Schedule.of(
            firing.burn, firing.end, estimate.resolution.fineness, LONGEST_SHEDDING
        )
        surfaces = replace(run.surfaces, gas=replace(gas, history=history))
        new = run.map.with_more("trial_loss", k)
        changed = replace(run, map=new, surfaces=surfaces, schedule=schedule)
        return cls(changed, estimate.weights[run.name], times)


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What is known of all unknowns: how far from the estimate, and how surely.

    Parameters
    ----------
    shift : Array, shape (m,)
    covariance : Array, shape (m, m)
    """

    shift: Array
    covariance: Array


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Whitened sums over the traces of a firing.

    With ``A`` the derivatives to losses at trial times, ``J`` those to the unknowns and ``r`` the
    residuals of a trace.

    Parameters
    ----------
    times : Array, shape (k,)
        From ignition [s].
    AA : Array, shape (k,)
        Squares of ``A``, all traces together.
    AJ, Ar, JJ, Jr : Array, shapes (n, k, m), (n, k), (n, m, m), (n, m)
        Products, trace by trace.
    """

    times: Array
    AA: Array
    AJ: Array
    Ar: Array
    JJ: Array
    Jr: Array

    def scores(self, belief: Belief) -> Scores:
        """Return what a loss at each time would explain."""
        Ar, Jr = self.Ar + self.AJ @ belief.shift, self.Jr + self.JJ @ belief.shift
        Ja = self.AJ.sum(axis=0).T
        CJa = belief.covariance @ Ja
        s = self.AA - np.einsum("ij,ij->j", Ja, CJa)
        s = np.where(s > 1e-9 * self.AA, s, np.inf)
        g = Ar.sum(axis=0)
        return Scores(self.times, np.where(g < 0.0, g**2 / s, 0.0), -g / s, Jr @ CJa - Ar)

    def explained(self, belief: Belief, i: int) -> Belief:
        """Return what is known once the loss at the ``i``-th time is an unknown as well."""
        found, Ja = self.scores(belief), self.AJ[:, i].sum(axis=0)
        CJa = belief.covariance @ Ja
        s = self.AA[i] - Ja @ CJa
        return Belief(belief.shift - found.lost[i] * CJa,
                      belief.covariance + np.outer(CJa, CJa) / s)


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """What a loss at each trial time would explain.

    Parameters
    ----------
    times : Array, shape (k,)
        From ignition [s].
    fall : Array, shape (k,)
        Of the misfit; 0 where the share lost would be negative.
    lost : Array, shape (k,)
        Share lost, linearised: above 1 it is out of reach of that [-].
    parts : Array, shape (n_traces, k)
        Of each trace in the score.
    """

    times: Array
    fall: Array
    lost: Array
    parts: Array

    @property
    def best(self) -> int:
        """Where the misfit falls most."""
        return int(np.argmax(self.fall))

    @property
    def height(self) -> float:
        """How much it falls there if traces enough agree and none of them does it alone, else 0."""
        parts = self.parts[:, self.best]
        agreeing = np.count_nonzero(parts > 0.0) >= AGREEING * parts.size
        shared = parts.size > 1 and agreeing and parts.max() <= OF_ONE * parts.sum()
        return float(self.fall[self.best]) if shared else 0.0

    @property
    def moment(self) -> tuple[float, float, float]:
        """Time at which the misfit falls most, and where it falls by `RISE` less on both sides [s].

        The first and last trial times where it does not.
        """
        i, t = self.best, self.times
        missing = self.fall[i] - RISE - self.fall

        def end(step: int) -> float:
            j = i
            while 0 <= j + step < t.size and missing[j] < 0.0:
                j += step
            pair = [j - step, j] if j != i else [i, i]
            return float(np.interp(0.0, missing[pair], t[pair]))

        return self._summit, min(end(-1), self._summit), max(end(1), self._summit)

    @property
    def _summit(self) -> float:
        """Time at which the parabola through the highest fall and its neighbours is highest [s]."""
        i, t = self.best, self.times
        if not 0 < i < t.size - 1:
            return float(t[i])
        before, at, after = self.fall[i - 1 : i + 2]
        bend = before - 2.0 * at + after
        shift = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
        return float(t[i] + shift * (t[i + 1] - t[i]))


def evidence(trial: Trial, x: Array, wall: Wall, slope: WallSlope | None) -> Evidence:
    """March a firing at ``x`` with losses on trial."""
    k, n_x = trial.times.size, x.size
    model = readings(trial.run, np.concatenate((x, np.zeros(k))), wall, slope, derivatives=True)
    assert model.dT_dx is not None
    traces = trial.run.traces
    white = whitened(traces, trial.weights, [
        np.column_stack((dT, T - trace.T))
        for T, dT, trace in zip(model.T, model.dT_dx, traces, strict=True)])
    sums = []
    for each in np.split(white, np.cumsum([trace.t.size for trace in traces])[:-1]):
        J, A, r = each[:, :n_x], each[:, n_x:-1], each[:, -1]
        sums.append(((A**2).sum(axis=0), A.T @ J, A.T @ r, J.T @ J, J.T @ r))
    AA, *others = (np.array(each) for each in zip(*sums, strict=True))
    return Evidence(trial.times, AA.sum(axis=0), *others)


def in_common(
    run: RunModel, residuals: tuple[Array, ...], weights: tuple[Weights, ...], block: float
) -> float:
    """Return the variance of the traces' mean residual over that of independent traces [-].

    Parameters
    ----------
    residuals : tuple of Array
        Model minus measured at each trace's times [K].
    weights : tuple of Weights
        Of each trace; offset and drift are taken off.
    block : float
        Length of a block [s].
    """
    if len(run.traces) < 2:
        return 0.0
    until = run.surfaces.gas.burn + AFTER
    every = np.full((len(run.traces), 1 + max(int(t.index[-1]) for t in run.traces)), np.nan)
    for row, trace, r, w in zip(every, run.traces, residuals, weights, strict=True):
        row[trace.index] = settled(trace, r, w.nuisance)
    t = block * (np.arange(every.shape[1]) + 0.5)
    count = np.isfinite(every).sum(axis=0)
    kept = (t > FIRST) & (t < until) & (count > 1)
    if np.count_nonzero(kept) < 2:
        return 0.0
    every, count = every[:, kept], count[kept]
    level = np.nanmean(every[np.isfinite(every).any(axis=1)], axis=1, keepdims=True)
    every = every[np.isfinite(every).any(axis=1)] - level
    square = np.nansum(every**2, axis=0)
    return float(np.sum(np.nansum(every, axis=0) ** 2) / np.sum(square))


def suspected_shedding(
    estimate: Estimate, executor: Executor, wall: Wall, slope: WallSlope | None
) -> dict[str, dict[str, Any]]:
    """Return what looks as if deposit came off, by run.

    Parameters
    ----------
    wall, slope : Wall, WallSlope or None
        At the estimate.
    """
    firings = {f.run.name: f for f in estimate.campaign.firings}
    looked = [
        firings[run.name] for run in estimate.runs
        if in_common(run, estimate.residuals[run.name], estimate.weights[run.name],
                     firings[run.name].block) > IN_COMMON
    ]
    moments = {f.run.name: _moments(f.burn) for f in looked}
    seen = _marched(estimate, looked, moments, executor, wall, slope)
    start = Belief(np.zeros(estimate.x.size), estimate.covariance)
    chosen = _chosen(seen, start)
    near = {n: _near(float(seen[n].times[i]), firings[n].burn) for n, i in chosen.items()}
    fine = _marched(estimate, [firings[n] for n in chosen], near, executor, wall, slope, fine=True)
    out = {}
    for name, one in fine.items():
        belief = start
        for other, i in chosen.items():
            if other != name:
                belief = seen[other].explained(belief, i)
        found = one.scores(belief)
        if found.height >= FALL and not _pressure_step(firings[name], found.moment[0]):
            out[name] = _document(firings[name], found)
    return out


def _chosen(seen: dict[str, Evidence], belief: Belief) -> dict[str, int]:
    """Return the firings that lose deposit and which trial time, the surest first.

    A loss in one firing also bends the growth that others of its blend share; so each is asked
    for only what those before it leave unexplained.
    """
    out: dict[str, int] = {}
    while len(out) < len(seen):
        scores = {n: e.scores(belief) for n, e in seen.items() if n not in out}
        name = max(scores, key=lambda n: scores[n].height)
        if scores[name].height < FALL:
            break
        out[name] = scores[name].best
        belief = seen[name].explained(belief, out[name])
    return out


def _moments(burn: float) -> Array:
    n = int(np.clip((burn - FIRST - LAST) / SPACING + 1.0, 0, MOST))
    return np.linspace(FIRST, burn - LAST, n) if n > 2 else np.empty(0)


def _near(moment: float, burn: float) -> Array:
    times = moment + np.arange(-AROUND, AROUND + 0.5 * FINE, FINE)
    return times[(times > 0.5 * FIRST) & (times < burn - 0.5 * LAST)]


def _marched(
    estimate: Estimate, firings: list[Firing], times: dict[str, Array], executor: Executor,
    wall: Wall, slope: WallSlope | None, *, fine: bool = False,
) -> dict[str, Evidence]:
    made = {f.run.name: Trial.of(estimate, f, times[f.run.name], fine=fine) for f in firings
            if times[f.run.name].size}
    trials = {n: t for n, t in made.items() if t is not None}
    each = executor.map(
        evidence, trials.values(), repeat(estimate.x), repeat(wall), repeat(slope)
    )
    return dict(zip(trials, each, strict=True))


def _pressure_step(firing: Firing, moment: float) -> bool:
    """Return whether the pressure changes about ``moment`` [s]."""
    p = np.interp([moment - 1.0, moment + 1.0], firing.pressure.t, firing.pressure.p)
    return bool(abs(np.log(p[1] / p[0])) > STEP_OF_PRESSURE)


def _document(firing: Firing, found: Scores) -> dict[str, Any]:
    clock, low, high = (firing.events.ignition + t for t in found.moment)
    return {
        "time_s": {"estimate": clock, "low": low, "high": high},
        "lost_fraction_linearised": float(found.lost[found.best]),
        "misfit_fall": float(found.fall.max()),
        "case_line": f'shed = "{clock:.1f} s +- {max(clock - low, high - clock, 0.2):.1f} s"',
    }
