"""What the traces cannot tell: a deposit from none, one parameter from another; and what cannot be.

Resistances are fitted as logs, so none lies infinitely far off and the prior, which knows no zero,
keeps an estimate away from it. Whether there is a deposit at all is therefore asked of the traces
alone: the level's prior is taken out of the posterior, and what is left is a normal likelihood in
the resistance itself, in which the wall is nearly linear, and which has a value at zero.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from wallsim.estimate.bore import BoreReadouts
from wallsim.estimate.joint import Estimate
from wallsim.estimate.readouts import AlongTube, Readout, log_mean
from wallsim.estimate.run_model import RunModel
from wallsim.estimate.unknowns import smooth_basis
from wallsim.regression.prior import Parameter
from wallsim.regression.profile import COVERAGE

Array = NDArray[np.float64]

TOLD_FROM_NONE = 2.0
"""Standard deviations between a resistance and zero from which on it is a value, not a limit."""
COLLINEAR = 0.95
NEAR_BOUND = 0.01
BOUNDS: Mapping[str, tuple[float, float]] = {
    "emissivity": (0.0, 1.0),
    "outside convection": (0.0, np.inf),
    "lead loss ": (0.0, 1.0),
}
"""Physical bounds by start of the parameter's name; what is fitted as a log has none."""


@dataclass(frozen=True, slots=True)
class OfTraces:
    """Mean resistance of a deposit as the traces alone tell it.

    Parameters
    ----------
    value, sd : float
        Of the normal likelihood [m^2 K/W]; the value may be negative, the sd infinite.
    """

    value: float
    sd: float

    @property
    def ratio(self) -> float:
        """Standard deviations above zero; its square is what R = 0 costs in chi-squared."""
        return self.value / self.sd if np.isfinite(self.sd) else 0.0

    @property
    def upper_limit(self) -> float:
        """Value that the resistance, known not to be negative, stays below at 95 % [m^2 K/W].

        Quantile of the normal likelihood cut off at zero.
        """
        tail = (1.0 - COVERAGE) * ndtr(self.ratio)
        return float(self.value - self.sd * ndtri(tail))


def of_traces(estimate: Estimate, along: AlongTube, blend: str) -> OfTraces:
    """Return the mean resistance of ``blend`` without the prior of its level.

    The shape along the tube keeps its prior; all other unknowns keep theirs. Linearised at the
    estimate: ``R (1 + d log R)``.
    """
    prior, C = estimate.unknowns.prior, estimate.covariance
    at = estimate.unknowns.curve(f"R {blend}")
    root = prior.root[np.ix_(at, at)]
    one = np.linalg.solve(root @ root.T, np.ones(at.size))
    s = float(one.sum())
    v = np.zeros(C.shape[0])
    v[at] = one
    Cv = C @ v
    left = s - float(v @ Cv)
    mean = log_mean(along.resistance(blend))
    R = float(mean.value)
    if left <= 1e-9 * s:
        return OfTraces(R, np.inf)
    # Sherman & Morrison 1950 (Ann. Math. Stat. 21, 124): the rank-one part v v^T/s leaves.
    towards = float(mean.gradient @ Cv)
    shift = towards / left * float(v @ (estimate.x - prior.mean))
    variance = float(mean.gradient @ C @ mean.gradient) + towards**2 / left
    return OfTraces(R * (1.0 + shift), R * float(np.sqrt(variance)))


def deposit_surface(
    estimate: Estimate, along: AlongTube, blend: str, run: RunModel, bore: BoreReadouts
) -> Readout:
    """Return the temperature of the deposit's gas side along the tube at shutdown [K].

    It is ``T_bore + q R``.
    """
    gas, T = run.surfaces.gas, bore.shutdown_temperature
    chain = estimate.unknowns.chains.get(run.name)
    if chain is not None:
        history = chain.history(along.z, smooth_basis(estimate.unknowns.knots, along.z))
        R_end, dR = history.resistance(gas.burn, run.map.at(estimate.x))
        rise, q = bore.flux.value * R_end, bore.flux.value[:, None]
        return Readout(T.value + rise, T.gradient + rise[:, None] * bore.flux.gradient
                       + q * (dR @ run.map.matrix), False)
    g, dg = gas.growth(gas.burn, estimate.unknowns.growth_shape(blend, estimate.x))
    R = along.resistance(blend)
    rise = bore.flux.value * R.value * g
    gradient = bore.flux.gradient + R.gradient
    for i, place in estimate.unknowns.growth_places(blend).items():
        gradient[:, place] += dg[i] / g
    return Readout(T.value + rise, T.gradient + rise[:, None] * gradient, False)


def softening(
    estimate: Estimate, along: AlongTube, blend: str, bores: Mapping[str, BoreReadouts]
) -> dict[str, Any] | None:
    """Return the hottest deposit surface of a blend's firings against its softening temperature.

    None where no softening temperature is stated.
    """
    deposit = estimate.campaign.case.blends[blend].deposit
    if deposit is None or deposit.softening is None:
        return None
    hottest: dict[str, Any] = {}
    mine = {f.run.name for f in estimate.campaign.firings if f.blend.name == blend}
    for run in estimate.runs:
        if run.name not in mine:
            continue
        surface = deposit_surface(estimate, along, blend, run, bores[run.name])
        i = int(np.argmax(surface.value))
        if not hottest or surface.value[i] > hottest["surface_K"]["estimate"]:
            one = Readout(surface.value[i], surface.gradient[i], False)
            hottest = {"run": run.name, "z_m": float(along.z[i]),
                       "surface_K": one.interval(estimate.covariance)}
    above = hottest["surface_K"]["estimate"] > deposit.softening
    return hottest | {"softening_K": deposit.softening, "exceeded": bool(above)}


def collinear(estimate: Estimate) -> list[dict[str, Any]]:
    """Return the pairs of unknowns that the traces hardly tell apart, the closest first.

    Knots of one curve lean on each other by nature and are not paired. Of many pairs between the
    same two groups of unknowns (of each firing, of each sensor) the closest stands for all.
    """
    C, parameters = estimate.covariance, estimate.unknowns.prior.parameters
    sd = np.sqrt(np.diag(C))
    correlation = C / np.outer(sd, sd)
    rows, columns = np.nonzero(np.triu(np.abs(correlation), 1) > COLLINEAR)
    closest: dict[frozenset[str], dict[str, Any]] = {}
    for i, j in sorted(zip(rows, columns, strict=True), key=lambda at: -abs(correlation[at])):
        one, other = parameters[i], parameters[j]
        if _curve(one) != _curve(other):
            pair = closest.setdefault(frozenset((one.group, other.group)), {
                "parameters": [one.name, other.name],
                "correlation": float(correlation[i, j]), "pairs_alike": 0,
            })
            pair["pairs_alike"] += 1
    return list(closest.values())


def _curve(parameter: Parameter) -> str:
    """Return the curve that a parameter is a knot of, its own name otherwise."""
    return re.split(r" at | after ", parameter.name)[0]


def at_bounds(estimate: Estimate) -> list[dict[str, Any]]:
    """Return the unknowns whose estimate is at or beyond what is physically possible.

    ``beyond`` where the whole 95 % interval is. A ``share`` cannot leave 0 to 1, and is at its
    bound within one hundredth of it.
    """
    out = []
    sd = np.sqrt(np.diag(estimate.covariance))
    for p, x, s in zip(estimate.unknowns.prior.parameters, estimate.x, sd, strict=True):
        if p.share and not NEAR_BOUND < (value := p.value(x)) < 1.0 - NEAR_BOUND:
            out.append({"parameter": p.name, "estimate": value, "bound": round(value),
                        "unit": p.unit, "beyond": False, "share": True})
        low, high = next((b for start, b in BOUNDS.items() if p.name.startswith(start)),
                         (-np.inf, np.inf))
        if p.log or p.share or low < x < high:
            continue
        bound = low if x <= low else high
        half = ndtri(0.5 + 0.5 * COVERAGE) * s
        out.append({"parameter": p.name, "estimate": float(x), "bound": bound, "unit": p.unit,
                    "beyond": bool(abs(x - bound) > half)})
    return out
