"""How hot the bore becomes in the firings planned, and which burn is cautious.

A burn is cautious that ends after `BURN_MARGIN` of the time in which the bare bore would reach the
limit temperature with h at the upper end of what is stated of it (two standard deviations).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.unknowns import log_sd
from wallsim.plan.place_model import Marched
from wallsim.plausibility import VALID_BURNS

BURN_MARGIN = 0.7
"""Our own choice, not a standard's."""

UPPER_END = 2.0
FOR_INSTANCE = 1.3


def hottest_bore(marched: Marched) -> tuple[str, float]:
    """Return the firing planned whose bore becomes hottest, and how hot [K]."""
    fired = [r.name for r in marched.plan.runs if r.repeats]
    peaks = {name: marched.hottest(name) for name in fired}
    run = max(peaks, key=lambda name: peaks[name])
    return run, peaks[run]


def limit(marched: Marched) -> dict[str, Any] | None:
    """Return when the bare bore would reach the limit temperature, and the peak of each firing.

    None without a limit temperature. ``run`` is the firing that goes furthest beyond or comes
    nearest to it; times are of the bare bore at that firing's pressure.
    """
    plan, T = marched.plan, marched.plan.case.fit.limit_temperature
    if T is None:
        return None
    higher = float(np.exp(UPPER_END * log_sd(plan.case.fit.coefficient)))
    runs = [_of_run(marched, r.name, r.burn, T, higher) for r in plan.runs if r.repeats]
    worst = max(runs, key=lambda r: r["burn_s"] / (r["time_s"] or np.inf))
    instance, _ = _time(marched, worst["name"], T, FOR_INSTANCE)
    return {
        "temperature_K": T, "run": worst["name"], "higher": higher, "for_instance": FOR_INSTANCE,
        "margin": BURN_MARGIN, "runs": runs, "time_for_instance_s": instance,
        **{key: worst[key] for key in ("burn_s", "time_s", "time_higher_s", "note", "cautious_s")},
    }


def _of_run(marched: Marched, run: str, burn: float, T: float, higher: float) -> dict[str, Any]:
    expected, note = _time(marched, run, T, 1.0)
    upper, of_upper = _time(marched, run, T, higher)
    cautious = None if upper is None else BURN_MARGIN * upper
    if cautious is not None and cautious < VALID_BURNS[0]:
        cautious = None
    return {
        "name": run, "burn_s": burn, "bore_peak_K": marched.hottest(run), "time_s": expected,
        "time_higher_s": upper, "cautious_s": cautious, "note": note or of_upper,
    }


def _time(marched: Marched, run: str, T: float, higher: float) -> tuple[float | None, str]:
    """Return when the bare bore reaches ``T``, None if never, and why it could not be marched."""
    try:
        return marched.bare_limit_time(run, T, higher), ""
    except (TableRangeError, ConvergenceError) as error:
        return None, str(error)


def passed(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the firings planned whose bore passes the limit at the values stated."""
    of = document["limit"]
    return [r for r in of["runs"] if r["bore_peak_K"] > of["temperature_K"]] if of else []


def incautious(document: dict[str, Any], factor: float = 1.0) -> list[dict[str, Any]]:
    """Return the firings that are not cautious with every burn ``factor`` as long."""
    of = document["limit"]
    return [r for r in of["runs"] if _open(r) or (
        r["cautious_s"] is not None and factor * r["burn_s"] > r["cautious_s"] + 1e-9
    )] if of else []


def _open(run: dict[str, Any]) -> bool:
    """Return whether no burn can be called cautious."""
    return run["cautious_s"] is None and (run["time_higher_s"] is not None or bool(run["note"]))
