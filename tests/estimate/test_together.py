"""Residuals of a firing that go together: told when they do, not by chance, and counted less."""

from types import SimpleNamespace

import numpy as np
import pytest

from wallsim.estimate.missed import together_lines
from wallsim.estimate.together import CHANCE, together
from wallsim.estimate.weights import Weights, assumed, learnt
from wallsim.regression.noise import Autoregression, Noise

TRACES, BLOCKS = 8, 250


def noises(memory=1):
    process = Autoregression.of(np.array([1.0])) if memory == 1 else Autoregression.of(
        np.array([1.0, 0.6])
    )
    return [Noise(0.4, process)] * TRACES


def series(rng, a=0.0):
    out = rng.standard_normal((TRACES, BLOCKS))
    for i in range(1, BLOCKS):
        out[:, i] = a * out[:, i - 1] + np.sqrt(1.0 - a**2) * out[:, i]
    return 0.4 * out


INDEX = [np.arange(BLOCKS)] * TRACES


@pytest.mark.parametrize(("a", "memory"), [(0.0, 1), (0.6, 4)])
def test_independent_residuals_are_told_as_rarely_as_stated(a, memory):
    rng = np.random.default_rng(3)
    found = [together(INDEX, list(series(rng, a)), noises(memory)) for _ in range(400)]
    assert np.mean([f.ratio for f in found]) == pytest.approx(1.0, abs=0.03)
    # 4 expected; more than 11 in one case of a thousand
    assert sum(f.told for f in found) <= 11
    assert np.median([f.chance for f in found]) == pytest.approx(0.5, abs=0.15)


def test_the_ratio_is_that_of_the_variances():
    rng = np.random.default_rng(4)
    common = 0.3 * np.sin(2.0 * np.pi * np.arange(BLOCKS) / 50.0)
    found = together(INDEX, list(series(rng) + common), noises())
    variance = 0.3**2 / 2.0
    assert found.ratio == pytest.approx(
        (0.16 + TRACES * variance) / (0.16 + variance), rel=0.15
    )
    assert found.told
    assert found.chance < CHANCE
    assert found.factor == found.ratio


def test_all_the_same_count_as_one_and_a_trace_alone_as_itself():
    one = series(np.random.default_rng(5))[0]
    assert together(INDEX, [one] * TRACES, noises()).ratio == pytest.approx(TRACES)
    alone = together(INDEX[:1], [one], noises()[:1])
    assert (alone.ratio, alone.told) == (1.0, False)
    assert together([], [], []).factor == 1.0


def traces():
    t = 0.1 * (np.arange(BLOCKS) + 0.5)
    return tuple(
        SimpleNamespace(sensor=f"T{i}", index=np.arange(BLOCKS), t=t, T=t, samples=BLOCKS,
                        zero_blocks=40.0)
        for i in range(TRACES)
    )


def test_readings_that_go_together_count_less_and_are_tested_as_if_alone():
    rng, made = np.random.default_rng(6), traces()
    wave = 0.5 * np.sin(2.0 * np.pi * made[0].t / 5.0)
    weights = learnt(made, tuple(series(rng) + wave), assumed(made, 0.5), 0.5)
    factor = weights[0].together.factor
    assert 2.0 < factor < TRACES
    rows = rng.standard_normal((BLOCKS, 1))
    alone = Weights(weights[0].noise, weights[0].robust, weights[0].nuisance)
    np.testing.assert_allclose(
        weights[0].apply(made[0], rows), alone.apply(made[0], rows) / np.sqrt(factor)
    )
    np.testing.assert_allclose(weights[0].whitened(made[0], rows), alone.apply(made[0], rows))


def test_it_is_told_and_from_twice_on_fails_the_gate():
    runs = {
        name: {"residuals_together": {"ratio": f, "chance": 1e-6, "counted_less_by": f}}
        for name, f in (("a", 1.2), ("b", 2.0), ("c", 6.0))
    }
    told = together_lines({"runs": runs | {"d": {"residuals_together": None}}})
    assert [line["level"] for line in told] == ["warning", "bad"]
    assert told[0]["text"].startswith("b: the residuals of its thermocouples go together")
    assert "counted 6.0 times less" in told[1]["text"]
