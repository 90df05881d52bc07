"""A case with a mesh file: what is refused of it, the wall it builds, and a fit of it."""

import shutil
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from tests.meshes.files import FOLDER, SCRIPT, flanged, write_22
from tests.meshes.flange_case import FOLDER as FLANGE_CASE
from tests.meshes.flange_case import planned, truth, write
from wallsim.build import load_campaign
from wallsim.case import load_case
from wallsim.errors import CaseError, MeshError
from wallsim.estimate.resolution import first_guess
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder
from wallsim.estimate.unknowns import Unknowns


def copied(folder, *changes):
    """The case in a folder of its own, with pieces of its text exchanged."""
    shutil.copytree(FLANGE_CASE, folder / "cases" / "flange")
    shutil.copytree(FOLDER, folder / "meshes")
    path = folder / "cases" / "flange" / "case.toml"
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.slow
def test_the_shipped_logs_are_what_their_script_writes(tmp_path):
    path = copied(tmp_path)
    write(path.parent)
    for log in sorted((FLANGE_CASE / "logs").iterdir()):
        a, b = (np.loadtxt(f / "logs" / log.name, delimiter=",", skiprows=1)
                for f in (FLANGE_CASE, path.parent))
        np.testing.assert_allclose(a, b, atol=0.011)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("flanged_tube.msh", "flange.msh", "tube.mesh: no such mesh file"),
        ('bore = "20 mm"', 'bore = "20 mm"\nmaterial = "carbon steel"',
         "tube: with mesh, material or regions, exactly one of the two"),
        ('regions = { tube = "stainless 321", flange = "carbon steel" }', "",
         "tube: with mesh, material or regions, exactly one of the two"),
        ('flange = "carbon steel"', 'flange = "carbon stel"', "tube.regions.flange: "),
    ],
)
def test_faults_of_the_case_file(tmp_path, old, new, told):
    path = copied(tmp_path, (old, new))
    with pytest.raises(CaseError) as caught:
        load_case(path)
    assert len(caught.value.faults) == 1
    assert told in caught.value.faults[0]
    assert caught.value.faults[0].startswith(f"{path}:")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('bore = "20 mm"', 'bore = "21 mm"', "flanged_tube.msh: group bore: diameter 20.000 mm"),
        (', flange = "carbon steel"', "", "flanged_tube.msh: region flange: 36 of its 36 cells"),
    ],
)
def test_a_mesh_is_checked_when_the_logs_are_read(tmp_path, old, new, told):
    case = load_case(copied(tmp_path, (old, new)))
    with pytest.raises(MeshError, match=told):
        load_campaign(case)


def test_a_sensor_on_the_step_of_the_flange_is_refused(tmp_path):
    case = load_case(copied(tmp_path, ('z = "6 mm"', 'z = "12 mm"')))
    _, campaign = planned(case)
    unknowns = Unknowns.of(campaign)
    with pytest.raises(MeshError, match=r"z = 12\.000 mm sits on a step .*14\.00 to 30\.00 mm"):
        RunModel.of(campaign, campaign.firings[0], unknowns, Resolution(1, 1, 1.0))


def test_one_region_with_the_material_of_the_tube(tmp_path):
    path = copied(
        tmp_path,
        ('regions = { tube = "stainless 321", flange = "carbon steel" }',
         'material = "carbon steel"'),
    )
    mesh = flanged()
    mesh.cell_data["gmsh:physical"][1][:] = mesh.field_data["tube"][0]
    write_22(tmp_path / "meshes" / "flanged_tube.msh", mesh)
    _, campaign = planned(load_case(path))
    unknowns = Unknowns.of(campaign)
    wall = WallBuilder(unknowns, first_guess(campaign)).wall(0.004)
    assert [q.table.name for q in wall.regions] == ["carbon steel"]


def test_the_wall_of_a_mesh_file_has_its_thickness_and_its_cuts():
    _, campaign = planned(load_case(FLANGE_CASE / "case.toml"))
    unknowns = Unknowns.of(campaign)
    once, cut = (WallBuilder(unknowns, Resolution(n, n, 1.0)).wall(0.0042) for n in (1, 2))
    inner, rim, flange = 0.010, 0.0302, SCRIPT["FLANGE"]
    tube, ring = (
        np.pi * (0.0142**2 - inner**2) * 0.12, np.pi * (rim**2 - 0.0142**2) * flange
    )
    for w in (once, cut):
        np.testing.assert_allclose([q.volume.sum() for q in w.regions], [tube, ring], rtol=1e-12)
        assert w.faces["bore"].area.sum() == pytest.approx(2 * np.pi * inner * 0.12, rel=1e-12)
        names = [q.table.name for q in w.regions]
        assert names == ["stainless 321", "carbon steel"]
    assert cut.size > 3.5 * once.size


@pytest.mark.slow
def test_the_flange_case_is_fitted(tmp_path):
    from wallsim.api import fit

    case = load_case(FLANGE_CASE / "case.toml")
    with ThreadPoolExecutor(1) as executor:
        document = fit(case, executor=executor).document
    assert document["fit"]["converged"]
    unknowns, x = truth(planned(case)[1])
    for p in document["parameters"]:
        place = unknowns.prior.names[p["name"]]
        z = unknowns.prior.parameters[place]
        assert abs(z.value(x[place]) - p["estimate"]) < 4.0 * p["sd"], p["name"]
    assert any(i["path"].endswith("flanged_tube.msh") for i in document["inputs"])


def test_the_mesh_is_among_the_files_that_a_result_must_not_replace():
    case = load_case(FLANGE_CASE / "case.toml")
    assert case.tube.mesh in case.files
    assert case.path in case.files
    assert all(run.log in case.files for run in case.runs)
