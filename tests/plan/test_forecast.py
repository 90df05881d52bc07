"""predict and whatif on a tiny campaign: what must get hotter does, what was marched agrees."""

from __future__ import annotations

import json
import resource
from copy import deepcopy
from pathlib import Path

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import write
from tests.cli.command import wallsim_here as command
from wallsim.errors import CaseError, InputError
from wallsim.estimate.unknowns import SCATTERING
from wallsim.plan import predict_words
from wallsim.plan.draws import Knowledge, save_posterior
from wallsim.plan.predict import _at_least
from wallsim.plan.predict_words import _limits
from wallsim.plan.whatif_file import load_question
from wallsim.report.forecast import basis, forecast_text, prediction_rows, whatif_rows
from wallsim.report.forecast_figures import _leaving

pytestmark = pytest.mark.usefixtures("coarse")
HEAD = 'case = "campaign"\ndraws = 5\nlimit = "900 K"\n'


@pytest.fixture(scope="module")
def folder(coarse, tmp_path_factory):
    """A campaign whose priors are narrow enough to stay in the table.

    Its limit is reached by a burn that goes on, so no firing passes it.
    """
    place = tmp_path_factory.mktemp("whatif")
    path = write(place / "campaign")
    text = path.read_text().replace("[fit]\n", '[fit]\ncoefficient = "1500 W/m^2/K +- 5 %"\n'
                                    'coefficient_variation = "0.02"\n'
                                    'limit_temperature = "1100 K"\n')
    path.write_text(text)
    return place


@pytest.fixture(scope="module")
def case(folder):
    return wallsim.load_case(folder / "campaign" / "case.toml")


@pytest.fixture(scope="module")
def predicted(case, pool):
    return wallsim.predict(case, executor=pool, draws=5)


@pytest.fixture(scope="module")
def as_fired(case, pool):
    return wallsim.whatif(case, executor=pool).document["firings"]


def ask(folder, pool, text, name="q.toml"):
    path = folder / name
    path.write_text(HEAD + text)
    return wallsim.whatif(path, executor=pool).document


def bore(firing):
    return firing["bore_peak_K"]["estimate"]


@pytest.fixture(scope="module")
def factorial(folder, pool):
    return ask(folder, pool, '[base]\nmetal = "carbon steel"\n[vary]\nblend = ["bare", "dosed"]\n'
               'wall = ["3 mm", "4 mm"]\npressure = ["5 bar", "7 bar"]\n', "f.toml")


def test_the_tubes_own_metal_named_changes_nothing(folder, pool):
    unnamed, named, other = ask(
        folder, pool, 'measurable = true\n[base]\nblend = "dosed"\n[[variant]]\nname = "unnamed"\n'
        '[[variant]]\nname = "named"\nmetal = "Carbon-Steel"\n'
        '[[variant]]\nname = "other"\nmetal = "stainless 321"\n', "own.toml")["firings"]
    assert named["changes"]["metal"] == "Carbon-Steel"
    for key in ("bore_peak_K", "limits", "measurable"):
        one, two, three = (np.array(list(_numbers(f[key]))) for f in (unnamed, named, other))
        np.testing.assert_allclose(one, two, rtol=1e-6)
        assert one.shape != three.shape or not np.allclose(one, three, rtol=1e-3)


def _numbers(value):
    if isinstance(value, dict):
        for each in value.values():
            yield from _numbers(each)
    elif isinstance(value, float):
        yield value


def test_every_combination_is_there(factorial):
    firings = factorial["firings"]
    assert len(firings) == 8
    seen = {(f["blend"], f["changes"]["wall"], f["changes"]["pressure"]) for f in firings}
    assert len(seen) == 8


def test_thin_walls_high_pressure_and_bare_bores_are_hotter(factorial):
    at = {(f["blend"], round(1e3 * f["changes"]["wall"]), round(1e-5 * f["changes"]["pressure"])):
          f for f in factorial["firings"]}
    for (blend, wall, pressure), f in at.items():
        if wall == 3:
            assert bore(f) > bore(at[blend, 4, pressure]) + 10.0
        if pressure == 7:
            assert bore(f) > bore(at[blend, wall, 5]) + 10.0
        if blend == "bare":
            assert bore(f) > bore(at["dosed", wall, pressure]) + 10.0
            assert f["deposit_surface_peak_K"] is None
        else:
            assert f["deposit_surface_peak_K"]["estimate"] > bore(f)
        assert f["outside_peak_K"]["estimate"] < bore(f)
        assert f["bore_peak_K"]["low"] < bore(f) < f["bore_peak_K"]["high"]


def test_the_limit_comes_later_in_thicker_walls(factorial):
    times = [f["limits"]["limit"]["time_s"]["estimate"] for f in factorial["firings"]
             if f["blend"] == "bare" and f["changes"]["pressure"] < 6e5]
    assert 0.0 < times[0] < times[1] < 60.0
    assert factorial["discretisation_error_K"] < 3.0


def test_the_error_of_a_predicted_peak_is_told_above_1_K_and_warned_of_above_5(predicted):
    document = deepcopy(predicted.document)
    runs = document["runs"]
    for error, told, warned in ((0.9, False, False), (4.9, True, False), (5.1, True, True)):
        for name, of_run in zip(runs, (0.1, error), strict=True):
            runs[name]["discretisation_error_K"] = of_run
        worst, whose = predict_words.coarsest(runs)
        document |= {"discretisation_error_K": worst, "discretisation_error_of": whose}
        said = f"discretisation error of a peak {error:.1f} K."
        assert basis(document).endswith(said) == told
        first = f"Temperatures are uncertain by up to {error:.1f} K ({list(runs)[1]}) through"
        assert any(line["level"] == "warning" and line["text"].startswith(first)
                   for line in predict_words.verdict(document)) == warned
    runs[name]["bore_peak_K"] = {"estimate": None, "low": 1400.0, "high": None}
    assert predict_words.coarsest(runs) == (0.1, next(iter(runs)))


def test_as_in_the_campaign_agrees_with_the_march_of_the_logged_firing(predicted, as_fired):
    """The march takes the pressure as logged, the what-if its plateau."""
    for run, firing in zip(predicted.document["runs"].values(), as_fired, strict=True):
        assert bore(firing) == pytest.approx(run["bore_peak_K"]["estimate"], abs=3.0)
        assert run["survival"]["margin"]["estimate"] == pytest.approx(
            firing["survival"]["margin"]["estimate"], rel=0.02)
        assert run["limits"].keys() == firing["limits"].keys()


def test_times_to_a_limit_are_of_the_burn_going_on_in_predict_as_in_whatif(predicted, as_fired):
    for run, firing in zip(predicted.document["runs"].values(), as_fired, strict=True):
        one, other = (each["limits"]["limit"]["time_s"] for each in (run, firing))
        assert one["estimate"] > run["burn_s"]
        assert one["estimate"] == pytest.approx(other["estimate"], rel=0.02)
    assert not any("passes your limit" in line["text"] for line in predicted.document["verdict"])


def test_prediction_at_the_truth_meets_the_log(predicted):
    """The logs were made with h = 1500, 2000 K, no lead loss, noise of 0.3 K, by eight rings."""
    frame = predicted.tables["r1"]
    for sensor in "AB":
        error = frame[f"{sensor} predicted [K]"] - frame[f"{sensor} measured [K]"]
        burning = frame["time_s"].between(0.5, 4.0)
        assert np.abs(error[burning]).max() < 4.0


def test_firings_one_after_the_other_start_hot_and_keep_the_deposit(folder, pool):
    bare, dosed = ask(folder, pool, '[base]\nfirings = 3\npause = "2 s"\n'
                      '[vary]\nblend = ["bare", "dosed"]\n')["firings"]
    peaks = [p["estimate"] for p in bare["bore_peak_by_firing_K"]]
    assert peaks[0] < peaks[1] < peaks[2] == bore(bare)
    gains = [a - b["estimate"]
             for a, b in zip(peaks, dosed["bore_peak_by_firing_K"], strict=True)]
    assert gains[0] < gains[1] < gains[2]


@pytest.fixture(scope="module")
def variants(folder, pool):
    doc = ask(folder, pool, '[base]\nblend = "bare"\n[[variant]]\nname = "none"\n'
              '[[variant]]\nname = "thick"\nresistance = "5e-4 m^2*K/W"\n'
              '[[variant]]\nname = "hosed"\ncooling = "2000 W/m^2/K"\n'
              '[[variant]]\nname = "wide"\nbore = "40 mm"\n'
              '[[variant]]\nname = "warm"\nstart = "200 degC"\n'
              '[[variant]]\nname = "other metal"\nmetal = "alloy 625"\n')
    return doc["firings"]


def test_stated_resistance_and_cooling(variants):
    none, thick, hosed, wide, warm, _ = variants
    assert bore(thick) < bore(none) - 100.0
    assert hosed["outside_peak_K"]["estimate"] < none["outside_peak_K"]["estimate"] - 50.0
    assert bore(wide) < bore(none)
    assert bore(warm) > bore(none) + 50.0


def test_metal_without_strength_is_not_assessed(variants):
    firing = variants[-1]
    assert not firing["survival"]["assessed"]
    assert firing["survival"]["margin"] is None
    assert firing["survival"]["note"] == "no strength table: not assessed"


def test_a_limit_below_the_end_of_the_table_is_passed_before_a_thin_wall_leaves_it(folder, pool):
    """A wall of 0.1 mm passes all of it within a step."""
    doc = ask(folder, pool, '[base]\nblend = "bare"\nwall = "0.1 mm"\n[[variant]]\nname = "one"\n'
              '[[variant]]\nname = "two"\nfirings = 2\npause = "1 s"\n')
    assert any("0 of 2 last" in line["text"] for line in doc["verdict"])
    for firing in doc["firings"]:
        times = firing["limits"]["limit"]["time_s"]
        ends = firing["survival"]["table_ends_s"]
        assert firing["bore_peak_K"]["estimate"] is None
        assert firing["survival"]["margin"]["high"] == 4.0
        if firing["name"] == "two":
            assert (ends, times["estimate"]) == (None, 0.0)
            assert firing["limits"]["limit"]["note"] == "passed in an earlier firing"
        else:
            assert 0.0 < times["estimate"] < ends["estimate"] < 1.0


def test_margin_falls_below_the_factor_while_the_burn_goes_on(variants):
    firing = variants[0]
    survival = firing["survival"]
    assert survival["margin"]["estimate"] > survival["factor"] == 4.0
    below = survival["below_factor_s"]["estimate"]
    assert below is None or below > firing["burn_s"]


def test_burns_that_go_on_as_one_fall_below_the_factor_at_one_time(folder, pool):
    """Their steps differ; the wall leaves its table within a step of falling below the factor."""
    doc = ask(folder, pool, 'factor = 4.5\n[base]\nblend = "bare"\npressure = "12 bar"\n'
              '[vary]\nburn = ["2 s", "3 s", "4 s", "5 s"]\n')
    survivals = [f["survival"] for f in doc["firings"]]
    for end in ("estimate", "low"):
        found = [s["below_factor_s"][end] for s in survivals]
        assert found == pytest.approx([found[0]] * len(found), rel=0.01)
    left = survivals[0]["table_ends_s"]["estimate"]
    assert 5.0 < survivals[0]["below_factor_s"]["estimate"] < left


def test_nothing_is_said_beyond_the_table_of_the_metal(folder, pool):
    """The table of carbon steel ends at 1200 degC; 12 s at 20 bar melt the wall."""
    doc = ask(folder, pool, '[base]\nburn = "12 s"\npressure = "20 bar"\n')
    firing = doc["firings"][0]
    assert firing["beyond_the_table"] == 1.0
    assert firing["bore_peak_K"] == {"estimate": None, "low": pytest.approx(1473.15), "high": None}
    assert firing["limits"]["solidus"]["time_s"]["estimate"] is None
    assert "whose end of 1200 °C" in firing["limits"]["solidus"]["note"]
    survival = firing["survival"]
    ends, below = survival["table_ends_s"]["estimate"], survival["below_factor_s"]["estimate"]
    assert 0.0 < ends < 12.0
    assert below is None or below <= ends
    assert not survival["assessed"]
    assert survival["margin"] == {"estimate": None, "low": None, "high": 4.0}
    assert survival["note"].startswith("not assessed: all 5 draws leave the table of carbon steel")
    (row,) = whatif_rows(doc)
    assert row["bore peak [°C]"] == "more than 1200"
    assert row["limit load over pressure, least"] == "less than 4"
    limit = firing["limits"]["limit"]["time_s"]
    assert 0.0 < limit["low"] < limit["estimate"] < limit["high"] < ends + 2.0
    assert limit["estimate"] < ends
    assert row["draws beyond the metal's table"] == "5 of 5"
    assert any("leaves the table of its metal" in line["text"] for line in doc["verdict"])
    assert doc["discretisation_error_K"] is None


@pytest.fixture(scope="module")
def scorched(folder, pool, tmp_path_factory):
    """A prediction from priors so wide that some draws, not the estimate, leave the table."""
    path = write(tmp_path_factory.mktemp("scorched") / "campaign", runs=(("r1", "bare"),))
    path.write_text(path.read_text().replace(
        "[fit]\n", '[fit]\ncoefficient = "3500 W/m^2/K +- 60 %"\n'))
    return wallsim.predict(wallsim.load_case(path), executor=pool, draws=21)


def test_a_prediction_says_from_when_on_draws_have_left_the_table(scorched):
    run, frame = scorched.document["runs"]["r1"], scorched.tables["r1"]
    told = run["leaves_the_table"]
    assert (told["of"], told["metal"], told["estimate_s"]) == (21, "carbon steel", None)
    assert 0 < told["draws"] < 11
    gone = frame["time_s"] > run["ignition_s"] + told["first_s"] + 0.1
    for sensor in "AB":
        assert frame[f"{sensor} high [K]"][gone].isna().all()
        assert frame[f"{sensor} low [K]"][gone].notna().all()
        assert frame[f"{sensor} high [K]"][~gone].notna().sum() > 10
    assert run["bore_peak_K"]["high"] is None
    assert run["bore_peak_K"]["low"] < run["bore_peak_K"]["estimate"] < 1473.15
    (row,) = prediction_rows(scorched.document)
    assert "(more than " in row["bore peak [°C]"]
    assert row["draws beyond the metal's table"] == (
        f"{told['draws']} of 21 (from {told['first_s']:.1f} s)")
    assert f"r1 from {told['first_s']:.1f} s on {told['draws']} of 21 draws" in "".join(
        line["text"] for line in scorched.document["verdict"])
    margin = run["survival"]["margin"]
    assert margin["low"] is None
    assert margin["estimate"] > 0.0
    assert "(less than " in row["limit load over pressure, least"]


def test_the_peak_of_a_prediction_lies_nowhere_below_the_curve(scorched, predicted):
    for run in (scorched.document["runs"]["r1"], *predicted.document["runs"].values()):
        for side in ("bore", "outside"):
            peak, curve = run[f"{side}_peak_K"], run[f"{side}_at_shutdown_K"]
            for end in ("low", "high"):
                known = [v for v in curve[end] if v is not None]
                assert peak[end] is None or peak[end] >= max(known, default=0.0)
    assert _at_least({"estimate": 5.0, "low": 4.0, "high": 6.0}, {
        "low": [4.5, None], "high": [7.0, 5.0]}) == {"estimate": 5.0, "low": 4.5, "high": 7.0}


def test_a_prediction_says_when_the_bore_passes_its_limits(folder, pool):
    """The limit of 700 K lies in the burn; the metal states no oxidation limit."""
    path = folder / "campaign" / "limited.toml"
    text = (folder / "campaign" / "case.toml").read_text()
    path.write_text(text.replace('"1100 K"', '"700 K"'))
    found = wallsim.predict(wallsim.load_case(path), executor=pool, draws=5, runs=("r1",))
    run = found.document["runs"]["r1"]
    limit = run["limits"]["limit"]
    assert limit["at_K"] == 700.0
    assert 0.0 < limit["time_s"]["low"] < limit["time_s"]["estimate"] < run["burn_s"]
    assert run["limits"]["solidus"]["time_s"]["low"] > run["burn_s"]
    assert found.exit_code == 5
    (row,) = prediction_rows(found.document)
    assert row["burn until solidus at 1425 °C [s]"].startswith("more than ")
    texts = {line["text"]: line["level"] for line in found.document["verdict"]}
    first = f"first at {limit['time_s']['estimate']:.1f} s, in r1"
    assert texts[f"The bore passes your limit of 427 °C: r1 ({first})."] == "bad"
    assert texts["No oxidation limit stated: carbon steel."] == "note"
    (kept,) = [t for t in texts if t.startswith("The bore stays below the solidus of ")]
    assert texts[kept] == "note"
    assert ", but beyond your limit of 427 °C (hottest " in kept


def test_a_limit_within_the_interval_of_the_bore_is_warned_of():
    later = {"estimate": 9.0, "low": 6.0, "high": 14.0}

    def run(estimate, high, limit=1100.0):
        return {
            "bore_peak_K": {"estimate": estimate, "low": 900.0, "high": high},
            "burn_s": 4.0, "limits": {"limit": {"at_K": limit, "time_s": later},
                                      "oxidation": {"at_K": 1400.0, "time_s": later}}}

    lines = _limits({"a": run(1000.0, 1150.0), "b": run(950.0, 1050.0)}, 0.0)
    assert lines == [
        ("warning", "The bore may pass your limit of 827 °C, by the intervals of its peak or of "
                    "the time to it: a."),
        ("note", "The bore stays below the oxidation limit of 1127 °C, but perhaps beyond your "
                 "limit of 827 °C (hottest 727 (627 to 877) °C, in a).")]
    good = ("good", "The bore stays below your limit of 827 °C and the oxidation limit of 1127 °C "
                    "(hottest 677 (627 to 777) °C, in b).")
    assert _limits({"b": run(950.0, 1050.0)}, 0.0) == [good]
    assert _limits({"b": run(950.0, 1090.0)}, 0.0)[0][0] == "good"
    assert _limits({"b": run(950.0, 1090.0)}, 0.18)[0][0] == "warning"
    assert _limits({"b": run(950.0, 1050.0) | {"burn_s": 6.5}}, 0.0)[0][0] == "warning"
    assert _limits({"b": run(950.0, 1050.0) | {"burn_s": 5.9}}, 0.18)[0][0] == "warning"


def test_oxidation_below_the_limit_that_the_owner_states_is_a_warning_beside_no_good():
    sooner, later = ({"estimate": s, "low": 0.8 * s, "high": 2.0 * s} for s in (3.0, 9.0))
    run = {"bore_peak_K": {"estimate": 1150.0, "low": 1100.0, "high": 1200.0}, "burn_s": 4.0,
           "limits": {"limit": {"at_K": 1250.0, "time_s": later},
                      "oxidation": {"at_K": 1140.0, "time_s": sooner}}}
    assert _limits({"a": run}, 0.0) == [
        ("warning", "The bore passes the oxidation limit of 867 °C: a (first at 3.0 s, in a)."),
        ("note", "The bore stays below your limit of 977 °C, but beyond the oxidation limit of 867 "
                 "°C (hottest 877 (827 to 927) °C, in a).")]
    alone = run | {"limits": {"oxidation": run["limits"]["oxidation"]}}
    assert [level for level, _ in _limits({"a": alone}, 0.0)] == ["bad"]


def test_figure_and_page_of_a_prediction_say_so_too(scorched, tmp_path):
    told = scorched.document["runs"]["r1"]["leaves_the_table"]
    page = (scorched.save(tmp_path / "p") / "report.html").read_text()
    assert "there is no band" in page
    assert _leaving(scorched.document["runs"]["r1"]) == (
        f"\nred: from {told['first_s']:.1f} s after ignition {told['draws']} of 21 draws leave the "
        "table of\ncarbon steel above 1200 °C: no band")


def test_intervals_of_few_draws_are_called_rough(folder, pool, factorial, scorched):
    assert factorial["rough_intervals"]
    assert "rough 95 % intervals of 5 draws only (an end is uncertain by about 50 %" in (
        basis(factorial))
    assert "rough 95 % intervals" in forecast_text("t", whatif_rows(factorial), factorial)
    assert not scorched.document["rough_intervals"]
    assert "; 95 % intervals of 21 draws (an end at a thermocouple is" in basis(scorched.document)


def test_a_fit_that_does_not_tell_R_leaves_to_the_prior_what_rests_on_it(
    folder, case, pool, tmp_path
):
    """The posterior is the prior here, as it is between h and R without a bare firing."""
    campaign = wallsim.load_campaign(case)
    known = Knowledge.stated(campaign)

    class Fitted:
        unknowns, x = known.unknowns, known.x
        covariance = known.root @ known.root.T

    save_posterior(Fitted, tmp_path)
    untold = {"identifiable": False, "upper_limit_only": False, "reason": "no bare firing"}
    (tmp_path / "result.json").write_text(json.dumps({
        "blends": {"bare": {"deposit": None}, "dosed": {"deposit": untold}}, "verdict": [],
        "fit": {"converged": True}}))
    (folder / "u.toml").write_text(
        HEAD + 'measurable = true\n[base]\nblend = "dosed"\n[[variant]]\nname = "thick"\n'
        'wall = "5 mm"\n[[variant]]\nname = "strong"\npressure = "7 bar"\n'
        '[[variant]]\nname = "bare"\nblend = "bare"\npressure = "7 bar"\n')
    asked = wallsim.whatif(folder / "u.toml", tmp_path, executor=pool)
    doc = asked.document
    thick, strong, bare = doc["firings"]
    assert (thick["prior_only"], strong["prior_only"], bare["prior_only"]) == ([], ["pressure"], [])
    for firing in (thick, strong):
        assert firing["bore_peak_K"]["estimate"] > 300.0
        assert firing["deposit_surface_peak_K"] is None
        assert firing["measurable"]["told"] is None
        assert firing["measurable"]["note"] == "R is not told by the fit"
    assert doc["verdict"][0]["level"] == "bad"
    assert asked.tables["firings"]["prior only"].tolist() == ["", "pressure", ""]
    assert "does not tell R from h (no bare firing)" in doc["verdict"][0]["text"]
    assert "Prior only, not to be relied on: strong (pressure)" in doc["verdict"][0]["text"]
    found = wallsim.predict(case, tmp_path, pool, draws=3).document
    assert "does not tell R from h" in found["verdict"][0]["text"]
    only = wallsim.predict(case, tmp_path, pool, draws=3, runs=("r1",)).document
    assert not any("does not tell" in line["text"] for line in only["verdict"])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[base]\nwal = "3 mm"\n', 'q.toml:5: base.wal: unknown key (got "wal"); did you mean'),
        ('[base]\nblend = "bear"\n', 'q.toml:5: base.blend: no such blend fired (got "bear")'),
        ('[vary]\nwall = "3 mm"\n', "vary.wall: must be a list or a range"),
        ('[vary]\nwall = { from = "3 mm", to = "5 mm" }\n', "a range has from, to and steps"),
        ('[base]\nmetal = "unobtainium"\n', "base.metal: unknown material"),
        ('[base]\nburn = "3"\n', "base.burn: has no unit"),
        ('[[variant]]\nwall = "3 mm"\n', "name: missing"),
    ],
)
def test_faults_name_their_place(folder, text, words):
    (folder / "q.toml").write_text(HEAD + text)
    with pytest.raises(CaseError) as caught:
        load_question(folder / "q.toml")
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_draws_of_a_firing_to_come_scatter_anew(case):
    known = Knowledge.stated(wallsim.load_campaign(case))
    names = known.unknowns.prior.names
    exact = Knowledge(known.unknowns, known.x, np.zeros_like(known.root), "test")
    own, shared = names["heating factor r1"], names["conductivity scale"]
    old, new = exact.draw(2001, firing=False), exact.draw(2001, firing=True)
    assert np.ptp(old[own]) == 0.0
    assert np.std(new[own]) == pytest.approx(known.unknowns.prior.parameters[own].sd, rel=0.05)
    assert np.ptp(new[shared]) == 0.0
    few = exact.draw(33, firing=True)
    every = [i for name, i in names.items() if name.startswith(SCATTERING) and name.endswith("r1")]
    sd = np.array([known.unknowns.prior.parameters[i].sd for i in every])
    assert np.cov(few[every]) == pytest.approx(np.diag(sd**2), abs=1e-12)
    assert few[names["heating factor r2"]] == pytest.approx(few[own])
    assert known.draw(7, firing=True).mean(axis=1) == pytest.approx(known.x, abs=1e-9)


def test_posterior_of_a_folder_is_read_or_refused(folder, case, tmp_path):
    campaign = wallsim.load_campaign(case)
    known = Knowledge.stated(campaign)

    class Fitted:
        unknowns, x = known.unknowns, known.x + 0.01
        covariance = known.root @ known.root.T

    save_posterior(Fitted, tmp_path)
    read = Knowledge.fitted(campaign, tmp_path)
    assert read.x == pytest.approx(Fitted.x)
    assert read.root @ read.root.T == pytest.approx(Fitted.covariance, abs=1e-8)
    with pytest.raises(InputError, match=r"no such folder; name the result folder of this"):
        Knowledge.fitted(campaign, tmp_path / "nowhere")
    (tmp_path / "other").mkdir()
    with pytest.raises(InputError, match=r"has no posterior\.npz; name the result folder"):
        Knowledge.fitted(campaign, tmp_path / "other")
    text = (folder / "campaign" / "case.toml").read_text()
    (tmp_path / "renamed").mkdir()
    for log in (folder / "campaign").glob("*.csv"):
        (tmp_path / "renamed" / log.name).write_text(log.read_text())
    (tmp_path / "renamed" / "case.toml").write_text(text.replace("dosed", "blended"))
    renamed = wallsim.load_case(tmp_path / "renamed" / "case.toml")
    with pytest.raises(InputError, match="belongs to another case"):
        Knowledge.fitted(wallsim.load_campaign(renamed), tmp_path)
    changed = (("growth", "linear"), ("gas", "2000 K +- 30 K"), ("material", "stainless 321"))
    for key, value in changed:
        other = wallsim.load_case(write(tmp_path / key, **{key: value}))
        with pytest.raises(InputError, match="belongs to another case"):
            Knowledge.fitted(wallsim.load_campaign(other), tmp_path)


def test_unknown_run_is_refused(case, pool):
    with pytest.raises(InputError, match="no run r9; known: r1, r2"):
        wallsim.predict(case, executor=pool, runs=("r9",))


@pytest.mark.slow
def test_prediction_as_a_command(folder):
    done = command("predict", folder / "campaign", "--run", "r1", "--out", folder / "p", "-q")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert {p.name for p in (folder / "p").iterdir()} == {
        "result.json", "report.html", "readings", "figures"}


def test_whatif_as_a_command(folder):
    (folder / "whatif.toml").write_text(
        HEAD + '[vary]\nwall = ["3 mm", "5 mm"]\npressure = ["5 bar", "6 bar"]\n')
    done = command("whatif", folder, "--out", folder / "w", "--json")
    assert done.returncode == 0
    assert len(json.loads(done.stdout)["firings"]) == 4
    page = (folder / "w" / "report.html").read_text()
    assert "licensed practice" in page
    assert (folder / "w" / "figures" / "map_bore.png").is_file()


@pytest.mark.slow
def test_a_thousand_firings_in_a_minute_of_two_cores(folder):
    """Counted in processor time, so that a shared machine can tell."""
    path = folder / "many.toml"
    path.write_text('case = "campaign"\n[vary]\nwall = { from = "3 mm", to = "6 mm", steps = 25 }\n'
                    'pressure = { from = "4 bar", to = "7 bar", steps = 40 }\n')

    def spent():
        return sum(sum(resource.getrusage(who)[:2])
                   for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))

    before = spent()
    assert len(wallsim.whatif(path).document["firings"]) == 1000
    assert spent() - before < 120.0


@pytest.mark.parametrize("name", ["thicker_tube", "other_metal", "survival_map"])
def test_shipped_whatifs_are_sound(name):
    question = load_question(Path(__file__).parents[2] / "cases" / name)
    assert question.case.title.startswith("burner lance L24")
    assert len(question.changes) >= 4
