"""Quick looks beside the fit, as one part of its document.

Four ways from a thermocouple to the heat flux into the bore, and from each the resistance of a
deposit by differences to bare firings. They share with the joint fit the logs and the tables of
the metal, and assume no growth law.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign
from wallsim.quick.flux_pairs import PairResistance, at_times, pair_resistances, stations
from wallsim.quick.inverse import (
    HeatOfBurn,
    History,
    Record,
    Smoothed,
    calorimetric,
    exact_inverse,
    lumped_slope,
    records,
    smoothing_time,
)
from wallsim.quick.radial_wall import RadialWall
from wallsim.quick.repeats import why_not_comparable
from wallsim.quick.sequential import future_steps, sequential

Array = NDArray[np.float64]

TIMES = 24
LAST_SHARE = 1.0 / 6.0
METHODS = {
    "lumped_slope": "slope of the outer wall times the heat capacity of the wall; drive to the "
    "outer temperature; blind to the lag of the wall",
    "exact_inverse": "heat equation in the radius, marched inwards from the smoothed outer "
    "temperature",
    "sequential": "flux step by step, held constant over the future steps it is taken from",
    "calorimetric": "heat stored when the outer wall is hottest after shutdown, over the burn",
}
ASSUMPTIONS = (
    "each station conducts in the radius only",
    "gas temperature, pressure exponent, lead loss, lag and thickness as stated, without doubt",
    "a thermocouple in a well is taken as on the outer surface, one on a flange is left out; of "
    "several metals, the first",
    "intervals from the scatter of repeats alone: what all firings share is not in them, nor what "
    "a method misses in each",
)


def quick_looks(campaign: Campaign) -> dict[str, Any]:
    """Return the part ``quick_looks`` of the document; NaN where nothing is told."""
    wall = RadialWall.of(campaign.case.tube)
    every = records(campaign)
    if not every:
        return _nothing("no thermocouple on the plain tube")
    histories = flux_histories(every, wall)
    heats = [calorimetric(record, wall) for record in every]
    longest = max(firing.burn for firing in campaign.firings)
    times = np.linspace(longest / TIMES, longest, TIMES)
    blends: dict[str, Any] = {}
    for method, found in histories.items():
        for pair in pair_resistances(campaign, stations(campaign, every, found, times)):
            blends.setdefault(pair.blend, {})[method] = _in_time(pair, times)
    whole = [_as_history(heat) for heat in heats]
    for pair in pair_resistances(campaign, stations(campaign, every, whole, np.zeros(1))):
        blends.setdefault(pair.blend, {})["calorimetric"] = _over_burn(pair)
    step = min(record.step for record in every)
    return _nothing("" if blends else _why_none(campaign)) | {
        "time_s": times.tolist(),
        "smoothing_s": smoothing_time(wall, step),
        "future_s": step * future_steps(wall, step),
        "runs": _runs(every, histories, heats, times),
        "blends": blends,
        "left_out": left_out(campaign, blends),
    }


def left_out(campaign: Campaign, blends: Mapping[str, Any]) -> dict[str, str]:
    """Return why by firing, for those that no resistance in ``blends`` was taken from."""
    used = {run for methods in blends.values() for found in methods.values()
            for run in (*found["runs"], *found["bare_runs"])}
    every = {f.run.name: why_not_comparable(f) for f in campaign.firings}
    return {name: why for name, why in every.items() if why and name not in used}


def _nothing(reason: str) -> dict[str, Any]:
    return {
        "reason": reason, "methods": dict(METHODS), "assumptions": list(ASSUMPTIONS),
        "time_s": [], "smoothing_s": None, "future_s": None, "runs": {}, "blends": {},
        "left_out": {},
    }


def flux_histories(every: Sequence[Record], wall: RadialWall) -> dict[str, list[History]]:
    """Return the flux histories of all records by method."""
    smoothed = [Smoothed.of(record, wall) for record in every]
    return {
        "lumped_slope": [lumped_slope(one, wall) for one in smoothed],
        "exact_inverse": [exact_inverse(one, wall) for one in smoothed],
        "sequential": sequential(every, wall),
    }


def _why_none(campaign: Campaign) -> str:
    if all(blend.deposit is None for blend in campaign.case.blends.values()):
        return "no blend leaves a deposit"
    if all(f.run.shed is not None for f in campaign.firings if f.blend.deposit is not None):
        return "deposit came off in every firing of every blend; add one that is shut down before"
    return "no bare firing on a clean bore to compare with; add one"


def _as_history(heat: HeatOfBurn | None) -> History:
    if heat is None:
        return History(*(np.empty(0),) * 3)
    return History(np.zeros(1), np.array([heat.flux]), np.array([heat.outer]))


def _runs(
    every: Sequence[Record], histories: dict[str, list[History]],
    heats: Sequence[HeatOfBurn | None], times: Array,
) -> dict[str, dict[str, Any]]:
    out: dict[str, dict[str, Any]] = {}
    for i, (record, heat) in enumerate(zip(every, heats, strict=True)):
        entry: dict[str, Any] = {"z_m": record.z}
        for method, found in histories.items():
            entry[f"{method}_W_m2"] = _short(at_times(times, found[i].t, found[i].flux))
        entry["calorimetric_W_m2"] = heat.flux if heat else None
        entry["outer_peak_s"] = heat.peak_at if heat else None
        out.setdefault(record.run, {})[record.sensor] = entry
    return out


def _in_time(pair: PairResistance, times: Array) -> dict[str, Any]:
    """Return a resistance in time, and its mean over the last part of what is known of it."""
    known = np.flatnonzero(np.isfinite(pair.mean))
    last = known[times[known] >= (1.0 - LAST_SHARE) * times[known[-1]]] if known.size else known
    out = _head(pair) | {
        "station_resistance_m2K_W": _interval(pair.station, pair.station_half),
        "mean_resistance_m2K_W": _interval(pair.mean, pair.mean_half),
        "at_s": None, "late_mean_resistance_m2K_W": None,
    }
    if last.size:
        # Deviations of a firing last as long as it does: the mean in time is no surer.
        late, half = float(pair.mean[last].mean()), float(pair.mean_half[last].mean())
        out["at_s"] = float(times[last].mean())
        out["late_mean_resistance_m2K_W"] = _interval(np.array(late), np.array(half))
    return out


def _over_burn(pair: PairResistance) -> dict[str, Any]:
    return _head(pair) | {
        "station_resistance_m2K_W": _interval(pair.station[:, 0], pair.station_half[:, 0]),
        "mean_resistance_m2K_W": _interval(pair.mean[0], pair.mean_half[0]),
    }


def _head(pair: PairResistance) -> dict[str, Any]:
    return {
        "runs": list(pair.runs), "bare_runs": list(pair.bare), "sensors": list(pair.sensors),
        "z_m": pair.z.tolist(), "repeats_freedom": pair.freedom,
    }


def _interval(value: Array, half: Array) -> dict[str, Any]:
    return {"estimate": _short(value), "low": _short(value - half), "high": _short(value + half)}


def _short(values: Array) -> Any:
    """Return numbers with four digits: no quick look has more."""
    array = np.asarray(values, dtype=float)
    return np.array([float(f"{v:.4g}") for v in array.ravel()]).reshape(array.shape).tolist()
