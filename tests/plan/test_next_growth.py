"""R after a burn longer than any logged: what the normal law of a fit becomes as growth goes on."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from wallsim.plan.next_growth import LogResistance
from wallsim.wall.growth import grown, grown_of_draws

SHAPE = np.array([-0.28, -0.46])
"""Just short of linear growth from the accelerating side; exponent 0.63."""
R = 7.5e-5
T_REF = 12.0


def unknowns(sd):
    """Curvature and exponent that hang together, and a log of R that hangs with both."""
    C = np.array([[1.0, 0.93, -0.4], [0.93, 1.0, -0.55], [-0.4, -0.55, 1.0]])
    root = np.linalg.cholesky(C * np.outer(sd, sd))
    gas = SimpleNamespace(t_ref=T_REF, law="general",
                          growth=lambda t, shape: grown("general", t / T_REF, shape))
    along = SimpleNamespace(
        x=np.append(SHAPE, np.log(R)), clean_gas=lambda blend: gas,
        unknowns=SimpleNamespace(growth_places=lambda blend: {0: 0, 1: 1},
                                 growth_shape=lambda blend, x: x[:2]))
    return along, root


def told(along, root, t):
    g, dg = grown("general", t / T_REF, SHAPE)
    tangent = np.append(dg / g, 1.0) @ root
    estimate = float(np.log(R * g))
    return LogResistance.grown(along, root, "b", t, estimate, tangent), estimate, tangent


def test_up_to_the_longest_burn_it_is_the_normal_law_of_the_fit():
    along, root = unknowns((0.48, 0.39, 0.11))
    found, estimate, tangent = told(along, root, T_REF)
    assert found.gradient is tangent
    assert found.at(-9.7) == found.normal_at(-9.7) == -9.7
    assert found.estimate == estimate


def test_beyond_it_intervals_and_chances_are_those_of_draws_carried_on_exactly():
    along, root = unknowns((0.48, 0.39, 0.11))
    t = 26.0
    found, estimate, tangent = told(along, root, t)
    x = along.x[:, None] + root @ np.random.default_rng(5).standard_normal((3, 200000))
    log_R = x[2] + np.log(grown_of_draws("general", t / T_REF, x[:2]))
    sd = np.linalg.norm(found.gradient)
    for chance in (0.025, 0.1, 0.5, 0.9, 0.975):
        end = found.at(estimate + norm.ppf(chance) * sd)
        assert end == pytest.approx(np.quantile(log_R, chance), abs=0.02)
        above = norm.sf((found.normal_at(end) - estimate) / sd)
        assert above == pytest.approx(1.0 - chance, abs=1e-6)
    # a film about to saturate, or not: the tangent at the estimate does not see it
    assert found.at(estimate - 1.96 * sd) < estimate - 1.96 * np.linalg.norm(tangent) - 0.2
    # what is normal follows what is wanted
    u = np.linalg.solve(root, x - along.x[:, None])
    assert np.corrcoef(found.gradient @ u, log_R)[0, 1] > 0.9


def test_where_growth_is_well_known_it_is_the_tangent():
    along, root = unknowns((0.01, 0.01, 0.11))
    found, estimate, tangent = told(along, root, 20.0)
    assert found.gradient == pytest.approx(tangent, abs=1e-3)
    for far in (-3.0, -1.0, 1.0, 3.0):
        normal = estimate + far * np.linalg.norm(tangent)
        assert found.at(normal) == pytest.approx(normal, abs=0.01)
        assert found.normal_at(normal) == pytest.approx(normal, abs=0.01)
