"""What is refused of a mesh file: each fault with its group, its count and its first place."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from wallsim.errors import MeshError
from wallsim.wall.mesh import FACES, REGION

Array = NDArray[np.float64]
Index = NDArray[np.intp]

AGREEMENT = 1e-5
FLAT = 1e-9
SAME_POINT = 1e-6


@dataclass(frozen=True, slots=True)
class Outline:
    """Sizes of the tube that a mesh must agree with.

    Parameters
    ----------
    inner, outer : float
        Radii of the tube [m]; what is welded to it may stand out.
    length : float
        [m].
    """

    inner: float
    outer: float
    length: float


@dataclass(frozen=True, slots=True, eq=False)
class RawMesh:
    """A mesh as read.

    Parameters
    ----------
    path : Path
    points : Array, shape (n, 2)
        ``r`` and ``z`` [m] of the corners of cells.
    cells : NDArray of int, shape (m, 3) or (m, 4)
        Anticlockwise.
    faces : dict of str to NDArray of int, shape (e, 2)
        Groups of sides; -1 stands for a point that is no cell's corner.
    regions : dict of str to NDArray of int
        Groups of cells.
    """

    path: Path
    points: Array
    cells: Index
    faces: dict[str, Index]
    regions: dict[str, Index]


def sides_of(cells: Index) -> Index:
    """Return the sides of all cells, cell by cell, shape (m k, 2)."""
    return np.stack((cells, np.roll(cells, -1, axis=1)), axis=2).reshape(-1, 2)


def check(mesh: RawMesh, regions: Collection[str], outline: Outline) -> None:
    """Refuse a mesh that cannot carry the model; faults of one kind are told together.

    Raises
    ------
    MeshError
        One line each, ``file: what: what is wrong (got X); what to do``.
    """
    for faults in (
        _points(mesh), _cells(mesh), _coincident(mesh), _neighbours(mesh), _pieces(mesh),
        _groups(mesh), _regions(mesh, regions), _sizes(mesh, outline),
    ):
        if lines := [f"{mesh.path}: {fault}" for fault in faults]:
            raise MeshError("\n".join(lines))


def _place(point: Array) -> str:
    r, z = 1e3 * np.asarray(point)
    return f"r = {r:.3f} mm, z = {z:.3f} mm"


def _points(mesh: RawMesh) -> Iterator[str]:
    below = mesh.points[:, 0] < 0.0
    if below.any():
        yield (f"points: {below.sum()} of {below.size} have a negative radius (first at "
               f"{_place(mesh.points[below][0])}); mesh the half r > 0, r being the first "
               "coordinate")


def _cells(mesh: RawMesh) -> Iterator[str]:
    corners = mesh.points[mesh.cells]
    after, before = np.roll(corners, -1, axis=1) - corners, np.roll(corners, 1, axis=1) - corners
    turn = after[..., 0] * before[..., 1] - after[..., 1] * before[..., 0]
    size = (after**2).sum(axis=2).max(axis=1, keepdims=True)
    flat = (np.abs(turn) <= FLAT * size).all(axis=1)
    if flat.any():
        yield (f"cells: {flat.sum()} of {flat.size} have no area (first at "
               f"{_place(corners[flat][0, 0])}); remove them")
    folded = (turn <= FLAT * size).any(axis=1) & ~flat
    if folded.any():
        yield (f"cells: {folded.sum()} of {folded.size} are twisted or not convex (first at "
               f"{_place(corners[folded][0, 0])}); mesh them anew")
    _, first, count = np.unique(
        np.sort(mesh.cells, axis=1), axis=0, return_index=True, return_counts=True
    )
    if (count > 1).any():
        yield (f"cells: {(count - 1).sum()} are listed twice (first at "
               f"{_place(corners[first[count > 1][0], 0])}); put each cell in one group only, and "
               "save each once")


def _coincident(mesh: RawMesh) -> Iterator[str]:
    ends = mesh.points[sides_of(mesh.cells)]
    shortest = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).min()
    pairs = cKDTree(mesh.points).query_pairs(SAME_POINT * shortest, output_type="ndarray")
    if len(pairs):
        yield (f"points: {len(pairs)} pairs lie on each other (first at "
               f"{_place(mesh.points[pairs[0, 0]])}), so cells that touch there are not joined; "
               "merge coincident points")


def _boundary(mesh: RawMesh) -> Index:
    sides = np.sort(sides_of(mesh.cells), axis=1)
    unique, count = np.unique(sides, axis=0, return_counts=True)
    return np.asarray(unique[count == 1])


def _neighbours(mesh: RawMesh) -> Iterator[str]:
    directed, count = np.unique(sides_of(mesh.cells), axis=0, return_counts=True)
    shared = directed[count > 1]
    if len(shared):
        yield (f"cells: {len(shared)} sides have cells that overlap (first at "
               f"{_place(mesh.points[shared[0, 0]])}); mesh them anew")
        return
    hanging = _hanging(mesh.points, _boundary(mesh))
    if hanging.size:
        yield (f"points: {hanging.size} hang on the side of a cell that has no corner there "
               f"(first at {_place(mesh.points[hanging[0]])}); make both sides' cells meet corner "
               "to corner")


def _hanging(points: Array, boundary: Index) -> Index:
    """Return boundary points that lie inside a boundary side."""
    a, b = points[boundary[:, 0]], points[boundary[:, 1]]
    along = b - a
    length = np.linalg.norm(along, axis=1)
    candidates = np.unique(boundary)
    near = cKDTree(points[candidates]).query_ball_point(0.5 * (a + b), 0.5 * length)
    side = np.repeat(np.arange(len(boundary)), [len(n) for n in near])
    point = candidates[np.concatenate([np.asarray(n, dtype=np.intp) for n in near])]
    away = points[point] - a[side]
    off = np.abs(along[side, 0] * away[:, 1] - along[side, 1] * away[:, 0]) / length[side]
    own = (boundary[side] == point[:, None]).any(axis=1)
    return np.unique(point[~own & (off < SAME_POINT * length[side])])


def _pieces(mesh: RawMesh) -> Iterator[str]:
    """Return faults of the connection of cells, which counts through whole sides only."""
    sides = np.sort(sides_of(mesh.cells), axis=1)
    _, number = np.unique(sides, axis=0, return_inverse=True)
    n, k = mesh.cells.shape
    incidence = sp.csr_matrix(
        (np.ones(n * k), (np.repeat(np.arange(n), k), number.ravel())), shape=(n, n * k)
    )
    pieces, label = connected_components(incidence @ incidence.T, directed=False)
    if pieces > 1:
        counts = np.bincount(label)
        first = mesh.cells[np.flatnonzero(label == counts.argmin())[0], 0]
        yield (f"cells: form {pieces} bodies with no side in common (of "
               f"{', '.join(str(c) for c in counts)} cells, the smallest at "
               f"{_place(mesh.points[first])}); join them, or leave all but the wall out")


def _groups(mesh: RawMesh) -> Iterator[str]:
    size = len(mesh.points)
    sides = np.sort(sides_of(mesh.cells), axis=1)
    known = np.unique(sides @ [size, 1])
    outer = _boundary(mesh) @ [size, 1]
    owner: dict[int, str] = {}
    for name in FACES:
        if name not in mesh.faces:
            found = ", ".join(mesh.faces) or "none"
            what = "holds cells, not sides" if name in mesh.regions else "missing or empty"
            yield (f"group {name}: {what} (groups of sides in the file: {found}); name the sides "
                   f"of the {name} face")
            continue
        group = np.unique(np.sort(mesh.faces[name], axis=1), axis=0)
        keys = group @ [size, 1]
        loose = (group[:, 0] < 0) | ~np.isin(keys, known)
        if loose.any():
            yield (f"group {name}: {loose.sum()} of its {len(group)} sides are no side of a cell; "
                   "save lines and cells from the same mesh")
        inside = ~loose & ~np.isin(keys, outer)
        if inside.any():
            yield (f"group {name}: {inside.sum()} of its {len(group)} sides are not on the "
                   f"boundary (first at {_place(mesh.points[group[inside][0, 0]])}); keep the "
                   "sides with a cell on one side only")
        shared = [owner[k] for k in keys.tolist() if k in owner]
        for other in dict.fromkeys(shared):
            yield (f"group {name}: {shared.count(other)} of its {len(group)} sides are also in "
                   f"group {other}; put each side in one group")
        owner |= dict.fromkeys(keys.tolist(), name)
    bare = ~np.isin(outer, list(owner))
    if bare.any() and all(name in mesh.faces for name in FACES):
        yield (f"boundary: {bare.sum()} of {bare.size} sides are in none of the groups "
               f"{', '.join(FACES)} (first at "
               f"{_place(mesh.points[_boundary(mesh)[bare][0, 0]])}); put them in one")


def _regions(mesh: RawMesh, wanted: Collection[str]) -> Iterator[str]:
    if set(wanted) == {REGION} and REGION not in mesh.regions:
        found = ", ".join(f"{name} ({len(cells)} cells)" for name, cells in mesh.regions.items())
        yield (f"regions: {len(mesh.regions)}, but one metal (got {found}); name the metal of each "
               "in tube.regions instead of tube.material")
        return
    times = np.zeros(len(mesh.cells), dtype=int)
    for name in wanted:
        if name not in mesh.regions:
            found = ", ".join(mesh.regions) or "none"
            yield (f"region {name}: has a metal in tube.regions but no cells in the file (regions "
                   f"there: {found}); check the name")
        else:
            times[mesh.regions[name]] += 1
    for name, cells in mesh.regions.items():
        bare = (times[cells] == 0).sum()
        if bare:
            yield (f"region {name}: {bare} of its {len(cells)} cells have no metal; add "
                   f'{name} = "..." to tube.regions')
    nowhere = times == 0
    for cells in mesh.regions.values():
        nowhere[cells] = False
    if nowhere.any():
        yield (f"cells: {nowhere.sum()} of {nowhere.size} are in no region (first at "
               f"{_place(mesh.points[mesh.cells[nowhere][0, 0]])}); put each in one")
    if (times > 1).any():
        yield (f"cells: {(times > 1).sum()} of {times.size} are in two regions (first at "
               f"{_place(mesh.points[mesh.cells[times > 1][0, 0]])}); put each in one")


def _sizes(mesh: RawMesh, outline: Outline) -> Iterator[str]:
    at = {name: mesh.points[np.unique(mesh.faces[name])] for name in FACES}
    bore, outside = at["bore"][:, 0], at["outside"][:, 0]
    found = (
        ("bore", "tube.bore", 2.0 * bore, 2.0 * outline.inner, "diameter"),
        ("outside", "tube.bore and tube.wall", 2.0 * outside.min(), 2.0 * outline.outer,
         "smallest diameter"),
        ("head", "the head end", at["head"][:, 1], 0.0, "z"),
        ("exit", "tube.length", at["exit"][:, 1], outline.length, "z"),
    )
    hint = _unit_hint(float(bore.max()), outline)
    for name, key, values, stated, what in found:
        low, high = np.min(values), np.max(values)
        if max(abs(low - stated), abs(high - stated)) > AGREEMENT:
            got = f"{1e3 * low:.3f}" + ("" if high - low < 1e-8 else f" to {1e3 * high:.3f}")
            yield (f"group {name}: {what} {got} mm, but {key} of the case says "
                   f"{1e3 * stated:.3f} mm (they must agree to {1e3 * AGREEMENT:g} mm); {hint}")
    covered = np.ptp(at["bore"][:, 1])
    if abs(covered - outline.length) > AGREEMENT:
        yield (f"group bore: covers {1e3 * covered:.3f} mm of the length of "
               f"{1e3 * outline.length:.3f} mm; name all of the bore")


def _unit_hint(bore: float, outline: Outline) -> str:
    for unit, factor in (("mm", 1e3), ("cm", 1e2), ("inches", 1.0 / 0.0254)):
        if abs(bore / factor - outline.inner) < AGREEMENT:
            return f"the file seems to be in {unit}, write it in metres"
    return "correct the one that is wrong; r is the first coordinate, z the second, in metres"
