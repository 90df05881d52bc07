"""Draws that leave the table of their metal: what they had reached, and what is said of them."""

from __future__ import annotations

import numpy as np
import pytest

from wallsim.plan.ensemble import Track
from wallsim.plan.followed import Followed, not_assessed, told_leaving

END = 1473.15


def track(*draws):
    """A bore node over an outside node that has half the rise."""
    T = np.array(draws, dtype=float).T
    return Track(np.arange(len(T), dtype=float), np.stack((T, 300.0 + 0.5 * (T - 300.0)), axis=1))


def test_a_draw_stays_as_it_was_when_it_left():
    raw = track([300.0, 700.0, 900.0], [1173.15, 1373.15, 1573.15])
    found = Followed.of(raw, END)
    assert found.left == pytest.approx([np.nan, 1.5], nan_ok=True)
    assert list(found.lost) == [False, True]
    assert found.track.T[2, :, 1] == pytest.approx([END, 300.0 + 0.5 * (END - 300.0)])
    assert found.track.T[:, :, 0] == pytest.approx(raw.T[:, :, 0])
    assert found.bore_peak(found.track.T[:, :1])[0] == pytest.approx([900.0, END])
    assert found.bounded(np.array([5.0, 6.0])) == pytest.approx([5.0, np.nan], nan_ok=True)
    assert not found.first(2).lost.any()
    assert raw.T[2, 0, 1] == 1573.15


def test_a_draw_that_left_in_an_earlier_firing_does_not_come_back():
    before = Followed.of(track([300.0, 700.0, 400.0], [300.0, 1600.0, 800.0]), END)
    after = Followed.of(track([400.0, 800.0, 500.0], [800.0, 1000.0, 900.0]), END, before)
    assert list(after.lost) == [False, True]
    assert after.left[1] == -np.inf
    assert after.track.T[:, 0, 1] == pytest.approx(3 * [before.track.T[-1, 0, 1]])


def test_what_is_not_reached_is_bounded_by_where_a_draw_left_or_the_track_ended():
    found = Followed.of(track(*([300.0, 700.0, 900.0],) * 3, [1173.15, 1373.15, 1573.15]), END)
    nothing = np.full(4, np.nan)
    assert found.reached(nothing) == {"estimate": None, "low": 1.5, "high": None}
    assert found.reached(np.array([1.8, 1.9, 1.7, np.nan]))["high"] is None
    assert found.reached(np.array([1.8, 1.9, 1.7, 1.4]))["high"] > 1.8


def test_what_lies_before_the_end_of_the_table_is_passed_when_a_draw_leaves_at_the_latest():
    found = Followed.of(track([300.0, 700.0, 900.0], *([1173.15, 1373.15, 1573.15],) * 2), END)
    times = found.passed(np.array([np.nan, np.nan, 0.4]))
    assert times == pytest.approx([np.nan, 1.5, 0.4], nan_ok=True)
    again = Followed.of(track(*([300.0, 700.0, 900.0],) * 3), END, found)
    assert again.passed(np.array([1.2, np.nan, 1.9])) == pytest.approx([1.2, 0.0, 0.0])


def test_leaving_is_told_with_draws_times_and_metal():
    some = Followed.of(track([300.0, 700.0, 900.0], [1173.15, 1373.15, 1573.15]), END)
    assert told_leaving(some, "steel") == {
        "draws": 1, "of": 2, "first_s": 1.5, "estimate_s": None, "metal": "steel",
        "table_end_K": END}
    none = Followed.of(track([300.0, 700.0, 900.0]), END)
    assert told_leaving(none, "steel") is None
    every = Followed.of(track(*([1173.15, 1373.15, 1573.15],) * 2), END)
    assert not_assessed(every, "steel") == (
        "not assessed: all 2 draws leave the table of steel, which ends at 1200 °C, the estimate "
        "at 1.5 s")
    first = Followed.of(track([1173.15, 1373.15, 1573.15], [300.0, 700.0, 900.0]), END)
    assert not_assessed(first, "steel") == (
        "not assessed: the estimate leaves the table of steel, which ends at 1200 °C, at 1.5 s")
