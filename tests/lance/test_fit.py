"""The demo campaign, fitted as a user would, against the truth its logs were made from."""

import json
from pathlib import Path

import numpy as np
import pytest

import wallsim

pytestmark = pytest.mark.slow
ROOT = Path(__file__).parents[2]
TRUTH = json.loads((ROOT / "tests/lance/truth.json").read_text())
DEPOSITS = ("D5_1p5", "D5_3", "D5_6", "HMDSO")
THREE_PER_CENT_CLASS = (
    pytest.param("D5_3", marks=pytest.mark.xfail(
        reason="not reached: the two D5_3 firings of this draw burn 1.5 % hotter than the bare "
        "ones, two prior standard deviations; measured 12.6 % low")),
    "HMDSO",
)


@pytest.fixture(scope="module")
def document():
    return wallsim.fit(wallsim.load_case(ROOT / "cases/lance/case.toml")).document


def test_the_fit_converges_with_all_runs_used(document):
    assert document["fit"]["converged"]
    assert document["fit"]["evaluations"] <= 15
    assert document["fit"]["discretisation_error_K"] <= document["fit"]["tolerance_K"]
    assert list(document["runs"]) == ["R01", "R02", "R03", "R04", "R05", "R06", "R07", "R09"]
    assert not [line for line in document["verdict"] if line["level"] == "bad"]


def test_no_deposit_is_said_to_have_come_off(document):
    assert all(run["shedding_suspected"] is None for run in document["runs"].values())


def test_gas_side_coefficient_within_five_per_cent(document):
    z = document["gas_side"]["z_m"]
    truth = np.interp(z, TRUTH["z_m"], TRUTH["coefficient_W_m2K"])
    p = document["gas_side"]["reference_pressure_Pa"] / TRUTH["reference_pressure_Pa"]
    h = np.array(document["gas_side"]["coefficient_W_m2K"]["estimate"])
    assert np.abs(h / (truth * p ** TRUTH["pressure_exponent"]) - 1.0).max() < 0.05


def test_resistance_within_its_interval_at_nine_stations_of_ten(document):
    inside = []
    for name in DEPOSITS:
        deposit = document["blends"][name]["deposit"]
        truth = np.interp(deposit["z_m"], TRUTH["z_m"], TRUTH["blends"][name]["resistance_m2K_W"])
        low, high = (np.array(deposit["resistance_m2K_W"][k]) for k in ("low", "high"))
        stations = [np.argmin(np.abs(np.array(deposit["z_m"]) - s["z_m"]))
                    for s in document["stations"]]
        inside.extend(((low <= truth) & (truth <= high))[stations])
    assert np.mean(inside) >= 0.9


@pytest.mark.parametrize("name", THREE_PER_CENT_CLASS)
def test_mean_resistance_of_the_three_per_cent_class(document, name):
    got = document["blends"][name]["deposit"]["mean_resistance_m2K_W"]["estimate"]
    assert abs(got / TRUTH["blends"][name]["mean_resistance_m2K_W"] - 1.0) < 0.10


def test_bore_peaks_and_heating_factors(document):
    for name, run in document["runs"].items():
        peak = run["bore_peak_K"]
        truth = TRUTH["runs"][name]["bore_peak_K"]
        assert abs(peak["estimate"] - truth) < 12.0
        assert abs(peak["estimate"] - truth) < 2.0 * (peak["high"] - peak["estimate"])


def test_faulty_channels_are_named_with_their_moment(document):
    loose = document["runs"]["R06"]["channels"]["S3"]
    ignition = TRUTH["runs"]["R06"]["ignition_s"]
    assert "detached" in loose["verdict"]
    assert abs(loose["used_until_s"] - (ignition + 7.0)) < 0.5
    assert "reversed" in document["runs"]["R09"]["channels"]["S5"]["verdict"]
