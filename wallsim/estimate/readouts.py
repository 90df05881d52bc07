"""What the estimate means: derived quantities with their gradients and intervals.

Every interval is the 95 % interval of the Laplace posterior, symmetric in the log for quantities
that cannot be negative (delta method, JCGM 100:2008 section 5.2).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from wallsim.build import Campaign
from wallsim.case.model import Case
from wallsim.estimate.joint import Estimate
from wallsim.estimate.run_model import RunModel
from wallsim.estimate.unknowns import Unknowns, smooth_basis
from wallsim.regression.profile import COVERAGE
from wallsim.wall.gas import GasSide

Array = NDArray[np.float64]

QUANTILE = float(ndtri(0.5 + 0.5 * COVERAGE))
SPACING = 0.0125
SHARES_SHOWN = 6
SMALLEST_SHARE = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Readout:
    """A derived quantity.

    Parameters
    ----------
    value : Array, shape (...)
    gradient : Array, shape (..., m)
        To the unknowns ``x``; of the log of the value where ``log``.
    log : bool
    """

    value: Array
    gradient: Array
    log: bool

    def sd(self, covariance: Array) -> Array:
        """Return the standard deviation (of the log, where ``log``); shape of ``value``."""
        variance = np.einsum("...i,ij,...j->...", self.gradient, covariance, self.gradient)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def interval(self, covariance: Array) -> dict[str, object]:
        """Return estimate, low and high as plain numbers or lists."""
        half = QUANTILE * self.sd(covariance)
        if self.log:
            low, high = self.value * np.exp(-half), self.value * np.exp(half)
        else:
            low, high = self.value - half, self.value + half
        return {"estimate": plain(self.value), "low": plain(low), "high": plain(high)}


def plain(value: Array | float) -> object:
    """Return ``value`` as a float or nested lists of floats."""
    array = np.asarray(value, dtype=float)
    return float(array) if array.ndim == 0 else array.tolist()


def single(estimate: Estimate, name: str, fixed: float = 1.0) -> dict[str, object]:
    """Return the interval of one unknown by name, or of the value it is held ``fixed`` at."""
    prior = estimate.unknowns.prior
    place = prior.names.get(name)
    if place is None:
        return {"estimate": fixed, "low": fixed, "high": fixed}
    gradient = np.zeros(estimate.x.size)
    gradient[place] = 1.0
    parameter = prior.parameters[place]
    value = np.asarray(parameter.value(estimate.x[place]))
    if parameter.share:
        half = QUANTILE * float(np.sqrt(estimate.covariance[place, place]))
        low, high = (parameter.value(estimate.x[place] + s * half) for s in (-1.0, 1.0))
        return {"estimate": plain(value), "low": low, "high": high}
    return Readout(value, gradient, parameter.log).interval(estimate.covariance)


def log_mean(readout: Readout) -> Readout:
    """Return the mean along the last axis of a positive readout."""
    mean = readout.value.mean()
    gradient = (readout.value[:, None] * readout.gradient).mean(axis=0) / mean
    return Readout(np.asarray(mean), gradient, True)


def mean_removed_share(h: Readout, R: Readout) -> Readout:
    """Return the mean along the last axis of ``h R/(1 + h R)`` of two positive readouts [-]."""
    hR = h.value * R.value
    share = hR / (1.0 + hR)
    slope, mean = share / (1.0 + hR), share.mean()
    gradient = (slope[:, None] * (h.gradient + R.gradient)).mean(axis=0) / mean
    return Readout(np.asarray(mean), gradient, True)


def points_along(case: Case) -> Array:
    """Return where along the tube quantities are stated [m]: evenly, and at the stations."""
    stations = np.unique([s.z.value for s in case.sensors])
    low, high = stations[0], stations[-1]
    n = max(2, int(np.ceil((high - low) / SPACING)) + 1)
    z = np.unique(np.round(np.concatenate((np.linspace(low, high, n), stations)), 6))
    return np.asarray(z[np.concatenate(([True], np.diff(z) > 1e-4))])


@dataclass(frozen=True, slots=True, eq=False)
class AlongTube:
    """Quantities along the tube at ``x``, between the first and the last station.

    Parameters
    ----------
    campaign : Campaign
    unknowns : Unknowns
    runs : tuple of RunModel
    x : Array, shape (m,)
    z : Array, shape (n_z,)
        Even, stations included [m].
    """

    campaign: Campaign
    unknowns: Unknowns
    runs: tuple[RunModel, ...]
    x: Array
    z: Array

    @classmethod
    def of(cls, estimate: Estimate) -> AlongTube:
        """Return those of an estimate, at points chosen from the stations of the case."""
        e = estimate
        return cls(e.campaign, e.unknowns, e.runs, e.x, points_along(e.campaign.case))

    def at(self, x: Array) -> AlongTube:
        """Return the same quantities at other unknowns."""
        return replace(self, x=x)

    def _curve(self, label: str) -> Readout:
        at, basis = self.unknowns.curve(label), smooth_basis(self.unknowns.knots, self.z)
        gradient = np.zeros((self.z.size, self.x.size))
        gradient[:, at] = basis
        return Readout(np.exp(basis @ self.x[at]), gradient, True)

    def coefficient(self) -> Readout:
        """Return h of the bare wall at the reference pressure [W/(m^2 K)]."""
        return self._curve("h")

    def blend_coefficient(self, blend: str) -> Readout:
        """Return h of ``blend`` without deposit at the reference pressure [W/(m^2 K)]."""
        h, name = self.coefficient(), f"coefficient factor {blend}"
        place = self.unknowns.prior.names.get(name)
        stated = self.campaign.case.blends[blend].coefficient.value
        if place is None:
            return Readout(h.value * stated, h.gradient, True)
        gradient = h.gradient.copy()
        gradient[:, place] += 1.0
        return Readout(h.value * np.exp(self.x[place]), gradient, True)

    def resistance(self, blend: str) -> Readout:
        """Return R at the end of the blend's longest burn [m^2 K/W]."""
        return self._curve(f"R {blend}")

    def combined_resistance(self, blend: str) -> Readout:
        """Return ``1/h + R`` of ``blend``, through which alone h and R act on the wall [m^2 K/W].

        At the reference pressure and the end of the blend's longest burn.
        """
        h, R = self.blend_coefficient(blend), self.resistance(blend)
        gas_side = 1.0 / h.value
        both = gas_side + R.value
        share = (R.value / both)[:, None]
        return Readout(both, share * R.gradient - (1.0 - share) * h.gradient, True)

    def removed_share(self, blend: str) -> Readout:
        """Return the mean share of the bare-wall flux that the deposit keeps out [-]."""
        return mean_removed_share(self.blend_coefficient(blend), self.resistance(blend))

    def clean_gas(self, blend: str) -> GasSide:
        """Return the gas side of a firing of ``blend`` on a clean bore, its burn without end."""
        firing = next(f for f in self.campaign.firings if f.blend.name == blend)
        gas = next(r for r in self.runs if r.name == firing.run.name).surfaces.gas
        return replace(gas, deposit_age=0.0, burn=np.inf)

    def growth(self, blend: str, times: Array) -> Readout:
        """Return the mean resistance over time from ignition [m^2 K/W]; shape (n_t,)."""
        places = self.unknowns.growth_places(blend)
        growth_shape = self.unknowns.growth_shape(blend, self.x)
        mean = log_mean(self.resistance(blend))
        fresh = self.clean_gas(blend)
        values, gradients = [], []
        for t in times:
            g, dg = fresh.growth(float(t), growth_shape)
            gradient = mean.gradient.copy()
            for i, place in places.items() if g > 0.0 else ():
                gradient[place] += dg[i] / g
            values.append(mean.value * g)
            gradients.append(gradient)
        return Readout(np.array(values), np.array(gradients), True)


def variance_shares(estimate: Estimate, gradient: Array, blend: str) -> list[dict[str, object]]:
    """Return which groups of unknowns carry the variance of a readout, largest first.

    The share of a group is the part of the variance that would go if its unknowns were known
    exactly (first-order index; Saltelli et al. 2008, section 1.2.15). Shares of correlated
    groups overlap, so they need not add up to one. What is wanted itself, h and R along the tube,
    is no cause and is left out, and so is how other blends' deposits grow.

    Parameters
    ----------
    gradient : Array, shape (m,)
    blend : str
        Whose readout it is.
    """
    C = estimate.covariance
    parameters = estimate.unknowns.prior.parameters
    total = float(gradient @ C @ gradient)
    groups: dict[str, list[int]] = {}
    for i, p in enumerate(parameters):
        groups.setdefault(p.group, []).append(i)
    shares = []
    for name, members in groups.items():
        others_growth = name.startswith("growth law of") and name != f"growth law of {blend}"
        if total <= 0.0 or name.startswith(WANTED) or others_growth:
            continue
        cross = C[members] @ gradient
        part = float(cross @ np.linalg.solve(C[np.ix_(members, members)], cross)) / total
        if part >= SMALLEST_SHARE:
            shares.append({"parameter": name, "share": min(part, 1.0)})
    return sorted(shares, key=lambda s: -float(s["share"]))[:SHARES_SHOWN]  # type: ignore[arg-type]


WANTED = ("deposit of ", "gas-side coefficient along the tube")
