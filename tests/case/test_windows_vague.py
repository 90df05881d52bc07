"""Moments in words that no clock shows are refused, not read as the whole run."""

import pytest

from wallsim.case.windows import window


@pytest.mark.parametrize(
    "text",
    ["loose from the 3rd second", "loose from shutdown", "loose since second 3", "off at 7 o'clock",
     "came off before ignition"],
)
def test_a_vague_moment_is_refused(text):
    with pytest.raises(ValueError, match="no moment on the log's clock"):
        window(text)


@pytest.mark.parametrize("text", ["hanging loose after the firing", "see photo 12", "open"])
def test_reasons_without_a_moment_take_the_whole_run(text):
    assert window(text) == (float("-inf"), float("inf"))
