"""What the verdict says of deposits that the case claims to have stayed or to have come off."""

import pytest

from wallsim.estimate.shedding_words import shedding_lines


def interval(low, estimate, high):
    return {"low": low, "estimate": estimate, "high": high}


def lines(retained=None, lost=None):
    shedding = lost and {
        "lost_fraction": lost, "beyond_m": 0.0, "time_s": interval(3.0, 3.2, 3.4),
        "mean_resistance_before_m2K_W": interval(None, None, None),
        "mean_resistance_after_m2K_W": interval(None, None, None),
        "resistance_stated_apart_s": 0.3,
    }
    deposit = {"left_by": retained and "R04", "retained_fraction": retained, "shedding": shedding}
    return shedding_lines({"runs": {"R05": {"deposit": deposit, "shedding_suspected": None}}})


def test_what_the_logs_bear_out_is_a_note():
    [one] = lines(retained=interval(0.5, 0.7, 0.9))
    assert one == {"level": "note", "text": "R05 began with 70 (50 to 90) % of the deposit that "
                                            "R04 left."}
    [one] = lines(lost=interval(0.05, 0.3, 0.7))
    assert one["level"] == "note"


@pytest.mark.parametrize(("claim", "words"), [
    ({"retained": interval(0.001, 0.02, 0.06)}, "as good as clean, against `start`"),
    ({"lost": interval(0.001, 0.01, 0.05)}, "hardly anything came off, against `shed`"),
])
def test_what_they_do_not_is_a_warning(claim, words):
    [one] = lines(**claim)
    assert one["level"] == "warning"
    assert words in one["text"]


def test_what_is_not_identifiable_is_no_contradiction():
    [one] = lines(retained=interval(None, None, None))
    assert one["level"] == "note"


def suspected(far):
    found = {"time_s": interval(3.0, 3.2, 3.4), "misfit_fall": 40.0, "case_line": 'shed = "3.2 s"'}
    channels = {"a": {"rms_K": far, "noise_K": 0.5}}
    return shedding_lines({"runs": {
        "R05": {"blend": "D", "deposit": None, "shedding_suspected": found},
        "R06": {"blend": "D", "channels": channels}}})[0]["text"]


def test_a_loss_is_not_offered_while_another_firing_is_missed_by_far_more():
    assert 'write shed = "3.2 s" in its [[run]]' in suspected(1.0)
    assert "what is said here of D supposes that the deposit stayed whole" in suspected(1.0)
    assert "[[run]]" not in suspected(20.0)
    assert "may follow from what is wrong with R06" in suspected(20.0)
