"""Which firing next: the file, the chances, the response of new blends, the information."""

import json
import re
import shutil
import tomllib
from copy import deepcopy
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

import wallsim
from tests.cli.command import wallsim as command
from tests.cli.command import wallsim_here
from tests.plan.small_question import ask
from tests.statistics.campaigns import Here
from wallsim.build import load_campaign
from wallsim.errors import CaseError, InputError
from wallsim.estimate.joint import estimate_jointly
from wallsim.estimate.readouts import AlongTube, log_mean
from wallsim.estimate.run_model import Resolution
from wallsim.plan.draws import Knowledge, save_posterior
from wallsim.plan.next_document import _recommend
from wallsim.plan.next_file import NewBlend, load_next
from wallsim.plan.next_model import Outlook, lasting, run_of
from wallsim.plan.next_response import Response, _columns
from wallsim.plan.next_study import settled
from wallsim.plan.next_words import answers, mixture
from wallsim.plan.told import Told
from wallsim.plan.whatif_file import Change, WhatIf
from wallsim.report import render
from wallsim.report.pages import answer_lines
from wallsim.rounding import chance_text, parts_text, per_cent
from wallsim.units import Quantity

pytestmark = pytest.mark.usefixtures("coarse")
CASES = Path(__file__).parents[2] / "cases"
NEW = '[new]\nsilicon = ["0.5 %", "3 %"]\n'


@pytest.mark.parametrize(("n0", "n", "mean"), [(4.0, 6.0, 1.2), (2.0, 20.0, 0.3), (9.0, 1.0, -1.1)])
def test_chance_of_a_normal_mean_is_the_closed_form_of_its_bayesian_power(n0, n, mean):
    """Prior N(mean, 1/n0), n values of unit variance, interval of 95 % above nothing.

    Spiegelhalter, Abrams & Myles 2004, Bayesian Approaches to Clinical Trials and Health-Care
    Evaluation, section 6.5 (from memory):
    Phi(sqrt(n0 + n) sqrt(n0) mean / sqrt(n) - sqrt(n0/n) z).
    """
    z = norm.ppf(0.975)
    expected = norm.cdf(np.sqrt((n0 + n) * n0 / n) * mean - np.sqrt(n0 / n) * z)
    got = settled(np.array([mean]), np.array([[1.0 / n0]]), np.array([[1.0 / (n0 + n)]]), 0.0, z)
    assert got.above == pytest.approx(expected, rel=1e-12)


def test_chance_is_the_share_of_updated_intervals_that_leave_the_value_out():
    rng, m, v, noise, value, draws = np.random.default_rng(3), 0.4, 0.09, 0.16, 0.1, 200000
    truth = m + np.sqrt(v) * rng.standard_normal(draws)
    seen = truth + np.sqrt(noise) * rng.standard_normal(draws)
    w = 1.0 / (1.0 / v + 1.0 / noise)
    mean, half = w * (m / v + seen / noise), norm.ppf(0.975) * np.sqrt(w)
    got = settled(np.array([m]), np.array([[v]]), np.array([[w]]), value, norm.ppf(0.975))
    assert got.above == pytest.approx(np.mean(mean - half > value), abs=0.004)
    assert got.below == pytest.approx(np.mean(mean + half < value), abs=0.004)
    assert got.settled == got.above + got.below


def test_what_tells_nothing_leaves_the_decision_as_it_is():
    C = np.array([[0.01]])
    assert settled(np.array([0.3]), C, C, 0.0, 1.96).above == 1.0
    assert settled(np.array([-0.3]), C, C, 0.0, 1.96).below == 1.0
    assert settled(np.array([0.1]), C, C, 0.0, 1.96).settled == 0.0


def test_of_several_blends_one_above_is_enough_and_all_must_be_below():
    now, after = np.diag([0.09, 0.09]), np.diag([0.01, 0.01])
    one = [settled(np.array([m]), now[:1, :1], after[:1, :1], 0.0, 1.96) for m in (0.2, -0.1)]
    both = settled(np.array([0.2, -0.1]), now, after, 0.0, 1.96)
    assert both.above == pytest.approx(1.0 - (1.0 - one[0].above) * (1.0 - one[1].above), abs=0.01)
    assert both.below == pytest.approx(one[0].below * one[1].below, abs=0.01)
    sure = settled(np.array([9.0, 9.0]), now, after, 0.0, 1.96)
    assert (0.999 < sure.above < 1.0, 0.0 < sure.below < 0.001) == (True, True)  # draws are finite
    same = settled(np.array([0.2, 0.2]), np.full((2, 2), 0.09), np.full((2, 2), 0.01), 0.0, 1.96)
    assert same.above == pytest.approx(one[0].above, abs=0.01)


def response(R, scatter=0.1):
    silicon = np.array([0.005, 0.01, 0.02, 0.03])[: len(R)]
    X = np.column_stack((np.ones(len(R)), silicon))
    fractions = np.column_stack((silicon, np.zeros(len(R))))
    return Response(tuple("abcd"[: len(R)]), ("constant", "silicon"), np.array(R),
                    0.2 * np.eye(len(R)), np.linalg.pinv(X), fractions, scatter)


def test_expected_R_of_a_new_blend_lies_on_the_line_with_its_gradient():
    r = response([0.6e-4, 1.1e-4, 2.1e-4, 3.1e-4])
    blend = NewBlend("new", 0.025, 0.0, "c")
    expected = r.expected(blend, None)
    assert float(expected.value) == pytest.approx(2.6e-4)
    step = 1e-6
    for i in range(4):
        R = r.R.copy()
        R[i] *= np.exp(0.2 * step)
        changed = float(response(R).expected(blend, None).value)
        assert np.log(changed / 2.6e-4) / step == pytest.approx(expected.gradient[i], rel=1e-4)


def test_departures_of_new_blends_are_those_of_refitted_lines():
    r = response([0.6e-4, 1.1e-4, 2.1e-4, 3.1e-4])
    new = [NewBlend("x", 0.015, 0.0, "b"), NewBlend("y", 0.04, 0.0, "d")]
    rng, draws = np.random.default_rng(1), 100000
    fired = r.R * (1.0 + 0.1 * rng.standard_normal((draws, 4)))
    line = np.array([r.weights(b) for b in new]) @ r.R
    error = (fired @ np.array([r.weights(b) for b in new]).T - line) / line
    error -= 0.1 * rng.standard_normal((draws, 2))
    assert r.departures(new) == pytest.approx(np.cov(error.T), rel=0.03)
    assert r.beyond(new[0]) == 0.0
    assert r.beyond(new[1]) == pytest.approx(0.4)


@pytest.mark.parametrize(("silicon", "water", "terms"), [
    ([0.005, 0.01, 0.02], [0.0, 0.0, 0.0], ["constant", "silicon"]),
    ([0.005, 0.01, 0.02, 0.01], [0.0, 0.0, 0.0, 0.2], ["constant", "silicon", "water"]),
    ([0.005, 0.01], [0.2, 0.2], ["silicon"]),
    ([0.01, 0.01, 0.01], [0.0, 0.0, 0.0], ["silicon"]),
    ([0.01], [0.0], ["silicon"]),
    ([0.005, 0.01, 0.01], [0.2, 0.2, 0.0], "water varies among too few"),
    ([0.005, 0.01, 0.015, 0.02], [0.05, 0.1, 0.15, 0.2], "silicon and water vary together"),
    ([0.0, 0.0], [0.0, 0.0], "silicon is not stated of each"),
    ([], [], "no blend cannot tell"),
])
def test_too_few_blends_are_taken_in_proportion_to_silicon_or_refused(silicon, water, terms):
    new = tuple(NewBlend("new", 0.01, w, "a") for w in water[:1])
    question, names = SimpleNamespace(path="q.toml", new=new), list("abcd"[: len(silicon)])
    fractions = np.column_stack((silicon, water)).reshape(-1, 2)
    if isinstance(terms, list):
        assert list(_columns(question, names, fractions)) == terms
        return
    with pytest.raises(InputError, match=terms):
        _columns(question, names, fractions)


def test_a_blend_of_other_water_than_all_that_have_a_value_is_refused():
    question = SimpleNamespace(path="q.toml", new=(NewBlend("wet", 0.01, 0.2, "a"),))
    with pytest.raises(InputError, match=r"q\.toml: new\.water: a, b have one water, so what it "
                                         "does to the R of wet is not known"):
        _columns(question, ["a", "b"], np.array([[0.01, 0.0], [0.02, 0.0]]))


def test_a_blend_beyond_a_single_fired_one_is_so_by_its_own_silicon():
    one = Response(("a",), ("silicon",), np.array([1e-4]), np.ones((1, 1)),
                   np.array([[100.0]]), np.array([[0.01, 0.0]]), 0.2)
    blend = NewBlend("new", 0.015, 0.0, "a")
    assert float(one.expected(blend, None).value) == pytest.approx(1.5e-4)
    assert one.beyond(blend) == pytest.approx(0.5)
    assert one.beyond(NewBlend("less", 0.004, 0.0, "a")) == 0.0
    assert one.departures([blend]) == pytest.approx(2.0 * 0.2**2)


def test_a_line_that_gives_no_positive_R_is_refused():
    r = response([0.2e-4, 1.0e-4, 2.6e-4])
    with pytest.raises(InputError, match=r"q.toml: new.silicon: .* no positive R at 0.1 % silicon"):
        r.expected(NewBlend("new", 0.001, 0.0, "a"), SimpleNamespace(path="q.toml"))


def test_repeats_are_as_many_firings_stacked_each_with_its_own_scatter():
    rng, common, own, n = np.random.default_rng(5), 3, 2, 3
    J = rng.standard_normal((20, common + own))
    whole = np.zeros((20 * n, common + n * own))
    for k in range(n):
        rows = slice(20 * k, 20 * (k + 1))
        whole[rows, :common] = J[:, :common]
        whole[rows, common + own * k : common + own * (k + 1)] = J[:, common:]
    expected = np.linalg.inv(whole.T @ whole + np.eye(common + n * own))[:common, :common]
    M = J.T @ J
    inside = np.linalg.inv(M[common:, common:] + np.eye(own))
    M = M[:common, :common] - M[:common, common:] @ inside @ M[common:, :common]
    outlook = Outlook(None, None, None, np.empty(0), np.arange(common), None, {"b": M}, {})
    assert outlook.covariance(np.eye(common), {"b": n}) == pytest.approx(expected)


@pytest.mark.parametrize(("change", "words"), [
    ({"blend": "dose"}, 'decision.blend: no such fired blend with a deposit (got "dose"); did you '
                        'mean "dosed"?'),
    ({"above": "-1 mm^2*K/W"}, "decision.above: must be above 0 mm^2*K/W"),
    ({"above": "100 mm"}, "decision.above: 'mm' is not a unit of the kind"),
    ({"more": 'confidence = "40 %"'}, "decision.confidence: must be above 0.5"),
    ({"new": 'like = "r9"\n'}, 'firing.like: no such run (got "r9")'),
    ({"new": 'burn = "900 s"\n'}, "firing.burn: must be 60 s or less"),
    ({"new": 'blends = ["wet"]\n'}, 'firing.blends[1]: no such fired blend (got "wet")'),
    ({"new": "blends = []\n"}, "firing.blends: leaves nothing to choose from"),
    ({"new": '[new]\nsilicon = "2 %"\n'}, "new.silicon: must be a pair"),
    ({"new": '[new]\nsilicon = ["3 %", "2 %"]\n'}, "new.silicon: ends before it starts"),
    ({"new": NEW + 'water = ["0 %", "5 %"]\n'},
     "new.water: all fired blends have 0 % water, so what more or less does is not known"),
    ({"new": NEW + '[[new.blend]]\nname = "x"\nsilicon = "4 %"\n'},
     'new.blend[x].silicon: outside the bounds of new.silicon, 0.5 % to 3 % (got "4 %")'),
    ({"new": NEW + '[[new.blend]]\nname = "bare"\nsilicon = "2 %"\n'},
     'new.blend[bare].name: used twice (got "bare")'),
])
def test_a_question_with_a_fault_is_refused_in_one_line(tmp_path, change, words):
    path = ask(tmp_path, rows=["0"], **change)
    with pytest.raises(CaseError) as caught:
        load_next(path)
    [line] = caught.value.faults
    assert line.startswith(f"{path}:")
    assert words in line


def test_steps_make_a_grid_between_the_bounds_and_the_file_is_found_in_its_folder(tmp_path):
    ask(tmp_path, rows=["0"], new='[new]\nsilicon = ["1 %", "3 %"]\nsteps = 3\n')
    question = load_next(tmp_path)
    assert [b.silicon for b in question.new] == pytest.approx([0.01, 0.02, 0.03])
    assert {b.like for b in question.new} == {"dosed"}
    assert (question.like, question.fired) == ("r2", ("bare", "dosed"))
    assert question.scatter == Quantity(0.2, 0.1, "20 % +- 10 %")


def test_R_of_a_new_blend_is_known_as_the_line_and_its_departure_say(tmp_path):
    """Prior in place of a fit: mean, variance and covariance with the blends of the line."""
    path = ask(tmp_path, new='blends = ["bare"]\n[new]\nsilicon = ["2.5 %", "2.5 %"]\n',
               runs=(("r1", "bare"), ("r2", "dosed"), ("r3", "more"), ("r4", "most")))
    file = tmp_path / "campaign" / "case.toml"
    blends = "".join(
        f'[blend.{name}]\nlike = "bare"\nsilicon = "{silicon} %"\n'
        f'deposit = {{ growth = "auto", resistance = "{R}e-4 m^2*K/W +- 30 %" }}\n'
        for name, silicon, R in (("more", 2, 2.1), ("most", 3, 2.9)))
    text = file.read_text().replace('deposit = {', 'silicon = "1 %"\ndeposit = {')
    file.write_text(text.replace("[fit]", f"{blends}[fit]"))
    question = load_next(path)
    campaign = load_campaign(question.case)
    fired = ["dosed", "more", "most"]
    outlook = Outlook.of(question, campaign, Knowledge.stated(campaign), fired, Here())
    [blend] = question.new
    every = [outlook.mean_resistance(name) for name in fired]
    new, w = outlook.mean_resistance(blend.name), outlook.response.weights(blend)
    R = np.array([float(np.exp(one.estimate)) for one in every])
    assert outlook.response.R == pytest.approx(R, rel=1e-3)
    assert float(np.exp(new.estimate)) == pytest.approx(w @ R, rel=1e-3)
    line = (w * R) @ np.array([one.gradient for one in every]) / (w @ R)
    expected = line @ line + outlook.response.departures([blend])[0, 0]
    assert new.gradient @ new.gradient == pytest.approx(expected, rel=1e-2)
    for one in every:
        assert new.gradient @ one.gradient == pytest.approx(line @ one.gradient, rel=2e-2)
    assert outlook.response.scatter == pytest.approx(0.2, rel=0.35)
    told = outlook.covariance(new.gradient[None], {blend.name: 1})[0, 0]
    assert told < expected
    assert set(outlook.information) == {"bare", blend.name}


@pytest.fixture(scope="module")
def fitted(coarse, tmp_path_factory):
    folder = tmp_path_factory.mktemp("q")
    path = ask(folder, more='chance = "99.9 %"')
    campaign = load_campaign(wallsim.load_case(folder / "campaign" / "case.toml"))
    fit = estimate_jointly(campaign, Here(), resolution=Resolution(1, 8, 0.4))
    (folder / "fit").mkdir()
    save_posterior(fit, folder / "fit")
    told = {"identifiable": True, "upper_limit_only": False}
    blends = {"bare": {"deposit": None}, "dosed": {"deposit": told}}
    bad = [{"level": "bad", "text": "a bad trace"}]
    said = {"blends": blends, "verdict": bad, "fit": {"converged": True}}
    (folder / "fit" / "result.json").write_text(json.dumps(said))
    along = AlongTube.of(fit)
    earlier = float(along.growth("dosed", np.array([2.0])).value[0])
    return path, log_mean(along.resistance("dosed")).interval(fit.covariance), earlier


@pytest.fixture(scope="module")
def answer(fitted):
    return wallsim.next_firing(fitted[0], fitted[0].parent / "fit", executor=Here())


def test_the_decision_starts_from_the_interval_of_the_fit(fitted, answer):
    R = fitted[1]
    now = answer.document["decision"]["now"]
    assert now["mean_resistance_m2K_W"] == pytest.approx(R, rel=1e-6)
    sd = np.log(R["high"] / R["low"]) / (2.0 * norm.ppf(0.975))
    assert now["chance_above"] == pytest.approx(norm.cdf(np.log(R["estimate"] / 1.2e-4) / sd))


def test_all_burn_as_long_as_stated_and_R_is_that_at_the_end(fitted, answer, tmp_path):
    text = fitted[0].read_text().replace("campaign", str(fitted[0].parent / "campaign"))
    (tmp_path / "next.toml").write_text(text.replace("[firing]", '[firing]\nburn = "2 s"'))
    short = wallsim.next_firing(tmp_path, fitted[0].parent / "fit", executor=Here()).document
    assert short["firing"]["burn_s"] == 2.0
    assert answer.document["firing"]["burn_s"] == pytest.approx(4.0, abs=0.1)
    now = [d["decision"]["now"]["mean_resistance_m2K_W"] for d in (short, answer.document)]
    assert now[0]["estimate"] == pytest.approx(fitted[2], rel=1e-2)
    tells = [{row["blend"]: row["steps"][0]["narrower_by"] for row in d["candidates"]}
             for d in (short, answer.document)]
    assert tells[0] != tells[1]
    [words] = [a["text"] for a in short["answers"] if a["question"] == "At which burn?"]
    assert words == "All firings to come, and every R, are for a burn of 2 s."
    assert "above 120 mm²K/W after a burn of 2 s" in short["answers"][0]["text"]
    [words] = [a["text"] for a in answer.document["answers"] if a["question"] == "At which burn?"]
    assert "the longest logged with a deposit" in words


def test_a_longer_burn_keeps_the_record_after_shutdown_and_what_was_lost_stays_lost(fitted):
    campaign = load_campaign(load_next(fitted[0]).case)
    whole = campaign.firings[1]
    n = int(np.searchsorted(whole.traces[0].t, 2.0))
    cut = replace(whole.traces[0], index=whole.traces[0].index[:n], t=whole.traces[0].t[:n],
                  T=whole.traces[0].T[:n])
    firing = replace(whole, traces=(cut, whole.traces[1]))
    for burn in (3.0, whole.burn, 7.0):
        other = lasting(firing, burn)
        lost, kept = other.traces
        assert other.end - burn == pytest.approx(whole.end - whole.burn)
        assert lost.t[-1] == pytest.approx(cut.t[-1], abs=0.1)
        assert kept.t[-1] == pytest.approx(whole.traces[1].t[-1] + burn - whole.burn, abs=0.2)
        assert (np.diff(kept.index) == 1).all()
    for one, other in zip(whole.traces, lasting(whole, whole.burn).traces, strict=True):
        np.testing.assert_array_equal(one.index, other.index)


def test_more_firings_tell_more_and_mixes_are_no_worse_than_one_blend(answer):
    document = answer.document
    assert {row["blend"] for row in document["candidates"]} == {"bare", "dosed"}
    for row in document["candidates"]:
        narrower = [s["narrower_by"] for s in [*row["steps"], row["without_end"]]]
        assert 0.0 < narrower[0]
        assert narrower == sorted(narrower)
    for n, mix in enumerate(document["mixes"]):
        best = max(row["steps"][n]["chance"] for row in document["candidates"])
        assert mix["chance"] >= best - 1e-3
        assert mix["total"] == n + 1


def test_what_it_leaves_behind_and_how_it_ends(answer, tmp_path):
    folder = answer.save(tmp_path / "out")
    assert json.loads((folder / "result.json").read_text()) == json.loads(answer.to_json())
    assert {p.name for p in (folder / "figures").iterdir()} == {"chance.png", "intervals.png"}
    assert {p.name for p in (folder / "tables").iterdir()} == {"firings.csv", "mixes.csv"}
    page = (folder / "report.html").read_text()
    assert page.count("<figure>") == 2
    assert "What to fire next?" in page
    assert "the chances no more than it: a bad trace" in page
    assert render(folder).read_text() == page
    assert len(answer.tables["firings"]) == 2 * 4
    below = answer.document["recommended"]["chance"] < 0.999
    settled = answer.document["decision"]["now"]["settled"]
    assert answer.exit_code == (5 if below and not settled else 0)
    assert ("is not reached" in answer.document["answers"][0]["text"]) == (
        below and not answer.document["decision"]["now"]["settled"])


def test_a_fit_that_does_not_tell_the_R_asked_for_is_refused(fitted, tmp_path):
    path = fitted[0]
    fit = shutil.copytree(path.parent / "fit", tmp_path / "fit")
    said = json.loads((fit / "result.json").read_text())
    said["blends"]["dosed"]["deposit"] |= {"identifiable": False, "reason": "Add a bare firing"}
    (fit / "result.json").write_text(json.dumps(said))
    with pytest.raises(InputError) as caught:
        wallsim.next_firing(path, fit, executor=Here())
    assert str(caught.value) == (
        f"{path}: decision.blend: the fit does not tell the R of dosed, so any chance would be "
        "that of what was assumed beforehand: Add a bare firing; fit again with that, then ask")
    best = tmp_path / "next.toml"
    text = path.read_text().replace("campaign", str(path.parent / "campaign"))
    best.write_text(text.replace('blend = "dosed"', 'blend = "best blend"'))
    with pytest.raises(InputError, match="none is best; dosed: Add a bare firing"):
        wallsim.next_firing(best, fit, executor=Here())


def test_new_blends_need_blends_that_tell_how_R_follows_silicon(fitted, tmp_path):
    folder = fitted[0].parent
    text = fitted[0].read_text().replace("campaign", str(folder / "campaign"))
    (tmp_path / "next.toml").write_text(text + NEW)
    with pytest.raises(InputError, match=r"new\.response: dosed cannot tell how R follows silicon: "
                                         "silicon is not stated of each"):
        wallsim.next_firing(tmp_path, folder / "fit", executor=Here())


def test_the_command_refuses_a_folder_without_a_fit(fitted, tmp_path):
    done = wallsim_here("next", fitted[0], "--from", tmp_path, "--out", tmp_path / "p")
    assert done.returncode == 3
    said = done.stderr.splitlines()
    assert said[-1] == f"{tmp_path}: has no result.json; name the folder of a fit"
    assert not (tmp_path / "p").exists()


@pytest.mark.slow
def test_the_command_prints_one_document_and_leaves_the_folder(fitted, tmp_path):
    path = fitted[0]
    done = command("next", path, "--from", path.parent / "fit", "--out", tmp_path / "o", "--json")
    document = json.loads(done.stdout)
    done_with = document["decision"]["now"]["settled"] or document["recommended"]["chance"] >= 0.999
    assert done.returncode == (0 if done_with else 5), done.stderr
    assert json.loads((tmp_path / "o" / "result.json").read_text()) == document


def test_a_folder_that_holds_no_fit_is_refused(tmp_path):
    (tmp_path / "result.json").write_text('{"firings": []}')
    with pytest.raises(InputError, match="is not the result of a fit"):
        Told.by(tmp_path)


def test_what_is_settled_beyond_the_logs_is_a_warning_with_the_firing_that_would_tell(answer):
    document = deepcopy(answer.document)
    document["decision"]["now"]["settled"] = True
    first, *rest = answers(document)
    assert first["level"] == "good"
    assert first["text"].startswith("Nothing is needed: the campaign settles")
    for row, narrower in zip(document["candidates"], (0.004, 0.19), strict=True):
        row["steps"][0] |= {"narrower_by": narrower, "chance": 1.0 - narrower}
    other = document["candidates"][1]["blend"]
    assert answers(document)[0]["text"].endswith(
        f" If anything, fire {other} once: the interval gets 19 % narrower; the chance that it "
        "stays settled is 81 %.")
    _recommend(document)
    assert document["recommended"]["blend"] == other
    document["candidates"][0]["steps"][0]["narrower_by"] = 0.008
    assert "If anything" not in answers(document)[0]["text"]
    assert "What is the next best?" not in {answer["question"] for answer in rest}
    document["firing"]["burn_s"] = 20.0
    first = answers(document)[0]
    assert first["level"] == "warning"
    assert first["text"].startswith(
        "By growth as fitted, beyond the logs (dosed up to 4 s), the campaign settles")
    assert "fire dosed once for 20 s" in first["text"]
    assert "Nothing is needed" not in first["text"]
    assert answer_lines({"answers": [first]})[1].startswith("    Warning: By growth as fitted")


def with_limit(document, bare, dosed, at=1150.0):
    """The document with a limit, and peaks and times of both blends."""
    document["limit"] = {"words": "your limit of 877 °C", "at_K": at}
    for row in document["candidates"]:
        peak, time = bare if row["blend"] == "bare" else dosed
        ends = ("estimate", "low", "high")
        row["bore"] = {"bore_peak_K": dict(zip(ends, peak, strict=True)),
                       "time_to_limit_s": time and dict(zip(ends, time, strict=True))}
    return document


def test_firings_beyond_the_limit_are_said_on_top(answer):
    best = answer.document["recommended"]["blend"]
    hot, cool = ((1200.0, 1180.0, 1220.0), (18.3, 17.1, 19.5)), ((1000.0, 980.0, 1020.0), None)
    near = ((1140.0, 1120.0, 1160.0), (20.4, 18.9, 22.0))
    of = {"bare": (hot, cool), "dosed": (cool, hot)}
    first, second, *_ = answers(with_limit(deepcopy(answer.document), *of[best]))
    assert (first["level"], first["question"]) == ("bad", "Beyond the limit")
    assert first["text"] == (
        f"A burn of 4 s takes the bore beyond your limit of 877 °C: {best}, peak 927 (907 to 947) "
        "°C, the limit after 18.3 (17.1 to 19.5) s. Ask again with a shorter burn under [firing].")
    assert second["question"] == "What to fire next?"
    assert "ire " + best not in second["text"]
    first, *_ = answers(with_limit(deepcopy(answer.document), near, near))
    assert first["level"] == "warning"
    assert "may take the bore beyond your limit of 877 °C: " in first["text"]
    assert "20.4 (18.9 to 22.0) s" in first["text"]
    first, *_ = answers(with_limit(deepcopy(answer.document), cool, cool))
    assert first["question"] == "What to fire next?"


def test_no_firing_beyond_the_limit_is_advised(answer):
    hot, cool = ((1200.0, 1180.0, 1220.0), (3.3, 3.1, 3.5)), ((1000.0, 980.0, 1020.0), None)
    for known in (True, False):
        for burn in (4.0, 20.0):
            document = with_limit(deepcopy(answer.document), hot, hot)
            document["decision"]["now"]["settled"] = known
            document["firing"]["burn_s"] = burn
            said = {a["question"]: a["text"] for a in answers(document)}
            assert "fire " not in said["What to fire next?"].lower()
    assert said["What to fire next?"].startswith("Not as asked: ")
    assert "Ask again with a shorter burn." in said["What to fire next?"]
    best = document["recommended"]["blend"]
    some = {"bare": (hot, cool), "dosed": (cool, hot)}[best]
    document = with_limit(deepcopy(answer.document), *some)
    document["decision"]["now"]["settled"] = False
    other = {"bare": "dosed", "dosed": "bare"}[best]
    text = {a["question"]: a["text"] for a in answers(document)}["What to fire next?"]
    assert f"Of those that keep it fire {other} " in text


def test_a_time_whose_lower_end_lies_in_the_burn_and_oxidation_are_warned_of(answer):
    sure = ((1000.0, 980.0, 1020.0), (5.0, 4.05, 6.0))
    early = ((1000.0, 980.0, 1020.0), (5.0, 3.9, 6.0))
    of_draws = answers(with_limit(deepcopy(answer.document), sure, sure))[0]
    assert of_draws["text"].startswith("A burn of 4 s may take the bore beyond your")
    assert answer.document["interval_error"] == pytest.approx(0.1)
    exact = deepcopy(answer.document) | {"interval_error": 0.0}
    assert answers(with_limit(exact, sure, sure))[0]["question"] == "What to fire next?"
    document = with_limit(deepcopy(answer.document), early, early)
    assert answers(document)[0]["text"].startswith("A burn of 4 s may take the bore beyond your")
    document = with_limit(exact, sure, sure) | {"oxidation_K": 990.0}
    first = answers(document)[0]
    assert (first["level"], first["question"]) == ("warning", "Beyond oxidation")
    assert "takes the bore beyond the oxidation limit of 717 °C, which is below" in first["text"]


def test_the_bore_of_a_firing_to_come_is_that_of_the_campaign_and_ends_at_a_low_limit(
        fitted, tmp_path):
    shutil.copytree(fitted[0].parent, tmp_path / "q")
    case = tmp_path / "q" / "campaign" / "case.toml"
    case.write_text(case.read_text().replace("[fit]\n", '[fit]\nlimit_temperature = "700 K"\n'))
    asked = wallsim.next_firing(tmp_path / "q", tmp_path / "q" / "fit", executor=Here())
    rows = {row["blend"]: row["bore"] for row in asked.document["candidates"]}
    peak = {blend: bore["bore_peak_K"]["estimate"] for blend, bore in rows.items()}
    assert peak["bare"] > peak["dosed"] > 700.0
    for bore in rows.values():
        assert 0.0 < bore["time_to_limit_s"]["low"] < bore["time_to_limit_s"]["high"] < 4.0
    assert asked.document["answers"][0]["level"] == "bad"
    assert asked.exit_code == 5
    predicted = wallsim.predict(wallsim.load_case(case), tmp_path / "q" / "fit", Here())
    of_log = predicted.document["runs"]["r1"]["bore_peak_K"]["estimate"]
    assert peak["bare"] == pytest.approx(of_log, rel=0.02)
    firing = asked.document["firing"]
    same = Change(blend="bare", burn=firing["burn_s"], pressure=firing["pressure_Pa"])
    question = replace(WhatIf.of(wallsim.load_case(case)), changes=(same,), draws=33)
    [row] = wallsim.whatif(question, tmp_path / "q" / "fit", Here()).document["firings"]
    for ours, other in ((rows["bare"]["bore_peak_K"], row["bore_peak_K"]),
                        (rows["bare"]["time_to_limit_s"], row["limits"]["limit"]["time_s"])):
        for end in ("low", "high"):
            assert ours[end] - ours["estimate"] == pytest.approx(
                other[end] - other["estimate"], rel=0.1)


def test_what_nothing_settles_is_said_first(answer):
    document = deepcopy(answer.document)
    document["decision"]["now"]["settled"] = False
    steps = [*document["mixes"], *(s for row in document["candidates"] for s in row["steps"])]
    for step in steps:
        step["chance"] = 0.004
    row = document["candidates"][0]
    row["without_end"]["mean_resistance_m2K_W"] = {
        "estimate": 1.2e-4, "low": 1.1e-4, "high": 1.3e-4}
    text = answers(document)[0]["text"]
    assert text.startswith("No firing looked at settles whether mean R of dosed is above 120")
    assert "(chance below 1 %): the value lies at the estimate, 120 (110 to 130) mm²K/W" in text
    row["without_end"]["mean_resistance_m2K_W"] = {
        "estimate": 1.5e-4, "low": 1.4e-4, "high": 1.6e-4}
    assert answers(document)[0]["text"].endswith("up to 3 of any blend tell too little.")


def test_a_better_mix_stands_in_the_first_sentence_and_points_are_those_printed(answer):
    document = deepcopy(answer.document)
    document["decision"]["now"]["settled"], n = False, document["recommended"]["times"]
    document["recommended"]["chance"] = document["candidates"][0]["steps"][n - 1]["chance"] = 0.4651
    document["mixes"][n - 1] |= {"chance": 0.5349, "firings": {"bare": 1, "dosed": 1}}
    document["decision"]["chance_wanted"] = 0.5
    said = {a["question"]: a["text"] for a in answers(document)}
    first = said["What to fire next?"]
    assert ", or better bare once and dosed once (53 %). The chance that " in first
    assert first.endswith("firings of any one blend, but by bare once and dosed once (53 %).")
    assert "has 53 %, 6 points more" in said["Would a mix do better?"]
    peak = {"estimate": 1190.0, "low": 1170.0, "high": 1210.0}
    document["limit"] = {"words": "your limit of 877 °C", "at_K": 1150.0}
    for row in document["candidates"]:
        if row["blend"] == "bare":
            row["bore"] = {"bore_peak_K": peak, "time_to_limit_s": None}
    said = {a["question"]: a["text"] for a in answers(document)}
    assert "or better" not in said["What to fire next?"]
    assert said["What to fire next?"].endswith("firings of any one blend.")
    assert said["Would a mix do better?"].endswith(
        "has 53 %, but bare would pass your limit of 877 °C.")


@pytest.mark.parametrize(("chances", "wanted", "n", "words"), [
    ((0.4, 0.62, 0.7), 0.6, 2,
     " No blend fired once reaches the 60 % wanted (40 % at most)."),
    ((0.597, 0.62, 0.7), 0.6, 2, " No blend fired once reaches the 60 % wanted (just not)."),
    ((0.4, 0.67, 0.7), None, 2,
     " More firings add little: 70 % at most by 3 of any one blend."),
    ((0.4, 0.5, 0.7), 0.9, 3,
     " No more than 3 are looked at; any blend fired twice gives 50 % at most."),
    ((0.7, 0.75, 0.8), 0.6, 1, ""),
])
def test_why_that_number_of_firings_is_said(answer, chances, wanted, n, words):
    document = deepcopy(answer.document)
    document["decision"]["now"]["settled"], document["decision"]["chance_wanted"] = False, wanted
    for row in document["candidates"]:
        for step, chance in zip(row["steps"], chances, strict=True):
            step["chance"] = chance
    _recommend(document)
    assert document["recommended"]["times"] == n
    text = {a["question"]: a["text"] for a in answers(document)}["What to fire next?"]
    assert (words or " reaches") in text or not words
    assert ("No blend fired" in text, "More firings add" in text, "No more than" in text) == tuple(
        words.startswith(f" {start}") for start in ("No blend", "More", "No more"))


def test_a_value_no_deposit_has_is_remarked(tmp_path):
    question = load_next(ask(tmp_path, rows=["0"], above="150 m^2*K/W"))
    [slip] = question.slips
    assert slip.startswith(f"{tmp_path / 'next.toml'}:5: decision.above: is unusual: deposits have")
    assert load_next(ask(tmp_path, rows=["0"])).slips == ()


def test_words():
    assert mixture({"bare": 1}) == "bare once"
    assert mixture({"bare": 1, "a": 2, "b": 3}) == "bare once, a twice and b 3 times"
    assert [per_cent(p) for p in (0.0, 0.001, 0.123, 0.999, 1.0)] == [
        "0 %", "below 1 %", "12 %", "above 99 %", "100 %"]
    assert [chance_text(p) for p in (0.0, 0.123, 1.0)] == ["below 1 %", "12 %", "above 99 %"]
    assert run_of("x").endswith(" x")


@pytest.mark.parametrize(("parts", "words"), [
    ((0.595, 0.062), ["60 %", "6 %"]), ((0.586, 0.064), ["59 %", "6 %"]),
    ((0.507, 0.006), ["51 %", "below 1 %"]), ((1.0, 0.0), ["above 99 %", "below 1 %"]),
    ((0.0, 0.0), ["below 1 %", "below 1 %"]), ((0.204, 0.204, 0.204), ["21 %", "20 %", "20 %"]),
])
def test_parts_add_up_as_their_sum_is_rounded(parts, words):
    assert parts_text(parts) == words


def test_the_manual_shows_an_extract_of_the_shipped_question():
    manual = (CASES.parent / "README.md").read_text(encoding="utf-8")
    part = manual[manual.index("### After the campaign: what to fire next"):]
    extract = tomllib.loads(re.search(r"```toml\n(.*?)```", part, re.DOTALL)[1])
    shipped = tomllib.loads((CASES / "next_firing" / "next.toml").read_text(encoding="utf-8"))
    assert extract.pop("case") == shipped["case"]
    for table, keys in extract.items():
        assert keys.items() <= shipped[table].items()


def test_the_shipped_question_can_be_read():
    question = load_next(CASES / "next_firing")
    assert question.blend is None
    assert len(question.new) == 4
