"""What a reason for an exclusion says of time: understood, or refused, never passed over."""

from __future__ import annotations

import re
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wallsim.case.windows import window


@pytest.mark.parametrize(
    ("reason", "start", "end"),
    [
        ("after 7 s", 7.0, inf),
        ("from t=7 s", 7.0, inf),
        ("from t = 7 s", 7.0, inf),
        ("since 7 s", 7.0, inf),
        ("since about 7 s", 7.0, inf),
        ("before 3 s", -inf, 3.0),
        ("till 9 s", -inf, 9.0),
        ("up to 9 s", -inf, 9.0),
        ("after 7,5 s and before 9 s", 7.5, 9.0),
        ("between 7 s and 9 s", 7.0, 9.0),
        ("from 7 to 9 s", 7.0, 9.0),
        ("from 7-9 s", 7.0, 9.0),
        ("from +7 s", 7.0, inf),
        ("from 1e1 s", 10.0, inf),
        ("after 1.2 min", 72.0, inf),
        ("from 7200 ms", 7.2, inf),
        ("from 7 s, 3 K low", 7.0, inf),
        ("reads up to 40 K low", -inf, inf),
        ("moved from 40 mm to 60 mm", -inf, inf),
        ("fell off after 2 firings", -inf, inf),
        ("5 samples lost, TC7 shorted", -inf, inf),
    ],
)
def test_times_that_are_understood(reason, start, end):
    assert window(reason) == (pytest.approx(start), pytest.approx(end))


@pytest.mark.parametrize(
    ("reason", "wrong"),
    [
        ("lags by 3 s", '"3 s" in it is not understood; write "from 7 s", "until 9 s" or'),
        ("7 s to 9 s", '"7 s" in it is not understood'),
        ("2s after ignition", '"2s" in it is not understood'),
        ("loose at t = 7", '"t = 7" in it is not understood'),
        ("from 3 s to 4 s and again from 7 s", '"7 s" in it is not understood'),
        ("from 7 s to 9", 'has no unit; write "until 9 s"'),
        ("from 7 to 9", 'has no unit; write "from 7 s"'),
        ("loose, after 7.", 'has no unit; write "after 7 s"'),
        ("up  to 9", 'has no unit; write "up to 9 s"'),
        ("until 3 s and after 7 s", "ends before it starts; it can be one stretch only"),
    ],
)
def test_times_that_are_refused(reason, wrong):
    with pytest.raises(ValueError, match=re.escape(wrong)):
        window(reason)


WORDS = st.sampled_from(["loose", "from", "after", "t =", "at", "up to", "until", ",", "and"])


@given(st.lists(WORDS), st.integers(0, 99), st.sampled_from([" s", "s", " sec", " ms", " min"]),
       st.lists(WORDS))
def test_a_time_never_takes_out_the_whole_run(before, number, unit, behind):
    reason = " ".join([*before, f"{number}{unit}", *behind])
    try:
        found = window(reason)
    except ValueError:
        return
    assert found != (-inf, inf)
