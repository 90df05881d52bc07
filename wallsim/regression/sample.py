"""Samples of the posterior ``exp(-S(z)/2)``, to check intervals that rest on its shape.

Each sample is a fit to other noise: randomise, then optimise (Bardsley, Solonen, Haario and Laine
2014, SIAM J. Sci. Comput. 36, A1895). With residuals ``r`` and their Jacobian ``J`` at the minimum
``z_0`` of ``S = |r|^2``,

    J(z_0) = Q U,   Q^T Q = 1
    Q^T r(z) = xi,   xi ~ N(0, 1)

is solved for ``z``. That follows bent valleys wherever they lead, and draws from the density

    q(z) ~ |det Q^T J(z)| exp(-|Q^T r(z)|^2 / 2),

which is the posterior itself if ``r`` is linear. Chains that take such draws for their proposals
(independent of where they are: Tierney 1994, Ann. Stat. 22, 1701) and refuse them by ``p/q`` are
samples of the posterior. Chains, acceptance and autocorrelation are the optional package emcee's
(Foreman-Mackey et al. 2013, Publ. Astron. Soc. Pac. 125, 306).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import InputError
from wallsim.regression.least_squares import Refused, solve

Array = NDArray[np.float64]

Across = Callable[[Array], tuple[Array, Array, float]]
"""Returns Q^T r (m,), Q^T J (m, m) and S at a point ``z`` (m,); raises `Refused` where there is no
posterior."""

Read = Callable[[Array], Array]
"""Returns read-outs (n,) at a point ``z`` (m,)."""

WALKERS = 8
LEFT_OUT = 3
ROOT = 1e-4
"""Sum of squares of ``Q^T r(z) - xi`` below which ``z`` solves it: within 0.01 of its scatter."""
MOST = 12
STARTS = (1.0, 0.5, 0.0)
"""How far along the linear solution a search for ``z`` starts, in turn."""


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
    acceptance : float
        Share of proposals accepted [-].
    evaluations : int
        Of residuals and their Jacobian.
    """

    z: Array
    readouts: Array
    effective: Array
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
    across: Across,
    read: Read,
    best: Array,
    *,
    draws: int,
    rng: np.random.Generator,
    walkers: int = WALKERS,
    report: Callable[[int], None] | None = None,
) -> Sample:
    """Return samples of the posterior about its highest point.

    Parameters
    ----------
    across : callable
    read : callable
    best : Array, shape (m,)
        Where S has its minimum.
    draws : int
        Proposals, rounded up to whole steps of all chains; as many more steps as `LEFT_OUT` are
        made first and left out.
    rng : numpy.random.Generator
    walkers : int
        Chains.
    report : callable or None
        Told the number of draws after each.

    Raises
    ------
    InputError
        If emcee is not installed.
    """
    emcee = sampler()
    walk = _Walk(across, read, best, report)
    seed = np.random.RandomState(int(rng.integers(2**31)))
    chain = emcee.EnsembleSampler(walkers, best.size, walk,
                                  moves=emcee.moves.MHMove(walk.propose))
    starts, _ = walk.propose(np.tile(best, (walkers, 1)), seed)
    state = emcee.State(starts, random_state=seed.get_state())
    steps = proposals(draws, walkers) // walkers - 1
    chain.run_mcmc(state, steps, skip_initial_state_check=True)
    z = chain.get_chain(discard=LEFT_OUT)
    readouts = np.reshape(chain.get_blobs(discard=LEFT_OUT), (*z.shape[:2], -1))
    moved = np.any(np.diff(chain.get_chain(discard=LEFT_OUT - 1), axis=0) != 0.0, axis=2)
    return Sample(z, readouts, effective(readouts), float(moved.mean()), walk.evaluations)


def proposals(draws: int, walkers: int = WALKERS) -> int:
    """Return how many proposals are made for ``draws``: whole steps, starts and those left out."""
    return walkers * (1 + LEFT_OUT - (-draws // walkers))


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
    """The posterior, and proposals that know its bends but not where the chain is."""

    def __init__(
        self, across: Across, read: Read, best: Array, report: Callable[[int], None] | None,
    ) -> None:
        self.across, self.read, self.report, self.best = across, read, report, best
        self.drawn, self.evaluations = 0, 1
        self.known: dict[bytes, tuple[float, float, Array]] = {}
        self.start, self.J, self.least = across(best)
        self._know(best, self.least, self.start, self.J)

    def __call__(self, z: Array) -> tuple[float, Array]:
        """Return the log posterior, 0 at the best point, and the read-outs."""
        log_p, _, readouts = self.known[z.tobytes()]
        return log_p, readouts

    def propose(self, z: Array, random: Any) -> tuple[Array, Array]:
        """Return a draw for each chain, and the log ratio of the ways back and there.

        Where none is found the chain is proposed to stay.
        """
        new = np.array([self._draw(random.standard_normal(z.shape[1]), here) for here in z])
        log_q = [self.known[point.tobytes()][1] for point in (*z, *new)]
        return new, np.array(log_q[:len(z)]) - np.array(log_q[len(z):])

    def _draw(self, xi: Array, here: Array) -> Array:
        S: dict[bytes, float] = {}

        def square(z: Array) -> tuple[Array, Array]:
            self.evaluations += 1
            aside, J, S[z.tobytes()] = self.across(z)
            return aside - xi, J

        self.drawn += 1
        if self.report:
            self.report(self.drawn)
        for share in STARTS:
            start = self.best + share * np.linalg.solve(self.J, xi - self.start)
            try:
                found = solve(square, start, tolerance=ROOT, most=MOST)
            except Refused:
                continue
            if found.misfit < ROOT:
                self._know(found.z, S[found.z.tobytes()], found.r + xi, found.J)
                return found.z
        return here

    def _know(self, z: Array, S: float, aside: Array, J: Array) -> None:
        """Keep log p and log q, and the read-outs, of ``z``: ``aside`` is Q^T r, ``J`` Q^T J."""
        log_q = float(np.linalg.slogdet(J)[1]) - 0.5 * float(aside @ aside)
        self.known[z.tobytes()] = 0.5 * (self.least - S), log_q, self.read(z)
