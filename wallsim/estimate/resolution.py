"""How fine the mesh and the steps must be for a stated tolerance at the thermocouples.

One march of the longest firing is compared with the same on halved cells, and on halved steps;
whichever error is above its half of the tolerance is refined, until neither is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Firing
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder, readings
from wallsim.estimate.unknowns import Unknowns

Array = NDArray[np.float64]

COARSEST = Resolution(2, 24, 1.0)
CELL = 0.016
MOST_CELLS = 400
FINEST_STEPS = 16.0
SAFETY = 0.8
STEP_REFINEMENT = 1.42


def choose(campaign: Campaign, unknowns: Unknowns, x: Array) -> Resolution:
    """Return the coarsest resolution that keeps the tolerance of the case at ``x``."""
    firing = max(campaign.firings, key=lambda f: f.burn * f.events.plateau)
    n_z = int(np.clip(campaign.case.tube.length / CELL, COARSEST.n_z, MOST_CELLS))
    at = replace(COARSEST, n_z=n_z)
    allowed = 0.5 * SAFETY * campaign.case.fit.tolerance

    def reading(resolution: Resolution) -> tuple[Array, ...]:
        return _readings(campaign, firing, unknowns, x, resolution)

    while at.fineness < FINEST_STEPS:
        base = reading(at)
        in_time = 4.0 / 3.0 * _largest(base, reading(replace(at, fineness=2.0 * at.fineness)))
        in_space = _largest(base, reading(replace(at, n_r=2 * at.n_r, n_z=2 * at.n_z)))
        if in_time <= allowed and in_space <= allowed:
            break
        if in_time > allowed:
            at = replace(at, fineness=STEP_REFINEMENT * at.fineness)
        if in_space > allowed:
            at = replace(at, n_r=at.n_r + 1, n_z=min(int(1.5 * at.n_z), MOST_CELLS))
    return at


def _readings(
    campaign: Campaign, firing: Firing, unknowns: Unknowns, x: Array, resolution: Resolution
) -> tuple[Array, ...]:
    run = RunModel.of(campaign, firing, unknowns, resolution)
    wall, _ = WallBuilder(unknowns, resolution).at(x)
    return readings(run, x, wall, None, derivatives=False).T


def _largest(a: tuple[Array, ...], b: tuple[Array, ...]) -> float:
    return max(float(np.abs(p - q).max()) for p, q in zip(a, b, strict=True))
