"""Differences, ranks and the response of blends against closed forms."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import chi2, norm

from wallsim.estimate.by_hand import difference_of_means, lines
from wallsim.estimate.compare import (
    Compared,
    difference,
    ranking,
    response,
)
from wallsim.estimate.readouts import QUANTILE, Readout


def readout(value, gradient):
    return Readout(np.asarray(value), np.asarray(gradient, dtype=float), True)


def blend(name, value, gradient):
    R = readout(value, gradient)
    return Compared(name, readout([value], [gradient]), R, R)


def width(interval):
    return interval["high"] - interval["low"]


@pytest.mark.parametrize("rho", [-0.5, 0.0, 0.9])
def test_difference_of_two_correlated_normals(rho):
    """var(a - b) = s_a^2 + s_b^2 - 2 rho s_a s_b; the logs of positive ones are normal if sure."""
    a, b, sd = 3.0, 2.0, np.array([0.005, 0.008])
    C = np.array([[sd[0] ** 2, rho * sd[0] * sd[1]], [rho * sd[0] * sd[1], sd[1] ** 2]])
    one, other = readout(a, [1.0, 0.0]), readout(b, [0.0, 1.0])
    s_a, s_b = a * sd[0], b * sd[1]
    got = difference(one, other, C)
    assert got["estimate"] == pytest.approx(1.0)
    expected = 2.0 * QUANTILE * np.sqrt(s_a**2 + s_b**2 - 2.0 * rho * s_a * s_b)
    assert width(got) == pytest.approx(expected, rel=1e-3)
    naive = difference(one, other, C, as_if_independent=True)
    assert width(naive) == pytest.approx(2.0 * QUANTILE * np.hypot(s_a, s_b), rel=1e-3)


@pytest.mark.parametrize("rho", [-0.5, 0.0, 0.6])
def test_difference_of_wide_ones_is_as_uneven_as_draws(rho):
    a, b, sd = 3.0, 2.0, np.array([0.3, 0.4])
    C = np.outer(sd, sd) * np.array([[1.0, rho], [rho, 1.0]])
    got = difference(readout(a, [1.0, 0.0]), readout(b, [0.0, 1.0]), C)
    x, y = np.random.default_rng(1).multivariate_normal([0.0, 0.0], C, 400_000).T
    low, high = np.quantile(a * np.exp(x) - b * np.exp(y), [0.025, 0.975])
    assert [got["low"], got["high"]] == pytest.approx([low, high], abs=0.04 * (high - low))


def test_against_next_to_nothing_a_difference_has_the_interval_of_its_one_part():
    one, none = readout(3.0, [1.0, 0.0]), readout(1e-12, [0.0, 1.0])
    got = difference(one, none, np.diag([0.3, 0.3]) ** 2)
    assert got == pytest.approx(one.interval(np.diag([0.3, 0.3]) ** 2), rel=1e-4)


def test_an_error_common_to_two_equal_blends_cancels_whole():
    C = np.array([[0.2**2]])
    one, other = readout(5.0, [1.0]), readout(5.0, [1.0])
    assert width(difference(one, other, C)) == pytest.approx(0.0, abs=1e-12)
    assert width(difference(one, other, C, as_if_independent=True)) > 2.0


def test_differences_along_the_tube_keep_their_shape():
    one, other = readout([2.0, 3.0], np.eye(2)), readout([1.0, 1.0], np.zeros((2, 2)))
    got = difference(one, other, 0.01 * np.eye(2))
    assert got["estimate"] == [1.0, 2.0]
    far = np.exp(0.1 * QUANTILE)
    assert got["high"] == pytest.approx([2.0 * far - 1.0, 3.0 * far - 1.0])


def test_rank_of_two_is_the_normal_tail_and_of_three_adds_up():
    C = np.diag([0.1, 0.2, 0.1]) ** 2
    every = [blend("a", 1.1, [1, 0, 0]), blend("b", 1.0, [0, 1, 0])]
    first, second = ranking(every, C)
    p = norm.cdf(np.log(1.1) / np.hypot(0.1, 0.2))
    assert first["blend"] == "a"
    assert first["rank_probability"][0] == pytest.approx(p, abs=0.01)
    assert second["rank_probability"] == first["rank_probability"][::-1]
    three = ranking([*every, blend("c", 4.0, [0, 0, 1])], C)
    assert [row["blend"] for row in three] == ["c", "a", "b"]
    assert three[0]["rank_probability"] == [1.0, 0.0, 0.0]
    assert np.sum([r["rank_probability"] for r in three], axis=0) == pytest.approx(np.ones(3))
    assert ranking(every[:1], C) == []


def test_ranks_of_blends_that_share_all_errors_are_certain():
    every = [blend("a", 1.01, [1.0]), blend("b", 1.0, [1.0])]
    assert ranking(every, np.array([[0.25]]))[0]["rank_probability"] == [1.0, 0.0]


def fuels(*fractions):
    return [SimpleNamespace(silicon=s, water=w) for s, w in fractions]


def test_response_is_the_straight_line_and_its_textbook_variance():
    """Independent equal errors: var(slope) = s^2/sum (x - mean)^2."""
    x, s = np.array([0.01, 0.02, 0.03, 0.05]), 2e-6
    R = 1e-5 + 3e-3 * x + s * np.array([1.0, -1.0, -1.0, 1.0])
    every = [blend(str(i), v, np.eye(4)[i]) for i, v in enumerate(R)]
    C = np.diag((s / R) ** 2)
    got = response(every, fuels(*((v, 0.0) for v in x)), C)
    terms = {t["term"]: t["resistance_m2K_W"] for t in got["terms"]}
    assert list(terms) == ["constant", "silicon"]
    slope, constant = np.polyfit(x, R, 1)
    assert terms["silicon"]["estimate"] == pytest.approx(slope)
    assert terms["constant"]["estimate"] == pytest.approx(constant)
    sd = s / np.sqrt(((x - x.mean()) ** 2).sum())
    assert width(terms["silicon"]) == pytest.approx(2.0 * QUANTILE * sd)
    left = R - constant - slope * x
    assert got["misfit"] == pytest.approx((left**2).sum() / s**2)
    assert got["p_value"] == pytest.approx(chi2.sf(got["misfit"], 2))


def test_response_to_silicon_and_water_needs_four_blends_that_vary_both():
    def of(*fractions):
        n = len(fractions)
        every = [blend(str(i), 1e-4 + 1e-3 * s - 1e-5 * w, np.eye(n)[i])
                 for i, (s, w) in enumerate(fractions)]
        return response(every, fuels(*fractions), 0.01 * np.eye(n))

    three = of((0.01, 0.2), (0.02, 0.2), (0.02, 0.0))
    assert three["reason"].startswith("not enough blends: 3 for 3 coefficients")
    assert three["terms"] == []
    four = of((0.01, 0.2), (0.02, 0.2), (0.02, 0.0), (0.03, 0.1))
    assert {t["term"]: round(t["resistance_m2K_W"]["estimate"], 9) for t in four["terms"]} == {
        "constant": 1e-4, "silicon": 1e-3, "water": -1e-5,
    }
    together = of((0.01, 0.1), (0.02, 0.2), (0.03, 0.3), (0.04, 0.4))
    assert together["reason"] == "not enough blends: silicon and water vary together"
    assert "neither" in of((0.01, 0.0), (0.01, 0.0), (0.01, 0.0))["reason"]
    assert response([], [], np.eye(1))["reason"]


def test_hand_method_interval_is_students():
    """Bare 10, 12: s = sqrt(2), t(0.975, 1) = 12.7062 (from memory; any t table)."""
    dosed, bare = np.array([[7.0], [9.0]]), np.array([[10.0], [12.0]])
    value, half = difference_of_means(dosed, bare)
    assert value == pytest.approx([-3.0])
    assert half == pytest.approx([12.7062 * np.sqrt(2.0) * np.sqrt(0.5 + 0.5)], rel=1e-5)


def test_hand_method_has_no_interval_from_one_bare_firing_and_no_value_from_none():
    value, half = difference_of_means(np.array([[7.0, 7.0]]), np.array([[10.0, np.nan]]))
    assert value[0] == -3.0
    assert np.isnan(value[1])
    assert np.isnan(half).all()


def test_hand_method_pools_scatter_over_moments_as_it_grows():
    """Bare firings that agree at one moment by chance, and one of them lost at the next."""
    growth = np.array([1.0, 2.0, 3.0, 4.0])
    apart = np.array([2.0, 4.0, 0.0, np.nan])
    bare = np.array([np.full(4, 10.0), 10.0 + apart])
    value, half = difference_of_means(np.full((1, 4), 7.0), bare, growth)
    assert value == pytest.approx([-4.0, -5.0, -3.0, -3.0])
    share = np.sqrt([1.5, 1.5, 1.5, 2.0])
    assert half == pytest.approx(12.7062 * np.sqrt(2.0) * growth * share, rel=1e-5)


def test_hand_method_reads_temperature_and_slope_of_a_straight_trace():
    t = np.arange(0.05, 5.0, 0.1)
    trace = SimpleNamespace(sensor="A", t=t, T=300.0 + 20.0 * t)
    got = lines(SimpleNamespace(traces=(trace,)), "A", np.array([0.1, 2.0, 4.0]))
    assert np.isnan(got[0]).all()
    assert got[1:] == pytest.approx(np.array([[340.0, 20.0], [380.0, 20.0]]))
    assert np.isnan(lines(SimpleNamespace(traces=()), "A", np.array([2.0]))).all()
