"""What a firing to come would tell, beside what a fitted campaign has told.

The unknowns of the campaign and those that the firings to come bring are normal,

    x = x_0 + root u,   u ~ N(0, 1)

the campaign's with the covariance of the fit. A firing to come is marched at ``x_0``; its whitened
Jacobian ``J`` to ``u``, what differs from firing to firing integrated out, gives its information
``M``. After ``n`` of them the covariance of a quantity with gradient ``g`` to ``u`` is

    g (1 + n M)^-1 g                (Bayesian linear update)

A blend not fired yet has the mean R that `wallsim.plan.next_response` expects. All firings to come
burn equally long, and every R is that at the end of such a burn.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Firing, Trace
from wallsim.case.model import ALL
from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.compare import Compared
from wallsim.estimate.readouts import AlongTube, log_mean, points_along
from wallsim.estimate.resolution import first_guess
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder, readings, run_rows
from wallsim.estimate.unknowns import RESISTANCE_VARIATION, Unknowns, smooth_basis
from wallsim.estimate.weights import Weights, assumed, whitened
from wallsim.plan.draws import Knowledge
from wallsim.plan.next_bore import Document, Limit, hottest
from wallsim.plan.next_file import NextQuestion
from wallsim.plan.next_growth import LogResistance
from wallsim.plan.next_response import Response
from wallsim.plan.place_design import without
from wallsim.regression.prior import smooth_covariance
from wallsim.wall.model import WallSlope
from wallsim.wall.operators import Wall

Array = NDArray[np.float64]
Index = NDArray[np.intp]


def run_of(blend: str) -> str:
    """Return the name of the firing of ``blend`` that is to come."""
    return f"next firing of {blend}"


def extended(question: NextQuestion, campaign: Campaign) -> tuple[Campaign, Firing]:
    """Return the campaign with one firing to come of every blend, and what all of them are like."""
    case = campaign.case
    logged = next(f for f in campaign.firings if f.run.name == question.like)
    longest = max(f.burn for f in campaign.firings if f.blend.deposit is not None)
    template = lasting(logged, question.burn or longest)
    blends = dict(case.blends)
    for b in question.new:
        blends[b.name] = replace(
            blends[b.like], name=b.name, like=b.like, silicon=b.silicon, water=b.water)
    firings = []
    for name in question.candidates:
        run = replace(template.run, name=run_of(name), blend=name, start=None, retained=ALL,
                      shed=None, exclude={}, reattached=())
        firings.append(replace(template, run=run, blend=blends[name]))
    case = replace(case, blends=blends, runs=(*case.runs, *(f.run for f in firings)))
    return replace(campaign, case=case, firings=(*campaign.firings, *firings)), template


def lasting(firing: Firing, burn: float) -> Firing:
    """Return ``firing`` with another length of the burn [s], its record after shutdown kept.

    What a thermocouple reads is used where it was in the firing: from ignition on, and after
    shutdown, so one that was lost before shutdown is lost at the same moment.
    """
    more, both = burn - firing.burn, min(burn, firing.burn)
    end = firing.end + more

    def of(trace: Trace) -> Trace:
        t = firing.block * (np.arange(int(end / firing.block) + 1, dtype=np.float64) + 0.5)
        then = np.where(t < both, t, np.maximum(t - more, both))
        kept = np.isin(np.floor(then / firing.block).astype(np.intp), trace.index)
        index = np.flatnonzero(kept)
        T = np.interp(then[kept], trace.t, trace.T)
        return replace(trace, index=index, t=t[kept], T=T,
                       samples=trace.samples * index.size // trace.index.size)

    events = replace(firing.events, shutdown=firing.events.ignition + burn)
    return replace(firing, events=events, burn=burn, end=end,
                   traces=tuple(of(trace) for trace in firing.traces))


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """The campaign as fitted, and what every firing to come would tell.

    Parameters
    ----------
    question : NextQuestion
    template : Firing
        What all of them are like but for their blends.
    along : AlongTube
        At ``x_0``, of the campaign with the firings to come.
    root : Array, shape (m, q)
        ``x = x_0 + root u``.
    common : Index
        Columns of ``u`` that outlast a firing.
    response : Response or None
    information : dict of str to Array, shape (n, n)
        On the common ``u``, by blend; those that cannot be marched are missing.
    faults : dict of str to str
        Why not, by blend.
    bores : dict of str to dict or None
        Peak and time to the limit, by blend, as of `wallsim.plan.next_bore.hottest`.
    """

    question: NextQuestion
    template: Firing
    along: AlongTube
    root: Array
    common: Index
    response: Response | None
    information: dict[str, Array]
    faults: dict[str, str]
    bores: dict[str, Document | None] = field(default_factory=dict)

    @classmethod
    def of(
        cls, question: NextQuestion, campaign: Campaign, knowledge: Knowledge,
        valued: Sequence[str], executor: Executor,
    ) -> Outlook:
        """March every firing to come.

        Parameters
        ----------
        valued : sequence of str
            Blends whose R the campaign tells.

        Raises
        ------
        InputError
            If the R of a new blend cannot be expected from ``valued`` ones.
        """
        every, template = extended(question, campaign)
        old, resolution = knowledge.unknowns, first_guess(campaign)
        unknowns = Unknowns.of(every, old.laws)
        unknowns = replace(unknowns, t_ref=unknowns.t_ref | old.t_ref)
        x, root, own = _joined(unknowns, knowledge, question, template)
        runs = tuple(RunModel.of(every, f, unknowns, resolution) for f in every.firings)
        along = AlongTube(every, unknowns, runs, x, points_along(every.case))
        response = None
        if question.new:
            named = [n for n in question.response or valued if n in valued]
            response = Response.of(along, named, template.burn, question)
            x, root = _with_new(along, root, response, question)
            along = along.at(x)
        common = np.flatnonzero(~np.isin(np.arange(root.shape[1]), np.concatenate(own)))
        information, faults, bores = _informed(
            along, root, own, _weights(campaign, template, knowledge, resolution), resolution,
            executor)
        return cls(question, template, along, root, common, response, information, faults, bores)

    def mean_resistance(self, blend: str) -> LogResistance:
        """Return the log of the mean R of ``blend`` at the end of the burn, by common ``u``."""
        burn, root = self.template.burn, self.root[:, self.common]
        mean = Compared.of(self.along, blend, burn, np.array([0])).mean
        return LogResistance.grown(self.along, root, blend, burn, float(np.log(mean.value)),
                                   mean.gradient @ root)

    def covariance(self, gradients: Array, firings: Mapping[str, float]) -> Array:
        """Return the covariance of quantities after so many firings of each blend.

        Parameters
        ----------
        gradients : Array, shape (k, n)
            To the common ``u``.
        """
        precision = np.eye(self.common.size)
        for blend, n in firings.items():
            precision += n * self.information[blend]
        return np.asarray(gradients @ np.linalg.solve(precision, gradients.T))


def _joined(
    unknowns: Unknowns, knowledge: Knowledge, question: NextQuestion, template: Firing
) -> tuple[Array, Array, list[Index]]:
    """Return mean and root of all unknowns, and the columns of ``u`` that are each firing's own.

    New blends are at their prior; the campaign's unknowns are the first columns.
    """
    prior, known = unknowns.prior, knowledge.unknowns.prior
    names, m = prior.names, known.mean.size
    at = np.array([names[p.name] for p in known.parameters])
    new = np.setdiff1d(np.arange(prior.mean.size), at)
    for b in question.candidates:
        for i in new:
            twin = known.names.get(
                prior.parameters[i].name.replace(run_of(b), template.run.name))
            if twin is not None and prior.parameters[i].name.endswith(run_of(b)):
                ratio = known.parameters[twin].sd / prior.parameters[i].sd
                prior = prior.rescaled(np.array([i]), ratio)
    x = prior.mean.copy()
    x[at] = knowledge.x
    root = np.zeros((x.size, m + new.size))
    root[at, :m] = knowledge.root
    root[np.ix_(new, np.arange(m, m + new.size))] = prior.root[np.ix_(new, new)]
    own = [
        m + np.flatnonzero([prior.parameters[i].name.endswith(f" {run_of(b)}") for i in new])
        for b in question.candidates
    ]
    return x, root, own


def _with_new(
    along: AlongTube, root: Array, response: Response, question: NextQuestion
) -> tuple[Array, Array]:
    """Return mean and root with the R of the new blends as the response says.

    Along the tube it is that of the blend it is like, about which it varies as the fit expects of
    a deposit, its mean apart.
    """
    unknowns = along.unknowns
    x, departures = along.x.copy(), np.linalg.cholesky(response.departures(question.new))
    last = root.shape[1]
    root = np.hstack((root, np.zeros((len(root), len(question.new)))))
    shape = np.linalg.cholesky(smooth_covariance(
        unknowns.knots, 0.0, RESISTANCE_VARIATION, unknowns.case.fit.correlation_length))
    basis = smooth_basis(unknowns.knots, along.z)
    before = root.copy()
    for i, b in enumerate(question.new):
        at, like = unknowns.curve(f"R {b.name}"), unknowns.curve(f"R {b.like}")
        mean, parent = response.expected(b, question), log_mean(along.resistance(b.like))
        x[at] = along.x[like] + np.log(mean.value / parent.value)
        R = np.exp(basis @ along.x[like])
        share = R @ basis / R.sum()
        own = np.flatnonzero(np.abs(before[at]).sum(axis=0))
        root[at] = before[like] + (mean.gradient - parent.gradient) @ before
        root[np.ix_(at, own)] += shape - share @ shape
        root[at, last:] += departures[i]
    return x, root


def _weights(
    campaign: Campaign, template: Firing, knowledge: Knowledge, resolution: Resolution
) -> tuple[Weights, ...]:
    """Return the residual model of the traces of firings to come: that of the logged firing.

    Samples that the fit takes for outliers are as frequent, at no moment in particular.
    """
    logged = next(f for f in campaign.firings if f.run.name == template.run.name)
    run = RunModel.of(campaign, logged, knowledge.unknowns, resolution)
    wall, slope = WallBuilder(knowledge.unknowns, resolution).at(knowledge.x)
    drift = campaign.case.fit.drift
    first = assumed(run.traces, drift)
    rows = run_rows(run, first, knowledge.x, wall, slope, drift)
    return tuple(
        replace(Weights.of(trace, w.noise, drift, None, w.together),
                robust=np.full(trace.t.size, np.sqrt(np.mean(w.robust**2))))
        for trace, w in zip(template.traces, rows.weights, strict=True)
    )


def _informed(
    along: AlongTube, root: Array, own: list[Index], weights: tuple[Weights, ...],
    resolution: Resolution, executor: Executor,
) -> tuple[dict[str, Array], dict[str, str], dict[str, Document | None]]:
    """Return the information of each firing to come by blend, why there is none, and its bore.

    Parameters
    ----------
    own : list of Index
        Columns of ``u`` that are each firing's own.
    """
    wall, slope = WallBuilder(along.unknowns, resolution).at(along.x)
    drawn = None if along.unknowns.case.tube.mesh is not None else resolution
    gone = np.concatenate(own)
    kept = [np.setdiff1d(np.arange(root.shape[1]), np.setdiff1d(gone, one)) for one in own]
    runs, firings = along.runs[-len(own):], along.campaign.firings[-len(own):]
    found = executor.map(
        _information, runs, repeat(weights), repeat(along.x), repeat(wall), repeat(slope),
        repeat(Limit.of(along.campaign.case)), repeat(drawn),
        [root[:, columns] for columns in kept],
        [np.flatnonzero(np.isin(columns, one)) for columns, one in zip(kept, own, strict=True)],
    )
    information, faults, bores = {}, {}, {}
    for firing, one in zip(firings, found, strict=True):
        if isinstance(one, str):
            faults[firing.blend.name] = one
        else:
            information[firing.blend.name], bores[firing.blend.name] = one
    return information, faults, bores


def _information(
    run: RunModel, weights: tuple[Weights, ...], x: Array, wall: Wall, slope: WallSlope | None,
    limit: Limit | None, drawn: Resolution | None, root: Array, own: Index,
) -> tuple[Array, Document | None] | str:
    """Return the information of one firing on what outlasts it and its bore, or why it has none."""
    try:
        model = readings(run, x, wall, slope, derivatives=True)
        bore = hottest(run, x, wall, slope, root, limit, drawn)
    except (TableRangeError, ConvergenceError) as error:
        return str(error)
    assert model.dT_dx is not None
    white = whitened(run.traces, weights, [J @ root for J in model.dT_dx])
    total = white.T @ white
    total[own, own] += 1.0
    return without(total, own.tolist()), bore
