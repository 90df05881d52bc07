"""Whole simulated campaigns: fraction retained told, loss noticed, none imagined."""

import pytest

import wallsim
from tests.carry_over.campaign import base, changed, write
from tests.statistics.campaigns import Here

pytestmark = pytest.mark.slow
RETAINED, LOST, MOMENT = 0.7, 0.6, 6.0


def fitted(folder, campaign, **lines):
    path = write(folder / "c", campaign, R04='start = "as left by R03"', **lines)
    return wallsim.fit(wallsim.load_case(path), executor=Here()).document


def suspected(document):
    return {n: run["shedding_suspected"] for n, run in document["runs"].items()}


def holds(interval, value):
    return interval["low"] < value < interval["high"]


def test_what_was_retained_and_lost_lies_in_its_interval(tmp_path):
    campaign = changed(base(1000), R04={"after": "R03", "retained": RETAINED},
                       R07={"shed_at": MOMENT, "lost": LOST})
    document = fitted(tmp_path, campaign, R07='shed = "5.7 s +- 1 s"')
    carried, lost = (document["runs"][n]["deposit"] for n in ("R04", "R07"))
    assert holds(carried["retained_fraction"], RETAINED)
    assert holds(lost["shedding"]["lost_fraction"], LOST)
    ignition = next(f.ignition for f in campaign.firings if f.name == "R07")
    assert holds(lost["shedding"]["time_s"], MOMENT + ignition)
    assert set(suspected(document).values()) == {None}


def test_a_loss_not_told_of_is_noticed_in_its_firing_alone(tmp_path):
    """Its blend was fired twice: the whole firing, misfitted too, must not be suspected."""
    campaign = changed(base(1002), R04={"after": "R03", "retained": RETAINED},
                       R07={"shed_at": 8.0, "lost": 0.4})
    found = suspected(fitted(tmp_path, campaign))
    assert [run for run, one in found.items() if one] == ["R07"]
    ignition = next(f.ignition for f in campaign.firings if f.name == "R07")
    assert holds(found["R07"]["time_s"], 8.0 + ignition)


def test_no_loss_is_noticed_where_there_was_none(tmp_path):
    campaign = changed(base(1001), R04={"after": "R03", "retained": RETAINED})
    document = fitted(tmp_path, campaign)
    assert set(suspected(document).values()) == {None}
    assert holds(document["runs"]["R04"]["deposit"]["retained_fraction"], RETAINED)
