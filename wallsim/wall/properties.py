"""Nodal properties of a metal: k, c and their integrals over one merged temperature grid.

With ``theta(T) = integral of k dT`` (Kirchhoff 1894) conduction is linear in ``theta``, and with
``H(T) = rho integral of c dT`` the heat stored is a function of ``T`` alone. Both are piecewise
quadratic here, exact integrals of piecewise-linear k and c. A scale and a tilt, linear in
temperature, stand for what a metal's own curves differ from the table's:

    k(T) -> k(T) exp(scale + tilt (T - 600 K)/300 K),   c(T) likewise
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import TableRangeError
from wallsim.materials.solid import Solid

Array = NDArray[np.float64]
Scalars = float | Array

PIVOT, TILT_SPAN = 600.0, 300.0
MOST_BINS = 2**17


@dataclass(frozen=True, slots=True, eq=False)
class NodalProperties:
    """Values of a metal at nodes.

    Parameters
    ----------
    conductivity : Array, shape (n,)
        k [W/(m K)].
    potential : Array, shape (n,)
        theta [W/m].
    heat_capacity : Array, shape (n,)
        rho c [J/(m^3 K)].
    heat : Array, shape (n,)
        H [J/m^3].
    """

    conductivity: Array
    potential: Array
    heat_capacity: Array
    heat: Array


@dataclass(frozen=True, slots=True, eq=False)
class Intervals:
    """Even bins over a table's range, so narrow that hardly one holds two of its points.

    An interval looked up by bin and put right by comparison is found faster than by a search.

    Parameters
    ----------
    low, bins_per_kelvin : float
        Where the bins begin [K], and how many there are.
    of_bin : NDArray of int
        Interval of each bin's lower end.
    lower, upper : Array, shape (m - 1,)
        Ends of the intervals [K], the upper one of the last infinite.
    most : int
        Table points within a bin, at most.
    """

    low: float
    bins_per_kelvin: float
    of_bin: NDArray[np.int32]
    lower: Array
    upper: Array
    most: int

    @classmethod
    def of(cls, T: Array) -> Intervals:
        """Return the intervals between the temperatures ``T`` [K], increasing."""
        bins = int(min(np.ceil(np.ptp(T) / np.diff(T).min()), MOST_BINS))
        starts = np.linspace(T[0], T[-1], bins, endpoint=False)
        of_bin = (np.searchsorted(T, starts, side="right") - 1).astype(np.int32)
        most = int(np.diff(of_bin, append=T.size - 2).max())
        upper = np.append(T[1:-1], np.inf)
        return cls(float(T[0]), float(bins / np.ptp(T)), of_bin, T[:-1], upper, most)

    def at(self, T: Array) -> NDArray[np.intp]:
        """Return the interval that each temperature lies in; beyond the table its first or last."""
        bins = np.clip((T - self.low) * self.bins_per_kelvin, 0.0, self.of_bin.size - 1.0)
        out = self.of_bin.take(bins.astype(np.intp)).astype(np.intp)
        for _ in range(self.most):
            out += self.upper.take(out) <= T
        return out


@dataclass(frozen=True, slots=True, eq=False)
class PropertyTable:
    """k and rho c of one metal on a common grid of temperatures.

    Parameters
    ----------
    name : str
        Of the metal, for messages.
    T : Array, shape (m,)
        Grid [K]; every table point of k and of c.
    k, rho_c : Array, shape (m,)
        Values at the grid [W/(m K)], [J/(m^3 K)].
    columns : tuple of Array, shape (m - 1,)
        k, dk/dT, theta, rho c, d(rho c)/dT, H and T at the lower end of each interval.
    intervals : Intervals
    """

    name: str
    T: Array
    k: Array
    rho_c: Array
    columns: tuple[Array, ...]
    intervals: Intervals

    @classmethod
    def of(cls, solid: Solid) -> PropertyTable:
        """Merge the tables of ``solid``."""
        low, high = solid.range
        T = np.union1d(solid.conductivity.x, solid.specific_heat.x)
        T = T[(T >= low) & (T <= high)]
        k, rho_c = solid.conductivity(T), solid.density * solid.specific_heat(T)
        return cls(solid.name, T, k, rho_c, _columns(T, k, rho_c), Intervals.of(T))

    def _on(self, k: Array, rho_c: Array) -> PropertyTable:
        return replace(self, k=k, rho_c=rho_c, columns=_columns(self.T, k, rho_c))

    def changed(
        self, log_k: Scalars, tilt_k: Scalars, log_c: Scalars, tilt_c: Scalars
    ) -> PropertyTable:
        """Return the table with other scales (as logs) and tilts of k and c.

        Of each of many draws, if they are (n_draws, 1): k, rho c and the columns made of them then
        have a row a draw.
        """
        tau = self._tau()
        return self._on(self.k * np.exp(log_k + tilt_k * tau),
                        self.rho_c * np.exp(log_c + tilt_c * tau))

    def tilted(self) -> PropertyTable:
        """Return the derivative of the table to its tilts, itself a table of k tau and c tau."""
        tau = self._tau()
        return self._on(self.k * tau, self.rho_c * tau)

    def _tau(self) -> Array:
        return (self.T - PIVOT) / TILT_SPAN

    def at(self, T: Array) -> NodalProperties:
        """Return the properties at nodal temperatures ``T`` [K], shape (n,).

        Raises
        ------
        TableRangeError
            If a temperature is outside the table.
        """
        i = np.searchsorted(self.T, T, side="right") - 1
        if i.min() < 0 or i.max() >= self.T.size - 1:
            low, high = self.T[0], self.T[-1]
            raise TableRangeError(
                f"material {self.name!r} is given from {low - 273.15:.0f} to {high - 273.15:.0f} "
                f"degC, the wall reached {T.min() - 273.15:.0f} to {T.max() - 273.15:.0f} degC: "
                "shorten the burn, check the gas side, or use a material table that reaches further"
            )
        k, dk, theta, c, dc, heat, below = (column.take(i) for column in self.columns)
        x = T - below
        return NodalProperties(
            k + dk * x, theta + x * (k + 0.5 * dk * x), c + dc * x, heat + x * (c + 0.5 * dc * x)
        )


def _columns(T: Array, k: Array, rho_c: Array) -> tuple[Array, ...]:
    return (*_pieces(T, k), *_pieces(T, rho_c), T[:-1])


def _pieces(T: Array, y: Array) -> tuple[Array, Array, Array]:
    """Return value, slope and integral at the lower end of each interval, the last axis."""
    dT = np.diff(T)
    below = np.zeros_like(y)
    np.cumsum(dT * 0.5 * (y[..., 1:] + y[..., :-1]), axis=-1, out=below[..., 1:])
    return y[..., :-1], np.diff(y) / dT, below[..., :-1]
