"""Samples of a posterior, against its closed form or a direct quadrature."""


import numpy as np
import pytest

from tests.regression.published import BOXBOD
from wallsim.errors import InputError
from wallsim.regression.least_squares import Refused, covariance, solve
from wallsim.regression.sample import effective, proposals, sample


def itself(z):
    return z


def across(misfit, best):
    """Return the misfit as the sampler wants it: seen along its tangent at the minimum."""
    Q, _ = np.linalg.qr(best.J)

    def of(z):
        r, J = misfit(z)
        return Q.T @ r, Q.T @ J, float(r @ r)

    return of


def samples(misfit, best, **how):
    return sample(across(misfit, best), itself, best.z, **how)


def linear(rng):
    A = rng.standard_normal((10, 3)) * np.array([1.0, 30.0, 0.1])
    y = rng.standard_normal(10)
    return lambda z: (np.r_[A @ z - y, z], np.vstack((A, np.eye(3))))


def test_a_normal_posterior_has_the_moments_of_laplace_from_independent_samples():
    rng = np.random.default_rng(1)
    misfit = linear(rng)
    best = solve(misfit, np.zeros(3), tolerance=1e-12)
    told = []
    found = samples(misfit, best, draws=1200, rng=rng, report=told.append)
    z = found.z.reshape(-1, 3)
    white = np.linalg.solve(np.linalg.cholesky(covariance(best.J)[0]), (z - best.z).T)
    assert found.acceptance == 1.0
    assert found.effective.min() > 250
    error = 4.0 / np.sqrt(found.effective.min())
    np.testing.assert_allclose(white.mean(axis=1), 0.0, atol=error)
    np.testing.assert_allclose(np.cov(white), np.eye(3), atol=2.0 * error)
    assert told[-1] == proposals(1200) == 1200 + 8 * (1 + 3)
    assert found.evaluations == told[-1] + 1


def test_unknowns_without_number_cost_nothing_where_the_misfit_is_quadratic():
    """100 unknowns, one of them curved: steps are as long as for that one alone."""

    def curved(z):
        bent = z[0] + 0.3 * z[0] ** 2
        J = np.eye(len(z))
        J[0, 0] = 1.0 + 0.6 * z[0]
        return np.r_[bent, z[1:], z], np.vstack((J, np.eye(len(z))))

    worth = []
    for m in (1, 100):
        best = solve(curved, np.full(m, 0.1), tolerance=1e-12)
        found = samples(curved, best, draws=400, rng=np.random.default_rng(8))
        worth.append(found.acceptance)
    assert worth[1] == pytest.approx(worth[0], abs=0.1)
    assert worth[0] > 0.5


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
    found = samples(skewed, best, draws=4000, rng=np.random.default_rng(2))
    grid, cumulative = quadrature()
    for share in (0.025, 0.25, 0.5, 0.75, 0.975):
        below = np.mean(found.z[:, :, 1] < np.interp(share, cumulative, grid))
        error = 4.0 * np.sqrt(share * (1.0 - share) / found.effective[1])
        assert abs(below - share) < error < 0.08
    sd = float(np.sqrt(covariance(best.J)[0][1, 1]))
    upper = float(np.interp(0.975, cumulative, grid))
    assert upper - best.z[1] > 1.1 * 1.96 * sd


def test_the_same_seed_gives_the_same_samples():
    best = solve(skewed, np.zeros(2), tolerance=1e-10, most=50)
    a, b, c = (
        samples(skewed, best, draws=80, rng=np.random.default_rng(s)).z for s in (3, 3, 4)
    )
    np.testing.assert_array_equal(a, b)
    assert not np.array_equal(a, c)


def test_points_without_a_posterior_have_no_weight():
    def half(z):
        if z[0] < 0.0:
            raise Refused("below")
        return z - 0.5, np.eye(1)

    best = solve(half, np.array([1.0]))
    found = samples(half, best, draws=2000, rng=np.random.default_rng(5))
    assert found.z.min() >= 0.0
    # mean of a normal about 0.5 with sd 1, cut at 0
    assert found.z.mean() == pytest.approx(1.009, abs=4.0 * 0.7 / np.sqrt(found.effective[0]))


def test_chains_that_stay_apart_are_worth_little():
    """Each chain alone looks like noise; their means tell that none has seen the whole."""
    rng = np.random.default_rng(7)
    y = rng.standard_normal((200, 8, 2))
    y[:, :, 1] = 0.1 * y[:, :, 1] + rng.standard_normal(8)
    together, apart = effective(y)
    assert together > 400
    assert apart < 16
    y[:, 3, 0] = 0.5
    assert effective(y)[0] == 7.0


@pytest.mark.usefixtures("no_sampler")
def test_without_emcee_it_says_what_to_install():
    best = solve(lambda z: (z, np.eye(1)), np.zeros(1))
    with pytest.raises(InputError, match=r"pip install 'wallsim\[sampler\]'"):
        samples(lambda z: (z, np.eye(1)), best, draws=10, rng=np.random.default_rng(6))
