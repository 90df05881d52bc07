"""Identities that the sensitivities keep exactly, whatever the mesh and the steps.

The equation is homogeneous: with k, rho c and every conductance of every face scaled alike, and
1/R with them, the temperatures stay (Beck & Arnold, Parameter Estimation in Engineering and
Science, 1977, chapters 7 and 8 use such sums; chapters from memory).
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.wall.walls import AMBIENT, parameters, solid, surfaces, wall
from wallsim.wall import march as march_module
from wallsim.wall.march import march
from wallsim.wall.schedule import Schedule
from wallsim.wall.surroundings import OuterWall


@pytest.fixture(autouse=True)
def _tight(monkeypatch):
    """Solve the stages so well that what is left does not blur the sums."""
    monkeypatch.setattr(march_module, "LARGEST_UPDATE", 1e-9)


def sensitivities(w, s, p, schedule):
    """Return temperatures and their derivatives by field of the parameters, outside and bore."""
    active = np.arange(p.vector().size - 1)
    r = np.repeat([w.r.max(), w.r.min()], 3)
    observe = w.probe(r, np.tile([0.03, 0.2, 0.41], 2))
    h = march(w, s, p, schedule, observe, np.full(w.size, AMBIENT), active)
    fields = {name: h.dy_dp[:, :, columns] for name, columns in p.slots().items()
              if name != "log_wall"}
    return h.y, fields


@pytest.mark.parametrize("law", ["none", "constant", "linear", "saturating"])
def test_scaling_everything_that_conducts_and_stores_changes_nothing(law):
    """sum X_h + sum X_purge - sum X_R + X_k + X_c + X_eps + X_conv + X_ends = 0."""
    w, p = wall(), parameters(law=law)
    s = surfaces(w, law=law)
    _, X = sensitivities(w, s, p, Schedule.of(3.5, 12.0))
    terms = [X["log_h"].sum(axis=2), X["log_purge"].sum(axis=2), -X["log_R"].sum(axis=2)]
    terms += [X[f"log_{name}"][:, :, 0] for name in ("conductivity", "heat_capacity")]
    terms += [X[f"log_{name}"][:, :, 0] for name in ("head", "exit")]
    terms += [p.emissivity * X["emissivity"][:, :, 0], p.convection * X["convection"][:, :, 0]]
    assert np.abs(X["log_h"].sum(axis=2)).max() > 100.0
    np.testing.assert_allclose(sum(terms), 0.0, atol=1e-6)


def linear_problem(law="none", **changes):
    w = wall(metal=solid((40.0, 0.0), (500.0, 0.0)))
    n_knots = changes.pop("n_knots", 4)
    p = parameters(n_knots, law, emissivity=0.0, convection=12.0, conductivity_tilt=0.0,
                   heat_capacity_tilt=0.0, **changes)
    s = replace(surfaces(w, n_knots=n_knots, law=law), outer=OuterWall.fixed(AMBIENT))
    return w, s, p


def test_rise_is_proportional_to_that_of_the_gas_where_all_is_linear():
    w, s, p = linear_problem(log_rise=np.log(1200.0))
    T, X = sensitivities(w, s, p, Schedule.of(3.5, 12.0))
    np.testing.assert_allclose(X["log_rise"][:, :, 0], T - AMBIENT, atol=1e-6)


def test_constant_deposit_cannot_be_told_from_a_lower_coefficient():
    """X_R = -R h X_h at every point and time of a burn: the two columns are one."""
    w, s, p = linear_problem("constant", n_knots=1, pressure_exponent=0.0)
    _, X = sensitivities(w, s, p, Schedule.of(3.5, 3.5))
    Rh = np.exp(p.log_R[0] + p.log_h[0])
    np.testing.assert_allclose(X["log_R"], -Rh * X["log_h"], atol=1e-8)
    pair = np.column_stack((X["log_R"].ravel(), X["log_h"].ravel()))
    singular = np.linalg.svd(pair, compute_uv=False)
    assert singular[1] < 1e-10 * singular[0]
