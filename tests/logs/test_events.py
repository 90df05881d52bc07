from __future__ import annotations

import numpy as np
import pytest

from wallsim.errors import LogError
from wallsim.logs import find_events
from wallsim.logs.events import tap_drift

BAROMETER = 1.013e5
START, END, LEVEL = 0.1234, 4.5678, 4.0e5


def record(rate: float = 100.0, first: float = -2.0, last: float = 12.0, seed: int = 0):
    """Pressure with 1 % scatter whose ramps cross half their height at START and END."""
    t = np.arange(first, last, 1.0 / rate)
    up = np.clip((t - START) / 0.08 + 0.5, 0.0, 1.0)
    down = np.clip((END - t) / 0.08 + 0.5, 0.0, 1.0)
    scatter = 0.01 * np.random.default_rng(seed).standard_normal(t.size)
    return t, BAROMETER + LEVEL * (up * down * (1.0 + scatter) + 0.2 * scatter)


@pytest.mark.parametrize("rate", [25.0, 50.0, 100.0, 500.0])
@pytest.mark.parametrize("seed", range(3))
def test_half_rise_and_half_fall_to_better_than_a_scan(rate, seed):
    events = find_events(*record(rate, seed=seed), "r", barometer=BAROMETER)
    scan = 1.0 / rate
    assert abs(events.ignition - START) < max(0.5 * scan, 0.002)
    assert abs(events.shutdown - END) < max(0.5 * scan, 0.002)
    assert events.plateau == pytest.approx(BAROMETER + LEVEL, rel=0.003)


def test_igniter_spikes_and_a_hard_start_change_nothing():
    t, p = record()
    p[(t > -0.4) & (t < -0.34)] += 3 * LEVEL
    p[(t > START + 0.05) & (t < START + 0.25)] += 1.5 * LEVEL
    p[(t > 9.0) & (t < 9.05)] += 2 * LEVEL
    p[(t > 2.0) & (t < 2.06)] = BAROMETER
    events = find_events(t, p, "r", barometer=BAROMETER)
    assert events.ignition == pytest.approx(START, abs=0.02)
    assert events.shutdown == pytest.approx(END, abs=0.005)
    assert events.plateau == pytest.approx(BAROMETER + LEVEL, rel=0.003)


def test_zero_error_of_the_tap_is_taken_off_the_plateau():
    t, p = record()
    events = find_events(t, p + 0.3e5, "r", barometer=BAROMETER)
    assert events.plateau == pytest.approx(BAROMETER + LEVEL, rel=0.003)
    assert find_events(t, p + 0.3e5, "r").plateau == pytest.approx(
        BAROMETER + LEVEL + 0.3e5, rel=0.003
    )


@pytest.mark.parametrize("share", [-0.08, 0.03])
def test_a_tap_that_drifts_is_seen_by_its_rest_before_and_after(share):
    t, p = record()
    drift = share * LEVEL * (t - t[0]) / (t[-1] - t[0])
    found = tap_drift(t, p + drift, find_events(t, p + drift, "r", barometer=BAROMETER))
    burning = (t > START) & (t < END)
    off = (found - drift)[burning]
    assert np.ptp(off) < 0.05 * np.ptp(drift[burning])


def test_a_steady_tap_and_one_without_a_record_at_rest_do_not_drift():
    t, p = record()
    events = find_events(t, p, "r", barometer=BAROMETER)
    assert not tap_drift(t, p + 0.3e5, events).any()
    ended = t < END + 2.0
    drifting = p + 0.1 * LEVEL * t / t[-1]
    assert tap_drift(t, drifting, events).any()
    assert not tap_drift(t[ended], drifting[ended], events).any()


@pytest.mark.parametrize("first", [START - 0.1, START - 0.3])
def test_a_recorder_started_late(first):
    t, p = record(first=first)
    events = find_events(t, p + 0.2e5, "r", barometer=BAROMETER)
    assert events.ignition == pytest.approx(START, abs=0.005)
    assert events.plateau == pytest.approx(BAROMETER + LEVEL, rel=0.003)


def test_a_short_burn_in_a_long_record():
    t, p = record(rate=50.0, last=120.0)
    events = find_events(t, p, "r", barometer=BAROMETER)
    assert events.shutdown - events.ignition == pytest.approx(END - START, abs=0.01)


def test_no_burn_is_refused_with_run_and_highest_value():
    t, _ = record()
    flat = BAROMETER + 2e3 * np.random.default_rng(1).standard_normal(t.size)
    with pytest.raises(LogError, match=r"run n09: the pressure never rises \(highest 1\.0\d+ bar"):
        find_events(t, flat, "n09")
    with pytest.raises(LogError, match="state ignition and shutdown"):
        find_events(t, np.full(t.size, BAROMETER), "n09")
    assert find_events(t, flat, "n09", ignition=1.0, shutdown=2.0).ignition == 1.0


def test_a_record_that_begins_or_ends_while_burning_asks_for_the_moment():
    t, p = record(first=1.0)
    with pytest.raises(LogError, match=r"run r: the record begins at 1\.000 s .* state 'ignition'"):
        find_events(t, p, "r")
    assert find_events(t, p, "r", ignition=0.12).shutdown == pytest.approx(END, abs=0.005)
    t, p = record(last=3.0)
    with pytest.raises(LogError, match=r"run r: the record ends at 2\.99\d s .* state 'shutdown'"):
        find_events(t, p, "r")


def test_stated_moments_are_checked():
    t, p = record()
    with pytest.raises(LogError, match="is not before shutdown"):
        find_events(t, p, "r", ignition=3.0, shutdown=2.0)
    with pytest.raises(LogError, match="lie outside the log"):
        find_events(t, p, "r", ignition=30.0, shutdown=40.0)


def test_gaps_in_the_pressure_are_bridged_by_the_neighbours():
    t, p = record()
    p[np.random.default_rng(2).random(t.size) < 0.1] = np.nan
    events = find_events(t, p, "r", barometer=BAROMETER)
    assert events.ignition == pytest.approx(START, abs=0.01)


def test_a_stated_burn_on_a_record_that_never_rises_keeps_the_pressure_logged():
    t = np.arange(-2.0, 12.0, 0.01)
    events = find_events(
        t, np.full(t.size, 6.013e5), "F4", barometer=1.013e5, ignition=0.05, shutdown=6.05
    )
    assert events.plateau == pytest.approx(6.013e5)
