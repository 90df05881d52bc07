"""Bootstrap over groups, against refits of each draw and against the truth."""

import numpy as np
import pytest

from wallsim.regression.bootstrap import bootstrap
from wallsim.regression.least_squares import solve


def campaign(rng, kinds, own_sd, *, noise=0.2, n=6):
    """Return groups of a linear model in unit-normal coordinates, and their Jacobian's shape.

    Unknowns: the level of each kind (prior sd 20), then each group's own offset (prior ``own_sd``).
    """
    names = sorted(set(kinds))
    m = len(names) + len(kinds)
    z = np.concatenate((rng.normal(0.0, 0.1, len(names)), rng.standard_normal(len(kinds))))
    groups = []
    for g, kind in enumerate(kinds):
        J = np.zeros((n, m))
        J[:, names.index(kind)] = 20.0 / noise
        J[:, len(names) + g] = own_sd / noise
        groups.append((J, J @ z + rng.standard_normal(n)))
    return groups, m


def owns(groups, m):
    """Places of each group's own offset: the last unknowns."""
    return [np.array([m - len(groups) + g]) for g in range(len(groups))]


def fitted(groups, m):
    """Return the estimate and each group's rows there."""
    J = np.vstack([*(J for J, _ in groups), np.eye(m)])
    y = np.concatenate([*(y for _, y in groups), np.zeros(m)])
    z = np.linalg.lstsq(J, y, rcond=None)[0]
    return z, [(J @ z - y, J) for J, y in groups]


def test_each_draw_is_the_fit_of_a_campaign_of_the_groups_drawn():
    kinds = "aabbb"
    groups, m = campaign(np.random.default_rng(1), kinds, 0.5)
    z, rows = fitted(groups, m)
    found = bootstrap(rows, z, owns(rows, m), draws=20, rng=np.random.default_rng(2), kinds=kinds)
    assert found.shared.tolist() == [0, 1]
    for weights, d in zip(found.weights, found.d, strict=True):
        drawn = [g for g, w in enumerate(weights) for _ in range(w)]
        copies = []
        for place, g in enumerate(drawn):
            J, y = groups[g]
            whole = np.zeros((len(y), 2 + len(drawn)))
            whole[:, :2], whole[:, 2 + place] = J[:, :2], J[:, 2 + g]
            copies.append((whole, y))
        again, _ = fitted(copies, 2 + len(drawn))
        np.testing.assert_allclose(z[:2] + d, again[:2], atol=1e-9)


def test_groups_are_drawn_among_their_kind():
    kinds = ["neat", "D5", "neat", "D5", "D5", "water"]
    groups, m = campaign(np.random.default_rng(3), kinds, 0.5)
    z, rows = fitted(groups, m)
    found = bootstrap(rows, z, owns(rows, m), draws=300, rng=np.random.default_rng(4), kinds=kinds)
    assert (found.weights[:, [0, 2]].sum(axis=1) == 2).all()
    assert (found.weights[:, [1, 3, 4]].sum(axis=1) == 3).all()
    assert (found.weights[:, 5] == 1).all()
    assert found.weights[:, [1, 3, 4]].max() == 3
    water = np.eye(m)[2]
    assert np.std(found.shift(water)) < 1e-9


@pytest.mark.parametrize("stated", [0.2, 1.0, 5.0])
def test_its_spread_is_how_much_the_groups_differ_whatever_is_assumed(stated):
    """Offsets of sd 1, an assumed sd that is wrong by a factor of five either way."""
    n, rng = 10, np.random.default_rng(6)
    ratio = []
    for _ in range(40):
        groups, m = campaign(rng, "a" * n, 1.0)
        assumed = [(J * np.r_[1.0, np.full(n, stated)], y) for J, y in groups]
        z, rows = fitted(assumed, m)
        found = bootstrap(rows, z, owns(rows, m), draws=200, rng=rng)
        ratio.append(np.var(20.0 * found.shift(np.eye(m)[0])))
    truth = (1.0 + 0.2**2 / 6.0) / n
    expected = np.sqrt(truth * (n - 1) / n)
    assert np.sqrt(np.mean(ratio)) == pytest.approx(expected, rel=0.12)


def test_rows_compressed_to_a_triangle_serve_as_well():
    groups, m = campaign(np.random.default_rng(7), "aabb", 0.5)
    z, rows = fitted(groups, m)
    compressed = []
    for r, J in rows:
        R = np.linalg.qr(np.column_stack((J, r)), mode="r")
        compressed.append((R[:, -1], np.where(np.abs(R[:, :-1]) < 1e-12, 0.0, R[:, :-1])))
    a = bootstrap(rows, z, owns(rows, m), draws=30, rng=np.random.default_rng(8))
    b = bootstrap(compressed, z, owns(rows, m), draws=30, rng=np.random.default_rng(8))
    np.testing.assert_allclose(a.d, b.d, atol=1e-10)


def test_a_mildly_curved_model_moves_as_its_refits_do():
    rng = np.random.default_rng(9)
    t = np.linspace(0.2, 2.0, 12)
    data = [np.exp(-(0.8 + 0.05 * rng.standard_normal()) * t) + 0.01 * rng.standard_normal(12)
            for _ in range(6)]

    def rows(z, y):
        f = np.exp(-np.exp(z[0]) * t)
        return (f - y) / 0.01, (-np.exp(z[0]) * t * f / 0.01)[:, None]

    def misfit(weights):
        def of(z):
            parts = [(w**0.5 * r, w**0.5 * J) for w, (r, J) in
                     zip(weights, (rows(z, y) for y in data), strict=True)]
            return (np.concatenate([*(r for r, _ in parts), z]),
                    np.vstack([*(J for _, J in parts), np.eye(1)]))

        return of

    z = solve(misfit(np.ones(6)), np.zeros(1), tolerance=1e-12).z
    found = bootstrap([rows(z, y) for y in data], z, [np.empty(0, dtype=int)] * 6, draws=25,
                      rng=rng)
    again = [solve(misfit(w), z, tolerance=1e-12).z[0] - z[0] for w in found.weights]
    assert np.corrcoef(again, found.d[:, 0])[0, 1] > 0.999
    np.testing.assert_allclose(found.d[:, 0], again, atol=0.05 * np.std(again))


def test_what_it_does_not_move_it_does_not_read():
    groups, m = campaign(np.random.default_rng(10), "aabb", 0.5)
    z, rows = fitted(groups, m)
    found = bootstrap(rows, z, owns(rows, m), draws=5, rng=np.random.default_rng(11))
    with pytest.raises(ValueError, match="own unknowns"):
        found.shift(np.eye(m)[-1])
    with pytest.raises(ValueError, match="group 0 depends on another's"):
        bootstrap(rows, z, owns(rows, m)[::-1], draws=5, rng=np.random.default_rng(12))


def test_a_single_group_of_its_kind_is_always_there():
    """What only that group tells moves with the others alone; drawn from all, it can be absent."""
    groups, m = campaign(np.random.default_rng(13), "aaaaab", 0.5)
    z, rows = fitted(groups, m)
    among = bootstrap(rows, z, owns(rows, m), draws=200, rng=np.random.default_rng(14),
                      kinds="aaaaab")
    anyone = bootstrap(rows, z, owns(rows, m), draws=200, rng=np.random.default_rng(14))
    assert np.std(among.shift(np.eye(m)[1])) < 1e-9
    absent = anyone.weights[:, 5] == 0
    assert absent.any()
    np.testing.assert_allclose(anyone.d[absent, 1], -z[1], atol=1e-9)
