"""Deposit of single firings whose bore was not clean, or in which deposit came off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.estimate.carry_over import Chain, Link
from wallsim.estimate.identify import has_value
from wallsim.estimate.joint import Estimate
from wallsim.estimate.readouts import AlongTube, Readout, single
from wallsim.estimate.run_model import RunModel
from wallsim.estimate.unknowns import smooth_basis
from wallsim.wall.deposit import SHEDDING

Array = NDArray[np.float64]

AROUND = 5.0 * SHEDDING
"""Time before and after the moment of shedding at which R is stated [s]."""
CLOCK_STEP = 1e-4
POINTS = 49


def run_deposit(
    estimate: Estimate, along: AlongTube, run: RunModel, blends: Mapping[str, Mapping[str, Any]]
) -> dict[str, Any] | None:
    """Return what was carried over to a firing and lost in it, as one part of its document.

    None where the bore was clean and the deposit stayed whole. Resistances are null where those
    of a blend in the chain are.

    Parameters
    ----------
    blends : mapping
        Documents of the blends, which say what is identifiable.
    """
    chain = estimate.unknowns.chains.get(run.name)
    if chain is None:
        return None
    links = [link for link in chain.links if link.law != "none"]
    told = all(has_value(blends[link.blend]["deposit"]) for link in links)
    reader = _Reader(estimate, along.z, run, chain, told)
    last = chain.last
    carried = last.retained is not None
    return {
        "left_by": chain.links[-2].run if carried else None,
        "retained_fraction": _share(estimate, last.retained_name, last) if carried else None,
        "mean_resistance_at_ignition_m2K_W": reader.at(0.0),
        "mean_resistance_at_shutdown_m2K_W": reader.at(run.surfaces.gas.burn),
        "shedding": _shedding(estimate, chain, reader),
        "in_time": _in_time(estimate, chain, reader) if told else None,
    }


def _in_time(estimate: Estimate, chain: Chain, reader: _Reader) -> dict[str, Any]:
    """Return the mean R from ignition to shutdown, on either side of a loss as it is there."""
    t = np.linspace(0.0, reader.run.surfaces.gas.burn, POINTS)
    if chain.last.shed is None:
        found = [(float(at), reader.at(float(at))) for at in t]
    else:
        moment, of_x = _moment(estimate, reader.run)
        found = [(float(at), reader.at(float(at))) for at in t if abs(at - moment) > AROUND]
        found += [(at, reader.at(at, of_x)) for at in (moment - AROUND, moment + AROUND)]
        found.sort(key=lambda each: each[0])
    return {"time_s": [at for at, _ in found],
            "mean_resistance_m2K_W": {
                key: [R[key] for _, R in found] for key in ("estimate", "low", "high")}}


def _moment(estimate: Estimate, run: RunModel) -> tuple[float, Array]:
    """Return when deposit came off [s], and its derivative to the unknowns."""
    row = run.map.parameters.slots()["shed_time"].stop - 1
    of_x = run.map.matrix[row]
    return float(run.map.constant[row] + of_x @ estimate.x), of_x


def _share(estimate: Estimate, name: str, link: Link) -> dict[str, object]:
    stated = link.shed.lost if link.shed and name == link.lost_name else link.retained
    return single(estimate, name, 1.0 if stated is None else stated.value)


def _shedding(estimate: Estimate, chain: Chain, reader: _Reader) -> dict[str, Any] | None:
    link = chain.last
    if link.shed is None:
        return None
    moment, of_x = _moment(estimate, reader.run)
    return {
        "time_s": single(estimate, link.moment_name, link.shed.at.value),
        "lost_fraction": _share(estimate, link.lost_name, link),
        "beyond_m": link.shed.beyond,
        "resistance_stated_apart_s": AROUND,
        "mean_resistance_before_m2K_W": reader.at(moment - AROUND, of_x, link.shed.beyond),
        "mean_resistance_after_m2K_W": reader.at(moment + AROUND, of_x, link.shed.beyond),
    }


class _Reader:
    """Reads the mean resistance of one firing between the first and the last station."""

    def __init__(
        self, estimate: Estimate, z: Array, run: RunModel, chain: Chain, told: bool
    ) -> None:
        self.estimate, self.run, self.z, self.told = estimate, run, z, told
        self.history = chain.history(z, smooth_basis(estimate.unknowns.knots, z))

    def at(
        self, t: float, of_x: Array | None = None, beyond: float = 0.0
    ) -> dict[str, object]:
        """Return the mean at ``t`` [s], of which ``of_x`` is the derivative, ``beyond`` [m]."""
        if not self.told:
            return {"estimate": None, "low": None, "high": None}
        p, there = self.run.map.at(self.estimate.x), self.z >= min(beyond, self.z[-1])

        def mean(t: float) -> tuple[Array, Array]:
            R, dR = self.history.resistance(t, p)
            return R[there].mean(), dR[there].mean(axis=0)

        R, dR = mean(t)
        gradient = dR @ self.run.map.matrix
        if of_x is not None:
            (late, _), (early, _) = mean(t + CLOCK_STEP), mean(t - CLOCK_STEP)
            gradient = gradient + (late - early) / (2.0 * CLOCK_STEP) * of_x
        if R <= 0.0:
            return {"estimate": 0.0, "low": 0.0, "high": 0.0}
        return Readout(np.asarray(R), gradient / R, True).interval(self.estimate.covariance)
