"""Deposit carried over and lost: against its differential equation, and its exact derivatives."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from tests.wall.walls import parameters, surfaces, wall
from wallsim.wall.deposit import DepositHistory, Loss, Stretch
from wallsim.wall.march import march
from wallsim.wall.model import Surfaces
from wallsim.wall.schedule import LONGEST_SHEDDING, Schedule

BURN, KNOTS = 3.5, 4
ODDS = np.log([0.8 / 0.2, 0.4 / 0.6, 0.3 / 0.7, 0.6 / 0.4])


def history(surface, *stretches, own=True, sources=1, trials=()):
    basis, times = surface.gas.coefficient_basis, np.array(trials, dtype=float)
    return DepositHistory(basis, own, sources, stretches, times)


def chain(surface):
    """A general deposit that sheds, was fired on, and under one more of another blend."""
    m = surface.gas.share.size
    downstream = (surface.gas.coefficient_basis[:, 2:].sum(axis=1) > 0.5).astype(float)
    return history(
        surface, Stretch(1, "general", 5.0, 4.0, None, Loss(0, 0, np.ones(m))),
        Stretch(1, "general", 5.0, 2.0, 3, None),
        Stretch(0, "linear", BURN, 0.5, None, None),
        Stretch(0, "general", BURN, BURN, 1, Loss(1, 2, downstream)), sources=2,
    )


def with_history(surface, made):
    return Surfaces(replace(surface.gas, history=made), surface.outer, surface.head, surface.exit)


def chained(**changes):
    return parameters(**({
        "log_R_under": np.log(np.full(KNOTS, 2e-4)), "growth_shape_under": np.array([-0.4, 0.3]),
        "log_odds": ODDS, "shed_time": np.array([2.3, 1.31]),
    } | changes))


def differences(f, p, step=1e-5):
    x, out = p.vector(), []
    for i in range(x.size):
        dx = np.zeros(x.size)
        dx[i] = step
        out.append((f(p.with_vector(x + dx)) - f(p.with_vector(x - dx))) / (2.0 * step))
    return np.moveaxis(np.array(out), 0, -1)


@pytest.mark.parametrize("t", [0.0, 0.9, 1.29, 1.36, 3.5])
def test_derivatives_of_the_resistance_are_exact(t):
    surface = surfaces(wall(n_z=4), burn=BURN)
    made, p = chain(surface), chained()
    expected = differences(lambda q: made.resistance(t, q)[0], p)
    np.testing.assert_allclose(made.resistance(t, p)[1], expected, rtol=1e-6, atol=2e-12)


@pytest.mark.parametrize("law", ["constant", "linear", "saturating", "general"])
def test_derivatives_to_trial_losses_are_those_of_a_loss_that_grows_from_none(law):
    surface = surfaces(wall(n_z=4), burn=BURN)
    under = Stretch(1, "linear", 5.0, 4.0, None, None)
    last = Stretch(0, law, BURN, BURN, 0, None)
    made = history(surface, under, last, sources=2, trials=(1.0, 2.0))
    lost = Loss(0, 1, np.ones(surface.gas.share.size))
    shed = history(surface, under, replace(last, loss=lost), sources=2)
    p = chained(log_odds=ODDS[:1], shed_time=np.empty(0), trial_loss=np.zeros(2))
    small = 1e-6
    for t in (0.5, 1.02, 1.9, 3.0):
        R, dR = made.resistance(t, p)
        for j, moment in enumerate(made.trial_times):
            q = chained(log_odds=np.array([ODDS[0], np.log(small)]), shed_time=np.array([moment]))
            np.testing.assert_allclose(
                dR[:, p.slots()["trial_loss"]][:, j], (shed.resistance(t, q)[0] - R) / small,
                rtol=1e-4, atol=1e-12,
            )


def test_what_is_carried_over_grows_on_by_its_own_differential_equation():
    surface = surfaces(wall(n_z=4), burn=BURN)
    p = parameters(log_R_under=np.log(np.full(KNOTS, 3e-4)), growth_shape_under=np.zeros(2),
                   log_odds=ODDS[:1])
    made = history(surface, Stretch(1, "linear", 5.0, 4.0, None, None),
                   Stretch(0, "general", BURN, BURN, 0, None), sources=2)
    x, m = 2.0 * np.sinh(p.growth_shape[0]), np.exp(p.growth_shape[1])
    start, end = 0.8 * 3e-4 * 4.0 / 5.0, 1e-4 / -np.expm1(-x)
    # In the clock u = (t/BURN)^m.
    exact = solve_ivp(lambda _, R: x * (end - R), (0.0, 1.0), [start], rtol=1e-10,
                      atol=1e-16, dense_output=True).sol
    for t in (0.0, 1.0, BURN):
        np.testing.assert_allclose(made.resistance(t, p)[0], exact((t / BURN) ** m)[0], rtol=1e-8)


@pytest.mark.parametrize("law", ["constant", "linear", "saturating", "general"])
def test_carried_over_whole_by_the_same_blend_it_goes_on_where_it_ended(law):
    surface = surfaces(wall(n_z=4), burn=BURN, law=law)
    p = parameters(log_odds=np.array([40.0]))
    made = history(surface, Stretch(0, law, BURN, 2.0, None, None),
                   Stretch(0, law, BURN, BURN, 0, None))
    older = replace(surface.gas, deposit_age=2.0)
    for t in (0.0, 1.0, BURN):
        np.testing.assert_allclose(made.resistance(t, p)[0], older.resistance(t, p), rtol=1e-12)


@pytest.mark.parametrize("law", ["linear", "saturating", "general"])
@pytest.mark.parametrize(("c", "log_m"), [(0.6, -0.7), (0.6, 0.5), (-1.2, 0.3), (2.5, -0.4)])
@pytest.mark.parametrize("how", ["lost", "retained"])
def test_what_is_left_goes_on_as_a_clean_bore_of_its_thickness(law, c, log_m, how):
    surface = surfaces(wall(n_z=4), burn=BURN, law=law)
    shape = np.array([c, 0.0 if law == "saturating" else log_m])
    kept = 0.8 if how == "retained" else 0.6
    clean = replace(surface.gas, history=None)
    bare = parameters(growth_shape=shape)
    if how == "retained":
        made = history(surface, Stretch(0, law, BURN, 2.0, None, None),
                       Stretch(0, law, BURN, BURN, 0, None))
        p = parameters(growth_shape=shape, log_odds=ODDS[:1])
    else:
        everywhere = Loss(0, 0, np.ones(surface.gas.share.size))
        made = history(surface, Stretch(0, law, BURN, BURN, None, everywhere))
        p = parameters(growth_shape=shape, log_odds=ODDS[1:2], shed_time=np.array([2.0]))

    def aged(age):
        return replace(clean, deposit_age=age).resistance(0.0, bare)[0]

    age = brentq(lambda a: aged(a) - kept * aged(2.0), 0.0, 2.0, xtol=1e-13)
    for later in (0.9, 1.5):
        t = later if how == "retained" else 2.0 + later
        assert made.resistance(t, p)[0][0] == pytest.approx(aged(age + later), rel=1e-6)


def test_on_a_bare_firing_what_is_retained_stays():
    surface = surfaces(wall(n_z=4), burn=BURN, law="none")
    p = parameters(law="none", log_R_under=np.log(np.full(KNOTS, 2e-4)),
                   growth_shape_under=np.zeros(2), log_odds=ODDS[:1])
    made = history(surface, Stretch(0, "linear", 4.0, 4.0, None, None),
                   Stretch(None, "none", BURN, BURN, 0, None), own=False)
    for t in (0.0, BURN):
        np.testing.assert_allclose(made.resistance(t, p)[0], 0.8 * 2e-4)


def test_sensitivities_of_a_march_to_carry_over_and_shedding_are_exact():
    w = wall(n_r=1, n_z=5)
    s = surfaces(w, burn=BURN)
    s = with_history(s, chain(s))
    schedule = Schedule.of(BURN, 4.0, 0.5, longest=LONGEST_SHEDDING)
    observe = w.probe(np.array([0.024, 0.019]), np.array([0.1, 0.3]))
    p = chained()
    slots = p.slots()
    active = np.concatenate([np.arange(slots[name].start, slots[name].stop) for name in (
        "log_R", "growth_shape", "log_R_under", "growth_shape_under", "log_odds", "shed_time")])
    active = np.setdiff1d(active, [slots[name].stop - 1 for name in ("log_R", "log_R_under")])
    got = march(w, s, p, schedule, observe, np.full(w.size, 288.0), active)
    x = p.vector()
    for i, column in enumerate(active):
        dx = np.zeros(x.size)
        dx[column] = 1e-4
        up, down = (
            march(w, s, p.with_vector(x + sign * dx), schedule, observe, np.full(w.size, 288.0)).y
            for sign in (1.0, -1.0)
        )
        expected = (up - down) / 2e-4
        scale = max(np.abs(expected).max(), 1e-3)
        assert np.abs(got.dy_dp[..., i] - expected).max() < 1e-4 * scale


def test_readings_do_not_depend_on_how_the_moment_falls_between_steps():
    w = wall(n_r=2, n_z=4)
    s = surfaces(w, burn=BURN)
    whole = Loss(0, 0, np.ones(s.gas.share.size))
    s = with_history(s, history(s, Stretch(0, "linear", BURN, BURN, None, whole)))
    observe = w.probe(np.array([0.024]), np.array([0.2]))

    def end(moment, fineness):
        p = parameters(log_R=np.log(np.full(KNOTS, 4e-4)), log_odds=np.array([1.0]),
                       shed_time=np.array([moment]))
        schedule = Schedule.of(BURN, BURN, fineness, LONGEST_SHEDDING)
        return march(w, s, p, schedule, observe, np.full(w.size, 288.0)).y[-1, 0]

    errors = [end(m, 1.0) - end(m, 8.0) for m in np.linspace(2.0, 2.1, 6)]
    assert np.ptp(errors) < 5e-3
