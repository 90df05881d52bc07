"""A planned campaign in the form a fit takes: firings without logs, traces without readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wallsim.build import BLOCK, Campaign, Firing, Trace
from wallsim.case.model import Case, Run, Sensor
from wallsim.estimate.unknowns import CURVATURE, EXPONENT
from wallsim.logs.model import Events, Log
from wallsim.logs.pressure_history import PressureHistory
from wallsim.plan.place_file import Plan, PlannedRun, Thermocouple
from wallsim.plan.place_room import places
from wallsim.regression.noise import Autoregression, Noise
from wallsim.units import Quantity
from wallsim.wall.growth import Law, grown

Array = NDArray[np.float64]

ORDERS = 8
LEAST_CORRELATION = 1e-3


@dataclass(frozen=True, slots=True)
class Candidate:
    """A place for a thermocouple; ``fixed`` ones are welded on already."""

    sensor: Sensor
    fixed: bool

    @property
    def z(self) -> float:
        """From the head end [m]."""
        return self.sensor.z.value


def candidates(plan: Plan) -> list[Candidate]:
    """Return the thermocouples welded on and every place for another."""
    length, t = plan.case.tube.length, plan.thermocouple
    out = [Candidate(s, True) for s in plan.case.sensors]
    for z in places(length, plan.spacing, plan.keep_out):
        for depth in (0.0, *plan.wells):
            name = f"{1e3 * z:g} mm" + (f", {1e3 * depth:g} mm deep" if depth else "")
            at = Quantity(float(z), t.position)
            out.append(Candidate(Sensor(name, name, at, depth, t.lag, t.lead_loss), False))
    return out


def block_noise(t: Thermocouple, rate: float) -> Noise:
    """Return the noise of a block mean: independent samples plus a wander with its memory.

    The wander's covariance falls as ``exp(-lag/memory)``; block means of it are correlated.
    """
    n = max(1, round(rate * BLOCK))
    inside = np.arange(n) / rate
    lags = max(BLOCK, 1.0 / rate) * np.arange(ORDERS + 1)
    apart = lags[:, None, None] + inside[:, None] - inside
    c = t.wander**2 * np.exp(-np.abs(apart) / t.memory).mean(axis=(1, 2))
    c[0] += t.noise**2 / n
    seen = 1 + int(np.argmax(np.append(c[1:], 0.0) < LEAST_CORRELATION * c[0]))
    return Noise(float(np.sqrt(c[0])), Autoregression.of(c[:seen] / c[0]))


def stretched(plan: Plan, factor: float) -> Plan:
    """Return the plan with every burn ``factor`` as long, and as much deposit as that lets grow.

    ``auto`` and ``saturating`` grow with the curvature and exponent that the fit expects.
    """
    blends = {}
    for name, blend in plan.case.blends.items():
        if (d := blend.deposit) is not None:
            law: Law = "general" if d.growth == "auto" else d.growth
            g = grown(law, factor, np.array([CURVATURE[0], EXPONENT[0]]))[0]
            R = Quantity(g * d.resistance.value, g * d.resistance.sd)
            blend = replace(blend, deposit=replace(d, resistance=R))
        blends[name] = blend
    runs = tuple(replace(r, burn=factor * r.burn) for r in plan.runs)
    return replace(plan, case=replace(plan.case, blends=blends), runs=runs)


def with_other_flux(plan: Plan, share: float) -> Plan:
    """Return the plan with one more kind of firing, not fired yet: bare at another pressure."""
    for r in plan.runs:
        if plan.case.blends[r.blend].deposit is None:
            name = f"{r.name} at {100.0 * share:.0f} % pressure"
            other = replace(r, name=name, pressure=share * r.pressure, repeats=0)
            return replace(plan, runs=(*plan.runs, other))
    return plan


def is_bare(plan: Plan, run: PlannedRun) -> bool:
    """Return whether a firing leaves the bore bare."""
    return plan.case.blends[run.blend].deposit is None


def with_bare(plan: Plan, like: PlannedRun) -> Plan:
    """Return the plan, where no firing is bare, with one more kind not fired yet: one without dose.

    It burns what the blend of ``like`` is made from, else that blend as if it left no deposit.
    """
    if any(is_bare(plan, r) for r in plan.runs):
        return plan
    blends = plan.case.blends
    name, blend = like.blend, blends[like.blend]
    while blends[name].deposit is not None and blends[name].like in blends:
        name = str(blends[name].like)
    if blends[name].deposit is not None:
        name = f"{like.blend} without dose"
        exact = Quantity(1.0, 0.0)
        blends = {**blends, name: replace(
            blend, name=name, like=like.blend, own_error=exact,
            coefficient=replace(blend.coefficient, sd=0.0), silicon=0.0, deposit=None)}
    bare = replace(like, name=f"bare, else as {like.name}", blend=name, repeats=0)
    return replace(plan, case=replace(plan.case, blends=blends), runs=(*plan.runs, bare))


def with_lag(plan: Plan, lag: float) -> Plan:
    """Return the plan with thermocouples of another lag [s], its share of error kept."""
    t = plan.thermocouple
    share = t.lag.relative_sd if t.lag.value else 0.0
    return replace(plan, thermocouple=replace(t, lag=Quantity(lag, share * lag)))


def planned_campaign(plan: Plan, sensors: Sequence[Sensor], *, repeated: bool = False) -> Campaign:
    """Return the campaign of ``plan`` with these thermocouples, all readings zero.

    Traces are in blocks of 0.1 s, whatever the rate.

    Parameters
    ----------
    repeated : bool
        Every firing of its own, instead of one of each kind.
    """
    each = []
    for r in plan.runs:
        for k in range(r.repeats if repeated else 1):
            each.append((r, f"{r.name} #{k + 1}" if repeated else r.name))
    case = replace(
        plan.case, sensors=tuple(sensors),
        runs=tuple(Run(name, Path(name), r.blend, None, {}, (), None, None) for r, name in each),
    )
    firings = tuple(
        _firing(plan, case, r, run) for (r, _), run in zip(each, case.runs, strict=True)
    )
    return Campaign(case, firings, _reference_pressure(plan))


def _reference_pressure(plan: Plan) -> float:
    """Return the median over the bare firings planned (all, where none is bare) [Pa]."""
    every = [r for r in plan.runs for _ in range(r.repeats)]
    bare = [r for r in every if plan.case.blends[r.blend].deposit is None] or every
    return float(np.median([r.pressure for r in bare]))


def _firing(plan: Plan, case: Case, r: PlannedRun, run: Run) -> Firing:
    end, block = r.burn + r.cool_down, BLOCK
    index = np.arange(int(end / block + 1e-9), dtype=np.intp)
    t = np.asarray((index + 0.5) * block, dtype=np.float64)
    ambient = case.tube.outside.ambient
    traces = tuple(
        Trace(s.name, index, t, np.zeros(t.size), round(end * plan.thermocouple.rate),
              max(plan.before / block, 1.0))
        for s in case.sensors
    )
    scans = max(round((end + plan.before) * plan.thermocouple.rate), 1)
    log = Log(run.log, "", np.linspace(-plan.before, end, scans + 1), {}, (), 0)
    return Firing(
        run, case.blends[r.blend], log, Events(0.0, r.burn, r.pressure), {}, r.burn, end,
        np.array([0.0]), np.array([ambient]), PressureHistory.steady(r.pressure, r.burn),
        np.array([[0.0, 1.0]]), block, traces,
    )
