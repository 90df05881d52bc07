"""Faults of plans and what-ifs: all of a file at once, in order, none that follows from another."""

import tomllib
from typing import Annotated

import pytest
from pydantic import TypeAdapter

from tests.cli.campaign import write as write_campaign
from tests.plan import small_plan
from wallsim.case.schema import CaseKeys
from wallsim.errors import CaseError
from wallsim.plan.next_file import NextKeys, load_next
from wallsim.plan.place_file import PlacementKeys, load_plan
from wallsim.plan.whatif_file import WhatIfKeys, load_whatif
from wallsim.source import _model_in


def told(load, path):
    """Return each fault without the file: ``line: key: ...``."""
    with pytest.raises(CaseError) as caught:
        load(path)
    start = f"{path}:"
    assert all(fault.startswith(start) for fault in caught.value.faults), caught.value.faults
    return [fault.removeprefix(start) for fault in caught.value.faults]


def keys_of(faults):
    return [fault.split(": ")[1] for fault in faults]


def plan(folder, *changes):
    return small_plan.write(folder, **{str(i): change for i, change in enumerate(changes)})


def test_faults_of_single_keys_and_between_keys_of_a_plan_come_together(tmp_path):
    faults = told(load_plan, plan(
        tmp_path, ('wall = "4 mm"', 'wall = "4 kg"'), ('noise = "0.4 K"', 'nois = "0.4 K"'),
        ('goal = "20 %"', 'goal = "often"'), ("repeats = 2", 'repeats = "two"'),
        ('blend = "dosed"\nburn', 'blend = "dose"\nburn')))
    assert keys_of(faults) == [
        "tube.wall", "thermocouple.nois", "plan.goal", "run[bare].repeats", "run[with].blend"]
    assert faults[3].endswith(
        'must be a whole number (got "two"); write it without quotes')
    lines = [int(fault.split(":")[0]) for fault in faults]
    assert lines == sorted(lines)


@pytest.mark.parametrize(
    ("changes", "keys"),
    [
        ([('[blend.dosed]\nlike = "neat"', '[blend.dosed]\nlike = 3')], ["blend.dosed.like"]),
        ([("[blend.neat]", "[blend]")], ["blend.gas_temperature"]),
        ([('name = "bare"', "name = 1"), ('want = ["R of dosed", "h"]',
                                          'want = ["bore peak of bare"]'),
          ('goal = "20 %"', 'goal = "20 K"')], ["run[1].name"]),
        ([('want = ["R of dosed", "h"]', "want = [3]")], ["plan.want[1]"]),
        ([("[tube]\n", "[tub]\n")], ["tub"]),
    ],
)
def test_what_follows_from_a_fault_is_not_told(tmp_path, changes, keys):
    assert keys_of(told(load_plan, plan(tmp_path, *changes))) == keys


def question(folder, text):
    write_campaign(folder / "campaign")
    path = folder / "q.toml"
    path.write_text(text)
    return path


def test_faults_of_a_what_if_come_together(tmp_path):
    faults = told(load_whatif, question(tmp_path, """\
case = "campaign"
limit = "900 kg"
measurable = "yes"
[base]
burnn = "3 s"
[vary]
blend = ["bare", "dose"]
wall = ["3 mm", "x"]
metal = ["unobtanium"]
[[variant]]
firings = 2
"""))
    assert keys_of(faults) == ["limit", "measurable", "base.burnn", "vary.blend[2]", "vary.wall",
                               "vary.metal[1]", "variant[1].name"]
    assert all(fault.count("(got") <= 1 for fault in faults)


def test_a_what_if_without_its_case_tells_its_other_faults_too(tmp_path):
    faults = told(load_whatif, question(tmp_path, 'case = "campagn"\nlimit = "3 kg"\n'))
    assert keys_of(faults) == ["case", "limit"]
    assert "looked for" in faults[0]
    faults = told(load_whatif, question(tmp_path, 'limit = "3 kg"\n[base]\nblend = "x"\n'))
    assert keys_of(faults) == ["case", "limit"]


def test_faults_of_a_question_which_firing_is_next_come_together(tmp_path):
    write_campaign(tmp_path / "campaign", rows=["0"])
    faults = told(load_next, question(tmp_path, """\
case = "campaign"
[decision]
blend = "dose"
above = "100 mm"
[firing]
likee = "r1"
blends = ["wet"]
[new]
silicon = ["3 %", "2 %"]
"""))
    assert keys_of(faults) == ["decision.blend", "decision.above", "firing.likee",
                               "firing.blends[1]", "new.silicon"]
    [absent] = told(load_next, question(
        tmp_path, 'case = "x"\n[decision]\nblend = "dosed"\nabove = "1 m^2*K/W"\n'))
    assert 'case: no such case file (got "x")' in absent


def test_faults_of_the_case_are_told_with_those_of_the_what_if(tmp_path):
    path = question(tmp_path, 'case = "campaign"\nlimit = "3 kg"\n')
    write_campaign(tmp_path / "campaign", gas="2000 kg")
    with pytest.raises(CaseError) as caught:
        load_whatif(path)
    first, second = caught.value.faults
    assert first.startswith(f"{path}:2: limit: ")
    assert "case.toml:21: blend.bare.gas_temperature: " in second


DIFFERENCE = ('want = ["R of dosed", "h"]', 'want = ["R of dosed - R of dosed"]')


@pytest.mark.parametrize(("changes", "said"), [
    ([('goal = "20 %"', 'goal = "1e-5 m^2*K/W"')],
     "takes a plain number or a share in %, not 'm^2*K/W' (got \"1e-5 m^2*K/W\"); of \"R of dosed\""
     ' write it like "15 %"'),
    ([('goal = "20 %"', 'goal = "20"')],
     'must be below 1 (got "20"); of "R of dosed" write it like "15 %"'),
    ([('goal = "20 %"', 'goal = "-20 %"')], 'must be above 0 (got "-20 %"); of "R of dosed" write'),
    ([('goal = "20 %"', 'goal = "20 % +- 2 %"')], "takes no +-, it is held fixed"),
    ([DIFFERENCE], "'%' is not a unit of the kind 'm^2*K/W' (got \"20 %\"); of \"R of dosed - R of "
     'dosed" write it like "2e-5 m^2*K/W"'),
    ([('want = ["R of dosed", "h"]', 'want = ["bore peak of bare"]')],
     "'%' is not a unit of the kind 'K' (got \"20 %\"); of \"bore peak of bare\" write it like"
     ' "10 K"'),
])
def test_a_goal_says_what_it_is_a_goal_for(tmp_path, changes, said):
    (fault,) = told(load_plan, plan(tmp_path, *changes))
    assert f" plan.goal: {said}" in fault


def test_a_first_want_not_understood_says_nothing_of_the_goal(tmp_path):
    assert keys_of(told(load_plan, plan(
        tmp_path, ('want = ["R of dosed", "h"]', 'want = ["R dosed", "h"]')
    ))) == ["plan.want[1]"]


def test_counts_pairs_and_pressures_of_a_plan_say_what_to_write(tmp_path):
    faults = told(load_plan, plan(
        tmp_path, ("thermocouples = 3", "thermocouples = 0"), ("most = 4", "most = 400"),
        ('keep_out = [["0 mm", "5 mm"], ["75 mm", "80 mm"]]', 'keep_out = ["0 mm"]'),
        ('pressure = "5 bar"\ncool_down = "6 s"\nrepeats = 2', 'pressure = "4 barg"')))
    assert [fault.split(": ", 2)[2] for fault in faults] == [
        "must be 1 or more (got 0); correct the number",
        "must be 60 or less (got 400); correct the number",
        'must be a pair (got "0 mm"); write all like [["0 mm", "25 mm"], ["40 mm", "50 mm"]]',
        'is above air pressure where an absolute one belongs (got "4 barg"); add the air pressure',
    ]


def test_a_range_names_its_faulty_end_and_a_list_is_not_empty(tmp_path):
    faults = told(load_whatif, question(tmp_path, """\
case = "campaign"
[vary]
blend = []
wall = { from = "3 mm", to = "8", steps = 3 }
"""))
    assert [fault.split(": ", 2)[2] for fault in faults] == [
        "is empty (got []); add at least one",
        'to has no unit (got a table); write it like "5.08 mm"',
    ]


def tables_in(model):
    """Return the schemas of a file, from the outermost inwards."""
    found = [model]
    for info in model.model_fields.values():
        inner = _model_in(info.annotation)
        found += tables_in(inner) if inner else []
    return found


@pytest.mark.parametrize("model", [CaseKeys, PlacementKeys, WhatIfKeys, NextKeys])
def test_what_a_message_says_to_write_is_taken(model):
    tried = 0
    for table in tables_in(model):
        for name, info in table.model_fields.items():
            for example in info.examples or ():
                if " = " not in example or example.startswith("["):
                    continue
                value = tomllib.loads(example)[name]
                TypeAdapter(Annotated[info.annotation, info]).validate_python(value)
                tried += 1
    assert tried >= 3
