"""A deposit or none, parameters at bounds, pairs that cannot be told apart."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from wallsim.estimate.limits import OfTraces, at_bounds, collinear, of_traces
from wallsim.estimate.readouts import AlongTube
from wallsim.estimate.unknowns import Unknowns, at_knot
from wallsim.regression.prior import Parameter, Prior, smooth_covariance

KNOTS = np.array([0.0, 0.1, 0.2])


def block(level):
    cov = smooth_covariance(KNOTS, level, 0.3, 0.1)
    names = [at_knot("R D", z) for z in KNOTS]
    return tuple(
        Parameter(n, "m^2*K/W", True, np.log(1e-4), float(np.sqrt(cov[0, 0])), "deposit of D")
        for n in names
    ), cov


def posterior(level, P, centre):
    """Likelihood of precision ``P`` about ``centre``, and a nuisance unknown with its prior."""
    nuisance = Parameter("heating factor r", "1", True, 0.0, 0.02, "firing-to-firing heating")
    prior = Prior.of([((nuisance,), np.array([[0.02**2]])), block(level)])
    prior_P = np.linalg.inv(prior.root @ prior.root.T)
    C = np.linalg.inv(P + prior_P)
    unknowns = Unknowns(None, prior, KNOTS, {}, {}, {})
    return SimpleNamespace(
        unknowns=unknowns, covariance=C, x=C @ (P @ centre + prior_P @ prior.mean)
    )


def likelihood(sd):
    rows = np.array([[-1.0, 1.0, 0.0, 0.0], [-1.0, 0.5, 0.5, 0.0], [-1.0, 0.0, 0.3, 0.7]]) / sd
    return rows.T @ rows


def test_without_its_level_the_prior_does_not_matter_however_narrow():
    """The mode moves by the Gauss-Newton step of the misfit without that prior."""
    P, centre = likelihood(0.2), np.array([0.0, -11.0, -11.1, -11.2])
    narrow, wide = posterior(0.5, P, centre), posterior(1e4, P, centre)
    got = of_traces(narrow, AlongTube(None, narrow.unknowns, (), narrow.x, KNOTS), "D")
    basis = np.exp(narrow.x[1:])
    weights = basis / basis.sum()
    R = basis.mean()
    assert got.value == pytest.approx(R * (1.0 + weights @ (wide.x - narrow.x)[1:]), rel=1e-5)
    C = wide.covariance[1:, 1:]
    assert got.sd == pytest.approx(R * np.sqrt(weights @ C @ weights), rel=1e-5)


def test_traces_that_say_nothing_leave_it_open():
    nothing = posterior(1.0, np.zeros((4, 4)), np.zeros(4))
    got = of_traces(nothing, AlongTube(None, nothing.unknowns, (), nothing.x, KNOTS), "D")
    assert got.sd == np.inf
    assert got.ratio == 0.0


@pytest.mark.parametrize(("value", "sd"), [(0.0, 2.0), (-3.0, 2.0), (3.0, 2.0), (80.0, 2.0)])
def test_upper_limit_holds_95_per_cent_of_what_is_not_negative(value, sd):
    limit = OfTraces(value, sd).upper_limit
    above_zero = norm.sf(0.0, value, sd)
    assert (norm.cdf(limit, value, sd) - norm.cdf(0.0, value, sd)) / above_zero == pytest.approx(
        0.95, abs=1e-9
    )
    if value == 0.0:
        assert limit == pytest.approx(1.959964 * sd)


def with_singles(names, x, sd, correlation=None):
    parameters = [Parameter(n, "1", False, 0.0, 1.0, group) for n, group in names]
    prior = Prior.of([((p,), np.array([[1.0]])) for p in parameters])
    C = np.diag(np.array(sd) ** 2)
    for (i, j), value in (correlation or {}).items():
        C[i, j] = C[j, i] = value * sd[i] * sd[j]
    return SimpleNamespace(unknowns=SimpleNamespace(prior=prior), x=np.array(x), covariance=C)


def test_bounds_are_named_and_a_whole_interval_beyond_is_told_from_one_that_reaches_back():
    names = [("emissivity", "a"), ("lead loss S1", "b"), ("lead loss S2", "b"), ("position S1", "")]
    found = at_bounds(with_singles(names, [1.3, -0.01, 0.02, -4.0], [0.1, 0.01, 0.01, 1.0]))
    assert [(b["parameter"], b["bound"], b["beyond"]) for b in found] == [
        ("emissivity", 1.0, True), ("lead loss S1", 0.0, False),
    ]


def test_collinear_pairs_are_named_once_a_kind_and_curves_are_spared():
    names = [("h at 0 mm", "h"), ("h at 10 mm", "h"), ("lag S1", "lag"), ("lag S2", "lag"),
             ("lag S3", "lag"), ("wall thickness", "wall")]
    correlation = {(0, 1): 0.99, (2, 3): 0.96, (3, 4): -0.97, (1, 5): -0.98, (0, 5): 0.94}
    found = collinear(with_singles(names, np.zeros(6), np.ones(6), correlation))
    assert [(p["parameters"], p["pairs_alike"]) for p in found] == [
        (["h at 10 mm", "wall thickness"], 1), (["lag S2", "lag S3"], 2),
    ]
    assert found[0]["correlation"] == pytest.approx(-0.98)
