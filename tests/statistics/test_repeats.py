"""What repeats are worth: the part of the variance of log R that differs from firing to firing.

A heating factor ``m`` of its own multiplies h in each firing, so that of a bare and of a dosed
firing, ``1/(h m) + R`` and ``1/(h m)`` are told and ``d log R = (d log m_dosed - d log m_bare)/(h
R)``: with n firings of each their mean counts, and with a scatter s the variance is

    s^2/(h R)^2 (1/n_bare + 1/n_dosed)

beside all that the firings share, which no repeat changes (propagation of independent errors,
JCGM 100:2008 section 5.1.2).
"""

import numpy as np
import pytest

from tests.plan.small_plan import write
from wallsim.plan.place_campaign import candidates
from wallsim.plan.place_file import load_plan
from wallsim.plan.place_model import Marched

HEATING = 0.025
H, R = 1500.0, 1.5e-4
COUNTS = ((1, 1), (2, 1), (1, 2), (2, 2), (5, 5))


def variances(folder, gas):
    """Variance of log mean R, and without the scatter, by how often bare and dosed are fired."""
    constant = ('growth = "linear"', 'growth = "constant"')
    scatter = (
        'tolerance = "1 K"',
        f'tolerance = "1 K"\nheating_scatter = "{100 * HEATING} %"\n'
        f'gas_temperature_scatter = "{gas}"',
    )
    plan = load_plan(write(folder, constant=constant, scatter=scatter))
    marched = Marched.of(plan, candidates(plan)[::2])
    informed, wanted = marched.read(plan.thermocouple.rate), marched.gradient(plan.wants[0])
    assert wanted.value == pytest.approx(R)
    out = {}
    for bare, dosed in COUNTS:
        campaign = informed.campaign({"bare": bare, "with": dosed})
        places = range(len(marched.candidates))
        P = np.eye(campaign.size) + sum(campaign.information(k) for k in places)
        [g] = campaign.gradient(wanted)
        shared = np.array([not of.startswith("firing-to-firing") for of in campaign.groups])
        out[bare, dosed] = (
            float(g @ np.linalg.solve(P, g)),
            float(g[shared] @ np.linalg.solve(P[np.ix_(shared, shared)], g[shared])),
        )
    return out


@pytest.fixture(scope="module")
def of_heating(tmp_path_factory):
    """With next to no scatter of the gas temperature."""
    return variances(tmp_path_factory.mktemp("heating"), "0.01 %")


@pytest.mark.parametrize("counts", COUNTS)
def test_scatter_is_carried_as_theory_says(of_heating, counts):
    """Heating is held a little by its own priors: 0.6 to 2.2 % less than if h and R were open."""
    every, shared = of_heating[counts]
    expected = (HEATING / (H * R)) ** 2 * sum(1.0 / n for n in counts)
    assert every - shared == pytest.approx(expected, rel=0.04)


def test_no_repeat_changes_the_rest_but_for_the_noise_it_averages(of_heating):
    once, twice = of_heating[1, 1][1], of_heating[2, 2][1]
    assert 0.9 * once < twice <= once


def test_without_repeats_the_interval_is_wider_than_with_them_on_both_sides(of_heating):
    """Twice both halves what scatter carries, twice one takes a quarter."""
    parts = {counts: every - shared for counts, (every, shared) in of_heating.items()}
    for counts, ratio in (((2, 1), 0.75), ((1, 2), 0.75), ((2, 2), 0.5), ((5, 5), 0.2)):
        assert parts[counts] / parts[1, 1] == pytest.approx(ratio, rel=0.03)


def test_scatter_of_the_gas_temperature_is_carried_alike(tmp_path, of_heating):
    both = {counts: every - shared for counts, (every, shared) in variances(
        tmp_path, "0.5 %").items()}
    assert both[1, 1] > 1.05 * (of_heating[1, 1][0] - of_heating[1, 1][1])
    assert both[1, 1] + both[2, 2] == pytest.approx(both[2, 1] + both[1, 2], rel=0.01)
    assert both[2, 2] / both[1, 1] == pytest.approx(0.5, rel=0.03)
