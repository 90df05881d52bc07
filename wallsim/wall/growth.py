"""How a deposit grows in time, 1 at ``t_ref``, by two numbers: curvature ``x``, exponent ``m``.

    g = (1 - exp(-x u))/(1 - exp(-x)),   u = (t/t_ref)^m

With ``m`` = 1 it runs from linear (x = 0) over saturating to constant (x = infinity), with x = 0
it is a power law, of which m = 1/2 is parabolic growth. The form is that of Avrami (1940, J. Chem.
Phys. 8, 212), the exponent his.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Law = Literal["none", "constant", "linear", "saturating", "general"]
"""Saturating growth is general growth with the exponent 1."""


def clock(s: float, log_exponent: float) -> tuple[float, float, float]:
    """Return ``u = s^m`` and its derivatives to ``s``, taken as 0 at s = 0, and to ``log m``."""
    if s <= 0.0:
        return 0.0, 0.0, 0.0
    m = float(np.exp(log_exponent))
    u = s**m
    return u, m * u / s, m * u * float(np.log(s))


def grown(law: Law, s: float, log_growth: Array) -> tuple[float, Array]:
    """Return the growth ``g`` at ``s = t/t_ref`` and its derivatives to ``log_growth``.

    Parameters
    ----------
    log_growth : Array, shape (2,)
        Logs of curvature and exponent.
    """
    if law == "none":
        return 0.0, np.zeros(2)
    if law == "constant":
        return 1.0, np.zeros(2)
    if law == "linear":
        return s, np.zeros(2)
    u, _, of_exponent = clock(s, float(log_growth[1]))
    x = float(np.exp(log_growth[0]))
    late, end, whole = np.exp(-x * u), np.exp(-x), -np.expm1(-x)
    g = float(-np.expm1(-x * u) / whole)
    return g, np.array([x * (u * late - g * end) / whole, x * late / whole * of_exponent])
