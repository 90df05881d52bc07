"""Mesh files (.msh of gmsh 2.2 and 4.1, .vtu): reading, and what a wall needs of them.

The first coordinate is the radius ``r``, the second the axial position ``z`` from the head end, in
metres. Cells are quads or triangles, one of the two. The groups of sides ``bore``, ``outside``,
``head`` and ``exit`` cover the boundary; each group of cells is a region. A .vtu file has no
groups: there a cell array of that name holds 1 in the group's cells and 0 in all others.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import meshio
import numpy as np
from numpy.typing import NDArray
from skfem import Mesh, MeshQuad, MeshTri

from wallsim.errors import MeshError
from wallsim.wall.mesh import REGION
from wallsim.wall.mesh_checks import Index, Outline, RawMesh, check, sides_of

Array = NDArray[np.float64]

CURVED = 1e-6
_READERS = MappingProxyType({".msh": meshio.gmsh.read, ".vtu": meshio.vtu.read})
_CORNERS = MappingProxyType({
    "triangle": 3, "triangle6": 3, "triangle7": 3, "quad": 4, "quad8": 4, "quad9": 4,
    "line": 2, "line3": 2,
})
_JOINTS = "-_#+/"


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    kind: str
    cells: Index
    groups: dict[str, NDArray[np.bool_]]


def read_mesh(path: Path, regions: Collection[str], outline: Outline) -> Mesh:
    """Return the mesh of a file, its faces and regions named.

    Parameters
    ----------
    path : Path
    regions : collection of str
        Names that have a metal. ``wall`` alone stands for whatever single region there is.
    outline : Outline
        Sizes that the file must agree with.

    Raises
    ------
    MeshError
        If the file cannot be read or cannot carry the model, with every fault of a kind.
    """
    raw = _with_one_region(_raw(path), regions)
    check(raw, regions, outline)
    kind = MeshTri if raw.cells.shape[1] == 3 else MeshQuad
    mesh = kind(np.ascontiguousarray(raw.points.T), np.ascontiguousarray(raw.cells.T))
    number = {tuple(side): i for i, side in enumerate(np.sort(mesh.facets, axis=0).T.tolist())}
    faces = {
        name: np.array([number[tuple(side)] for side in np.sort(sides, axis=1).tolist()])
        for name, sides in raw.faces.items()
    }
    return mesh.with_boundaries(faces).with_subdomains(raw.regions)


def _with_one_region(raw: RawMesh, regions: Collection[str]) -> RawMesh:
    """Return the mesh with its single region called as the case calls it."""
    if set(regions) != {REGION} or len(raw.regions) > 1:
        return raw
    cells = next(iter(raw.regions.values()), np.arange(len(raw.cells)))
    return RawMesh(raw.path, raw.points, raw.cells, raw.faces, {REGION: cells})


def _raw(path: Path) -> RawMesh:
    read = _READERS.get(path.suffix.lower())
    if read is None:
        raise MeshError(f"{path}: not a mesh file (got {path.suffix!r}); write .msh or .vtu")
    try:
        mesh = read(str(path))
    except FileNotFoundError:
        raise MeshError(f"{path}: no such mesh file; check tube.mesh") from None
    except Exception as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise MeshError(
            f"{path}: cannot be read as {path.suffix} ({reason}); save it as .msh 2.2 or 4.1, or "
            "as .vtu without lz4"
        ) from error
    points = np.asarray(mesh.points, dtype=float)
    if points.ndim != 2 or not len(points) or not np.isfinite(points).all():
        raise MeshError(f"{path}: has no points, or some that are no numbers; export it again")
    if points.shape[1] > 2 and np.ptp(points[:, 2]) > CURVED * np.ptp(points, axis=0).max():
        raise MeshError(
            f"{path}: the third coordinate varies (from {points[:, 2].min():g} to "
            f"{points[:, 2].max():g}); r is the first, z the second, the third stays 0"
        )
    blocks = _blocks(path, mesh)
    return _assembled(path, points[:, :2], blocks)


def _blocks(path: Path, mesh: Any) -> list[_Block]:
    names = _groups(mesh)
    out = []
    for i, block in enumerate(mesh.cells):
        groups = {name: members[i] for name, members in names.items() if members[i].any()}
        if block.type == "vertex" or not len(block.data):
            continue
        if block.type not in _CORNERS:
            raise MeshError(
                f"{path}: {len(block.data)} cells of type {block.type}; triangles or quads of "
                "first or second order, and lines for the groups, can be used"
            )
        out.append(_Block(block.type, np.asarray(block.data, dtype=np.intp), groups))
    return out


def _groups(mesh: Any) -> dict[str, list[NDArray[np.bool_]]]:
    """Return for each named group which cells of each block are in it."""
    sizes = [len(block.data) for block in mesh.cells]
    found = {}
    for name, members in mesh.cell_sets.items():
        if not name.startswith("gmsh:"):
            found[name] = [
                np.isin(np.arange(n), [] if m is None else m)
                for n, m in zip(sizes, members, strict=True)
            ]
    tags = mesh.cell_data.get("gmsh:physical")
    if tags is not None:
        for name, (tag, dim) in mesh.field_data.items():
            if name not in found:
                found[name] = [
                    (np.asarray(t) == tag) & (_dimension(block.type) == dim)
                    for t, block in zip(tags, mesh.cells, strict=True)
                ]
        return found
    for name, arrays in mesh.cell_data.items():
        found |= _groups_of_array(name, [np.asarray(a) for a in arrays])
    return found


def _groups_of_array(name: str, arrays: list[Array]) -> dict[str, list[NDArray[np.bool_]]]:
    """Return the group that a cell array of 0 and 1 is, or those whose names are joined in it."""
    if any(a.ndim != 1 for a in arrays) or name.startswith("gmsh:"):
        return {}
    values = np.unique(np.concatenate(arrays)) if arrays else np.empty(0)
    for joint in _JOINTS:
        names = name.split(joint)
        if "bore" in names and len(names) > 1 and np.isin(values, np.arange(-1, len(names))).all():
            return {n: [a == i for a in arrays] for i, n in enumerate(names)}
    return {name: [a == 1 for a in arrays]} if np.isin(values, (0, 1)).all() else {}


def _dimension(kind: str) -> int:
    return 0 if kind == "vertex" else 1 if kind.startswith("line") else 2


def _assembled(path: Path, points: Array, blocks: list[_Block]) -> RawMesh:
    """Return the cells with their corners alone, and the groups of sides and of cells."""
    solid = [b for b in blocks if _dimension(b.kind) == 2]
    counts: dict[str, int] = {}
    for b in solid:
        counts[b.kind] = counts.get(b.kind, 0) + len(b.cells)
    if len(counts) != 1:
        listed = " and ".join(f"{n} {kind}" for kind, n in counts.items()) or "none"
        raise MeshError(f"{path}: needs cells of one type (got {listed}); mesh with quads only or "
                        "triangles only")
    kind = next(iter(counts))
    n = _CORNERS[kind]
    _refuse_curved(path, points, kind, np.concatenate([b.cells for b in solid]))
    cells = np.concatenate([b.cells[:, :n] for b in solid])
    used, renumbered = np.unique(cells, return_inverse=True)
    new = np.full(len(points), -1, dtype=np.intp)
    new[used] = np.arange(used.size)
    regions = {
        name: np.flatnonzero(np.concatenate([
            b.groups.get(name, np.zeros(len(b.cells), dtype=bool)) for b in solid
        ]))
        for name in dict.fromkeys(name for b in solid for name in b.groups)
    }
    faces: dict[str, list[Index]] = {}
    for b in blocks:
        if _dimension(b.kind) == 1:
            for name, member in b.groups.items():
                faces.setdefault(name, []).append(new[b.cells[member, :2]])
    kept = points[used]
    cells = _anticlockwise(kept, renumbered.reshape(cells.shape))
    return RawMesh(path, kept, cells, {name: np.concatenate(f) for name, f in faces.items()},
                   regions)


def _refuse_curved(path: Path, points: Array, kind: str, cells: Index) -> None:
    """Refuse a second-order mesh with a bent side."""
    n = _CORNERS[kind]
    if cells.shape[1] < 2 * n:
        return
    ends = points[sides_of(cells[:, :n])].reshape(-1, n, 2, 2)
    middle = points[cells[:, n : 2 * n]]
    off = np.linalg.norm(middle - ends.mean(axis=2), axis=2)
    bent = (off > CURVED * np.linalg.norm(ends[:, :, 1] - ends[:, :, 0], axis=2)).any(axis=1)
    if bent.any():
        r, z = 1e3 * points[cells[bent][0, 0]]
        raise MeshError(
            f"{path}: {bent.sum()} of {len(cells)} {kind} cells have a curved side or an uneven "
            f"mid-side point (first at r = {r:.3f} mm, z = {z:.3f} mm); cells are taken with "
            "straight sides, so save the mesh as first order, finer where it is curved"
        )


def _anticlockwise(points: Array, cells: Index) -> Index:
    x, y = np.moveaxis(points[cells], 2, 0)
    area = 0.5 * (x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1)
    return np.where((area < 0.0)[:, None], cells[:, ::-1], cells)
