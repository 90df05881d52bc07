"""Bore face: gas-side convection in series with the deposit.

    heat into the wall = U (T_g - T),   1/U = 1/h + R
    h(z, t)   = exp(B_h(z) log_h) (p(t)/p_ref)^n            while burning
    h(z, t)   = exp(log_purge(t - t_shutdown))              afterwards
    T_g(z, t) = T_amb + (1 - exp(-t/ramp)) share(z) (T_gas - T_amb)
    R(z, t)   = exp(B_R(z) log_R) g(t)

``t`` runs from ignition. The growth ``g`` is that of `wallsim.wall.growth`, 1 at ``t_ref``. A bore
that was not clean, or a deposit that comes off, is in `wallsim.wall.deposit`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.wall.deposit import DepositHistory
from wallsim.wall.growth import Law, grown

Array = NDArray[np.float64]


def _none() -> Array:
    return np.empty(0)


@dataclass(frozen=True, slots=True, eq=False)
class WallParameters:
    """Everything a march depends on that may be fitted; logs of what must be positive.

    The order of the fields is the order of the columns of a march's sensitivities.

    Parameters
    ----------
    log_h : Array, shape (n_h,)
        Log of the gas-side coefficient [W/(m^2 K)] at its knots.
    pressure_exponent : float
        n [-].
    log_rise : float
        Log of the gas temperature's rise above ambient, T_gas - T_amb [K]. In logs the ridge of
        equal heat flux, on which rise, coefficient, wall thickness and heat capacity can hardly
        be told apart, is nearly straight, and an estimate moves along it in few steps.
    log_ramp : float
        Log of the rise time of the gas temperature [s].
    log_purge : Array, shape (n_purge,)
        Log of the bore coefficient after shutdown [W/(m^2 K)] at its knots in time.
    log_R : Array, shape (n_R,)
        Log of the deposit resistance at ``t_ref`` [m^2 K/W] at its knots; may be empty.
    growth_shape : Array, shape (2,)
        Of the growth law: c of its curvature and log of its exponent [-].
    emissivity, convection : float
        Of the outside: emissivity [-], factor on the convection [-].
    log_head, log_exit : float
        Log of the conductances of the ends [W/(m^2 K)].
    log_conductivity, log_heat_capacity : float
        Logs of the factors on k(T) and c(T) [-].
    conductivity_tilt, heat_capacity_tilt : float
        Log change of k(T) and c(T) per 300 K, none at 600 K [-].
    log_wall : float
        Log of the wall thickness [m].
    log_R_under : Array, shape (n_under n_R,)
        As ``log_R``, of the other blends whose deposit was on the bore, one after the other.
    growth_shape_under : Array, shape (2 n_under,)
        As ``growth_shape``, one blend after the other.
    log_odds : Array, shape (n_odds,)
        Log odds of the fractions of a deposit that were retained or lost [-].
    shed_time : Array, shape (n_shed,)
        Moments at which deposit came off, from ignition of their firing [s].
    pressure_error : Array, shape (n_p,)
        Of the log of the pressure at the times it is given, zeros; empty if not asked for [-].
    trial_loss : Array, shape (n_trial,)
        Shares lost at the trial times of a `DepositHistory`, zeros [-].
    """

    log_h: Array
    pressure_exponent: float
    log_rise: float
    log_ramp: float
    log_purge: Array
    log_R: Array
    growth_shape: Array
    emissivity: float
    convection: float
    log_head: float
    log_exit: float
    log_conductivity: float
    log_heat_capacity: float
    conductivity_tilt: float
    heat_capacity_tilt: float
    log_wall: float
    log_R_under: Array = field(default_factory=_none)
    growth_shape_under: Array = field(default_factory=_none)
    log_odds: Array = field(default_factory=_none)
    shed_time: Array = field(default_factory=_none)
    pressure_error: Array = field(default_factory=_none)
    trial_loss: Array = field(default_factory=_none)

    def slots(self) -> dict[str, slice]:
        """Return the columns of each field."""
        out, at = {}, 0
        for name in self.__dataclass_fields__:
            size = np.size(getattr(self, name))
            out[name] = slice(at, at + size)
            at += size
        return out

    def vector(self) -> Array:
        """Return all values in column order."""
        return np.concatenate([np.atleast_1d(getattr(self, n)) for n in self.__dataclass_fields__])

    def with_vector(self, values: Array) -> WallParameters:
        """Return the parameters of the same sizes with other ``values``."""
        fields: dict[str, Any] = {
            name: values[s] if np.ndim(getattr(self, name)) else float(values[s.start])
            for name, s in self.slots().items()
        }
        return WallParameters(**fields)


@dataclass(frozen=True, slots=True, eq=False)
class Exchange:
    """Robin exchange at the bore nodes at one moment.

    Parameters
    ----------
    U, T_inf : Array, shape (m,)
        Coefficient, deposit in [W/(m^2 K)], and driving temperature [K].
    h : Array, shape (m,)
        Coefficient of the gas side alone [W/(m^2 K)].
    """

    U: Array
    T_inf: Array
    h: Array


@dataclass(frozen=True, slots=True, eq=False)
class GasSide:
    """History of one firing at the bore.

    Parameters
    ----------
    coefficient_basis : Array, shape (m, n_h)
        B_h at the bore nodes.
    resistance_basis : Array, shape (m, n_R)
        B_R at the bore nodes; n_R = 0 for a bare bore.
    share : Array, shape (m,)
        Share of the gas temperature's rise that is there at each node.
    ambient : float
        T_amb [K].
    burn : float
        From ignition to shutdown [s].
    pressure_time, log_pressure : Array, shape (n_p,)
        Log of p/p_ref over time from ignition.
    purge_time : Array, shape (n_purge,)
        Knots of the bore coefficient after shutdown, from shutdown [s].
    law : Law
    t_ref : float
        Time at which the growth is 1 [s].
    deposit_age : float
        Burning time that the deposit on the bore has seen before this firing [s].
    history : DepositHistory or None
        Stands for law and age where the bore was not clean or part of the deposit comes off.
    """

    coefficient_basis: Array
    resistance_basis: Array
    share: Array
    ambient: float
    burn: float
    pressure_time: Array
    log_pressure: Array
    purge_time: Array
    law: Law
    t_ref: float
    deposit_age: float = 0.0
    history: DepositHistory | None = None

    def log_pressure_at(self, t: float) -> float:
        """Return log(p/p_ref) at ``t`` [s]."""
        return float(np.interp(t, self.pressure_time, self.log_pressure))

    def purge_weights(self, t: float) -> Array:
        """Return the weights of the purge's knots at ``t`` [s] from ignition."""
        return _between(self.purge_time, t - self.burn)

    def growth(self, t: float, growth_shape: Array) -> tuple[float, Array]:
        """Return the growth at ``t`` and its derivatives to ``growth_shape``."""
        s = (self.deposit_age + min(t, self.burn)) / self.t_ref
        return grown(self.law, s, growth_shape)

    def resistance(self, t: float, p: WallParameters) -> Array:
        """Return R at the bore nodes [m^2 K/W] at ``t``; shape (m,)."""
        if self.history is not None:
            return self.history.resistance(min(t, self.burn), p)[0]
        if self.law == "none":
            return np.zeros(len(self.share))
        return np.exp(self.resistance_basis @ p.log_R) * self.growth(t, p.growth_shape)[0]

    def at(self, p: WallParameters) -> GasSideAt:
        """Return the gas side at the parameters ``p``."""
        return GasSideAt(
            self, p, p.slots(), np.exp(self.coefficient_basis @ p.log_h),
            self.share * np.exp(p.log_rise), float(np.exp(p.log_ramp)),
            np.exp(self.resistance_basis @ p.log_R) if self.laid else np.zeros(0),
        )

    @property
    def laid(self) -> bool:
        """Whether there is a deposit that one growth law describes."""
        return self.history is None and self.law != "none"


@dataclass(frozen=True, slots=True, eq=False)
class GasSideAt:
    """A gas side at given parameters, with what of it does not depend on time.

    Parameters
    ----------
    side : GasSide
    p : WallParameters
    slots : dict of str to slice
        Of ``p``.
    h : Array, shape (m,)
        Coefficient at the reference pressure [W/(m^2 K)].
    rise : Array, shape (m,)
        Final rise of the gas temperature above ambient [K].
    ramp : float
        [s].
    R : Array, shape (m,)
        Resistance at ``t_ref`` [m^2 K/W]; empty without a deposit of one law.
    """

    side: GasSide
    p: WallParameters
    slots: dict[str, slice]
    h: Array
    rise: Array
    ramp: float
    R: Array

    def exchange(self, t: float, burning: bool) -> Exchange:
        """Return the exchange at ``t`` [s] from ignition, before or after shutdown."""
        side, p = self.side, self.p
        if burning:
            h = self.h * np.exp(p.pressure_exponent * side.log_pressure_at(t))
            T_inf = side.ambient - np.expm1(-t / self.ramp) * self.rise
        else:
            h = np.full(self.h.size, np.exp(side.purge_weights(t) @ p.log_purge))
            T_inf = np.full(self.h.size, side.ambient)
        if side.laid:
            return Exchange(h / (1.0 + h * self.R * side.growth(t, p.growth_shape)[0]), T_inf, h)
        if side.history is not None:
            return Exchange(h / (1.0 + h * side.resistance(t, p)), T_inf, h)
        return Exchange(h, T_inf, h)

    def derivative(self, t: float, burning: bool, T: Array, e: Exchange) -> Array:
        """Return d(U (T_inf - T))/dp at fixed bore temperatures ``T``; shape (m, n_par).

        ``e`` is the exchange at ``t``.
        """
        side, slots, p = self.side, self.slots, self.p
        out = np.zeros((T.size, slots["trial_loss"].stop))
        drive = e.T_inf - T
        of_log_h = e.U**2 / e.h * drive
        if burning:
            out[:, slots["log_h"]] = of_log_h[:, None] * side.coefficient_basis
            out[:, slots["pressure_exponent"].start] = of_log_h * side.log_pressure_at(t)
            if p.pressure_error.size:
                weights = p.pressure_exponent * _between(side.pressure_time, t)
                out[:, slots["pressure_error"]] = of_log_h[:, None] * weights
            late = np.exp(-t / self.ramp)
            rise = e.U * self.rise
            out[:, slots["log_rise"].start] = rise * (1.0 - late)
            out[:, slots["log_ramp"].start] = rise * (-late * t / self.ramp)
        else:
            out[:, slots["log_purge"]] = of_log_h[:, None] * side.purge_weights(t)
        of_R = -(e.U**2) * drive
        if side.laid:
            g, dg = side.growth(t, p.growth_shape)
            out[:, slots["log_R"]] = (of_R * self.R * g)[:, None] * side.resistance_basis
            out[:, slots["growth_shape"]] = (of_R * self.R)[:, None] * dg
        elif side.history is not None:
            out += of_R[:, None] * side.history.resistance(min(t, side.burn), p)[1]
        return out


def _between(knots: Array, at: float) -> Array:
    """Return the weights of a line through values at ``knots``, flat beyond the ends."""
    i = min(max(int(np.searchsorted(knots, at, side="right")) - 1, 0), knots.size - 2)
    share = min(max((at - knots[i]) / (knots[i + 1] - knots[i]), 0.0), 1.0)
    out = np.zeros(knots.size)
    out[i], out[i + 1] = 1.0 - share, share
    return out
