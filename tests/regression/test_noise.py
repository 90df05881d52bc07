"""Whitening and its estimate."""

import numpy as np

from wallsim.regression.noise import Autoregression, estimate, huber_weights
from wallsim.regression.prior import Parameter, Prior, smooth_covariance


def ar1(rng, n, sd, phi):
    r = np.empty(n)
    r[0] = sd * rng.standard_normal()
    for i in range(1, n):
        r[i] = phi * r[i - 1] + sd * np.sqrt(1.0 - phi**2) * rng.standard_normal()
    return r


def slow_and_white(rng, n):
    """A slow process under white noise: no autoregression of order one."""
    return ar1(rng, n, 0.5, 0.95) + 0.5 * rng.standard_normal(n)


def test_estimate_finds_spread_and_correlation():
    rng = np.random.default_rng(1)
    index = [np.arange(400)] * 40
    found = estimate(index, [ar1(rng, 400, 0.7, 0.8) for _ in index], floor=0.0)
    assert abs(np.mean([f.sd for f in found]) - 0.7) < 0.05
    assert abs(found[0].process.lag1 - 0.8) < 0.03
    assert abs(found[0].process.memory - 9.0) < 2.0


def test_estimate_sees_slow_error_under_white_noise():
    """The variance of a mean is 0.5 (0.25 * 39 + 0.25) / 0.5 = 20 times that of white noise."""
    rng = np.random.default_rng(3)
    index = [np.arange(600)] * 60
    found = estimate(index, [slow_and_white(rng, 600) for _ in index], floor=0.0)
    assert 14.0 < found[0].process.memory < 24.0


def test_whitened_residuals_have_unit_variance_and_no_correlation():
    rng = np.random.default_rng(2)
    index = np.arange(20000)
    r = slow_and_white(rng, index.size)
    noise = estimate([index], [r], floor=0.0)[0]
    white = noise.whiten(index, np.column_stack((r, 2.0 * r)))
    assert abs(white[:, 0].var() - 1.0) < 0.05
    np.testing.assert_allclose(white[:, 1], 2.0 * white[:, 0])
    for lag in (1, 2, 5, 10):
        assert abs(np.mean(white[lag:, 0] * white[:-lag, 0])) < 0.03


def test_a_gap_starts_the_whitening_anew():
    process = Autoregression.of(np.array([1.0, 0.6]))
    r = np.array([1.0, 2.0, 3.0, 4.0])
    white = process.whiten(np.array([0, 1, 5, 6]), r)
    np.testing.assert_allclose(white, [1.0, 1.4 / 0.8, 3.0, 2.2 / 0.8])


def test_robust_weights_leave_good_residuals_alone_and_cap_outliers():
    w = huber_weights(np.array([0.0, 1.0, -2.4, 25.0]))
    np.testing.assert_allclose(w, [1.0, 1.0, 1.0, np.sqrt(0.1)])


def test_prior_coordinates_round_trip():
    z = np.array([0.0, 0.1, 0.3])
    block = tuple(Parameter(f"h{i}", "W", True, 7.0, 0.5, "h") for i in range(3))
    single = (Parameter("e", "1", False, 0.7, 0.1, "e"),)
    blocks = [(block, smooth_covariance(z, 0.4, 0.3, 0.1)), (single, np.array([[0.01]]))]
    prior = Prior.of(blocks)
    x = np.array([7.1, 6.9, 7.3, 0.75])
    np.testing.assert_allclose(prior.x(prior.z(x)), x)
    assert np.isclose((prior.root @ prior.root.T)[3, 3], 0.01)
