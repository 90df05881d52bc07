"""Mesh files for the tests: a small tube with a ring of another metal, whole or spoilt."""

from __future__ import annotations

import runpy
from pathlib import Path

import meshio
import numpy as np

from wallsim.wall.mesh_checks import Outline
from wallsim.wall.mesh_file import read_mesh

FOLDER = Path(__file__).parents[2] / "meshes"
SCRIPT = runpy.run_path(str(FOLDER / "flanged_tube.py"))
FLANGED = Outline(SCRIPT["INNER"], SCRIPT["OUTER"], SCRIPT["LENGTH"])
REGIONS = ("tube", "flange")
DIMENSIONS = {"triangle": 2, "quad": 2, "line": 1}
GMSH_TYPES = {"line": 1, "triangle": 2, "quad": 3}


def flanged(*, triangles=False):
    return SCRIPT["flanged_tube"](triangles=triangles)


def with_groups(points, blocks, names):
    """A mesh of blocks ``(kind, cells, tags)``; ``names`` are name: (tag, dimension)."""
    tags = [np.asarray(t) for _, _, t in blocks]
    points = np.asarray(points, dtype=float)
    points = np.column_stack((points, np.zeros((len(points), 3 - points.shape[1]))))
    return meshio.Mesh(
        points, [(kind, np.asarray(cells)) for kind, cells, _ in blocks],
        cell_data={"gmsh:physical": tags, "gmsh:geometrical": tags},
        field_data={name: np.array(value) for name, value in names.items()},
    )


def from_wall_mesh(mesh):
    """A mesh of the package as a mesh to write."""
    names, lines, tags = {}, [], []
    for i, (name, facets) in enumerate(mesh.boundaries.items()):
        names[name] = (i + 1, 1)
        lines.append(mesh.facets[:, facets].T)
        tags.append(np.full(len(facets), i + 1))
    cell_tags = np.zeros(mesh.nelements, dtype=int)
    for i, (name, cells) in enumerate(mesh.subdomains.items()):
        names[name] = (i + 11, 2)
        cell_tags[cells] = i + 11
    kind = "triangle" if len(mesh.t) == 3 else "quad"
    return with_groups(
        mesh.p.T,
        [("line", np.concatenate(lines), np.concatenate(tags)), (kind, mesh.t.T, cell_tags)],
        names,
    )


def write_22(path, mesh, *, binary=False):
    meshio.gmsh.write(path, mesh, fmt_version="2.2", binary=binary)


def write_vtu(path, mesh):
    meshio.vtu.write(path, SCRIPT["as_vtu"](mesh))


def write_41(path, mesh):
    """MSH 4.1 as text: one entity for each group and kind of cell."""
    names = {name: (int(tag), int(dim)) for name, (tag, dim) in mesh.field_data.items()}
    entities, elements, n = {1: [], 2: []}, [], 0
    for block, tags in zip(mesh.cells, mesh.cell_data["gmsh:physical"], strict=True):
        dim = DIMENSIONS[block.type]
        for tag in np.unique(tags):
            entities[dim].append(f"{tag} 0 0 0 1 1 0 1 {tag} 0")
            cells = block.data[tags == tag] + 1
            elements.append(f"{dim} {tag} {GMSH_TYPES[block.type]} {len(cells)}")
            elements.extend(
                " ".join(map(str, (n + i + 1, *cell))) for i, cell in enumerate(cells.tolist())
            )
            n += len(cells)
    count = len(mesh.points)
    lines = [
        "$MeshFormat", "4.1 0 8", "$EndMeshFormat", "$PhysicalNames", str(len(names)),
        *(f'{dim} {tag} "{name}"' for name, (tag, dim) in names.items()), "$EndPhysicalNames",
        "$Entities", f"0 {len(entities[1])} {len(entities[2])} 0", *entities[1], *entities[2],
        "$EndEntities", "$Nodes", f"1 {count} 1 {count}",
        f"2 {entities[2][0].split()[0]} 0 {count}",
        *(str(i + 1) for i in range(count)),
        *(" ".join(repr(float(x)) for x in p) for p in mesh.points), "$EndNodes",
        "$Elements", f"{len(entities[1]) + len(entities[2])} {n} 1 {n}", *elements, "$EndElements",
    ]
    path.write_text("\n".join(lines) + "\n")


def read(folder, mesh, regions=REGIONS, outline=FLANGED):
    path = folder / "spoilt.msh"
    write_22(path, mesh)
    return read_mesh(path, regions, outline)
