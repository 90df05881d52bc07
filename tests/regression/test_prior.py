"""Priors that are made wider or narrower after they were stated."""

import numpy as np

from wallsim.regression.prior import Parameter, Prior


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
