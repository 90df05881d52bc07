"""Choice among candidates by the information they carry; knows no physics.

    posterior covariance  C = (P + sum over the chosen B B^T)^-1
    criterion             trace or log-determinant of  G C G^T

``P`` is the precision before any choice (of the prior: the unit matrix in coordinates of
unit-normal prior), ``B`` a root of a candidate's information matrix, ``G`` the gradient of what is
wanted. One row of ``G`` with the trace is c-optimality, several are A-optimality, the determinant
is D-optimality (``G`` the unit matrix) or D_s-optimality. The choice is greedy, then exchanges one
candidate at a time until no exchange gains (Fedorov 1972, *Theory of Optimal Experiments*, ch. 3).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]

NEGLIGIBLE = 1e-10
LEAST_GAIN = 1e-9
MOST_PASSES = 50


def root_of(information: Array) -> Array:
    """Return ``B`` with ``B B^T`` equal to an information matrix, its null space left out.

    Parameters
    ----------
    information : Array, shape (m, m)
        Symmetric, no negative eigenvalue but by rounding.
    """
    values, vectors = np.linalg.eigh(information)
    kept = values > NEGLIGIBLE * max(values[-1], 0.0)
    return np.asarray(vectors[:, kept] * np.sqrt(values[kept]))


def without(information: Array, members: Sequence[int]) -> Array:
    """Return the information on all other unknowns, those of ``members`` unknown (Schur).

    Parameters
    ----------
    information : Array, shape (m, m)
        With the members' own prior in it.
    """
    gone = np.zeros(len(information), dtype=bool)
    gone[list(members)] = True
    cross = information[np.ix_(~gone, gone)]
    own = information[np.ix_(gone, gone)]
    return np.asarray(information[np.ix_(~gone, ~gone)] - cross @ np.linalg.solve(own, cross.T))


def covariance(precision: Array) -> Array:
    """Return the inverse of a positive definite matrix, symmetric."""
    half = np.linalg.inv(np.linalg.cholesky(precision))
    return half.T @ half


@dataclass(frozen=True, slots=True, eq=False)
class Criterion:
    """What a design is judged by; smaller is better.

    Parameters
    ----------
    gradient : Array, shape (k, m)
        Of what is wanted.
    kind : {"variance", "determinant"}
        Mean variance of the rows, or log-determinant of their covariance.
    """

    gradient: Array
    kind: Literal["variance", "determinant"] = "variance"

    def of(self, C: Array) -> float:
        """Return the criterion at a covariance ``C`` (m, m)."""
        return float(self._judge(self.gradient @ C @ self.gradient.T))

    def of_added(self, C: Array, roots: Array) -> Array:
        """Return the criterion with each candidate added to covariance ``C``; shape (n,).

        Parameters
        ----------
        roots : Array, shape (n, m, k)
        """
        G = self.gradient
        CB = C @ roots
        inner = np.eye(roots.shape[2]) + roots.transpose(0, 2, 1) @ CB
        GCB = G @ CB
        gain = GCB @ np.linalg.solve(inner, GCB.transpose(0, 2, 1))
        return self._judge(G @ C @ G.T - gain)

    def _judge(self, wanted: Array) -> Array:
        if self.kind == "variance":
            return np.asarray(np.trace(wanted, axis1=-2, axis2=-1) / len(self.gradient))
        sign, value = np.linalg.slogdet(wanted)
        return np.where(sign > 0.0, value, np.inf)


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """What may be chosen.

    Parameters
    ----------
    roots : Array, shape (n, m, k)
        Root of each candidate's information.
    conflicts : NDArray of bool, shape (n, n)
        Pairs that exclude each other; a candidate excludes itself unless it may be taken twice.
    """

    roots: Array
    conflicts: NDArray[np.bool_]

    @classmethod
    def of(
        cls, information: Sequence[Array], conflicts: NDArray[np.bool_] | None = None
    ) -> Candidates:
        """Return candidates of these information matrices; without conflicts none excludes."""
        each = [root_of(M) for M in information]
        widest = max(B.shape[1] for B in each)
        roots = np.stack([np.pad(B, ((0, 0), (0, widest - B.shape[1]))) for B in each])
        n = len(each)
        return cls(roots, np.zeros((n, n), dtype=bool) if conflicts is None else conflicts)

    def precision(self, base: Array, chosen: Sequence[int]) -> Array:
        """Return the precision with ``chosen`` added to that before any choice, ``base``."""
        total = base.copy()
        for c in chosen:
            total += self.roots[c] @ self.roots[c].T
        return total


def choose(
    candidates: Candidates,
    base: Array,
    criterion: Criterion,
    slots: Sequence[Index],
    tries: int = 1,
    known: Sequence[int] | None = None,
) -> tuple[list[int], float]:
    """Return one candidate a slot and the criterion they reach.

    Parameters
    ----------
    candidates : Candidates
    base : Array, shape (m, m)
        Precision before any choice; positive definite.
    criterion : Criterion
    slots : sequence of NDArray of int
        Candidates allowed in each slot.
    tries : int
        Starts of the exchange: the greedy choice, and the greedy choice after each of
        ``tries - 1`` candidates spread over the first slot. One start can end in a choice that no
        single exchange improves and yet is not the best.
    known : sequence of int or None
        A choice free of conflicts to start from besides; the greedy one can block itself.

    Raises
    ------
    ValueError
        If the conflicts leave nothing for a slot.
    """
    firsts = [slots[0]]
    if tries > 1:
        spread = slots[0][:: max(1, -(-len(slots[0]) // (tries - 1)))]
        firsts.extend(np.array([first]) for first in spread)
    starts = [] if known is None else [list(known)]
    blocked = ""
    for first in firsts:
        try:
            starts.append(greedy(candidates, base, criterion, [first, *slots[1:]]))
        except ValueError as error:
            blocked = blocked or str(error)
    if not starts:
        raise ValueError(blocked)
    every = [exchange(candidates, base, criterion, slots, start) for start in starts]
    return min(every, key=lambda found: found[1])


def greedy(
    candidates: Candidates, base: Array, criterion: Criterion, slots: Sequence[Index]
) -> list[int]:
    """Return the choice that fills one slot after the other with what then helps most."""
    chosen: list[int] = []
    for allowed in slots:
        C = covariance(candidates.precision(base, chosen))
        best = _best(candidates, criterion, C, allowed, chosen)
        if best is None:
            raise ValueError(f"nothing is left to choose after {len(chosen)}")
        chosen.append(best[0])
    return chosen


def exchange(
    candidates: Candidates, base: Array, criterion: Criterion, slots: Sequence[Index],
    start: Sequence[int],
) -> tuple[list[int], float]:
    """Return what no exchange of a single candidate improves, from ``start``, and its criterion."""
    chosen = list(start)
    value = criterion.of(covariance(candidates.precision(base, chosen)))
    for _ in range(MOST_PASSES):
        before = value
        for slot, allowed in enumerate(slots):
            rest = chosen[:slot] + chosen[slot + 1 :]
            C = covariance(candidates.precision(base, rest))
            best = _best(candidates, criterion, C, allowed, rest)
            if best is not None and best[1] < value - LEAST_GAIN * abs(value):
                chosen[slot], value = best
        if not value < before:
            break
    return chosen, value


def _best(
    candidates: Candidates, criterion: Criterion, C: Array, allowed: Index, taken: Sequence[int]
) -> tuple[int, float] | None:
    """Return the allowed candidate that conflicts with none taken and helps most."""
    columns = np.array(taken, dtype=np.intp)
    free = allowed[~candidates.conflicts[np.ix_(allowed, columns)].any(axis=1)]
    if not free.size:
        return None
    values = criterion.of_added(C, candidates.roots[free])
    at = int(np.argmin(values))
    return int(free[at]), float(values[at])
