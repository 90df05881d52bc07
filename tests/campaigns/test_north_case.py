"""The north campaign's case file says what the test team wrote down, and no more."""

from __future__ import annotations

import math

import pytest

from wallsim.build import load_campaign


def test_tube_and_sensors(north_case):
    tube = north_case.tube
    assert tube.fixed_diameter == "outside"
    assert tube.bore.value == pytest.approx(0.0483 - 2.0 * 0.00508)
    assert tube.wall.sd == pytest.approx(0.508e-3 / math.sqrt(3.0), rel=0.02)
    assert tube.outside.ambient == pytest.approx(287.15)
    z = [0.04, 0.085, 0.13, 0.18, 0.235, 0.29, 0.345, 0.41]
    assert [s.z.value for s in north_case.sensors] == pytest.approx(z)
    assert [s.z.sd for s in north_case.sensors] == pytest.approx([1e-3] * 8)


def test_ranges_are_taken_as_uniform(north_case):
    """0.05 to 0.15 s and 0 to 4 %: the middle, and half the range over the root of three."""
    for sensor in north_case.sensors:
        assert sensor.lag.value == pytest.approx(0.1)
        assert sensor.lag.sd == pytest.approx(0.05 / math.sqrt(3.0), rel=0.02)
        assert sensor.lead_loss.value == pytest.approx(0.02)
        assert sensor.lead_loss.sd == pytest.approx(0.02 / math.sqrt(3.0), rel=0.02)


def test_blends(north_case):
    M0, M1, M2, D2 = (north_case.blends[name] for name in ("M0", "M1", "M2", "D2"))
    assert (M0.gas_temperature.value, M0.gas_temperature.sd) == (2450.0, 120.0)
    assert M1.gas_temperature == M2.gas_temperature == M0.gas_temperature
    assert (D2.gas_temperature.value, D2.gas_temperature.sd) == (2650.0, 120.0)
    assert D2.coefficient.sd == pytest.approx(0.05)
    assert [b.deposit is None for b in (M0, M1, M2, D2)] == [True, False, False, False]
    # Hexamethyldisiloxane is (CH3)3Si-O-Si(CH3)3; standard atomic weights of H, C, O, Si.
    silicon = 2 * 28.085 / (2 * 28.085 + 15.999 + 6 * 12.011 + 18 * 1.008)
    for blend, dosed in ((M0, 0.0), (M1, 0.005), (M2, 0.015), (D2, 0.015)):
        assert blend.silicon == pytest.approx(dosed * silicon, rel=1e-3)


def test_lost_channels_are_left_to_the_screening(north_case):
    assert [run.blend for run in north_case.runs] == ["M0", "M0", "M1", "M1", "M2", "M2", "D2"]
    for run in north_case.runs:
        assert run.log.is_file()
        assert run.start is None
        assert not run.exclude
        assert (run.ignition, run.shutdown) == (None, None)
    assert north_case.fit.limit_temperature == pytest.approx(1173.15)


def test_nothing_in_it_looks_like_a_slip_of_units(north_case):
    assert load_campaign(north_case).remarks == ()
