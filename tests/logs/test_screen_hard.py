"""Faults where screening once went wrong: slow logs, no record before ignition, soft breaks."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from .firing import AMBIENT, Firing, Station
from .test_screen import falls, only, random_firing, screen, spoiled


def test_three_spikes_within_a_second_of_a_slow_log_cost_their_samples_only():
    firing = Firing(rate=10.0)

    def spiked(t, y, _):
        for moment, height in ((0.9, -46.0), (1.3, -124.0), (1.6, -170.0)):
            y[np.argmin(np.abs(t - moment))] += height
        return y

    channel = only(screen(firing, spoiled(spiked, firing)))
    assert channel.verdict == "spikes"
    hit = np.isin(np.round(firing.t, 1), (0.9, 1.3, 1.6))
    assert hit.sum() == 3
    assert not channel.good[hit].any()
    assert (~channel.good).sum() <= 12
    assert channel.used_until == firing.t[-1]


@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("moment", [1.9, 5.0, 9.0])
def test_the_corner_of_an_opening_lead_is_no_spike(seed, moment):
    stations = tuple(Station(h, cooling=60.0, noise=0.1) for h in (50, 55, 60, 66, 52, 58))
    firing = Firing(stations, rate=10.0, start=-0.1, burn=11.5, quantum=0.1, seed=seed)
    for rate in (150.0, 310.0):
        readings = spoiled(lambda t, y, _, k=rate: falls(t, y, moment, k), firing)
        channel = only(screen(firing, readings))
        assert "open" in channel.verdict
        assert moment - 0.6 < channel.used_until <= moment + 0.1


def test_a_lead_that_opens_early_is_not_reversed():
    def opened(t, y, _):
        return falls(t, y, 1.2, 310.0)

    channel = only(screen(Firing(), spoiled(opened)))
    assert channel.verdict == "open"
    assert channel.used_until == pytest.approx(1.1, abs=0.1)


@pytest.mark.parametrize("rate", [20.0, 100.0])
def test_a_wild_channel_without_a_record_before_ignition_moves_and_keeps_its_own_noise(rate):
    firing = Firing(rate=rate, start=-0.1)

    def wild(t, y, rng):
        return np.where(t >= 2.6, y + 300.0 * rng.standard_normal(t.size), y)

    channel = only(screen(firing, spoiled(wild, firing)))
    assert channel.verdict == "open"
    assert channel.used_until == pytest.approx(2.5, abs=0.15)
    assert channel.noise < 1.5


@pytest.mark.parametrize("seeds", [
    range(8), pytest.param(range(8, 20), marks=pytest.mark.slow)])
def test_the_corner_of_a_thin_wall_at_shutdown_is_not_clipped(seeds):
    stations = tuple(Station(h, 0.07, 0.15, 63.0, 0.2) for h in (38, 41, 44, 40, 36, 42, 39))
    firing = Firing(stations, rate=20.0, start=-0.5, quantum=0.5)
    flat = np.full(firing.t.size, False)
    for seed in seeds:
        readings = firing.but(seed=seed).readings()
        top = readings[1].max()
        near = (firing.t > firing.burn + 0.2) & (firing.t < firing.burn + 0.75)
        readings[1][near] = top
        flat |= near
        assert {c.verdict for c in screen(firing, readings).values()} == {"ok"}
    assert flat.sum() >= 8


def fading(moment, tau, flapping, memory):
    """A junction that leaves the wall softly and cools, rattling for ``memory`` seconds a time."""

    def change(t, y, rng):
        after = t >= moment
        phi = np.exp(-(t[1] - t[0]) / memory)
        drive = flapping * np.sqrt(1 - phi**2) * rng.standard_normal(after.sum())
        cooled = AMBIENT + (y[after][0] - AMBIENT) * np.exp(-(t[after] - moment) / tau)
        y[after] = cooled + lfilter([1.0], [1.0, -phi], drive)
        return y

    return change


@pytest.mark.parametrize("seeds", [
    range(6), pytest.param(range(6, 12), marks=pytest.mark.slow)])
def test_a_junction_that_leaves_softly_is_known_by_its_early_cooling(seeds):
    stations = tuple(Station(25.0 * s, 1.1, 0.17, 60.0, 1.0) for s in (1.0, 0.8, 1.1, 0.9, 0.7))
    firing = Firing(stations, rate=20.0, start=-0.5, burn=4.0)
    for seed in seeds:
        firing = firing.but(seed=seed)
        channel = only(screen(firing, spoiled(fading(6.5, 4.5, 1.0, 0.05), firing)))
        assert channel.verdict == "detached", seed
        assert 5.5 < channel.used_until < 9.0


@pytest.mark.parametrize("flapping", [3.0, 6.0, 10.0])
def test_rattling_after_a_junction_left_is_not_taken_for_spikes(flapping):
    firing = Firing(rate=100.0, start=-2.0, end=30.0, burn=4.0)
    channel = only(screen(firing, spoiled(fading(1.9, 4.0, flapping, 0.03), firing)))
    assert channel.verdict == "detached"
    assert channel.used_until == pytest.approx(1.8, abs=0.1)


@pytest.mark.parametrize("seeds", [
    range(700, 724), pytest.param(range(724, 760), marks=pytest.mark.slow)])
def test_a_fault_spoils_no_other_channel(seeds):
    count = 0
    for seed in seeds:
        firing = random_firing(seed)
        if len(firing.stations) < 4:
            continue
        rng = np.random.default_rng(seed)
        moment = rng.uniform(0.5, firing.burn + 5.0)
        change = [
            lambda t, y, r, m=moment: np.where(t < m, y, 1645.15),
            lambda t, y, r, m=moment: np.where(t < m, y, y + 300.0 * r.standard_normal(t.size)),
            lambda t, y, r: AMBIENT + 0.6 * r.standard_normal(t.size),
        ][seed % 3]
        channel = only(screen(firing, spoiled(change, firing)))
        assert channel.verdict in ("open", "dead", "open, spikes")
        count += 1
    assert 2 * count >= len(seeds)
