"""Growth in time: named laws as special cases, exact derivatives, no jump, no overflow."""

import numpy as np
import pytest

from wallsim.wall.growth import AS_GOOD_AS_LINEAR, clock, clock_back, grown, grown_of_draws

TIMES = np.linspace(0.0, 1.5, 31)


def growth(law, c, log_m, times=TIMES):
    return np.array([grown(law, s, np.array([c, log_m]))[0] for s in times])


@pytest.mark.parametrize("c", [-4.0, -1.0, 0.0, 1e-7, 0.8, 3.0, 8.0, 50.0])
@pytest.mark.parametrize("log_m", [-2.0, 0.0, 0.7])
def test_it_is_none_at_ignition_and_whole_at_the_reference(c, log_m):
    start, end = growth("general", c, log_m, [0.0, 1.0])
    assert start == 0.0
    assert end == pytest.approx(1.0, rel=1e-9)


def test_named_laws_are_special_cases():
    np.testing.assert_allclose(growth("general", 0.0, 0.0), TIMES, rtol=AS_GOOD_AS_LINEAR)
    parabolic = growth("general", 0.0, np.log(0.5))
    np.testing.assert_allclose(parabolic, np.sqrt(TIMES), rtol=AS_GOOD_AS_LINEAR)
    x = 2.0 * np.sinh(0.9)
    exact = (1.0 - np.exp(-x * TIMES)) / (1.0 - np.exp(-x))
    np.testing.assert_allclose(growth("saturating", 0.9, 0.0), exact, rtol=1e-12)
    np.testing.assert_allclose(growth("general", 0.9, 0.0), exact, rtol=1e-12)
    late = TIMES > 0.1
    np.testing.assert_allclose(growth("general", 8.0, 0.0)[late], 1.0, rtol=1e-12)
    np.testing.assert_allclose(growth("constant", 0.3, 0.2), 1.0)


@pytest.mark.parametrize("c", [-2.0, -0.1, 0.01, 0.8, 3.0])
@pytest.mark.parametrize("log_m", [-0.5, 0.4])
@pytest.mark.parametrize("s", [0.05, 0.6, 1.0, 1.3])
def test_derivatives_are_exact(c, log_m, s):
    shape, step = np.array([c, log_m]), 1e-5
    got = grown("general", s, shape)[1]
    expected = [
        (grown("general", s, shape + d)[0] - grown("general", s, shape - d)[0]) / (2.0 * step)
        for d in step * np.eye(2)
    ]
    np.testing.assert_allclose(got, expected, rtol=1e-6, atol=1e-9)
    of_s = clock(s + step, shape)[0] - clock(s - step, shape)[0]
    assert s == 1.0 or clock(s, shape)[1] == pytest.approx(of_s / (2.0 * step), rel=1e-6)


@pytest.mark.parametrize("c", [-2.0, -0.1, 0.8, 3.0])
@pytest.mark.parametrize("log_m", [-0.5, 0.4])
@pytest.mark.parametrize("s", [0.05, 0.6, 1.3, 4.0])
def test_the_clock_read_backwards(c, log_m, s):
    shape, step = np.array([c, log_m]), 1e-6
    u = clock(s, shape)[0]
    got, of_u, of_shape = clock_back(u, shape)
    assert got == pytest.approx(s, rel=1e-12)
    expected = [
        (clock_back(u + d[0], shape + d[1:])[0] - clock_back(u - d[0], shape - d[1:])[0])
        / (2.0 * step) for d in step * np.eye(3)
    ]
    np.testing.assert_allclose([of_u, *of_shape], expected, rtol=1e-6, atol=1e-8)


@pytest.mark.parametrize("c", [-4.0, -0.5, -1e-4, 0.4])
@pytest.mark.parametrize("log_m", [-0.5, 0.0, 0.6])
def test_beyond_the_longest_burn_nothing_accelerates(c, log_m):
    s = np.linspace(1.0, 20.0, 200)
    g = growth("general", c, log_m, s)
    rate = np.diff(g)
    assert np.all(rate > 0.0)
    assert np.all(np.diff(rate) < 1e-6 * rate[0])
    just_before = (1.0 - growth("general", c, log_m, [1.0 - 1e-6])[0]) / 1e-6
    assert rate[0] / (s[1] - s[0]) <= just_before * (1.0 + 1e-4)
    assert c > 0.0 or log_m < 0.0 or rate[-1] == pytest.approx(rate[0], rel=1e-6)


def test_nothing_jumps_where_the_formula_gives_way():
    at = 0.5 * AS_GOOD_AS_LINEAR
    below, above = growth("general", 0.999 * at, 0.0), growth("general", 1.001 * at, 0.0)
    np.testing.assert_allclose(below, above, atol=1e-7)


@pytest.mark.parametrize("law", ["none", "constant", "linear", "saturating", "general"])
@pytest.mark.parametrize("s", [0.0, 0.3, 1.0, 1.4, 6.0])
def test_many_draws_grow_as_one_by_one(law, s):
    shapes = np.array([(c, m) for c in (-5.0, -1.0, 0.0, 1e-7, 0.8, 9.0) for m in (-0.5, 0.0, 0.4)])
    each = [grown(law, s, shape)[0] for shape in shapes]
    np.testing.assert_allclose(grown_of_draws(law, s, shapes.T), each, rtol=1e-12)
