"""Outer wall and end faces: natural convection, radiation, contact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.constants import Stefan_Boltzmann, g

from wallsim.errors import TableRangeError

Array = NDArray[np.float64]

_PRANDTL = 0.70
_R_AIR = 287.05


def air(T: Array, pressure: float = 101325.0) -> tuple[Array, Array]:
    """Return conductivity [W/(m K)] and kinematic viscosity [m^2/s] of air at ``T`` [K].

    Formulas of the U.S. Standard Atmosphere (1976), equations 51 and 53.
    """
    k = 2.64638e-3 * T**1.5 / (T + 245.4 * 10.0 ** (-12.0 / T))
    mu = 1.458e-6 * T**1.5 / (T + 110.4)
    return k, mu * _R_AIR * T / pressure


def nusselt_horizontal_cylinder(rayleigh: Array, prandtl: float = _PRANDTL) -> Array:
    """Return the mean Nusselt number of a horizontal cylinder, Rayleigh number up to 1e12.

    Churchill & Chu (1975), Int. J. Heat Mass Transfer 18, 1049-1053.
    """
    blunt = (1.0 + (0.559 / prandtl) ** (9.0 / 16.0)) ** (8.0 / 27.0)
    return np.asarray((0.60 + 0.387 * rayleigh ** (1.0 / 6.0) / blunt) ** 2)


def natural_convection(T: Array, ambient: float, diameter: float) -> Array:
    """Return the coefficient of a horizontal cylinder in still air [W/(m^2 K)]; shape of ``T``."""
    mean = 0.5 * (T + ambient)
    k, nu = air(mean)
    rayleigh = g * np.abs(T - ambient) / mean * diameter**3 / nu**2 * _PRANDTL
    return nusselt_horizontal_cylinder(rayleigh) * k / diameter


@dataclass(frozen=True, slots=True, eq=False)
class OuterWall:
    """Heat that the outer wall loses by convection and radiation.

    Parameters
    ----------
    ambient : float
        Of air and surroundings [K].
    T, convected : Array, shape (m,)
        Convected heat flux [W/m^2] over wall temperature, even grid, before its factor.
    """

    ambient: float
    T: Array
    convected: Array

    @classmethod
    def natural(cls, ambient: float, diameter: float) -> OuterWall:
        """Tabulate natural convection of a horizontal cylinder of ``diameter`` [m]."""
        T = np.arange(200.0, 2001.0, 1.0)
        return cls(ambient, T, natural_convection(T, ambient, diameter) * (T - ambient))

    @classmethod
    def fixed(cls, ambient: float) -> OuterWall:
        """Tabulate a coefficient of 1 W/(m^2 K); the convection factor is then the coefficient."""
        T = np.array([0.0, 4000.0])
        return cls(ambient, T, T - ambient)

    def flux(self, T: Array) -> tuple[Array, Array, Array, Array]:
        """Return convected and radiated flux [W/m^2] into the wall and their slopes [W/(m^2 K)].

        Radiation is that of a black surface; both are before their factors.
        """
        step = self.T[1] - self.T[0]
        i = ((T - self.T[0]) / step).astype(np.intp)
        if i.min() < 0 or i.max() > self.T.size - 2:
            raise TableRangeError(
                f"outside convection is given from {self.T[0]:.0f} to {self.T[-1]:.0f} K, "
                f"the wall reached {T.min():.0f} to {T.max():.0f} K"
            )
        low = self.convected.take(i)
        slope = (self.convected.take(i + 1) - low) / step
        convected = low + slope * (T - self.T.take(i))
        cube = T * T * T
        radiated = Stefan_Boltzmann * (cube * T - self.ambient**4)
        return -convected, -radiated, -slope, -4.0 * Stefan_Boltzmann * cube
