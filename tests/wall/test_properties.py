"""Intervals of a table looked up by bins, and tables of many draws at once."""

from pathlib import Path

import numpy as np
import pytest

from wallsim.materials import load_solid
from wallsim.wall.properties import Intervals, PropertyTable


@pytest.mark.parametrize("points", [
    np.linspace(250.0, 1500.0, 26),
    np.array([233.15, 300.0, 300.0 + 1e-13, 300.01, 1008.0, 1008.15, 1473.15]),
    np.array([200.0, 2600.0]),
])
def test_bins_find_what_a_search_finds(points):
    rng = np.random.default_rng(1)
    T = np.concatenate((rng.uniform(points[0] - 50.0, points[-1] + 50.0, 2000), points))
    found = Intervals.of(points).at(T.reshape(1, -1))[0]
    searched = np.clip(np.searchsorted(points, T, side="right") - 1, 0, points.size - 2)
    # A table point may fall to the interval before it by rounding: the curve is the same there.
    assert np.all((found == searched) | (np.isin(T, points) & (found == searched - 1)))
    assert np.mean(found == searched) > 0.99


def test_tables_of_many_draws_are_those_of_each():
    table = PropertyTable.of(load_solid("carbon steel", Path()))
    four = 0.1 * np.random.default_rng(2).standard_normal((4, 3))
    together = table.changed(*four[:, :, None])
    for d in range(3):
        alone = table.changed(*four[:, d])
        for one, every in zip(alone.columns[:-1], together.columns[:-1], strict=True):
            np.testing.assert_allclose(every[d], one, rtol=1e-14)
