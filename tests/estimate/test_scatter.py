"""The scatter between firings is learnt as the theory of one-way random effects says."""

from dataclasses import dataclass, field
from types import SimpleNamespace

import numpy as np
import pytest

from wallsim.estimate.scatter import covariance_with_doubt, learnt
from wallsim.regression.prior import Parameter, Prior
from wallsim.units import Quantity


@dataclass(frozen=True)
class FewUnknowns:
    """A level common to all firings, and each firing's own factor."""

    prior: Prior
    case: object = field(repr=False)


def firings(n, scatter, uncertain):
    factors = [Parameter(f"heating factor r{i}", "1", True, 0.0, scatter, "") for i in range(n)]
    level = Parameter("level", "1", True, 0.0, 10.0, "")
    blocks = [((p,), np.array([[p.sd**2]])) for p in (level, *factors)]
    fit = SimpleNamespace(
        heating_scatter=Quantity(scatter, uncertain), gas_temperature_scatter=Quantity(0.005)
    )
    return FewUnknowns(Prior.of(blocks), SimpleNamespace(fit=fit))


def misfit(unknowns, y, noise):
    """Each firing is read once: level + factor + noise."""
    rows = np.column_stack((np.ones(len(y)), np.eye(len(y)))) / noise
    return -np.asarray(y) / noise, rows @ unknowns.prior.root


def scatter_of(unknowns):
    return unknowns.prior.parameters[-1].sd


def test_many_firings_with_exact_readings_give_their_own_standard_deviation():
    y = 0.013 * np.random.default_rng(3).standard_normal(400)
    unknowns = firings(400, 0.025, 0.02)
    got = learnt(unknowns, np.zeros(401), *misfit(unknowns, y, 1e-4))
    assert scatter_of(got) == pytest.approx(np.std(y, ddof=1), rel=0.01)


def test_the_stated_scatter_counts_as_so_many_firings():
    """Mode of the scaled inverse chi-squared posterior (Gelman et al. 2013, 2.6), level known."""
    y = np.array([0.01, -0.02, 0.015, -0.005, 0.0])
    unknowns = firings(5, 0.025, 0.01)
    level = Prior.of([((unknowns.prior.parameters[0],), np.array([[1e-18]]))]
                     + [((p,), np.array([[p.sd**2]])) for p in unknowns.prior.parameters[1:]])
    unknowns = FewUnknowns(level, unknowns.case)
    got = learnt(unknowns, np.zeros(6), *misfit(unknowns, y, 1e-6))
    freedom = 0.5 / 0.4**2
    expected = np.sqrt((freedom * 0.025**2 + y @ y) / (freedom + 5))
    assert scatter_of(got) == pytest.approx(expected, rel=2e-3)


def test_readings_that_say_nothing_leave_it_as_stated():
    unknowns = firings(4, 0.025, 0.01)
    got = learnt(unknowns, np.zeros(5), *misfit(unknowns, np.zeros(4), 1e3))
    assert scatter_of(got) == pytest.approx(0.025, rel=1e-3)


def test_a_scatter_without_doubt_is_kept():
    unknowns = firings(4, 0.025, 0.0)
    y = [0.2, -0.2, 0.2, -0.2]
    assert scatter_of(learnt(unknowns, np.zeros(5), *misfit(unknowns, y, 1e-4))) == 0.025


@pytest.mark.parametrize("n", [3, 5, 12])
def test_the_doubt_of_a_scatter_widens_what_hangs_on_it_as_integration_over_it_does(n):
    """Exact readings of n firings: the level's variance is that of their mean, 1/n of the square
    of the scatter; here over a log-normal distribution of it, by quadrature."""
    y = 0.03 * np.random.default_rng(n).standard_normal(n)
    unknowns = learnt(firings(n, 0.025, 0.01), np.zeros(n + 1),
                      *misfit(firings(n, 0.025, 0.01), y, 1e-6))
    r, J = misfit(unknowns, y, 1e-6)
    z = np.linalg.solve(J.T @ J + np.eye(n + 1), -J.T @ r)
    got = covariance_with_doubt(unknowns, z, r + J @ z, J)[0, 0] * 10.0**2
    sd = np.sqrt(0.5 / (0.5 / 0.4**2 + n - 1))
    log_scatter = np.log(scatter_of(unknowns)) + sd * np.linspace(-8.0, 8.0, 4001)
    density = np.exp(-0.5 * np.linspace(-8.0, 8.0, 4001) ** 2)
    expected = np.sum(density * np.exp(2.0 * log_scatter)) / density.sum() / n
    assert got == pytest.approx(expected, rel=0.02)


def test_a_scatter_without_doubt_leaves_the_covariance_as_it_is():
    unknowns = firings(4, 0.025, 0.0)
    r, J = misfit(unknowns, [0.01, -0.02, 0.0, 0.03], 1e-3)
    z = np.linalg.solve(J.T @ J + np.eye(5), -J.T @ r)
    got = covariance_with_doubt(unknowns, z, r + J @ z, J)
    np.testing.assert_allclose(got, np.linalg.inv(J.T @ J + np.eye(5)), rtol=1e-9)
