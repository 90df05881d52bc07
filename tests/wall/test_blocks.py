"""Block cyclic reduction against a dense solution, and which meshes have node columns."""

from dataclasses import replace

import numpy as np
import pytest

from tests.wall.walls import wall
from wallsim.wall.blocks import NodeColumns


@pytest.mark.parametrize("n_z", [3, 4, 7, 8, 20, 61])
@pytest.mark.parametrize("n_r", [1, 3])
def test_solves_like_a_dense_matrix(n_r, n_z):
    w = wall(n_r=n_r, n_z=n_z)
    K = w.regions[0].laplacian
    columns = NodeColumns.of(K, w.z)
    rng = np.random.default_rng(1)
    diagonal = rng.uniform(0.1, 1.0, w.size) * K.diagonal().mean()
    rhs = rng.standard_normal((w.size, 5))
    x = columns.factor(diagonal).solve(rhs)
    exact = np.linalg.solve(np.diag(diagonal) + K.toarray(), rhs)
    assert np.abs(x - exact).max() < 1e-12 * np.abs(exact).max()


def test_nodes_out_of_columns_are_left_to_the_band():
    w = wall(n_r=2, n_z=8)
    K = w.regions[0].laplacian
    z = w.z.copy()
    z[7] += 1e-3
    assert NodeColumns.of(K, z) is None
    assert NodeColumns.of(wall(n_r=2, n_z=2).regions[0].laplacian, wall(n_r=2, n_z=2).z) is None


def test_the_band_and_the_columns_give_the_same_factor():
    w = wall(n_r=2, n_z=8)
    properties = w.properties(np.linspace(300.0, 900.0, w.size))
    diagonal = w.capacity(properties)
    rhs = np.random.default_rng(2).standard_normal((w.size, 3))
    by_columns = w.factor_for_many(diagonal, 0.01, properties).solve(rhs)
    by_band = replace(w, columns=None).factor_for_many(diagonal, 0.01, properties).solve(rhs)
    assert np.allclose(by_columns, by_band, rtol=1e-12, atol=0.0)
