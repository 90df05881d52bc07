"""Metals by direct evaluation of formulas, with their antiderivatives.

``theta = integral of k dT`` and ``heat = integral of c dT`` are exact, both from 0 degC.
Formulas of EN 1993-1-2:2005: 3.4.1.2 and 3.4.1.3 (carbon steel), C.3.2 and C.3.3
(austenitic stainless steel), continued below 20 degC and above 1200 degC as they stand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Curve = Callable[[Array], Array]
ZERO_CELSIUS = 273.15


@dataclass(frozen=True, slots=True)
class Metal:
    """k [W/(m K)], its integral [W/m], c [J/(kg K)], its integral [J/kg], all of T [K]."""

    name: str
    density: float
    conductivity: Curve
    conductivity_integral: Curve
    specific_heat: Curve
    heat: Curve


def _austenitic_k(T: Array) -> Array:
    return 14.6 + 1.27e-2 * (T - ZERO_CELSIUS)


def _austenitic_theta(T: Array) -> Array:
    x = T - ZERO_CELSIUS
    return x * (14.6 + 0.5 * 1.27e-2 * x)


def _austenitic_c(T: Array) -> Array:
    x = T - ZERO_CELSIUS
    return 450.0 + x * (0.280 + x * (-2.91e-4 + x * 1.34e-7))


def _austenitic_heat(T: Array) -> Array:
    x = T - ZERO_CELSIUS
    return x * (450.0 + x * (0.140 + x * (-0.97e-4 + x * 0.335e-7)))


def _carbon_k(T: Array) -> Array:
    x = T - ZERO_CELSIUS
    return np.where(x < 800.0, 54.0 - 3.33e-2 * x, 27.3)


def _carbon_theta(T: Array) -> Array:
    x = T - ZERO_CELSIUS
    low = np.minimum(x, 800.0)
    return low * (54.0 - 0.5 * 3.33e-2 * low) + 27.3 * np.maximum(x - 800.0, 0.0)


def _carbon_c(T: Array) -> Array:
    x = T - ZERO_CELSIUS
    return np.select(
        [x < 600.0, x < 735.0, x < 900.0],
        [
            425.0 + x * (0.773 + x * (-1.69e-3 + x * 2.22e-6)),
            666.0 + 13002.0 / np.maximum(738.0 - x, 3.0),
            545.0 + 17820.0 / np.maximum(x - 731.0, 4.0),
        ],
        650.0,
    )


def _carbon_heat(T: Array) -> Array:
    x = T - ZERO_CELSIUS
    a = np.minimum(x, 600.0)
    b = np.clip(x, 600.0, 735.0)
    d = np.clip(x, 735.0, 900.0)
    return (
        a * (425.0 + a * (0.3865 + a * (-1.69e-3 / 3.0 + a * 0.555e-6)))
        + 666.0 * (b - 600.0)
        + 13002.0 * np.log(138.0 / (738.0 - b))
        + 545.0 * (d - 735.0)
        + 17820.0 * np.log((d - 731.0) / 4.0)
        + 650.0 * np.maximum(x - 900.0, 0.0)
    )


STAINLESS = Metal(
    "austenitic stainless steel",
    7850.0,
    _austenitic_k,
    _austenitic_theta,
    _austenitic_c,
    _austenitic_heat,
)
CARBON_STEEL = Metal("carbon steel", 7850.0, _carbon_k, _carbon_theta, _carbon_c, _carbon_heat)


def constant_metal(conductivity: float, density: float, specific_heat: float) -> Metal:
    """Return a metal of constant properties, for closed forms and for pure metals."""
    k, c = conductivity, specific_heat
    return Metal(
        "constant",
        density,
        lambda T: np.full_like(T, k),
        lambda T: k * (T - ZERO_CELSIUS),
        lambda T: np.full_like(T, c),
        lambda T: c * (T - ZERO_CELSIUS),
    )


def scaled(metal: Metal, conductivity: float, specific_heat: float) -> Metal:
    """Return ``metal`` with k and c multiplied by the two factors."""
    return Metal(
        metal.name,
        metal.density,
        lambda T: conductivity * metal.conductivity(T),
        lambda T: conductivity * metal.conductivity_integral(T),
        lambda T: specific_heat * metal.specific_heat(T),
        lambda T: specific_heat * metal.heat(T),
    )
