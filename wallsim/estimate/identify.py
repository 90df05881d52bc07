"""Whether a deposit's resistance can be told from the traces, and how much it can be told.

Only ``U = 1/(1/h + R)`` acts on the wall, so a deposit that does not change while a run lasts
cannot be told from a lower ``h`` in that run alone. Bare firings that share ``h`` tell them
apart, and so does growth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from wallsim.build import Campaign
from wallsim.estimate.joint import Estimate
from wallsim.estimate.limits import TOLD_FROM_NONE, of_traces
from wallsim.estimate.readouts import QUANTILE, AlongTube, log_mean

NOTHING = {"estimate": None, "low": None, "high": None}
"""Interval of what is not identifiable."""
LOOSE_COEFFICIENT = 0.15
TOLD_APART = 0.5
LEARNT = 0.6
"""Share of the prior's log standard deviation that traces leave of a deposit they bound."""
STEADY = "a steady deposit cannot be told from a lower gas-side coefficient"
BOUNDED = 0.2
"""Upper limit over the prior's own, below which a deposit near zero is bounded."""


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


def coefficient_told(campaign: Campaign, blends: Mapping[str, Mapping[str, Any]]) -> bool:
    """Return whether the logs tell the bare wall's h: by a bare firing, or by a deposit that grows.

    Without either the estimate of h rests on a growth law that the logs do not speak for.
    """
    deposits = [blend["deposit"] for blend in blends.values()]
    return bool(campaign.bare) or any(d is None or d["identifiable"] for d in deposits)


def untold_unknowns(estimate: Estimate, blends: Mapping[str, Mapping[str, Any]]) -> set[int]:
    """Return the places of unknowns that the logs do not tell, R and h at the knots.

    Parameters
    ----------
    blends : mapping
        The part ``blends`` of the document.
    """
    unknowns = estimate.unknowns
    curves = [] if coefficient_told(estimate.campaign, blends) else ["h"]
    lone: list[str] = []
    for name, blend in blends.items():
        if blend["deposit"] is not None and not blend["deposit"]["identifiable"]:
            curves.append(f"R {name}")
            lone.append(f"coefficient factor {name}")
    names = unknowns.prior.names
    at_knots = {int(i) for curve in curves for i in unknowns.curve(curve)}
    return at_knots.union(names[name] for name in lone if name in names)


def identifiability(
    estimate: Estimate, along: AlongTube, blend: str, *, maybe_steady: bool = False,
    laws_compared: bool = True, others: Sequence[Estimate] = (),
) -> Identifiability:
    """Return whether the deposit of ``blend`` is identifiable.

    ``maybe_steady`` says that the logs do not tell its growth from a constant deposit. Where the
    case leaves growth open and ``laws_compared`` is False, that is not known and feared.
    ``others`` are the estimates with the growth laws that the logs do not tell from this one: an
    upper limit is the highest of all, and all of them have to give one.

    The mean resistance counts as told apart from none when its log standard deviation is below
    one half and it lies two standard deviations above zero by the traces alone (`of_traces`), and
    as bounded when the traces have narrowed the prior to less than 60 %.
    """
    campaign = estimate.campaign
    stated = campaign.case.blends[blend]
    sd = float(log_mean(along.resistance(blend)).sd(estimate.covariance))
    bare = campaign.bare
    unsaid = stated.deposit is not None and stated.deposit.growth == "auto"
    maybe_steady = maybe_steady or (unsaid and not laws_compared)
    tied = stated.coefficient.relative_sd <= LOOSE_COEFFICIENT
    rests_on_growth = _grows(estimate, blend) and not (bare and tied)
    told = sd <= TOLD_APART and (not maybe_steady if rests_on_growth else bool(bare))
    if told and of_traces(estimate, along, blend).ratio >= TOLD_FROM_NONE:
        return Identifiability(True, False, "")
    if told or (bare and tied):
        return _limited([estimate, *others], blend, told)
    lack, cure = _without_baseline(bool(bare))
    growth, look = (
        ("the case holds its deposit constant", 'growth = "auto" if it may grow while burning')
        if estimate.unknowns.laws[blend] == "constant"
        else ("growth laws were not compared", "compare them")
        if unsaid and not laws_compared
        else ("no growth is seen in the record", "a burn long enough to see the deposit grow")
    )
    return Identifiability(
        False, False,
        f"{lack}, and {growth}: {STEADY}. {cure}, or {look}",
    )


def _without_baseline(bare: bool) -> tuple[str, str]:
    """Return what a deposit without a baseline lacks, and what to add."""
    if not bare:
        return ("no bare firing shares the gas-side coefficient",
                "Add a bare firing (same pressure, same sensors)")
    return ("its gas-side coefficient is too loosely tied to the bare firings",
            "Add a bare firing of its own fuel, or state its coefficient to "
            f"{100.0 * LOOSE_COEFFICIENT:.0f} % or better")


def before_the_fit(campaign: Campaign) -> list[str]:
    """Return a line for deposits that no bare firing will tell: what then cannot be told."""
    bare = bool(campaign.bare)
    said: dict[bool, list[str]] = {}
    for f in campaign.firings:
        deposit = f.blend.deposit
        if deposit is None or (bare and f.blend.coefficient.relative_sd <= LOOSE_COEFFICIENT):
            continue
        said.setdefault(deposit.growth == "constant", []).append(f.blend.name)
    lack, cure = _without_baseline(bare)
    told = {
        True: "and the case holds the deposit constant, so the fit will give no R of it, only "
              "1/h + R",
        False: "so h and R are told apart by growth while burning alone; where none is seen, the "
               "fit gives only 1/h + R",
    }
    return [f"{', '.join(dict.fromkeys(names))}: {lack}, {told[steady]}: {STEADY}. {cure}"
            for steady, names in said.items()]


def _limited(estimates: Sequence[Estimate], blend: str, told: bool) -> Identifiability:
    """Return the upper limit of a deposit that cannot be told from none, if there is one.

    Parameters
    ----------
    estimates : sequence of Estimate
        The fit's, and those with other growth laws that the logs do not tell from its own.
    told : bool
        Whether the fit's is known to narrow the prior enough.
    """
    if not estimates[0].converged:
        return Identifiability(
            False, False,
            "the fit did not converge, so that not even an upper limit is known. State the "
            "deposit's growth, or its gas-side coefficient better",
        )
    if not told and not _bounds(estimates[0], blend):
        return Identifiability(
            False, False,
            "the traces hardly narrow what was assumed beforehand about this deposit. Repeat the "
            "dosed and the bare firings",
        )
    if not all(_bounds(other, blend) for other in estimates[1:]):
        return Identifiability(
            False, False,
            "how it grows is not told by the logs, and with another growth law they hardly narrow "
            "what was assumed beforehand about it. Repeat the dosed and the bare firings, state "
            "its gas-side coefficient better, or burn long enough to see the deposit grow",
        )
    limits = [of_traces(e, AlongTube.of(e), blend) for e in estimates]
    traces = limits[0]
    return Identifiability(
        True, True,
        f"cannot be told from a bare bore: by the traces alone its mean resistance is "
        f"{1e6 * traces.value:.0f} +- {1e6 * traces.sd:.0f} mm²K/W, less than "
        f"{TOLD_FROM_NONE:.0f} standard deviations above none, and only the upper limit means "
        "anything. Repeat the dosed and the bare firings, burn longer, or dose more",
        max(one.upper_limit for one in limits),
    )


def _bounds(estimate: Estimate, blend: str) -> bool:
    """Return whether the traces narrow what was assumed of a deposit.

    Its log standard deviation to less than 60 %; or, of one near zero, what it may be at most to
    less than a fifth.
    """
    along, prior = AlongTube.of(estimate), estimate.unknowns.prior
    R = log_mean(along.resistance(blend))
    sd = float(np.linalg.norm(R.gradient @ prior.root))
    before = float(along.at(prior.mean).resistance(blend).value.mean()) * np.exp(QUANTILE * sd)
    traces = of_traces(estimate, along, blend)
    narrowed = float(R.sd(estimate.covariance)) < LEARNT * sd
    return bool(np.isfinite(traces.sd) and (narrowed or traces.upper_limit < BOUNDED * before))


def _grows(estimate: Estimate, blend: str) -> bool:
    """Return whether the blend's law makes the deposit grow in the record."""
    return estimate.unknowns.laws[blend] in ("linear", "saturating", "general")
