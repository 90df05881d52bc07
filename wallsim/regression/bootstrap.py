"""Bootstrap over groups of readings that share nothing but the unknowns, such as firings.

    minimise  sum_g w_g |r_g + J_g d|^2 + |z + d|^2,   w_g times drawn of group g

Groups are drawn with replacement (Efron 1979, Ann. Stat. 7, 1) and the estimate moves by ``d``, so
its spread comes from how much the groups differ and not from an assumed noise. One linear step is
made for each draw, from rows at the estimate: nothing is evaluated again, and a draw far from the
estimate is as wrong as the linear model there. An unknown that only one group sees (a firing's own
heating) belongs to that group: it is eliminated with its prior first, so that a group drawn twice
counts as two of its kind. The spread of n groups is too small by about sqrt((n - 1)/n); of three or
four groups it is a rough guess.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Rows = tuple[Array, Array]
"""Residuals (n,) and their Jacobian (n, m), or any rows with the same ``|r + J d|``."""


@dataclass(frozen=True, slots=True, eq=False)
class Bootstrap:
    """Displacements of the estimate.

    Parameters
    ----------
    shared : NDArray of int, shape (k,)
        Places of the unknowns that more than one group sees, or none.
    d : Array, shape (draws, k)
        Of these, from the estimate.
    weights : NDArray of int, shape (draws, groups)
        Times drawn.
    """

    shared: NDArray[np.intp]
    d: Array
    weights: NDArray[np.int64]

    def shift(self, gradient: Array) -> Array:
        """Return the shift of a readout in each draw; shape (draws,).

        Parameters
        ----------
        gradient : Array, shape (m,)
            To all unknowns; its part to those of a single group does not count.
        """
        return self.d @ gradient[self.shared]


def bootstrap(
    groups: Sequence[Rows],
    z: Array,
    *,
    draws: int,
    rng: np.random.Generator,
    kinds: Sequence[Hashable] | None = None,
) -> Bootstrap:
    """Return displacements of the estimate when groups are drawn with replacement.

    Parameters
    ----------
    groups : sequence of Rows
        Of each group at the estimate, without the prior.
    z : Array, shape (m,)
        Estimate, in coordinates of unit-normal prior.
    draws : int
    rng : numpy.random.Generator
    kinds : sequence or None
        Kind of each group (a firing's blend). Groups are drawn among their kind, so that each kind
        keeps its number; a kind of one group adds no spread.
    """
    seen = np.array([np.any(J != 0.0, axis=0) for _, J in groups])
    own = seen.sum(axis=0) == 1
    shared = np.flatnonzero(~own)
    normal = [_normal_equations(r, J, z, np.flatnonzero(own & mine), shared)
              for (r, J), mine in zip(groups, seen, strict=True)]
    H = np.array([h for h, _ in normal])
    q = np.array([v for _, v in normal])
    weights = _weights(kinds if kinds is not None else [0] * len(groups), draws, rng)
    matrices = np.eye(shared.size) + np.tensordot(weights, H, axes=1)
    sides = z[shared] + weights @ q
    d = -np.linalg.solve(matrices, sides[:, :, None])[:, :, 0]
    return Bootstrap(shared, d, weights)


def _normal_equations(
    r: Array, J: Array, z: Array, own: NDArray[np.intp], shared: NDArray[np.intp]
) -> Rows:
    """Return ``J^T J`` and ``J^T r`` of the shared unknowns, the group's own eliminated."""
    prior = np.zeros((own.size, own.size + shared.size + 1))
    prior[:, : own.size] = np.eye(own.size)
    prior[:, -1] = z[own]
    rows = np.vstack((np.column_stack((J[:, own], J[:, shared], r)), prior))
    triangle = np.asarray(np.linalg.qr(rows, mode="r"))
    left = triangle[own.size :, own.size :]
    return left[:, :-1].T @ left[:, :-1], left[:, :-1].T @ left[:, -1]


def _weights(
    kinds: Sequence[Hashable], draws: int, rng: np.random.Generator
) -> NDArray[np.int64]:
    weights = np.zeros((draws, len(kinds)), dtype=np.int64)
    for kind in dict.fromkeys(kinds):
        members = [i for i, k in enumerate(kinds) if k == kind]
        n = len(members)
        weights[:, members] = rng.multinomial(n, np.full(n, 1.0 / n), size=draws)
    return weights
