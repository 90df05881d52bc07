"""What a march needs beside the wall itself, and what it returns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from wallsim.wall.gas import GasSide
from wallsim.wall.operators import Wall
from wallsim.wall.surroundings import OuterWall

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class WallSlope:
    """Derivative of a wall's operators to its thickness.

    Parameters
    ----------
    volume : tuple of Array, shape (n,)
        Per region [m^2].
    laplacian : tuple of csr_matrix
        Per region [-].
    area : dict of str to Array
        Per face [m].
    """

    volume: tuple[Array, ...]
    laplacian: tuple[sp.csr_matrix, ...]
    area: dict[str, Array]

    @classmethod
    def between(cls, low: Wall, high: Wall, step: float) -> WallSlope:
        """Return the difference quotient of two walls of equal mesh, ``step`` [m] apart."""
        pairs = list(zip(low.regions, high.regions, strict=True))
        return cls(
            tuple((b.volume - a.volume) / step for a, b in pairs),
            tuple(((b.laplacian - a.laplacian) / step).tocsr() for a, b in pairs),
            {name: (high.faces[name].area - f.area) / step for name, f in low.faces.items()},
        )


@dataclass(frozen=True, slots=True, eq=False)
class Surfaces:
    """What the faces of a wall exchange heat with.

    Parameters
    ----------
    gas : GasSide
    outer : OuterWall
    head, exit : float
        Temperatures of what the ends exchange heat with [K].
    """

    gas: GasSide
    outer: OuterWall
    head: float
    exit: float


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """Observed temperatures of a march.

    Parameters
    ----------
    t : Array, shape (n_t,)
        From ignition [s].
    y : Array, shape (n_t, n_obs)
        [K], or the unit of the observation's row.
    dy_dp : Array, shape (n_t, n_obs, n_active), or None
    work : dict of str to int
        Counts of steps, factorisations, solves and residuals.
    """

    t: Array
    y: Array
    dy_dp: Array | None
    work: dict[str, int]
