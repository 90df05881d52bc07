"""Reading: every format gives the same mesh; second order, one region and turned cells."""

import meshio
import numpy as np
import pytest

from tests.meshes.files import (
    FLANGED,
    FOLDER,
    REGIONS,
    SCRIPT,
    flanged,
    read,
    with_groups,
    write_22,
    write_41,
    write_vtu,
)
from wallsim.wall.mesh_file import read_mesh


def binary_22(path, mesh):
    write_22(path, mesh, binary=True)


def joined_vtu(path, mesh):
    """As meshio itself writes named sets: one array, its name the names joined."""
    sets = {
        name: [np.flatnonzero(t == tag) for t in mesh.cell_data["gmsh:physical"]]
        for name, (tag, _) in mesh.field_data.items()
    }
    whole = meshio.Mesh(mesh.points, mesh.cells, cell_sets=sets)
    whole.cell_sets_to_data()
    meshio.vtu.write(path, whole)


def shape(mesh):
    faces = {
        name: sorted(map(tuple, mesh.p[:, mesh.facets[:, f]].mean(axis=1).T.round(9)))
        for name, f in mesh.boundaries.items()
    }
    regions = {name: sorted(map(tuple, mesh.p[:, mesh.t[:, c]].mean(axis=1).T.round(9)))
               for name, c in mesh.subdomains.items()}
    return faces, regions


@pytest.mark.parametrize("triangles", [False, True], ids=["quads", "triangles"])
@pytest.mark.parametrize(
    ("ending", "write"),
    [(".msh", binary_22), (".msh", write_41), (".vtu", write_vtu), (".vtu", joined_vtu)],
    ids=["2.2 binary", "4.1", "vtu flags", "vtu joined"],
)
def test_every_format_gives_the_same_mesh(tmp_path, ending, write, triangles):
    mesh = flanged(triangles=triangles)
    path = tmp_path / f"x{ending}"
    write(path, mesh)
    assert shape(read_mesh(path, REGIONS, FLANGED)) == shape(read(tmp_path, mesh))


def test_the_shipped_files_are_what_their_script_writes(tmp_path):
    SCRIPT["write"](tmp_path)
    names = {p.name for p in FOLDER.iterdir() if p.suffix in {".msh", ".vtu"}}
    assert names == {p.name for p in tmp_path.iterdir()}
    for name in names:
        a, b = (read_mesh(f / name, REGIONS, FLANGED) for f in (FOLDER, tmp_path))
        assert shape(a) == shape(b)
        np.testing.assert_allclose(a.p, b.p, atol=1e-15)
    assert sum(p.stat().st_size for p in FOLDER.iterdir() if p.is_file()) < 300_000


def test_faces_and_regions_are_where_they_should_be(tmp_path):
    mesh = read(tmp_path, flanged())
    centre = {name: mesh.p[:, mesh.facets[:, f]].mean(axis=1)
              for name, f in mesh.boundaries.items()}
    assert (centre["bore"][0] == SCRIPT["INNER"]).all()
    assert (centre["head"][1] == 0.0).all()
    assert (centre["exit"][1] == SCRIPT["LENGTH"]).all()
    assert centre["outside"][0].max() == SCRIPT["RIM"]
    r = mesh.p[0][mesh.t].mean(axis=0)
    assert r[mesh.subdomains["flange"]].min() > SCRIPT["OUTER"] > r[mesh.subdomains["tube"]].max()


def second_order(mesh, kind, shift=0.0):
    """The same mesh with mid-side points; those of the first cell's first side moved."""
    points, cells = mesh.points, mesh.cells[1].data
    ends = np.stack((cells, np.roll(cells, -1, axis=1)), axis=2)
    middles = points[ends].mean(axis=2)
    middles[0, 0, 0] += shift
    new = len(points) + np.arange(cells.size).reshape(cells.shape)
    all_points = np.concatenate((points, middles.reshape(-1, 3)))
    tags = mesh.cell_data["gmsh:physical"]
    return with_groups(
        all_points, [("line", mesh.cells[0].data, tags[0]),
                     (kind, np.hstack((cells, new)), tags[1])], mesh.field_data,
    )


@pytest.mark.parametrize(("triangles", "kind"), [(False, "quad8"), (True, "triangle6")])
def test_straight_second_order_cells_are_taken_by_their_corners(tmp_path, triangles, kind):
    mesh = flanged(triangles=triangles)
    assert shape(read(tmp_path, second_order(mesh, kind))) == shape(read(tmp_path, mesh))


def test_clockwise_cells_are_turned(tmp_path):
    mesh, turned = flanged(), flanged()
    turned.cells[1].data[::2] = turned.cells[1].data[::2, ::-1]
    assert shape(read(tmp_path, turned)) == shape(read(tmp_path, mesh))


def test_one_region_takes_the_metal_of_the_tube_whatever_its_name(tmp_path):
    mesh = flanged()
    mesh.cell_data["gmsh:physical"][1][:] = mesh.field_data["tube"][0]
    got = read(tmp_path, mesh, regions=("wall",))
    assert got.subdomains["wall"].size == got.nelements
