"""The runs test and what a campaign of traces makes of it."""

from itertools import product

import numpy as np
import pytest

from wallsim.estimate.residuals import (
    FALSE_ALARM,
    INTERVAL_TOLERANCE,
    Runs,
    TraceTest,
    holm,
    residual_tests,
)


def traces_of(rows):
    index = np.arange(rows.shape[1])
    return [TraceTest.of("r", f"T{i}", index, row) for i, row in enumerate(rows)]


def autoregressive(rng, a, shape):
    out = rng.standard_normal(shape)
    for i in range(1, shape[1]):
        out[:, i] = a * out[:, i - 1] + np.sqrt(1.0 - a**2) * out[:, i]
    return out


def test_worked_example():
    """Two samples of 10 and 9 values in order of size: z = -2.83 (statext.com, practice, Wald-
    Wolfowitz runs test, two samples, example 02; as quoted in the tests of the R package AdapteR).
    """
    one = (35, 44, 39, 50, 48, 29, 60, 75, 49, 66)
    other = (17, 23, 13, 24, 33, 21, 18, 16, 32)
    merged = sorted([(v, 1.0) for v in one] + [(v, -1.0) for v in other])
    runs = Runs.of(np.array([sign for _, sign in merged]))
    assert (runs.above, runs.below, runs.count) == (10, 9, 4)
    assert round(runs.score, 2) == -2.83


def test_mean_and_variance_are_those_of_all_orders():
    counts = [Runs.of(np.array(s)) for s in product((-1.0, 1.0), repeat=9) if sum(s) == -1.0]
    assert len(counts) == 126
    assert counts[0].expected == pytest.approx(np.mean([c.count for c in counts]))
    assert counts[0].sd == pytest.approx(np.std([c.count for c in counts]))


def test_series_without_a_change_of_sign_or_without_values_do_not_fail():
    for series in (np.ones(30), np.empty(0), np.zeros(5), np.ones(1)):
        assert Runs.of(series).p_value == 1.0


def test_holm_by_hand():
    """Ordered p times 4, 3, 2, 1, never falling: 0.005 -> 0.02, 0.01 -> 0.03, 0.03 -> 0.06."""
    got = holm(np.array([0.01, 0.04, 0.03, 0.005]))
    assert got == pytest.approx([0.03, 0.06, 0.06, 0.02])


def test_false_alarms_of_a_whole_campaign_are_as_rare_as_stated():
    rng = np.random.default_rng(5)
    alarms = 0
    for _ in range(200):
        _, campaign = residual_tests(traces_of(rng.standard_normal((20, 200))))
        alarms += bool(campaign["significant"])
        assert campaign["passed"] or campaign["failed"]
    # 200 campaigns at 1 %: 2 expected, more than 7 in one case of a thousand.
    assert alarms <= 7


@pytest.mark.parametrize("a", [0.3, 0.6])
def test_interval_factor_is_that_of_an_autoregression(a):
    [test] = traces_of(autoregressive(np.random.default_rng(2), a, (1, 20000)))
    assert test.interval_factor == pytest.approx(np.sqrt((1.0 + a) / (1.0 - a)), rel=0.03)
    assert test.lag1 == pytest.approx(a, abs=0.02)


def test_one_bad_trace_is_named():
    rng = np.random.default_rng(3)
    rows = rng.standard_normal((12, 250))
    rows[7] += 1.5 * np.sin(np.linspace(0.0, 12.0, 250))
    each, campaign = residual_tests(traces_of(rows))
    assert campaign["failed"] == [{"run": "r", "channel": "T7"}]
    assert not campaign["passed"]
    assert each["r", "T7"]["p_adjusted"] < FALSE_ALARM
    assert each["r", "T7"]["interval_factor"] > INTERVAL_TOLERANCE


def test_a_faint_correlation_of_many_values_is_significant_but_does_not_fail():
    [test] = traces_of(autoregressive(np.random.default_rng(4), 0.08, (1, 30000)))
    each, campaign = residual_tests([test])
    assert each["r", "T0"]["significant"]
    assert campaign["significant"]
    assert campaign["passed"]


def test_a_gap_joins_no_neighbours():
    white = np.array([1.0, -1.0, 1.0, -1.0])
    whole = TraceTest.of("r", "T", np.array([0, 1, 2, 3]), white)
    torn = TraceTest.of("r", "T", np.array([0, 1, 5, 6]), white)
    assert whole.lag1 == pytest.approx(-0.75)
    assert torn.lag1 == pytest.approx(-0.5)
