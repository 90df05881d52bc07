"""What is read off the march of a changed firing: peaks, times to limits, survival."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.case.model import Case
from wallsim.plan.answers import crossing, deposit_surface, interval, peak
from wallsim.plan.ensemble import Ensemble, Track
from wallsim.plan.followed import Followed, not_assessed, times_to
from wallsim.plan.loads import Grid, elastic_stresses, falls_below, load_interval, margins
from wallsim.plan.predict import BELOW_AMBIENT, LEAST_PRESSURE
from wallsim.plan.strength import NO_TABLE
from wallsim.plan.whatif_file import Change
from wallsim.plan.whatif_measure import Planned, measurable
from wallsim.plan.whatif_model import Base, ChangedFiring, Start

Array = NDArray[np.float64]

COOL_DOWN = 20.0
LONGER = 1.05
"""Burn over that of the campaign from which on a deposit's growth is extrapolated [-]."""
OF_H_ALONE = ("pressure", "bore", "resistance")
"""Changes that act on h or on R alone, which a fit has to tell apart for them."""


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One of the firings one after the other.

    Parameters
    ----------
    ensemble : Ensemble
    burn : float
        [s].
    start : Array, shape (n, n_draws)
        Temperatures at ignition [K].
    raw : Track
        Of the burn, whatever the metal's table.
    whole : Followed
        Burn and what comes after it.
    """

    ensemble: Ensemble
    burn: float
    start: Array
    raw: Track
    whole: Followed

    @property
    def burning(self) -> Followed:
        """Of the burn alone."""
        return self.whole.first(self.raw.t.size)


def read_off(
    task: Start, base: Base, change: Change, model: ChangedFiring, parts: list[Part], longer: Part,
) -> dict[str, Any]:
    """Return what the document says of one changed firing.

    Parameters
    ----------
    parts : list of Part
        The firings one after the other.
    longer : Part
        The last of them, its burn going on.
    """
    untold = base.blend.name in task.untold
    prior_only = _of_the_prior(base, change, parts[-1].burn) if untold else []
    return {
        **_changed(change, base, model, parts[-1].burn),
        **_temperatures(task.question.case, model, parts, change),
        "deposit_surface_peak_K": None if untold else _deposit_peak(
            task.question.case, model, parts, change),
        "prior_only": prior_only,
        "limits": _times(task, model, longer, base, change),
        "survival": _survival(task, base, model, parts, longer),
        "measurable": _measurable(task, base, change, model, parts[-1], untold),
    }


def _of_the_prior(base: Base, change: Change, burn: float) -> list[str]:
    """Return which changes rest on the prior where the fit tells h and R of the blend not apart."""
    out = [key for key in OF_H_ALONE if getattr(change, key) is not None]
    if base.surfaces.gas.law != "constant":
        out += ["burn"] * (burn > LONGER * base.burn) + ["firings"] * (change.firings > 1)
    return out


def _changed(change: Change, base: Base, model: ChangedFiring, burn: float) -> dict[str, Any]:
    """Return what the firing is: everything that can be changed, in SI."""
    r = model.ensemble.wall.r
    stated = {k: v for k, v in asdict(change).items() if v not in (None, "")}
    return {
        "name": change.name or None, "changes": stated, "blend": base.blend.name,
        "metal": model.solid.name, "burn_s": burn, "pressure_Pa": model.pressure,
        "bore_m": 2.0 * float(r.min()), "wall_m": float(np.ptp(r)), "firings": change.firings,
        "growth": model.ensemble.surfaces.gas.law,
    }


def _base(case: Case, change: Change) -> float:
    """Return what temperatures are taken log-normal above [K]."""
    ambient = case.tube.outside.ambient
    return min(change.start or ambient, ambient) - BELOW_AMBIENT


def _temperatures(
    case: Case, model: ChangedFiring, parts: list[Part], change: Change
) -> dict[str, Any]:
    faces, base = model.ensemble.wall.faces, _base(case, change)
    lost = parts[-1].whole.lost
    out: dict[str, Any] = {}
    bore = [p.whole.bore_peak(p.whole.track.T[:, faces["bore"].nodes]) for p in parts]
    outside = [peak(p.whole.track.t, p.whole.track.T[:, faces["outside"].nodes]) for p in parts]
    for name, found in (("bore", bore), ("outside", outside)):
        worst = int(np.argmax([T[0] for T, _, _ in found]))
        _, when, where = found[worst]
        highest = np.max([T for T, _, _ in found], axis=0)
        out |= {
            f"{name}_peak_K": interval(parts[-1].whole.bounded(highest), base, lost),
            f"{name}_peak_s": None if lost[0] else float(when[0]),
            f"{name}_peak_z_m": float(faces[name].z[where[0]]),
        }
    return out | {
        "bore_peak_by_firing_K": [
            interval(T, base, p.whole.lost) for (T, _, _), p in zip(bore, parts, strict=True)],
        "beyond_the_table": float(lost.mean()),
    }


def _deposit_peak(
    case: Case, model: ChangedFiring, parts: list[Part], change: Change
) -> dict[str, float | None] | None:
    if model.ensemble.surfaces.gas.law == "none":
        return None
    peaks = [peak(p.raw.t, deposit_surface(p.ensemble, p.burning.track))[0] for p in parts]
    last = parts[-1].burning
    return interval(last.bounded(np.max(peaks, axis=0)), _base(case, change), last.lost)


def _times(
    task: Start, model: ChangedFiring, longer: Part, base: Base, change: Change
) -> dict[str, Any]:
    """Return when the bore reaches each limit if the burn goes on, and the deposit softens."""
    whole, track = longer.whole, longer.raw
    hottest = longer.raw.T[:, longer.ensemble.wall.faces["bore"].nodes].max(axis=1)
    stated = {} if task.question.limit is None else {"limit": task.question.limit}
    out: dict[str, Any] = times_to(
        whole, hottest, stated | dict(model.solid.limits), _base(task.question.case, change))
    deposit = base.blend.deposit
    if deposit is not None and deposit.softening is not None:
        surface = deposit_surface(longer.ensemble, track).max(axis=1)
        times = crossing(track.t, surface, deposit.softening)
        times = np.where(times > whole.left, np.nan, times)
        found = whole.reached(
            whole.passed(times) if deposit.softening <= whole.end else times)
        out["deposit softens"] = {"at_K": deposit.softening, "time_s": found, "note": ""}
    return out


def _survival(
    task: Start, base: Base, model: ChangedFiring, parts: list[Part], longer: Part
) -> dict[str, Any]:
    """Return limit load over gas pressure in the burns, and when it falls below the factor."""
    grid, solid, factor = Grid.of(model.ensemble.wall), model.solid, task.question.factor
    share = np.interp(grid.z, base.pressure_share[:, 0], base.pressure_share[:, 1])
    over = model.pressure * share - task.question.case.pressure.barometer
    over = np.maximum(over, LEAST_PRESSURE)
    burns, whole = [p.burning for p in parts], longer.whole
    last, left = burns[-1], whole.left
    out: dict[str, Any] = {
        "assessed": False, "note": NO_TABLE, "factor": factor,
        "margin": None, "at_s": None, "z_m": None, "below_factor_s": None,
        "table_ends_s": interval(left, 0.0) if np.isfinite(left[0]) or np.isnan(left[0]) else None,
        **elastic_stresses(grid, last.track, last.lost, over, solid),
    }
    table = solid.yield_strength
    if table is None:
        return out
    *pressures, p = [np.tile(over, (f.track.t.size, 1)) for f in (*burns, whole)]
    found = [margins(grid, f.track, p, table) for f, p in zip(burns, pressures, strict=True)]
    below = falls_below(factor, margins(grid, whole.track, p, table), grid, whole, p, table)
    out["below_factor_s"] = whole.reached(below)
    if last.lost[0]:
        return out | {"note": not_assessed(last, solid.name),
                      "margin": _falls_below(factor, below[0], parts[-1].burn)}
    worst = min(found, key=lambda m: float(m.lowest[:, 0].min()))
    i = int(worst.lowest[:, 0].argmin())
    least = np.min([m.lowest.min(axis=0) for m in found], axis=0)
    return out | {
        "assessed": True, "note": "",
        "margin": load_interval(last.bounded(least), min(float(m.cold.min()) for m in found),
                                last.lost),
        "at_s": float(worst.t[i]), "z_m": float(grid.z[worst.place[i, 0]]),
    }


def _falls_below(factor: float, at: float, burn: float) -> dict[str, float | None] | None:
    """Return the load of an estimate that falls below the factor before it leaves the table."""
    return {"estimate": None, "low": None, "high": factor} if at <= burn else None


def _measurable(
    task: Start, base: Base, change: Change, model: ChangedFiring, last: Part, untold: bool
) -> dict[str, Any] | None:
    """Return whether the deposit could still be measured in the last firing, if that is asked."""
    if task.stand is None:
        return None
    why = "R is not told by the fit" if untold else ""
    if last.burning.lost[0]:
        why = "wall beyond its table"
    if why and model.ensemble.surfaces.gas.law != "none":
        return {"mean_resistance_m2K_W": None, "standard_deviations": None, "told": None,
                "note": why, "marches": 0}
    if change.metal is not None and not task.question.metal_of(change)[1]:
        change = replace(change, metal=None)
    planned = Planned(last.ensemble, model.template, model.solid, model.slope, last.start[:, 0],
                      last.burn, last.burn + COOL_DOWN, change.firings > 1)
    return measurable(task.stand, base.blend.name, change, planned, task.resolution)
