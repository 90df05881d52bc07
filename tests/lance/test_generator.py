"""The generator against closed forms and its own account; the committed campaign against it."""

import hashlib
import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import i0, i1, k0, k1

from .campaign import lance
from .conduction import Resolution, Wall, simulate
from .firing import bore_exchange, lagged, march, read
from .generate import LOGS, TRUTH, log_text, make
from .metals import CARBON_STEEL, STAINLESS, constant_metal


@pytest.fixture(scope="module")
def truth():
    return json.loads(TRUTH.read_text(encoding="utf-8"))


# Step of gas temperature on the bore, outside insulated: the series of Carslaw & Jaeger,
# Conduction of Heat in Solids (1959), ch. VII, summed to ten digits:
# ro/ri, Bi = h ri/k, Fo = a t/ri^2, rise at bore and outside over that of the gas.
SERIES = [
    (2.0, 1.0, 0.5, 0.4179965295, 0.1619451428),
    (2.0, 10.0, 0.1, 0.7990221611, 0.0227195270),
    (1.1, 1.0, 0.05, 0.3897655075, 0.3595305194),
    (1.1, 10.0, 0.02, 0.8217098732, 0.7285426851),
]


@pytest.mark.parametrize(("ratio", "biot", "fourier", "bore", "outside"), SERIES)
def test_hollow_cylinder_heated_from_the_bore(ratio, biot, fourier, bore, outside):
    k, rho, c, r_i = 20.0, 8000.0, 500.0, 0.012
    wall = Wall(
        constant_metal(k, rho, c),
        2.0 * r_i,
        (ratio - 1.0) * r_i,
        0.1,
        contact=(0.0, 0.0),
        emissivity=0.0,
        outside_coefficient=0.0,
        ambient=300.0,
    )
    duration = fourier * r_i**2 * rho * c / k
    h = biot * k / r_i
    errors = []
    for n_r, n_t in ((24, 100), (48, 200)):
        record = simulate(
            wall,
            lambda z, t: (np.full_like(z, h), np.full_like(z, 1300.0)),
            duration,
            Resolution(n_r, 4, duration / n_t),
        )
        rise = (np.array([record.bore[-1, 0], record.outer[-1, 0]]) - 300.0) / 1000.0
        errors.append(np.abs(rise - [bore, outside]))
    assert errors[1].max() < 1.0e-4
    assert errors[1].max() < 0.35 * errors[0].max()


def test_axial_conduction_against_the_exact_steady_mode():
    """Robin on both faces, gas temperature a cosine: separation of variables, constant k."""
    r_i, r_o, length, k, h, h_o = 0.02, 0.03, 0.1, 20.0, 1000.0, 50.0
    beta = np.pi / length
    matrix = [
        [
            h * i0(beta * r_i) - k * beta * i1(beta * r_i),
            h * k0(beta * r_i) + k * beta * k1(beta * r_i),
        ],
        [
            k * beta * i1(beta * r_o) + h_o * i0(beta * r_o),
            h_o * k0(beta * r_o) - k * beta * k1(beta * r_o),
        ],
    ]
    a, c = np.linalg.solve(matrix, [h * 300.0, 0.0])
    expected = a * i0(beta * r_o) + c * k0(beta * r_o)
    metal = constant_metal(k, 8000.0, 500.0)
    wall = Wall(metal, 0.04, 0.01, length, (0.0, 0.0), 293.15, 0.0, h_o, 1.0, 293.15)
    record = simulate(
        wall,
        lambda z, t: (np.full_like(z, h), 1773.15 + 300.0 * np.cos(beta * z)),
        600.0,
        Resolution(24, 60, 1.0),
    )
    outer = record.outer_at(np.array([0.02, 0.08]))[-1]
    amplitude = (outer[0] - outer[1]) / (2.0 * np.cos(0.2 * np.pi))
    assert amplitude == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("metal", [STAINLESS, CARBON_STEEL])
def test_antiderivatives(metal):
    T = 273.15 + np.linspace(21.0, 1190.0, 400_001)
    for rate, integral in (
        (metal.specific_heat, metal.heat),
        (metal.conductivity, metal.conductivity_integral),
    ):
        y = rate(T)
        area = np.sum(0.5 * (y[1:] + y[:-1]) * np.diff(T))
        assert integral(T[-1:])[0] - integral(T[:1])[0] == pytest.approx(area, rel=1e-6)


@pytest.mark.parametrize("metal", [STAINLESS, CARBON_STEEL])
def test_heat_account_closes(metal):
    """Also while carbon steel passes the peak of its specific heat at 735 degC."""
    campaign = lance()
    wall = replace(campaign.wall, metal=metal, wall=0.003)
    firing = replace(campaign.firings[0], end=9.0, burn=8.0)
    record = march(replace(campaign, wall=wall), firing, Resolution(12, 24, 0.04))
    assert record.bore.max() > 273.15 + 760.0
    through = record.through_bore + record.through_outside + record.through_ends
    assert np.abs(through - record.stored).max() < 1e-9 * record.stored.max()


def test_bore_heat_is_the_integral_of_its_flux():
    campaign = lance()
    firing = replace(campaign.firings[2], end=6.0)
    record = march(campaign, firing, Resolution(24, 40, 0.02))
    z, flux = record.z, record.bore_flux
    rate = np.pi * campaign.wall.bore * np.trapezoid(flux, z, axis=1)
    rate += np.pi * campaign.wall.bore * (flux[:, 0] * z[0] + flux[:, -1] * (0.4 - z[-1]))
    assert np.trapezoid(rate, record.t) == pytest.approx(record.through_bore[-1], rel=2e-3)


@pytest.mark.slow
def test_grid_and_step_are_fine_enough():
    """Refining everything moves no station by more than 0.1 K in the first 4 s of a burn."""
    campaign = lance()
    firing = replace(campaign.firings[0], end=4.0)
    z = np.array([sensor.z for sensor in campaign.sensors])
    coarse = march(campaign, firing, Resolution()).outer_at(z)
    fine = march(campaign, firing, Resolution(60, 160, 0.01)).outer_at(z)
    difference = np.abs(coarse - fine[::2][: len(coarse)]).max()
    assert 0.0 < difference < 0.1


def test_lag_of_a_ramp_is_exact():
    t = np.arange(200) * 0.02
    y = 300.0 + 40.0 * t
    expected = 300.0 + 40.0 * (t - 0.15 * (1.0 - np.exp(-t / 0.15)))
    assert lagged(y, 0.02, 0.15) == pytest.approx(expected, abs=1e-9)


def test_deposit_reduces_the_flux_by_its_series_resistance():
    campaign = lance()
    neat = replace(campaign.firings[0], multiplier=1.0, gas_factor=1.0, ignition=0.0)
    z = np.array([0.1, 0.3])
    bare, gas = bore_exchange(campaign, neat)(z, 11.0)
    coated, same_gas = bore_exchange(campaign, replace(neat, blend="D5_3"))(z, 11.0)
    R = campaign.deposits["D5_3"].resistance(z, 11.0)
    assert same_gas == pytest.approx(gas)
    assert 1.0 / coated - 1.0 / bare == pytest.approx(R)
    assert bare == pytest.approx(campaign.gas.coefficient(z))


def test_logs_and_truth_belong_together(truth):
    assert {path.stem for path in LOGS.glob("*.csv")} == set(truth["runs"])
    for name, run in truth["runs"].items():
        content = (LOGS / f"{name}.csv").read_bytes()
        assert hashlib.sha256(content).hexdigest() == run["sha256"], name


def _numbers(text):
    lines = [line for line in text.splitlines() if line and line[0] in "-0123456789"]
    if ";" in lines[0]:
        lines = [line.replace(",", ".").replace(";", ",") for line in lines]
    return np.array([[float(cell or "nan") for cell in line.split(",")] for line in lines])


@pytest.mark.slow
def test_one_log_comes_out_again():
    campaign = lance()
    firing = campaign.firings[4]
    readings = read(campaign, firing, march(campaign, firing, Resolution()))
    committed = _numbers((LOGS / "R05.csv").read_text(encoding="utf-8"))
    again = _numbers(log_text(firing, readings))
    # One quantum: rounding may fall the other way on another machine.
    np.testing.assert_allclose(again, committed, atol=0.11)


def _channel(name, sensor):
    """Return log clock [s] and readings [degC] of one channel of a committed log."""
    table = _numbers((LOGS / f"{name}.csv").read_text(encoding="utf-8"))
    return table[:, 0], table[:, 1 + int(sensor[1:])]


def test_logs_carry_the_faults_the_truth_names(truth):
    named = {
        (name, sensor): fault
        for name, run in truth["runs"].items()
        for sensor, fault in run["faults"].items()
    }
    assert {key: fault["kind"] for key, fault in named.items()} == {
        ("R06", "S3"): "detached",
        ("R07", "S8"): "dropouts",
        ("R09", "S5"): "reversed",
    }
    t, loose = _channel("R06", "S3")
    _, sound = _channel("R05", "S3")
    at = named["R06", "S3"]["at_s"]
    # The sound wall still heats at 12 s, five seconds after the free junction began to cool.
    assert np.nanmax(loose) == pytest.approx(np.interp(at, t, loose), abs=10.0)
    assert np.interp(12.0, t, sound) - np.interp(12.0, t, loose) > 100.0
    _, holes = _channel("R07", "S8")
    lost = np.isnan(holes)
    expected = named["R07", "S8"]["share"] * holes.size
    assert abs(lost.sum() - expected) < 4.0 * np.sqrt(expected)
    _, backwards = _channel("R09", "S5")
    # Where the true reading is below what type K can show the cell is empty.
    assert np.nanmin(backwards) < -100.0
    assert -200.0 <= np.nanmin(backwards)
    for name in truth["runs"]:
        for sensor in truth["runs"][name]["sensors"]:
            if (name, sensor) not in named:  # nothing else has empty cells
                assert not np.isnan(_channel(name, sensor)[1]).any(), (name, sensor)


def test_lead_loss_and_lag_change_only_where_welded_anew(truth):
    first = truth["runs"]["R01"]["sensors"]
    for name, run in truth["runs"].items():
        changed = {sensor for sensor in first if run["sensors"][sensor] != first[sensor]}
        assert changed == ({"S6"} if name == "R09" else set()), name
        for sensor in run["sensors"].values():
            assert 0.005 <= sensor["lead_loss"] <= 0.03
            assert 0.03 <= sensor["lag_s"] <= 0.25


@pytest.mark.slow
def test_whole_campaign_comes_out_again(truth):
    logs, again = make(lance())
    for name, text in logs.items():
        committed = _numbers((LOGS / f"{name}.csv").read_text(encoding="utf-8"))
        np.testing.assert_allclose(_numbers(text), committed, atol=0.11)
    for name, run in again["runs"].items():
        assert run["bore_peak_K"] == pytest.approx(truth["runs"][name]["bore_peak_K"], abs=1e-3)
    assert again["blends"] == truth["blends"]


def test_varied_campaigns_differ_and_repeat():
    one, two = lance(1, vary=True), lance(2, vary=True)
    assert one.gas != two.gas
    assert one.firings != two.firings
    assert lance(1, vary=True).gas == one.gas
    assert lance(1, vary=True).deposits == one.deposits
