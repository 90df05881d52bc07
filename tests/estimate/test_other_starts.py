"""The fit again from other starts: the same minimum, a lower one, none that can be followed."""

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import RESISTANCE
from tests.estimate.test_small_campaign import campaign
from tests.statistics.campaigns import Here
from wallsim.build import load_campaign
from wallsim.errors import InputError
from wallsim.estimate.joint import estimate_jointly
from wallsim.estimate.other_starts import SAME, _said, from_other_starts


@pytest.fixture(scope="module")
def estimate(coarse, tmp_path_factory):
    path = campaign(tmp_path_factory.mktemp("s"), {"bare": 0.0, "dosed": RESISTANCE})
    return estimate_jointly(load_campaign(wallsim.load_case(path)), Here())


def test_starts_far_from_each_other_end_at_the_minimum_of_the_fit(estimate):
    found = from_other_starts(estimate, 2, Here())
    assert found["followed"] == 2
    assert np.abs(found["misfit_above_fit"]).max() < SAME
    R = [end["dosed"] for end in found["mean_resistance_m2K_W"]]
    assert np.ptp(R) < 0.1 * np.mean(R)
    assert found["level"] == "note"
    assert "2 of 2 end at the same minimum" in found["text"]


def test_a_fit_that_stopped_in_a_false_minimum_is_told():
    found = _said(2, [-30.0, 0.1])
    assert found["level"] == "warning"
    assert "30 lower in misfit" in found["text"]


def test_ends_are_counted():
    assert "1 of 3 end at the same minimum, 2 at a higher one (misfit 12 or more above)" in _said(
        3, [0.2, 12.0, 40.0])["text"]
    assert _said(3, [0.2, 0.1])["text"].endswith("2 of 2 end at the same minimum; 1 left a metal's "
                                                 "table")
    assert "none of 3 other starts could be followed" in _said(3, [])["text"]


def test_none_are_tried_unless_asked_for_and_less_than_none_is_refused(estimate):
    assert from_other_starts(estimate, 0, Here()) is None
    with pytest.raises(InputError, match="starts: must be 0 or more"):
        wallsim.fit(estimate.campaign.case, starts=-1)
