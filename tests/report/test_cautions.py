"""What a result rests on is said: contradictions, growth alone, lead losses pulled both ways."""

import pytest

from wallsim.estimate.cautions import cautions, pulled_both_ways, pulled_one_way
from wallsim.estimate.verdict import verdict

FIT = {"converged": True, "discretisation_error_K": 0.0, "tolerance_K": 0.2}


def deposit(identifiable=True, upper_limit_only=False):
    return {"identifiable": identifiable, "upper_limit_only": upper_limit_only}


def document(blends, runs):
    return {"blends": {name: {"deposit": d} for name, d in blends.items()},
            "runs": {str(i): {"blend": blend} for i, blend in enumerate(runs)}}


def test_growth_without_a_bare_firing_is_a_warning():
    (line,) = cautions(document({"a": deposit(), "b": deposit()}, ["a", "b"]))
    assert line["level"] == "warning"
    assert line["text"].startswith("a, b: no firing is bare, so the resistance rests on its growth")
    assert line["text"].endswith("Add a bare firing.")


@pytest.mark.parametrize(("blends", "runs"), [
    ({"a": deposit(), "bare": None}, ["a", "bare"]),
    ({"a": deposit(identifiable=False)}, ["a"]),
    ({"a": deposit(upper_limit_only=True)}, ["a"]),
])  # fmt: skip
def test_no_such_warning_where_there_is_a_bare_firing_or_no_number(blends, runs):
    assert cautions(document(blends, runs)) == []


def test_a_bare_blend_that_was_not_fired_does_not_count():
    assert cautions(document({"a": deposit(), "bare": None}, ["a"]))


def test_contradictions_of_case_and_logs_stand_in_the_verdict():
    lines = verdict({"fit": FIT, "blends": {}, "runs": {}, "parameters": [],
                     "remarks": ["case.toml:3: tube.outside.ambient: off"]})
    assert lines == [{"level": "warning",
                      "text": "case.toml:3: tube.outside.ambient: off."}]


def parameter(name, estimate):
    return {"name": name, "estimate": estimate, "prior_mean": 0.02, "prior_sd": 0.015, "unit": "1",
            "far_from_prior": True}


def test_lead_losses_pulled_both_ways_point_at_the_heating_along_the_tube():
    both = [parameter("lead loss T1", 0.08), parameter("lead loss T2", -0.04)]
    assert "gas_temperature_along" in pulled_both_ways(both)
    assert pulled_both_ways(both[:1]) == ""
    assert pulled_both_ways([parameter("lag T1", 0.08), parameter("lag T2", -0.04)]) == ""
    (line,) = verdict({"fit": FIT, "blends": {}, "runs": {}, "parameters": both})
    assert "lead loss T1 (0.08 against 0.02 +- 0.015), lead loss T2" in line["text"]
    assert line["text"].endswith("see gas_temperature_along, the ends, and each z.")


@pytest.mark.parametrize(("name", "pull", "level"), [
    ("conductivity scale", 14.0, "bad"), ("wall thickness", -5.5, "bad"),
    ("heat capacity scale", 4.0, "warning"), ("lead loss T1", 7.0, "warning"),
])
def test_a_wall_that_is_not_as_stated_is_a_problem(name, pull, level):
    found = parameter(name, 1.43) | {"pull": pull}
    (line,) = verdict({"fit": FIT, "blends": {}, "runs": {}, "parameters": [found]})
    assert line["level"] == level
    assert f"{name} (1.43 against 0.02 +- 0.015)" in line["text"]
    assert ("Check metal, bore and wall, and the clock" in line["text"]) == (level == "bad")


def offsets(pulls, far=False):
    return [{"name": f"ignition offset r{i}", "estimate": 0.03 * pull, "prior_mean": 0.0,
             "prior_sd": 0.03, "unit": "s", "pull": pull, "far_from_prior": far}
            for i, pull in enumerate(pulls)]


def test_errors_of_one_kind_that_all_go_one_way_are_remarked():
    assert pulled_one_way(offsets([2.5, 2.5, 2.5, 2.5])) == {"ignition offset ": (
        "The ignition offsets of the firings lie to one side of what is stated, on average 0.075 "
        "against 0 +- 0.03 s for each. The pressure's clock may run apart from the thermocouples', "
        "or burning start otherwise than the pressure tells: state ignition_offset in [fit] as "
        "found, or mend the clocks.")}
    assert pulled_one_way(offsets([2.5, -2.5, 2.5, 2.5])) == {}
    assert pulled_one_way(offsets([2.5, 2.5])) == {}
    # half a scan late in all firings
    assert pulled_one_way(offsets([1.7] * 5)) == {}


def test_what_goes_one_way_is_not_named_firing_by_firing_too():
    both = [*offsets([6.0, 6.0, 6.0], far=True), parameter("lead loss T1", 0.08)]
    kind, single = verdict({"fit": FIT, "blends": {}, "runs": {}, "parameters": both})
    assert kind["text"].startswith("The ignition offsets of the firings lie")
    assert "lead loss T1" in single["text"]
    assert "ignition offset" not in single["text"]


def test_a_share_at_its_bound_has_no_unit():
    bound = {"parameter": "lead loss T1", "estimate": -0.03, "bound": 0.0, "unit": "1",
             "beyond": True}
    (line,) = verdict({"fit": FIT | {"at_bounds": [bound]}, "blends": {}, "runs": {},
                       "parameters": []})
    assert line["text"].startswith("lead loss T1 is estimated at -0.03, beyond its bound of 0.")
