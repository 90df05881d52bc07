"""k, c and their integrals of every draw's own metal, at the nodes of many draws at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.wall.properties import Intervals, PropertyTable

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class DrawProperties:
    """Values at the nodes of every draw, each (n, n_draws).

    Parameters
    ----------
    k, theta : Array
        k [W/(m K)] and its integral [W/m].
    c, heat : Array
        rho c [J/(m^3 K)] and its integral [J/m^3].
    """

    k: Array
    theta: Array
    c: Array
    heat: Array


@dataclass(frozen=True, slots=True, eq=False)
class DrawTables:
    """Property tables of draws of one metal; beyond its ends the last interval is continued.

    A draw that leaves the range of the metal must not end the march of the others; those that read
    the track look for it.

    Parameters
    ----------
    intervals : Intervals
    columns : tuple of Array
        As of `PropertyTable` but T, the intervals of one draw after those of the other.
    first : NDArray of int, shape (n_draws,)
        First interval of each draw.
    """

    intervals: Intervals
    columns: tuple[Array, ...]
    first: NDArray[np.intp]

    @classmethod
    def of(
        cls, table: PropertyTable, log_k: Array, tilt_k: Array, log_c: Array, tilt_c: Array
    ) -> DrawTables:
        """Return the tables of draws; each (n_draws,), as of `PropertyTable.changed`."""
        shape = (log_k.size, table.T.size - 1)
        own = table.changed(*(each[:, None] for each in (log_k, tilt_k, log_c, tilt_c)))
        columns = tuple(each.ravel() for each in own.columns[:-1])
        return cls(table.intervals, columns, shape[1] * np.arange(shape[0]))

    @classmethod
    def joined(cls, parts: Sequence[DrawTables]) -> DrawTables:
        """Return the tables of all draws, one part after the other."""
        intervals = parts[0].intervals
        if not all(np.array_equal(p.intervals.upper, intervals.upper) for p in parts):
            raise ValueError("draws of several metals cannot be marched side by side")
        every = zip(*(p.columns for p in parts), strict=True)
        columns = tuple(np.concatenate(each) for each in every)
        n = sum(p.first.size for p in parts)
        return cls(intervals, columns, columns[0].size // n * np.arange(n))

    def at(self, T: Array) -> DrawProperties:
        """Return the properties at temperatures ``T`` [K], shape (n, n_draws)."""
        i = self.intervals.at(T)
        x = T - self.intervals.lower.take(i)
        i += self.first
        k, dk, theta, c, dc, heat = (column.take(i) for column in self.columns)
        return DrawProperties(k + dk * x, theta + x * (k + 0.5 * dk * x), c + dc * x,
                              heat + x * (c + 0.5 * dc * x))
