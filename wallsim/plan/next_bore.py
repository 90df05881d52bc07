"""How hot the bore becomes in firings to come, against the limit of the case or of the metal."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.case.model import Case
from wallsim.estimate.bore import bore_readouts, peaks_along
from wallsim.estimate.run_model import Resolution, RunModel
from wallsim.plan.answers import interval
from wallsim.plan.directed import directed
from wallsim.plan.ensemble import Ensemble
from wallsim.plan.followed import HORIZON, ZERO_CELSIUS, Followed, going_on, times_to
from wallsim.plan.predict import BELOW_AMBIENT, DRAWS
from wallsim.plan.standing import of_bore
from wallsim.wall.model import WallSlope
from wallsim.wall.operators import Wall
from wallsim.wall.schedule import Schedule

Array = NDArray[np.float64]
Document = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Limit:
    """A bore temperature that firings to come are held against.

    Parameters
    ----------
    words : str
    at : float
        [K].
    """

    words: str
    at: float

    @classmethod
    def of(cls, case: Case) -> Limit | None:
        """Return the owner's limit, else where the metal oxidises; None if neither is stated."""
        if (stated := case.fit.limit_temperature) is not None:
            return cls(f"your limit of {stated - ZERO_CELSIUS:.0f} °C", stated)
        metals = case.tube.solids.values()
        at = min((m.limits["oxidation"] for m in metals if "oxidation" in m.limits), default=None)
        return None if at is None else cls(
            f"the oxidation limit of {at - ZERO_CELSIUS:.0f} °C", at)


def hottest(
    run: RunModel, x: Array, wall: Wall, slope: WallSlope | None, root: Array,
    limit: Limit | None, resolution: Resolution | None,
) -> Document | None:
    """Return the bore's peak in a firing and when it reaches the limit if the burn goes on.

    None without a limit; intervals at 95 %.

    Parameters
    ----------
    root : Array, shape (m, q)
        Of the covariance of the unknowns ``x``.
    resolution : Resolution or None
        Of the draws that give the intervals, as in `predict`. None for a tube on a mesh file, in
        which no draws are marched: by curvature.

    Raises
    ------
    TableRangeError, ConvergenceError
        As `wallsim.wall.march.march`.
    """
    if limit is None:
        return None
    if resolution is None:
        bore = bore_readouts(run, x, wall, slope, wall.faces["bore"].z[:1], limit.at)
        covariance, time = root @ root.T, bore.limit_time
        return {"bore_peak_K": bore.peak.interval(covariance),
                "time_to_limit_s": None if time is None else time.interval(covariance)}
    return _drawn(run, x, wall, slope, root, limit, resolution)


def _drawn(
    run: RunModel, x: Array, wall: Wall, slope: WallSlope | None, root: Array, limit: Limit,
    resolution: Resolution,
) -> Document:
    """Return `hottest` by draws whose spread is exact for the peaks along the tube."""
    _, peaks = peaks_along(run, x, wall, slope)
    p = run.map.constant[:, None] + run.map.matrix @ directed(x, root, DRAWS, peaks.gradient)
    gas, fineness = run.surfaces.gas, resolution.fineness
    last = max(HORIZON, gas.burn + 1.0)
    surfaces = replace(run.surfaces, gas=replace(gas, burn=last))
    ensemble = Ensemble(wall, surfaces, run.map.parameters, p, slope)
    end, nodes = ensemble.table_end, wall.faces["bore"].nodes
    burn = ensemble.march(Schedule.of(gas.burn, gas.burn, fineness),
                          np.repeat(run.start[:, None], DRAWS, axis=1))
    on = ensemble.march(going_on(gas.burn, last, fineness), burn.T[-1], min(limit.at, end))
    whole, burnt, base = burn.then(on), Followed.of(burn, end), gas.ambient - BELOW_AMBIENT
    peak, _, _ = burnt.bore_peak(burnt.track.T[:, nodes])
    times = times_to(Followed.of(whole, end), whole.T[:, nodes].max(axis=1), {"limit": limit.at},
                     base)
    return {"bore_peak_K": interval(peak, base, burnt.lost),
            "time_to_limit_s": times["limit"]["time_s"]}


def oxidation_of(case: Case) -> float | None:
    """Return the lowest oxidation limit of the metals [K] if it is below the owner's limit."""
    stated = case.fit.limit_temperature
    if stated is None:
        return None
    found = [m.limits["oxidation"] for m in case.tube.solids.values() if "oxidation" in m.limits]
    return min((at for at in found if at < stated), default=None)


def passing(document: Document) -> tuple[list[Document], list[Document]]:
    """Return the candidates whose bore passes the limit by the estimate, and those that may."""
    of = document["limit"]
    return _held_against(document, of["at_K"], timed=True) if of else ([], [])


def oxidising(document: Document) -> tuple[list[Document], list[Document]]:
    """Return the same of an oxidation limit below the owner's."""
    at = document.get("oxidation_K")
    return ([], []) if at is None else _held_against(document, at, timed=False)


def _held_against(
    document: Document, at: float, *, timed: bool
) -> tuple[list[Document], list[Document]]:
    burn, error = document["firing"]["burn_s"], document.get("interval_error", 0.0)
    rows = [row for row in document["candidates"] if row["bore"]]
    found = [of_bore(at, row["bore"]["bore_peak_K"], burn,
                     row["bore"]["time_to_limit_s"] if timed else None, error) for row in rows]
    passed, may = ([row for row, standing in zip(rows, found, strict=True) if standing == which]
                   for which in ("passed", "may"))
    return passed, may
