"""Logs from stands that nobody here controls; skipped where they are not beside the checkout."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from wallsim.case.model import LogFormat
from wallsim.logs import find_events, read_log, screen_channels

BESIDE = Path(__file__).resolve().parents[2].parent / "shared"
NORTH = BESIDE / "campaigns" / "north"
STEEL = BESIDE / "data" / "steelwall"
UNTOLD = LogFormat(None, None, None, None, {})
SENSORS = {f"TC{i}": f"TC{i}" for i in range(1, 9)}

north = pytest.mark.skipif(not NORTH.is_dir(), reason="no ../shared/campaigns/north here")
steel = pytest.mark.skipif(not STEEL.is_dir(), reason="no ../shared/data/steelwall here")

BURNS = {"n01": 3.4, "n02": 3.4, "n03": 3.6, "n04": 3.6, "n05": 4.0, "n06": 4.0, "n07": 3.4}
SPOILED = {"n02": {"TC4": "spikes"}, "n05": {"TC6": "detached"}, "n07": {"TC2": "open"}}


@north
@pytest.mark.parametrize("run", BURNS)
def test_north_runs_are_read_timed_and_screened(run):
    log = read_log(NORTH / f"{run}.csv", UNTOLD, temperatures=tuple(SENSORS), pressures=("PC",))
    events = find_events(log.t, log.channels["PC"] + 1.013e5, run, barometer=1.013e5)
    # the log book's burns are nominal
    assert events.shutdown - events.ignition == pytest.approx(BURNS[run], abs=0.1)
    screened = screen_channels(log, SENSORS, events, ambient=287.15, exclusions={})
    verdicts = {name: c.verdict for name, c in screened.items() if c.verdict != "ok"}
    assert verdicts == SPOILED.get(run, {})
    if run == "n05":
        assert events.ignition < screened["TC6"].used_until < events.shutdown
    if run == "n07":
        last = log.t[np.flatnonzero(np.isfinite(log.channels["TC2"]))[-1]]
        assert last - 0.15 < screened["TC2"].used_until <= last
    if run == "n02":
        assert 0.95 < screened["TC4"].good.mean() < 1.0


@steel
@pytest.mark.parametrize("test", ["B1", "C1", "C3", "D2"])
def test_steel_walls_with_a_row_of_units(test):
    wanted = ("steel right wall mid upper", "PT right wall center")
    log = read_log(STEEL / f"sp_room_{test}.csv", UNTOLD, temperatures=wanted, pressures=())
    assert set(np.diff(log.t)) == {15.0}
    first = {"B1": 20, "C1": 21, "C3": 20, "D2": 23}[test]
    assert log.channels[wanted[0]][0] - 273.15 == pytest.approx(first, abs=1.0)
    assert not any("assumed" in note for note in log.assumptions)
