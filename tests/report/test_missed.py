"""Traces that the model misses: the worst first, few lines, exchanged leads guessed."""

from wallsim.estimate.missed import missed_traces
from wallsim.estimate.verdict import verdict

FIT = {"converged": True, "discretisation_error_K": 0.0, "tolerance_K": 0.2}


def document(**rms):
    channels = {name: {"verdict": "ok", "reason": "", "rms_K": r, "noise_K": 0.6}
                for name, r in rms.items()}
    return {"fit": FIT, "blends": {}, "parameters": [],
            "runs": {"r1": {"blend": "b", "ignition_s": 0.0, "channels": channels}}}


def test_what_noise_explains_is_no_line():
    assert missed_traces(document(a=1.7, b=None, c=0.5)) == []


def test_the_worst_come_first_and_the_others_share_a_line():
    lines = [line["text"] for line in missed_traces(document(a=2, b=5, c=3, d=4, e=2.5))]
    assert [line.split(" in ")[0] for line in lines] == ["b", "d", "c", "2 more traces are missed "
            "by more than noise explains: e"]
    assert "1 more trace is missed" in missed_traces(document(a=2, b=5, c=3, d=4))[3]["text"]
    assert lines[3].endswith("e in r1 (2.5 K), a in r1 (2.0 K). Settle the worst first: the others "
                             "may follow from it.")


def test_two_that_are_missed_far_and_alike_may_be_exchanged():
    first, second = (line["text"] for line in missed_traces(document(a=49, b=2, c=48, d=1)))
    assert "c is missed as far (48.00 K): perhaps their leads are exchanged." in first
    assert second.startswith("b in r1: the model misses this trace by 2.00 K")
    assert "exchanged" not in missed_traces(document(a=49, b=1, c=20, d=1))[0]["text"]
    assert "exchanged" not in missed_traces(document(a=49, b=2, c=48))[0]["text"]
    assert "exchanged" not in missed_traces(document(a=49, b=47, c=48, d=1))[0]["text"]


def test_exchanged_leads_are_looked_for_in_every_firing_that_misses_the_two():
    doc = document(a=49, b=1, c=48, d=1)
    doc["runs"]["r2"] = document(a=8, b=1, c=6, d=1)["runs"]["r1"]
    first = missed_traces(doc)[0]["text"]
    assert "exchanged in one of the firings r1, r2, which miss both: see which" in first


R = {"low": 1e-4, "estimate": 2e-4, "high": 3e-4}
DEPOSIT = {"identifiable": True, "upper_limit_only": False, "mean_resistance_m2K_W": R, "at_s": 8.0,
           "heat_load_removed": {"low": 0.1, "estimate": 0.2, "high": 0.3}, "dominated_by": [],
           "reason": ""}


def levels(doc):
    return {line["text"].split(":")[0]: line for line in verdict(doc)}


def test_no_resistance_is_good_under_a_problem_of_any_firing():
    doc = document(a=49, b=1)
    doc["blends"] = {"x": {"deposit": DEPOSIT}}
    found = levels(doc)["x"]
    assert found["level"] == "warning"
    assert found["text"].endswith("In doubt until the problems above are settled.")
    assert verdict(doc)[0]["level"] == "bad"
    assert levels(document(a=1, b=1) | {"blends": doc["blends"]})["x"]["level"] == "good"


def test_a_blend_that_cannot_be_told_does_not_spoil_another():
    lost = DEPOSIT | {"identifiable": False, "reason": "steady",
                      "mean_combined_resistance_m2K_W": R}
    doc = document(a=1) | {"blends": {"x": {"deposit": DEPOSIT}, "y": {"deposit": lost}}}
    assert levels(doc)["x"]["level"] == "good"
    assert levels(doc)["y"]["level"] == "bad"


def test_a_deposit_whose_growth_is_not_told_from_none_is_not_good():
    laws = {"untold": ["general", "none"], "contradicted": False, "text": "not told apart"}
    doc = document(a=1) | {"blends": {"x": {"deposit": DEPOSIT | {"growth_laws": laws}}}}
    assert "warning" in [line["level"] for line in verdict(doc)]
    assert "good" not in [line["level"] for line in verdict(doc)]


def test_a_missed_trace_is_not_told_again_for_its_correlation():
    doc = document(a=9, b=1)
    found = {"runs": 4, "runs_expected": 39.0, "p_adjusted": 1e-9, "interval_factor": 3.0}
    for name in ("a", "b"):
        doc["runs"]["r1"]["channels"][name]["whitened"] = found
    failed = [{"run": "r1", "channel": name} for name in ("a", "b")]
    doc["fit"] = FIT | {"residual_test": {"failed": failed, "traces": 2}}
    texts = [line["text"] for line in verdict(doc)]
    assert [text.split(":")[0] for text in texts] == ["a in r1", "b in r1"]
    assert "not independent" not in texts[0]
    assert "not independent" in texts[1]


def test_nothing_is_good_in_a_fit_that_did_not_converge():
    R = {"estimate": 1e-4, "low": 0.9e-4, "high": 1.1e-4}
    deposit = {"identifiable": True, "upper_limit_only": False, "reason": "", "at_s": 4.0,
               "mean_resistance_m2K_W": R, "heat_load_removed": {"estimate": 0.1, "low": 0.09,
                                                                 "high": 0.11},
               "dominated_by": []}
    blends = {"b": {"deposit": deposit}, "bare": {"deposit": None}}
    runs = {"r0": {"blend": "bare", "ignition_s": 0.0, "channels": {}}}
    doc = document(a=1) | {"blends": blends}
    doc["runs"] |= runs
    assert [line["level"] for line in verdict(doc)] == ["good"]
    doc["fit"] = FIT | {"converged": False}
    assert [line["level"] for line in verdict(doc)] == ["bad", "note"]


def test_what_rests_on_growth_alone_is_not_good():
    R = {"estimate": 1e-4, "low": 0.9e-4, "high": 1.1e-4}
    deposit = {"identifiable": True, "upper_limit_only": False, "reason": "", "at_s": 4.0,
               "mean_resistance_m2K_W": R, "heat_load_removed": R, "dominated_by": [],
               "law": "linear"}
    doc = document(a=1) | {"blends": {"b": {"deposit": deposit}}}
    for run in doc["runs"].values():
        run["blend"] = "b"
    levels = [line["level"] for line in verdict(doc)]
    assert levels == ["warning", "warning", "note"]
    assert verdict(doc)[-1]["text"] == (
        "b: linear growth, as the case states, was not held against the logs; --laws does that."
    )
