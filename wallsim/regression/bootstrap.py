"""Bootstrap over groups of readings that share nothing but the unknowns, such as firings.

    minimise  sum_g w_g |r_g + J_g d|^2 + |z + d|^2,   w_g times drawn of group g

Groups are drawn with replacement (Efron 1979, Ann. Stat. 7, 1) and the estimate moves by ``d``, so
its spread comes from how much the groups differ and not from an assumed noise. One linear step is
made for each draw, from rows at the estimate: nothing is evaluated again, and a draw far from the
estimate is as wrong as the linear model there. A group's own unknowns (a firing's heating) are
eliminated with their prior first, so that a group drawn twice counts as two of its kind. The spread
of n groups is too small by about sqrt((n - 1)/n): of three or four it is a rough guess, and a kind
of one group adds none at all.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Rows = tuple[Array, Array]
"""Residuals (n,) and their Jacobian (n, m), or any rows with the same ``|r + J d|``."""


@dataclass(frozen=True, slots=True, eq=False)
class Bootstrap:
    """Displacements of the estimate.

    Parameters
    ----------
    shared : NDArray of int, shape (k,)
        Places of the unknowns that are no group's own.
    d : Array, shape (draws, k)
        Of these, from the estimate.
    weights : NDArray of int, shape (draws, groups)
        Times drawn.
    """

    shared: Index
    d: Array
    weights: NDArray[np.int64]

    def shift(self, gradient: Array) -> Array:
        """Return the shift of a readout in each draw; shape (draws,).

        Parameters
        ----------
        gradient : Array, shape (m,)

        Raises
        ------
        ValueError
            If the readout depends on an unknown that is a group's own.
        """
        if np.any(np.delete(gradient, self.shared)):
            raise ValueError("the readout depends on a group's own unknowns, which are not moved")
        return self.d @ gradient[self.shared]


def bootstrap(
    groups: Sequence[Rows],
    z: Array,
    own: Sequence[Index],
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
    own : sequence of NDArray of int
        Places of each group's own unknowns: no other group depends on them, and a group drawn
        twice has them twice.
    draws : int
    rng : numpy.random.Generator
    kinds : sequence or None
        Kind of each group (a firing's blend). Groups are drawn among their kind, so that each kind
        keeps its number.

    Raises
    ------
    ValueError
        If a group depends on another's own unknowns.
    """
    shared = np.setdiff1d(np.arange(z.size), np.concatenate([*own, np.empty(0, dtype=np.intp)]))
    normal: list[Rows] = []
    for (r, J), mine in zip(groups, own, strict=True):
        if np.any(np.delete(J, np.union1d(shared, mine), axis=1)):
            raise ValueError(f"group {len(normal)} depends on another's own unknowns")
        normal.append(_normal_equations(r, J, z, mine, shared))
    H = np.array([h for h, _ in normal])
    q = np.array([v for _, v in normal])
    weights = _weights(kinds if kinds is not None else [0] * len(groups), draws, rng)
    matrices = np.eye(shared.size) + np.tensordot(weights, H, axes=1)
    sides = z[shared] + weights @ q
    d = -np.linalg.solve(matrices, sides[:, :, None])[:, :, 0]
    return Bootstrap(shared, d, weights)


def _normal_equations(
    r: Array, J: Array, z: Array, own: Index, shared: Index
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
