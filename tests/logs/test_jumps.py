"""A clock that jumps forward, told from scans that are lost, wherever either happens."""

import numpy as np
import pytest

from tests.logs.firing import Firing, Station
from wallsim.logs.jumps import standstills

RATES = (50.0, 10.0, 5.0)


def firing(rate, **changes):
    return Firing(rate=rate, **changes)


def jumped(t, at, by):
    return np.where(np.arange(t.size) >= at, t + by, t)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("when", [2.0, 4.0, 6.5])
@pytest.mark.parametrize("by", [1.0, 2.5, 10.0])
def test_a_jump_while_burning_is_found_with_its_size(rate, when, by):
    made = firing(rate)
    at = int(np.searchsorted(made.t, when - 1e-9))
    t = jumped(made.t, at, by)
    (found,) = standstills(t, made.readings())
    assert (found.start, found.end) == (t[at - 1], t[at])
    assert found.jump == pytest.approx(by)
    assert found.slope > 5.0


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_lost_scans_are_no_jump_wherever_they_are(rate, seed):
    made = firing(rate, seed=seed)
    readings = made.readings()
    for start in np.arange(-4.0, 22.0, 0.5):
        for span in (0.6, 1.0, 2.5, 5.0):
            kept = (made.t < start) | (made.t > start + span)
            t = made.t[kept]
            assert standstills(t, [y[kept] for y in readings]) == (), (start, span)


def test_nothing_is_said_where_nothing_can_be_told():
    made = firing(10.0)
    at = int(np.searchsorted(made.t, -2.0))
    t = jumped(made.t, at, 2.5)
    assert standstills(t, made.readings()) == ()
    t = jumped(made.t, int(np.searchsorted(made.t, 4.0)), 0.3)
    slow = Firing(rate=10.0, stations=(Station(heating=1.0, noise=2.0),) * 3)
    assert standstills(t, slow.readings()) == ()


def test_one_channel_that_stands_still_among_others_is_no_jump():
    made = firing(10.0)
    kept = (made.t < 4.0) | (made.t > 6.5)
    t = made.t[kept]
    held, *others = (y[kept] for y in made.readings())
    first, last = np.flatnonzero(t < 4.0)[-1], np.flatnonzero(t > 6.5)[0]
    held[last:] -= held[last] - held[first]
    assert standstills(t, [held, *others]) == ()


def test_a_faulty_channel_among_others_does_not_hide_a_jump():
    made = firing(10.0)
    at = int(np.searchsorted(made.t, 4.0))
    t = jumped(made.t, at, 2.5)
    first, *others = made.readings()
    first[at:] += 60.0
    others[0][:] = np.nan
    assert len(standstills(t, [first, *others])) == 1
