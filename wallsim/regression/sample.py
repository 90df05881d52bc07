"""Samples of the posterior ``exp(-S(z)/2)``, to check intervals that rest on its shape.

An affine-invariant ensemble (Goodman & Weare 2010, Comm. App. Math. Comp. Sci. 5, 65) walks in the
coordinates ``u`` in which the Laplace posterior is unit normal,

    z = z_0 + L u,   L L^T = (J^T J)^-1 at the minimum,

with differential-evolution moves (ter Braak 2006, Stat. Comput. 16, 239), which keep their pace
with more unknowns than a stretch move does. It needs the optional package emcee and ten thousands
of evaluations: for a check, not for every fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import InputError
from wallsim.regression.least_squares import Misfit, Refused, Solution, covariance

Array = NDArray[np.float64]

BURN_IN = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Correlated samples of a posterior.

    Parameters
    ----------
    z : Array, shape (n, m)
    memory : float
        Steps of a walker that are worth one independent sample, of its slowest unknown.
    acceptance : float
        Share of proposals accepted [-].
    evaluations : int
        Of the misfit.
    """

    z: Array
    memory: float
    acceptance: float
    evaluations: int

    @property
    def effective(self) -> float:
        """Independent samples that these are worth."""
        return len(self.z) / max(self.memory, 1.0)


def sample(
    misfit: Misfit,
    solution: Solution,
    *,
    steps: int,
    rng: np.random.Generator,
    walkers: int | None = None,
) -> Sample:
    """Return samples of the posterior about ``solution``.

    Parameters
    ----------
    misfit : Misfit
    solution : Solution
        Minimum of ``misfit``.
    steps : int
        Of each walker; the first quarter is left out.
    rng : numpy.random.Generator
    walkers : int or None
        At least twice the number of unknowns; four times, and 32 at least, if None.

    Raises
    ------
    InputError
        If emcee is not installed.
    """
    try:
        from emcee import EnsembleSampler, State
        from emcee.moves import DEMove, DESnookerMove
    except ImportError as error:
        raise InputError(
            "sampling needs the package emcee, which is not installed; "
            "install it with: pip install 'wallsim[sampler]'"
        ) from error
    m = solution.z.size
    density = _Density(misfit, solution)
    sampler = EnsembleSampler(
        walkers or max(32, 4 * m), m, density, moves=[(DEMove(), 0.8), (DESnookerMove(), 0.2)]
    )
    seed = np.random.RandomState(int(rng.integers(2**31)))
    state = State(density.starts(sampler.nwalkers, rng), random_state=seed.get_state())
    sampler.run_mcmc(state, steps)
    left_out = int(BURN_IN * steps)
    u = sampler.get_chain(discard=left_out, flat=True)
    memory = float(np.max(sampler.get_autocorr_time(discard=left_out, quiet=True)))
    acceptance = float(np.mean(sampler.acceptance_fraction))
    return Sample(solution.z + u @ density.root.T, memory, acceptance, density.evaluations)


class _Density:
    """Log of the posterior, 0 at the solution, in coordinates of a unit normal there."""

    def __init__(self, misfit: Misfit, solution: Solution) -> None:
        self.misfit, self.solution, self.evaluations = misfit, solution, 0
        self.root = np.linalg.cholesky(covariance(solution.J)[0])

    def __call__(self, u: Array) -> float:
        self.evaluations += 1
        try:
            r, _ = self.misfit(self.solution.z + self.root @ u)
        except Refused:
            return -np.inf
        S = float(r @ r)
        return 0.5 * (self.solution.misfit - S) if np.isfinite(S) else -np.inf

    def starts(self, n: int, rng: np.random.Generator) -> Array:
        """Return unit-normal starts; those at which nothing can be evaluated are drawn nearer."""
        u = rng.standard_normal((n, self.solution.z.size))
        for row in u:
            while not np.isfinite(self(row)):
                row *= 0.5
        return u
