"""Quadratic elements whose nodes are the points of a rule with positive weights.

Heat is then stored at nodes, and the third order in the L2 norm stays (Cohen, Joly, Roberts &
Tordjman 2001, SIAM J. Numer. Anal. 38, 2047): quads with the 3 x 3 Gauss-Lobatto points, triangles
with corners, mid-sides and centre, where P2 needs the cubic bubble.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skfem import ElementQuad2, ElementTriP2B, Mesh, MeshTri

Array = NDArray[np.float64]
Rule = tuple[Array, Array]

SIMPSON = np.array([1.0, 4.0, 1.0]) / 6.0
_CENTRE = 6
_AT_CENTRE = (-1 / 9, -1 / 9, -1 / 9, 4 / 9, 4 / 9, 4 / 9)


class NodalTriangle(ElementTriP2B):  # type: ignore[misc]
    """P2 with the cubic bubble, its functions one at their own node and zero at the others."""

    def lbasis(self, X: Array, i: int) -> tuple[Array, Array]:
        """Return function ``i`` and its gradient at reference points ``X``."""
        phi, dphi = super().lbasis(X, i)
        if i == _CENTRE:
            return phi, dphi
        bubble, dbubble = super().lbasis(X, _CENTRE)
        return phi - _AT_CENTRE[i] * bubble, dphi - _AT_CENTRE[i] * dbubble


NodalTriangle.doflocs = np.vstack((ElementTriP2B.doflocs[:_CENTRE], [1 / 3, 1 / 3]))


@dataclass(frozen=True, slots=True, eq=False)
class Discretisation:
    """Element of a mesh and the rule at its nodes; on a side of a cell that is Simpson's.

    Parameters
    ----------
    element : skfem Element
    cells : tuple of points and weights
        On the reference cell.
    """

    element: Any
    cells: Rule

    @classmethod
    def of(cls, mesh: Mesh) -> Discretisation:
        """Return the discretisation of a mesh of quads or of triangles."""
        if isinstance(mesh, MeshTri):
            weights = np.repeat([1 / 40, 1 / 15, 9 / 40], (3, 3, 1))
            return cls(NodalTriangle(), (NodalTriangle.doflocs.T, weights))
        x = np.array([0.0, 0.5, 1.0])
        points = np.array([np.tile(x, 3), np.repeat(x, 3)])
        return cls(ElementQuad2(), (points, np.outer(SIMPSON, SIMPSON).ravel()))
