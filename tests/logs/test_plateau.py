"""The course of a burn's pressure: noise of the tap is left out, what the burn did is not."""

import numpy as np
import pytest

from wallsim.logs.plateau import course

T = np.arange(0.25, 12.0, 0.5)
COUNTS = np.full(T.size, 10)


def off(truth, noise, draws=40):
    """Return rms errors of course and bins about the truth, over draws."""
    rng = np.random.default_rng(8)
    errors = []
    for _ in range(draws):
        p = truth + noise * rng.standard_normal(T.size)
        errors.append((np.mean((course(T, p, COUNTS) - truth) ** 2), np.mean((p - truth) ** 2)))
    return np.sqrt(np.mean(errors, axis=0))


def test_a_steady_burn_comes_out_steady():
    smooth, bins = off(np.full(T.size, 3.7e5), 1e3)
    assert smooth < 0.45 * bins
    rng = np.random.default_rng(9)
    spread = [np.ptp(course(T, 3.7e5 + 1e3 * rng.standard_normal(T.size), COUNTS))
              for _ in range(40)]
    assert np.median(spread) < 300.0


@pytest.mark.parametrize("change", [
    1e5 * (T / 12.0 - 0.5), 3e4 * np.sin(T / 2.0), np.where(T > 5.0, 5e4, 0.0),
])
def test_what_the_burn_did_is_followed(change):
    smooth, bins = off(3.7e5 + change, 1e3)
    assert smooth < 1.2 * bins
    np.testing.assert_allclose(course(T, 3.7e5 + change, COUNTS), 3.7e5 + change, rtol=3e-3)


def test_a_bin_of_few_samples_counts_less():
    p, few = np.full(T.size, 3.7e5), COUNTS.copy()
    p[:] += 300.0 * (-1.0) ** np.arange(T.size)
    p[10], few[10] = 3.8e5, 1
    assert course(T, p, few)[10] < course(T, p, COUNTS)[10]


def test_short_and_even_records_stay_as_they_are():
    assert course(T[:2], np.array([1.0, 2.0]), COUNTS[:2]).tolist() == [1.0, 2.0]
    assert course(T, np.full(T.size, 5.0), COUNTS).tolist() == [5.0] * T.size
