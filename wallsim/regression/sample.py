"""Samples of the posterior ``exp(-S(z)/2)``, to check intervals that rest on its shape.

Several chains walk in the coordinates ``u`` in which the Laplace posterior is unit normal,

    z = z_0 + L u,   L L^T = (J^T J)^-1 at the minimum,
    u' = sqrt(1 - b^2) u + b xi,   xi ~ N(0, 1)

a proposal that leaves the Laplace posterior as it is (Neal 1999, Bayesian Statistics 6, 475; named
after Crank and Nicolson by Cotter et al. 2013, Stat. Sci. 28, 424): only by how much S departs from
its quadratic model is a step refused, whatever the number of unknowns. With ``b = 1`` samples are
independent. ``b`` is set from the steps accepted while the first are left out. Chains, acceptance
and autocorrelation are the optional package emcee's (Foreman-Mackey et al. 2013, Publ. Astron.
Soc. Pac. 125, 306).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import InputError
from wallsim.regression.least_squares import Solution, covariance

Array = NDArray[np.float64]

Density = Callable[[Array], tuple[Array, Array]]
"""Returns S (k,) and readouts (k, n) at the points ``z`` (k, m); S is infinite where there is
none."""

BURN_IN = 0.3
WALKERS = 8
FIRST_STEP = 0.5
SHORTEST_STEP = 0.01
ACCEPTED = 0.3
NEARER = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Correlated samples of a posterior.

    Parameters
    ----------
    z : Array, shape (steps, walkers, m)
    readouts : Array, shape (steps, walkers, n)
    effective : Array, shape (n,)
        Independent samples that those of each readout are worth: the fewer of what its
        autocorrelation and what the scatter between the chains say.
    step : float
        ``b`` [-].
    acceptance : float
        Share of proposals accepted [-].
    evaluations : int
    """

    z: Array
    readouts: Array
    effective: Array
    step: float
    acceptance: float
    evaluations: int


def sampler() -> Any:
    """Return the package that samples.

    Raises
    ------
    InputError
        If it is not installed.
    """
    try:
        import emcee
        import emcee.moves
    except ImportError as error:
        raise InputError(
            "sampling needs the package emcee, which is not installed; "
            "install it with: pip install 'wallsim[sampler]'"
        ) from error
    return emcee


def sample(
    density: Density,
    solution: Solution,
    *,
    steps: int,
    rng: np.random.Generator,
    walkers: int = WALKERS,
    report: Callable[[int], None] | None = None,
) -> Sample:
    """Return samples of the posterior about ``solution``.

    Parameters
    ----------
    density : callable
    solution : Solution
        Minimum of S.
    steps : int
        Of each walker; the first three tenths set the step and are left out.
    rng : numpy.random.Generator
    walkers : int
        Chains; each step evaluates all of them at once.
    report : callable or None
        Told the number of evaluations after each step.

    Raises
    ------
    InputError
        If emcee is not installed.
    """
    emcee = sampler()
    m = solution.z.size
    walk = _Walk(density, solution)
    move = emcee.moves.MHMove(walk.propose)
    chain = emcee.EnsembleSampler(walkers, m, walk, moves=move, vectorize=True)
    seed = np.random.RandomState(int(rng.integers(2**31)))
    starts, values = walk.starts(walkers, rng)
    state = emcee.State(starts, log_prob=values[:, 0], blobs=values[:, 1:].squeeze(),
                        random_state=seed.get_state())
    left_out = int(BURN_IN * steps)
    before = np.zeros(walkers)
    for done, _ in enumerate(
        chain.sample(state, iterations=steps, skip_initial_state_check=True), start=1
    ):
        accepted, before = chain.backend.accepted - before, chain.backend.accepted.copy()
        if done <= left_out:
            walk.learn(float(np.mean(accepted)))
            first = before
        if report:
            report(walk.evaluations)
    acceptance = float(np.mean(before - (first if left_out else 0.0))) / max(steps - left_out, 1)
    u, readouts = chain.get_chain(discard=left_out), chain.get_blobs(discard=left_out)
    readouts = np.reshape(readouts, (*u.shape[:2], -1))
    return Sample(
        solution.z + u @ walk.root.T, readouts, effective(readouts), walk.step, acceptance,
        walk.evaluations,
    )


def effective(readouts: Array) -> Array:
    """Return how many independent samples chains are worth, readout by readout.

    Where a chain never moved, no more than one for each that did.

    Parameters
    ----------
    readouts : Array, shape (steps, walkers, n)
    """
    _, walkers, n = readouts.shape
    out = np.empty(n)
    for i in range(n):
        y = readouts[:, :, i]
        variance, between = np.var(y), np.var(y.mean(axis=0), ddof=1)
        moved = np.ptp(y, axis=0) > 0.0
        if not moved.all():
            out[i] = max(float(moved.sum()), 1.0)
            continue
        memory = float(sampler().autocorr.integrated_time(y, tol=0)[0])
        chains = walkers * variance / between if between > 0.0 else np.inf
        out[i] = min(y.size / max(memory, 1.0), chains, y.size)
    return out


class _Walk:
    """The posterior in coordinates of the unit-normal Laplace posterior, and its proposal."""

    def __init__(self, density: Density, solution: Solution) -> None:
        self.density, self.solution, self.evaluations = density, solution, 0
        self.root = np.linalg.cholesky(covariance(solution.J)[0])
        self.step = FIRST_STEP

    def __call__(self, u: Array) -> Array:
        """Return log posterior, 0 at the solution, and readouts: (k, 1 + n)."""
        u = np.asarray(u)
        self.evaluations += len(u)
        S, readouts = self.density(self.solution.z + u @ self.root.T)
        log = np.where(np.isfinite(S), 0.5 * (self.solution.misfit - S), -np.inf)
        return np.column_stack((log, readouts))

    def propose(self, u: Array, random: Any) -> tuple[Array, Array]:
        """Return the points to try, and the log ratio of the ways back and there."""
        b = self.step
        new = np.sqrt(1.0 - b**2) * u + b * random.standard_normal(u.shape)
        return new, 0.5 * ((new**2).sum(axis=1) - (u**2).sum(axis=1))

    def learn(self, accepted: float) -> None:
        """Lengthen the step where more than the wanted share is accepted, else shorten it."""
        self.step = float(np.clip(self.step * np.exp(accepted - ACCEPTED), SHORTEST_STEP, 1.0))

    def starts(self, n: int, rng: np.random.Generator) -> tuple[Array, Array]:
        """Return starts nearer than a unit normal, and what they are worth.

        Those without a posterior are drawn in.
        """
        u = NEARER * rng.standard_normal((n, self.solution.z.size))
        while not (possible := np.isfinite((values := self(u))[:, 0])).all():
            u[~possible] *= NEARER
        return u, values
