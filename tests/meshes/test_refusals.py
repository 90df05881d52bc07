"""Every refusal, each with a file that provokes it: group, count, one line a fault."""

import meshio
import numpy as np
import pytest

from tests.meshes.files import FLANGED, REGIONS, SCRIPT, flanged, read, with_groups, write_22
from wallsim.errors import MeshError
from wallsim.wall.mesh_checks import Outline
from wallsim.wall.mesh_file import read_mesh

FACE = {name: i + 1 for i, name in enumerate(SCRIPT["FACES"])}


def refused(folder, mesh, regions=REGIONS, outline=FLANGED):
    with pytest.raises(MeshError) as caught:
        read(folder, mesh, regions, outline)
    lines = str(caught.value).splitlines()
    start = f"{folder / 'spoilt.msh'}: "
    assert all(line.startswith(start) for line in lines)
    return [line.removeprefix(start) for line in lines]


def changed(*, points=None, lines=None, cells=None, names=None, triangles=False):
    """The flanged tube with parts exchanged by functions of what is there."""
    mesh = flanged(triangles=triangles)
    (line, cell), (line_tags, cell_tags) = mesh.cells, mesh.cell_data["gmsh:physical"]
    p = mesh.points if points is None else points(mesh.points)
    a = (line.data, line_tags) if lines is None else lines(line.data, line_tags)
    b = (cell.data, cell_tags) if cells is None else cells(cell.data, cell_tags)
    return with_groups(p, [("line", *a), (cell.type, *b)], names or mesh.field_data)


def says(faults, *parts):
    """Whether there is one fault, and it names all of these."""
    return len(faults) == 1 and all(part in faults[0] for part in parts)


def test_mixed_cells(tmp_path):
    mesh = flanged()
    quads, tags = mesh.cells[1].data, mesh.cell_data["gmsh:physical"][1]
    split = np.concatenate((quads[:2, [0, 1, 2]], quads[:2, [0, 2, 3]]))
    mixed = with_groups(
        mesh.points,
        [("line", mesh.cells[0].data, mesh.cell_data["gmsh:physical"][0]),
         ("quad", quads[2:], tags[2:]), ("triangle", split, np.tile(tags[:2], 2))],
        mesh.field_data,
    )
    assert says(refused(tmp_path, mixed), "cells of one type", "154 quad", "4 triangle")


def test_solid_cells(tmp_path):
    block = [("tetra", [[0, 1, 2, 3]], [1])]
    mesh = with_groups(np.vstack((np.zeros(3), np.eye(3) * [1, 1, 0])), block, {"tube": (1, 3)})
    assert says(refused(tmp_path, mesh), "1 cells of type tetra")


def test_no_cells_at_all(tmp_path):
    mesh = flanged()
    lines = with_groups(mesh.points, [("line", mesh.cells[0].data,
                                       mesh.cell_data["gmsh:physical"][0])], mesh.field_data)
    assert says(refused(tmp_path, lines), "cells of one type (got none)")


def test_third_coordinate(tmp_path):
    faults = refused(tmp_path, changed(points=lambda p: p[:, [0, 2, 1]]))
    assert says(faults, "third coordinate varies")


def test_negative_radius(tmp_path):
    faults = refused(tmp_path, changed(points=lambda p: p * [-1.0, 1.0, 1.0]))
    assert says(faults, "points: 206 of 206 have a negative radius", "r = -10.000 mm, z = 0.000 mm")


def test_cells_without_area(tmp_path):
    def flat(cells, tags):
        return np.vstack((cells, cells[:2][:, [0, 1, 1, 0]])), np.append(tags, tags[:2])

    assert says(refused(tmp_path, changed(cells=flat)), "cells: 2 of 158 have no area")


def test_twisted_cell(tmp_path):
    def twist(cells, tags):
        return np.vstack((cells[:1][:, [0, 2, 1, 3]], cells[1:])), tags

    faults = refused(tmp_path, changed(cells=twist))
    assert says(faults, "cells: 1 of 156 are twisted or not convex")


def test_concave_cell(tmp_path):
    mesh = flanged()
    inner = np.argmin(np.abs(mesh.points[:, :2] - [0.0113333333, 0.06]).sum(axis=1))

    def dent(p):
        out = p.copy()
        out[inner, :2] += [0.0009, -0.0025]
        return out

    assert says(refused(tmp_path, changed(points=dent)), "are twisted or not convex")


@pytest.mark.parametrize("triangles", [False, True])
def test_duplicate_cells(tmp_path, triangles):
    def twice(cells, tags):
        return np.vstack((cells, cells[:3, ::-1])), np.append(tags, tags[:3])

    faults = refused(tmp_path, changed(cells=twice, triangles=triangles))
    assert says(faults, "cells: 3 are listed twice")


def test_cells_that_overlap(tmp_path):
    """A cell more, laid over those that are there."""
    mesh = flanged(triangles=True)
    a, b, c = mesh.cells[1].data[100]
    apart = next(i for i in mesh.cells[1].data[101] if i not in (a, b, c))

    def more(cells, tags):
        return np.vstack((cells, [a, b, apart])), np.append(tags, tags[-1])

    faults = refused(tmp_path, changed(cells=more, triangles=True))
    assert says(faults, "sides have cells that overlap")


def test_coincident_points_between_tube_and_flange(tmp_path):
    mesh = flanged()
    tags = mesh.cell_data["gmsh:physical"][1]
    weld = np.flatnonzero(np.isclose(mesh.points[:, 0], 0.014) & (mesh.points[:, 1] < 0.0121))
    new = np.arange(len(mesh.points))
    new[weld] = len(new) + np.arange(weld.size)
    flange = tags == mesh.field_data["flange"][0]
    loose = changed(
        points=lambda p: np.vstack((p, p[weld])),
        cells=lambda c, t: (np.where(flange[:, None], new[c], c), t),
    )
    faults = refused(tmp_path, loose)
    assert says(faults, "points: 7 pairs lie on each other", "r = 14.000 mm", "merge")


def hanging():
    """Two small cells on the side of a large one."""
    points = [[1, 0], [2, 0], [2, 2], [1, 2], [2, 1], [3, 0], [3, 1], [3, 2]]
    cells = [[0, 1, 2, 3], [1, 5, 6, 4], [4, 6, 7, 2]]
    lines = [[0, 3], [5, 6], [6, 7], [0, 1], [1, 5], [2, 3], [7, 2]]
    return with_groups(
        np.array(points, dtype=float),
        [("line", lines, [1, 2, 2, 3, 3, 4, 4]), ("quad", cells, [5, 5, 5])],
        {name: (i + 1, 1) for i, name in enumerate(SCRIPT["FACES"])} | {"tube": (5, 2)},
    )


def test_hanging_points(tmp_path):
    faults = refused(tmp_path, hanging(), ("tube",), Outline(1.0, 3.0, 2.0))
    assert says(faults, "points: 1 hang on the side", "r = 2000.000 mm, z = 1000.000 mm")


def test_two_bodies(tmp_path):
    mesh = flanged()
    middle = mesh.points[mesh.cells[1].data].mean(axis=1)[:, 1]
    cut = (middle > 0.05) & (middle < 0.06)
    assert cut.any()
    faults = refused(tmp_path, changed(cells=lambda c, t: (c[~cut], t[~cut])))
    assert says(faults, "form 2 bodies with no side in common")


@pytest.mark.parametrize("name", SCRIPT["FACES"])
def test_missing_and_empty_groups(tmp_path, name):
    without = flanged().field_data
    empty = changed(lines=lambda d, t: (d[t != FACE[name]], t[t != FACE[name]]))
    assert says(refused(tmp_path, empty), f"group {name}: missing or empty", "name the sides")
    del without[name]
    assert says(refused(tmp_path, changed(names=without)), f"group {name}: missing or empty")


def test_misspelt_group_lists_what_is_there(tmp_path):
    names = flanged().field_data
    names["ouside"] = names.pop("outside")
    faults = refused(tmp_path, changed(names=names))
    assert says(faults, "group outside: missing", "bore, ouside, head, exit")


def test_group_name_on_cells(tmp_path):
    names = flanged().field_data
    names["head"] = (names["flange"][0], 2)
    del names["flange"]
    faults = refused(tmp_path, changed(names=names), ("tube", "head"))
    assert says(faults, "group head: holds cells, not sides")


def test_group_inside_the_wall(tmp_path):
    mesh = flanged()
    weld = np.flatnonzero(np.isclose(mesh.points[:, 0], 0.014) & (mesh.points[:, 1] < 0.0121))
    weld = weld[np.argsort(mesh.points[weld, 1])]
    more = np.column_stack((weld[:-1], weld[1:]))
    faults = refused(tmp_path, changed(
        lines=lambda d, t: (np.vstack((d, more)), np.append(t, np.full(6, FACE["outside"])))
    ))
    assert says(faults, "group outside: 6 of its 52 sides are not on the boundary", "r = 14.000 mm")


def test_lines_that_are_no_sides(tmp_path):
    def across(data, tags):
        return np.vstack((data, data[0, 0] + [[0, 2], [0, 3]])), np.append(tags, [1, 1])

    faults = refused(tmp_path, changed(lines=across))
    assert says(faults, "group bore: 2 of its 42 sides are no side")


def test_faces_that_overlap(tmp_path):
    def both(data, tags):
        head = data[tags == FACE["head"]][:4]
        return np.vstack((data, head)), np.append(tags, np.full(4, FACE["exit"]))

    faults = refused(tmp_path, changed(lines=both))
    assert says(faults, "group exit: 4 of its 7 sides are also in group head")


def test_boundary_in_no_group(tmp_path):
    def fewer(data, tags):
        drop = np.flatnonzero(tags == FACE["outside"])[:5]
        return np.delete(data, drop, axis=0), np.delete(tags, drop)

    faults = refused(tmp_path, changed(lines=fewer))
    assert says(faults, "boundary: 5 of 98 sides are in none of the groups")


def test_region_without_metal(tmp_path):
    faults = refused(tmp_path, flanged(), ("tube",))
    assert says(faults, "region flange: 36 of its 36 cells have no metal",
                'flange = "..."')


def test_metal_without_region(tmp_path):
    faults = refused(tmp_path, flanged(), ("tube", "flange", "clamp"))
    assert says(faults, "region clamp", "no cells")


def test_one_metal_for_two_regions(tmp_path):
    assert says(refused(tmp_path, flanged(), ("wall",)), "regions: 2, but one metal",
        "tube (120 cells), flange (36 cells)")


def test_cells_in_no_region(tmp_path):
    faults = refused(tmp_path, changed(cells=lambda c, t: (c, np.append(t[:-4], [99] * 4))))
    assert says(faults, "cells: 4 of 156 are in no region")


def test_cells_in_two_regions(tmp_path):
    mesh = SCRIPT["as_vtu"](flanged())
    mesh.cell_data["flange"][1][:9] = 1
    path = tmp_path / "x.vtu"
    meshio.vtu.write(path, mesh)
    with pytest.raises(MeshError, match=r"x\.vtu: cells: 9 of 156 are in two regions"):
        read_mesh(path, REGIONS, FLANGED)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"inner": 0.011}, "group bore: diameter 20.000 mm, but tube.bore of the case says 22.000"),
        ({"outer": 0.0145}, "group outside: smallest diameter 28.000 mm"),
        ({"length": 0.125}, "group exit: z 120.000 mm, but tube.length of the case says 125.000"),
    ],
)
def test_sizes_that_do_not_agree_with_the_case(tmp_path, change, told):
    sizes = {"inner": FLANGED.inner, "outer": FLANGED.outer, "length": FLANGED.length} | change
    faults = refused(tmp_path, flanged(), REGIONS, Outline(**sizes))
    assert faults[0].startswith(told)


def test_mesh_in_millimetres_is_recognised(tmp_path):
    faults = refused(tmp_path, changed(points=lambda p: 1e3 * p))
    assert all("seems to be in mm, write it in metres" in fault for fault in faults[:3])


def test_curved_second_order(tmp_path):
    from tests.meshes.test_read import second_order

    faults = refused(tmp_path, second_order(flanged(), "quad8", shift=5e-5))
    assert says(faults, "1 of 156 quad8 cells have a curved side", "save the mesh as first order")


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("x.msh", "nothing of the kind\n", "cannot be read as .msh"),
        ("x.vtu", "<VTKFile/>", "cannot be read as .vtu"),
        ("x.stl", "solid\n", "not a mesh file (got '.stl')"),
        ("x.msh", None, "no such mesh file"),
    ],
)
def test_unreadable_files(tmp_path, name, text, told):
    if text is not None:
        (tmp_path / name).write_text(text)
    with pytest.raises(MeshError) as caught:
        read_mesh(tmp_path / name, REGIONS, FLANGED)
    assert str(caught.value).startswith(f"{tmp_path / name}: {told}")
    assert "\n" not in str(caught.value)


def test_a_truncated_file_is_refused(tmp_path):
    path = tmp_path / "x.msh"
    write_22(path, flanged())
    path.write_text(path.read_text()[:9000])
    with pytest.raises(MeshError, match=r"x\.msh: "):
        read_mesh(path, REGIONS, FLANGED)
