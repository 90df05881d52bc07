"""Intervals beside those from curvature, on a tiny campaign: against refits and each other."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import RESISTANCE, log_rows, write
from tests.statistics.campaigns import Here
from wallsim.build import load_campaign
from wallsim.errors import InputError
from wallsim.estimate.intervals.document import DOUBTFUL, Asked, doubts, intervals
from wallsim.estimate.intervals.profiled import _Held, limit_by_profile, profiled
from wallsim.estimate.intervals.redrawn import OWN, Redrawn
from wallsim.estimate.intervals.wanted import PEAK, REMOVED, THICKNESS, Optimum, R, wanted
from wallsim.estimate.joint import Misfit, estimate_jointly
from wallsim.estimate.limits import of_traces
from wallsim.estimate.readouts import AlongTube, log_mean
from wallsim.regression.least_squares import Refused, solve
from wallsim.regression.profile import RISE

pytestmark = pytest.mark.usefixtures("coarse")
HEADER = "time [s],P [bar(g)],A [degC],B [degC]"
ENDS = ("low", "high")


def campaign(folder, firings, growth="saturating"):
    """Write firings, each a blend, its resistance and how much hotter its gas is by mistake."""
    runs = [(n, b) for n, (b, _, _) in firings.items()]
    path = write(folder, runs=runs, rows=[], growth=growth)
    for seed, (name, (_, resistance, factor)) in enumerate(firings.items()):
        rows = log_rows(resistance, seed=seed, h=1500.0 * factor)
        (folder / f"{name}.csv").write_text("\n".join([HEADER, *rows]) + "\n")
    return load_campaign(wallsim.load_case(path))


def pair(folder, resistance, growth="saturating"):
    firings = {"r1": ("bare", 0.0, 1.0), "r2": ("dosed", resistance, 1.0)}
    return campaign(folder, firings, growth)


class Fit:
    """An estimate with what `intervals` needs of its document."""

    def __init__(self, loaded):
        self.estimate = estimate_jointly(loaded, Here())
        peak = {"estimate": 800.0, "low": 780.0, "high": 820.0}
        deposit = {"identifiable": True, "upper_limit_only": False}
        self.document = {
            "blends": {"bare": {"deposit": None}, "dosed": {"deposit": deposit}},
            "runs": {run.name: {PEAK: peak} for run in self.estimate.runs},
        }

    def intervals(self, *asked):
        return intervals(self.estimate, self.document, Asked(*asked), Here())

    def wants(self, *, bores=False):
        return wanted(self.estimate, self.document, Here(), bores=bores)


@pytest.fixture(scope="module")
def told(coarse, tmp_path_factory):
    return Fit(pair(tmp_path_factory.mktemp("told"), RESISTANCE))


@pytest.fixture(scope="module")
def faint(coarse, tmp_path_factory):
    return Fit(pair(tmp_path_factory.mktemp("faint"), 1.5e-5))


def off(profile, laplace):
    """Return how far the ends of a profile lie beyond those from curvature [log sd]."""
    sd = np.log(laplace["high"] / laplace["low"]) / 3.92
    return [np.log(profile[k] / laplace[k]) / sd for k in ENDS]


def test_a_deposit_well_told_has_nothing_profiled_unasked(told):
    part = told.intervals()
    assert part["readouts"] == []
    assert part["profile"] is part["sample"] is part["bootstrap"] is None
    assert doubts(part) == []


def test_a_faint_deposit_is_profiled_unasked_and_the_verdict_says_so(faint):
    part = faint.intervals()
    [row] = part["readouts"]
    assert (row["quantity"], row["of"]) == (R, "dosed")
    assert np.log(row["laplace"]["high"] / row["laplace"]["low"]) / 3.92 > DOUBTFUL
    lower, upper = off(row["profile"], row["laplace"])
    # the likelihood is nearly normal in R, so that its ends lie lower than those of a log-normal
    assert -0.7 < lower < -0.2
    assert -0.7 < upper < -0.2
    [line] = doubts(part)
    assert line["level"] == "note"
    assert line["text"].startswith("dosed: by profile likelihood")
    assert faint.intervals("laplace")["readouts"] == []
    unfinished = replace(faint.estimate, converged=False)
    assert intervals(unfinished, faint.document, Asked(), Here())["readouts"] == []


@pytest.mark.slow
def test_at_the_end_of_a_profile_the_least_misfit_has_risen(faint):
    """The other way round: R is held at the end, and all else fitted by the ordinary solver."""
    optimum = Optimum.of(faint.estimate, Here())
    want = faint.wants()[0]
    found = profiled(optimum, want)
    z, prior = optimum.solution.z, faint.estimate.unknowns.prior

    def held(at, point):
        r, J = optimum.misfit(point)
        read = want.read(prior.x(point))
        row = read.gradient @ prior.root / 1e-3
        return np.append(r, (np.log(read.value) - np.log(at)) / 1e-3), np.vstack((J, row))

    for end in ENDS:
        least = solve(partial(held, found[end]), z, tolerance=1e-2, most=20).misfit
        # an end is within 0.05 sd, on which the misfit rises by 2 sqrt(RISE) 0.05
        assert least - optimum.solution.misfit == pytest.approx(RISE, abs=0.2)


def test_curvature_is_good_enough_where_a_deposit_is_well_told(told):
    optimum = Optimum.of(told.estimate, Here())
    mean, share, thickness = told.wants()
    assert [w.key for w in (mean, share, thickness)] == [R, REMOVED, THICKNESS]
    R_profile = profiled(optimum, mean)
    assert np.abs(off(R_profile, mean.laplace)).max() < 0.2
    assert R_profile["evaluations"] <= 8
    # almost all of the width is the stated conductivity's: 0.2 W/m/K +- 60 %
    film = profiled(optimum, thickness)
    assert film["estimate"] == pytest.approx(0.2 * R_profile["estimate"], rel=1e-6)
    assert np.log(film["high"] / film["low"]) / 3.92 == pytest.approx(np.hypot(
        np.sqrt(np.log1p(0.36)), np.log(R_profile["high"] / R_profile["low"]) / 3.92), rel=0.03)


@pytest.mark.slow
def test_where_the_law_is_open_curvature_is_half_a_standard_deviation_off_at_most(tmp_path):
    """How it grew is an exponential of what is fitted, so the misfit is less of a parabola."""
    fit = Fit(pair(tmp_path, RESISTANCE, "auto"))
    mean = fit.wants()[0]
    found = profiled(Optimum.of(fit.estimate, Here()), mean)
    assert np.abs(off(found, mean.laplace)).max() < 0.5
    assert found["low"] < RESISTANCE < found["high"]


@pytest.mark.parametrize(("asked", "words"), [
    ({"method": "guess"}, "take one of auto, laplace, profile"),
    ({"samples": -1}, r"sample: must be 0 or more \(got -1\)"),
    ({"redraws": -5}, r"bootstrap: must be 0 or more \(got -5\)"),
])
def test_what_cannot_be_asked_is_refused(asked, words):
    with pytest.raises(InputError, match=words) as caught:
        Asked(**asked)
    assert "\n" not in str(caught.value)


@pytest.mark.usefixtures("no_sampler")
def test_without_the_sampler_it_is_said_before_anything_is_fitted():
    with pytest.raises(InputError, match=r"pip install 'wallsim\[sampler\]'"):
        wallsim.fit(None, sample=100)


def test_few_samples_are_called_rough(told, monkeypatch):
    monkeypatch.setattr("wallsim.estimate.intervals.sampled.WALKERS", 2)
    monkeypatch.setattr("wallsim.regression.sample.LEFT_OUT", 1)
    part = told.intervals("laplace", 2)
    rows = {(row["quantity"], row["of"]): row for row in part["readouts"]}
    assert set(rows) == {(R, "dosed"), (REMOVED, "dosed"), (THICKNESS, "dosed"), (PEAK, "r1"),
                         (PEAK, "r2")}
    assert part["sample"]["kept"] == 2
    for row in rows.values():
        assert row["sample"]["rough"]
        assert 0.0 < row["sample"]["effective"] <= part["sample"]["kept"]
        assert row["sample"]["low"] <= row["sample"]["estimate"] <= row["sample"]["high"]
        assert row["profile"] is row["bootstrap"] is None


def test_firings_of_a_blend_fired_once_are_not_drawn(told):
    part = told.intervals("laplace", 0, 50)
    for row in part["readouts"]:
        assert row["bootstrap"] is None
        assert row["remarks"][0].startswith("no bootstrap: ")
    assert "dosed was fired once" in part["readouts"][0]["remarks"][0]


TWICE = {"b1": ("bare", 0.0, 1.02), "b2": ("bare", 0.0, 0.98), "d1": ("dosed", RESISTANCE, 1.03),
         "d2": ("dosed", RESISTANCE, 0.97)}


@pytest.fixture(scope="module")
def twice(coarse, tmp_path_factory):
    return Fit(campaign(tmp_path_factory.mktemp("twice"), TWICE))


@pytest.mark.slow
def test_firings_that_differ_give_a_bootstrap_interval(twice):
    part = twice.intervals("laplace", 0, 400)
    mean, share, thickness = part["readouts"]
    for row in (mean, share):
        found = row["bootstrap"]
        assert found["low"] < found["estimate"] < found["high"]
        assert "2 firings: too narrow by about 29 %" in row["remarks"][0]
    assert thickness["bootstrap"] is None
    assert part["bootstrap"]["draws"] == 400


@pytest.mark.slow
def test_linear_draws_of_firings_spread_as_full_refits_of_them_do(twice):
    """Marched anew for each draw; a firing drawn twice weighs twice, and so do its own unknowns."""
    estimate = twice.estimate
    drawn = Redrawn.of(estimate, 200)
    want = twice.wants()[0]
    shift = drawn.found.shift(want.read(estimate.x).gradient @ drawn.root)
    weights, which = np.unique(drawn.found.weights, axis=0, return_inverse=True)
    assert len(weights) == 9
    best = Optimum.of(estimate, Here()).solution.z
    names, prior = estimate.unknowns.prior.names, estimate.unknowns.prior
    moved = []
    for w in weights:
        misfit = Misfit(estimate.unknowns, estimate.resolution, estimate.runs, Here())
        misfit.weights = dict(estimate.weights)
        factor = np.ones(estimate.x.size)
        for n, run in zip(w, estimate.runs, strict=True):
            own = [names[start + run.name] for start in OWN if start + run.name in names]
            factor[own] = np.sqrt(max(n, 1e-3))

        def weighted(z, misfit=misfit, w=w, factor=factor):
            r, J = misfit(z)
            sizes = [row.triangle.shape[0] for row in misfit.rows]
            scale = np.concatenate((np.repeat(np.sqrt(w), sizes), factor))
            return scale * r, scale[:, None] * J

        z = solve(weighted, best, tolerance=1e-3, most=20).z
        moved.append(float(np.log(want.read(prior.x(z)).value / want.read(prior.x(best)).value)))
    refitted = np.array(moved)[which.ravel()]
    assert np.corrcoef(shift, refitted)[0, 1] > 0.98
    assert np.std(shift) == pytest.approx(np.std(refitted), rel=0.15)


@pytest.mark.slow
def test_samples_by_exact_marches_agree_with_the_profile(told):
    part = told.intervals("profile", 500)
    for row in part["readouts"]:
        if row["quantity"] not in (R, REMOVED):
            continue
        sd = np.log(row["profile"]["high"] / row["profile"]["low"]) / 3.92
        n = row["sample"]["effective"]
        assert n > 30
        for end in ("estimate", *ENDS):
            # quantile of n independent normals: 2.7 sd/sqrt(n) at 2.5 % and 97.5 %
            apart = np.log(row["sample"][end] / row["profile"][end]) / sd
            assert abs(apart) < 3.0 * 2.7 / np.sqrt(n) + 0.2


@pytest.mark.slow
@pytest.mark.parametrize("resistance", [0.0, 3e-6])
def test_near_none_the_limit_by_profile_is_that_of_the_linearised_likelihood(tmp_path, resistance):
    fit = Fit(pair(tmp_path, resistance))
    linear = of_traces(fit.estimate, AlongTube.of(fit.estimate), "dosed")
    assert linear.ratio < 2.0
    found, _ = limit_by_profile(
        fit.estimate, Optimum.of(fit.estimate, Here()), "dosed", linear.upper_limit
    )
    assert found.upper_limit == pytest.approx(linear.upper_limit, rel=0.25)


def test_a_wall_that_cannot_be_marched_without_its_deposit_gives_no_limit(told):
    def refuses(z):
        raise Refused("too hot for its table")

    optimum = replace(Optimum.of(told.estimate, Here()), misfit=refuses)
    assert limit_by_profile(told.estimate, optimum, "dosed", 1e-4) == (None, 0)


def test_holding_a_resistance_leaves_out_the_prior_of_its_level_alone(told):
    """Moving the whole level costs nothing by itself; a change of shape costs as before."""
    estimate = told.estimate
    prior = estimate.unknowns.prior
    at = estimate.unknowns.curve("R dosed")
    along = AlongTube.of(estimate)
    log_R = float(np.log(log_mean(along.resistance("dosed")).value))
    m = estimate.x.size
    held = _Held.of(along, lambda z: (z.copy(), np.eye(m)), "dosed", log_R)

    def cost(x):
        return float(np.sum(held(prior.z(x))[0][:m] ** 2))

    level, shape = prior.mean.copy(), prior.mean.copy()
    level[at] += 3.0
    shape[at[0]] += 0.1
    assert cost(level) == pytest.approx(0.0, abs=1e-9)
    assert cost(shape) > 0.5 * float(np.sum(prior.z(shape) ** 2)) > 0.0
