"""How each firing depends on the unknowns.

Every firing's `WallParameters` are an affine map of the unknowns, ``p = constant + matrix x``, so
the sensitivities of a march carry over by one product.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Firing
from wallsim.case.model import Blend
from wallsim.estimate.unknowns import (
    PURGE_KNOTS,
    Unknowns,
    at_knot,
    gas_family,
    growth_names,
)
from wallsim.regression.prior import log_odds
from wallsim.units import Quantity
from wallsim.wall.gas import WallParameters

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class RunMap:
    """How one firing depends on the unknowns ``x``.

    Parameters
    ----------
    parameters : WallParameters
        Template that carries the sizes.
    constant : Array, shape (n_par,)
    matrix : Array, shape (n_par, n_x)
        ``p = constant + matrix @ x``.
    offset, offset_fixed : int or None, float
        Unknown of the ignition offset, or its fixed value [s].
    """

    parameters: WallParameters
    constant: Array
    matrix: Array
    offset: int | None
    offset_fixed: float

    @property
    def active(self) -> NDArray[np.intp]:
        """Columns of the march that depend on any unknown."""
        return np.flatnonzero(np.abs(self.matrix).sum(axis=1))

    def with_more(self, name: str, n: int) -> RunMap:
        """Return the map with ``n`` further unknowns behind ``x``, one for each value of a field.

        Parameters
        ----------
        name : str
            Field of the parameters that is empty so far.
        """
        more: dict[str, Any] = {name: np.zeros(n)}
        parameters = replace(self.parameters, **more)
        slot = parameters.slots()[name]
        where = np.full(n, slot.start)
        n_x = self.matrix.shape[1]
        matrix = np.insert(np.pad(self.matrix, ((0, 0), (0, n))), where, 0.0, axis=0)
        matrix[slot, n_x:] = np.eye(n)
        return replace(self, parameters=parameters, matrix=matrix,
                       constant=np.insert(self.constant, where, 0.0))

    def at(self, x: Array) -> WallParameters:
        """Return the firing's parameters at ``x``."""
        return self.parameters.with_vector(self.constant + self.matrix @ x)


def firing_map(unknowns: Unknowns, firing: Firing) -> RunMap:
    """Return how ``firing`` depends on the unknowns."""
    return _RunMapper(unknowns, firing).result()


class _RunMapper:
    """Fills the affine map of one firing."""

    def __init__(self, unknowns: Unknowns, firing: Firing) -> None:
        self.u, self.firing, self.case = unknowns, firing, unknowns.case
        self.names = unknowns.prior.names
        n = unknowns.knots.size
        blend = firing.blend
        n_R = n if blend.name in unknowns.laws else 0
        self.chain = unknowns.chains.get(firing.run.name)
        tube, fit = self.case.tube, self.case.fit
        convection = tube.outside.convection or tube.outside.convection_scale
        self.template = WallParameters(
            log_h=np.zeros(n), pressure_exponent=fit.pressure_exponent.value,
            log_rise=float(np.log(blend.gas_temperature.value - tube.outside.ambient)),
            log_ramp=_log(fit.ramp), log_purge=np.full(PURGE_KNOTS.size, _log(fit.purge)),
            log_R=np.zeros(n_R),
            growth_shape=np.zeros(2), emissivity=tube.outside.emissivity.value,
            convection=convection.value, log_head=_log(tube.head.coefficient),
            log_exit=_log(tube.exit.coefficient), log_conductivity=_log(tube.conductivity_scale),
            log_heat_capacity=_log(tube.heat_capacity_scale), log_wall=_log(tube.wall),
            conductivity_tilt=tube.conductivity_tilt.value,
            heat_capacity_tilt=tube.heat_capacity_tilt.value, **self.carried(n),
        )
        self.slots = self.template.slots()
        self.constant = self.template.vector()
        self.matrix = np.zeros((self.constant.size, len(unknowns.prior.parameters)))

    def carried(self, n: int) -> dict[str, Array]:
        """Return the stated values of what a chain adds to the march's parameters."""
        if self.chain is None:
            return {}
        offset = self.case.fit.ignition_offset.value
        return {
            "log_R_under": np.zeros(n * len(self.chain.under)),
            "growth_shape_under": np.zeros(2 * len(self.chain.under)),
            "log_odds": np.array([log_odds(q.value, 0.0)[0] for _, q in self.chain.shares]),
            "shed_time": np.array([
                shed.at.value - link.ignition - offset for link, shed in self.chain.sheds
            ]),
        }

    def result(self) -> RunMap:
        blend, run = self.firing.blend, self.firing.run.name
        for field, label in (("log_h", "h"), ("log_R", f"R {blend.name}")):
            rows = range(self.slots[field].start, self.slots[field].stop)
            for row, z in zip(rows, self.u.knots, strict=False):
                self.replace(row, at_knot(label, z))
        for row, t in zip(range(self.slots["log_purge"].start, self.slots["log_purge"].stop),
                          PURGE_KNOTS, strict=True):
            self.replace(row, f"purge coefficient after {t:g} s")
        level = self.slots["log_h"]
        if f"coefficient factor {blend.name}" not in self.names:
            self.constant[level] += np.log(blend.coefficient.value)
        self.add(level, f"coefficient factor {blend.name}", 1.0)
        self.add(level, f"heating factor {run}", 1.0)
        self.gas_temperature(blend)
        for field, name in _SINGLE.items():
            self.replace(self.slots[field].start, name)
        self.growth(self.slots["growth_shape"].start, blend.name)
        self.add(self.slots["log_purge"], f"purge factor {run}", 1.0)
        self.carry_over()
        offset = self.case.fit.ignition_offset.value
        return RunMap(self.template, self.constant, self.matrix,
                      self.names.get(f"ignition offset {run}"), offset)

    def carry_over(self) -> None:
        """Tie what the bore carries to the unknowns of the firings that left it."""
        if self.chain is None:
            return
        under, knots = self.slots["log_R_under"].start, self.u.knots
        for i, blend in enumerate(self.chain.under):
            self.growth(self.slots["growth_shape_under"].start + 2 * i, blend)
            for j, z in enumerate(knots):
                self.replace(under + i * knots.size + j, at_knot(f"R {blend}", z))
        for i, (name, _) in enumerate(self.chain.shares):
            self.replace(self.slots["log_odds"].start + i, name)
        for i, (link, shed) in enumerate(self.chain.sheds):
            row = self.slots["shed_time"].start + i
            if link.moment_name in self.names:
                self.constant[row] -= shed.at.value
                self.matrix[row, self.names[link.moment_name]] = 1.0
            if (offset := self.names.get(f"ignition offset {link.run}")) is not None:
                self.constant[row] += self.case.fit.ignition_offset.value
                self.matrix[row, offset] = -1.0

    def gas_temperature(self, blend: Blend) -> None:
        """Add the shared and the own errors, to first order, to the log of the rise."""
        row, T = self.slots["log_rise"], blend.gas_temperature
        rise = T.value - self.case.tube.outside.ambient
        slope = T.value / rise
        self.add(row, "gas temperature, shared error", T.sd / rise)
        family = gas_family(self.case, blend.name)
        own = [f"gas temperature factor {name}" for name in dict.fromkeys((family, blend.name))]
        for name in (*own, f"gas temperature of firing {self.firing.run.name}"):
            if name in self.names:
                self.constant[row] -= slope
                self.add(row, name, slope)

    def replace(self, row: int, name: str) -> None:
        """Make a row equal to one unknown, if it is one."""
        if name in self.names:
            self.constant[row] = 0.0
            self.matrix[row, self.names[name]] = 1.0

    def growth(self, row: int, blend: str) -> None:
        """Tie curvature and exponent of a blend's growth to its unknowns."""
        for i, name in enumerate(growth_names(blend)):
            self.replace(row + i, name)

    def add(self, rows: slice, name: str, weight: float) -> None:
        if name in self.names:
            self.matrix[rows, self.names[name]] += weight


_SINGLE = {
    "pressure_exponent": "pressure exponent",
    "log_ramp": "gas temperature rise time",
    "emissivity": "emissivity",
    "convection": "outside convection",
    "log_head": "head conductance",
    "log_exit": "exit conductance",
    "log_conductivity": "conductivity scale",
    "log_heat_capacity": "heat capacity scale",
    "conductivity_tilt": "conductivity tilt",
    "heat_capacity_tilt": "heat capacity tilt",
    "log_wall": "wall thickness",
}


def _log(quantity: Quantity) -> float:
    return float(np.log(max(quantity.value, 1e-9)))
