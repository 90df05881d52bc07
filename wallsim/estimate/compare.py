"""Blends against each other at equal conditions, with their common errors cancelled.

What all firings share (gas temperature, wall, thermocouples) moves the resistances of all blends
together, so a difference is surer than its two parts: with gradients ``g`` of the two to the
unknowns of covariance ``C``, the variance of a small one is ``(g_a - g_b) C (g_a - g_b)``, against
``g_a C g_a + g_b C g_b`` where the two are taken for independent. Equal conditions are equal time
since ignition, the shortest of the blends' longest burns, and the coefficient of the bare wall
common to all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, ndtr

from wallsim.case.model import Blend
from wallsim.estimate.by_hand import by_hand
from wallsim.estimate.joint import Estimate
from wallsim.estimate.readouts import (
    QUANTILE,
    AlongTube,
    Readout,
    log_mean,
    mean_removed_share,
    plain,
)

Array = NDArray[np.float64]

DRAWS = 20000
SEED = 20
ANGLES = np.linspace(0.0, 2.0 * np.pi, 721)
NOT_ENOUGH = "not enough blends"


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """One blend at the conditions common to all; every readout positive.

    Parameters
    ----------
    name : str
    stations : Readout
        R at the stations [m^2 K/W]; shape (n_s,).
    mean : Readout
        Mean R along the tube [m^2 K/W].
    removed : Readout
        Mean share of the bare wall's flux kept out at equal wall temperature [-].
    """

    name: str
    stations: Readout
    mean: Readout
    removed: Readout

    @classmethod
    def of(cls, along: AlongTube, name: str, t: float, stations: Array) -> Compared:
        """Return ``name`` at ``t`` from ignition [s]; ``stations`` are places in ``along.z``."""
        R, h = along.resistance(name), along.coefficient()
        grown, full = along.growth(name, np.array([t])), log_mean(R)
        R = Readout(R.value * grown.value[0] / full.value,
                    R.gradient + grown.gradient[0] - full.gradient, True)
        here = Readout(R.value[stations], R.gradient[stations], True)
        return cls(name, here, log_mean(R), mean_removed_share(h, R))


def difference(
    a: Readout, b: Readout, covariance: Array, *, as_if_independent: bool = False
) -> dict[str, object]:
    """Return the interval of ``a - b`` of two positive readouts, as uneven as theirs.

    From the lowest to the highest difference on the ellipse of their logs that is `QUANTILE`
    standard deviations away from the estimate: the profile of the difference.

    Parameters
    ----------
    as_if_independent : bool
        Whether to forget what the two have in common.
    """
    G = np.stack((a.gradient, b.gradient), axis=-2)
    C = G @ covariance @ np.swapaxes(G, -1, -2)
    if as_if_independent:
        C = C * np.eye(2)
    squares, axes = np.linalg.eigh(C)
    root = axes * np.sqrt(np.maximum(squares, 0.0))[..., None, :]
    away = QUANTILE * root @ np.stack((np.cos(ANGLES), np.sin(ANGLES)))
    d = a.value[..., None] * np.exp(away[..., 0, :]) - b.value[..., None] * np.exp(away[..., 1, :])
    return {"estimate": plain(a.value - b.value), "low": plain(d.min(axis=-1)),
            "high": plain(d.max(axis=-1))}


def comparisons(
    estimate: Estimate, along: AlongTube, blends: Mapping[str, Mapping[str, Any]]
) -> dict[str, Any]:
    """Return the part ``comparisons`` of the document.

    Parameters
    ----------
    blends : mapping
        The part ``blends`` of the document, which says whose deposit has a value.
    """
    names, left_out = _with_values(blends)
    case, C = estimate.campaign.case, estimate.covariance
    t = min((estimate.unknowns.t_ref[n] for n in names), default=None)
    z = np.unique([s.z.value for s in case.sensors])
    at = np.array([int(np.argmin(np.abs(along.z - point))) for point in z])
    every = [] if t is None else [Compared.of(along, n, t, at) for n in names]
    return {
        "reason": "" if len(every) > 1 else "fewer than two blends have a deposit with a value",
        "left_out": left_out,
        "at_s": t,
        "z_m": plain(z),
        "pairs": [_pair(a, b, C) for a, b in combinations(every, 2)],
        "ranking": ranking(every, C),
        "per_silicon": _per_silicon(every, [case.blends[n] for n in names], C),
        "response": response(every, [case.blends[n] for n in names], C),
        "by_hand": by_hand(estimate.campaign),
    }


def _with_values(blends: Mapping[str, Mapping[str, Any]]) -> tuple[list[str], dict[str, str]]:
    names, left_out = [], {}
    for name, blend in blends.items():
        deposit = blend["deposit"]
        if deposit is None:
            continue
        if not deposit["identifiable"]:
            left_out[name] = "its deposit is not identifiable"
        elif deposit["upper_limit_only"]:
            left_out[name] = "its deposit cannot be told from none"
        else:
            names.append(name)
    return names, left_out


def _pair(a: Compared, b: Compared, C: Array) -> dict[str, Any]:
    out: dict[str, Any] = {"blend": a.name, "against": b.name}
    for key, one, other in (
        ("mean_resistance_m2K_W", a.mean, b.mean),
        ("heat_load_removed", a.removed, b.removed),
        ("station_resistance_m2K_W", a.stations, b.stations),
    ):
        out[key] = difference(one, other, C)
        out[f"{key}_naive"] = difference(one, other, C, as_if_independent=True)
    ratio = Readout(a.mean.value / b.mean.value, a.mean.gradient - b.mean.gradient, True)
    out["mean_resistance_ratio"] = ratio.interval(C)
    sd = float(ratio.sd(C))
    out["probability_higher"] = float(ndtr(np.log(ratio.value) / sd)) if sd > 0.0 else None
    return out


def ranking(every: Sequence[Compared], C: Array) -> list[dict[str, Any]]:
    """Return the chance of each rank of each blend, highest mean R first.

    Draws of the joint normal of the logs of the mean resistances, always the same.
    """
    if len(every) < 2:
        return []
    G = np.array([one.mean.gradient for one in every])
    centre = np.log([float(one.mean.value) for one in every])
    draws = np.random.default_rng(SEED).multivariate_normal(
        centre, G @ C @ G.T, size=DRAWS, method="eigh"
    )
    ranks = np.argsort(np.argsort(-draws, axis=1), axis=1)
    order = np.argsort(-centre)
    return [
        {"blend": every[i].name,
         "rank_probability": [float(np.mean(ranks[:, i] == k)) for k in range(len(every))]}
        for i in order
    ]


def _per_silicon(
    every: Sequence[Compared], blends: Sequence[Blend], C: Array
) -> list[dict[str, Any]]:
    return [
        {"blend": one.name, "silicon": blend.silicon,
         "resistance_m2K_W": Readout(
             one.mean.value / blend.silicon, one.mean.gradient, True).interval(C)}
        for one, blend in zip(every, blends, strict=True) if blend.silicon > 0.0
    ]


def line_through(silicon: Array, water: Array) -> dict[str, Array]:
    """Return the terms of ``constant + a silicon + b water`` that vary, and their values.

    Parameters
    ----------
    silicon, water : Array, shape (n,)
        Mass fractions of the blends [-].
    """
    terms = {"constant": np.ones(silicon.size)}
    terms |= {
        name: values for name, values in (("silicon", silicon), ("water", water))
        if values.size and np.ptp(values) > 0.0
    }
    return terms


def independent(X: Array) -> bool:
    """Return whether the columns of ``X``, shape (n, k), can be told apart, whatever their unit."""
    return bool(np.linalg.matrix_rank(X / np.abs(X).max(axis=0)) == X.shape[1])


def response(every: Sequence[Compared], blends: Sequence[Blend], C: Array) -> dict[str, Any]:
    """Return the response of mean R to silicon and water, ``R = constant + a silicon + b water``.

    What does not vary among the blends has no term. All blends weigh the same: weights by their
    own intervals, whose greater part is a common factor, would favour the low. The intervals carry
    the joint covariance of the blends, so they hold if the line does; ``misfit`` tests that
    against chi-squared.
    """
    columns = line_through(np.array([blend.silicon for blend in blends]),
                           np.array([blend.water for blend in blends]))
    X = np.column_stack(list(columns.values()))
    freedom = len(every) - X.shape[1]
    out: dict[str, Any] = {"reason": "", "terms": [], "freedom": freedom, "misfit": None,
                           "p_value": None}
    if len(columns) == 1 or freedom < 1:
        why = ("neither silicon nor water varies" if len(columns) == 1 else
               f"{len(every)} for {X.shape[1]} coefficients ({', '.join(columns)})")
        return out | {"reason": f"{NOT_ENOUGH}: {why}"}
    if not independent(X):
        return out | {"reason": f"{NOT_ENOUGH}: silicon and water vary together"}
    R = np.array([float(one.mean.value) for one in every])
    G = R[:, None] * np.array([one.mean.gradient for one in every])
    onto = np.linalg.pinv(X)
    terms = Readout(onto @ R, onto @ G, False).interval(C)
    left = np.eye(len(every)) - X @ onto
    misfit = float(left @ R @ np.linalg.pinv(left @ G @ C @ G.T @ left.T, rcond=1e-9) @ left @ R)
    out["terms"] = [
        {"term": name, "resistance_m2K_W": {k: values[i] for k, values in terms.items()}}  # type: ignore[index]
        for i, name in enumerate(columns)
    ]
    return out | {"misfit": misfit, "p_value": float(chdtrc(freedom, misfit))}
