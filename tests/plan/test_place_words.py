"""Answers of a placement in words."""

from __future__ import annotations

import pytest

from wallsim.plan.place_document import _how_many


@pytest.mark.parametrize(("half_widths", "words"), [
    ([0.4, 0.3, 0.2], "4, the most looked at, give 20 %; fewer are more than 3 % worse."),
    ([0.4, 0.203, 0.2], "3 come within 3 % of what 4 give (20 %)."),
])
def test_thermocouples_are_not_compared_with_themselves(half_widths, words):
    rows = [{"thermocouples": n, "half_widths": [w]} for n, w in enumerate(half_widths, 2)]
    document = {"against_number": rows, "goal": None}
    assert _how_many(document, {"unit": "1"}) == words
    document["goal"] = 0.3
    reach = "3 reach 30 %; "
    assert _how_many(document, {"unit": "1"}) == reach + words
