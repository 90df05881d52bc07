"""The shipped prediction from what a stand knows before it fires: wide, but an answer."""

import json
from pathlib import Path

import pytest

import wallsim
from wallsim.build import load_campaign

ROOT = Path(__file__).parents[2]
CASE = ROOT / "cases" / "first_firing" / "case.toml"
TRUTH = json.loads((ROOT / "tests" / "lance" / "truth.json").read_text(encoding="utf-8"))


def test_it_is_the_lance_with_nothing_to_remark():
    case, lance = (wallsim.load_case(ROOT / "cases" / n / "case.toml")
                   for n in ("first_firing", "lance"))
    assert load_campaign(case).remarks == ()
    assert (case.tube.wall, case.tube.length) == (lance.tube.wall, lance.tube.length)
    assert {s.name: s.z for s in case.sensors}.items() <= {
        s.name: s.z for s in lance.sensors}.items()
    assert case.fit.coefficient.relative_sd < 0.5 * lance.fit.coefficient.relative_sd


@pytest.mark.slow
def test_the_logs_and_the_bores_that_made_them_lie_within():
    found = wallsim.predict(wallsim.load_case(CASE))
    for name, run in found.document["runs"].items():
        peak = run["bore_peak_K"]
        assert run["leaves_the_table"] is None
        assert peak["low"] < TRUTH["runs"][name]["bore_peak_K"] < peak["high"] < 1400.0
        frame = found.tables[name]
        for sensor in ("S2", "S4", "S6", "S8"):
            at = frame[f"{sensor} measured [K]"].idxmax()
            low, high = (frame[f"{sensor} {end} [K]"][at] for end in ("low", "high"))
            assert low < frame[f"{sensor} measured [K]"][at] < high
