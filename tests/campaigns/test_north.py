"""A campaign from a stand nobody here controls: must run through, its truth is not known here."""

from pathlib import Path

import pytest

import wallsim

HERE = Path(__file__).parent / "north"
LOGS = Path(__file__).parents[3] / "shared" / "campaigns" / "north"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not LOGS.is_dir(), reason="the north campaign's logs are not beside this checkout"
    ),
]


@pytest.fixture(scope="module")
def result():
    return wallsim.fit(wallsim.load_case(HERE / "case.toml"))


def test_converges_in_few_evaluations_with_all_seven_runs(result):
    fit = result.document["fit"]
    assert fit["converged"]
    assert result.exit_code in (0, 5)
    assert fit["evaluations"] <= 15
    assert fit["discretisation_error_K"] <= fit["tolerance_K"]
    assert list(result.document["runs"]) == [f"n0{i}" for i in range(1, 8)]


def test_the_lost_channels_are_named_with_their_moment(result):
    runs = result.document["runs"]
    loose, burnt = runs["n05"]["channels"]["TC6"], runs["n07"]["channels"]["TC2"]
    assert "detached" in loose["verdict"]
    assert runs["n05"]["ignition_s"] < loose["used_until_s"] < runs["n05"]["shutdown_s"]
    assert "open" in burnt["verdict"]
    assert burnt["used_until_s"] < runs["n07"]["shutdown_s"]
    noisy = runs["n02"]["channels"]["TC4"]
    assert noisy["verdict"] == "spikes"
    assert "masked" in noisy["reason"]
    whole = [
        c["verdict"]
        for name, run in runs.items()
        for sensor, c in run["channels"].items()
        if (name, sensor) not in {("n05", "TC6"), ("n07", "TC2"), ("n02", "TC4")}
    ]
    assert set(whole) == {"ok"}


def test_good_channels_are_fitted_to_the_noise(result):
    for run in result.document["runs"].values():
        for channel in run["channels"].values():
            assert channel["rms_K"] < 1.0


def test_every_dosed_blend_has_an_interval(result):
    for name in ("M1", "M2", "D2"):
        R = result.document["blends"][name]["deposit"]["mean_resistance_m2K_W"]
        assert 0.0 < R["low"] < R["estimate"] < R["high"]
