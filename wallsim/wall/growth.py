"""How a deposit grows in time, 1 at ``t_ref``, by two numbers: curvature ``x``, exponent ``m``.

    g = (1 - exp(-x u))/(1 - exp(-x)),   u = (t/t_ref)^m,   x = 2 sinh(c)

With ``m`` = 1 it runs from accelerating (x < 0) over linear (x = 0) and saturating to constant
(x = infinity), with x = 0 it is a power law, of which m = 1/2 is parabolic growth. The form for
x > 0 is that of Avrami (1940, J. Chem. Phys. 8, 212), the exponent his. What is fitted are ``c``,
which the growth depends on evenly about linear growth and x as its exponential far from it, and
``log m``. Beyond ``t_ref`` nothing accelerates.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Law = Literal["none", "constant", "linear", "saturating", "general"]
"""Saturating growth is general growth with the exponent 1."""

FARTHEST = (-4.0, 8.0)
"""Of ``c``: growth that has no further to go, in 2 % and 0.03 % of ``t_ref``."""
AS_GOOD_AS_LINEAR = 1e-5
"""Of x, below which the formula would divide nothing by nothing."""


def curvature(c: float) -> tuple[float, float]:
    """Return ``x`` and its derivative to ``c``."""
    c = min(max(c, FARTHEST[0]), FARTHEST[1])
    x = 2.0 * float(np.sinh(c))
    return x if abs(x) > AS_GOOD_AS_LINEAR else AS_GOOD_AS_LINEAR, 2.0 * float(np.cosh(c))


def clock(s: float, shape: Array) -> tuple[float, float, Array]:
    """Return ``u`` and its derivatives to ``s``, taken as 0 at s = 0, and to ``shape``.

    Beyond ``t_ref``, the longest burn known, growth does not accelerate: there the rate stays.

    Parameters
    ----------
    shape : Array, shape (2,)
        c and log m.
    """
    if s <= 0.0:
        return 0.0, 0.0, np.zeros(2)
    m = float(np.exp(shape[1]))
    if s > 1.0 and m > 1.0:
        u, of_s, of_log_m = 1.0 + m * (s - 1.0), m, m * (s - 1.0)
    else:
        u = s**m
        of_s, of_log_m = m * u / s, m * u * float(np.log(s))
    x, of_c = curvature(float(shape[0]))
    if s <= 1.0 or x > 0.0:
        return u, of_s, np.array([0.0, of_log_m])
    # exp(-x u) is linear in what u was.
    a = 1.0 - x * (u - 1.0)
    log_a = float(np.log(a))
    of_x = ((u - 1.0) / a * x + log_a) / x**2
    return 1.0 - log_a / x, of_s / a, np.array([of_x * of_c, of_log_m / a])


def clock_back(u: float, shape: Array) -> tuple[float, float, Array]:
    """Return the ``s`` at which `clock` gives ``u``, and its derivatives to ``u`` and ``shape``."""
    if u <= 0.0:
        return 0.0, 0.0, np.zeros(2)
    x, m = curvature(float(shape[0]))[0], float(np.exp(shape[1]))
    steady = u
    if u > 1.0 and x < 0.0:
        steady = 1.0 - float(np.expm1(-x * (u - 1.0))) / x
    s = 1.0 + (steady - 1.0) / m if steady > 1.0 and m > 1.0 else steady ** (1.0 / m)
    _, of_s, of_shape = clock(s, shape)
    return s, 1.0 / of_s, -of_shape / of_s


def grown(law: Law, s: float, shape: Array) -> tuple[float, Array]:
    """Return the growth ``g`` at ``s = t/t_ref`` and its derivatives to ``shape``.

    Parameters
    ----------
    shape : Array, shape (2,)
        c and log m.
    """
    if law == "none":
        return 0.0, np.zeros(2)
    if law == "constant":
        return 1.0, np.zeros(2)
    if law == "linear":
        return s, np.zeros(2)
    u, _, of_shape = clock(s, shape)
    x, of_c = curvature(float(shape[0]))
    late, end, whole = np.exp(-x * u), np.exp(-x), -np.expm1(-x)
    g = float(-np.expm1(-x * u) / whole)
    of_c *= (u * late - g * end) / whole
    return g, np.array([of_c, 0.0]) + x * late / whole * of_shape


def grown_of_draws(law: Law, s: float, shapes: Array) -> Array:
    """Return the growth at ``s`` of many shapes at once, each as by `grown`; shape (n_draws,).

    Parameters
    ----------
    shapes : Array, shape (2, n_draws)
        c and log m of each.
    """
    if law in ("none", "constant", "linear"):
        return np.full(shapes.shape[1], grown(law, s, shapes[:, 0])[0])
    s, m = max(s, 0.0), np.exp(shapes[1])
    x = 2.0 * np.sinh(np.clip(shapes[0], *FARTHEST))
    x = np.where(np.abs(x) > AS_GOOD_AS_LINEAR, x, AS_GOOD_AS_LINEAR)
    u = np.where((s > 1.0) & (m > 1.0), 1.0 + m * (s - 1.0), s**m)
    if s > 1.0:
        u = np.where(x > 0.0, u, 1.0 - np.log(np.where(x > 0.0, 1.0, 1.0 - x * (u - 1.0))) / x)
    return np.asarray(np.expm1(-x * u) / np.expm1(-x))
