"""The interval and the chance that are predicted, against refits with the firings added.

A truth is drawn from the fit of a tiny campaign; firings to come are simulated there by the fit's
own model with its own residual models, and everything is fitted anew, old logs and new firings.
Truth and fits share a coarse mesh. Bounds were set before the first run: 15 % for the interval,
20 % for two scatters of 48 draws (whose own standard deviation is 10 %), three standard deviations
for the chance.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.plan.small_question import ask
from tests.statistics.campaigns import Here
from wallsim.build import load_campaign
from wallsim.case import load_case
from wallsim.estimate.joint import estimate_jointly
from wallsim.estimate.readouts import AlongTube, log_mean
from wallsim.estimate.run_model import Resolution, WallBuilder, readings
from wallsim.plan import next_model
from wallsim.plan.draws import Knowledge, save_posterior
from wallsim.plan.next_file import load_next
from wallsim.plan.next_model import Outlook, run_of
from wallsim.plan.next_study import Study

DRAWS = 48
TIMES = 2
COARSE = Resolution(1, 8, 0.4)


def noise(trace, weights, rng):
    """Draw what the residual model says: correlated noise, an offset and a drift [K]."""
    white = weights.noise.whiten(trace.index, np.eye(trace.t.size))
    return np.linalg.solve(white, rng.standard_normal(trace.t.size)) + (
        weights.nuisance @ rng.standard_normal(weights.nuisance.shape[1]))


def fired(outlook, weights, blend, x, rng, times):
    """Firings of ``blend`` at the truth ``x``, each with its own heating, ignition and so on."""
    campaign, unknowns = outlook.along.campaign, outlook.along.unknowns
    places = [i for name, i in unknowns.prior.names.items() if name.endswith(run_of(blend))]
    [planned] = [f for f in campaign.firings if f.run.name == run_of(blend)]
    [run] = [r for r in outlook.along.runs if r.name == run_of(blend)]
    out = []
    for k in range(times):
        x = x.copy()
        x[places] = [rng.normal(unknowns.prior.parameters[i].mean, unknowns.prior.parameters[i].sd)
                     for i in places]
        wall, slope = WallBuilder(unknowns, COARSE).at(x)
        T = readings(run, x, wall, slope, derivatives=False).T
        traces = tuple(replace(t, T=values + noise(t, w, rng))
                       for t, values, w in zip(planned.traces, T, weights, strict=True))
        named = replace(planned.run, name=f"added {k}")
        out.append(replace(planned, run=named, traces=traces))
    return out


def estimated(fit):
    """Log of the mean R of the dosed blend, and its standard deviation."""
    mean = log_mean(AlongTube.of(fit).resistance("dosed"))
    return float(np.log(mean.value)), float(mean.sd(fit.covariance))


@pytest.mark.slow
@pytest.mark.parametrize("blend", ["bare", "dosed"])
def test_predicted_interval_and_chance_are_those_of_refits(tmp_path, monkeypatch, blend):
    monkeypatch.setattr(next_model, "first_guess", lambda _: COARSE)
    path = ask(tmp_path, above="135 mm^2*K/W")
    campaign = load_campaign(load_case(tmp_path / "campaign" / "case.toml"))
    first = estimate_jointly(campaign, Here(), resolution=COARSE)
    save_posterior(first, tmp_path)
    question = load_next(path)
    knowledge = Knowledge.fitted(campaign, tmp_path)
    outlook = Outlook.of(question, campaign, knowledge, ["dosed"], Here())
    study = Study.of(outlook, ["dosed"])
    now, step = study.now(), study.after({blend: TIMES})
    before, _ = estimated(first)
    weights = first.weights[question.like]
    moved, missed, own, settled = [], [], [], []
    for seed in range(DRAWS):
        rng = np.random.default_rng(seed)
        x = outlook.along.x + outlook.root @ rng.standard_normal(outlook.root.shape[1])
        added = fired(outlook, weights, blend, x, rng, TIMES)
        case = replace(campaign.case, runs=(*campaign.case.runs, *(f.run for f in added)))
        more = replace(campaign, case=case, firings=(*campaign.firings, *added))
        mean, sd = estimated(estimate_jointly(more, Here(), resolution=COARSE))
        truth = AlongTube.of(replace(first, x=x[: first.x.size])).resistance("dosed").value.mean()
        moved.append(mean - before)
        missed.append(mean - np.log(truth))
        own.append(sd)
        settled.append(abs(mean - study.value) > study.quantile * sd)
    chance = step.chance.settled
    told = (f"sd now {now.sd:.3f}, predicted {step.sd:.3f}, refits {np.mean(own):.3f}, missed by "
            f"{np.sqrt(np.mean(np.square(missed))):.3f}, moved by "
            f"{np.sqrt(np.mean(np.square(moved))):.3f} of {np.sqrt(now.sd**2 - step.sd**2):.3f}, "
            f"settled {np.mean(settled):.2f} of {chance:.2f}")
    assert np.mean(own) == pytest.approx(step.sd, rel=0.15), told
    assert np.sqrt(np.mean(np.square(missed))) == pytest.approx(step.sd, rel=0.2), told
    gained = np.sqrt(now.sd**2 - step.sd**2)
    assert np.sqrt(np.mean(np.square(moved))) == pytest.approx(gained, rel=0.2), told
    spread = 3.0 * np.sqrt(chance * (1.0 - chance) / DRAWS)
    assert abs(np.mean(settled) - chance) < spread + 0.5 / DRAWS, told
