"""Whether a deposit's resistance can be told from the traces, and how much it can be told.

Only ``U = 1/(1/h + R)`` acts on the wall, so a deposit that does not change while a run lasts
cannot be told from a lower ``h`` in that run alone. Bare firings that share ``h`` tell them
apart, and so does growth.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from wallsim.estimate.joint import Estimate
from wallsim.estimate.limits import TOLD_FROM_NONE, OfTraces, of_traces
from wallsim.estimate.readouts import AlongTube, log_mean

LOOSE_COEFFICIENT = 0.15
TOLD_APART = 0.5
LEARNT = 0.6


@dataclass(frozen=True, slots=True)
class Identifiability:
    """Verdict on one blend's deposit.

    Parameters
    ----------
    identifiable : bool
        False if no number may be printed.
    upper_limit_only : bool
        True if the deposit cannot be told from none, but is bounded from above.
    reason : str
        In words, with what to add; empty if all is well.
    upper_limit : float or None
        Of the mean resistance at 95 %, where it cannot be told from none [m^2 K/W].
    """

    identifiable: bool
    upper_limit_only: bool
    reason: str
    upper_limit: float | None = None


def has_value(deposit: Mapping[str, Any] | None) -> bool:
    """Return whether the part ``deposit`` of a blend's document gives a resistance.

    Not where there is no deposit, where it is not identifiable, and where it has but a limit.
    """
    return bool(deposit and deposit["identifiable"] and not deposit["upper_limit_only"])


def identifiability(
    estimate: Estimate, along: AlongTube, blend: str, *, maybe_steady: bool = False
) -> Identifiability:
    """Return whether the deposit of ``blend`` is identifiable.

    ``maybe_steady`` says that the logs do not tell its growth from a constant deposit.

    The mean resistance counts as told apart from none when its log standard deviation is below
    one half and it lies two standard deviations above zero by the traces alone (`of_traces`), and
    as bounded when the traces have narrowed the prior to less than 60 %.
    """
    campaign = estimate.campaign
    stated = campaign.case.blends[blend]
    R = log_mean(along.resistance(blend))
    sd = float(R.sd(estimate.covariance))
    prior = estimate.unknowns.prior
    prior_sd = float(np.linalg.norm(R.gradient @ prior.root))
    bare = campaign.bare
    tied = stated.coefficient.relative_sd <= LOOSE_COEFFICIENT
    traces = of_traces(estimate, along, blend)
    if sd <= TOLD_APART and (bare or (_grows(estimate, blend) and not maybe_steady)):
        if traces.ratio >= TOLD_FROM_NONE:
            return Identifiability(True, False, "")
        return _upper_limit(traces)
    if bare and tied:
        narrowed = sd < LEARNT * prior_sd or float(R.value) < 1e-6
        if narrowed and np.isfinite(traces.sd):
            return _upper_limit(traces)
        return Identifiability(
            False, False,
            "the traces hardly narrow what was assumed beforehand about this deposit. Repeat the "
            "dosed and the bare firings",
        )
    lack, cure = (
        ("no bare firing shares the gas-side coefficient",
         "Add a bare firing (same pressure, same sensors)")
        if not bare
        else ("its gas-side coefficient is too loosely tied to the bare firings",
              "Add a bare firing of its own fuel, or state its coefficient to "
              f"{100.0 * LOOSE_COEFFICIENT:.0f} % or better")
    )
    growth, look = (
        ("the case holds its deposit constant", 'growth = "auto" if it may grow while burning')
        if estimate.unknowns.laws[blend] == "constant"
        else ("no growth is seen in the record", "a burn long enough to see the deposit grow")
    )
    return Identifiability(
        False, False,
        f"{lack}, and {growth}: a steady deposit cannot be told from a lower gas-side "
        f"coefficient. {cure}, or {look}",
    )


def _upper_limit(traces: OfTraces) -> Identifiability:
    return Identifiability(
        True, True,
        f"cannot be told from a bare bore: by the traces alone its mean resistance is "
        f"{1e6 * traces.value:.0f} +- {1e6 * traces.sd:.0f} mm²K/W, less than "
        f"{TOLD_FROM_NONE:.0f} standard deviations above none, and only the upper limit means "
        "anything. Repeat the dosed and the bare firings, burn longer, or dose more",
        traces.upper_limit,
    )


def _grows(estimate: Estimate, blend: str) -> bool:
    """Return whether the blend's law makes the deposit grow in the record."""
    return estimate.unknowns.laws[blend] in ("linear", "saturating")
