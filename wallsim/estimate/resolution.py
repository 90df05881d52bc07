"""How fine the mesh and the steps must be for a stated tolerance at the thermocouples.

One march of the hottest firing is compared with the same on cells halved across, on cells halved
along, and on halved steps; where that changes most is refined and measured again, until the three
changes together keep the tolerance. The cells of a mesh file are halved both ways.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Firing
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder, readings
from wallsim.estimate.unknowns import Unknowns

Array = NDArray[np.float64]
Finer = Callable[[Resolution], Resolution]

COARSEST = Resolution(3, 24, 1.0)
CELL = 0.016
MOST_CELLS = 400
MOST_CUTS = 4
FINEST_STEPS = 16.0
SAFETY = 0.75
STEP_REFINEMENT = 1.42


# Halved in one direction, a little finer there, and what is left beyond the change.
_DIRECTIONS: tuple[tuple[Finer, Finer, float], ...] = (
    (lambda n: replace(n, n_r=2 * n.n_r), lambda n: replace(n, n_r=n.n_r + 1), 1.0),
    (lambda n: replace(n, n_z=2 * n.n_z), lambda n: replace(n, n_z=int(np.ceil(1.3 * n.n_z))), 1.0),
    (lambda n: replace(n, fineness=2.0 * n.fineness),
     lambda n: replace(n, fineness=STEP_REFINEMENT * n.fineness), 4.0 / 3.0),
)


def first_guess(campaign: Campaign) -> Resolution:
    """Return a coarse resolution to begin with."""
    if campaign.case.tube.mesh is not None:
        return Resolution(1, 1, 1.0)
    n_z = int(np.clip(campaign.case.tube.length / CELL, COARSEST.n_z, MOST_CELLS))
    return replace(COARSEST, n_z=n_z)


def choose(campaign: Campaign, unknowns: Unknowns, x: Array) -> Resolution:
    """Return the coarsest resolution that keeps the tolerance of the case at ``x``."""
    at = first_guess(campaign)
    firing = max(campaign.firings, key=lambda f: max(trace.T.max() for trace in f.traces))
    allowed = SAFETY * campaign.case.fit.tolerance

    def reading(resolution: Resolution) -> tuple[Array, ...]:
        return _readings(campaign, firing, unknowns, x, resolution)

    def error(change: Resolution) -> float:
        return _largest(base, reading(change))

    while campaign.case.tube.mesh is not None:
        base = reading(at)
        in_time = 4.0 / 3.0 * error(replace(at, fineness=2.0 * at.fineness))
        in_space = error(replace(at, n_r=2 * at.n_r, n_z=2 * at.n_z))
        if in_time + in_space <= allowed or at.fineness >= FINEST_STEPS or at.n_r >= MOST_CUTS:
            return at
        cut = 2 if in_space > 0.5 * allowed else 1
        step = STEP_REFINEMENT if in_time > 0.5 * allowed else 1.0
        at = Resolution(cut * at.n_r, cut * at.n_z, step * at.fineness)
    base = reading(at)
    errors = [weight * error(halved(at)) for halved, _, weight in _DIRECTIONS]
    while sum(errors) > allowed and at.n_z < MOST_CELLS and at.fineness < FINEST_STEPS:
        worst = int(np.argmax(errors))
        halved, finer, weight = _DIRECTIONS[worst]
        at = finer(at)
        base = reading(at)
        errors[worst] = weight * error(halved(at))
    return at


def _readings(
    campaign: Campaign, firing: Firing, unknowns: Unknowns, x: Array, resolution: Resolution
) -> tuple[Array, ...]:
    run = RunModel.of(campaign, firing, unknowns, resolution)
    wall, _ = WallBuilder(unknowns, resolution).at(x)
    return readings(run, x, wall, None, derivatives=False).T


def _largest(a: tuple[Array, ...], b: tuple[Array, ...]) -> float:
    return max(float(np.abs(p - q).max()) for p, q in zip(a, b, strict=True))
