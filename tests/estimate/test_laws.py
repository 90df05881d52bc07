"""Growth laws against each other: weights and mixtures in closed form, tiny campaigns whole."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

import wallsim
from tests.cli.campaign import RESISTANCE, log_rows, write
from tests.statistics.campaigns import Here
from wallsim.build import load_campaign
from wallsim.estimate.deposits import blend_document
from wallsim.estimate.identify import identifiability
from wallsim.estimate.joint import Misfit, _models, estimate_jointly
from wallsim.estimate.law_fits import with_law
from wallsim.estimate.laws import UNTOLD, Averaged, LawChoice, compare_laws, mixture_quantile
from wallsim.estimate.linearised import Linearised, Rows
from wallsim.estimate.readouts import AlongTube, log_mean
from wallsim.estimate.verdict import _growth
from wallsim.regression.least_squares import covariance, solve

pytestmark = pytest.mark.usefixtures("coarse")
HEADER = "time [s],P [bar(g)],A [degC],B [degC]"
CURVED = 3.0


def saturating(share):
    return np.expm1(-CURVED * share) / np.expm1(-CURVED)


GROWN = {
    "bare": (0.0, lambda share: share), "dosed": (RESISTANCE, lambda share: share),
    "steady": (RESISTANCE, lambda share: 1.0), "curved": (RESISTANCE, saturating),
    "rooted": (3.0 * RESISTANCE, lambda share: share**0.5),
}


def campaign(folder, blends, growth="auto"):
    """Write a firing for each of ``blends``, its deposit as in `GROWN`, and return the case."""
    runs = [(f"r{i}", blend) for i, blend in enumerate(blends)]
    path = write(folder, runs=runs, rows=[], growth=growth)
    for seed, (run, blend) in enumerate(runs):
        R, law = GROWN[blend]
        rows = log_rows(R, seed=seed, growth=law)
        (folder / f"{run}.csv").write_text("\n".join([HEADER, *rows]) + "\n")
    others = "".join(
        f'[blend.{name}]\nlike = "bare"\ndeposit = {{ growth = "{growth}" }}\n'
        for name in dict.fromkeys(blends) if name not in ("bare", "dosed")
    )
    path.write_text(path.read_text().replace("[fit]", f"{others}[fit]"))
    return path


def fitted(folder, blends, growth="auto"):
    path = campaign(folder, blends, growth)
    return estimate_jointly(load_campaign(wallsim.load_case(path)), Here())


def law_of(choice, law):
    return next(fit for fit in choice.fits if fit.law == law)


@pytest.fixture(scope="module")
def estimate(coarse, tmp_path_factory):
    blends = ["bare", "dosed", "dosed", "steady", "curved", "rooted"]
    return fitted(tmp_path_factory.mktemp("c"), blends)


@pytest.fixture(scope="module")
def choices(estimate):
    return compare_laws(estimate, Here(), ("dosed", "steady", "curved", "rooted"))


def test_each_deposit_gets_its_law_and_none_is_told_from_it(choices):
    assert "linear" in choices["dosed"].untold
    assert "constant" in choices["steady"].untold
    assert set(choices["curved"].untold) == {"saturating", "general"}
    assert choices["rooted"].untold == ("general",)
    for choice in choices.values():
        assert choice.weights.sum() == pytest.approx(1.0)
        assert law_of(choice, "none").criterion - law_of(choice, "saturating").criterion > 50.0
    for blend, wrong in (("dosed", "constant"), ("steady", "linear")):
        assert wrong not in choices[blend].untold


def test_a_law_that_fits_predicts_a_firing_left_out_as_well_as_noise_allows(choices):
    for law in ("linear", "saturating"):
        assert 0.8 < law_of(choices["dosed"], law).left_out_rms < 1.3
    assert all(fit.left_out_rms is None for fit in choices["steady"].fits)


def test_a_law_costs_its_blend_about_one_evaluation(choices):
    """The march counts that keep the choice cheap."""
    spent = [[fit.evaluations for fit in choice.fits] for choice in choices.values()]
    assert all(one[4] == 0.0 for one in spent)
    marched = sum(fit.evaluations > 0.0 for choice in choices.values() for fit in choice.fits)
    assert np.sum(spent) <= 1.5 * marched


def test_intervals_are_averaged_over_what_is_not_told_apart_and_hold_the_truth(estimate, choices):
    along = AlongTube.of(estimate)
    for blend, choice in choices.items():
        deposit = blend_document(estimate, along, blend, {}, choice)["deposit"]
        R = deposit["mean_resistance_m2K_W"]
        true, law = GROWN[blend]
        assert R["low"] < true < R["high"]
        band = deposit["in_time"]["mean_resistance_m2K_W"]
        time = np.array(deposit["in_time"]["time_s"])
        truth = true * np.array([law(t / time[-1]) for t in time])
        later = time > 0.3 * time[-1]
        assert np.all((np.array(band["low"]) < truth)[later])
        assert np.all((np.array(band["high"]) > truth)[later])


def test_where_one_law_has_all_weight_nothing_changes(estimate, choices):
    along, alone = AlongTube.of(estimate), ("growth_laws",)
    told = blend_document(estimate, along, "rooted", {}, choices["rooted"])["deposit"]
    plain = blend_document(estimate, along, "rooted", {})["deposit"]
    assert told["growth_laws"]["averaged_over"] == {"general": 1.0}
    assert plain["growth_laws"] is None
    assert {k: v for k, v in told.items() if k not in alone} == {
        k: v for k, v in plain.items() if k not in alone
    }


def test_blends_of_which_the_same_is_said_share_a_line(choices):
    blends = {
        name: {"deposit": {"growth_laws": choices["rooted"].document()}} for name in ("a", "b")
    }
    [line] = _growth({"blends": blends | {"c": {"deposit": None}}})
    assert line["level"] == "note"
    assert line["text"].startswith("a, b: the logs speak for growth of another shape")
    assert "at first as time to the power 0.5" in line["text"]


def test_the_laws_of_a_deposit_without_bare_firings_may_hide_a_steady_one(estimate):
    """Where growth is not told from a constant deposit, growth tells no resistance."""
    along = AlongTube.of(estimate)
    assert identifiability(estimate, along, "curved").identifiable
    firings = tuple(f for f in estimate.campaign.firings if f.blend.deposit is not None)
    no_bare = replace(estimate, campaign=replace(estimate.campaign, firings=firings))
    assert identifiability(no_bare, along, "curved").identifiable
    assert not identifiability(no_bare, along, "curved", maybe_steady=True).identifiable


def test_a_stated_law_is_kept_and_contradicted(choices):
    shown = choices["steady"]
    fits = tuple(
        SimpleNamespace(law=f.law, criterion=f.criterion, fitted=f.law == "linear", bic=f.bic,
                        parameters=1.0, left_out_rms=None, converged=True, evaluations=1.0,
                        estimate=f.estimate)
        for f in shown.fits
    )
    choice = LawChoice("steady", True, fits, shown.samples)
    assert [e.unknowns.laws["steady"] for _, e in choice.members] == ["linear"]
    document = choice.document()
    assert document["contradicted"]
    assert document["text"].startswith("the case states linear growth, but the logs speak for")


def choice_of(fitted="saturating", **criterion):
    fits = tuple(
        SimpleNamespace(law=law, criterion=c, estimate=SimpleNamespace(
            unknowns=SimpleNamespace(laws={"D": law})), fitted=law == fitted, converged=False)
        for law, c in criterion.items()
    )
    return LawChoice("D", False, fits, 100.0)


def test_weights_are_those_of_the_criterion_and_a_hopeless_law_is_left_out():
    choice = choice_of(none=50.0, constant=20.0, linear=10.0, saturating=12.0)
    assert choice.weights[3] / choice.weights[2] == pytest.approx(np.exp(-1.0))
    assert choice.untold == ("linear", "saturating")
    weights = {e.unknowns.laws["D"]: w for w, e in choice.members}
    assert weights == pytest.approx({"linear": 1.0 / (1.0 + np.exp(-1.0)),
                                     "saturating": np.exp(-1.0) / (1.0 + np.exp(-1.0))})
    hopeless = choice_of(none=90.0, linear=-2.0 * np.log(UNTOLD) + 0.2, saturating=0.0)
    assert [w for w, _ in hopeless.members] == [1.0]


def test_general_growth_stands_for_the_laws_within_it():
    choice = choice_of("general", none=90.0, constant=2.0, linear=40.0, saturating=0.0, general=1.0)
    weights = {e.unknowns.laws["D"]: w for w, e in choice.members}
    inside = 1.0 + np.exp(-0.5)
    assert weights == pytest.approx(
        {"constant": np.exp(-1.0) / (inside + np.exp(-1.0)),
         "general": inside / (inside + np.exp(-1.0))}, rel=1e-6)
    assert choice.text().endswith(
        "R is averaged over a constant deposit and growth of another shape, which takes in "
        "saturating growth"
    )
    told = choice_of("general", none=90.0, constant=80.0, linear=40.0, saturating=0.0, general=1.0)
    assert [w for w, _ in told.members] == [1.0]
    assert told.text().endswith("R is that of growth of another shape, which takes in saturating "
                                "growth")


def test_a_deposit_that_may_be_none_is_averaged_over_laws_with_a_deposit():
    choice = choice_of(none=0.0, constant=3.0, linear=3.0, saturating=30.0)
    assert choice.untold[0] == "none"
    assert [w for w, _ in choice.members] == pytest.approx([0.5, 0.5])
    assert "no deposit" in choice.text()


@pytest.mark.parametrize("p", [0.025, 0.5, 0.975])
def test_quantiles_of_a_mixture(p):
    weights, mean = np.array([0.3, 0.7]), np.array([[0.0, 1.0], [2.0, 1.0]])
    sd = np.array([[1.0, 0.5], [0.2, 0.5]])
    q = mixture_quantile(p, weights, mean, sd)
    assert weights @ norm.cdf(q, mean, sd) == pytest.approx([p, p], abs=1e-12)
    assert q[1] == pytest.approx(norm.ppf(p, 1.0, 0.5))


def test_a_mixture_of_alike_laws_is_the_law(estimate):
    one = Averaged(((1.0, estimate),)).interval(lambda a: log_mean(a.resistance("dosed")))
    two = Averaged(((0.4, estimate), (0.6, estimate))).interval(
        lambda a: log_mean(a.resistance("dosed"))
    )
    assert two == pytest.approx(one, rel=1e-9)


def linear_problem(rng):
    """Three firings, two unknowns in common, one of each firing's own."""
    rows = []
    for i in range(3):
        J = np.zeros((6, 5))
        J[:, [0, 1, 2 + i]] = rng.standard_normal((6, 3))
        rows.append(Rows(f"r{i}", rng.standard_normal(6), J, np.array([2 + i]), 6))
    return Linearised(rng.standard_normal(5), tuple(rows))


def test_left_out_is_the_least_squares_fit_without_the_firing():
    problem = linear_problem(np.random.default_rng(1)).stepped()
    assert problem.J.T @ problem.r == pytest.approx(np.zeros(5), abs=1e-12)
    total = 0.0
    for i, row in enumerate(problem.rows):
        rest = Linearised(problem.z, tuple(r for r in problem.rows if r is not row)).stepped()
        dz = rest.z - problem.z
        J = np.vstack((row.J[:, [2 + i]], [[1.0]]))
        rhs = -np.append(row.r + row.J @ dz, rest.z[2 + i])
        dz[2 + i] += np.linalg.lstsq(J, rhs, rcond=None)[0][0]
        total += float(np.sum((row.r + row.J @ dz) ** 2))
    assert problem.left_out_rms({"r0", "r1", "r2"}) == pytest.approx(np.sqrt(total / 18.0))


@pytest.mark.slow
@pytest.mark.parametrize(("blend", "law"), [("dosed", "linear"), ("steady", "constant")])
def test_a_law_fitted_with_one_evaluation_is_as_fitted_whole(estimate, choices, blend, law):
    """All firings marched to convergence, noise and scatters held; R to a twentieth of its sd."""
    cheap = law_of(choices[blend], law)
    misfit = whole(estimate, with_law(estimate, blend, law))
    unknowns = misfit.unknowns
    found = solve(misfit, unknowns.prior.z(cheap.estimate.x), tolerance=1e-4)
    S = cheap.estimate.chi2 + cheap.estimate.prior_chi2
    assert found.misfit == pytest.approx(S, abs=0.3)
    C = unknowns.prior.root @ covariance(found.J)[0] @ unknowns.prior.root.T
    along = AlongTube.of(cheap.estimate)
    R = log_mean(along.resistance(blend))
    sd = float(R.sd(C))
    assert float(R.sd(cheap.estimate.covariance)) == pytest.approx(sd, rel=0.05)
    step = R.gradient @ (unknowns.prior.x(found.z) - cheap.estimate.x)
    assert abs(float(step)) < 0.05 * sd


@pytest.mark.slow
def test_a_firing_left_out_is_predicted_as_by_a_true_refit(estimate, choices):
    unknowns = estimate.unknowns
    total, samples = 0.0, 0
    for i, run in enumerate(estimate.runs):
        if estimate.campaign.firings[i].blend.name != "dosed":
            continue
        rest = whole(estimate, unknowns, [r for r in estimate.runs if r is not run])
        z = solve(rest, unknowns.prior.z(estimate.x), tolerance=1e-4).z
        own = [j for name, j in unknowns.prior.names.items() if name.endswith(f" {run.name}")]
        alone = whole(estimate, unknowns, [run])

        def mine(z_own, z=z, own=own, alone=alone):
            there = z.copy()
            there[own] = z_own
            alone.be_at(there)
            r, J = alone.of_readings()
            return np.append(r, z_own), np.vstack((J[:, own], np.eye(len(own))))

        found = solve(mine, z[own], tolerance=1e-4)
        total += found.misfit - float(found.z @ found.z)
        samples += sum(t.t.size for t in run.traces)
    expected = np.sqrt(total / samples)
    assert law_of(choices["dosed"], "saturating").left_out_rms == pytest.approx(expected, rel=0.05)


def whole(estimate, unknowns, runs=None):
    """Return the misfit of all of ``runs`` with noise and weights of ``estimate``."""
    every = _models(estimate.campaign, unknowns, estimate.resolution)
    names = [r.name for r in runs or estimate.runs]
    misfit = Misfit(unknowns, estimate.resolution, tuple(r for r in every if r.name in names),
                    Here())
    misfit.weights = {name: estimate.weights[name] for name in names}
    return misfit
