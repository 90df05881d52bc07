"""Writes the logs of cases/flange: ``python -m tests.meshes.flange_case``."""

from __future__ import annotations

from pathlib import Path
from zlib import crc32

import numpy as np

from wallsim.build import Campaign, Firing, Trace
from wallsim.case import load_case
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder, readings
from wallsim.estimate.unknowns import Unknowns
from wallsim.logs.model import Events, Log
from wallsim.logs.pressure_history import PressureHistory

FOLDER = Path(__file__).parents[2] / "cases" / "flange"
FINER = Resolution(2, 2, 4.0)
BEFORE, BURN, AFTER, RATE, PRESSURE = 3.0, 5.0, 12.0, 10.0, 5.0e5
NOISE, SEED, SPREAD = 0.5, 5, 0.5


def planned(case):
    """The campaign before its logs are there."""
    t = np.round(np.arange(int((BEFORE + BURN + AFTER) * RATE)) / RATE - BEFORE, 3)
    after = np.flatnonzero(t > 0.0)
    ambient = np.full(after.size, case.tube.outside.ambient)
    traces = tuple(Trace(s.name, after, t[after], ambient, after.size, 1.0) for s in case.sensors)
    return t, Campaign(case, tuple(
        Firing(
            run, case.blends[run.blend], Log(run.log, "", t, {}, (), 0),
            Events(0.0, BURN, PRESSURE), {}, BURN, float(t[-1]), np.array([0.0]), ambient[:1],
            PressureHistory.steady(PRESSURE, BURN), np.array([[0.0, 1.0]]), 1.0 / RATE, traces,
        )
        for run in case.runs
    ), PRESSURE)


def truth(campaign):
    """Unknowns and their values, each drawn from half its prior by its name.

    So those that a later version adds leave the others, and the noise, as they are.
    """
    unknowns = Unknowns.of(campaign)
    z = [np.random.default_rng([SEED, crc32(p.name.encode())]).standard_normal()
         for p in unknowns.prior.parameters]
    return unknowns, unknowns.prior.x(SPREAD * np.array(z))


def write(folder):
    case = load_case(folder / "case.toml")
    t, campaign = planned(case)
    unknowns, x = truth(campaign)
    rng = np.random.default_rng(SEED)
    wall, _ = WallBuilder(unknowns, FINER).at(x)
    for firing in campaign.firings:
        model = RunModel.of(campaign, firing, unknowns, FINER)
        values = readings(model, x, wall, None, derivatives=False).T
        burning = (t > 0.0) & (t <= BURN)
        gauge = np.where(burning, PRESSURE - case.pressure.barometer, 0.0)
        columns = [t, (gauge + 1e3 * rng.standard_normal(t.size)) / 1e5]
        for trace, T in zip(firing.traces, values, strict=True):
            shown = np.full(t.size, case.tube.outside.ambient)
            shown[trace.index] = T
            columns.append(shown - 273.15 + NOISE * rng.standard_normal(t.size))
        header = ["time [s]", "P [bar(g)]", *(f"{s.channel} [degC]" for s in case.sensors)]
        np.savetxt(firing.run.log, np.column_stack(columns), fmt="%.2f", delimiter=",",
                   header=",".join(header), comments="")


if __name__ == "__main__":
    write(FOLDER)
