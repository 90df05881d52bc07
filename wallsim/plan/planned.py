"""A plan where a campaign is wanted: its firings as stated, at evenly spaced thermocouples."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from wallsim.build import Campaign
from wallsim.case.model import Case
from wallsim.file_kinds import PLAN, kind_at
from wallsim.plan.place_campaign import candidates, planned_campaign
from wallsim.plan.place_file import Plan, load_plan


def campaign_of(plan: Plan) -> Campaign:
    """Return the campaign of a plan without readings, each kind of firing once.

    Its thermocouples are those welded on already, and as many more, evenly spaced over the places
    left, as are planned.
    """
    every = candidates(plan)
    welded = [c.sensor for c in every if c.fixed]
    free = [c for c in every if not c.fixed and c.sensor.depth == 0.0]
    z = np.array([c.z for c in free])
    n = plan.thermocouples - len(welded)
    wanted = np.linspace(z.min(), z.max(), n) if n != 1 else [0.5 * (z.min() + z.max())]
    chosen = dict.fromkeys(int(np.argmin(np.abs(z - at))) for at in wanted)
    return planned_campaign(plan, (*welded, *(free[i].sensor for i in chosen)))


def understood(plan: Plan) -> str:
    """Return tube, gas side and pressures of a plan in the units of its words."""
    case = plan.case
    tube, h = case.tube, case.fit.coefficient
    of_metal = ", ".join(solid.name for solid in tube.solids.values())
    pressures = dict.fromkeys(f"{1e-5 * r.pressure:.4g}" for r in plan.runs)
    return (f"tube of {of_metal}, bore {1e3 * tube.bore.value:.4g} mm, wall "
            f"{1e3 * tube.wall.value:.3g} mm, {1e3 * tube.length:.4g} mm long; h {h.value:.4g} "
            f"W/m^2/K; {', '.join(pressures)} bar abs")


def plan_at(path: Path) -> Plan | None:
    """Return the plan at a path, or in the ``case.toml`` of a folder; None if none is there.

    Raises
    ------
    CaseError
        With every fault of the plan.
    """
    path = path / "case.toml" if path.is_dir() else path
    return load_plan(path) if kind_at(path) == PLAN else None


def case_of(plan: Plan) -> Case:
    """Return the case of a plan, with its firings as runs."""
    return campaign_of(plan).case
