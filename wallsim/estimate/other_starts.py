"""Whether the joint fit ended in the lowest valley: fitted again from starts drawn from the priors.

A solver finds the minimum of the valley it starts in. Noise, its correlation, robust weights and
the scatter between firings stay as the fit learnt them, so misfits compare.
"""

from __future__ import annotations

from concurrent.futures import Executor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wallsim.errors import InputError
from wallsim.estimate.first_estimate import slope_method, starting_point
from wallsim.estimate.joint import FIRST_PASS, Estimate, Misfit, Progress
from wallsim.estimate.readouts import AlongTube, log_mean, plain
from wallsim.regression.least_squares import Refused, solve
from wallsim.regression.starts import Ends, around, solve_from_many

Array = NDArray[np.float64]

SAME = 1.0
"""Misfits nearer to each other are of one minimum, as far as intervals go."""
TOLERANCE = 0.1
SPREAD = 0.5
"""Of the starts about that of the fit, in standard deviations of the priors."""


def check_starts(n: int) -> None:
    """Raise `InputError` if ``n`` is no number of starts."""
    if n < 0:
        raise InputError(f"starts: must be 0 or more (got {n})")


def from_other_starts(
    estimate: Estimate, n: int, executor: Executor, progress: Progress | None = None
) -> dict[str, Any] | None:
    """Return where ``n`` other starts end, as a part of the result; None for ``n = 0``."""
    if not n:
        return None
    misfit = Misfit(estimate.unknowns, estimate.resolution, estimate.runs, executor,
                    weights=estimate.weights)
    S = estimate.chi2 + estimate.prior_chi2
    if progress:
        progress(f"fitting again from {n} other starts", estimate.evaluations, S)
    near, spent = _neighbourhoods(estimate, n, executor)
    try:
        ends = solve_from_many(misfit, near, followed=n, tolerance=TOLERANCE)
    except Refused:
        ends = Ends((), 0)
    above = [float(s.misfit - S) for s in ends.solutions]
    return {
        "starts": n,
        "followed": len(above),
        "evaluations": spent + ends.evaluations,
        "misfit_above_fit": above,
        "converged": [s.converged for s in ends.solutions],
        "mean_resistance_m2K_W": [
            {
                blend: plain(log_mean(AlongTube.of(estimate).at(
                    estimate.unknowns.prior.x(s.z)).resistance(blend)).value)
                for blend in estimate.unknowns.laws
            }
            for s in ends.solutions
        ],
        **_said(n, above),
    }


def _neighbourhoods(estimate: Estimate, n: int, executor: Executor) -> tuple[list[Array], int]:
    """Return where a first pass from each start ends, as that of the fit does, and its cost."""
    unknowns = estimate.unknowns
    misfit = Misfit(unknowns, estimate.resolution, estimate.runs, executor)
    centre = starting_point(unknowns, slope_method(estimate.campaign))
    found, spent = [], 0
    for z in around(centre, SPREAD, n, np.random.default_rng(0))[1:]:
        try:
            first = solve(misfit, z, tolerance=1.0, relative=1e-3, most=FIRST_PASS)
        except Refused:
            spent += 1
            continue
        found.append(first.z)
        spent += first.evaluations
    return found, spent


def _said(n: int, above: list[float]) -> dict[str, str]:
    """Return level and text of what the other starts say of the fit."""
    if not above:
        return {"level": "note", "text": f"none of {n} other starts could be followed: each leaves "
                "a metal's table"}
    if min(above) < -SAME:
        return {"level": "warning", "text": f"from another start the fit ends {-min(above):.0f} "
                "lower in misfit: the minimum given is a false one. Look at what the case file "
                "states, and at the values of that end in result.json (starts)"}
    same = sum(abs(S) <= SAME for S in above)
    worse = len(above) - same
    text = f"fitted again from {n} other starts: {same} of {len(above)} end at the same minimum"
    if worse:
        text += f", {worse} at a higher one (misfit {min(s for s in above if s > SAME):.0f} or "
        text += "more above)"
    if len(above) < n:
        text += f"; {n - len(above)} left a metal's table"
    return {"level": "note", "text": text}
