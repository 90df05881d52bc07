"""predict and whatif on a plan: a campaign not fired yet is answered as its plan states it."""

import numpy as np
import pytest

import wallsim
from tests.cli.command import wallsim_here
from tests.plan.small_plan import write
from wallsim.errors import CaseError
from wallsim.plan.place_file import load_plan
from wallsim.plan.planned import campaign_of, plan_at
from wallsim.plan.whatif_file import load_question

pytestmark = pytest.mark.usefixtures("coarse")
NARROW = ('coefficient = "1500 W/m^2/K +- 100 %"', 'coefficient = "1500 W/m^2/K +- 5 %"')


@pytest.fixture(scope="module")
def path(coarse, tmp_path_factory):
    return write(tmp_path_factory.mktemp("planned"), h=NARROW)


@pytest.fixture(scope="module")
def predicted(path, pool):
    return wallsim.predict(load_plan(path), executor=pool, draws=5)


def test_thermocouples_are_those_planned_evenly_spaced_and_welded_ones_stay(path, tmp_path):
    plan = load_plan(path)
    evenly = [s.z.value for s in campaign_of(plan).case.sensors]
    assert evenly == pytest.approx([0.01, 0.04, 0.07])
    welded = write(tmp_path, welded=(
        "[thermocouple]\n", '[[sensor]]\nname = "W"\nz = "33 mm"\n[thermocouple]\n'))
    sensors = campaign_of(load_plan(welded)).case.sensors
    assert sensors[0].name == "W"
    assert len(sensors) == 3


def test_a_prediction_of_a_plan_reads_what_is_planned_and_nothing_measured(predicted):
    runs = predicted.document["runs"]
    assert runs.keys() == {"bare", "with"}
    peak = {name: run["bore_peak_K"]["estimate"] for name, run in runs.items()}
    assert peak["with"] + 20.0 < peak["bare"] < 1100.0
    for name, run in runs.items():
        assert run["burn_s"] == 4.0
        frame = predicted.tables[name]
        assert frame.filter(like="measured").isna().all().all()
        assert frame.filter(like="predicted").notna().all().all()
    assert predicted.document["runs"]["bare"]["limits"]["limit"]["at_K"] == 1100.0


@pytest.mark.parametrize("limit", ["800 K", "950 K"])
def test_a_deposit_never_heats_the_bore_and_peak_and_time_agree(limit, pool, tmp_path):
    plan = write(tmp_path, limit=('limit_temperature = "1100 K"', f'limit_temperature = "{limit}"'),
                 h=("1500 W/m^2/K +- 100 %", "1500 W/m^2/K +- 25 %"))
    runs = wallsim.predict(load_plan(plan), executor=pool).document["runs"]
    bare, dosed = (runs[name]["bore_peak_K"] for name in ("bare", "with"))
    assert dosed["estimate"] < bare["estimate"]
    assert dosed["high"] < bare["high"]
    at = float(limit.removesuffix(" K"))
    for run in runs.values():
        peak, time = run["bore_peak_K"], run["limits"]["limit"]["time_s"]
        for end, other in (("high", "low"), ("estimate", "estimate"), ("low", "high")):
            reached = time[other] is not None and time[other] < run["burn_s"]
            assert (peak[end] > at) == reached or peak[end] == pytest.approx(at, abs=5.0)


def test_a_whatif_starts_from_a_plan_by_itself_or_named(path, pool, predicted, tmp_path):
    named = tmp_path / "whatif.toml"
    named.write_text(f'case = "{path.parent}"\ndraws = 5\n[vary]\nwall = ["4 mm", "6 mm"]\n'
                     '[base]\nblend = "neat"\n')
    by_itself = wallsim.whatif(path.parent, executor=pool).document
    thin, thick = wallsim.whatif(named, executor=pool).document["firings"]
    peaks = [f["bore_peak_K"]["estimate"] for f in by_itself["firings"]]
    runs = predicted.document["runs"].values()
    assert peaks == pytest.approx([r["bore_peak_K"]["estimate"] for r in runs], abs=3.0)
    assert thin["bore_peak_K"]["estimate"] == pytest.approx(peaks[0], abs=1.0)
    assert thick["bore_peak_K"]["estimate"] < peaks[0] - 20.0
    assert all(f["limits"]["limit"]["at_K"] == 1100.0 for f in by_itself["firings"])
    assert np.isfinite(thin["limits"]["limit"]["time_s"]["estimate"])


def test_the_command_takes_a_plan_and_keeps_its_file(path, tmp_path):
    done = wallsim_here("predict", path.parent, "--out", tmp_path / "p", "--run", "bare")
    assert done.returncode == 0, done.stderr
    assert "run bare" in done.stdout
    assert (tmp_path / "p" / "readings").is_dir()
    kept = wallsim_here("predict", path.parent, "--out", path.parent, "--force")
    assert kept.returncode != 0
    assert path.is_file()


def test_faults_of_a_plan_are_told_as_by_place(path, tmp_path):
    bad = write(tmp_path, wall=('wall = "4 mm"', 'wall = "4 kg"'))
    named = tmp_path / "q.toml"
    named.write_text(f'case = "{bad}"\n[base]\nwal = "3 mm"\n')
    with pytest.raises(CaseError) as caught:
        load_question(named)
    assert [fault.split(": ")[1] for fault in caught.value.faults] == ["base.wal", "tube.wall"]
    assert plan_at(path.parent) is not None
    assert plan_at(tmp_path / "nowhere") is None


def test_a_pressure_in_another_unit_is_remarked_and_what_is_understood_is_said(tmp_path):
    plan = write(tmp_path, p=('pressure = "5 bar"', 'pressure = "5 MPa"'))
    checked = wallsim_here("check", plan).stdout
    assert "pressure: 50 bar abs is unusual: uncooled tubes have up to some 30 (got \"5 MPa\")" in (
        checked)
    assert ("Plan: tube of carbon steel, bore 20 mm, wall 4 mm, 80 mm long; h 1500 W/m^2/K; 50 bar "
            "abs; firings bare 4 s x 2") in checked
    plan = write(tmp_path)
    assert "unusual" not in wallsim_here("check", plan).stdout
    question = tmp_path / "whatif.toml"
    question.write_text('case = "case.toml"\n[[variant]]\nname = "a"\npressure = "5 MPa"\n')
    assert "uncooled tubes have 1 to some 30 bar abs" in wallsim_here("check", question).stdout
