"""Samples of a posterior, against its closed form or a direct quadrature."""

import builtins

import numpy as np
import pytest

from tests.regression.published import BOXBOD
from wallsim.errors import InputError
from wallsim.regression.least_squares import Refused, covariance, solve
from wallsim.regression.sample import sample


def test_a_normal_posterior_has_the_moments_of_laplace():
    rng = np.random.default_rng(1)
    A = rng.standard_normal((10, 3)) * np.array([1.0, 30.0, 0.1])
    y = rng.standard_normal(10)
    best = solve(lambda z: (np.r_[A @ z - y, z], np.vstack((A, np.eye(3)))), np.zeros(3))
    cov = covariance(best.J)[0]
    found = sample(
        lambda z: (np.r_[A @ z - y, z], np.vstack((A, np.eye(3)))), best, steps=300, rng=rng
    )
    white = np.linalg.solve(np.linalg.cholesky(cov), (found.z - best.z).T)
    error = 4.0 / np.sqrt(found.effective)
    assert found.effective > 300
    np.testing.assert_allclose(white.mean(axis=1), 0.0, atol=error)
    np.testing.assert_allclose(np.cov(white), np.eye(3), atol=2.0 * error)
    assert 0.2 < found.acceptance < 0.8
    assert found.evaluations == 32 * 302


def skewed(z):
    """BoxBOD with its certified residual sd known; each log has a prior of sd 1 about the start."""
    b = np.array(BOXBOD.starts[1]) * np.exp(z)
    r, J = BOXBOD.misfit(b)
    return np.r_[r / 17.088072423, z], np.vstack((J * b / 17.088072423, np.eye(2)))


def quadrature():
    """Return a grid and the marginal distribution of the second unknown on it."""
    first, second = np.linspace(0.3, 1.9, 161)[:, None], np.linspace(-2.5, 4.5, 701)
    b1, b2 = 100.0 * np.exp(first), 0.75 * np.exp(second)
    S = first**2 + second**2
    for x, y in ((1, 109), (2, 149), (3, 149), (5, 191), (7, 213), (10, 224)):
        S = S + ((b1 * (1.0 - np.exp(-b2 * x)) - y) / 17.088072423) ** 2
    density = np.exp(-0.5 * (S - S.min())).sum(axis=0)
    return second, (np.cumsum(density) - 0.5 * density) / density.sum()


def test_a_skewed_posterior_has_the_quantiles_of_a_direct_quadrature():
    best = solve(skewed, np.zeros(2), tolerance=1e-10, most=50)
    found = sample(skewed, best, steps=500, rng=np.random.default_rng(2))
    grid, cumulative = quadrature()
    for share in (0.025, 0.25, 0.5, 0.75, 0.975):
        below = np.mean(found.z[:, 1] < np.interp(share, cumulative, grid))
        error = 4.0 * np.sqrt(share * (1.0 - share) / found.effective)
        assert abs(below - share) < error < 0.06
    sd = float(np.sqrt(covariance(best.J)[0][1, 1]))
    upper = float(np.interp(0.975, cumulative, grid))
    assert upper - best.z[1] > 1.1 * 1.96 * sd


def test_the_same_seed_gives_the_same_samples():
    best = solve(skewed, np.zeros(2), tolerance=1e-10, most=50)
    a, b, c = (sample(skewed, best, steps=20, rng=np.random.default_rng(s)).z for s in (3, 3, 4))
    np.testing.assert_array_equal(a, b)
    assert not np.array_equal(a, c)


def test_refused_points_have_no_weight():
    def half(z):
        if z[0] < 0.0:
            raise Refused("negative")
        return z - 0.5, np.eye(1)

    best = solve(half, np.array([1.0]))
    found = sample(half, best, steps=200, rng=np.random.default_rng(5))
    assert found.z.min() >= 0.0
    # mean of a normal about 0.5 with sd 1, cut at 0
    assert found.z.mean() == pytest.approx(1.009, abs=4.0 * 0.7 / np.sqrt(found.effective))


def test_without_emcee_it_says_what_to_install(monkeypatch):
    real = builtins.__import__

    def without(name, *args, **kwargs):
        if name.startswith("emcee"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    best = solve(lambda z: (z, np.eye(1)), np.zeros(1))
    with pytest.raises(InputError, match=r"pip install 'wallsim\[sampler\]'"):
        sample(lambda z: (z, np.eye(1)), best, steps=10, rng=np.random.default_rng(6))
