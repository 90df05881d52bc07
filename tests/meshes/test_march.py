"""Marches on mesh files: the same as the built-in mesh, triangles, two metals, thickness."""

import numpy as np
import pytest

from tests.meshes.files import FLANGED, FOLDER, REGIONS, from_wall_mesh, write_22, write_vtu
from tests.wall.walls import INNER, LENGTH, insulated, parameters, solid, surfaces, wall
from wallsim.wall import march as march_module
from wallsim.wall.elements import NodalTriangle
from wallsim.wall.march import march
from wallsim.wall.mesh import REGION, outside_radius, tube_mesh, with_thickness
from wallsim.wall.mesh_checks import Outline
from wallsim.wall.mesh_file import read_mesh
from wallsim.wall.model import Surfaces, WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import Schedule
from wallsim.wall.surroundings import OuterWall

THICKNESS = 0.005
STATIONS = np.array([0.03, 0.2, 0.41])
TUBE = Outline(INNER, INNER + THICKNESS, LENGTH)
STEEL, NICKEL = solid(), solid((15.0, 0.02), (450.0, 0.1), 8200.0)


def run(w, p, stations=STATIONS, schedule=None, **options):
    s = surfaces(w, n_knots=p.log_h.size, law="none" if p.log_R.size == 0 else "saturating")
    observe = w.probe(outside_radius(w.mesh, stations[None])[0], stations)
    schedule = schedule or Schedule.of(3.5, 8.0)
    return march(w, s, p, schedule, observe, np.full(w.size, 288.0), **options)


def cut(mesh):
    return mesh.to_meshtri().with_boundaries({
        "bore": lambda x: abs(x[0] - INNER) < 1e-9,
        "outside": lambda x: abs(x[0] - INNER - THICKNESS) < 1e-9,
        "head": lambda x: abs(x[1]) < 1e-9,
        "exit": lambda x: abs(x[1] - LENGTH) < 1e-9,
    }).with_subdomains({REGION: np.arange(2 * mesh.nelements)})


@pytest.mark.parametrize(("ending", "write"), [(".msh", write_22), (".vtu", write_vtu)])
def test_the_built_in_mesh_through_a_file_gives_the_same_march(tmp_path, ending, write):
    built_in = tube_mesh(INNER, INNER + THICKNESS, LENGTH, 3, 20)
    path = tmp_path / f"tube{ending}"
    write(path, from_wall_mesh(built_in))
    w = Wall.of(read_mesh(path, ("wall",), TUBE), {REGION: STEEL})
    p = parameters()
    expected = run(wall(), p).y
    assert np.ptp(expected) > 300.0
    np.testing.assert_allclose(run(w, p).y, expected, rtol=1e-10)


def test_functions_of_a_triangle_are_one_at_their_own_node_and_add_to_one():
    element, nodes = NodalTriangle(), NodalTriangle.doflocs.T
    values = np.array([element.lbasis(nodes, i)[0] for i in range(7)])
    np.testing.assert_allclose(values, np.eye(7), atol=1e-14)
    X = np.random.default_rng(3).dirichlet(np.ones(3), 20)[:, :2].T
    phi, dphi = zip(*(element.lbasis(X, i) for i in range(7)), strict=True)
    np.testing.assert_allclose(sum(phi), 1.0, atol=1e-14)
    np.testing.assert_allclose(sum(dphi), 0.0, atol=1e-13)
    d = 1e-6
    for i in range(7):
        for axis in range(2):
            step = d * np.eye(2)[:, [axis]]
            slope = (element.lbasis(X + step, i)[0] - element.lbasis(X - step, i)[0]) / (2 * d)
            np.testing.assert_allclose(dphi[i][axis], slope, atol=1e-8)


def test_triangles_and_quads_approach_each_other_with_third_order():
    p = parameters()

    def apart(n):
        mesh = tube_mesh(INNER, INNER + THICKNESS, LENGTH, 3 * n, 20 * n)
        quads, triangles = (run(Wall.of(m, {REGION: STEEL}), p).y for m in (mesh, cut(mesh)))
        return np.abs(triangles - quads).max()

    coarse, halved = apart(1), apart(2)
    assert 1e-3 < halved < coarse / 2.0**3


def test_triangles_have_third_order_in_space():
    p, schedule = insulated(), Schedule.of(1.0, 1.0, 8.0)
    thick, length = 0.02, 0.02
    r = np.linspace(INNER, INNER + thick, 41)

    def profile(mesh):
        w = Wall.of(mesh, {REGION: STEEL})
        observe = w.probe(r, np.full(r.size, 0.0077))
        return march(w, surfaces(w, n_knots=1, law="none"), p, schedule, observe,
                     np.full(w.size, 288.0)).y[-1]

    def triangles(n):
        quads = tube_mesh(INNER, INNER + thick, length, n, n)
        mesh = quads.to_meshtri()
        return mesh.with_boundaries({
            "bore": lambda x: abs(x[0] - INNER) < 1e-9,
            "outside": lambda x: abs(x[0] - INNER - thick) < 1e-9,
            "head": lambda x: abs(x[1]) < 1e-9, "exit": lambda x: abs(x[1] - length) < 1e-9,
        }).with_subdomains({REGION: np.arange(mesh.nelements)})

    fine = profile(tube_mesh(INNER, INNER + thick, length, 48, 2))
    n = np.array([2, 4, 8, 16])
    errors = [np.sqrt(np.mean((profile(triangles(m)) - fine) ** 2)) for m in n]
    assert -np.polyfit(np.log(n), np.log(errors), 1)[0] > 2.7


def two_layers(triangles=False):
    """A tube whose outer 2 mm are of another metal."""
    mesh = tube_mesh(INNER, INNER + THICKNESS, 0.05, 5, 4)
    if triangles:
        faces = {
            "bore": lambda x: abs(x[0] - INNER) < 1e-9,
            "outside": lambda x: abs(x[0] - INNER - THICKNESS) < 1e-9,
            "head": lambda x: abs(x[1]) < 1e-9, "exit": lambda x: abs(x[1] - 0.05) < 1e-9,
        }
        mesh = mesh.to_meshtri().with_boundaries(faces)
    inner = mesh.p[0][mesh.t].mean(axis=0) < INNER + 0.003
    return mesh.with_subdomains({"tube": np.flatnonzero(inner), "flange": np.flatnonzero(~inner)})


@pytest.mark.parametrize("triangles", [False, True])
def test_two_metals_in_series_as_thermal_resistances(triangles):
    """Steady heat through a bore with 1/h, two rings ln(b/a)/k, and an outer coefficient."""
    k_a, k_b, h, h_o, rise = 40.0, 12.0, 1500.0, 400.0, 900.0
    metals = {"tube": solid((k_a, 0.0), (100.0, 0.0)), "flange": solid((k_b, 0.0), (100.0, 0.0))}
    w = Wall.of(two_layers(triangles), metals)
    p = insulated(h=h, rise=rise)
    p = p.with_vector(np.where(np.arange(p.vector().size) == p.slots()["convection"].start, h_o,
                               p.vector()))
    end = 60.0
    s = surfaces(w, n_knots=1, law="none", burn=2.0 * end)
    s = Surfaces(s.gas, OuterWall.fixed(288.0), s.head, s.exit)
    a, b, c = INNER, INNER + 0.003, INNER + THICKNESS
    radii = np.array([a, b, c])
    observe = w.probe(radii, np.full(3, 0.02))
    t = np.concatenate(([0.0], np.geomspace(1e-3, end, 80)))
    schedule = Schedule(t, np.ones(80, dtype=bool))
    got = march(w, s, p, schedule, observe, np.full(w.size, 288.0)).y[-1]
    parts = np.array([1 / (h * a), np.log(b / a) / k_a, np.log(c / b) / k_b, 1 / (h_o * c)])
    q = rise / parts.sum()
    expected = 288.0 + rise - q * np.cumsum(parts)[:3]
    np.testing.assert_allclose(got, expected, atol=2e-3)


def flanged_wall(name="flanged_tube.msh", thickness=None, *, bore_stays=True):
    mesh = read_mesh(FOLDER / name, REGIONS, FLANGED)
    if thickness is not None:
        mesh = with_thickness(mesh, FLANGED.inner, FLANGED.outer, thickness, bore_stays=bore_stays)
    return Wall.of(mesh, {"tube": NICKEL, "flange": STEEL})


FLANGED_STATIONS = np.array([0.006, 0.02, 0.08])


@pytest.mark.parametrize(
    "name",
    ["flanged_tube.msh", pytest.param("flanged_tube_triangles.msh", marks=pytest.mark.slow)],
)
def test_sensitivities_of_a_flanged_tube_equal_central_differences(monkeypatch, name):
    monkeypatch.setattr(march_module, "LARGEST_UPDATE", 1e-9)
    p = parameters(log_wall=np.log(0.004))
    d = 4e-7
    slope = WallSlope.between(flanged_wall(name, 0.004 - d), flanged_wall(name, 0.004 + d), 2 * d)
    w, schedule = flanged_wall(name), Schedule.of(2.0, 3.0, 0.5)
    slots = p.slots()
    active = [slots[n].start for n in ("log_h", "log_R", "log_conductivity", "heat_capacity_tilt",
                                       "log_head", "log_wall")]
    got = run(w, p, FLANGED_STATIONS, schedule, active=np.array(active), slope=slope).dy_dp
    v = p.vector()
    for i, j in enumerate(active):
        step = 1e-4 * max(abs(v[j]), 1e-2)
        if j == slots["log_wall"].start:
            up, down = (run(flanged_wall(name, 0.004 + s), p, FLANGED_STATIONS, schedule).y
                        for s in (4e-6, -4e-6))
            expected, rtol = 0.004 * (up - down) / 8e-6, 1e-5
        else:
            up, down = (run(w, p.with_vector(v + s * (np.arange(v.size) == j)), FLANGED_STATIONS,
                            schedule).y for s in (step, -step))
            expected, rtol = (up - down) / (2.0 * step), 1e-6
        assert np.abs(expected).max() > 1e-3
        np.testing.assert_allclose(got[:, :, i], expected, rtol=rtol,
                                   atol=rtol * np.abs(expected).max() + 1e-8)


def test_the_flange_stays_cooler_than_the_tube():
    y = run(flanged_wall(), parameters(), FLANGED_STATIONS).y
    assert y[:, 0].max() + 100.0 < y[:, 2].max()


@pytest.mark.slow
def test_refining_a_flanged_tube_converges():
    p = parameters()
    mesh = read_mesh(FOLDER / "flanged_tube.msh", REGIONS, FLANGED)
    metals = {"tube": NICKEL, "flange": STEEL}
    coarse, middle, fine = (
        run(Wall.of(mesh.refined(n), metals), p, FLANGED_STATIONS, Schedule.of(2.0, 3.0, 0.5)).y
        for n in (0, 1, 2)
    )
    first, second = np.abs(coarse - fine).max(), np.abs(middle - fine).max()
    assert second < 0.3 * first < 3.0


@pytest.mark.parametrize("bore_stays", [True, False])
def test_another_thickness_moves_what_is_welded_on_and_keeps_its_size(bore_stays):
    mesh = read_mesh(FOLDER / "flanged_tube.msh", REGIONS, FLANGED)
    got = with_thickness(mesh, FLANGED.inner, FLANGED.outer, 0.0044, bore_stays=bore_stays)
    r = {name: got.p[0, got.facets[:, f]] for name, f in got.boundaries.items()}
    moved = 0.0004 if bore_stays else 0.0
    np.testing.assert_allclose(r["bore"], FLANGED.outer + moved - 0.0044, rtol=1e-12)
    assert r["outside"].min() == pytest.approx(FLANGED.outer + moved, rel=1e-12)
    assert r["outside"].max() == pytest.approx(0.030 + moved, rel=1e-12)
    np.testing.assert_array_equal(got.p[1], mesh.p[1])


def test_a_metal_is_asked_only_for_its_own_temperatures():
    """The flange's table ends below what the tube reaches."""
    low = solid()
    keep = low.conductivity.x < 800.0
    table = type(low.conductivity)
    low = type(low)(
        "low metal", low.density, table("k", low.conductivity.x[keep], low.conductivity.y[keep]),
        table("c", low.specific_heat.x[keep], low.specific_heat.y[keep]), {}, None, {},
    )
    mesh = read_mesh(FOLDER / "flanged_tube.msh", REGIONS, FLANGED)
    p = parameters(log_h=np.log([200.0, 4000.0, 4000.0, 4000.0]))
    limited = run(Wall.of(mesh, {"tube": NICKEL, "flange": low}), p, FLANGED_STATIONS).y
    full = run(Wall.of(mesh, {"tube": NICKEL, "flange": solid()}), p, FLANGED_STATIONS).y
    assert limited.max() > 850.0
    np.testing.assert_allclose(limited, full, rtol=1e-9)
