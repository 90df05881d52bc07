"""What is said of a deposit that the logs do not tell from a lower gas-side coefficient."""

import math

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import log_rows, write
from tests.statistics.campaigns import Here
from wallsim.rounding import interval_text

pytestmark = pytest.mark.usefixtures("coarse")
H, R = 1500.0, 2e-4
NOTHING = {"estimate": None, "low": None, "high": None}
HEADER = "time [s],P [bar(g)],A [degC],B [degC]"


def logged(folder, run, resistance, seed):
    rows = log_rows(resistance, h=H, seed=seed, growth=lambda share: 1.0)
    (folder / f"{run}.csv").write_text("\n".join([HEADER, *rows]) + "\n")


def one_firing(folder, growth, **ways):
    path = write(folder, runs=(("dosed", "dosed"),), growth=growth, rows=[])
    logged(folder, "dosed", R, 3)
    return wallsim.fit(wallsim.load_case(path), executor=Here(), **ways)


@pytest.fixture(scope="module", params=["constant", "auto"])
def alone(coarse, request, tmp_path_factory):
    """One firing with a steady deposit, stated so or left open."""
    return one_firing(tmp_path_factory.mktemp(request.param), request.param)


def log_sd(interval):
    return math.log(interval["high"] / interval["low"]) / 3.92


def test_the_sum_of_gas_side_and_deposit_is_told_although_neither_is(alone):
    document, estimate = alone.document, alone.estimate
    deposit = document["blends"]["dosed"]["deposit"]
    assert not deposit["identifiable"]
    assert deposit["mean_resistance_m2K_W"] == NOTHING
    assert document["gas_side"]["coefficient_W_m2K"] == NOTHING
    both = deposit["mean_combined_resistance_m2K_W"]
    assert both["low"] < 1.0 / H + R < both["high"]
    assert log_sd(both) < 0.09
    at = deposit["combined_resistance_m2K_W"]
    assert np.all(np.array(at["low"]) < 1.0 / H + R)
    assert np.all(1.0 / H + R < np.array(at["high"]))
    sd_R = math.sqrt(estimate.covariance[(estimate.unknowns.curve("R dosed")[1],) * 2])
    assert sd_R > 5.0 * log_sd(both)


def test_a_number_that_is_withheld_is_withheld_of_the_parameters_too(alone):
    parameters = {p["name"]: p for p in alone.document["parameters"]}
    for name in ("R dosed at 25 mm", "h at 25 mm"):
        assert parameters[name]["estimate"] is None
        assert parameters[name]["prior_mean"] > 0.0
    assert parameters["heating factor dosed"]["estimate"] > 0.0


def test_the_verdict_says_what_is_told(alone):
    both = alone.document["blends"]["dosed"]["deposit"]["mean_combined_resistance_m2K_W"]
    [line] = [x for x in alone.document["verdict"] if "not identifiable" in x["text"]]
    assert line["level"] == "bad"
    assert f"mean 1/h + R = {interval_text(both, 1e6)} mm²K/W" in line["text"]
    assert alone.exit_code == 5


def test_the_report_of_a_refusal_can_be_made_and_says_the_sum(alone, tmp_path):
    folder = alone.save(tmp_path / "out")
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "1/h + R" in page
    assert "mean 1/h + R estimate [mm^2*K/W]" in (folder / "tables" / "blends.csv").read_text()


def test_growth_left_open_is_not_taken_for_told_where_laws_were_not_compared(tmp_path):
    """The fit's own law would take a steady deposit for none at all."""
    deposit = one_firing(tmp_path, "auto", laws=False).document["blends"]["dosed"]["deposit"]
    assert not deposit["identifiable"]
    assert "growth laws were not compared" in deposit["reason"]


def steady(folder, tied):
    """The fit of a deposit there from the start, its blend's coefficient tied so loosely."""
    path = write(folder, runs=(("bare", "bare"), ("dosed", "dosed")), rows=[])
    path.write_text(path.read_text().replace(
        'like = "bare"', f'like = "bare"\ncoefficient = "1 +- {tied}"'))
    logged(folder, "bare", 0.0, 4)
    logged(folder, "dosed", R, 5)
    return wallsim.fit(wallsim.load_case(path), executor=Here()).document


@pytest.mark.slow
def test_a_steady_deposit_is_below_the_limit_where_a_tied_coefficient_can_stand_for_it(tmp_path):
    """By growth laws that start at nothing the limit is below 25 mm²K/W."""
    document = steady(tmp_path, "14 %")
    deposit = document["blends"]["dosed"]["deposit"]
    assert document["fit"]["converged"]
    assert deposit["upper_limit_only"]
    assert R < deposit["upper_limit_m2K_W"] < 3.0 * R
    factor = document["blends"]["dosed"]["coefficient_factor"]
    assert factor["low"] < 1.0 < factor["high"]


@pytest.mark.slow
def test_a_steady_deposit_is_not_taken_for_none_where_a_loose_coefficient_can_stand_for_it(
    tmp_path
):
    """By growth laws that start at nothing the limit is below 25 mm²K/W."""
    document = steady(tmp_path, "30 %")
    deposit = document["blends"]["dosed"]["deposit"]
    assert not deposit["identifiable"]
    assert document["blends"]["dosed"]["coefficient_factor"] == NOTHING
    assert document["gas_side"]["coefficient_W_m2K"]["low"][0] < H
    assert H < document["gas_side"]["coefficient_W_m2K"]["high"][0]
    assert deposit["mean_combined_resistance_m2K_W"]["low"] < 1.0 / H + R
    assert 1.0 / H + R < deposit["mean_combined_resistance_m2K_W"]["high"]
