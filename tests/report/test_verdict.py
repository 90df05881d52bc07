"""The verdict's lines on channels, and advice that fits the campaign."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from wallsim.build import Campaign
from wallsim.case import load_case
from wallsim.estimate.advice import advice
from wallsim.estimate.verdict import odd_firings, verdict

SPIKE = "1 spike between {} and {} s, 4 samples masked"


def channel(found, reason):
    return {"verdict": found, "reason": reason, "rms_K": 0.5, "noise_K": 0.5}


def notes(runs):
    fit = {"converged": True, "discretisation_error_K": 0.0, "tolerance_K": 0.2}
    lines = verdict({"fit": fit, "blends": {}, "runs": runs, "parameters": []})
    return [line["text"] for line in lines]


def test_ignition_spikes_of_all_channels_share_one_line():
    near = SPIKE.format("0.35", "0.50")
    runs = {
        "r1": {"ignition_s": 0.4, "channels": {
            "a": channel("spikes", near),
            "b": channel("detached, spikes", f"junction off; not used from 6.8 s; {near}"),
            "c": channel("ok", ""),
        }},
        "r2": {"ignition_s": 0.3, "channels": {
            "a": channel("spikes, dropouts", f"{near}; 9 lost")
        }},
    }
    assert notes(runs) == [
        "b in r1 (detached): junction off; not used from 6.8 s.",
        "a in r2 (dropouts): 9 lost.",
        "Ignition spikes were masked in 3 channels of 2 runs; the table of channels says where.",
    ]


def test_spikes_away_from_ignition_are_named():
    runs = {"r1": {"ignition_s": 0.4, "channels": {
        "a": channel("spikes", SPIKE.format("0.46", "29.04"))
    }}}
    assert notes(runs) == ["a in r1 (spikes): 1 spike between 0.46 and 29.04 s, 4 samples masked."]


@pytest.fixture(scope="module")
def campaign():
    case = load_case(Path(__file__).parents[2] / "cases/lance/case.toml")
    firings = [
        SimpleNamespace(run=run, blend=case.blends[run.blend], burn=12.0,
                        events=SimpleNamespace(plateau=3.75e5))
        for run in case.runs
    ]
    return Campaign(case, tuple(firings), 3.75e5)


@pytest.mark.parametrize(
    ("cause", "blend", "text"),
    [
        ("firing-to-firing heating", "D5_3", "repeat D5_3 (so far 2 of D5_3, 3 bare)"),
        ("gas temperature, shared", "D5_3",
         "measure or calculate the gas temperature better (stated to 110 K)"),
        ("wall thickness", "D5_3", "measure the wall (stated to 0.06 mm)"),
        ("growth law of D5_3", "D5_3", "a firing of D5_3 shorter or longer than 12.0 s"),
        ("pressure exponent", "D5_3", "a bare firing at 3.75 bar abs, as D5_3"),
        ("head end", "D5_3", "insulate the head end"),
        ("something new", "D5_3", ""),
    ],
)
def test_advice_fits_the_campaign(campaign, cause, blend, text):
    assert advice(cause, campaign, blend) == text


def test_advice_on_the_ignition_clock_names_the_key(campaign):
    text = advice("ignition time", campaign, "HMDSO")
    assert "ignition_offset by it (now to 0.03 s)" in text


def test_bare_firings_are_advised_only_where_there_is_none(campaign):
    dosed = tuple(f for f in campaign.firings if f.blend.deposit is not None)
    without = replace(campaign, firings=dosed)
    assert "undosed" in advice("gas temperature, shared", without, "D5_3")
    assert advice("firing-to-firing heating", without, "D5_3").startswith("repeat the bare firing")


def test_a_firing_that_heated_far_off_the_scatter_fails_the_gate():
    document = {
        "fit": {"scatter_between_firings": {"heating_scatter": {"stated": 0.025}}},
        "runs": {name: {"heating_factor": {"estimate": factor}}
                 for name, factor in (("F1", 0.97), ("F2", 1.08), ("F4", 2.83))},
    }
    lines = odd_firings(document)
    assert [line["level"] for line in lines] == ["bad"]
    assert lines[0]["text"].startswith("F4 heated 2.83 times")
