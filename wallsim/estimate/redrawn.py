"""Spread of a fit's read-outs when the firings of each blend are drawn anew, with replacement.

No firing is marched again: each draw is one linear step from the estimate
(`wallsim.regression.bootstrap`), with the noise that the fit learnt.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.estimate.joint import Estimate
from wallsim.estimate.readouts import COVERAGE
from wallsim.estimate.wanted import PEAK, THICKNESS, Wanted
from wallsim.regression.bootstrap import Bootstrap, bootstrap

Array = NDArray[np.float64]

OWN = ("heating factor ", "gas temperature of firing ", "ignition offset ", "purge factor ")
SEED = 41
NOT_OF_FIRINGS = {
    THICKNESS: "the conductivity is stated, and firings do not tell it",
    PEAK: "it is one firing's own",
}


@dataclass(frozen=True, slots=True, eq=False)
class Redrawn:
    """Draws of the firings.

    Parameters
    ----------
    found : Bootstrap
    root : Array, shape (m, m)
        From displacements in ``z`` to those in ``x``.
    firings : dict of str to int
        Of each blend.
    bare : int
        Firings on a bore without deposit.
    """

    found: Bootstrap
    root: Array
    firings: dict[str, int]
    bare: int

    @classmethod
    def of(cls, estimate: Estimate, draws: int) -> Redrawn:
        """Draw the firings of each blend ``draws`` times."""
        prior, firings = estimate.unknowns.prior, estimate.campaign.firings
        z = prior.z(estimate.x)
        rows = [(row.triangle[:, -1], _spread(row.columns, row.triangle[:, :-1], prior.root))
                for row in estimate.rows]
        step = _newton(rows, z)
        rows = [(r + J @ step, J) for r, J in rows]
        own = [np.array([prior.names[start + f.run.name] for start in OWN
                         if start + f.run.name in prior.names], dtype=np.intp) for f in firings]
        blends = [f.blend.name for f in firings]
        found = bootstrap(rows, z + step, own, draws=draws, rng=np.random.default_rng(SEED),
                          kinds=blends)
        bare = len(estimate.campaign.bare)
        return cls(found, prior.root, {b: blends.count(b) for b in blends}, bare)

    def interval(self, want: Wanted, x: Array) -> dict[str, Any] | None:
        """Return estimate, low and high of a read-out, None where firings do not tell."""
        if self.reason(want):
            return None
        read = want.read(x)
        shift = self.found.shift(read.gradient @ self.root)
        tail = 0.5 * (1.0 - COVERAGE)
        low, high = np.exp(np.quantile(shift, (tail, 1.0 - tail)))
        value = float(read.value)
        return {"estimate": value, "low": value * float(low), "high": value * float(high)}

    def reason(self, want: Wanted) -> str:
        """Return why there is no interval, empty where there is one."""
        if want.key in NOT_OF_FIRINGS:
            return NOT_OF_FIRINGS[want.key]
        if self.firings[want.of] < 2:
            return f"{want.of} was fired once: drawn again it is the same firing"
        return ""

    def remark(self, want: Wanted) -> str:
        """Return what an interval leaves out."""
        n = self.firings[want.of]
        text = f"{n} firings: too narrow by about {100.0 * (1.0 - np.sqrt((n - 1) / n)):.0f} %"
        if self.bare == 1:
            text += "; the one bare firing adds nothing to it"
        return text


def _spread(columns: NDArray[np.intp], J: Array, root: Array) -> Array:
    """Return a firing's Jacobian in ``z``."""
    return np.asarray(J @ root[columns])


def _newton(rows: list[tuple[Array, Array]], z: Array) -> Array:
    """Return the step to the minimum of the linearised misfit: draws are about that."""
    H = np.eye(z.size) + sum(J.T @ J for _, J in rows)
    return -np.linalg.solve(H, z + sum(J.T @ r for r, J in rows))
