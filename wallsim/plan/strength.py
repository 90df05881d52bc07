"""What a hot wall under pressure bears: limit load, elastic stresses.

The limit load of a tube whose yield strength follows its temperature is (Hill 1950, The
Mathematical Theory of Plasticity, chapter V; von Mises, closed ends, elastic-perfectly plastic)

    p = 2/sqrt(3) integral of sigma_y(T(r)) dr/r

It is an estimate for planning: creep, low-cycle fatigue, erosion, flanges and welds are not in it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from wallsim.materials.solid import Elastic, Table

Array = NDArray[np.float64]

NOT_COVERED = (
    "creep and stress rupture", "low-cycle fatigue by thermal stress", "erosion and oxidation loss",
    "flanges and their bolts", "welds", "hard starts and other pressure peaks",
)
DISCLAIMER = (
    "An estimate for planning. Not covered: " + ", ".join(NOT_COVERED) + ". The local pressure "
    "code and licensed practice decide; nobody near a hot tube under pressure."
)
NO_TABLE = "no strength table: not assessed"


def radial_weights(r: Array) -> Array:
    """Return the weights of an integral over ``r`` [m], exact for a cubic in each element.

    Parameters
    ----------
    r : Array, shape (2 n + 1,)
        Ends and middles of ``n`` elements, increasing.
    """
    length = r[2::2] - r[:-2:2]
    out = np.zeros(r.size)
    out[:-2:2] += length / 6.0
    out[1::2] += 4.0 * length / 6.0
    out[2::2] += length / 6.0
    return out


def limit_load(r: Array, sigma_y: Array) -> Array:
    """Return the pressure at which the whole wall yields [Pa]; the shape of all but the last axis.

    Parameters
    ----------
    r : Array, shape (2 n + 1,)
        From bore to outside [m], as in `radial_weights`.
    sigma_y : Array, shape (..., 2 n + 1)
        Yield strength there [Pa].
    """
    return np.asarray(2.0 / np.sqrt(3.0) * sigma_y @ (radial_weights(r) / r))


def hot_strength(table: Table, T: Array) -> Array:
    """Return the yield strength [Pa] at ``T`` [K]; same shape.

    Below its first point the first value stands; beyond its last point none is counted on, for a
    table that ends while the metal is strong says nothing of what comes after.
    """
    return np.interp(T, table.x, table.y, right=0.0)


def pressure_stress(p: float, inner: float, outer: float, r: Array) -> tuple[Array, Array, Array]:
    """Return elastic hoop, radial and axial stress [Pa] of a closed tube at ``r`` [m] (Lame 1852).

    Parameters
    ----------
    p : float
        Pressure in the bore above that outside [Pa].
    inner, outer : float
        Radii [m].
    """
    axial = p * inner**2 / (outer**2 - inner**2)
    bent = (outer / r) ** 2
    return axial * (1.0 + bent), axial * (1.0 - bent), np.full(np.shape(r), axial)


def thermal_stress(r: Array, T: Array, elastic: Elastic) -> tuple[Array, Array]:
    """Return the elastic hoop stress at bore and outside [Pa], far from the ends, which are free.

    ``E alpha (mean(T) - T)/(1 - nu)``, the mean over the section (Timoshenko & Goodier 1970,
    Theory of Elasticity, section 151). With constants of room temperature it overstates.

    Parameters
    ----------
    r : Array, shape (2 n + 1,)
        As in `radial_weights` [m].
    T : Array, shape (..., 2 n + 1)
        [K].
    """
    w = radial_weights(r) * r
    mean = T @ w / w.sum()
    scale = elastic.modulus * elastic.expansion / (1.0 - elastic.poisson)
    return scale * (mean - T[..., 0]), scale * (mean - T[..., -1])
