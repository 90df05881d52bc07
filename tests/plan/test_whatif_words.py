"""A what-if in words: labels of firings, and the verdict on which lasts."""

from __future__ import annotations

import pytest

from wallsim.plan.whatif_endings import LASTS, elastic, fate, listed
from wallsim.plan.whatif_file import Change
from wallsim.plan.whatif_words import labels, verdict

NOTHING = {"estimate": None, "low": None, "high": None}


def time(estimate, low, high=None):
    return {"estimate": estimate, "low": low, "high": high}


def firing(label, reaches, below=None, **more):
    """A firing of 10 s with a limit of 900 degC."""
    return {
        "label": label, "blend": "neat", "metal": "steel", "burn_s": 10.0, "firings": 1,
        "limits": {"limit": {"at_K": 1173.15, "time_s": reaches}},
        "survival": {"factor": 4.0, "below_factor_s": below or time(None, 50.0)},
        "bore_peak_K": time(900.0, 880.0, 920.0), "measurable": None, "prior_only": [],
    } | more


def said(*firings, **more):
    lines = verdict({"firings": list(firings), "untold": {}} | more)
    return [(line["level"], line["text"]) for line in lines
            if not line["text"].startswith("No oxidation limit")]


def test_labels_hold_what_sets_firings_apart():
    changes = [Change(blend="neat", wall=w, pressure=p, burn=12.0)
               for w in (4e-3, 6e-3) for p in (2e5, 2.5e5)]
    assert labels(changes) == ["4 mm wall, 2 bar", "4 mm wall, 2.5 bar", "6 mm wall, 2 bar",
                               "6 mm wall, 2.5 bar"]
    named = [Change(name=n, wall=w, firings=k, pause=60.0)
             for n, k in (("once", 1), ("often", 3)) for w in (4e-3, 6e-3)]
    assert labels(named) == ["once, 4 mm wall", "once, 6 mm wall", "often, 4 mm wall",
                             "often, 6 mm wall"]
    assert labels([Change(name="hosed", cooling=2e3), Change(name="hot", start=473.15)]) == [
        "hosed", "hot"]
    assert labels([Change(metal="copper", start=473.15)]) == ["copper, from 200 °C"]
    assert labels([Change()]) == ["as in the campaign"]


def test_the_longest_the_shortest_and_those_that_do_not_last():
    lines = said(firing("thin", time(8.0, 7.0, 9.0)), firing("as it is", time(11.0, 9.5, 12.5)),
                 firing("thick", time(20.0, 18.0, 22.0)))
    assert lines == [
        ("note", "Longest burn, thick: 20.0 (18.0 to 22.0) s until the bore reaches your limit of "
                 "900 °C. Shortest, thin: 8.0 (7.0 to 9.0) s until the bore reaches your "
                 "limit of 900 °C."),
        ("warning", "1 of 3 is sure to last its burn of 10 s: the bore stays below your limit of "
                    "900 °C, the limit load above 4 x gas pressure. 1 may not (not sure by their "
                    "intervals): as it is. 1 does not, as the bore reaches your limit of 900 °C: "
                    "thin."),
    ]


def test_limit_load_ends_a_burn_too_and_what_ends_nothing_reads_more_than():
    weak = firing("weak", time(20.0, 18.0, 22.0), time(12.0, 11.0, 13.0))
    strong = firing("strong", time(None, 40.0), time(None, 50.0))
    (_, text), lasting = said(weak, strong)
    assert "strong: more than 40.0 s, nothing being seen to end it before" in text
    assert "weak: 12.0 (11.0 to 13.0) s until the limit load falls below 4 x gas pressure" in text
    assert lasting == ("good", "All last their burn of 10 s: the bore stays below your limit of "
                               "900 °C, the limit load above 4 x gas pressure.")


def test_measurable_beyond_the_table_without_strength_and_prior_only():
    told = {"told": True}
    reaches = time(20.0, 18.0, 22.0)
    lines = said(
        firing("a", reaches, measurable=told), firing("b", reaches, measurable={"told": False}),
        firing("c", reaches, measurable={"told": None}, bore_peak_K=time(None, 1473.0)),
        firing("d", reaches, measurable=told, prior_only=["pressure"], metal="copper")
        | {"survival": {"factor": 4.0, "below_factor_s": None}},
        untold={"neat": "no bare firing", "never fired": "x"})
    assert [level for level, _ in lines] == [
        "bad", "note", "warning", "note", "warning", "warning"]
    assert lines[0][1].startswith("neat: the fit does not tell R from h (no bare firing), only")
    assert lines[0][1].endswith("Prior only, not to be relied on: d (pressure).")
    assert "never fired" not in lines[0][1]
    assert lines[3][1] == "Deposit still measurable in a; d; not in b."
    assert lines[4][1].startswith("The wall leaves the table of its metal in c: peaks")
    assert lines[5][1] == "No hot strength table, limit load not assessed: copper."


@pytest.mark.parametrize(("n", "of", "words"), [
    (2, 0, "0; 1"), (5, 0, "0; 1; 2; 3; 4"), (6, 0, "0; 1; 2; and 3 more"),
    (5, 5, "all 5 firings"), (2, 2, "0; 1")])
def test_long_lists_are_cut(n, of, words):
    assert listed([str(i) for i in range(n)], of) == words


def test_a_deposit_that_grows_longer_than_logged_and_a_burn_too_long_are_warned_of():
    lines = said(firing("as it is", time(11.0, 9.5, 12.5)),
                 firing("long", time(80.0, 78.0, 82.0), burn_s=75.0, longest_burn_logged_s=12.0,
                        growth="linear"),
                 firing("open", time(30.0, 28.0, 32.0), burn_s=25.0, longest_burn_logged_s=12.0,
                        growth="general"))
    warned = [text for level, text in lines if level == "warning"]
    assert any("beyond the longest burn logged (12.0 s), where no log tells it; the law stated is "
               "taken to go on, and the interval holds no doubt of it: long." in text
               for text in warned)
    planned = said(firing("long", time(80.0, 78.0, 82.0), burn_s=75.0, longest_burn_logged_s=12.0,
                          growth="linear"), planned=True)
    assert any("beyond the longest burn planned (12.0 s), for which R is stated; " in text
               for _, text in planned)
    planned = said(*(firing(name, time(80.0, 78.0, 82.0), longest_burn_logged_s=s, growth="general")
                     for name, s in (("a", 12.001), ("b", 12.003))), planned=True)
    assert any("burn planned (12.0 s), for which R is stated; the interval widens by what is left "
               "open of the shape of growth" in text for _, text in planned)
    assert any("the interval widens by what the logs leave open" in text and level == "note"
               and text.endswith(": open.") for level, text in lines)
    assert any(text == "Beyond the range of validity, burns of up to 60 s: long."
               for text in warned)
    assert not [text for _, text in said(firing("as it is", time(11.0, 9.5, 12.5)))
                if "logged" in text or "validity" in text]


def test_only_a_firing_after_others_is_called_the_last():
    once, often = firing("once", time(20.0, 18.0, 22.0)), firing(
        "often", time(12.0, 11.0, 13.0), firings=3)
    (_, text), _ = said(once, often)
    assert text.startswith("Longest burn, once: 20.0 (18.0 to 22.0) s until")
    assert "Shortest, often, the last of 3 firings: 12.0 (11.0 to 13.0) s until" in text
    assert not [text for _, text in said(once) if "last of" in text]


def test_the_oxidation_limit_is_said_with_its_temperature():
    def limits(estimate, low):
        return {"oxidation": {"at_K": 1143.15, "time_s": time(estimate, low)}}

    a = firing("a", NOTHING) | {"limits": limits(8.0, 7.0)}
    b = firing("b", NOTHING) | {"limits": limits(None, 50.0)}
    assert ("warning", "Oxidation limit of the bore, 870 °C: passed in the burn of a by the "
                       "estimates; soonest, burn going on, a: 8.0 (more than 7.0) s.") in said(a, b)
    assert ("note", "Oxidation limit of the bore, 870 °C: passed in no burn by the estimates; "
                    "soonest, burn going on, b: more than 50.0 s.") in said(b)


def test_nothing_is_good_whose_end_is_as_uncertain_as_its_distance_from_the_limit():
    near = firing("near", time(16.0, 11.0, 20.0))
    assert said(near)[-1][0] == "good"
    (level, text) = said(near, interval_error=0.23)[-1]
    assert level == "warning"
    assert ("1 may not (not sure by their intervals, whose ends are uncertain by 23 %): near"
            in text)
    assert said(firing("far", time(16.0, 11.5, 20.0)), interval_error=0.23)[-1][0] == "good"
    hot = firing("hot", time(16.0, 12.0, 20.0), bore_peak_K=time(1000.0, 900.0, 1150.0))
    assert said(hot)[-1][0] == "good"
    assert said(hot, interval_error=0.23)[-1][0] == "warning"
    assert said(hot | {"bore_peak_K": time(1000.0, 900.0, 1180.0)})[-1][0] == "warning"
    weak = near | {"survival": {"factor": 4.0, "below_factor_s": time(30.0, 20.0, 40.0),
                                "margin": time(6.0, 3.9, 8.0)}}
    assert said(weak)[-1][0] == "warning"


def test_a_bore_beyond_its_oxidation_limit_is_not_called_good_within_the_owners():
    def of(peak, estimate, low):
        limits = {"limit": {"at_K": 1173.15, "time_s": time(30.0, 25.0)},
                  "oxidation": {"at_K": 1143.15, "time_s": time(estimate, low)}}
        return said(firing("a", NOTHING, bore_peak_K=peak) | {"limits": limits})

    lines = of(time(1150.0, 1140.0, 1160.0), 8.0, 7.0)
    assert lines[1] == ("note", "It lasts its burn of 10 s: the bore stays below your limit of 900 "
                                "°C, the limit load above 4 x gas pressure, but beyond the "
                                "oxidation limit of its metal.")
    assert lines[2][0] == "warning"
    assert "passed in the burn of a by the estimates" in lines[2][1]
    lines = of(time(1100.0, 1050.0, 1150.0), 12.0, 9.0)
    assert lines[1][0] == "note"
    assert "perhaps beyond the oxidation limit" in lines[1][1]
    assert lines[2] == ("warning", "Oxidation limit of the bore, 870 °C: passed in no burn by the "
                                   "estimates, perhaps in that of a; soonest, burn going on, a: "
                                   "12.0 (more than 9.0) s.")
    assert of(time(1000.0, 950.0, 1050.0), 20.0, 18.0)[1][0] == "good"


def test_a_limit_above_the_solidus_is_warned_of_and_the_solidus_ends_the_burn():
    molten = firing("a", time(30.0, 28.0, 32.0))
    molten["limits"] |= {"solidus": {"at_K": 1073.15, "time_s": time(20.0, 18.0, 22.0)}}
    lines = said(molten)
    assert ("warning", "Your limit of 900 °C is above the solidus of steel, 800 °C: check value "
                       "and unit.") in lines
    assert "until the bore reaches the solidus of 800 °C" in lines[0][1]


def test_metals_without_an_oxidation_limit_are_said():
    stated = firing("a", time(20.0, 18.0), metal="stainless 321")
    stated["limits"] |= {"oxidation": {"at_K": 1143.15, "time_s": time(15.0, 14.0)}}
    lines = verdict({"firings": [stated, firing("b", NOTHING, metal="copper")], "untold": {}})
    assert {"level": "note", "text": "No oxidation limit stated: copper."} in lines
    assert not any("oxidation limit stated" in line["text"]
                   for line in verdict({"firings": [stated], "untold": {}}))


def test_walls_that_fall_below_the_factor_in_their_burn_are_named():
    def margin(estimate, low, high):
        survival = {"factor": 4.0, "below_factor_s": time(None, 50.0)}
        return {"survival": survival | {"margin": time(estimate, low, high)}}

    reaches = time(20.0, 18.0, 22.0)
    strong, weak = firing("strong", reaches) | margin(6.0, 5.0, 7.0), firing(
        "weak", reaches) | margin(3.0, 2.0, 4.5)
    molten = firing("molten", reaches) | margin(None, None, 4.0)
    assert ("warning", "Limit load falls below 4 x gas pressure in the burn of weak; molten.") in (
        said(strong, weak, molten))
    assert not any("falls below 4" in text for _, text in said(strong))


def test_none_that_lasts_is_an_answer_and_no_problem():
    lines = said(firing("thin", time(8.0, 7.0, 9.0)), firing("thick", time(9.0, 8.0, 9.5)))
    assert ("warning", "0 of 2 last their burn of 10 s. 2 do not, as the bore reaches your limit "
                       "of 900 °C: thin; thick.") in lines
    assert not any(level == "bad" for level, _ in lines)


def test_a_time_to_a_limit_does_not_carry_the_burn_it_does_not_depend_on():
    def burnt(wall, burn, reaches, firings=1):
        words = f"{wall} mm wall, {burn} s burn"
        changes = {"wall": 1e-3 * wall, "burn": float(burn)}
        return firing(words, reaches, burn_s=float(burn), changes=changes, firings=firings)

    short, long = time(18.0, 17.0, 19.0), time(26.6, 25.0, 28.0)
    every = [burnt(w, b, t) for w, t in ((8, short), (12, long)) for b in (10, 14)]
    assert said(*every)[0][1].startswith("Longest burn, 12 mm wall: 26.6 (25.0 to 28.0) s until")
    one = [firing(f"{b} s burn", long, burn_s=float(b), changes={"burn": float(b)})
           for b in (10, 14)]
    assert said(*one)[0][1].startswith("Burn going on: 26.6 (25.0 to 28.0) s until")
    often = [burnt(8, b, short, firings=2) for b in (10, 14)]
    assert "8 mm wall, 10 s burn; 8 mm wall, 14 s burn, the last of 2 firings: 18.0" in (
        said(*often)[0][1])


def test_what_is_not_assessed_is_never_called_lasting():
    """A metal without strength table, one without any limit, and both."""
    reaches, no_load = time(20.0, 18.0, 22.0), {"survival": {"factor": 4.0, "below_factor_s": None}}
    soft = firing("soft", reaches, metal="copper") | no_load
    free = firing("free", NOTHING, metal="bronze") | {"limits": {}}
    unknown = firing("unknown", NOTHING, metal="lead") | {"limits": {}} | no_load
    (_, longest), (level, text), _ = said(soft)
    assert (level, text) == (
        "note", "In its burn of 10 s the bore stays below your limit of 900 °C; that is not all "
        "that may end it: limit load not known for copper.")
    assert longest.endswith("until the bore reaches your limit of 900 °C (limit load of copper not "
                            "known).")
    assert "the limit load stays above 4 x gas pressure; that is not all that may end it: no " \
        "limit of use stated for the bore of bronze (limit_temperature in [fit])." in (
        said(free)[1][1])
    assert said(unknown)[1][0] == "note"
    assert "nothing of them is judged" in said(unknown)[1][1]
    (_, _), (level, text), _ = said(firing("whole", reaches), soft)
    assert level == "warning"
    assert text.startswith("1 of 2 lasts its burn of 10 s: the bore stays below")
    assert text.endswith("1 cannot be judged in full, limit load not known for copper, but the "
                         "bore stays below your limit of 900 °C: soft.")


def test_a_solidus_alone_is_no_limit_of_use():
    f = firing("a", NOTHING)
    f["limits"] = {"solidus": {"at_K": 1700.0, "time_s": time(None, 50.0)}}
    (level, text), = (line for line in said(f) if "may end it" in line[1])
    assert level == "note"
    assert "no limit of use stated for the bore of steel" in text


def test_a_wall_beyond_its_table_does_not_last_whatever_the_limit():
    f = firing("a", time(None, 6.0), survival={
        "factor": 4.0, "below_factor_s": None, "table_ends_s": time(6.5, 6.0, 7.0)})
    assert any("1 does not, as the wall leaves the table of its metal" in text
               for _, text in said(f))


def test_without_a_limit_of_the_owner_the_oxidation_limit_is_judged_by():
    f = firing("a", NOTHING)
    f["limits"] = {"oxidation": {"at_K": 1143.15, "time_s": time(8.0, 7.0, 9.0)},
                   "solidus": {"at_K": 1671.15, "time_s": time(None, 30.0)}}
    lines = said(f)
    assert "8.0 (7.0 to 9.0) s until the bore reaches the oxidation limit of 870 °C" in lines[0][1]
    assert "1 does not, as the bore reaches the oxidation limit of 870 °C: a." in lines[1][1]


def test_what_is_passed_at_ignition_is_said_so_and_ties_are_named_together():
    at_once, later = time(0.0, 0.0, 0.0), time(12.0, 11.0, 13.0)
    lines = said(firing("1 in a row", later), firing("3 in a row", at_once, firings=3),
                 firing("5 in a row", at_once, firings=5))
    assert lines[0][1].endswith("Shortest, 3 in a row; 5 in a row: the bore is above your limit of "
                                "900 °C at ignition already.")


def test_a_firing_before_the_last_counts_too():
    """On what the first firings leave the last one may stay coldest."""
    cold = firing("three", time(None, 60.0), firings=3, bore_peak_K=time(1200.0, 1190.0, 1210.0))
    assert "1 does not, as the bore reaches your limit of 900 °C: three." in said(cold)[1][1]
    near = firing("three", time(None, 60.0), firings=3, bore_peak_K=time(1150.0, 1120.0, 1180.0))
    assert "1 may not" in said(near)[1][1]


def test_elastic_stresses_are_the_largest_where_known():
    def stressed(thermal, pressure):
        return {"thermal_hoop_stress_Pa": thermal and {"bore": time(thermal, thermal, thermal)},
                "pressure_hoop_stress_Pa": {"bore": pressure}}

    assert elastic({"a": stressed(-310e6, 4e6), "b": stressed(-402e6, 3e6)}) == (
        "For information, largest elastic hoop stress of the bore: -402 MPa by temperature "
        "differences (b; with the constants of room temperature, which overstate it), 4 MPa by "
        "pressure (a). Above its yield strength the bore yields locally in each firing, and "
        "fatigue is not assessed.")
    assert "the bore: 4 MPa by pressure (a). Above" in elastic({"a": stressed(None, 4e6)})
    assert elastic({"a": {"assessed": False}}) == ""


def test_each_firing_is_told_whether_it_lasts():
    for reaches, lasts in ((time(20.0, 18.0, 22.0), "yes"), (time(20.0, 9.0, 22.0), "may not"),
                           (time(8.0, 7.0, 9.0), "no")):
        assert LASTS[fate(firing("a", reaches), 0.0)[0]] == lasts


def test_slips_and_a_march_too_coarse_are_warned_of_on_top():
    f = firing("a", time(20.0, 18.0, 22.0))
    lines = said(f, slips=["q.toml:3: base.wall: is unusual"], discretisation_error_K=223.4,
                 discretisation_error_of="1 mm wall")
    assert lines[0] == ("warning", "q.toml:3: base.wall: is unusual")
    assert lines[1][0] == "warning"
    assert lines[1][1].startswith(
        "Temperatures are uncertain by up to 223.4 K (1 mm wall) through the steps")
    assert "or a peak near a transformation of the metal, is not answered well." in lines[1][1]
    for error, warned in ((4.9, False), (5.1, True)):
        texts = [text for _, text in said(f, discretisation_error_K=error,
                                          discretisation_error_of="a")]
        assert any(text.startswith("Temperatures are uncertain by up to 5.1 K (a)")
                   for text in texts) == warned
    assert not [text for _, text in said(f, slips=[], discretisation_error_K=0.9)
                if "uncertain" in text]
