"""How hot the bore becomes in firings to come, against the limit of the case or of the metal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.case.model import Case
from wallsim.estimate.bore import bore_readouts
from wallsim.estimate.run_model import RunModel
from wallsim.plan.followed import ZERO_CELSIUS
from wallsim.plan.standing import of_bore
from wallsim.wall.model import WallSlope
from wallsim.wall.operators import Wall

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
    run: RunModel, x: Array, wall: Wall, slope: WallSlope | None, root: Array, limit: Limit | None
) -> Document | None:
    """Return the bore's peak in a firing and when it reaches the limit if the burn goes on.

    None without a limit; intervals at 95 %.

    Parameters
    ----------
    root : Array, shape (m, q)
        Of the covariance of the unknowns ``x``.

    Raises
    ------
    TableRangeError, ConvergenceError
        As `wallsim.wall.march.march`.
    """
    if limit is None:
        return None
    bore = bore_readouts(run, x, wall, slope, wall.faces["bore"].z[:1], limit.at)
    covariance = root @ root.T
    time = bore.limit_time
    return {"bore_peak_K": bore.peak.interval(covariance),
            "time_to_limit_s": None if time is None else time.interval(covariance)}


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
    burn = document["firing"]["burn_s"]
    rows = [row for row in document["candidates"] if row["bore"]]
    found = [of_bore(at, row["bore"]["bore_peak_K"], burn,
                     row["bore"]["time_to_limit_s"] if timed else None) for row in rows]
    passed, may = ([row for row, standing in zip(rows, found, strict=True) if standing == which]
                   for which in ("passed", "may"))
    return passed, may
