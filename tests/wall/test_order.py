"""Orders of the march against the exact solution of a burn with both its jumps; heat balance."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.exact import series
from tests.exact.bodies import metal, run, tube
from tests.wall.walls import parameters, surfaces, wall
from wallsim.wall import march as march_module
from wallsim.wall.schedule import GAMMA, Schedule

K, C, RHO, INNER, H, BURN, END = 20.0, 500.0, 7850.0, 0.02, 1500.0, 3.5, 8.0


def burn(ratio, x, t):
    """Return the exact rise of an insulated tube in a gas 1000 K hotter for BURN [s]."""
    fourier = t * K / (RHO * C) / INNER**2
    since = np.where(t - BURN > 1e-9, t - BURN, 0.0)
    off = since * K / (RHO * C) / INNER**2
    biot = H * INNER / K
    cooling = np.where(since[:, None] > 0.0, series.robin(ratio, biot, x, off), 0.0)
    return 1000.0 * (series.robin(ratio, biot, x, fourier) - cooling)


def errors(ratio, n_r, fineness):
    """Return the errors [K] at bore, mid-wall and outside at the step ends after 0.5 s."""
    schedule = Schedule.of(BURN, END, fineness)
    x = 1.0 + (ratio - 1.0) * np.array([0.0, 0.5, 1.0])
    w = tube(np.linspace(INNER, ratio * INNER, n_r + 1), [0.0, 0.05], metal(K, C, RHO))
    T = run(w, lambda t, burning: (H, 1300.0 if burning else 300.0), schedule.t, INNER * x,
            np.full(3, 0.02), burning=schedule.burning)
    t = schedule.t
    settled = (t > 0.5) & ((t <= BURN + 1e-9) | (t > BURN + 0.5))
    return (T - 300.0 - burn(ratio, x, np.minimum(t, END)))[settled]


def slope(n, error):
    return -np.polyfit(np.log(n), np.log(error), 1)[0]


def test_second_order_in_time_through_ignition_and_shutdown():
    """Bore and outside, at every step end but those within 0.5 s after a jump."""
    fineness = np.array([1.0, 2.0, 4.0, 8.0])
    largest = [np.abs(errors(1.4, 16, f)).max() for f in fineness]
    assert slope(fineness, largest) > 1.9, largest


def test_third_order_in_space_through_ignition_and_shutdown():
    cells = np.array([2, 4, 8])
    largest = [np.abs(errors(1.4, n, 32.0)).max() for n in cells]
    assert slope(cells, largest) > 2.8, largest


@pytest.mark.parametrize("update", [1e-5, 1e-9])
@settings(max_examples=40, derandomize=True, deadline=None)
@given(
    log_h=st.floats(3.0, 10.0), log_R=st.floats(-14.0, -5.0), dt=st.floats(1e-3, 3.0),
    emissivity=st.floats(0.0, 1.0),
)
def test_balance_of_a_step_closes_to_rounding(update, log_h, log_R, dt, emissivity):
    """Heat stored against the heat rates of the scheme, however well a stage was solved.

    Up to 3 s: at the largest coefficient a step of 4 s leaves the table, and which inputs are drawn
    depends on the modules loaded.
    """
    w = wall(n_z=6)
    p = parameters(
        log_h=np.full(4, log_h), log_R=np.full(4, log_R), log_rise=np.log(900.0),
        emissivity=emissivity,
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(march_module, "LARGEST_UPDATE", update)
        stepper = march_module._March(w, surfaces(w, burn=100.0), p, None, None)
        T0 = np.full(w.size, 400.0)
        start = stepper.start(T0, 0.0, True)
        stepper.recent = [(0.0, T0)]
        inner, end = stepper.step(start, dt, True)
    rates = np.array([point.rate.sum() for point in (start, inner, end)])
    weights = np.array([np.sqrt(2.0) / 4.0, np.sqrt(2.0) / 4.0, GAMMA / 2.0])
    stored = end.heat.sum() - start.heat.sum()
    heat = end.heat.sum()
    assert abs(stored - dt * weights @ rates) < 1e-10 * dt * np.abs(rates).max() + 1e-13 * heat
