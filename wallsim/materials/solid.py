"""Conducting solid: k(T), c(T) as piecewise-linear tables, with their exact integrals.

Between table points k and c are linear, so the conductivity integral ``theta = integral of k dT``
and the heat content ``H = rho integral of c dT`` are piecewise quadratic and exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import TableRangeError

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Piecewise-linear ``y(x)``, defined on the range of ``x`` only.

    Parameters
    ----------
    name : str
        Quantity and unit, for messages.
    x : Array, shape (n,)
        Strictly increasing.
    y : Array, shape (n,)
    """

    name: str
    x: Array
    y: Array
    slopes: Array = field(init=False)
    below: Array = field(init=False)

    def __post_init__(self) -> None:
        steps = np.diff(self.x)
        if self.x.ndim != 1 or self.x.size < 2 or self.x.shape != self.y.shape:
            raise ValueError(f"{self.name}: needs two or more points, as many y as x")
        if not (steps > 0.0).all():
            raise ValueError(f"{self.name}: the points must increase strictly")
        mean = 0.5 * (self.y[1:] + self.y[:-1])
        object.__setattr__(self, "slopes", np.diff(self.y) / steps)
        object.__setattr__(self, "below", np.concatenate(([0.0], np.cumsum(steps * mean))))
        for array in (self.x, self.y, self.slopes, self.below):
            array.setflags(write=False)

    def interval(self, x: Array) -> NDArray[np.intp]:
        """Return the index of the table interval of each ``x``; same shape as ``x``.

        Raises
        ------
        TableRangeError
            If any ``x`` is outside the table (or not a number).
        """
        if not (x.min() >= self.x[0] and x.max() <= self.x[-1]):
            raise TableRangeError(
                f"{self.name} is given from {self.x[0]:g} to {self.x[-1]:g}, "
                f"asked for {x.min():g} to {x.max():g}"
            )
        i: NDArray[np.intp] = np.searchsorted(self.x, x, side="right") - 1
        return np.minimum(i, self.x.size - 2)

    def __call__(self, x: Array) -> Array:
        """Return the value at ``x``; same shape as ``x``."""
        i = self.interval(x)
        return self.y[i] + self.slopes[i] * (x - self.x[i])

    def value_and_integral(self, x: Array) -> tuple[Array, Array]:
        """Return the value and the integral from the first table point to ``x``."""
        i = self.interval(x)
        dx = x - self.x[i]
        y, slope = self.y[i], self.slopes[i]
        return y + slope * dx, self.below[i] + dx * (y + 0.5 * slope * dx)


@dataclass(frozen=True, slots=True)
class Elastic:
    """Elastic constants at room temperature.

    Parameters
    ----------
    modulus : float
        Young's modulus [Pa].
    expansion : float
        Coefficient of thermal expansion [1/K].
    poisson : float
        [-].
    """

    modulus: float
    expansion: float
    poisson: float


@dataclass(frozen=True, slots=True, eq=False)
class Solid:
    """A metal of constant density.

    Parameters
    ----------
    name : str
    density : float
        [kg/m^3].
    conductivity : Table
        [W/(m K)] over temperature [K].
    specific_heat : Table
        [J/(kg K)] over temperature [K].
    limits : dict of str to float
        Named limit temperatures [K], such as ``solidus`` and ``oxidation``.
    yield_strength : Table or None
        0.2 % proof strength [Pa] over temperature [K].
    sources : dict of str to str
        Where each number comes from, by property.
    elastic : Elastic or None
    """

    name: str
    density: float
    conductivity: Table
    specific_heat: Table
    limits: dict[str, float]
    yield_strength: Table | None
    sources: dict[str, str]
    elastic: Elastic | None = None

    @property
    def range(self) -> tuple[float, float]:
        """Temperatures [K] between which both tables are given."""
        k, c = self.conductivity.x, self.specific_heat.x
        return max(k[0], c[0]), min(k[-1], c[-1])


def alike(a: Solid, b: Solid) -> bool:
    """Return whether two metals of one name conduct and store heat alike."""
    return a.name == b.name and a.density == b.density and all(
        np.array_equal(one.x, other.x) and np.array_equal(one.y, other.y)
        for one, other in ((a.conductivity, b.conductivity), (a.specific_heat, b.specific_heat)))
