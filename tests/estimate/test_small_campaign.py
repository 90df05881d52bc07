"""A tiny campaign fitted whole: two deposits compared, one that is not there, one too hot."""

import re
from dataclasses import replace

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import RESISTANCE, log_rows, write
from tests.statistics.campaigns import Here
from wallsim.build import load_campaign
from wallsim.estimate.joint import Misfit, _models, estimate_jointly
from wallsim.estimate.limits import TOLD_FROM_NONE, of_traces
from wallsim.estimate.readouts import AlongTube
from wallsim.estimate.unknowns import Unknowns
from wallsim.estimate.verdict import verdict
from wallsim.regression.least_squares import solve

pytestmark = pytest.mark.usefixtures("coarse")
BLENDS = {"bare": 0.0, "dosed": RESISTANCE, "more": 2.0 * RESISTANCE, "none": 0.0}
SOFTENING = 900.0
HEADER = "time [s],P [bar(g)],A [degC],B [degC]"


def campaign(folder, blends):
    """Write one firing of each blend, its deposit as given, and return the case file."""
    path = write(folder, runs=[(name, name) for name in blends], rows=[])
    for seed, (name, R) in enumerate(blends.items()):
        (folder / f"{name}.csv").write_text("\n".join([HEADER, *log_rows(R, seed=seed)]) + "\n")
    others = "".join(
        f'[blend.{name}]\nlike = "bare"\ndeposit = {{ growth = "auto" }}\n'
        for name in blends if name not in ("bare", "dosed")
    )
    path.write_text(path.read_text().replace("[fit]", f"{others}[fit]"))
    return path


@pytest.fixture(scope="module")
def document(coarse, tmp_path_factory):
    path = campaign(tmp_path_factory.mktemp("c"), BLENDS)
    softening = f'growth = "auto", softening = "{SOFTENING:g} K"'
    path.write_text(path.read_text().replace('growth = "auto"', softening, 1))
    return wallsim.fit(wallsim.load_case(path), executor=Here(), laws=False).document


def test_a_deposit_that_is_not_there_gets_an_upper_limit_and_a_reason(document):
    deposit = document["blends"]["none"]["deposit"]
    assert deposit["upper_limit_only"]
    # two firings whose heating scatters by 2.5 %, the deposit known to be there from the start;
    # that it grows can only narrow it
    h = np.mean(document["gas_side"]["coefficient_W_m2K"]["estimate"])
    assert 0.0 < deposit["upper_limit_m2K_W"] < 1.96 * np.sqrt(2.0) * 0.025 / h
    assert "standard deviations above none" in deposit["reason"]
    assert deposit["mean_resistance_m2K_W"] == {
        "estimate": None, "low": None, "high": pytest.approx(deposit["upper_limit_m2K_W"])
    }
    odds = deposit["heat_load_removed"]["high"] / (1.0 - deposit["heat_load_removed"]["high"])
    assert odds == pytest.approx(h * deposit["upper_limit_m2K_W"], rel=0.2)
    assert document["blends"]["dosed"]["deposit"]["upper_limit_m2K_W"] is None


def test_the_difference_of_two_deposits_holds_the_truth_and_is_surer_than_its_parts(document):
    found = document["comparisons"]
    assert list(found["left_out"]) == ["none"]
    [pair] = found["pairs"]
    assert (pair["blend"], pair["against"]) == ("dosed", "more")
    got, naive = pair["mean_resistance_m2K_W"], pair["mean_resistance_m2K_W_naive"]
    assert naive["low"] < got["low"] < -RESISTANCE < got["high"] < naive["high"]
    assert pair["mean_resistance_ratio"]["low"] < 0.5 < pair["mean_resistance_ratio"]["high"]
    assert pair["probability_higher"] < 1e-3
    assert [row["blend"] for row in found["ranking"]] == ["more", "dosed"]
    assert found["response"]["reason"].startswith("not enough blends")


def test_the_hand_method_sees_the_colder_wall_but_has_no_interval_from_one_bare_firing(document):
    by_hand = {entry["blend"]: entry for entry in document["comparisons"]["by_hand"]}
    for name in ("dosed", "more"):
        entry = by_hand[name]
        assert entry["bare_runs"] == ["bare"]
        assert all(T[-1] < -5.0 for T in entry["temperature_K"]["estimate"])
        assert np.isnan(entry["temperature_K"]["low"]).all()
    assert all(abs(T[-1]) < 5.0 for T in by_hand["none"]["temperature_K"]["estimate"])


def test_a_deposit_hotter_than_it_can_be_is_flagged(document):
    found = document["blends"]["dosed"]["deposit"]["softening"]
    assert found["exceeded"]
    run = document["runs"]["dosed"]
    i = int(np.argmin(np.abs(np.array(run["z_m"]) - found["z_m"])))
    R = document["blends"]["dosed"]["deposit"]["resistance_m2K_W"]["estimate"][i]
    T, q = (run[k]["estimate"][i] for k in ("bore_temperature_K", "heat_flux_W_m2"))
    assert found["surface_K"]["estimate"] == pytest.approx(T + q * R)
    assert document["blends"]["more"]["deposit"]["softening"] is None
    [line] = [x["text"] for x in document["verdict"] if "softening temperature" in x["text"]]
    assert line.startswith("dosed:")
    assert "627 degC" in line


def test_the_residuals_of_a_true_model_pass(document):
    test = document["fit"]["residual_test"]
    assert test["traces"] == 8
    assert test["passed"]
    white = document["runs"]["bare"]["channels"]["A"]["whitened"]
    assert white["values"] > 60
    assert white["rms"] == pytest.approx(1.0, abs=0.2)


def test_a_failed_trace_and_a_parameter_beyond_its_bound_are_problems(document):
    whitened = {"runs": 20, "runs_expected": 60.4, "p_adjusted": 2e-9, "interval_factor": 2.3}
    runs = {"bare": {"ignition_s": 0.0, "channels": {"A": {
        "rms_K": 0.3, "noise_K": 0.3, "verdict": "ok", "reason": "", "whitened": whitened}}}}
    bound = {"parameter": "emissivity", "estimate": 1.4, "bound": 1.0, "unit": "1", "beyond": True}
    fit = document["fit"] | {
        "at_bounds": [bound],
        "residual_test": {"traces": 8, "failed": [{"run": "bare", "channel": "A"}]},
    }
    lines = verdict({"fit": fit, "blends": {}, "runs": runs, "parameters": []})
    assert [line["level"] for line in lines] == ["bad", "bad"]
    assert lines[0]["text"].startswith("A in bare: its residuals are not independent")
    assert "2.3 times too narrow" in lines[0]["text"]
    assert "emissivity is estimated at 1.4" in lines[1]["text"]


def linearised_and_refitted(folder, R, growth):
    """What no deposit costs in chi-squared, as linearised and refitted without the deposit.

    Noise and scatter held, so the doubt of the scatter is not in the covariance here; the prior
    of the deposit's level does not count.
    """
    path = campaign(folder, {"bare": 0.0, "dosed": R})
    path.write_text(path.read_text().replace('growth = "auto"', f'growth = "{growth}"'))
    estimate = estimate_jointly(load_campaign(wallsim.load_case(path)), Here())
    prior, x = estimate.unknowns.prior, estimate.x
    J = np.vstack([row.in_z(prior.root)[1] for row in estimate.rows])
    held = prior.root @ np.linalg.inv(J.T @ J + np.eye(x.size)) @ prior.root.T
    expected = of_traces(
        replace(estimate, covariance=held), AlongTube.of(estimate), "dosed").ratio ** 2
    at = [prior.names[f"R dosed at {1e3 * z:.0f} mm"] for z in estimate.unknowns.knots]
    P = np.linalg.inv((prior.root @ prior.root.T)[np.ix_(at, at)])
    level = float(np.ones(len(at)) @ P @ (x[at] - prior.mean[at])) ** 2 / float(P.sum())
    path.write_text(re.sub(r"deposit = .*", "", path.read_text()))
    bare = load_campaign(wallsim.load_case(path))
    unknowns = Unknowns.of(bare)
    misfit = Misfit(unknowns, estimate.resolution, _models(bare, unknowns, estimate.resolution),
                    Here())
    misfit.weights = dict(estimate.weights)
    without = solve(misfit, np.zeros(len(unknowns.prior.parameters)), tolerance=1e-3, most=30)
    cost = without.misfit - estimate.chi2 - estimate.prior_chi2 + level
    return expected, cost


@pytest.mark.slow
@pytest.mark.parametrize(("R", "growth"), [(1e-5, "linear"), (3e-5, "linear"), (1e-5, "auto")])
def test_what_no_deposit_costs_is_as_linearised(tmp_path, R, growth):
    linearised, refitted = linearised_and_refitted(tmp_path, R, growth)
    assert linearised == pytest.approx(refitted, rel=0.25, abs=1.0)


@pytest.mark.slow
def test_with_growth_open_a_deposit_well_told_is_a_value_by_less_than_a_refit_says(tmp_path):
    """Far from none a line is no match for an open shape, and errs on the side of the limit."""
    linearised, refitted = linearised_and_refitted(tmp_path, 3e-5, "auto")
    assert TOLD_FROM_NONE**2 < linearised < refitted
