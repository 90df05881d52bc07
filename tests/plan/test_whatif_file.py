"""The question of a what-if: what it takes from the case, and which firings it makes."""

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import write
from wallsim.plan.whatif_file import Change, affordable, load_question

HEAD = 'case = "campaign"\n'


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("question")
    path = write(place / "campaign", rows=["0"])
    path.write_text(path.read_text().replace("[fit]\n", '[fit]\nlimit_temperature = "1100 K"\n'))
    return place


def ask(folder, text):
    (folder / "q.toml").write_text(HEAD + text)
    return load_question(folder / "q.toml")


def test_the_limit_temperature_of_the_case_holds_however_it_is_asked(folder):
    case = wallsim.load_case(folder / "campaign" / "case.toml")
    asked = [ask(folder, ""), load_question(case), load_question(folder / "campaign"),
             load_question(folder / "campaign" / "case.toml")]
    assert [question.limit for question in asked] == 4 * [1100.0]
    assert ask(folder, 'limit = "1000 K"\n').limit == 1000.0


def test_one_firing_has_no_pause_and_is_made_once(folder):
    question = ask(folder, '[vary]\nfirings = [1, 3]\npause = ["20 s", "120 s"]\n')
    assert question.changes == (
        Change(firings=1), Change(firings=3, pause=20.0), Change(firings=3, pause=120.0))
    assert np.shape(question.varied["pause"]) == (2,)


def test_what_looks_like_a_slip_of_units_is_remarked_with_its_place(folder):
    question = ask(folder, '[base]\nresistance = "150 m^2*K/W"\n[vary]\nwall = ["0.2 mm", "5 mm"]\n'
                           'pressure = { from = "5 bar", to = "500 bar", steps = 3 }\n')
    file = folder / "q.toml"
    assert question.slips == (
        f'{file}:3: base.resistance: is unusual: deposits have 1 to 10000 mm^2*K/W (got "150 '
        'm^2*K/W"); check value and unit',
        f'{file}:5: vary.wall[1]: is unusual: such tubes have 1 to 30 mm (got "0.2 mm"); check '
        "value and unit",
        f'{file}:6: vary.pressure: is unusual: uncooled tubes have 1 to some 30 bar abs (got '
        '"252.5 bar"); check value and unit',
        f'{file}:6: vary.pressure: is unusual: uncooled tubes have 1 to some 30 bar abs (got '
        '"500 bar"); check value and unit')
    assert ask(folder, '[vary]\nwall = ["3 mm", "5 mm"]\n').slips == ()


@pytest.mark.parametrize(("firings", "draws"), [(1, 101), (80, 100), (200, 40), (1000, 20)])
def test_the_fewer_firings_are_asked_for_the_more_draws_are_made_of_each(firings, draws):
    assert affordable(tuple(Change(burn=float(i)) for i in range(firings))) == draws


def test_firings_one_after_the_other_are_counted_each():
    assert affordable((Change(firings=100), Change())) == 79
