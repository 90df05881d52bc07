"""Which firings can be compared at equal time, and how far one of them is off.

With ``S`` the sum of squares of repeats about their mean at one moment, and ``nu`` its degrees of
freedom,

    s^2 = median over the moments of S / nu,    half width = t(0.975, median of nu) s

for at a single moment two firings agree by chance. A moment whose ``S / nu`` is far above ``s^2``,
as the first after ignition may be, keeps its own. The deviation of a firing lasts as long as it
does: moments add no degrees of freedom.
"""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from wallsim.build import Firing
from wallsim.regression.profile import COVERAGE

Array = NDArray[np.float64]

APART = 25.0
"""Times the median: a variance above is no chance (below 1 in 1000 with two repeats)."""


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
    Array, shape (..., n_t)
        In the unit of a deviation.
    """
    known = freedom > 0
    degrees = np.where(known, freedom, 1)
    own = np.where(known, squares / degrees, 0.0)
    pooled = _median(own, known)
    variance = np.where(own > APART * pooled, own, pooled)
    factor = stdtrit(_median(degrees, known), 0.5 + 0.5 * COVERAGE)
    return np.asarray(np.sqrt(variance) * factor)


def _median(values: Array, known: NDArray[np.bool_]) -> Array:
    """Return the median over the last axis of what is known, NaN where nothing is."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of rows of which nothing is known
        return np.asarray(np.nanmedian(np.where(known, values, np.nan), axis=-1, keepdims=True))
