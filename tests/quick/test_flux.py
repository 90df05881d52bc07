"""Flux from one outer trace, against closed forms of the direct problem."""

import numpy as np
import pytest

from tests.exact.bodies import metal
from tests.exact.series import flux as cylinder
from wallsim.quick.inverse import (
    Record,
    Smoothed,
    calorimetric,
    exact_inverse,
    lumped_slope,
    march_inwards,
    smooth,
    smoothing_time,
)
from wallsim.quick.radial_wall import RadialWall
from wallsim.quick.sequential import RadialMarch, future_steps, march_sequentially, sequential

START = 300.0


def insulated(solid, inner, outer):
    return RadialWall(solid, 1.0, 1.0, inner, outer, 0.0, 0.0, START, False)


PLATE = insulated(metal(1.0, 1.0, 1.0), 1e4, 1e4 + 1.0)
"""A slab of unit thickness and properties: time is Fo, flux is that over k/L."""
TUBE = insulated(metal(20.0, 500.0, 8000.0, span=(1.0, 8000.0)), 0.012, 0.020)


def record(t, T, burn):
    return Record("R1", "b", "S1", 0.1, START, burn, float(t[1] - t[0]), t, T)


def slab_back(fourier):
    """Rise of the insulated face of a slab under unit flux from t = 0.

    Carslaw & Jaeger 1959, section 3.8.
    """
    n = np.arange(1, 200)
    fo = np.atleast_1d(np.maximum(fourier, 0.0))[:, None]
    modes = ((-1.0) ** n * np.exp(-(n**2) * np.pi**2 * fo) / n**2).sum(axis=1)
    return np.where(fo[:, 0] > 0.0, fo[:, 0] - 1.0 / 6.0 - 2.0 / np.pi**2 * modes, 0.0)


def slab_back_under_ramp(fourier):
    """Integral of `slab_back`: rise under a flux that grows as t."""
    n = np.arange(1, 200)
    fo = np.atleast_1d(np.maximum(fourier, 0.0))[:, None]
    decay = -np.expm1(-(n**2) * np.pi**2 * fo)
    modes = ((-1.0) ** n * decay / n**4).sum(axis=1)
    return np.where(fo[:, 0] > 0.0,
                    fo[:, 0] ** 2 / 2.0 - fo[:, 0] / 6.0 - 2.0 / np.pi**4 * modes, 0.0)


def pulse(t):
    return np.clip(np.minimum(t, 1.2 - t), 0.0, None)


def back_under_pulse(t):
    ramp = slab_back_under_ramp
    return ramp(t) - 2.0 * ramp(t - 0.6) + ramp(t - 1.2)


def tube_trace(dt, until, q=2e5):
    """Bore and outer trace of a tube under constant flux [W/m^2]."""
    t = dt * np.arange(1, round(until / dt) + 1)
    a = 20.0 / (500.0 * 8000.0)
    ratio = TUBE.outer / TUBE.inner
    T = START + q * TUBE.inner / 20.0 * cylinder(ratio, [1.0, ratio], a * t / TUBE.inner**2)
    return t, T


def test_series_of_the_pulse_ends_at_its_area():
    assert back_under_pulse(np.array([6.0]))[0] == pytest.approx(0.36, abs=1e-9)


def test_lumped_slope_lags_as_the_series_says():
    """Its share of a constant flux in a slab is 1 + 2 sum (-1)^n exp(-n^2 pi^2 Fo).

    The derivative of `slab_back`. Smoothed hardly at all here: what is tested is the method.
    """
    t = np.arange(1, 400) * 0.0025
    fo = np.array([0.1, 0.125, 0.2, 0.3, 0.5, 0.6])
    T, slope = smooth(record(t, START + slab_back(t), 1.0), 0.005, fo)
    got = lumped_slope(Smoothed(fo, T, slope, 0.005, 1.0), PLATE)
    n = np.arange(1, 50)
    modes = (-1.0) ** n * np.exp(-np.outer(fo[:-1], n**2) * np.pi**2)
    assert got.t[-1] == 0.5
    np.testing.assert_allclose(got.flux, 1.0 + 2.0 * modes.sum(axis=1), atol=1e-3)


def test_inward_march_finds_flux_and_bore_of_a_heated_tube():
    t, T = tube_trace(0.05, 30.0)
    bore, flux = march_inwards(T[:, 1], TUBE, 0.05)
    late = (t > 10.0) & (t < 29.0)
    np.testing.assert_allclose(flux[late], 2e5, rtol=1e-4)
    np.testing.assert_allclose(bore[late] - START, T[late, 0] - START, rtol=5e-4)


def test_inverses_recover_a_constant_flux_after_the_lag_of_the_smoothing():
    t, T = tube_trace(0.1, 24.0)
    one = record(t, T[:, 1], 20.0)
    exact = exact_inverse(Smoothed.of(one, TUBE), TUBE)
    steps = sequential([one], TUBE)[0]
    for found in (exact, steps):
        inside = (found.t > 3.0) & (found.t < 16.5)
        assert inside.sum() > 100
        np.testing.assert_allclose(found.flux[inside], 2e5, rtol=0.01)
        true = np.interp(found.t[inside], t, T[:, 0])
        np.testing.assert_allclose(found.bore[inside] - START, true - START, rtol=0.01)


@pytest.mark.parametrize(("future", "error", "noisy"), [(0.12, 0.01, 0.05), (0.24, 0.02, 0.006)])
def test_triangular_pulse_from_the_insulated_face(future, error, noisy):
    """Steps of 0.02, readings of the far face, as bias against noise.

    The trial of Beck, Blackwell & St. Clair, Inverse Heat Conduction (1985); peak at 0.6 and end
    at 1.2 from memory.
    """
    dt, r = 0.02, round(future / 0.02)
    t = dt * np.arange(1, 91 + r)
    march = RadialMarch.of(PLATE, dt, 25)
    noise = 1e-3 * np.random.default_rng(5).standard_normal(t.size)
    Y = START + back_under_pulse(t) + np.array([np.zeros(t.size), noise])
    flux, _ = march_sequentially(Y, np.full(2, START), march, r)
    middle = t[:90] - 0.5 * dt
    wrong = flux - pulse(middle)
    assert np.sqrt(np.mean(wrong[0] ** 2)) < error
    assert np.sqrt(np.mean((flux[1] - flux[0]) ** 2)) < noisy
    assert dt * flux[0].sum() == pytest.approx(0.36, rel=1e-3)
    assert middle[np.argmax(flux[0])] == pytest.approx(0.6, abs=0.02)


def test_properties_at_temperature():
    """A metal whose k and c rise alike with temperature: exact in integral of k dT, a fixed a.

    The constant flux then has the closed form of constant properties in that integral.
    """
    def grows(T):
        return 20.0 * (1.0 + 1e-3 * (T - START))

    solid = metal(grows, lambda T: 25.0 * grows(T), 8000.0, span=(1.0, 3000.0))
    wall = insulated(solid, TUBE.inner, TUBE.outer)
    t, linear = tube_trace(0.1, 24.0, 6e5)
    rise = 1e3 * (np.sqrt(1.0 + 2e-3 * (linear - START)) - 1.0)
    one = record(t, START + rise[:, 1], 20.0)
    assert rise[:, 1].max() > 150.0
    for found in (exact_inverse(Smoothed.of(one, wall), wall), sequential([one], wall)[0]):
        inside = (found.t > 3.0) & (found.t < 16.5)
        np.testing.assert_allclose(found.flux[inside], 6e5, rtol=0.015)
        true = np.interp(found.t[inside], t, rise[:, 0])
        np.testing.assert_allclose(found.bore[inside] - START, true, rtol=0.015)


def test_outside_loss_is_added():
    """Steady state: what enters the bore leaves outside."""
    wall = RadialWall(TUBE.solid, 1.0, 1.0, TUBE.inner, TUBE.outer, 0.7, 0.0, START, False)
    T = np.full(80, 800.0)
    lost = wall.outer / wall.inner * wall.loss(np.array([800.0]))[0][0]
    _, flux = march_inwards(T, wall, 0.1)
    np.testing.assert_allclose(flux, lost, rtol=1e-9)
    Y = np.full((1, 600), 800.0)
    found, _ = march_sequentially(Y, np.array([800.0]), RadialMarch.of(wall, 0.1), 34)
    assert found[0, -1] == pytest.approx(lost, rel=1e-3)


def test_calorimetric_finds_the_heat_of_a_burn():
    """A slab that was heated for 0.8 evens out; no losses."""
    t = np.arange(1, 400) * 0.005
    one = record(t, START + slab_back(t) - slab_back(t - 0.8), 0.8)
    # The peak of an insulated wall is a plateau: a slow fall marks it.
    cooled = record(t, one.T - 0.02 * np.clip(t - 1.3, 0.0, None), 0.8)
    found = calorimetric(cooled, PLATE)
    assert found.flux == pytest.approx(1.0, rel=0.01)
    assert 1.1 < found.peak_at < 1.5
    cut = record(t[t < 0.9], one.T[t < 0.9], 0.8)
    assert calorimetric(cut, PLATE) is None


def test_nothing_is_told_beyond_the_readings():
    t, T = tube_trace(0.1, 24.0)
    lost = t < 9.0
    one = record(t[lost], T[lost, 1], 20.0)
    exact = exact_inverse(Smoothed.of(one, TUBE), TUBE)
    steps = sequential([one], TUBE)[0]
    width = smoothing_time(TUBE, 0.1)
    assert exact.t[-1] <= 9.0 - 2.0 * width + 0.1
    assert np.isfinite(exact.flux).all()
    read = steps.t[np.isfinite(steps.flux)]
    assert 9.0 - 0.1 * future_steps(TUBE, 0.1) <= read[-1] < 8.0
    np.testing.assert_allclose(exact.flux[exact.t > 4.0], 2e5, rtol=0.02)


def test_a_gap_shorter_than_the_smoothing_is_bridged():
    t, T = tube_trace(0.1, 24.0)
    keep = (t < 8.0) | (t > 8.4)
    one = record(t, T[:, 1], 20.0)
    holed = record(t[keep], T[keep, 1], 20.0)
    full = exact_inverse(Smoothed.of(one, TUBE), TUBE)
    got = exact_inverse(Smoothed.of(holed, TUBE), TUBE)
    np.testing.assert_allclose(got.flux, full.flux, rtol=0.01, atol=2e3)


def test_a_long_burn_is_cut_into_no_more_steps():
    t, T = tube_trace(0.1, 300.0, 1e4)
    one = record(t, T[:, 1], 295.0)
    assert one.step == pytest.approx(0.8)
    for found in (exact_inverse(Smoothed.of(one, TUBE), TUBE), sequential([one], TUBE)[0]):
        assert found.t.size < 400
        inside = (found.t > 6.0 * smoothing_time(TUBE, one.step)) & (found.t < 290.0)
        np.testing.assert_allclose(found.flux[inside], 1e4, rtol=0.01)
