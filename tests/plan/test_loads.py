"""Limit loads over gas pressure of draws, when they fall below a factor, and elastic stresses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.wall.walls import solid, wall
from wallsim.materials import load_solid
from wallsim.plan.answers import interval
from wallsim.plan.ensemble import Track
from wallsim.plan.followed import Followed
from wallsim.plan.loads import Grid, elastic_stresses, falls_below, load_interval, margins

STEEL = load_solid("carbon steel")
END = 1473.15
"""Of its tables [K]."""
COLD = 2.0 / np.sqrt(3.0) * 235e6 * np.log(1.5)
"""Limit load of the tube below at 20 degC [Pa]."""


def tube():
    return wall(thickness=0.0095, n_r=6, n_z=4)


def below(T, t, factor, pressure, strength=STEEL.yield_strength):
    """When evenly warm tubes at T (n_t, n_draws) fall below the factor."""
    w = tube()
    track = Track(t, np.repeat(T[:, None], w.size, axis=1))
    followed, grid = Followed.of(track, END), Grid.of(w)
    p = np.repeat(pressure[:, None], grid.z.size, axis=1)
    found = margins(grid, followed.track, p, strength)
    return falls_below(factor, found, grid, followed, p, strength)


def test_no_limit_load_lies_above_that_of_the_cold_wall():
    """Loads of walls that are nearly cold in half of the draws, and far below in the others."""
    values = np.array([180.0, 182.9, 90.0, 182.0, 120.0, 181.0, 150.0])
    found = load_interval(values, 183.0)
    assert interval(values, 0.0)["high"] > 183.0
    assert 180.0 < found["high"] <= 183.0
    assert found["low"] < 90.0
    lost = load_interval(values, 183.0, values < 100.0)
    assert lost["low"] is None
    assert 180.0 < lost["high"] <= 183.0
    rng = np.random.default_rng(4)
    even = 50.0 * np.exp(0.02 * np.concatenate(([0.0], rng.standard_normal(4000))))
    assert load_interval(even, 183.0)["low"] == pytest.approx(interval(even, 0.0)["low"], rel=2e-3)
    assert load_interval(np.array([183.0, 183.0, 183.0]), 183.0) == {
        "estimate": 183.0, "low": 183.0, "high": 183.0}


def test_margin_of_a_wall_that_is_hot_at_one_station():
    """EN 1993-1-2:2005, Table 3.1: at 600 degC carbon steel has 0.47 of its strength."""
    w = tube()
    grid = Grid.of(w)
    T = np.full((1, w.size, 2), 293.15)
    T.reshape(grid.z.size, grid.r.size, 2)[3, :, 1] = 873.15
    pressure = np.full((1, grid.z.size), 10e6)
    found = margins(grid, Track(np.array([0.0]), T), pressure, STEEL.yield_strength)
    even = 2.0 / np.sqrt(3.0) * 235.0 * np.log(1.5) / 10.0
    assert found.lowest[0] == pytest.approx([even, 0.47 * even], rel=1e-6)
    assert found.place[0, 1] == 3


def test_stresses_of_a_metal_without_elastic_constants_are_those_of_pressure_alone():
    w = wall(n_r=2, n_z=4)
    track = Track(np.array([0.0]), np.full((1, w.size, 1), 300.0))
    none = np.zeros(1, dtype=bool)
    told = elastic_stresses(Grid.of(w), track, none, np.array([1e5, 2e6]), solid())
    assert told["thermal_hoop_stress_Pa"] is None
    bore, outside = Grid.of(w).r[[0, -1]]
    expected = 2e6 * (outside**2 + bore**2) / (outside**2 - bore**2)
    assert told["pressure_hoop_stress_Pa"]["bore"] == pytest.approx(expected)


@pytest.mark.parametrize("first", [0.0, 0.4, 0.8, 1.2, 1.6])
def test_a_load_falls_below_a_factor_at_one_time_wherever_the_steps_lie(first):
    """EN 1993-1-2:2005, Table 3.1: 0.23 of the strength at 700 degC, 0.11 at 800, 0.06 at 900.

    One draw is heated at a steady rate, one ever more slowly, by 1000 K exp(-t/8 s) less.
    """
    t = first + np.arange(0.0, 28.0, 2.0)
    T = np.stack((320.0 + 50.0 * t, 1313.15 - 1000.0 * np.exp(-t / 8.0)), axis=1)
    found = below(T, t, 0.17, np.full(t.size, COLD))
    expected = [(1023.15 - 320.0) / 50.0, 8.0 * np.log(1000.0 / 290.0)]
    assert found == pytest.approx(expected, rel=2e-3)
    assert np.isnan(below(T[:4], t[:4], 0.05, np.full(4, COLD))).all()
    assert below(T, t, 20.0, np.full(t.size, COLD)) == pytest.approx([first, first])


@pytest.mark.parametrize("first", [0.0, 0.4, 0.8, 1.2, 1.6])
def test_a_load_that_falls_below_just_before_a_draw_leaves_is_found(first):
    """At 75 K/s it has 0.01 of its strength, at 1150 degC, at 16.31 s, and leaves at 16.98 s."""
    t = first + np.arange(0.0, 24.0, 2.0)
    T = np.stack((200.0 + 75.0 * t, 200.0 + 70.0 * t), axis=1)
    found = below(T, t, 0.01, np.full(t.size, COLD))
    assert found == pytest.approx([1223.15 / 75.0, 1223.15 / 70.0], rel=1e-6)


def test_pressure_that_goes_on_rising_after_a_draw_left_is_not_looked_at():
    """A metal as strong when hot; the second draw stays cold."""
    t = np.arange(0.0, 24.0, 2.0)
    T = np.stack((200.0 + 75.0 * t, np.full(t.size, 300.0)), axis=1)
    pressure = COLD * np.where(t < 20.0, 0.1, 1.0)
    even = replace(STEEL.yield_strength, y=np.full_like(STEEL.yield_strength.x, 235e6))
    assert below(T, t, 1.5, pressure, even) == pytest.approx(
        [np.nan, 18.0 + 2.0 * (1.0 / 1.5 - 0.1) / 0.9], rel=2e-3, nan_ok=True)
