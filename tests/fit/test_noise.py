"""Whitening and its estimate."""

import numpy as np

from wallsim.fit.noise import Noise, estimate, huber_weights
from wallsim.fit.prior import Parameter, Prior, smooth_covariance


def ar1(rng, n, sd, phi):
    r = np.empty(n)
    r[0] = sd * rng.standard_normal()
    for i in range(1, n):
        r[i] = phi * r[i - 1] + sd * np.sqrt(1.0 - phi**2) * rng.standard_normal()
    return r


def test_estimate_finds_spread_and_correlation():
    rng = np.random.default_rng(1)
    found = [estimate(np.arange(400), ar1(rng, 400, 0.7, 0.8), floor=0.0) for _ in range(40)]
    assert abs(np.mean([f.sd for f in found]) - 0.7) < 0.05
    assert abs(np.mean([f.phi for f in found]) - 0.8) < 0.04


def test_whitened_residuals_have_unit_variance_across_gaps():
    rng = np.random.default_rng(2)
    index = np.flatnonzero(rng.random(20000) > 0.3)
    r = ar1(rng, 20000, 0.7, 0.9)[index]
    white = Noise(0.7, 0.9).whiten(index, r)
    assert abs(white.var() - 1.0) < 0.05
    assert abs(np.mean(white[1:] * white[:-1])) < 0.03


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
