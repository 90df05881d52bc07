"""Lag and sampling of the readings."""

import numpy as np

from wallsim.wall.schedule import Schedule
from wallsim.wall.sensors import Sampling, even_grid, lag, parabola_matrix


def test_lag_of_a_ramp_is_exact():
    t, tau = even_grid(10.0), 0.3
    y, _ = lag(t[:, None], tau)
    np.testing.assert_allclose(y[:, 0], t - tau + tau * np.exp(-t / tau), atol=1e-12)


def test_derivative_of_the_lag_equals_a_central_difference():
    t, d = even_grid(10.0), 1e-6
    x = (np.sin(t) + t**2)[:, None]
    _, got = lag(x, 0.1)
    expected = (lag(x, 0.1 + d)[0] - lag(x, 0.1 - d)[0])[:, 0] / (2.0 * d)
    np.testing.assert_allclose(got, expected, atol=1e-6 * np.abs(expected).max())


def test_sampling_reproduces_a_parabola_and_its_slope():
    grid = even_grid(10.0)
    t = np.linspace(0.1, 9.9, 333)
    sampling = Sampling.at(t, grid.size)
    np.testing.assert_allclose(sampling.value @ grid**2, t**2, atol=1e-10)
    np.testing.assert_allclose(sampling.slope @ grid**2, 2.0 * t, atol=1e-9)


def test_stage_interpolation_reproduces_a_parabola():
    times = Schedule.of(3.5, 30.0).stage_times
    t = np.linspace(0.0, 30.0, 777)
    matrix = parabola_matrix(times, t)
    np.testing.assert_allclose(matrix @ (times**2 - times), t**2 - t, atol=1e-9)


def test_steps_end_at_shutdown_and_at_the_end_of_the_record():
    schedule = Schedule.of(3.47, 28.9, 1.7)
    assert np.isclose(schedule.t, 3.47).any()
    assert schedule.t[-1] == 28.9
    assert schedule.burning.sum() == np.flatnonzero(np.isclose(schedule.t, 3.47))[0]
