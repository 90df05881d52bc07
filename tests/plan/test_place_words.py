"""Answers of a placement in words."""

from __future__ import annotations

import pytest

from wallsim.plan.place_burn_words import how_long
from wallsim.plan.place_limit import ON_A_MESH, _set_cautious, factors
from wallsim.plan.place_words import _how_many, answers


def station(z, depth=0.0, welded=False):
    return {"z_m": z, "depth_m": depth, "welded_already": welded}


def bore(peak, low=None, cautious=None, *, burn=10.0, high=1400.0):
    """The row of one firing's bore."""
    times = {"estimate": 12.0, "low": low, "high": None}
    return {"name": "bare", "burn_s": burn, "peak_K": {"estimate": peak, "low": 700.0,
            "high": high}, "limit_time_s": times, "cautious_s": cautious, "note": ""}


def planned(name, blend, burn=10.0):
    return {"name": name, "blend": blend, "burn_s": burn, "pressure_Pa": 8e5}


def limit(peak, cautious, *, low=None, high=1400.0):
    """The parts of a document on the bore's limit, of one firing."""
    low = cautious / 0.7 if low is None else low
    cause = {"what": "gas-side coefficient along the tube", "share": 0.9, "low_without_s": 9.0}
    return {"bore": [bore(peak, low, cautious, high=high)],
            "limit": {"temperature_K": 1100.0, "margin": 0.7, "run": "bare", "cause": cause}}


def document(**changes):
    """A document of two wants, three thermocouples and no goal."""
    of_number = {"thermocouples": 3, "stations": [], "plain": None, "half_widths": [0.2, 0.1],
                 "evenly_spaced": 0.3,
                 "even_stations": [station(0.02), station(0.05), station(0.08)],
                 "even_stations_fit": True}
    burns = [{"factor": f, "burn_s": 10.0 * f, "half_widths": [0.2 / f, 0.1],
              "bore_peak_K": 300.0 + 75.0 * 10.0 * f, "note": "", "means": ""}
             for f in (0.6, 1.0, 1.25)]
    want = {"text": "R of dosed", "unit": "1", "half_width": 0.2, "z_m": None, "between_m": None}
    out = {
        "planned": [planned("bare", "neat"), planned("with", "dosed")], "spacing_m": 0.01,
        "goal": None, "slips": [], "remarks": {}, "bare_added": None, "limit": None, "plain": None,
        "bore": [bore(1050.0) | {"limit_time_s": None}], "metal_limits": {"steel": {}},
        "case": {"title": "", "path": "plan.toml"}, "tube_length_m": 0.1,
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
    rows = [{"thermocouples": n, "half_widths": [w], "stations": []}
            for n, w in enumerate(half_widths, 2)]
    doc = {"against_number": rows, "goal": None}
    assert _how_many(doc, {"unit": "1"}) == words
    doc["goal"] = 0.3
    assert _how_many(doc, {"unit": "1"}) == f"{enough} are enough for the goal of 30 %. {words}"


def test_one_thermocouple_is_singular():
    doc = {"against_number": [{"thermocouples": 1, "half_widths": [0.4], "stations": []}],
           "goal": 0.5}
    assert _how_many(doc, {"unit": "1"}) == (
        "1 is enough for the goal of 50 %. 1, the most looked at, gives 40 %.")


def test_a_burn_planned_beyond_the_limit_is_a_problem_and_comes_first():
    first = answers(document(**limit(1120.0, 6.0)))[0]
    assert first["level"] == "bad"
    assert first["question"] == "Beyond the limit"
    assert "bare (10 s) takes the bore to 847 °C" in first["text"]
    assert "beyond its limit of 827 °C" in first["text"]


def test_a_cautious_burn_is_one_number_rounded_down():
    row = bore(1050.0, 4.97)
    _set_cautious([row], {"bare": 5e5})
    assert row["cautious_s"] == 3.4
    assert factors([row])["cautious"] * row["burn_s"] == pytest.approx(3.4)


def test_a_burn_planned_beyond_the_cautious_one_is_a_warning():
    first = answers(document(**limit(1050.0, 6.0)))[0]
    assert first["level"] == "warning"
    assert "bare (10 s, cautious 6.0 s)" in first["text"]
    assert "level" not in answers(document(**limit(1050.0, 10.5)))[0]


def test_without_a_limit_that_is_said_first_with_the_bore_to_be_expected_and_nothing_is_praised():
    doc = document(metal_limits={"steel": {"oxidation": 1000.0, "solidus": 1700.0}})
    first = answers(doc)[0]
    assert (first["level"], first["question"]) == ("warning", "No limit stated")
    assert "bare (10 s) 777 (427 to 1127) °C." in first["text"]
    assert "steel states an oxidation limit of 727 °C, passed and a solidus of 1427 °C." \
        in first["text"]
    text = said(doc, "How long?")
    assert text.startswith("6 s gives 33.3 %, with the bore at 477 °C; 12.5 s gives 16 %, with")
    assert "smallest" not in text
    assert "is not judged without limit_temperature" in text


def test_with_a_limit_each_firing_says_how_hot_it_becomes():
    text = said(document(**limit(1050.0, 6.0)), "How hot?")
    assert "bare (10 s) 777 (427 to 1127) °C; limit 827 °C." in text
    assert "By the intervals of peak or time bare may pass the limit." in text
    cool = document(**limit(1050.0, 6.0, high=1090.0))
    assert "may pass" not in said(cool, "How hot?")
    cool["bore"][0]["bare"] = True
    assert "By the intervals of peak or time bare may pass the limit." in said(cool, "How hot?")
    cool["bore"][0]["limit_time_s"] = {"estimate": 12.0, "low": 10.5, "high": None}
    assert "may pass" not in said(cool, "How hot?")


def test_an_oxidation_limit_below_the_limit_stated_is_warned_of():
    doc = document(**limit(1050.0, 10.5, high=1090.0),
                   metal_limits={"steel": {"oxidation": 1040.0, "solidus": 1700.0}})
    first = answers(doc)[0]
    assert (first["level"], first["question"]) == ("warning", "Beyond oxidation")
    assert first["text"] == ("bare takes the bore beyond the oxidation limit of steel, 767 °C, "
                             "which is below the limit stated.")
    doc["metal_limits"]["steel"]["oxidation"] = 1060.0
    assert answers(doc)[0]["text"].startswith("bare may take the bore beyond the oxidation limit")
    for kept in (1095.0, 1150.0):
        doc["metal_limits"]["steel"]["oxidation"] = kept
        assert "level" not in answers(doc)[0]


def test_a_goal_met_only_beyond_the_limit_is_told_as_one_thing():
    doc = document(goal=0.21, **limit(1120.0, 4.0))
    doc["against_burn"] = [
        {"factor": f, "burn_s": 10.0 * f, "half_widths": [0.2 / f, 0.1], "bore_peak_K": T,
         "note": "", "means": means}
        for f, T, means in ((0.4, 700.0, "cautious"), (0.9, 1099.0, "limit"), (1.0, 1120.0, ""))]
    assert "The goal of 21 % is met, but by burns that take the bore beyond its limit." in said(
        doc, "How sure will it be?")
    text = said(doc, "How long?")
    assert "the smallest interval (22.2 %) comes of 9 s, the longest that does, but bare" in text
    assert "Cautious first burns (4 s) give 50 %." in text
    assert "The goal of 21 % takes 10 s, with the bore at 847 °C, beyond its limit." in text
    assert "None of" not in text


def test_what_looks_like_a_slip_is_one_answer():
    doc = document(slips=["plan.toml:4: tube.bore: unusual", "plan.toml:9: run[a].burn: too long"])
    (text,) = (a["text"] for a in answers(doc) if a["question"] == "Numbers to check")
    assert text == "Line 4: tube.bore: unusual. Line 9: run[a].burn: too long."


def test_repeats_that_do_not_reach_the_goal_say_what_the_most_give():
    rows = [{"bare": n, "dosed": n, "half_widths": [0.6 / n, 0.1]} for n in (1, 2, 5)]
    assert said(document(goal=0.1, against_repeats=rows), "How many repeats?") == (
        "No number of repeats looked at reaches 10 %: the most, 5 bare and 5 dosed, give 12 %.")


def test_everything_says_what_it_measures():
    doc = document()
    doc["wants"][0] = doc["wants"][0] | {"text": "everything"}
    assert "geometric mean" in said(doc, "How sure will it be?")


def test_the_burn_recommended_stays_below_the_limit_and_says_that_it_is_not_cautious():
    doc = document(**limit(1050.0, 6.5))
    text = how_long(doc, doc["wants"][0])
    assert "the smallest interval (20 %) comes of 10 s, but bare is then longer than its " \
        "cautious first burn of 6.5 s." in text
    assert "a cautious first burn is 0.7 of the lower end, 6.5 s" in text
    assert "12.5 s" not in text


def test_burns_that_differ_are_named_one_by_one():
    doc = document(planned=[planned("bare", "neat", 13.0), planned("with", "dosed")],
                   **limit(1050.0, 20.0))
    doc["against_burn"] = doc["against_burn"][:2]
    text = how_long(doc, doc["wants"][0])
    assert "comes of bare 13 s, with 10 s." in text
    assert "times as long" not in text


def test_where_no_burn_is_cautious_it_is_said_what_would_help_to_name_one():
    doc = document(**limit(1050.0, None, low=0.4))
    assert "no burn can be called cautious" in answers(doc)[0]["text"]
    text = how_long(doc, doc["wants"][0])
    assert "no burn can be called cautious" in text
    assert "reaches 827 °C after 12.0 (more than 0.4) s by all that is stated" in text
    assert "90 % of what makes the bore uncertain (variance) is: gas-side coefficient" in text
    assert "the lower end would be 9.0 s" in text


def test_a_tube_on_a_mesh_file_is_told_how_to_get_a_cautious_burn():
    row = bore(1050.0) | {"limit_time_s": None, "note": ON_A_MESH}
    doc = document(**limit(1050.0, 5.0) | {"bore": [row]})
    texts = " ".join(a["text"] for a in answers(doc))
    assert ("When a bare bore reaches 827 °C is not known: a tube on a mesh file is marched at the "
            "values stated only, so no burn of it is called cautious; plan its straight tube, "
            "without mesh and regions, for one.") in texts


def test_a_plan_without_a_bare_firing_is_told_to_add_one_first():
    doc = document(bare_added={"run": "bare, else as with", "half_width": 0.08},
                   **limit(1050.0, 20.0))
    first = answers(doc)[0]
    assert first["level"] == "warning"
    assert "to within 8 % instead of 20 %" in first["text"]
    assert said(doc, "What else would help?").startswith(
        "a bare firing first of all (20 % becomes 8 %); ")


def test_stations_are_in_order_marked_and_judged_against_even_spacing():
    text = said(document(), "Where?")
    assert text.startswith("At 20 mm (welded already), 50 mm, 70 mm from the head end.")
    assert "Spaced evenly it would be 30 %, not 20 %." in text
    assert "Only the first want, R of dosed, decides where." in text
    doc = document()
    doc["against_number"][0]["evenly_spaced"] = 0.205
    assert said(doc, "Where?").startswith("Space them evenly, at 20 mm, 50 mm, 80 mm")


def test_spacing_is_called_even_only_where_gaps_differ_by_no_more_than_the_places():
    doc = document()
    row = doc["against_number"][0]
    row["even_stations"] = [station(z) for z in (0.02, 0.05, 0.09)]
    assert "Spaced evenly it would be 30 %, not 20 %." in said(doc, "Where?")
    row["even_stations"] = [station(z) for z in (0.05, 0.10, 0.18, 0.21, 0.26)]
    assert "Spaced as evenly as the keep-outs allow it would be 30 %, not" in said(doc, "Where?")
    row["evenly_spaced"] = 0.205
    assert said(doc, "Where?").startswith(
        "Space them as evenly as the keep-outs allow, at 50 mm, 100 mm, 180 mm, 210 mm, 260 mm")


def test_which_R_a_burn_tells_is_said_and_a_bare_bore_is_named_by_a_bare_firing_or_its_pressure():
    doc = document(**limit(1050.0, 6.5))
    text = said(doc, "How long?")
    assert ("R is that at the end of the burn looked at, grown to what is stated by 10 s, the "
            "longest planned. A bare bore at 8 bar reaches 827 °C after") in text
    doc["bore"][0]["bare"] = True
    assert "The bore of bare reaches" in said(doc, "How long?")
    doc["planned"] = [planned("bare", "neat"), planned("with", "dosed", 4.0),
                      planned("more", "dosed", 6.0), planned("other", "strong", 11.0)]
    doc["wants"][0]["text"] = "R of dosed - R of strong"
    assert ("Each R is that at the end of the burn looked at, grown to what is stated by 6 s or "
            "11 s, the longest planned.") in said(doc, "How long?")
    doc["wants"][0]["text"] = "h"
    assert "grown" not in said(doc, "How long?")


def test_what_there_is_to_remark_is_a_warning_of_its_own():
    doc = document(remarks={"Deep wells": "a well 3.9 mm deep leaves little"})
    assert {"level": "warning", "question": "Deep wells",
            "text": "A well 3.9 mm deep leaves little."} in answers(doc)


def test_wells_are_weighed_against_none():
    doc = document(stations=[station(0.05, 0.002), station(0.07)], plain=0.21)
    text = said(doc, "Where?")
    assert "50 mm (2 mm deep)" in text
    assert "As many without wells give 21 %, against 20 %. A well weakens a wall" in text
    doc["plain"] = 0.20004
    assert "As many without wells give the same. A well" in said(doc, "Where?")


@pytest.mark.parametrize(("depths", "plain", "goal", "words"), [
    ((0.002, 0.002), (0.32, 0.24), None, "All of these are with wells. 3 without wells give 24 %."),
    ((0.002, 0.002), (0.32, 0.24), 0.25,
     "All of these are with wells. Without wells 3 are enough for the goal (24 %)."),
    ((0.0, 0.002), (None, 0.24), 0.22,
     "Of these, 3 are with wells. Without wells no number looked at reaches the goal."),
    ((0.002, 0.0), (0.32, None), 0.25,
     "Of these, 2 are with wells. Without wells 3 are enough for the goal (20 %)."),
    ((0.002, 0.002), (None, None), 0.25, "All of these are with wells."),
])
def test_numbers_with_wells_are_told_and_what_is_enough_without(depths, plain, goal, words):
    row = document()["against_number"][0]
    rows = [row | {"thermocouples": n, "half_widths": [half, 0.1], "plain": without,
                   "stations": [station(0.02 * (i + 1), depth) for i in range(n)]}
            for n, half, depth, without in zip((2, 3), (0.3, 0.2), depths, plain, strict=True)]
    assert said(document(against_number=rows, goal=goal), "How many thermocouples?").endswith(words)


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
    doc["wants"][0]["between_m"] = [0.0, 0.1]
    assert "may be anywhere along the tube by what is stated" in said(doc, "How sure will it be?")


def test_pairs_that_are_planned_and_not_made_are_said():
    alone = document(pairs=1)
    assert ("None of 1 planned pair is made: of 3 thermocouples 2 are left to place, and one at "
            "least stands without; plan more thermocouples.") in said(alone, "Where?")
    stations = [station(0.07), station(0.07), station(0.02, welded=True)]
    assert "planned pair" not in said(document(pairs=1, stations=stations), "Where?")
    assert "1 of 2 planned pairs are made" in said(document(pairs=2, stations=stations), "Where?")
