"""Faults of plans and what-ifs: all of a file at once, in order, none that follows from another."""

import pytest

from tests.cli.campaign import write as write_campaign
from tests.plan import small_plan
from wallsim.errors import CaseError
from wallsim.plan.next_file import load_next
from wallsim.plan.place_file import load_plan
from wallsim.plan.whatif_file import load_whatif


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
