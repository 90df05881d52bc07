"""Which firings can be compared at equal time, and how far one of them is off.

With ``S`` the sum of squares of repeats about their mean at one moment, and ``nu`` its degrees of
freedom,

    s^2 = median over the moments of S / nu,    half width = t(0.975, median of nu) s

At a single moment two firings agree by chance, and the first moments scatter more than all others.
The deviation of a firing lasts as long as it does: moments add no degrees of freedom.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from wallsim.build import Firing

Array = NDArray[np.float64]

COVERAGE = 0.95


def why_not_comparable(firing: Firing) -> str | None:
    """Return why the deposit of a firing is not that grown since its ignition, None if it is."""
    if firing.run.shed is not None:
        return "deposit came off during the burn"
    if firing.run.start is not None:
        return f"bore not cleaned after {firing.run.start}"
    return None


def half_width(squares: Array, freedom: Array) -> Array:
    """Return half the 95 % interval of one firing, NaN without repeats.

    Parameters
    ----------
    squares, freedom : Array, shape (..., n_t)
        Sum of squares of repeats about their mean, and its degrees of freedom, at each moment.

    Returns
    -------
    Array, shape (..., 1)
        In the unit of a deviation.
    """
    none = freedom <= 0
    degrees = np.where(none, 1, freedom)
    variance = np.ma.median(np.ma.array(squares / degrees, mask=none), axis=-1, keepdims=True)
    pooled = np.ma.median(np.ma.array(degrees, mask=none), axis=-1, keepdims=True)
    factor = stdtrit(np.ma.filled(pooled, 1.0), 0.5 + 0.5 * COVERAGE)
    return np.ma.filled(np.ma.sqrt(variance), np.nan) * factor
