"""Draws whose spread is exact in the directions that matter to a firing, however few they are.

A quantity with gradient ``g`` to ``z`` of ``x = x_0 + root z`` has the standard deviation ``|g|``.
From ``k`` independent draws in mirrored pairs it comes out as the root of the mean of ``(g z)^2``,
uncertain by ``1/sqrt(2 k)``: by 18 % for 16 pairs, and by the same factor in all that goes with it.
In the few directions in which the gradients of a firing lie the draws are therefore made
uncorrelated and of unit mean square, by as little as that takes (the polar factor: Higham 1986,
SIAM J. Sci. Stat. Comput. 7, 1160), which depends on what the directions span alone: draws of two
plans that differ little differ little. In all others they stay as drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from wallsim.build import Campaign, Firing
from wallsim.errors import ConvergenceError, TableRangeError
from wallsim.estimate.bore import BoreReadouts, bore_readouts
from wallsim.estimate.run_model import Resolution, RunModel, WallBuilder
from wallsim.plan.draws import SEED, Knowledge

Array = NDArray[np.float64]

DIRECTIONS = 12
"""At most three quarters of the pairs; the rest of the variance of a bore is then below 1 %."""
PAIRS_A_DIRECTION = 4.0 / 3.0
A_SHARE_AS_K = 100.0
"""A flux is wanted to 1 % as a temperature is to 1 K."""


def draws_for(
    knowledge: Knowledge, campaign: Campaign, firings: Sequence[Firing], n: int,
    resolution: Resolution, executor: Executor,
) -> Array | None:
    """Return draws of the unknowns whose spread is exact for the firings' bores and fluxes.

    Those at shutdown. All firings have the same ones: what differs between them then is not by
    chance. None where all estimates leave the table of the metal.

    Parameters
    ----------
    n : int
        As in `directed`.
    resolution : Resolution
        Of the marches that give the gradients, one a firing.
    """
    found = executor.map(_gradients, repeat(knowledge), repeat(campaign), firings,
                         repeat(resolution))
    known = [each for each in found if each is not None]
    return directed(knowledge.x, knowledge.root, n, np.vstack(known)) if known else None


def _gradients(
    known: Knowledge, campaign: Campaign, firing: Firing, resolution: Resolution
) -> Array | None:
    """Return gradients of bore and flux to the unknowns; None where the estimate leaves a table."""
    run = RunModel.of(campaign, firing, known.unknowns, resolution)
    wall, slope = WallBuilder(known.unknowns, resolution).at(known.x)
    try:
        bore = bore_readouts(run, known.x, wall, slope, wall.faces["bore"].z, None)
    except (TableRangeError, ConvergenceError):
        return None
    return gradients(bore)


def gradients(bore: BoreReadouts) -> Array:
    """Return the gradients of a bore's peak, its temperatures and fluxes at shutdown, in K."""
    return np.vstack((bore.peak.gradient, bore.shutdown_temperature.gradient,
                      A_SHARE_AS_K * bore.flux.gradient))


def directed(x: Array, root: Array, n: int, gradients: Array) -> Array:
    """Return ``n`` draws of the unknowns; shape (m, n), the first the estimate itself.

    Parameters
    ----------
    x : Array, shape (m,)
    root : Array, shape (m, q)
        Of their covariance.
    n : int
        The others come in pairs that mirror each other about the estimate.
    gradients : Array, shape (k, m)
        Of what is wanted to the unknowns, each in a unit in which it matters alike.
    """
    pairs = n // 2
    half = np.random.default_rng(SEED).standard_normal((root.shape[1], pairs))
    across = np.linalg.svd(gradients @ root, full_matrices=False)[2]
    across = across[: min(DIRECTIONS, int(pairs / PAIRS_A_DIRECTION))]
    if len(across):
        drawn = across @ half
        U, _, V = np.linalg.svd(drawn, full_matrices=False)
        half += across.T @ (np.sqrt(pairs) * U @ V - drawn)
    z = np.concatenate((np.zeros((half.shape[0], 1)), half, -half), axis=1)[:, :n]
    return np.asarray(x[:, None] + root @ z)
