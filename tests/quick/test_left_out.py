"""Firings that are not compared at equal time: neither averaged in nor dropped without a word."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import wallsim
from tests.report import sample
from wallsim.build import load_campaign
from wallsim.case.model import Shed
from wallsim.estimate.by_hand import by_hand
from wallsim.quick.witnesses import quick_looks
from wallsim.report.compared import hand_method
from wallsim.report.document import plain
from wallsim.report.quick_looks import draw_quick_looks

ROOT = Path(__file__).parents[2]
SHED = "deposit came off during the burn"


@pytest.fixture(scope="module")
def campaign():
    return load_campaign(wallsim.load_case(ROOT / "cases/lance/case.toml"))


def changed(campaign, name, change):
    firings = [change(f) if f.run.name == name else f for f in campaign.firings]
    return replace(campaign, firings=tuple(firings))


def shed(firing):
    # Moment and share are any quantities: nobody here reads them.
    any_ = firing.blend.coefficient
    return replace(firing, run=replace(firing.run, shed=Shed(any_, any_, 0.0)))


def pressed(factor):
    def change(firing):
        plateau = factor * firing.events.plateau
        return replace(firing, events=replace(firing.events, plateau=plateau))

    return change


def without(campaign, name):
    return replace(campaign, firings=tuple(f for f in campaign.firings if f.run.name != name))


def same(got, expected):
    for key in ("temperature_K", "slope_K_s"):
        for end in ("estimate", "low", "high"):
            np.testing.assert_allclose(got[key][end], expected[key][end])


def of_blend(campaign, blend="D5_3"):
    return next(entry for entry in by_hand(campaign) if entry["blend"] == blend)


def test_a_firing_in_which_deposit_came_off_is_not_averaged_by_hand(campaign):
    got, expected = (of_blend(c) for c in (changed(campaign, "R07", shed),
                                          without(campaign, "R07")))
    assert got["runs"] == expected["runs"] == ["R03"]
    assert got["left_out"] == expected["left_out"] | {"R07": SHED}
    assert set(expected["left_out"]) == {"R02"}
    same(got, expected)


def test_a_firing_in_which_deposit_came_off_is_no_point_of_the_quick_looks(campaign):
    got = quick_looks(changed(campaign, "R07", shed))
    expected = quick_looks(without(campaign, "R07"))
    assert got["left_out"] == {"R07": SHED}
    for method, found in expected["blends"]["D5_3"].items():
        assert got["blends"]["D5_3"][method]["runs"] == ["R03"]
        for end, values in found["mean_resistance_m2K_W"].items():
            np.testing.assert_allclose(
                got["blends"]["D5_3"][method]["mean_resistance_m2K_W"][end], values)
    assert "R07" in got["runs"]
    document = plain(sample.document()) | {"quick_looks": got}
    (drawing,) = draw_quick_looks(document)
    assert f"R07 ({SHED})" in drawing.caption


def test_firings_at_another_pressure_are_named(campaign):
    high = changed(changed(campaign, "R07", pressed(1.3)), "R05", pressed(0.75))
    entry = of_blend(high)
    assert entry["runs"] == ["R03"]
    assert "R05" not in entry["bare_runs"]
    first = next(f for f in campaign.firings if f.run.name == "R03").events.plateau
    for f in high.firings:
        if f.run.name in ("R05", "R07"):
            apart = 100.0 * (f.events.plateau / first - 1.0)
            side = "above" if apart > 0.0 else "below"
            assert entry["left_out"][f.run.name] == (
                f"pressure {abs(apart):.0f} % {side} that of R03")
    table = hand_method({"comparisons": {"by_hand": [entry]}})
    assert table["left out"].str.contains("R07 (pressure 3", regex=False).all()


def test_a_blend_with_nothing_to_compare_is_one_row_that_says_so(campaign):
    lost = changed(changed(campaign, "R07", shed), "R03", shed)
    entry = of_blend(lost)
    assert entry["left_out"]["R03"] == entry["left_out"]["R07"] == SHED
    table = hand_method({"comparisons": {"by_hand": by_hand(lost)}})
    row = table[table["blend"] == "D5_3"]
    assert len(row) == 1
    assert row["sensor"].isna().all()
    looks = quick_looks(lost)
    assert "D5_3" not in looks["blends"]
    assert looks["left_out"] == {"R03": SHED, "R07": SHED}
