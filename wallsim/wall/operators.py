"""The wall in space: quadratic elements with heat stored at nodes.

    V d(H(T))/dt = - K theta(T) + heat through the faces

``V`` holds nodal volumes, ``K`` the Laplacian in ``r`` and ``z``, both integrated over
``2 pi r dr dz``; ``theta`` is the conductivity integral. The only nonlinear terms are nodal, so
the tangent needs no assembly during a march, and after division by ``k`` it is symmetric.
The elements, of quads or triangles, are those of `wallsim.wall.elements`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import reduce
from operator import add

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.linalg import lapack
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, LinearForm, Mesh
from skfem.helpers import dot, grad

from wallsim.errors import ConvergenceError, MeshError
from wallsim.materials.solid import Solid
from wallsim.wall.blocks import BlockFactor, NodeColumns
from wallsim.wall.elements import SIMPSON, Discretisation
from wallsim.wall.mesh import FACES
from wallsim.wall.properties import NodalProperties, PropertyTable

Array = NDArray[np.float64]

WIDEST_BAND = 80


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """Nodes of one face.

    Parameters
    ----------
    nodes : NDArray of int, shape (m,)
    area : Array, shape (m,)
        Nodal share of the face's area [m^2]; sums to the area.
    z : Array, shape (m,)
        [m].
    """

    nodes: NDArray[np.intp]
    area: Array
    z: Array


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """Cells of one metal.

    Parameters
    ----------
    table : PropertyTable
    volume : Array, shape (n,)
        Nodal volumes [m^3].
    laplacian : csr_matrix, shape (n, n)
        [m].
    """

    table: PropertyTable
    volume: Array
    laplacian: sp.csr_matrix


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """Operators of a wall, nodes numbered along ``z`` so that the band is narrow.

    Parameters
    ----------
    r, z : Array, shape (n,)
        Node coordinates [m].
    regions : tuple of Region
    faces : dict of str to Face
        ``bore``, ``outside``, ``head``, ``exit``.
    band : Array, shape (width + 1, n), or None
        Laplacian of the single region in LAPACK lower-band storage; None where the band is wide
        or the metals are several (a sparse factor is used then).
    columns : NodeColumns or None
        The same Laplacian by node columns, where the mesh has such; None otherwise.
    mesh, order :
        Mesh and the node order against the mesh library's.
    """

    r: Array
    z: Array
    regions: tuple[Region, ...]
    faces: dict[str, Face]
    band: Array | None
    columns: NodeColumns | None
    mesh: Mesh
    order: NDArray[np.intp]

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.r.size

    @property
    def length(self) -> float:
        """Axial length [m]."""
        return float(self.z.max() - self.z.min())

    @classmethod
    def of(cls, mesh: Mesh, solids: dict[str, Solid]) -> Wall:
        """Tabulate the operators of ``mesh`` whose regions are named as in ``solids``."""
        basis = Basis(mesh, Discretisation.of(mesh).element)
        r, z = basis.doflocs
        order = _narrow_order(basis, r, z)
        place = np.argsort(order)
        regions = []
        for name, solid in solids.items():
            cells = mesh.subdomains[name]
            laplacian = _laplacian(mesh, cells)[order][:, order].tocsr()
            laplacian.sort_indices()
            volume = _nodal_volume(mesh, cells)[order]
            regions.append(Region(PropertyTable.of(solid), volume, laplacian))
        faces = {name: _face(basis, name, place) for name in FACES}
        band = _band(regions[0].laplacian) if len(regions) == 1 else None
        columns = NodeColumns.of(regions[0].laplacian, z[order]) if len(regions) == 1 else None
        return cls(r[order], z[order], tuple(regions), faces, band, columns, mesh, order)

    def probe(self, r: Array, z: Array) -> sp.csr_matrix:
        """Return the matrix from nodal to point values, shape (n_points, n).

        Raises
        ------
        MeshError
            If a point is outside the wall.
        """
        basis = Basis(self.mesh, Discretisation.of(self.mesh).element)
        try:
            return basis.probes(np.array([r, z])).tocsr()[:, self.order]
        except ValueError as error:
            raise MeshError(f"a point of r = {r} m, z = {z} m is outside the wall") from error

    def changed(self, log_k: float, tilt_k: float, log_c: float, tilt_c: float) -> Wall:
        """Return the wall with other scales (as logs) and tilts of k(T) and c(T)."""
        return replace(self, regions=tuple(
            replace(q, table=q.table.changed(log_k, tilt_k, log_c, tilt_c)) for q in self.regions
        ))

    def tilted(self) -> Wall:
        """Return the wall whose properties are the derivatives of this one's to the tilts."""
        return replace(
            self, regions=tuple(replace(q, table=q.table.tilted()) for q in self.regions)
        )

    def properties(self, T: Array) -> tuple[NodalProperties, ...]:
        """Return the nodal properties of each region at ``T`` [K]; outside it they have no use."""
        if len(self.regions) == 1:
            return (self.regions[0].table.at(T),)
        return tuple(q.table.at(np.where(q.volume > 0.0, T, T[q.volume.argmax()]))
                     for q in self.regions)

    def heat(self, properties: tuple[NodalProperties, ...]) -> Array:
        """Return the nodal heat content [J]."""
        pairs = zip(self.regions, properties, strict=True)
        return reduce(add, (q.volume * p.heat for q, p in pairs))

    def capacity(self, properties: tuple[NodalProperties, ...]) -> Array:
        """Return the nodal heat capacity [J/K]."""
        pairs = zip(self.regions, properties, strict=True)
        return reduce(add, (q.volume * p.heat_capacity for q, p in pairs))

    def conduction(self, properties: tuple[NodalProperties, ...]) -> Array:
        """Return the nodal heat that conduction brings [W]; sums to zero."""
        pairs = zip(self.regions, properties, strict=True)
        taken: Array = reduce(add, (q.laplacian @ p.potential for q, p in pairs))
        return -taken

    def factor(
        self, diagonal: Array, scale: float, properties: tuple[NodalProperties, ...]
    ) -> BandFactor | SparseFactor:
        """Return the factor of ``diag(diagonal) + scale * d(-conduction)/dT``."""
        if self.band is None:
            pairs = zip(self.regions, properties, strict=True)
            tangent = sum(q.laplacian @ sp.diags(p.conductivity) for q, p in pairs)
            matrix = (sp.diags(diagonal) + scale * tangent).tocsc()
            return SparseFactor(splu(matrix, permc_spec="MMD_AT_PLUS_A"))
        k = properties[0].conductivity
        matrix = scale * self.band
        matrix[0] += diagonal / k
        factor, info = lapack.dpbtrf(matrix, lower=1, overwrite_ab=1)
        if info != 0:
            raise ConvergenceError("the system of a time step is not positive definite")
        return BandFactor(factor, k)

    def factor_for_many(
        self, diagonal: Array, scale: float, properties: tuple[NodalProperties, ...]
    ) -> BandFactor | ColumnFactor | SparseFactor:
        """Return the factor of the same matrix, made for many right-hand sides at once."""
        if self.columns is None:
            return self.factor(diagonal, scale, properties)
        k = properties[0].conductivity
        return ColumnFactor(self.columns.factor(diagonal / (scale * k)), scale * k)


@dataclass(frozen=True, slots=True, eq=False)
class BandFactor:
    """Banded Cholesky factor of a tangent in the conductivity integral."""

    factor: Array
    conductivity: Array

    def solve(self, rhs: Array) -> Array:
        """Return the temperatures for ``rhs``, shape (n,) or (n, m)."""
        theta: Array = lapack.dpbtrs(self.factor, rhs, lower=1)[0]
        return theta / (self.conductivity if rhs.ndim == 1 else self.conductivity[:, None])


@dataclass(frozen=True, slots=True, eq=False)
class ColumnFactor:
    """Factor by node columns of a tangent in the conductivity integral times ``weight`` [s]."""

    factor: BlockFactor
    weight: Array

    def solve(self, rhs: Array) -> Array:
        """Return the temperatures for ``rhs``, shape (n, m)."""
        return self.factor.solve(rhs) / self.weight[:, None]


@dataclass(frozen=True, slots=True, eq=False)
class SparseFactor:
    """Sparse LU factor, for wide bands and walls of several metals."""

    lu: object

    def solve(self, rhs: Array) -> Array:
        """Return the temperatures for ``rhs``, shape (n,) or (n, m)."""
        return self.lu.solve(rhs)  # type: ignore[attr-defined, no-any-return]


@BilinearForm
def _laplacian_form(u, v, w):  # type: ignore[no-untyped-def]
    return 2.0 * np.pi * w.x[0] * dot(grad(u), grad(v))


@LinearForm
def _measure_form(v, w):  # type: ignore[no-untyped-def]
    return 2.0 * np.pi * w.x[0] * v


def _laplacian(mesh: Mesh, cells: NDArray[np.intp]) -> sp.csr_matrix:
    element = Discretisation.of(mesh).element
    return _laplacian_form.assemble(Basis(mesh, element, elements=cells, intorder=5))


def _nodal_volume(mesh: Mesh, cells: NDArray[np.intp]) -> Array:
    d = Discretisation.of(mesh)
    basis = Basis(mesh, d.element, elements=cells, quadrature=d.cells)
    return np.asarray(_measure_form.assemble(basis))


def _face(basis: Basis, name: str, place: NDArray[np.intp]) -> Face:
    """Return a face whose sides carry Simpson's rule, which is that of their nodes."""
    mesh, sides = basis.mesh, np.asarray(basis.mesh.boundaries[name])
    first, last = mesh.facets[:, sides]
    dofs = np.vstack((basis.nodal_dofs[0, first], basis.facet_dofs[0, sides],
                      basis.nodal_dofs[0, last]))
    r, z = basis.doflocs
    lengths = np.hypot(*(mesh.p[:, last] - mesh.p[:, first]))
    shares = 2.0 * np.pi * r[dofs] * np.outer(SIMPSON, lengths)
    area = np.bincount(dofs.ravel(), shares.ravel())
    nodes = np.unique(dofs)
    along = nodes[np.argsort(z[nodes], kind="stable")]
    return Face(place[along], area[along], z[along])


def _narrow_order(basis: Basis, r: Array, z: Array) -> NDArray[np.intp]:
    scale = np.ptp(z)
    return np.lexsort((r, np.round(z / scale, 9)))


def _band(matrix: sp.csr_matrix) -> Array | None:
    entries = matrix.tocoo()
    width = int((entries.row - entries.col).max())
    if width > WIDEST_BAND:
        return None
    band = np.zeros((width + 1, matrix.shape[0]), order="F")
    lower = entries.row >= entries.col
    row, col = entries.row[lower], entries.col[lower]
    band[row - col, col] = entries.data[lower]
    return band
