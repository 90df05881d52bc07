"""The scatter between firings, learnt from the firings themselves where they tell it.

A scatter stated with ``+-`` is itself uncertain. Its variance has a scaled inverse chi-squared
prior of mode about the stated one, and is set where the likelihood of the traces, the factors of
the firings integrated out, is highest: expectation and maximisation in turn (Dempster, Laird &
Rubin 1977, J. R. Stat. Soc. B 39, 1) on the linearised misfit. Firings that share no other firing
to be compared with say nothing, and leave the stated value.
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
        freedom = 0.5 / quantity.relative_sd**2
        ratio = 1.0
        for _ in range(MOST_TURNS):
            scale = np.ones(z.size)
            scale[places] = ratio
            covariance = np.linalg.inv(scale[:, None] * normal * scale + np.eye(z.size))
            factors = ratio * (covariance @ (scale * pull))[places]
            spread = ratio**2 * np.diag(covariance)[places]
            before = ratio
            ratio = np.sqrt((freedom + (factors**2 + spread).sum()) / (freedom + places.size))
            if abs(ratio / before - 1.0) < SETTLED:
                break
        prior = prior.rescaled(places, ratio)
    return replace(unknowns, prior=prior)
