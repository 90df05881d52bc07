"""Gaussian priors of named parameters, and the coordinates in which they are unit normal.

    x = mean + root z,   z ~ N(0, 1)

``x`` holds each parameter in the coordinate in which its prior is normal: its log where it must
be positive, itself otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

Array = NDArray[np.float64]

MOST_ODDS = 40.0


@dataclass(frozen=True, slots=True)
class Parameter:
    """One fitted number.

    Parameters
    ----------
    name : str
        As shown to the user.
    unit : str
        Of the value itself (not of its log).
    log : bool
        True if its log is normal.
    mean, sd : float
        Of the prior, in the normal coordinate.
    group : str
        What an engineer calls the source of this uncertainty.
    share : bool
        True if it lies between 0 and 1 and its log odds are normal.
    """

    name: str
    unit: str
    log: bool
    mean: float
    sd: float
    group: str
    share: bool = False

    def value(self, x: float) -> float:
        """Return the value in its unit."""
        if self.share:
            return float(expit(x))
        return float(np.exp(x)) if self.log else float(x)

    def spread(self, x: float, sd: float) -> float:
        """Return the standard deviation in the value's unit."""
        if self.share:
            return float(expit(x) * expit(-x)) * sd
        return float(np.exp(x)) * sd if self.log else float(sd)


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """Joint prior of all parameters.

    Parameters
    ----------
    parameters : tuple of Parameter
    mean : Array, shape (m,)
    root : Array, shape (m, m)
        Lower-triangular, ``root root^T`` is the covariance.
    """

    parameters: tuple[Parameter, ...]
    mean: Array
    root: Array

    @classmethod
    def of(cls, blocks: list[tuple[tuple[Parameter, ...], Array]]) -> Prior:
        """Join independent blocks, each its parameters and their prior covariance."""
        parameters = tuple(p for block, _ in blocks for p in block)
        root = np.zeros((len(parameters), len(parameters)))
        at = 0
        for block, cov in blocks:
            end = at + len(block)
            root[at:end, at:end] = np.linalg.cholesky(cov)
            at = end
        return cls(parameters, np.array([p.mean for p in parameters]), root)

    @property
    def names(self) -> dict[str, int]:
        """Place of each parameter by name."""
        return {p.name: i for i, p in enumerate(self.parameters)}

    def rescaled(self, places: NDArray[np.intp], ratio: float) -> Prior:
        """Return the prior whose independent parameters at ``places`` spread ``ratio`` as far."""
        root = self.root.copy()
        root[places] *= ratio
        parameters = list(self.parameters)
        for i in places:
            parameters[i] = replace(parameters[i], sd=ratio * parameters[i].sd)
        return Prior(tuple(parameters), self.mean, root)

    def x(self, z: Array) -> Array:
        """Return the parameters at unit-normal coordinates ``z``."""
        return self.mean + self.root @ z

    def z(self, x: Array) -> Array:
        """Return the unit-normal coordinates of ``x``."""
        return np.asarray(np.linalg.solve(self.root, x - self.mean), dtype=np.float64)


def log_odds(value: float, sd: float) -> tuple[float, float]:
    """Return mean and standard deviation of the log odds of a share stated as ``value +- sd``.

    The value is the median, and half the way from the 16 % to the 84 % point is ``sd`` (below
    1/2). A share of 0 or 1 is given finite odds that no double tells from it.
    """
    mean = float(np.clip(logit(value), -MOST_ODDS, MOST_ODDS))
    if sd <= 0.0:
        return mean, 0.0
    b, a = 2.0 * sd * np.cosh(mean), 1.0 - 2.0 * sd
    return mean, float(np.log((b + np.sqrt(b**2 + a * (1.0 + 2.0 * sd))) / a))


def smooth_covariance(points: Array, level: float, variation: float, length: float) -> Array:
    """Return the prior covariance of a smooth curve at ``points``.

    A level common to all points plus a Gaussian process with the Matern kernel of order 5/2
    (Rasmussen & Williams 2006, eq. 4.17).

    Parameters
    ----------
    points : Array, shape (n,)
        Where along the tube [m].
    level, variation : float
        Standard deviations of the level and about it.
    length : float
        Correlation length [m].
    """
    d = np.sqrt(5.0) * np.abs(points[:, None] - points[None, :]) / length
    kernel = (1.0 + d + d**2 / 3.0) * np.exp(-d)
    return np.asarray(level**2 + variation**2 * kernel + 1e-10 * np.eye(points.size))
