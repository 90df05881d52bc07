"""The linear systems of many draws, in the conductivity integral."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from wallsim.errors import ConvergenceError
from wallsim.wall.blocks import BlockFactor
from wallsim.wall.operators import Wall

Array = NDArray[np.float64]

LIKE_STEPS = 0.2
"""Log ratio of the lengths of steps that count as alike."""
CORRECTIONS = 2
FARTHEST = 0.5
"""Of a draw's diagonal from the mean, relative, for these to converge."""


class DrawTangent:
    """Solver of d(heat - d F)/dtheta, a diagonal of each draw and d K.

    Draws of one wall and of like steps share a factor, that of the mean of their diagonals over d;
    what a draw's own is beside it is put right by iteration. Where draws are apart, as across a
    peak of c(T), that does not serve; such a draw is solved by itself.
    """

    def __init__(self, walls: Sequence[Wall], d: Array, diagonal: Array) -> None:
        """Factor the means; of each draw its wall, weight ``d`` [s] and diagonal (n, n_draws)."""
        self.d, self.mean = d, np.empty_like(diagonal)
        self.alone = np.zeros(d.size, dtype=bool)
        self.bands: list[Array] = []
        self.shared: list[tuple[slice, BlockFactor]] = []
        like = np.round(np.log(d) / LIKE_STEPS)
        for _, same in groupby(range(d.size), lambda j: (id(walls[j]), like[j])):
            first, *others = same
            at = slice(first, first + 1 + len(others))
            columns, band = walls[first].columns, walls[first].band
            if columns is None or band is None:
                raise ConvergenceError("draws are marched on the built-in mesh of a straight tube")
            mean = (diagonal[:, at] / d[at]).mean(axis=1)
            self.mean[:, at] = mean[:, None]
            self.bands += [band] * (at.stop - first)
            self.shared.append((at, columns.factor(mean)))

    def solve(self, residual: Array, diagonal: Array, slow: NDArray[np.bool_]) -> Array:
        """Return the solution for each draw's own ``diagonal``; ``slow`` ones from now on alone."""
        further = diagonal / self.d - self.mean
        self.alone |= slow | (np.abs(further / self.mean).max(axis=0) > FARTHEST)
        first = out = self.mean_solution(residual / self.d)
        for _ in range(CORRECTIONS):
            out = first - self.mean_solution(further * out)
        for j in np.flatnonzero(self.alone):
            matrix = self.d[j] * self.bands[int(j)]
            matrix[0] += diagonal[:, j]
            _, out[:, j], info = lapack.dpbsv(matrix, residual[:, j], lower=1, overwrite_ab=1)
            if info != 0:
                raise ConvergenceError("the system of a time step is not positive definite")
        return out

    def mean_solution(self, rhs: Array) -> Array:
        """Return the solution for the mean diagonals."""
        return np.hstack([factor.solve(rhs[:, at]) for at, factor in self.shared])
