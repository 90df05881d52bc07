"""A first estimate by hand methods: where the fit starts.

The wall is taken as lumped at each station: ``q = rho c (r_o^2 - r_i^2)/(2 r_i) dT_o/dt`` from the
slope of the outer trace late in the burn, the bore from the quasi-steady profile of a heated
hollow cylinder (Carslaw & Jaeger 1959, section 7.10: the terms linear in the slope).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Firing, Trace
from wallsim.estimate.unknowns import Unknowns, smooth_basis
from wallsim.materials.solid import Solid

Array = NDArray[np.float64]

WINDOW = (0.45, 1.0)
SMALLEST_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class StationLook:
    """One thermocouple of one firing, by the slope method.

    Parameters
    ----------
    z : float
        [m].
    flux : float
        Into the bore in the later half of the burn [W/m^2].
    U : float
        Overall coefficient from gas to bore [W/(m^2 K)].
    """

    run: str
    blend: str
    sensor: str
    z: float
    flux: float
    U: float


def slope_method(campaign: Campaign) -> list[StationLook]:
    """Return the lumped estimate of every usable thermocouple of every firing."""
    stated = {s.name: s for s in campaign.case.sensors}
    out = []
    for firing in campaign.firings:
        for trace in firing.traces:
            sensor = stated[trace.sensor]
            look = _station(campaign, firing, trace, sensor.z.value, sensor.lead_loss.value)
            if look is not None:
                out.append(look)
    return out


def _station(
    campaign: Campaign, firing: Firing, trace: Trace, z: float, loss: float
) -> StationLook | None:
    tube = campaign.case.tube
    solid = next(iter(tube.solids.values()))
    r_i, r_o = tube.inner_radius, tube.outer_radius
    inside = (trace.t > WINDOW[0] * firing.burn) & (trace.t < WINDOW[1] * firing.burn)
    if inside.sum() < 5:
        return None
    t, T = trace.t[inside], trace.T[inside]
    slope, level = np.polyfit(t - t.mean(), T, 1)
    ambient = tube.outside.ambient
    slope, level = slope / (1.0 - loss), ambient + (level - ambient) / (1.0 - loss)
    k, rho_c = _properties(solid, level)
    flux = rho_c * (r_o**2 - r_i**2) / (2.0 * r_i) * slope
    rise = rho_c / k * slope * (0.5 * r_o**2 * np.log(r_o / r_i) - 0.25 * (r_o**2 - r_i**2))
    blend = firing.blend
    share = 1.0
    if blend.gas_temperature_along:
        points = np.array(blend.gas_temperature_along)
        share = float(np.interp(z, points[:, 0], points[:, 1]))
    gas = ambient + share * (blend.gas_temperature.value - ambient)
    drive = gas - (level + rise)
    if flux <= 0.0 or drive <= 50.0:
        return None
    exponent = campaign.case.fit.pressure_exponent.value
    scale = (firing.events.plateau / campaign.reference_pressure) ** exponent
    U = flux / drive / scale / blend.coefficient.value
    return StationLook(firing.run.name, blend.name, trace.sensor, z, float(flux), float(U))


def _properties(solid: Solid, T: float) -> tuple[float, float]:
    low, high = solid.range
    at = np.array([min(max(T, low), high)])
    return float(solid.conductivity(at)[0]), float(solid.density * solid.specific_heat(at)[0])


def starting_point(unknowns: Unknowns, looks: list[StationLook]) -> Array:
    """Return unit-normal coordinates from which the fit starts.

    h comes from the bare firings (from all, where none is bare), R of a blend from the mean
    difference of ``1/U`` against them, everything else from its prior mean.
    """
    prior = unknowns.prior
    x = prior.mean.copy()
    clean = [look for look in looks if look.run not in unknowns.chains]
    bare = [look for look in clean if look.blend not in unknowns.laws] or looks
    if not bare:
        return np.zeros(x.size)
    at = unknowns.curve("h")
    z = np.array([look.z for look in bare])
    basis = smooth_basis(unknowns.knots, z)
    root = prior.root[np.ix_(at, at)]
    target = np.log([look.U for look in bare]) - x[at[0]]
    x[at] += _smooth(basis, root, target, 0.05)
    for name in unknowns.laws:
        mine = [look for look in clean if look.blend == name]
        mine = mine or [look for look in looks if look.blend == name]
        at_R = unknowns.curve(f"R {name}")
        if not mine:
            continue
        h = np.exp(smooth_basis(unknowns.knots, np.array([m.z for m in mine])) @ x[at])
        share = float(np.median([1.0 - m.U / b for m, b in zip(mine, h, strict=True)]))
        share = min(max(share, SMALLEST_SHARE), 0.9)
        x[at_R] = np.log(share / (1.0 - share) / np.median(h))
    return prior.z(x)


def _smooth(basis: Array, root: Array, target: Array, sd: float) -> Array:
    """Return the posterior mean of a smooth curve given scattered values of it."""
    rows = np.vstack((basis @ root / sd, np.eye(root.shape[1])))
    rhs = np.concatenate((target / sd, np.zeros(root.shape[1])))
    return root @ np.linalg.lstsq(rows, rhs, rcond=None)[0]
