"""The wall of one station as a hollow cylinder of its own, for estimates beside the joint fit.

    rho c(T) dT/dt = (1/r) d/dr( r k(T) dT/dr ),   bore: -k dT/dr = q,   outside: -k dT/dr = loss

Nothing here is shared with the model of the joint fit but the tables of the metal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.constants import Stefan_Boltzmann

from wallsim.case.model import Tube
from wallsim.materials.solid import Solid

Array = NDArray[np.float64]

TYPICAL = 600.0
"""Where the time constants of the wall are read off [K]."""
UNAWARE = 0.06
"""For this share of the diffusion time the outer wall shows next to nothing of a shutdown: the
rise of an insulated face is then 0.1 % of what it is after one diffusion time."""


@dataclass(frozen=True, slots=True, eq=False)
class RadialWall:
    """A hollow cylinder with its losses outside.

    Parameters
    ----------
    solid : Solid
    conductivity_scale, heat_scale : float
        Stated factors on k and c [-].
    inner, outer : float
        Radii [m].
    emissivity, convection, ambient : float
        Of the outside [-], factor or coefficient, [K].
    natural : bool
        True if ``convection`` is a factor on natural convection, False if a coefficient
        [W/(m^2 K)].
    """

    solid: Solid
    conductivity_scale: float
    heat_scale: float
    inner: float
    outer: float
    emissivity: float
    convection: float
    ambient: float
    natural: bool

    @classmethod
    def of(cls, tube: Tube) -> RadialWall:
        """Take the stated values of a case; of several metals, the first."""
        outside = tube.outside
        stated = outside.convection or outside.convection_scale
        return cls(
            next(iter(tube.solids.values())), tube.conductivity_scale.value,
            tube.heat_capacity_scale.value, tube.inner_radius, tube.outer_radius,
            outside.emissivity.value, stated.value, outside.ambient, outside.convection is None,
        )

    @property
    def thickness(self) -> float:
        """[m]."""
        return self.outer - self.inner

    @property
    def area_ratio(self) -> float:
        """Cross section over bore circumference, ``(r_o^2 - r_i^2) / (2 r_i)`` [m]."""
        return (self.outer**2 - self.inner**2) / (2.0 * self.inner)

    @property
    def unaware(self) -> float:
        """How long the outer wall shows next to nothing of a shutdown [s]."""
        return UNAWARE * self.diffusion_time

    @property
    def diffusion_time(self) -> float:
        """``s^2 / alpha`` at a typical temperature [s]."""
        k, rho_c = self.conductivity(np.array([TYPICAL])), self.heat(np.array([TYPICAL]))[0]
        return float(self.thickness**2 * rho_c[0] / k[0])

    def within(self, T: Array) -> Array:
        """Return ``T`` [K] moved into the range of the metal's tables; NaN into it too."""
        return np.clip(np.where(np.isnan(T), TYPICAL, T), *self.solid.range)

    def conductivity(self, T: Array) -> Array:
        """Return k [W/(m K)]."""
        return self.conductivity_scale * self.solid.conductivity(self.within(T))

    def heat(self, T: Array) -> tuple[Array, Array]:
        """Return ``rho c`` [J/(m^3 K)] and heat content [J/m^3]; straight on outside the tables."""
        inside = self.within(T)
        c, content = self.solid.specific_heat.value_and_integral(inside)
        rho = self.heat_scale * self.solid.density
        return rho * c, rho * (content + c * (T - inside))

    def loss(self, T: Array) -> tuple[Array, Array]:
        """Return the heat flux lost outside [W/m^2] and its slope [W/(m^2 K)].

        Natural convection is ``1.32 (dT / D)^(1/4)`` (laminar, horizontal cylinder in air;
        from memory: McAdams, Heat Transmission, 3rd ed. 1954, ch. 7).
        """
        rise = T - self.ambient
        flux = self.emissivity * Stefan_Boltzmann * (T**4 - self.ambient**4)
        slope = 4.0 * self.emissivity * Stefan_Boltzmann * T**3
        if not self.natural:
            return flux + self.convection * rise, slope + self.convection
        h = self.convection * 1.32 * (np.abs(rise) / (2.0 * self.outer)) ** 0.25
        return flux + h * rise, slope + 1.25 * h
