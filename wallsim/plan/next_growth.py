"""Mean R at the end of a burn longer than any logged of a blend, as growth may go on.

How a deposit grew is told by the logs up to the longest burn alone. Beyond it the log of R is no
linear function of the shape of growth: a film that may or may not be about to saturate has a tail
of low values that a tangent at the estimate does not see. Draws of the shape and of R, normal as
the fit leaves them, are carried on exactly. What is then said of R is a monotone function of a
normal quantity, the linear one closest to log R in the draws, with the quantiles of the draws.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from wallsim.estimate.readouts import AlongTube
from wallsim.wall.growth import grown_of_draws

Array = NDArray[np.float64]

PAIRS = 10000
SEED = 21


@dataclass(frozen=True, slots=True, eq=False)
class LogResistance:
    """Log of a mean R [m^2 K/W] as a monotone function of a normal quantity.

    Parameters
    ----------
    estimate : float
        Of log R; the mean of the normal quantity too.
    gradient : Array, shape (n,)
        Of the normal quantity.
    normal, log_R : Array, shape (k,)
        Values of it, increasing, and what log R is there; linear between and beyond. Empty where
        it is log R itself.
    """

    estimate: float
    gradient: Array
    normal: Array
    log_R: Array

    @classmethod
    def itself(cls, estimate: float, gradient: Array) -> LogResistance:
        """Return a log that is normal itself."""
        return cls(estimate, gradient, np.empty(0), np.empty(0))

    @classmethod
    def grown(
        cls, along: AlongTube, root: Array, blend: str, t: float, estimate: float, gradient: Array
    ) -> LogResistance:
        """Return that of ``blend`` after a burn of ``t`` [s].

        Parameters
        ----------
        root : Array, shape (m, n)
            ``x = x_0 + root u`` with normal ``u``.
        estimate, gradient : float, Array of shape (n,)
            Log of the mean R after ``t`` at ``x_0``, and its gradient to ``u``.
        """
        gas, places = along.clean_gas(blend), along.unknowns.growth_places(blend)
        s = t / gas.t_ref
        if s <= 1.0 or not places:
            return cls.itself(estimate, gradient)
        shape = along.unknowns.growth_shape(blend, along.x)
        g, dg = gas.growth(t, shape)
        rows = root[list(places.values())]
        linear = gradient - dg[list(places)] @ rows / g
        seen = np.vstack((linear, rows))
        U, size, _ = np.linalg.svd(seen, full_matrices=False)
        half = np.random.default_rng(SEED).standard_normal((len(size), PAIRS))
        v = (U * size) @ np.concatenate((half, -half), axis=1)
        shapes = np.tile(shape[:, None], v.shape[1])
        shapes[list(places)] += v[1:]
        log_R = estimate + v[0] + np.log(grown_of_draws(gas.law, s, shapes) / g)
        onto = np.linalg.lstsq(v.T, log_R - log_R.mean(), rcond=None)[0] @ seen
        chances = (np.arange(log_R.size) + 0.5) / log_R.size
        return cls(estimate, onto, estimate + np.linalg.norm(onto) * ndtri(chances), np.sort(log_R))

    def at(self, normal: float) -> float:
        """Return log R where the normal quantity has a value."""
        return _linear(normal, self.normal, self.log_R)

    def normal_at(self, log_R: float) -> float:
        """Return the normal quantity where log R has a value."""
        return _linear(log_R, self.log_R, self.normal)


def _linear(at: float, x: Array, y: Array) -> float:
    """Return ``y`` at ``at``, itself if there are no points; beyond them as between the ends'."""
    if x.size == 0:
        return at
    i = int(np.clip(np.searchsorted(x, at), 1, x.size - 1))
    i, j = (i - 1, i) if x[0] < at < x[-1] else (0, x.size - 1)
    return float(y[i] + (y[j] - y[i]) * (at - x[i]) / (x[j] - x[i]))
