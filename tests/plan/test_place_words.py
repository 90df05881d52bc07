"""Answers of a placement in words."""

from __future__ import annotations

import pytest

from wallsim.plan.place_words import _how_long, _how_many, answers


def station(z, depth=0.0, welded=False):
    return {"z_m": z, "depth_m": depth, "welded_already": welded}


def limit(peak, cautious, *, burn=10.0, upper=None):
    """The part of a document on the bore's limit, of one firing."""
    run = {"name": "bare", "burn_s": burn, "bore_peak_K": peak, "time_s": 12.0,
           "time_higher_s": upper or cautious / 0.7, "cautious_s": cautious, "note": ""}
    return {"temperature_K": 1100.0, "run": "bare", "higher": 1.5, "for_instance": 1.3,
            "margin": 0.7, "runs": [run], "time_for_instance_s": 9.0,
            **{k: run[k] for k in ("burn_s", "time_s", "time_higher_s", "note", "cautious_s")}}


def document(**changes):
    """A document of two wants, three thermocouples and no goal."""
    of_number = {"thermocouples": 3, "half_widths": [0.2, 0.1], "evenly_spaced": 0.3,
                 "even_stations": [station(0.02), station(0.05), station(0.08)],
                 "even_stations_fit": True}
    burns = [{"factor": f, "burn_s": 10.0 * f, "half_widths": [0.2 / f, 0.1],
              "bore_peak_K": 300.0 + 75.0 * 10.0 * f, "note": ""} for f in (0.6, 1.0, 1.25)]
    want = {"text": "R of dosed", "unit": "1", "half_width": 0.2, "z_m": None, "between_m": None}
    out = {
        "planned": [{"name": "bare", "burn_s": 10.0}, {"name": "with", "burn_s": 10.0}],
        "goal": None, "slips": [], "bare_added": None, "limit": None, "plain": None,
        "wants": [want, want | {"text": "h", "half_width": 0.1}], "keep_out_m": [[0.0, 0.025]],
        "stations": [station(0.07), station(0.02, welded=True), station(0.05)],
        "against_number": [of_number], "against_burn": burns, "against_repeats": [],
        "against_rate": [{"rate_Hz": 1.0, "half_widths": [0.2, 0.1]}],
        "against_lag": [{"lag_s": 0.1, "half_widths": [0.2, 0.1]}],
        "worth": [{"what": "one more firing: with", "advice": "", "half_width": 0.152}],
    }
    return out | changes


def said(doc, question):
    return next(a["text"] for a in answers(doc) if a["question"] == question)


@pytest.mark.parametrize(("half_widths", "words", "enough"), [
    ([0.4, 0.3, 0.2], "4, the most looked at, give 20 %; 3 give 30 %.", 3),
    ([0.4, 0.203, 0.2],
     "3 give 20.3 %, within 3 % of what 4, the most looked at, give (20 %).", 3),
    ([0.3, 0.2, 0.25],
     "3 give 20 %; 4, the most looked at, give 25 %: so many do not fit at better places.", 2),
])
def test_thermocouples_are_not_compared_with_themselves(half_widths, words, enough):
    rows = [{"thermocouples": n, "half_widths": [w]} for n, w in enumerate(half_widths, 2)]
    doc = {"against_number": rows, "goal": None}
    assert _how_many(doc, {"unit": "1"}) == words
    doc["goal"] = 0.3
    assert _how_many(doc, {"unit": "1"}) == f"{enough} are enough for the goal of 30 %. {words}"


def test_one_thermocouple_is_singular():
    doc = {"against_number": [{"thermocouples": 1, "half_widths": [0.4]}], "goal": 0.5}
    assert _how_many(doc, {"unit": "1"}) == (
        "1 is enough for the goal of 50 %. 1, the most looked at, gives 40 %.")


def test_a_burn_planned_beyond_the_limit_is_a_problem_and_comes_first():
    first = answers(document(limit=limit(1120.0, 6.0)))[0]
    assert first["level"] == "bad"
    assert first["question"] == "Beyond the limit"
    assert "bare (10 s) takes the bore to 847 °C" in first["text"]
    assert "beyond its limit of 827 °C" in first["text"]


def test_a_burn_planned_beyond_the_cautious_one_is_a_warning():
    first = answers(document(limit=limit(1050.0, 6.0)))[0]
    assert first["level"] == "warning"
    assert "bare (10 s, cautious 6.0 s)" in first["text"]
    assert "level" not in answers(document(limit=limit(1050.0, 10.5)))[0]


def test_the_burn_recommended_stays_below_the_limit_and_says_that_it_is_not_cautious():
    doc = document(limit=limit(1050.0, 6.5))
    text = _how_long(doc, doc["wants"][0])
    assert "the smallest interval (20 %) comes of 10 s, but bare is then longer than its " \
        "cautious first burn of 6.5 s." in text
    assert "a cautious first burn is 0.7 of that, 6.5 s" in text
    assert "12.5 s" not in text


def test_burns_that_differ_are_named_one_by_one():
    doc = document(planned=[{"name": "bare", "burn_s": 13.0}, {"name": "with", "burn_s": 10.0}])
    text = _how_long(doc, doc["wants"][0])
    assert "comes of burns 1.25 times as long as planned (bare 16.2 s, with 12.5 s)." in text
    assert "Without limit_temperature in [fit]" in text


def test_with_h_stated_too_widely_no_burn_is_called_cautious():
    doc = document(limit=limit(1050.0, None, upper=0.4))
    assert "no burn can be called cautious" in answers(doc)[0]["text"]
    text = _how_long(doc, doc["wants"][0])
    assert "no burn can be called cautious" in text
    assert "state it more narrowly" in text
    assert "for instance at most 30 % higher" in text


def test_a_plan_without_a_bare_firing_is_told_to_add_one_first():
    doc = document(bare_added={"run": "bare, else as with", "half_width": 0.08})
    first = answers(doc)[0]
    assert first["level"] == "warning"
    assert "to within 8 % instead of 20 %" in first["text"]
    assert said(doc, "What else would help?").startswith(
        "a bare firing first of all (20 % becomes 8 %); ")


def test_stations_are_in_order_marked_and_judged_against_even_spacing():
    text = said(document(), "Where?")
    assert text.startswith("At 20 mm (welded already), 50 mm, 70 mm from the head end.")
    assert "Spaced evenly it would be 30 %, not 20 %." in text
    assert "kept out: 20 mm." in text
    assert "Only the first want, R of dosed, decides where." in text
    doc = document()
    doc["against_number"][0]["evenly_spaced"] = 0.205
    assert said(doc, "Where?").startswith("Space them evenly, at 20 mm, 50 mm, 80 mm")


def test_wells_are_weighed_against_none():
    doc = document(stations=[station(0.05, 0.002), station(0.07)], plain=0.21)
    text = said(doc, "Where?")
    assert "50 mm (2 mm deep)" in text
    assert "As many without wells give 21 %, against 20 %. A well weakens a wall" in text


def test_what_else_says_from_which_interval_to_which():
    assert said(document(), "What else would help?") == (
        "one more firing: with (20 % becomes 15.2 %).")


def test_a_goal_missed_is_a_problem_and_where_a_peak_may_be_is_said():
    want = {"text": "bore peak of bare", "unit": "K", "half_width": 12.0, "z_m": 0.064,
            "between_m": [0.03, 0.08]}
    doc = document(wants=[want], goal=10.0)
    answer = next(a for a in answers(doc) if a["question"] == "How sure will it be?")
    assert answer["level"] == "bad"
    assert "is not met" in answer["text"]
    assert "expected at 64 mm and may be anywhere from 30 to 80 mm" in answer["text"]
