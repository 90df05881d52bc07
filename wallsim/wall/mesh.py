"""Meshes of the wall's half section, radius ``r`` and axial position ``z``.

The faces are named ``bore``, ``outside``, ``head`` (z = 0) and ``exit`` (z = L), each region of
cells by its metal's name in the case.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from skfem import Mesh, MeshQuad

from wallsim.errors import MeshError

Array = NDArray[np.float64]

FACES = ("bore", "outside", "head", "exit")
REGION = "wall"
END_REFINEMENT = 0.7
ROUNDING = 1e-9
STEEPEST = 2.0


def finer_at_the_ends(length: float, n: int) -> Array:
    """Return ``n + 1`` points from 0 to ``length`` [m], the end cells about a third of the middle.

    The ends exchange heat with their mountings, so the field bends there most.
    """
    middle = (np.arange(n) + 0.5) / n
    size = 1.0 - END_REFINEMENT * np.abs(2.0 * middle - 1.0) ** 3
    points = np.concatenate(([0.0], np.cumsum(size)))
    return np.asarray(length * points / points[-1])


def tube_mesh(inner: float, outer: float, length: float, n_r: int, n_z: int) -> MeshQuad:
    """Return a straight tube, even through the wall and finer at the ends.

    Parameters
    ----------
    inner, outer : float
        Radii [m].
    length : float
        [m].
    n_r, n_z : int
        Cells through the wall and along it.
    """
    r = np.linspace(inner, outer, n_r + 1)
    z = finer_at_the_ends(length, n_z)
    mesh = MeshQuad.init_tensor(r, z)
    tiny_r, tiny_z = 1e-6 * (outer - inner), 1e-6 * length
    tags = {
        "bore": lambda x: abs(x[0] - inner) < tiny_r,
        "outside": lambda x: abs(x[0] - outer) < tiny_r,
        "head": lambda x: abs(x[1]) < tiny_z,
        "exit": lambda x: abs(x[1] - length) < tiny_z,
    }
    return mesh.with_boundaries(tags).with_subdomains({REGION: np.arange(mesh.nelements)})


def with_thickness(
    mesh: Mesh, inner: float, outer: float, thickness: float, *, bore_stays: bool
) -> Mesh:
    """Return a mesh with another thickness of the tube; what stands out beyond is moved along.

    Radii between those of the tube are stretched, radii beyond shifted, so that every point moves
    in proportion to the change and a flange keeps its size.

    Parameters
    ----------
    mesh : Mesh
    inner, outer : float
        Radii of the tube in ``mesh`` [m].
    thickness : float
        Wanted [m].
    bore_stays : bool
        Else the outer radius stays where it is.
    """
    r, z = mesh.p
    grown = thickness - (outer - inner)
    share = np.clip((r - inner) / (outer - inner), 0.0, 1.0)
    return replace(mesh, doflocs=np.vstack((r + grown * (share - (not bore_stays)), z)))


def outside_radius(mesh: Mesh, z: Array) -> Array:
    """Return the radius of the outer wall at ``z`` [m]; same shape.

    Parameters
    ----------
    mesh : Mesh
    z : Array, shape (m, n)
        Of ``n`` places, each with what is close by down its column.

    Raises
    ------
    MeshError
        If there is no outer wall, or a step of it lies within a column.
    """
    (r_a, r_b), (z_a, z_b) = mesh.p[:, mesh.facets[:, mesh.boundaries["outside"]]]
    at = z[..., None]
    along = np.divide(at - z_a, z_b - z_a, out=np.full((*z.shape, z_a.size), -1.0),
                      where=z_a != z_b)
    inside = (along >= -ROUNDING) & (along <= 1.0 + ROUNDING)
    r: Array = np.where(inside, r_a + along * (r_b - r_a), -np.inf).max(axis=-1)
    near = np.ptp(z, axis=0) * STEEPEST + 1e-9
    for place, radii in zip(z.T, r.T, strict=True):
        mm = f"z = {1e3 * place.mean():.3f} mm"
        if np.isinf(radii).any():
            raise MeshError(f"a sensor at {mm} has no outer wall: the mesh has no side of group "
                            "outside there; move the sensor, or name the sides")
        if np.ptp(radii) > near.max():
            raise MeshError(f"a sensor at {mm} sits on a step of the outer wall (radius "
                            f"{1e3 * radii.min():.2f} to {1e3 * radii.max():.2f} mm); move it off")
    return r
