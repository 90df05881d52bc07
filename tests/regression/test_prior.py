"""Priors that are made wider or narrower after they were stated."""

import numpy as np
import pytest
from scipy.special import expit

from wallsim.regression.prior import Parameter, Prior, log_odds


def test_rescaled_keeps_the_others_and_the_means():
    singles = [
        ((Parameter(n, "1", False, mean, sd, n),), np.array([[sd**2]]))
        for n, mean, sd in (("a", 1.0, 0.1), ("b", 2.0, 0.2), ("c", 3.0, 0.3))
    ]
    prior = Prior.of(singles)
    wide = prior.rescaled(np.array([0, 2]), 2.0)
    assert np.allclose(np.diag(wide.root), [0.2, 0.2, 0.6])
    assert [p.sd for p in wide.parameters] == [0.2, 0.2, 0.6]
    x = np.array([1.1, 1.9, 3.5])
    assert np.allclose(wide.x(wide.z(x)), x)
    assert np.array_equal(wide.mean, prior.mean)


@pytest.mark.parametrize(("value", "sd"), [(0.9, 0.2), (0.5, 0.3), (0.02, 0.05), (0.9, 0.01)])
def test_log_odds_of_a_share_keep_its_value_as_median_and_its_width(value, sd):
    mean, width = log_odds(value, sd)
    assert expit(mean) == pytest.approx(value)
    assert 0.5 * (expit(mean + width) - expit(mean - width)) == pytest.approx(sd)


def test_a_share_of_all_or_nothing_is_held_there():
    assert expit(log_odds(1.0, 0.0)[0]) == 1.0
    assert expit(log_odds(0.0, 0.0)[0]) == pytest.approx(0.0, abs=1e-15)
