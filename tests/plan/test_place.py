"""The plan file, and the information it is planned with against that of the fit itself."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.plan.small_plan import write
from wallsim.api import place
from wallsim.errors import CaseError, InputError
from wallsim.estimate.joint import Misfit
from wallsim.estimate.resolution import first_guess
from wallsim.estimate.run_model import RunModel, Weights
from wallsim.estimate.unknowns import Unknowns
from wallsim.plan import place_study
from wallsim.plan.place_campaign import block_noise, candidates, planned_campaign
from wallsim.plan.place_file import load_plan
from wallsim.plan.place_study import Study, against_repeats

CASES = Path(__file__).parents[2] / "cases"


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return load_plan(write(tmp_path_factory.mktemp("plan")))


@pytest.fixture(scope="module")
def study(plan):
    return Study.of(plan)


@pytest.mark.parametrize(("old", "new", "message"), [
    ('"R of dosed", "h"', '"R of dosd"', r"no planned blend with a deposit dosd.*dosed"),
    ('"R of dosed", "h"', '"thickness"', r"plan\.want.*not understood.*R of BLEND"),
    ('goal = "20 %"', 'goal = "20 K"', r"plan\.goal"),
    ('["75 mm", "80 mm"]', '["80 mm", "75 mm"]', r"keep_out.*ends before it starts"),
    ('blend = "dosed"\nburn', 'blend = "dose"\nburn', r"run\[with\]\.blend: no such blend"),
    ('burn = "4 s"\npressure = "5 bar"\ncool_down = "6 s"\nrepeats',
     'pressure = "5 bar"\ncool_down = "6 s"\nrepeats', r"run\[bare\]\.burn: missing"),
    ('most = 4', 'most = 4\nwells = ["5 mm"]', r"plan\.wells.*deeper than the wall"),
])
def test_faults_of_a_plan_name_key_and_remedy(tmp_path, old, new, message):
    path = write(tmp_path, change=(old, new))
    with pytest.raises(CaseError, match=message) as caught:
        load_plan(path)
    assert str(caught.value).startswith(f"{path}:")


def test_no_room_is_said(tmp_path):
    path = write(tmp_path, change=("thermocouples = 3", "thermocouples = 9"))
    with ThreadPoolExecutor(1) as pool, pytest.raises(InputError, match="no room for"):
        place(load_plan(path), pool)


def test_candidates_keep_out_of_the_stretches(plan):
    assert [round(1e3 * c.z) for c in candidates(plan)] == [10, 20, 30, 40, 50, 60, 70]


def test_block_noise_is_that_of_simulated_samples(plan):
    t, rate = plan.thermocouple, 50.0
    rng = np.random.default_rng(5)
    phi = np.exp(-1.0 / (rate * t.memory))
    steps = rng.standard_normal((4000, 400)) * t.wander * np.sqrt(1.0 - phi**2)
    wander = np.empty_like(steps)
    wander[:, 0] = t.wander * rng.standard_normal(4000)
    for i in range(1, 400):
        wander[:, i] = phi * wander[:, i - 1] + steps[:, i]
    blocks = (wander + t.noise * rng.standard_normal(wander.shape)).reshape(4000, 80, 5).mean(2)
    noise = block_noise(t, rate)
    assert noise.sd == pytest.approx(blocks.std(), rel=0.01)
    white = noise.whiten(np.arange(80), blocks.T)
    assert white.std() == pytest.approx(1.0, abs=0.01)
    assert abs((white[1:] * white[:-1]).mean()) < 0.01


def test_information_is_that_of_the_fit_with_every_firing_its_own(plan, study):
    places = candidates(plan)
    chosen = [1, 3, 5]
    campaign = planned_campaign(plan, [c.sensor for c in places], repeated=True)
    unknowns = Unknowns.of(campaign)
    keep = {places[i].sensor.name for i in chosen}
    firings = tuple(
        replace(f, traces=tuple(t for t in f.traces if t.sensor in keep)) for f in campaign.firings
    )
    runs = tuple(RunModel.of(campaign, f, unknowns, first_guess(campaign)) for f in firings)
    with ThreadPoolExecutor(1) as pool:
        misfit = Misfit(unknowns, first_guess(campaign), runs, pool)
        noise = block_noise(plan.thermocouple, plan.thermocouple.rate)
        misfit.weights = {
            f.run.name: tuple(Weights.of(t, noise, plan.case.fit.drift, None) for t in f.traces)
            for f in firings
        }
        J = misfit(np.zeros(unknowns.prior.mean.size))[1]
    C = unknowns.prior.root @ np.linalg.inv(J.T @ J) @ unknowns.prior.root.T
    names = unknowns.prior.names
    at = [names[f"h at {1e3 * k:.0f} mm"] for k in unknowns.knots]
    total = study.repeated
    P = np.eye(total.size) + sum(study.information[i] for i in chosen)
    root = study.marched.unknowns.prior.root[np.ix_(total.common, total.common)]
    mine = root @ np.linalg.inv(P)[: len(root), : len(root)] @ root.T
    same = [study.marched.unknowns.prior.parameters[i].name for i in total.common]
    here = [same.index(unknowns.prior.parameters[i].name) for i in at]
    assert mine[np.ix_(here, here)] == pytest.approx(C[np.ix_(at, at)], rel=1e-5, abs=1e-9)


def test_more_of_anything_never_widens(study):
    chosen = study.choice(3)
    rows = {(r["bare"], r["dosed"]): r["half_widths"][0] for r in against_repeats(study, chosen)}
    for (bare, dosed), half in rows.items():
        assert half <= rows.get((bare - 1, dosed), np.inf)
        assert half <= rows.get((bare, dosed - 1), np.inf)
    assert study.widths(study.choice(4))[0] < study.widths(chosen)[0]
    assert study.plan.apart <= np.diff(np.sort(study.z[chosen])).min() + 1e-9


def test_known_exactly_agrees_with_the_choice_where_nothing_is_known(study):
    chosen = study.choice(3)
    gradient = study.repeated.gradient(study.wanted[0])
    P = np.eye(study.repeated.size) + sum(study.information[i] for i in chosen)
    now = float((gradient @ np.linalg.inv(P) @ gradient.T)[0, 0])
    known = study.repeated.known_exactly(chosen, gradient)
    assert all(float(C[0, 0]) <= now * (1.0 + 1e-9) for C in known.values())
    assert float(known["pressure exponent"][0, 0]) == pytest.approx(now, rel=1e-6)


def test_a_pair_sits_at_one_station_and_tells_more_than_one(tmp_path):
    path = write(tmp_path, change=("most = 4", "most = 4\npairs = 1"))
    study = Study.of(load_plan(path))
    chosen = study.choice(3)
    assert len(set(chosen)) == 2
    assert study.widths(chosen)[0] < study.widths(sorted(set(chosen)))[0]


def test_fixed_thermocouples_stay_and_keep_others_away(tmp_path):
    sensor = '[[sensor]]\nname = "old"\nz = "33 mm"\n[thermocouple]\n'
    study = Study.of(load_plan(write(tmp_path, change=("[thermocouple]\n", sensor))))
    chosen = study.choice(3)
    assert study.marched.candidates[chosen[0]].sensor.name == "old"
    assert np.abs(study.z[chosen[1:]] - 0.033).min() >= 0.015 - 1e-9


def test_the_whole_answer_of_the_small_plan(plan, tmp_path, monkeypatch):
    monkeypatch.setattr(place_study, "BURNS", (1.0, 1.25))
    monkeypatch.setattr(place_study, "LAGS", (0.3,))
    with ThreadPoolExecutor(1) as pool:
        result = place(plan, pool)
    document = result.document
    assert [r["thermocouples"] for r in document["against_number"]] == [1, 2, 3, 4]
    halves = [r["half_widths"][0] for r in document["against_number"]]
    assert halves == sorted(halves, reverse=True)
    assert document["limit"]["time_hotter_s"] < document["limit"]["time_s"]
    assert result.exit_code == (5 if document["wants"][0]["half_width"] > 0.2 else 0)
    folder = result.save(tmp_path / "out")
    assert {p.stem for p in (folder / "figures").iterdir()} == {
        "along_tube", "against_number", "against_burn", "against_repeats", "logging", "worth"}
    assert len(result.tables["stations"]) == 3
    assert (folder / "report.html").read_text().count("<figure>") == 6


def test_the_shipped_plan_can_be_read():
    plan = load_plan(CASES / "placement" / "case.toml")
    assert plan.wants[0].text == "R of D5_3"
