"""Quadrilateral meshes of the wall's half section, radius ``r`` and axial position ``z``.

The faces are named ``bore``, ``outside``, ``head`` (z = 0) and ``exit`` (z = L), each region of
cells by its metal's name in the case.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from skfem import MeshQuad

Array = NDArray[np.float64]

FACES = ("bore", "outside", "head", "exit")
REGION = "wall"


def graded(length: float, n: int, ratio: float) -> Array:
    """Return ``n + 1`` points from 0 to ``length`` [m], the last cell ``ratio`` times the first."""
    weights = np.geomspace(1.0, ratio, n) if n > 1 else np.ones(1)
    points = np.concatenate(([0.0], np.cumsum(weights)))
    return length * points / points[-1]


def tube_mesh(inner: float, outer: float, length: float, n_r: int, n_z: int) -> MeshQuad:
    """Return a straight tube, finer towards the bore and even along the axis.

    Parameters
    ----------
    inner, outer : float
        Radii [m].
    length : float
        [m].
    n_r, n_z : int
        Cells through the wall and along it.
    """
    r = inner + graded(outer - inner, n_r, 2.0)
    z = np.linspace(0.0, length, n_z + 1)
    mesh = MeshQuad.init_tensor(r, z)
    tiny_r, tiny_z = 1e-6 * (outer - inner), 1e-6 * length
    tags = {
        "bore": lambda x: abs(x[0] - inner) < tiny_r,
        "outside": lambda x: abs(x[0] - outer) < tiny_r,
        "head": lambda x: abs(x[1]) < tiny_z,
        "exit": lambda x: abs(x[1] - length) < tiny_z,
    }
    return mesh.with_boundaries(tags).with_subdomains({REGION: np.arange(mesh.nelements)})
