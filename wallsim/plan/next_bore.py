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


def passing(document: Document) -> tuple[list[Document], list[Document]]:
    """Return the candidates whose bore passes the limit by the estimate, and those that may."""
    of = document["limit"]
    rows = [row for row in document["candidates"] if of and row["bore"]]
    peaks = [row["bore"]["bore_peak_K"] for row in rows]
    passed = [row for row, peak in zip(rows, peaks, strict=True) if peak["estimate"] > of["at_K"]]
    may = [row for row, peak in zip(rows, peaks, strict=True)
           if peak["estimate"] <= of["at_K"] < peak["high"]]
    return passed, may
