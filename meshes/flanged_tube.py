"""Writes the tube with a welded flange: flanged_tube.msh (2.2, quads) and .vtu, and triangles.

Run from the folder of the README: ``python meshes/flanged_tube.py``
"""

from __future__ import annotations

from pathlib import Path

import meshio
import numpy as np
from numpy.typing import NDArray

INNER, OUTER, RIM = 0.010, 0.014, 0.030
LENGTH, FLANGE = 0.120, 0.012
FACES = ("bore", "outside", "head", "exit")
REGIONS = ("tube", "flange")


def lines(*parts: tuple[float, float, int]) -> NDArray[np.float64]:
    """Return the grid lines of parts given by start, end [m] and number of cells."""
    return np.unique(np.concatenate([np.linspace(a, b, n + 1) for a, b, n in parts]).round(9))


def flanged_tube(*, triangles: bool = False) -> meshio.Mesh:
    """Return the half section: a tube with a flange of another metal at its head end."""
    r = lines((INNER, OUTER, 3), (OUTER, RIM, 6))
    z = lines((0.0, FLANGE, 6), (FLANGE, 0.036, 10), (0.036, LENGTH, 24))
    number = np.arange(r.size * z.size).reshape(r.size, z.size)
    corners = (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:])
    cells = np.stack(corners, axis=-1).reshape(-1, 4)
    points = np.stack(np.meshgrid(r, z, indexing="ij"), axis=-1).reshape(-1, 2)
    centre = points[cells].mean(axis=1)
    cells = cells[(centre[:, 0] < OUTER) | (centre[:, 1] < FLANGE)]
    used, cells = np.unique(cells, return_inverse=True)
    points, cells = points[used], cells.reshape(-1, 4)
    if triangles:
        cells = np.concatenate((cells[:, [0, 1, 2]], cells[:, [0, 2, 3]]))
    return _named(points, cells)


def _named(points: NDArray[np.float64], cells: NDArray[np.intp]) -> meshio.Mesh:
    sides = np.sort(np.stack((cells, np.roll(cells, -1, axis=1)), axis=2).reshape(-1, 2), axis=1)
    unique, count = np.unique(sides, axis=0, return_counts=True)
    outer = unique[count == 1]
    r, z = points[outer].mean(axis=1).T
    face = np.select([np.isclose(r, INNER), np.isclose(z, 0.0), np.isclose(z, LENGTH)],
                     [FACES.index("bore"), FACES.index("head"), FACES.index("exit")],
                     FACES.index("outside"))
    region = (points[cells].mean(axis=1)[:, 0] > OUTER).astype(int) + len(FACES)
    kind = {3: "triangle", 4: "quad"}[cells.shape[1]]
    tags = [face + 1, region + 1]
    names = {name: np.array([i + 1, 1]) for i, name in enumerate(FACES)}
    names |= {name: np.array([i + 1 + len(FACES), 2]) for i, name in enumerate(REGIONS)}
    flat = np.column_stack((points, np.zeros(len(points))))
    return meshio.Mesh(flat, [("line", outer), (kind, cells)], field_data=names,
                       cell_data={"gmsh:physical": tags, "gmsh:geometrical": tags})


def as_vtu(mesh: meshio.Mesh) -> meshio.Mesh:
    """Return the mesh with a cell array of 0 and 1 for each group, which .vtu can hold."""
    arrays = {
        name: [(t == tag).astype(np.int32) for t in mesh.cell_data["gmsh:physical"]]
        for name, (tag, _) in mesh.field_data.items()
    }
    return meshio.Mesh(mesh.points, mesh.cells, cell_data=arrays)


def write(folder: Path) -> None:
    """Write the three files."""
    quads = flanged_tube()
    meshio.gmsh.write(folder / "flanged_tube.msh", quads, fmt_version="2.2", binary=False)
    meshio.vtu.write(folder / "flanged_tube.vtu", as_vtu(quads))
    meshio.gmsh.write(folder / "flanged_tube_triangles.msh", flanged_tube(triangles=True),
                      fmt_version="2.2", binary=False)


if __name__ == "__main__":
    write(Path(__file__).parent)
