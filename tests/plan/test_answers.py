"""Intervals and crossings of draws."""

from __future__ import annotations

import numpy as np
import pytest

from wallsim.plan.answers import (
    crossing,
    ends,
    hottest_between,
    interval,
    interval_error,
    peak,
    rising_through,
)


def test_interval_of_normal_draws():
    rng = np.random.default_rng(1)
    values = np.concatenate(([100.0], 100.0 + 5.0 * rng.standard_normal(20000)))
    found = interval(values)
    assert found["estimate"] == 100.0
    assert (found["low"], found["high"]) == pytest.approx((90.2, 109.8), abs=0.25)


def test_interval_above_a_base_never_falls_below_it():
    values = np.array([300.0, 290.0, 350.0, 1500.0, 2500.0])
    found = interval(values, 280.0)
    assert 280.0 < found["low"] < 300.0 < found["high"]


def test_interval_is_open_where_some_draws_never_get_there():
    assert interval(np.array([10.0, np.nan, 12.0]), 0.0)["high"] is None
    assert interval(np.array([np.nan, 9.0, np.nan])) == {"estimate": None, "low": 9.0, "high": None}
    assert interval(np.array([np.nan])) == {"estimate": None, "low": None, "high": None}


def test_the_end_that_is_left_rests_on_the_draws_on_its_side():
    rng = np.random.default_rng(2)
    values = np.concatenate(([500.0], 500.0 * np.exp(0.1 * rng.standard_normal(20000))))
    both = interval(values, 0.0)
    lost = values > 560.0
    left = interval(np.where(lost, 560.0, values), 0.0, lost)
    assert left["high"] is None
    assert left["low"] == pytest.approx(both["low"], rel=5e-3)
    lost = values < 450.0
    left = interval(np.where(lost, np.nan, values), 0.0, lost, "below")
    assert left["low"] is None
    assert left["high"] == pytest.approx(both["high"], rel=5e-3)
    alone = interval(np.array([500.0, 600.0, 700.0]), 0.0, np.array([False, True, True]))
    assert alone == {"estimate": 500.0, "low": None, "high": None}
    unknown = interval(np.array([5.0, 4.0, 6.0]), None, np.array([False, True, False]), "unknown")
    assert unknown == {"estimate": 5.0, "low": None, "high": None}


def test_ends_of_a_time_are_those_of_draws_that_lie_mostly_earlier():
    rng = np.random.default_rng(2)
    # of the hottest of three places, the estimate being that of all at their middle
    draws = 10.0 * np.exp(-rng.normal(0.0, 0.3, (3, 20000)).max(axis=0))
    times = np.concatenate(([10.0], draws))
    found = interval(times, 0.0)
    low, high = np.quantile(draws, [0.025, 0.975])
    # such draws are no two half normals: 6.7 % too early, on the safe side
    assert found["estimate"] == 10.0
    assert found["low"] == pytest.approx(low, rel=0.08)
    assert high < found["high"] < 1.3 * high
    about_the_estimate = 10.0 * np.exp(-1.96 * np.std(np.log(draws)))
    assert about_the_estimate > 1.15 * low
    # the later ones not reached
    lost = times > 10.5
    found = interval(np.where(lost, 10.5, times), 0.0, lost)
    assert found["low"] == pytest.approx(low, rel=0.08)
    assert found["high"] is None


def test_ends_do_not_jump_where_a_draw_changes_sides():
    """Rises of a bore whose deposit tells more and more; counted by heads, a step is 80 of them."""
    half = np.random.default_rng(6).standard_normal((2, 16))
    h, R = np.concatenate((np.zeros((2, 1)), half, -half), axis=1)
    weight = np.linspace(0.0, 1.0, 2001)[:, None]
    y = 0.15 * h - 0.5 * weight * (np.exp(0.9 * R) - 1.0)
    changes = np.diff(y > 0.0, axis=0).any(axis=1)
    assert changes.sum() > 5
    for end in ends(300.0 * np.exp(y), 0.0):
        steps = np.abs(np.diff(np.log(end / 300.0)))
        assert steps[changes].max() < 2.0 * np.median(steps)


@pytest.mark.parametrize("power", [1.0, 2.0])
def test_ends_of_draws_on_one_side_are_no_narrower_than_by_their_heads(power):
    """By heads: half a normal distribution that holds all of the draws."""
    rng = np.random.default_rng(7)
    y = np.concatenate(([0.0], np.abs(rng.standard_normal(32)) ** power))
    found = interval(y)
    by_heads = 2.2414 * np.sqrt(np.mean(y[1:] ** 2))
    assert by_heads <= found["high"] < 1.1 * by_heads
    assert found["low"] == 0.0


@pytest.mark.parametrize("bounded", [True, False])
def test_an_end_is_known_while_fewer_draws_are_lost_than_may_lie_beyond_it(bounded):
    rng = np.random.default_rng(9)
    y = 0.1 * np.concatenate(([0.0], np.sort(rng.standard_normal(200))))
    values = 500.0 * np.exp(y)
    for n in (1, 2, 3):
        lost = np.arange(201) > 200 - n
        told = np.where(lost, values[-n] if bounded else np.nan, values)
        found = interval(told, 0.0, lost)
        assert interval(values, 0.0)["high"] * 0.99 < found["high"] < 1.2 * values[-n]
        assert found["low"] == pytest.approx(interval(values, 0.0)["low"], rel=1e-3)
        assert not bounded or found["high"] <= values[-n]
    many = np.arange(201) > 200 - 6
    assert interval(np.where(many, values[-6], values), 0.0, many)["high"] is None
    one = np.array([False, True, False])
    assert interval(np.array([5.0, 9.0, 4.0]), None, one)["high"] is None


def test_no_end_lies_beyond_where_a_draw_was_lost():
    """The lost one may be no further than its bound, and the draws left scatter beyond that."""
    rng = np.random.default_rng(10)
    y = np.concatenate(([0.0], rng.standard_normal(200)))
    lost = np.arange(201) == 3
    assert interval(np.where(lost, 1.5, y), None, lost)["high"] is None
    assert interval(np.where(lost, 3.5, y), None, lost)["high"] < 3.5


def test_a_draw_lost_before_the_estimate_brings_the_lower_end_forward():
    times = np.array([29.0, 28.0, 27.5, 30.0, 15.0, 16.0])
    lost = np.array([False, False, False, False, True, True])
    assert interval(times, 0.0, lost)["low"] < 15.0
    assert interval(times[:4], 0.0, lost[:4])["low"] > 26.0


def test_ends_of_a_bore_that_a_deposit_may_cool_much_or_next_to_nothing():
    """Rises of 1000 K without it; one law for both sides would have the bore hotter than that."""
    rng = np.random.default_rng(3)
    R = 0.2 * np.exp(np.concatenate(([0.0], rng.normal(0.0, 0.8, 20000))))
    T = 280.0 + 1000.0 / (1.0 + R)
    found = interval(T, 280.0)
    high = np.quantile(T, 0.975)
    one_law = 280.0 + (T[0] - 280.0) * np.exp(1.96 * np.std(np.log(T - 280.0)))
    assert high < found["high"] < 1280.0 < one_law


def test_a_time_to_a_limit_and_the_interval_at_that_time_agree():
    """Draws that rise at rates of their own, and one that the values stated do not reach."""
    rng = np.random.default_rng(5)
    rate = np.exp(np.concatenate(([0.0], rng.normal(0.2, 0.4, 32))))
    t = np.linspace(0.0, 20.0, 201)
    y = 300.0 + 60.0 * t[:, None] * rate
    found = rising_through(t, y, 900.0, 280.0)
    for end, other in (("low", "high"), ("high", "low"), ("estimate", "estimate")):
        then = interval(300.0 + 60.0 * found[end] * rate, 280.0)
        assert then[other] == pytest.approx(900.0, abs=0.5)
    assert found["low"] < found["estimate"] < found["high"]
    never = rising_through(t, y, 1600.0, 280.0)
    assert never["estimate"] is never["high"] is None
    assert 0.0 < never["low"] < 20.0
    assert rising_through(t, y, 9000.0, 280.0) == {"estimate": None, "low": None, "high": None}


def test_a_lost_estimate_leaves_the_outermost_of_all_bounds():
    lost = np.array([True, False, True])
    assert interval(np.array([9.0, 7.0, 8.0]), 0.0, lost) == {
        "estimate": None, "low": 7.0, "high": None}
    assert interval(np.array([9.0, 7.0, 8.0]), 0.0, lost, "below") == {
        "estimate": None, "low": None, "high": 9.0}


@pytest.mark.parametrize("draws", [5, 33])
def test_how_uncertain_an_end_is_follows_from_pairs_of_draws(draws):
    """Against many repeats of normal draws in pairs that mirror each other."""
    rng = np.random.default_rng(3)
    half = rng.standard_normal((4000, draws // 2))
    every = np.concatenate((np.zeros((4000, 1)), half, -half), axis=1)
    widths = np.array([interval(v)["high"] for v in every])
    assert widths.std() / widths.mean() == pytest.approx(interval_error(draws), rel=0.12)


def test_crossing_between_two_steps():
    t = np.array([0.0, 1.0, 3.0])
    y = np.array([[300.0, 700.0, 300.0], [500.0, 800.0, 310.0], [900.0, 900.0, 320.0]])
    assert crossing(t, y, 600.0) == pytest.approx([1.5, 0.0, np.nan], nan_ok=True)


def test_a_crossing_hardly_depends_on_the_steps():
    """Of 1 - exp(-t), in steps of 0.5 s from two starts; linear it would be 6 ms off."""
    expected = -np.log(0.3)
    for shift in (0.0, 0.2, 0.35):
        t = np.concatenate(([0.0], np.arange(0.5 - shift, 4.0, 0.5)))
        y = 1.0 - np.exp(-t)[:, None]
        assert crossing(t, y, 0.7)[0] == pytest.approx(expected, abs=2e-3)
    assert abs(np.interp(0.7, y[:, 0], t) - expected) > 5e-3


def test_peak_says_when_and_where():
    y = np.zeros((3, 2, 2))
    y[1, 0, 0], y[2, 1, 1] = 5.0, 7.0
    highest, when, where = peak(np.array([0.0, 1.0, 2.0]), y)
    assert (list(highest), list(when), list(where)) == ([5.0, 7.0], [1.0, 2.0], [0, 1])


def test_where_a_bore_is_hottest_is_the_stretch_that_is_as_hot_or_that_draws_name():
    z = np.linspace(0.0, 0.4, 5)
    even = np.array([[300.0] * 5, [899.2, 900.0, 899.5, 899.9, 890.0]])[:, :, None]
    assert hottest_between(z, even, np.array([1])) == pytest.approx([0.0, 0.3])
    peaked = np.array([[300.0] * 5, [800.0, 850.0, 900.0, 850.0, 800.0]])[:, :, None]
    assert hottest_between(z, peaked, np.array([2])) == pytest.approx([0.2, 0.2])
    assert hottest_between(z, peaked, np.array([2, *([1] * 20), *([2] * 20)])) == (
        pytest.approx([0.1, 0.2]))
