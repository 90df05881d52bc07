"""Criteria and exchange against published optimal designs, and against brute force."""

from itertools import combinations

import numpy as np
import pytest

from wallsim.plan.place_design import (
    Candidates,
    Criterion,
    choose,
    covariance,
    exchange,
    root_of,
    without,
)

TERMS = np.arange(1, 200)[:, None]


def every(n):
    return np.arange(n)


def test_box_and_lucas_times_of_consecutive_reactions():
    # Box & Lucas 1959, Biometrika 46, 77: k = (0.7, 0.2), D-optimal times 1.23 and 6.86
    # (from memory; 1.2295 and 6.8577 recomputed to four figures).
    a, b = 0.7, 0.2
    t = np.arange(0.0, 12.0, 0.005)
    A, B = np.exp(-a * t), np.exp(-b * t)
    y = (B - A) / (a - b)
    by_a = y + a * (t * A / (a - b) - y / (a - b))
    by_b = a * (-t * B / (a - b) + y / (a - b))
    f = np.column_stack((by_a, by_b))
    candidates = Candidates(f[:, :, None], np.zeros((t.size, t.size), dtype=bool))
    chosen, _ = choose(candidates, 1e-7 * np.eye(2), Criterion(np.eye(2), "determinant"),
                       [every(t.size)] * 2)
    assert sorted(t[chosen]) == pytest.approx([1.2295, 6.8577], abs=0.0051)


def test_two_points_of_a_decay_are_its_start_and_its_time_constant():
    # A exp(-t/tau): t = 0 and t = tau, closed form.
    t = np.arange(0.0, 5.0, 0.01)
    f = np.column_stack((np.exp(-t), t * np.exp(-t)))
    candidates = Candidates(f[:, :, None], np.zeros((t.size, t.size), dtype=bool))
    chosen, _ = choose(candidates, 1e-7 * np.eye(2), Criterion(np.eye(2), "determinant"),
                       [every(t.size)] * 2)
    assert sorted(t[chosen]) == pytest.approx([0.0, 1.0], abs=1e-9)


def heated_plate(x, t):
    """Rise of a plate heated at x = 0 by unit flux, back insulated (Carslaw & Jaeger 3.8)."""
    n = TERMS * np.pi
    series = (np.cos(n * x) / n**2 * np.exp(-(n**2) * t)).sum(axis=0)
    return t + 0.5 * (1.0 - x) ** 2 - 1.0 / 6.0 - 2.0 * series


def held_plate(t):
    """Rise of the face of a plate heated by unit flux, back face held (Carslaw & Jaeger 3.8)."""
    n = (TERMS - 0.5) * np.pi
    return 1.0 - 2.0 * (np.exp(-(n**2) * t) / n**2).sum(axis=0)


def seen(rise, t):
    """Rise and its sensitivities to k and C, each times the parameter; ``rise`` is f(kt/C)/k."""
    of_diffusivity = t * np.gradient(rise, t[1] - t[0])
    return np.column_stack((rise, -rise + of_diffusivity, -of_diffusivity))


def switched_off(history, count):
    """Superpose the same with the flux reversed ``count`` samples later."""
    out = history.copy()
    out[count:] -= history[:-count]
    return out


def best_of(experiments):
    """Index of the experiment whose information has the largest determinant."""
    chosen, _ = choose(
        Candidates.of(experiments), 1e-9 * np.eye(2), Criterion(np.eye(2), "determinant"),
        [every(len(experiments))],
    )
    return chosen[0]


def durations(sensors, counts):
    """Information per unit time of tests of each duration, scaled by the largest rise."""
    J = np.stack([s[:, 1:] for s in sensors], axis=1)
    sums = np.cumsum(np.einsum("tsi,tsj->tij", J, J), axis=0)
    top = np.maximum.accumulate(np.max([s[:, 0] for s in sensors], axis=0))
    return [sums[n - 1] / (n * len(sensors) * top[n - 1] ** 2) for n in counts]


def test_duration_of_a_test_with_constant_flux():
    # Beck & Arnold 1977, Parameter Estimation in Engineering and Science, ch. 8: about 0.65
    # (from memory; 0.6470 recomputed), sensors at both faces, back insulated.
    t = np.arange(0.0, 1.2, 0.0005)
    counts = np.arange(600, t.size, 2)
    best = best_of(durations([seen(heated_plate(x, t), t) for x in (0.0, 1.0)], counts))
    assert t[counts[best] - 1] == pytest.approx(0.6470, abs=0.0015)


def test_heating_and_duration_with_the_flux_switched_off():
    # Beck & Arnold 1977, ch. 8: heated for 0.5, ended at 0.75 (from memory; 0.502 and 0.766
    # recomputed), sensors at both faces, back insulated.
    t = np.arange(0.0, 1.0, 0.001)
    both = [seen(heated_plate(x, t), t) for x in (0.0, 1.0)]
    counts = np.arange(700, 850, 2)
    tests, where = [], []
    for off in range(480, 525, 2):
        tests.extend(durations([switched_off(s, off) for s in both], counts))
        where.extend((t[off], t[n - 1]) for n in counts)
    assert where[best_of(tests)] == pytest.approx((0.502, 0.766), abs=0.003)


def test_heating_and_duration_with_the_back_face_held():
    # Taktak, Beck & Scott 1993, Int. J. Heat Mass Transfer 36: 2.2 and 3.0 (from memory; 2.243
    # and 2.986 recomputed), sensor at the heated face.
    t = np.arange(0.0, 3.5, 0.001)
    face = seen(held_plate(t), t)
    counts = np.arange(2900, 3080, 4)
    tests, where = [], []
    for off in range(2200, 2290, 4):
        tests.extend(durations([switched_off(face, off)], counts))
        where.extend((t[off], t[n - 1]) for n in counts)
    assert where[best_of(tests)] == pytest.approx((2.243, 2.986), abs=0.006)


@pytest.fixture
def rng():
    return np.random.default_rng(3)


@pytest.mark.parametrize("kind", ["variance", "determinant"])
@pytest.mark.parametrize("seed", range(6))
def test_exchange_from_every_start_finds_what_trying_all_finds(kind, seed):
    rng = np.random.default_rng(seed)
    B = rng.standard_normal((9, 4, 2)) * rng.uniform(0.3, 2.0, (9, 1, 1))
    candidates = Candidates(B, np.eye(9, dtype=bool))
    criterion = Criterion(rng.standard_normal((2, 4)), kind)

    def judged(chosen):
        return criterion.of(np.linalg.inv(candidates.precision(np.eye(4), chosen)))

    best = min(combinations(range(9), 3), key=judged)
    chosen, value = choose(candidates, np.eye(4), criterion, [every(9)] * 3, tries=10)
    assert sorted(chosen) == list(best)
    assert value == pytest.approx(judged(best), rel=1e-9)


def test_exchange_ends_where_no_single_exchange_gains(rng):
    B = rng.standard_normal((9, 4, 2))
    candidates = Candidates(B, np.eye(9, dtype=bool))
    criterion = Criterion(rng.standard_normal((1, 4)))

    def judged(chosen):
        return criterion.of(covariance(candidates.precision(np.eye(4), chosen)))

    worst = max(combinations(range(9), 3), key=judged)
    chosen, value = exchange(candidates, np.eye(4), criterion, [every(9)] * 3, worst)
    assert value < 0.95 * judged(worst)
    for slot in range(3):
        for other in set(range(9)) - set(chosen):
            assert judged([*chosen[:slot], other, *chosen[slot + 1 :]]) >= value - 1e-12


def test_added_candidates_are_judged_as_if_inverted_anew(rng):
    B = rng.standard_normal((5, 6, 3))
    C = covariance(np.eye(6) + B[0] @ B[0].T)
    for kind in ("variance", "determinant"):
        criterion = Criterion(rng.standard_normal((3, 6)), kind)
        anew = [criterion.of(np.linalg.inv(np.linalg.inv(C) + b @ b.T)) for b in B]
        assert criterion.of_added(C, B) == pytest.approx(anew, rel=1e-9)


def test_conflicts_keep_candidates_apart_and_say_when_nothing_is_left(rng):
    B = np.ones((4, 1, 1)) * np.array([4.0, 3.0, 2.0, 1.0])[:, None, None]
    near = np.abs(np.subtract.outer(np.arange(4), np.arange(4))) <= 1
    candidates = Candidates(B, near)
    chosen, _ = choose(candidates, np.eye(1), Criterion(np.eye(1)), [every(4)] * 2)
    assert chosen == [0, 2]
    with pytest.raises(ValueError, match="nothing is left to choose after 2"):
        choose(candidates, np.eye(1), Criterion(np.eye(1)), [every(4)] * 3)


def test_a_known_choice_helps_where_the_greedy_one_blocks_itself():
    B = np.array([1.0, 2.0, 1.0])[:, None, None]
    near = np.abs(np.subtract.outer(np.arange(3), np.arange(3))) <= 1
    candidates, criterion = Candidates(B, near), Criterion(np.eye(1))
    with pytest.raises(ValueError, match="nothing is left"):
        choose(candidates, np.eye(1), criterion, [every(3)] * 2)
    chosen, _ = choose(candidates, np.eye(1), criterion, [every(3)] * 2, known=[2, 0])
    assert sorted(chosen) == [0, 2]


def test_unknown_nuisance_is_eliminated_as_in_the_full_inverse(rng):
    B = rng.standard_normal((5, 8))
    M = B @ B.T + np.eye(5)
    assert np.linalg.inv(without(M, [1, 3])) == pytest.approx(
        np.linalg.inv(M)[np.ix_([0, 2, 4], [0, 2, 4])], rel=1e-9)


def test_root_leaves_the_null_space_out(rng):
    B = rng.standard_normal((5, 2))
    root = root_of(B @ B.T)
    assert root.shape == (5, 2)
    assert root @ root.T == pytest.approx(B @ B.T)
