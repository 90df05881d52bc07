"""The unknowns of a campaign and their priors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from wallsim.build import Campaign, Firing
from wallsim.case.model import Case
from wallsim.estimate.carry_over import Chain
from wallsim.regression.prior import Parameter, Prior, log_odds, smooth_covariance
from wallsim.units import Quantity
from wallsim.wall.growth import Law

Array = NDArray[np.float64]
Index = NDArray[np.intp]

CLOSEST_KNOTS = 0.02
RESISTANCE_VARIATION = 0.3
CURVATURE = (0.5, 0.9)
"""Mean and standard deviation of c of a growth law: x = 1, between -3.4 and 10."""
EXPONENT = (-0.35, 0.6)
"""Of the log of general growth's exponent: half way between parabolic and linear growth, both at
0.6 sd from it."""
PURGE_SCATTER = 0.3
PURGE_KNOTS = np.array([0.0, 2.0, 4.0, 6.0, 9.0, 14.0, 20.0])
PURGE_VARIATION = 1.0
PURGE_MEMORY = 8.0
SCATTERING = ("heating factor ", "gas temperature of firing ", "purge factor ")
"""Starts of the names of unknowns that every firing has anew."""
OF_ONE_FIRING = (*SCATTERING, "ignition offset ")


def knots(case: Case) -> Array:
    """Return the knots of h(z) and R(z) [m]: stations and ends, not crowded."""
    z = sorted({s.z.value for s in case.sensors})
    spacing = CLOSEST_KNOTS * case.tube.length
    out = [0.0]
    for point in z:
        if point - out[-1] > spacing and case.tube.length - point > spacing:
            out.append(point)
    return np.array([*out, case.tube.length])


def at_knot(curve: str, z: float) -> str:
    """Return the name of the unknown of ``curve`` ("h", "R BLEND") at the knot ``z`` [m]."""
    return f"{curve} at {1e3 * z:.0f} mm"


def growth_names(blend: str) -> tuple[str, str]:
    """Return the names of curvature and exponent of a blend's growth."""
    return f"growth curvature {blend}", f"growth exponent {blend}"


def smooth_basis(points: Array, z: Array) -> Array:
    """Return the natural cubic through values at ``points``, evaluated at ``z``: (n_z, n)."""
    return np.asarray(CubicSpline(points, np.eye(points.size), bc_type="natural")(z))


def log_sd(quantity: Quantity) -> float:
    """Return the log standard deviation of a positive quantity with the stated share."""
    return float(np.sqrt(np.log1p(quantity.relative_sd**2)))


@dataclass(frozen=True, slots=True)
class SensorMap:
    """Unknowns of a thermocouple in one firing; None where held fixed at the stated value."""

    lag: int | None
    loss: int | None
    heating: int | None
    shift: int | None


class _Collector:
    """Gathers blocks of parameters in order."""

    def __init__(self) -> None:
        self.blocks: list[tuple[tuple[Parameter, ...], Array]] = []
        self.place: dict[str, int] = {}

    def block(self, parameters: list[Parameter], covariance: Array) -> None:
        for p in parameters:
            self.place[p.name] = len(self.place)
        self.blocks.append((tuple(parameters), covariance))

    def single(
        self, name: str, unit: str, quantity: Quantity, group: str, *, log: bool = False
    ) -> None:
        """Add a quantity if it carries an uncertainty."""
        if quantity.sd <= 0.0:
            return
        mean, sd = quantity.value, quantity.sd
        if log:
            sd, mean = log_sd(quantity), float(np.log(quantity.value))
        self.block([Parameter(name, unit, log, mean, sd, group)], np.array([[sd**2]]))

    def share(self, name: str, quantity: Quantity, group: str) -> None:
        """Add a fraction between 0 and 1 if it carries an uncertainty."""
        if quantity.sd > 0.0:
            mean, sd = log_odds(quantity.value, quantity.sd)
            parameter = Parameter(name, "1", False, mean, sd, group, share=True)
            self.block([parameter], np.array([[sd**2]]))


@dataclass(frozen=True, slots=True, eq=False)
class Unknowns:
    """All that is fitted.

    Parameters
    ----------
    prior : Prior
    knots : Array, shape (n,)
        Of h and R along the tube [m].
    laws : dict of str to Law
        Growth law by blend (only blends with a deposit).
    t_ref : dict of str to float
        Longest burn of each blend [s], at which R is stated.
    chains : dict of str to Chain
        By run, where its bore was not clean or deposit comes off.
    """

    case: Case
    prior: Prior
    knots: Array
    laws: dict[str, Law]
    t_ref: dict[str, float]
    chains: dict[str, Chain]

    @classmethod
    def of(cls, campaign: Campaign, laws: Mapping[str, Law] | None = None) -> Unknowns:
        """Collect the unknowns of ``campaign``; ``laws`` overrides growth laws by blend."""
        case = campaign.case
        points = knots(case)
        t_ref: dict[str, float] = {}
        for f in campaign.firings:
            t_ref[f.blend.name] = max(t_ref.get(f.blend.name, 0.0), f.burn)
        stated: dict[str, Law] = {
            b.name: "general" if b.deposit.growth == "auto" else b.deposit.growth
            for b in case.blends.values()
            if b.deposit is not None and b.name in t_ref
        }
        chosen: dict[str, Law] = {
            b: law for b, law in (stated | dict(laws or {})).items() if law != "none"
        }
        c = _Collector()
        _add_gas_side(c, case, points, t_ref)
        _add_deposits(c, case, points, chosen)
        _add_wall(c, case)
        _add_runs(c, campaign)
        _add_sensors(c, campaign)
        every = {f.run.name: Chain.of(campaign, f, chosen, t_ref) for f in campaign.firings}
        chains = {name: chain for name, chain in every.items() if chain is not None}
        _add_carry_over(c, chains)
        return cls(case, Prior.of(c.blocks), points, chosen, t_ref, chains)

    def curve(self, curve: str) -> Index:
        """Return the places of ``curve`` ("h", "R BLEND") at the knots; shape (n,)."""
        names = self.prior.names
        return np.array([names[at_knot(curve, z)] for z in self.knots], dtype=np.intp)

    def growth_places(self, blend: str) -> dict[int, int]:
        """Return the places of curvature (0) and exponent (1) of a blend's growth, if unknown."""
        names = self.prior.names
        return {i: names[n] for i, n in enumerate(growth_names(blend)) if n in names}

    def growth_shape(self, blend: str, x: Array) -> Array:
        """Return c and log of the exponent at ``x``, 0 where not unknown; shape (2,)."""
        out = np.zeros(2)
        for i, place in self.growth_places(blend).items():
            out[i] = x[place]
        return out

    def sensor_map(self, sensor: str, firing: Firing) -> SensorMap:
        """Return the unknowns of ``sensor`` in ``firing``."""
        names = self.prior.names
        mount = mounting(self.case, firing.run.name, sensor)
        return SensorMap(
            names.get(f"lag {mount}"), names.get(f"lead loss {mount}"),
            names.get(f"heating round the tube at {sensor}"), names.get(f"position {sensor}"),
        )


def gas_family(case: Case, blend: str) -> str:
    """Return the blend whose gas temperature ``blend`` shares, itself if it states its own."""
    seen = {blend}
    while (like := case.blends[blend].like) is not None and like not in seen:
        if case.blends[blend].gas_temperature != case.blends[like].gas_temperature:
            break
        seen.add(like)
        blend = like
    return blend


def _and_alike(case: Case, family: str) -> str:
    alike = [b for b in case.blends if b != family and gas_family(case, b) == family]
    return " and blends like it" if alike else " alone"


def mounting(case: Case, run: str, sensor: str) -> str:
    """Return the name of a sensor's attachment in ``run``: it counts up when welded on anew."""
    count = 1
    for r in case.runs:
        count += sensor in r.reattached
        if r.name == run:
            break
    return sensor if count == 1 else f"{sensor} (attachment {count})"


def _add_gas_side(c: _Collector, case: Case, points: Array, t_ref: dict[str, float]) -> None:
    fit = case.fit
    level = log_sd(fit.coefficient)
    cov = smooth_covariance(points, level, fit.coefficient_variation, fit.correlation_length)
    mean, sd = float(np.log(fit.coefficient.value)), float(np.sqrt(cov[0, 0]))
    group = "gas-side coefficient along the tube"
    c.block([Parameter(at_knot("h", z), "W/m^2/K", True, mean, sd, group)
             for z in points], cov)
    c.single("pressure exponent", "1", fit.pressure_exponent, "pressure exponent")
    used = [b for b in case.blends.values() if b.name in t_ref]
    if any(b.gas_temperature.sd > 0.0 for b in used):
        unit = Quantity(0.0, 1.0)
        c.single("gas temperature, shared error", "prior sd", unit, "gas temperature, shared")
    for b in used:
        family = gas_family(case, b.name)
        if f"gas temperature factor {family}" not in c.place:
            c.single(f"gas temperature factor {family}", "1", case.blends[family].own_error,
                     f"gas temperature of {family}" + _and_alike(case, family))
        if family != b.name:
            c.single(f"gas temperature factor {b.name}", "1", b.own_error,
                     f"gas temperature of {b.name} alone")
        c.single(f"coefficient factor {b.name}", "1", b.coefficient,
                 f"gas-side coefficient of {b.name} against the reference", log=True)
    c.single("gas temperature rise time", "s", fit.ramp, "ignition ramp", log=True)
    if fit.purge.sd > 0.0:
        _add_purge(c, fit.purge)


def _add_purge(c: _Collector, stated: Quantity) -> None:
    """Add the history of the bore coefficient after shutdown: a level that may change suddenly.

    Exponential covariance, the roughest of the Matern family: a purge is opened and shut.
    """
    t = PURGE_KNOTS
    rough = np.exp(-np.abs(t[:, None] - t[None, :]) / PURGE_MEMORY)
    cov = log_sd(stated) ** 2 + PURGE_VARIATION**2 * rough
    mean, sd = float(np.log(stated.value)), float(np.sqrt(cov[0, 0]))
    c.block([Parameter(f"purge coefficient after {s:g} s", "W/m^2/K", True, mean, sd,
                       "purge after shutdown") for s in t], cov)


def _add_deposits(c: _Collector, case: Case, points: Array, laws: Mapping[str, Law]) -> None:
    for name, law in laws.items():
        deposit = case.blends[name].deposit
        assert deposit is not None
        cov = smooth_covariance(
            points, log_sd(deposit.resistance), RESISTANCE_VARIATION, case.fit.correlation_length
        )
        mean, sd = float(np.log(deposit.resistance.value)), float(np.sqrt(cov[0, 0]))
        c.block([Parameter(at_knot(f"R {name}", z), "m^2*K/W", True, mean, sd,
                           f"deposit of {name}") for z in points], cov)
        priors = {"saturating": (CURVATURE,), "general": (CURVATURE, EXPONENT)}.get(law, ())
        for i, (mean, sd) in enumerate(priors):
            c.block([Parameter(growth_names(name)[i], "1", i > 0, mean, sd,
                               f"growth law of {name}")], np.array([[sd**2]]))


def _add_wall(c: _Collector, case: Case) -> None:
    tube = case.tube
    c.single("emissivity", "1", tube.outside.emissivity, "emissivity of the outside")
    if tube.outside.convection is None:
        c.single("outside convection", "1", tube.outside.convection_scale, "outside convection")
    else:
        c.single("outside convection", "W/m^2/K", tube.outside.convection, "outside convection")
    c.single("head conductance", "W/m^2/K", tube.head.coefficient, "head end", log=True)
    c.single("exit conductance", "W/m^2/K", tube.exit.coefficient, "exit end", log=True)
    c.single("conductivity scale", "1", tube.conductivity_scale, "conductivity of the wall",
             log=True)
    c.single("heat capacity scale", "1", tube.heat_capacity_scale, "heat capacity of the wall",
             log=True)
    c.single("conductivity tilt", "1", tube.conductivity_tilt, "conductivity of the wall")
    c.single("heat capacity tilt", "1", tube.heat_capacity_tilt, "heat capacity of the wall")
    c.single("wall thickness", "m", tube.wall, "wall thickness", log=True)


def _ignition_offset(firing: Firing, stated: Quantity, channel: str) -> Quantity:
    """Return the offset with what reading ignition off the tap adds: half a step at most."""
    if firing.run.ignition is not None or stated.sd <= 0.0:
        return stated
    t = firing.log.t
    if channel in firing.log.channels:
        t = t[np.isfinite(firing.log.channels[channel])]
    step = float(np.median(np.diff(t)))
    return Quantity(stated.value, float(np.hypot(stated.sd, step / np.sqrt(12.0))))


def _add_runs(c: _Collector, campaign: Campaign) -> None:
    fit, channel = campaign.case.fit, campaign.case.pressure.channel
    scatter = Quantity(1.0, fit.heating_scatter.value)
    gas_scatter = Quantity(1.0, fit.gas_temperature_scatter.value)
    for f in campaign.firings:
        name = f.run.name
        c.single(f"heating factor {name}", "1", scatter, "firing-to-firing heating", log=True)
        c.single(f"gas temperature of firing {name}", "1", gas_scatter,
                 "firing-to-firing gas temperature")
        c.single(f"ignition offset {name}", "s", _ignition_offset(f, fit.ignition_offset, channel),
                 "ignition time")
        if fit.purge.sd > 0.0:
            c.single(f"purge factor {name}", "1", Quantity(1.0, PURGE_SCATTER),
                     "purge after shutdown", log=True)


def _add_carry_over(c: _Collector, chains: dict[str, Chain]) -> None:
    for chain in chains.values():
        link = chain.last
        if link.retained is not None:
            c.share(link.retained_name, link.retained, "deposit retained between firings")
        if link.shed is not None:
            c.share(link.lost_name, link.shed.lost, "deposit that came off")
            c.single(link.moment_name, "s", link.shed.at, "deposit that came off")


def _add_sensors(c: _Collector, campaign: Campaign) -> None:
    case = campaign.case
    used = {t.sensor for f in campaign.firings for t in f.traces}
    for s in case.sensors:
        if s.name not in used:
            continue
        mounts = dict.fromkeys(
            mounting(case, f.run.name, s.name)
            for f in campaign.firings
            if any(t.sensor == s.name for t in f.traces)
        )
        for mount in mounts:
            c.single(f"lag {mount}", "s", s.lag, "thermocouple lag", log=True)
            c.single(f"lead loss {mount}", "1", s.lead_loss, "thermocouple lead loss")
        c.single(f"heating round the tube at {s.name}", "1",
                 Quantity(0.0, case.fit.azimuthal_scatter), "heating round the tube")
        if s.z.sd > 0.0:
            c.single(f"position {s.name}", "m", Quantity(0.0, s.z.sd), "thermocouple position")
