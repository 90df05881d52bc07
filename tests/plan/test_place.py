"""The plan file, and the information it is planned with against that of the fit itself."""

import re
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from tests.plan.small_plan import write
from wallsim.api import Placement, place, predict
from wallsim.case import load_case
from wallsim.errors import CaseError
from wallsim.estimate.bore import hottest_bore
from wallsim.estimate.joint import Misfit
from wallsim.estimate.resolution import first_guess
from wallsim.estimate.run_model import RunModel, WallBuilder, Weights
from wallsim.estimate.unknowns import Unknowns
from wallsim.plan import place_limit, place_study
from wallsim.plan.place_burn_words import how_long
from wallsim.plan.place_campaign import block_noise, candidates, planned_campaign, with_bare
from wallsim.plan.place_file import load_plan, want_of
from wallsim.plan.place_model import Marched
from wallsim.plan.place_room import beside, most, packed, places
from wallsim.plan.place_study import Study, against_number, against_repeats
from wallsim.plausibility import planned_slips
from wallsim.report.placement import plan_text
from wallsim.units import Quantity

pytestmark = pytest.mark.usefixtures("coarse")
CASES = Path(__file__).parents[2] / "cases"


@pytest.fixture(scope="module")
def plan(coarse, tmp_path_factory):
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
    ('pressure = "5 bar"\ncool_down = "6 s"\nrepeats',
     'pressure = "0.4 bar"\ncool_down = "6 s"\nrepeats',
     r"run\[bare\]\.pressure: must be above 1\.1 bar \(got \"0\.4 bar\"\)"),
    ('most = 4', 'most = 4\nwells = ["5 mm"]', r"plan\.wells.*deeper than the wall"),
    ('most = 4', 'most = 4\nmost_wells = 1', r"plan\.most_wells: no depth of a well is stated"),
    ('most = 4', 'most = 2', r"plan\.most: fewer than the 3 planned in plan\.thermo.* \(got 2"),
])
def test_faults_of_a_plan_name_key_and_remedy(tmp_path, old, new, message):
    path = write(tmp_path, change=(old, new))
    with pytest.raises(CaseError, match=message) as caught:
        load_plan(path)
    assert str(caught.value).startswith(f"{path}:")


@pytest.mark.parametrize(("changes", "words"), [
    ([("= 3", "= 5")], r"stations 15 mm or more apart: 4 fit, 4 in all \(got 5\)"),
    ([("= 3", "= 7\npairs = 2")], r"4 fit, 6 in all with plan\.pairs \(got 7\)"),
    ([("thermocouples = 3", "")], r"no room for so many, the default, .* 4 in all \(got 6\)"),
    ([("= 3", "= 4"), ("[plan]", '[[sensor]]\nname = "W"\nz = "40 mm"\n[plan]'),
      ('["0 mm", "5 mm"]', '["0 mm", "45 mm"]')],
     r"1 fits beside the 1 welded on, 2 in all \(got 4\); plan fewer, or make"),
    ([('["0 mm", "5 mm"]', '["0 mm", "71 mm"]')], r"leaves no place for a thermocouple; shorten"),
])
def test_no_room_is_said_before_anything_is_marched(tmp_path, changes, words):
    path = write(tmp_path, most=("most = 4", ""), **dict(zip("abc", changes, strict=False)))
    with pytest.raises(CaseError, match=rf":1\d: plan\.\w+: .*{words}") as caught:
        load_plan(path)
    assert len(caught.value.faults) == 1


@pytest.mark.parametrize(("welded", "pairs"), [((), 0), ((), 2), ((0.052,), 1), ((0.04, 0.05), 3)])
def test_as_many_fit_as_any_choice_holds(welded, pairs):
    z, apart = places(0.1, 0.01, [(0.055, 0.07)]), 0.018
    free = z[beside(z, welded, apart)]
    some = [each for n in range(free.size + 1) for each in combinations(free, n)
            if (np.diff(each) > apart).all()]
    stations = max(map(len, some))
    assert stations == len(packed(free, apart))
    alone = 0 if welded else 1
    fits = [placed for placed in range(20) for two in [min(pairs, max(0, (placed - alone) // 2))]
            if placed - two <= stations]
    assert most(stations, len(welded), pairs) == len(welded) + max(fits)


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


def test_information_is_that_of_the_fit_with_every_firing_its_own(plan, study, pool):
    places = candidates(plan)
    chosen = [1, 3, 5]
    campaign = planned_campaign(plan, [c.sensor for c in places], repeated=True)
    unknowns = Unknowns.of(campaign)
    keep = {places[i].sensor.name for i in chosen}
    firings = tuple(
        replace(f, traces=tuple(t for t in f.traces if t.sensor in keep)) for f in campaign.firings
    )
    runs = tuple(RunModel.of(campaign, f, unknowns, first_guess(campaign)) for f in firings)
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


def test_no_more_wells_than_may_be_drilled(tmp_path):
    """Where any number may be, most are; one is no better than that, and no worse than none."""
    def halves(more):
        path = write(tmp_path, most=("most = 4", f'most = 4\nwells = ["2.5 mm"]\n{more}'))
        study = Study.of(load_plan(path))
        out = []
        for row in against_number(study):
            depths = [study.marched.candidates[i].sensor.depth for i in row["chosen"]]
            out.append((sum(d > 0.0 for d in depths), row["half_widths"][0]))
        return out

    every, one, none = halves(""), halves("most_wells = 1"), halves("most_wells = 0")
    assert [n for n, _ in every][:3] == [1, 2, 3]
    assert [n for n, _ in one] == [1, 1, 1, 1]
    assert [n for n, _ in none] == [0, 0, 0, 0]
    for (_, best), (_, single), (_, plain) in zip(every, one, none, strict=True):
        assert best <= single * (1.0 + 1e-9)
        assert single <= plain * (1.0 + 1e-9)


def test_a_well_welded_on_counts_among_those_that_may_be(tmp_path):
    path = write(
        tmp_path, most=("most = 4", 'most = 4\nwells = ["2.5 mm"]\nmost_wells = 1'),
        well=("[thermocouple]\n",
              '[[sensor]]\nname = "W"\nz = "33 mm"\ndepth = "2 mm"\n[thermocouple]\n'))
    study = Study.of(load_plan(path))
    for row in against_number(study):
        depths = [study.marched.candidates[i].sensor.depth for i in row["chosen"]]
        assert sum(d > 0.0 for d in depths) == 1


def test_fixed_thermocouples_stay_and_keep_others_away(tmp_path):
    sensor = '[[sensor]]\nname = "old"\nz = "33 mm"\n[thermocouple]\n'
    study = Study.of(load_plan(write(tmp_path, change=("[thermocouple]\n", sensor))))
    chosen = study.choice(3)
    assert study.marched.candidates[chosen[0]].sensor.name == "old"
    assert np.abs(study.z[chosen[1:]] - 0.033).min() >= 0.015 - 1e-9


def test_a_pair_is_made_beside_a_fixed_thermocouple_too(tmp_path):
    sensor = '[[sensor]]\nname = "old"\nz = "33 mm"\n[thermocouple]\n'
    study = Study.of(load_plan(write(
        tmp_path, change=("[thermocouple]\n", sensor), pair=("most = 4", "most = 4\npairs = 1"))))
    chosen = study.choice(3)
    assert chosen[1] == chosen[2] != chosen[0]
    assert len(set(study.choice(2))) == 2


def test_the_whole_answer_of_the_small_plan(plan, pool, tmp_path, monkeypatch):
    monkeypatch.setattr(place_study, "BURNS", (1.0, 1.25))
    monkeypatch.setattr(place_study, "LAGS", (0.3,))
    monkeypatch.setattr(place_limit, "DRAWS", 5)
    result = place(plan, pool)
    document = result.document
    assert [r["thermocouples"] for r in document["against_number"]] == [1, 2, 3, 4]
    halves = [r["half_widths"][0] for r in document["against_number"]]
    assert halves == sorted(halves, reverse=True)
    assert [r["name"] for r in document["bore"]] == ["bare", "with"]
    for row in document["bore"]:
        assert row["limit_time_s"]["low"] < row["limit_time_s"]["estimate"]
        assert row["peak_K"]["low"] < row["peak_K"]["estimate"]
    assert document["limit"]["cause"]["what"] == "gas-side coefficient along the tube"
    assert document["caution"] in plan_text(document)
    assert document["slips"] == []
    assert result.exit_code == (5 if document["wants"][0]["half_width"] > 0.2 else 0)
    folder = result.save(tmp_path / "out")
    assert {p.stem for p in (folder / "figures").iterdir()} == {
        "along_tube", "against_number", "against_burn", "against_repeats", "logging", "worth"}
    assert len(result.tables["stations"]) == 3
    assert (folder / "report.html").read_text().count("<figure>") == 6


@pytest.fixture(scope="module")
def told(plan):
    """The plan with h known to 20 %, its bores at 1100 K, and draws of its bare firing."""
    h = replace(plan.case.fit.coefficient, sd=0.2 * plan.case.fit.coefficient.value)
    case = replace(plan.case, fit=replace(plan.case.fit, coefficient=h))
    runs = tuple(replace(r, cool_down=1.0) for r in plan.runs)
    plan = replace(plan, case=case, runs=runs)
    marched = Marched.unread(plan, candidates(plan)[::3])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(place_limit, "DRAWS", 33)
        return place_limit.bores(marched), place_limit.Drawn.of(marched, "bare")


def test_draws_of_a_bore_are_those_that_are_marched_one_by_one(told):
    drawn = told[1]
    followed, hottest = drawn.bore()
    for d in (0, 1, 20):
        x = drawn.x[:, d]
        at = WallBuilder(drawn.marched.unknowns, drawn.marched.resolution).at(x)[0]
        assert hottest[:, d].max() == pytest.approx(hottest_bore(drawn.run, x, at)[0], abs=0.5)
    assert followed.track.t[-1] == pytest.approx(4.0)


def test_the_time_to_the_limit_is_of_a_bare_bore(told):
    (rows, limit), drawn = told
    bare, dosed = rows
    assert dosed["peak_K"]["estimate"] < bare["peak_K"]["estimate"] < 1100.0
    assert dosed["limit_time_s"]["estimate"] == pytest.approx(
        bare["limit_time_s"]["estimate"], rel=1e-3)
    # Bore peaks at their own burn, read back as times: the same march.
    back = replace(drawn, x=drawn.x[:, :3]).limit_time(bare["peak_K"]["estimate"])
    assert back["estimate"] == pytest.approx(4.0, abs=0.05)
    assert limit["run"] in ("bare", "with")


def test_a_cautious_burn_rests_on_all_that_is_uncertain(told):
    (rows, limit), drawn = told
    times = rows[0]["limit_time_s"]
    assert rows[0]["cautious_s"] == pytest.approx(np.floor(7.0 * times["low"]) / 10.0)
    # With the level of h alone two standard deviations up it would be later by half.
    x = np.repeat(drawn.x[:, :1], 2, axis=1)
    x[drawn.marched.unknowns.curve("h")] += 2.0 * np.sqrt(np.log(1.04))
    of_level = replace(drawn, x=x).limit_time(1100.0)["estimate"]
    assert times["low"] < 0.8 * of_level < of_level < times["estimate"]
    assert limit["cause"]["low_without_s"] > times["low"]
    document = {"limit": limit, "bore": rows}
    assert len(place_limit.incautious(document)) == 2
    assert place_limit.incautious(document, 0.999 * rows[0]["cautious_s"] / 4.0) in ([], rows[1:])
    factors = place_limit.factors(rows)
    assert place_limit.incautious(document, factors["cautious"]) == []
    assert factors["limit"] * 4.0 == pytest.approx(times["estimate"], abs=0.1)


def test_a_burn_planned_beyond_the_limit_ends_with_5(plan, told):
    (rows, limit), _ = told
    for T, code in ((1100.0, 0), (750.0, 5)):
        document = {"wants": [{"half_width": 0.1}], "bore": rows,
                    "limit": limit | {"temperature_K": T}}
        assert Placement(document, plan).exit_code == code


def test_a_limit_never_reached_leaves_every_burn_cautious(plan, monkeypatch):
    monkeypatch.setattr(place_limit, "DRAWS", 5)
    gas = replace(plan.case.blends["neat"], gas_temperature=Quantity(900.0, 10.0))
    case = replace(plan.case, blends=plan.case.blends | {"neat": gas})
    cool = replace(plan, runs=plan.runs[:1], case=case)
    marched = Marched.unread(cool, candidates(cool)[::3])
    rows, limit = place_limit.bores(marched)
    assert rows[0]["limit_time_s"] == {"estimate": None, "low": None, "high": None}
    assert limit["cause"] is None
    assert place_limit.incautious({"limit": limit, "bore": rows}, 2.0) == []
    text = how_long({"limit": limit, "bore": rows, "against_burn": [], "goal": None},
                    {"unit": "1", "text": "h"})
    assert "stays below 827 °C for a minute by all that is stated" in text


@pytest.fixture(scope="module")
def one_stand(pool, tmp_path_factory):
    """The runs of a prediction, and the bores of a plan of the same stand and firings."""
    path = CASES / "first_firing" / "case.toml"
    text = path.read_text()
    runs = predict(load_case(path), None, pool).document["runs"]
    fired = "".join(
        f'[[run]]\nname = "{name}"\nblend = "{run["blend"]}"\nburn = "{run["burn_s"]} s"\n'
        f'pressure = "{run["plateau_pressure_Pa"]} Pa"\n' for name, run in runs.items())
    start, end = text.index("[pressure]"), text.index("[blend.neat]")
    own, fit = text.index("[[run]]"), text.index("[fit]")
    case = tmp_path_factory.mktemp("stand") / "case.toml"
    case.write_text(text[:start] + text[end:own] + fired + text[fit:]
                    + '[plan]\nwant = ["h"]\nthermocouples = 4\n')
    plan = load_plan(case)
    welded = [c for c in candidates(plan) if c.fixed]
    return runs, place_limit.bores(Marched.unread(plan, welded))[0]


@pytest.mark.slow
def test_a_plan_and_a_prediction_of_one_stand_agree(one_stand):
    runs, rows = one_stand
    for row in rows:
        of = runs[row["name"]]["bore_peak_K"]
        for key, off in (("estimate", 1.0), ("low", 15.0), ("high", 45.0)):
            assert row["peak_K"][key] == pytest.approx(of[key], abs=off)
        times = runs[row["name"]]["limits"]["limit"]["time_s"]
        assert row["cautious_s"] < times["low"]


@pytest.mark.slow
def test_the_lower_end_of_the_time_to_the_limit_is_that_of_a_prediction(one_stand):
    runs, rows = one_stand
    times = runs["R01"]["limits"]["limit"]["time_s"]
    assert rows[0]["limit_time_s"]["low"] == pytest.approx(times["low"], rel=0.2)


def test_a_plan_without_a_bare_firing_says_what_one_would_give(tmp_path, plan):
    text = write(tmp_path).read_text()
    start, end = text.index('[[run]]\nname = "bare"'), text.index('[[run]]\nname = "with"')
    only_dosed = load_plan(write(tmp_path, bare=(text[start:end], "")))
    study = Study.of(only_dosed)
    chosen = study.choice(3)
    added = place_study.bare_added(study, chosen)
    assert added["run"] == "bare, else as with"
    planned_so = Study.of(replace(plan, runs=tuple(replace(r, repeats=1) for r in plan.runs)))
    assert added["half_width"] == pytest.approx(planned_so.widths(chosen)[0], rel=1e-6)
    assert added["half_width"] < 0.6 * study.widths(chosen)[0]
    own = only_dosed.case.blends["dosed"]
    alone = replace(only_dosed, case=replace(only_dosed.case, blends={
        "dosed": replace(own, like=None)}))
    assert with_bare(alone, alone.runs[0]).runs[-1].blend == "dosed without dose"
    assert place_study.bare_added(Study.of(alone), chosen)["half_width"] < 0.2


def test_the_peak_of_the_bore_is_watched_wherever_it_may_be(tmp_path):
    want = ('want = ["R of dosed", "h"]', 'want = ["bore peak of bare"]')
    path = write(tmp_path, want=want, goal=('goal = "20 %"\n', ""),
                 apart=('apart = "15 mm"', 'apart = "10 mm"'), most=("most = 4", "most = 6"))
    study = Study.of(load_plan(path))
    wanted = study.wanted[0]
    low, high = wanted.within
    assert low <= wanted.z <= high
    assert wanted.value == pytest.approx(place_limit.hottest_of_plan(study.marched)[1])
    halves = [r["half_widths"][0] for r in place_study.against_number(study)]
    assert halves == sorted(halves, reverse=True)
    chosen = study.choice(3)
    assert np.ptp(study.z[chosen]) > 0.03
    for more in study.free:
        assert study.widths([*chosen, more])[0] <= study.widths(chosen)[0] * (1.0 + 1e-9)


@pytest.mark.parametrize(("old", "new", "message"), [
    ('burn = "4 s"\npressure = "5 bar"\ncool_down = "6 s"\nrepeats',
     'burn = "90 s"\npressure = "5 bar"\ncool_down = "6 s"\nrepeats',
     r"run\[bare\]\.burn: 90 s is beyond the range of validity"),
    ('wall = "4 mm"', 'wall = "6 m"', r"tube\.wall: a wall of 6000 mm is unusual"),
    ('1500 W/m^2/K', '1500 kW/m^2/K', r"fit\.coefficient: 1500000 W/m\^2/K is unusual"),
    ('limit_temperature = "1100 K"', 'limit_temperature = "3000 K"', r"above the solidus"),
])
def test_what_looks_like_a_slip_of_units_is_remarked(tmp_path, old, new, message):
    plan = load_plan(write(tmp_path, change=(old, new)))
    slips = planned_slips(plan.case, [(r.burn, r.pressure) for r in plan.runs])
    assert len(slips) == 1
    assert re.match(f"{re.escape(str(plan.case.path))}:\\d+: .*{message}", slips[0])


def test_a_slip_is_named_where_the_march_fails(tmp_path, pool):
    plan = load_plan(write(tmp_path, wall=('wall = "4 mm"', 'wall = "0.4 mm"')))
    with pytest.raises(CaseError, match=r"wall of 0\.4 mm") as seen:
        place(plan, pool)
    assert re.search(r":29: run\[bare\]\.burn: run bare, at \d+\.\d\d s after ignition: .* the "
                     r"wall reached \d+ to \d+ degC", seen.value.faults[-1])


def test_the_shipped_plan_can_be_read():
    plan = load_plan(CASES / "placement" / "case.toml")
    assert plan.wants[0].text == "R of D5_3"


@pytest.mark.parametrize(("text", "of"), [
    ("bore peak of low dose", ("low dose",)), ("R of dosed 3 %", ("dosed 3 %",)),
    ("R of lean - R of dosed 3 %", ("lean", "dosed 3 %")),
])
def test_names_with_spaces_can_be_wanted(text, of):
    assert want_of(text).of == of
