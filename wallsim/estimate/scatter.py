"""The scatter between firings, learnt from the firings themselves where they tell it.

A scatter stated with ``+-`` is itself uncertain. Its variance has a scaled inverse chi-squared
prior of mode about the stated one, and is set where the likelihood of the traces, the factors of
the firings integrated out, is highest: expectation and maximisation in turn (Dempster, Laird &
Rubin 1977, J. R. Stat. Soc. B 39, 1) on the linearised misfit. Firings that share no other firing
to be compared with say nothing, and leave the stated value.

A scatter learnt from few firings is in doubt itself. At the end of the fit that doubt goes into the
covariance of all unknowns: of their mean and covariance at scatters spread about the learnt one
(second order: Kass & Steffey 1989, J. Am. Stat. Assoc. 84, 717).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wallsim.estimate.unknowns import Unknowns
from wallsim.units import Quantity

Array = NDArray[np.float64]

FACTORS = {
    "heating_scatter": "heating factor ",
    "gas_temperature_scatter": "gas temperature of firing ",
}
MOST_TURNS = 200
SETTLED = 1e-3
NODES = ((-np.sqrt(3.0), 1.0 / 6.0), (0.0, 2.0 / 3.0), (np.sqrt(3.0), 1.0 / 6.0))
"""Of Gauss and Hermite, for a standard normal distribution: where, and weight."""


def stated(unknowns: Unknowns) -> dict[str, tuple[Quantity, NDArray[np.intp]]]:
    """Return the scatters stated with an uncertainty, and the places of their factors."""
    out = {}
    for key, start in FACTORS.items():
        quantity: Quantity = getattr(unknowns.case.fit, key)
        places = [i for name, i in unknowns.prior.names.items() if name.startswith(start)]
        if quantity.sd > 0.0 and len(places) > 1:
            out[key] = (quantity, np.array(places))
    return out


def scatters(unknowns: Unknowns) -> dict[str, dict[str, float | None]]:
    """Return each scatter between firings as stated, its doubt and as learnt, relative [-]."""
    out: dict[str, dict[str, float | None]] = {}
    uncertain = stated(unknowns)
    for key in FACTORS:
        quantity: Quantity = getattr(unknowns.case.fit, key)
        found = None
        if key in uncertain:
            found = unknowns.prior.parameters[int(uncertain[key][1][0])].sd
        out[key] = {"stated": quantity.value, "stated_sd": quantity.sd, "learnt": found}
    return out


def learnt(unknowns: Unknowns, z: Array, r: Array, J: Array) -> Unknowns:
    """Return the unknowns with the scatters that the misfit at ``z`` speaks for.

    Parameters
    ----------
    z : Array, shape (m,)
    r, J : Array, shape (n,), (n, m)
        Whitened residuals there and their Jacobian in ``z``, without the prior's own rows.
    """
    prior = unknowns.prior
    normal, pull = J.T @ J, J.T @ (J @ z - r)
    for quantity, places in stated(unknowns).values():
        freedom = _freedom(quantity)
        ratio = 1.0
        for _ in range(MOST_TURNS):
            at, covariance = _scaled(normal, pull, places, ratio)
            factors, spread = at[places], np.diag(covariance)[places]
            before = ratio
            ratio = np.sqrt((freedom + (factors**2 + spread).sum()) / (freedom + places.size))
            if abs(ratio / before - 1.0) < SETTLED:
                break
        prior = prior.rescaled(places, ratio)
    return replace(unknowns, prior=prior)


def covariance_with_doubt(unknowns: Unknowns, z: Array, r: Array, J: Array) -> Array:
    """Return the covariance of ``z`` with the doubt of the learnt scatters in it; shape (m, m).

    The log of a scatter is taken as normal, of variance one half over the number of firings that
    its prior counts as and of those that the traces tell.

    Parameters
    ----------
    z, r, J
        As of `learnt`, at the minimum.
    """
    normal, pull = J.T @ J, J.T @ (J @ z - r)
    at, known = _scaled(normal, pull, np.empty(0, dtype=np.intp), 1.0)
    out = known.copy()
    for quantity, places in stated(unknowns).values():
        told = float(np.sum(1.0 - np.diag(known)[places]))
        sd = np.sqrt(0.5 / (_freedom(quantity) + told))
        for node, weight in NODES:
            there, covariance = _scaled(normal, pull, places, float(np.exp(node * sd)))
            out += weight * (covariance + np.outer(there - at, there - at) - known)
    return out


def _freedom(quantity: Quantity) -> float:
    """Return how many firings a stated scatter counts as."""
    return 0.5 / quantity.relative_sd**2


def _scaled(
    normal: Array, pull: Array, places: NDArray[np.intp], ratio: float
) -> tuple[Array, Array]:
    """Return minimum and covariance where the prior at ``places`` is ``ratio`` times as wide."""
    scale = np.ones(pull.size)
    scale[places] = ratio
    covariance = np.linalg.inv(scale[:, None] * normal * scale + np.eye(pull.size))
    return scale * (covariance @ (scale * pull)), scale[:, None] * covariance * scale
