"""Series of the hollow cylinder with its outside insulated.

Carslaw & Jaeger, Conduction of Heat in Solids (2nd ed. 1959), chapter VII, derived anew. In units
of the bore radius: ``x = r/r_i``, ``ratio = r_o/r_i``, ``Bi = h r_i/k``, ``Fo = a t/r_i^2``.
"""

import numpy as np
from scipy.optimize import brentq
from scipy.special import j0, j1, y0, y1

TERMS = 120


def _u(b, x, ratio):
    return j0(b * x) * y1(b * ratio) - y0(b * x) * j1(b * ratio)


def _u1(b, ratio):
    return j1(b) * y1(b * ratio) - y1(b) * j1(b * ratio)


def _roots(f, ratio):
    grid = np.linspace(1e-3, TERMS * np.pi, 40 * TERMS) / (ratio - 1.0)
    signs = np.sign(f(grid))
    return np.array([brentq(f, grid[i], grid[i + 1], xtol=1e-13, rtol=1e-14)
                     for i in np.flatnonzero(signs[1:] != signs[:-1])])


def robin(ratio, biot, x, fourier):
    """Return the rise over that of the gas, which steps at t = 0; shape (n_fourier, n_x)."""
    b = _roots(lambda b: b * _u1(b, ratio) + biot * _u(b, 1.0, ratio), ratio)
    at_bore, at_outside, slope = _u(b, 1.0, ratio), -2.0 / (np.pi * b * ratio), _u1(b, ratio)
    norm = 0.5 * (ratio**2 * at_outside**2 - at_bore**2 - slope**2)
    modes = (-slope / b / norm)[:, None] * _u(b[:, None], np.asarray(x), ratio)
    return 1.0 - np.exp(-np.outer(fourier, b**2)) @ modes


def flux(ratio, x, fourier):
    """Return k (T - T0)/(q r_i) for a constant bore flux q; shape (n_fourier, n_x)."""
    x, fourier = np.asarray(x), np.asarray(fourier)
    b = _roots(lambda b: _u1(b, ratio), ratio)
    norm = 0.5 * (ratio**2 * (2.0 / (np.pi * b * ratio)) ** 2 - _u(b, 1.0, ratio) ** 2)
    modes = (_u(b, 1.0, ratio) / (b**2 * norm))[:, None] * _u(b[:, None], x, ratio)
    bulk = 2.0 * fourier / (ratio**2 - 1.0)
    return bulk[:, None] + profile(ratio, x) - np.exp(-np.outer(fourier, b**2)) @ modes


def profile(ratio, x):
    """Return the shape that the rise takes late under a constant bore flux; mean zero."""
    def g(x):
        return (x**2 / 2.0 - ratio**2 * np.log(x)) / (ratio**2 - 1.0)

    q = ratio**2
    mean = ((q**2 - 1.0) / 8.0 - q * (q * np.log(ratio) / 2.0 - (q - 1.0) / 4.0)) / (q - 1.0)
    return g(np.asarray(x)) - 2.0 * mean / (q - 1.0)
