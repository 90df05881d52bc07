"""A commented campaign to start from, with made-up logs that the model itself computes."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Firing, Trace
from wallsim.case import load_case
from wallsim.case.model import Case, Run
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder, readings
from wallsim.estimate.unknowns import Unknowns
from wallsim.logs.model import Events, Log
from wallsim.logs.pressure_history import PressureHistory

Array = NDArray[np.float64]

RATE, BEFORE, AFTER, BURN = 10.0, 3.0, 20.0, 6.0
PRESSURE = 6.0e5
NOISE, PRESSURE_NOISE = 0.5, 0.01
SCATTER = 0.015
SEED = 1


@dataclass(frozen=True, slots=True, eq=False)
class _Clock:
    """Sample times of a made-up log, ignition at zero [s]."""

    t: Array

    @classmethod
    def of(cls) -> _Clock:
        n = int((BEFORE + BURN + AFTER) * RATE)
        return cls(np.round(np.arange(n) / RATE - BEFORE, 3))


def write_starter(folder: Path) -> Path:
    """Write the starter campaign into an empty folder and return its case file."""
    text = (Path(__file__).parent / "case.toml").read_text(encoding="utf-8")
    path = folder / "case.toml"
    path.write_text(text, encoding="utf-8")
    (folder / "logs").mkdir()
    clock, rng = _Clock.of(), np.random.default_rng(SEED)
    for name in ("F1", "F2", "F3", "F4"):
        (folder / "logs" / f"{name}.csv").touch()
    case = load_case(path)
    campaign = Campaign(case, tuple(_firing(case, run, clock) for run in case.runs), PRESSURE)
    unknowns = Unknowns.of(campaign)
    resolution = Resolution(6, 48, 4.0)
    builder = WallBuilder(unknowns, resolution)
    for firing in campaign.firings:
        x = unknowns.prior.mean.copy()
        x[unknowns.prior.names[f"heating factor {firing.run.name}"]] = SCATTER * rng.normal()
        wall, _ = builder.at(x)
        model = RunModel.of(campaign, firing, unknowns, resolution)
        values = readings(model, x, wall, None, derivatives=False).T
        _write_log(case, firing, clock, values, rng)
    return path


def _firing(case: Case, run: Run, clock: _Clock) -> Firing:
    after = np.flatnonzero(clock.t > 0.0)
    ambient = case.tube.outside.ambient
    traces = tuple(
        Trace(s.name, after, clock.t[after], np.full(after.size, ambient), after.size, 1.0)
        for s in case.sensors
    )
    log = Log(run.log, hashlib.sha256(b"").hexdigest(), clock.t, {}, (), 0)
    return Firing(
        run, case.blends[run.blend], log, Events(0.0, BURN, PRESSURE), {}, BURN,
        float(clock.t[-1]), np.array([0.0]), np.array([ambient]),
        PressureHistory.steady(PRESSURE, BURN), np.array([[0.0, 1.0]]), 1.0 / RATE, traces,
    )


def _write_log(
    case: Case, firing: Firing, clock: _Clock, values: tuple[Array, ...], rng: np.random.Generator
) -> None:
    burning = (clock.t > 0.0) & (clock.t <= BURN)
    gauge = np.where(burning, PRESSURE - case.pressure.barometer, 0.0)
    gauge = gauge + PRESSURE_NOISE * np.where(burning, PRESSURE, 1e5) * rng.normal(size=gauge.size)
    columns = [clock.t, gauge / 1e5]
    for trace, T in zip(firing.traces, values, strict=True):
        wall = np.full(clock.t.size, case.tube.outside.ambient)
        wall[trace.index] = T
        columns.append(wall - 273.15 + NOISE * rng.normal(size=wall.size))
    names = ["time [s]", f"{case.pressure.channel} [bar(g)]"]
    names += [f"{s.channel} [degC]" for s in case.sensors]
    np.savetxt(firing.run.log, np.column_stack(columns), fmt="%.3f", delimiter=",",
               header=",".join(names), comments="")
