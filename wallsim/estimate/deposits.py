"""What the estimate says of each blend, as one part of its document."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.estimate.advice import advice
from wallsim.estimate.bore import BoreReadouts
from wallsim.estimate.identify import NOTHING, Identifiability, has_value, identifiability
from wallsim.estimate.joint import Estimate
from wallsim.estimate.laws import Averaged, LawChoice
from wallsim.estimate.limits import softening
from wallsim.estimate.readouts import (
    AlongTube,
    Readout,
    log_mean,
    plain,
    single,
    variance_shares,
)

Array = NDArray[np.float64]

GROWTH_POINTS = 25


def blend_document(
    estimate: Estimate, along: AlongTube, name: str, bores: Mapping[str, BoreReadouts],
    choice: LawChoice | None = None,
) -> dict[str, Any]:
    """Return gas side and deposit of one blend.

    Parameters
    ----------
    bores : mapping
        Of all firings by run.
    choice : LawChoice or None
        Of its growth law, where laws were compared.
    """
    campaign = estimate.campaign
    stated = campaign.case.blends[name]
    gas = _gas_temperature(estimate, name)
    out: dict[str, Any] = {
        "gas_temperature_K": gas.interval(estimate.covariance),
        "silicon": stated.silicon, "water": stated.water,
        "coefficient_factor": single(
            estimate, f"coefficient factor {name}", stated.coefficient.value
        ),
        "deposit": None,
    }
    names = estimate.unknowns.prior.names
    if name in estimate.unknowns.laws:
        deposit = _deposit(estimate, along, name, choice)
        valued = has_value(deposit)
        deposit["softening"] = softening(estimate, along, name, bores) if valued else None
        if not deposit["identifiable"] and f"coefficient factor {name}" in names:
            out["coefficient_factor"] = dict(NOTHING)
        out["deposit"] = deposit
    return out


def _gas_temperature(estimate: Estimate, name: str) -> Readout:
    run = next(
        r for f, r in zip(estimate.campaign.firings, estimate.runs, strict=True)
        if f.blend.name == name
    )
    row = run.map.parameters.slots()["log_rise"].start
    rise = np.exp(run.map.constant[row] + run.map.matrix[row] @ estimate.x)
    value = estimate.campaign.case.tube.outside.ambient + rise
    return Readout(np.asarray(value), rise * run.map.matrix[row], False)


def _deposit(
    estimate: Estimate, along: AlongTube, name: str, choice: LawChoice | None
) -> dict[str, Any]:
    unknowns = estimate.unknowns
    firings = [f for f in estimate.campaign.firings if f.blend.name == name]
    averaged = Averaged.of(estimate, choice)
    told = identifiability(
        estimate, along, name, maybe_steady="constant" in averaged.laws(name),
        laws_compared=choice is not None,
        others=[e for _, e in averaged.members if e.unknowns.laws[name] != unknowns.laws[name]],
    )
    t_ref = unknowns.t_ref[name]
    times = np.linspace(t_ref / GROWTH_POINTS, t_ref, GROWTH_POINTS)
    pressure = float(np.mean([f.events.plateau for f in firings]))
    mean = log_mean(along.resistance(name))
    out: dict[str, Any] = {
        "identifiable": told.identifiable,
        "upper_limit_only": told.upper_limit_only,
        "reason": told.reason,
        "law": unknowns.laws[name],
        "at_s": t_ref,
        "z_m": plain(along.z),
        "local_pressure_Pa": plain(firings[0].local_pressure(along.z, pressure)),
        "resistance_m2K_W": averaged.interval(lambda a: a.resistance(name)),
        "mean_resistance_m2K_W": averaged.interval(lambda a: log_mean(a.resistance(name))),
        "combined_resistance_m2K_W": averaged.interval(lambda a: a.combined_resistance(name)),
        "mean_combined_resistance_m2K_W": averaged.interval(
            lambda a: log_mean(a.combined_resistance(name))
        ),
        "heat_load_removed": _capped(averaged.interval(lambda a: a.removed_share(name))),
        "thickness_m": averaged.interval(
            lambda a: _thickness(estimate, a.resistance(name), name),
            lambda e: _with_conductivity(e, name),
        ),
        "mean_thickness_m": averaged.interval(
            lambda a: _thickness(estimate, log_mean(a.resistance(name)), name),
            lambda e: _with_conductivity(e, name),
        ),
        "in_time": {
            "time_s": plain(times),
            "mean_resistance_m2K_W": averaged.interval(lambda a: a.growth(name, times)),
        },
        "upper_limit_m2K_W": told.upper_limit,
        "growth_laws": choice.document() if choice else None,
        "dominated_by": [
            share | {"advice": advice(str(share["parameter"]), estimate.campaign, name)}
            for share in variance_shares(estimate, mean.gradient, name)
        ],
    }
    return _withheld(out, told)


def _capped(interval: dict[str, Any]) -> dict[str, Any]:
    return {k: min(v, 1.0) for k, v in interval.items()}


def _thickness(estimate: Estimate, R: Readout, name: str) -> Readout:
    """Return ``R k``; its gradient gets one more column, for the log of the conductivity."""
    deposit = estimate.campaign.case.blends[name].deposit
    assert deposit is not None
    one = np.ones((*R.gradient.shape[:-1], 1))
    gradient = np.concatenate((R.gradient, one), axis=-1)
    return Readout(R.value * deposit.conductivity.value, gradient, True)


def _with_conductivity(estimate: Estimate, name: str) -> Array:
    deposit = estimate.campaign.case.blends[name].deposit
    assert deposit is not None
    n = estimate.x.size
    out = np.zeros((n + 1, n + 1))
    out[:n, :n] = estimate.covariance
    out[n, n] = np.log1p(deposit.conductivity.relative_sd**2)
    return out


_SCALING = ("resistance_m2K_W", "mean_resistance_m2K_W", "thickness_m", "mean_thickness_m")


def _withheld(out: dict[str, Any], told: Identifiability) -> dict[str, Any]:
    """Take back what the data do not tell: everything but ``1/h + R``, or all but upper limits.

    Those of R and thickness go with the limit of the mean resistance, and so does that of
    ``h R = share/(1 - share)``.
    """
    if told.identifiable and told.upper_limit is None:
        return out
    growth, share = out["in_time"], out["heat_load_removed"]
    if told.upper_limit is None:
        for key in _SCALING:
            out[key] = dict(NOTHING)
        growth["mean_resistance_m2K_W"] = dict(NOTHING)
        out["heat_load_removed"] = dict(NOTHING)
        out["dominated_by"] = []
        return out
    factor = told.upper_limit / out["mean_resistance_m2K_W"]["high"]
    for part, key in (*((out, key) for key in _SCALING), (growth, "mean_resistance_m2K_W")):
        part[key] = NOTHING | {"high": plain(factor * np.asarray(part[key]["high"]))}
    odds = factor * share["high"] / max(1.0 - share["high"], 1e-9)
    out["heat_load_removed"] = NOTHING | {"high": odds / (1.0 + odds)}
    return out
