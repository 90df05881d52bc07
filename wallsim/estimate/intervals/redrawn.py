"""Spread of a fit's read-outs when the firings of each blend are drawn anew, with replacement.

No firing is marched again: each draw is one linear step from the estimate
(`wallsim.regression.bootstrap`), with the noise that the fit learnt.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.estimate.intervals.wanted import PEAK, THICKNESS, Wanted
from wallsim.estimate.joint import Estimate
from wallsim.estimate.linearised import Linearised
from wallsim.estimate.unknowns import OF_ONE_FIRING
from wallsim.regression.bootstrap import Bootstrap, bootstrap
from wallsim.regression.profile import COVERAGE

Array = NDArray[np.float64]

OWN = (*OF_ONE_FIRING, "retained fraction ", "lost fraction ", "shedding time ")
"""Starts of the names of what a firing drawn twice has twice; not so where a later firing on the
same deposit depends on it too."""
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
        """Draw the firings of each blend ``draws`` times, about the linearised minimum."""
        prior, firings = estimate.unknowns.prior, estimate.campaign.firings
        problem = Linearised.of(estimate).stepped()
        own = [np.array([i for i in row.own if prior.parameters[i].name in
                         [f"{start}{row.run}" for start in OWN]], dtype=np.intp)
               for row in problem.rows]
        blends = [f.blend.name for f in firings]
        found = bootstrap([(row.r, row.J) for row in problem.rows], problem.z, own, draws=draws,
                          rng=np.random.default_rng(SEED), kinds=blends)
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
