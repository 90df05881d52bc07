"""Intervals of a fit's main read-outs in more ways than by curvature, as one part of its document.

Curvature (Laplace) is what all intervals of a fit come from. Beside it: profile likelihood, samples
of the posterior, and firings drawn anew. Noise, its correlation and the scatter between firings
stay as the fit learnt them.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from wallsim.errors import InputError
from wallsim.estimate.intervals.profiled import limit_by_profile, profiled
from wallsim.estimate.intervals.redrawn import Redrawn
from wallsim.estimate.intervals.sampled import interval, sampled
from wallsim.estimate.intervals.wanted import PEAK, Optimum, R, Wanted, wanted
from wallsim.estimate.joint import Estimate, Progress
from wallsim.estimate.limits import of_traces
from wallsim.estimate.readouts import QUANTILE, AlongTube
from wallsim.regression.sample import proposals, sampler
from wallsim.rounding import interval_text

Pair = tuple[Wanted, dict[str, Any]]
"""A read-out and its row."""

METHODS = ("auto", "laplace", "profile")
DOUBTFUL = 0.15
"""Log standard deviation of a mean resistance from which on curvature misses its ends by more than
a fifth of it, of a growth law that is known: the wall is linear in R, not in log R."""
OFF = 0.2
NOTES = {
    "profile": "least misfit with the read-out held, noise and weights as fitted; ends where chi-"
               "squared has risen by 3.84",
    "sample": "fits to other noise drawn, by exact marches, refused by how far their density "
              "departs from the posterior's; median and quantiles",
    "bootstrap": "firings of each blend drawn with replacement, one linear step from the estimate "
                 "for each draw, nothing marched again; quantiles",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """What is wanted beside the intervals from curvature.

    Parameters
    ----------
    method : str
        "laplace" for nothing, "profile" for all read-outs; "auto" profiles the mean resistances
        whose log standard deviation is above `DOUBTFUL`, of a fit that converged.
    samples : int
        Draws from the posterior; 0 for none.
    redraws : int
        Draws of the firings; 0 for none.

    Raises
    ------
    InputError
        If there is no such method, a number is negative, or the sampler is not installed.
    """

    method: str = "auto"
    samples: int = 0
    redraws: int = 0

    def __post_init__(self) -> None:
        if self.method not in METHODS:
            raise InputError(f"intervals: there is no {self.method!r}; take one of "
                             f"{', '.join(METHODS)}")
        for name, n in (("sample", self.samples), ("bootstrap", self.redraws)):
            if n < 0:
                raise InputError(f"{name}: must be 0 or more (got {n})")
        if self.samples:
            sampler()

    def profiles(self, want: Wanted) -> bool:
        """Return whether the profile of a read-out is wanted."""
        if self.method == "auto":
            return want.key == R and _log_sd(want.laplace) > DOUBTFUL
        return self.method == "profile"


def _log_sd(interval: Mapping[str, float]) -> float:
    return float(np.log(interval["high"] / interval["low"])) / (2.0 * QUANTILE)


def intervals(
    estimate: Estimate, document: Mapping[str, Any], asked: Asked, executor: Executor,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Return the part ``intervals`` of the document of a fit.

    Parameters
    ----------
    document : mapping
        All other parts.
    progress : callable or None
        Told the stage, the evaluations so far and the misfit.
    """
    if asked.method == "auto" and not estimate.converged:
        asked = replace(asked, method="laplace")
    bores = asked.method == "profile" or asked.samples > 0
    wants = wanted(estimate, document, executor, bores=bores)
    if not (asked.samples or asked.redraws):
        wants = [want for want in wants if asked.profiles(want)]
    rows: list[dict[str, Any]] = [
        {"quantity": w.key, "of": w.of, "laplace": dict(w.laplace), **dict.fromkeys(NOTES),
         "remarks": []} for w in wants
    ]
    pairs = list(zip(wants, rows, strict=True))
    chosen = [(want, row) for want, row in pairs if asked.profiles(want)]
    ways: dict[str, dict[str, Any] | None] = dict.fromkeys(NOTES)
    if asked.redraws:
        ways["bootstrap"] = _redrawn(estimate, asked.redraws, pairs)
    if asked.samples or chosen or asked.method == "profile":
        marches = _Marches(estimate, executor, progress)
        if chosen or asked.method == "profile":
            ways["profile"] = marches.profiles(chosen)
        if asked.samples:
            ways["sample"] = marches.samples(asked.samples, pairs)
        if asked.method == "profile":
            rows += marches.limits(document)
    return {"reported": "laplace", "asked": asked.method, "readouts": rows, **ways}


def doubts(part: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return a line of the verdict for each profile far from the interval reported elsewhere.

    Parameters
    ----------
    part : mapping
        ``intervals`` of the document.
    """
    lines = []
    for row in part["readouts"]:
        known = row["profile"] and None not in (row["profile"]["low"], row["profile"]["high"])
        if row["quantity"] != R or not known or row["laplace"]["low"] is None:
            continue
        sd = _log_sd(row["laplace"])
        off = max(abs(np.log(row["profile"][k] / row["laplace"][k])) / sd for k in ("low", "high"))
        if off > OFF:
            lines.append({"level": "note", "text": (
                f"{row['of']}: by profile likelihood its mean deposit resistance is "
                f"{interval_text(row['profile'], 1e6)} mm²K/W; the interval from curvature is off "
                f"by up to {off:.1f} standard deviations. Take the profile's."
            )})
    return lines


def _redrawn(estimate: Estimate, draws: int, pairs: list[Pair]) -> dict[str, Any]:
    """Fill the rows with intervals from firings drawn anew, and return what holds for all."""
    drawn = Redrawn.of(estimate, draws)
    for want, row in pairs:
        row["bootstrap"] = drawn.interval(want, estimate.x)
        if want.key != PEAK:
            reason = drawn.reason(want)
            row["remarks"].append(
                f"no bootstrap: {reason}" if reason else f"bootstrap: {drawn.remark(want)}"
            )
    return {"draws": draws, "how": NOTES["bootstrap"]}


class _Marches:
    """Fills rows in the ways that march the firings again, and counts the evaluations."""

    def __init__(self, estimate: Estimate, executor: Executor, progress: Progress | None) -> None:
        self.estimate, self.executor, self.progress = estimate, executor, progress
        self.optimum = Optimum.of(estimate, executor)
        self.evaluations = 0

    def tell(self, stage: str) -> None:
        if self.progress:
            evaluations = self.estimate.evaluations + self.evaluations
            self.progress(stage, evaluations, self.estimate.chi2)

    def profiles(self, pairs: list[Pair]) -> dict[str, Any]:
        for i, (want, row) in enumerate(pairs, start=1):
            self.tell(f"profile {i} of {len(pairs)}")
            row["profile"] = profiled(self.optimum, want)
            self.evaluations += row["profile"]["evaluations"]
            if row["profile"]["lower_minimum_met"]:
                row["remarks"].append("profile: a lower misfit was met on the way, so the "
                                      "estimate is not the least")
            if None in row["profile"].values():
                row["remarks"].append("profile: the misfit does not rise enough on one side")
        return {"how": NOTES["profile"]}

    def limits(self, document: Mapping[str, Any]) -> list[dict[str, Any]]:
        """Return rows of the deposits that cannot be told from none."""
        along, rows = AlongTube.of(self.estimate), []
        for blend, entry in document["blends"].items():
            if entry["deposit"] is None or not entry["deposit"]["upper_limit_only"]:
                continue
            self.tell(f"upper limit of {blend}")
            linear = of_traces(self.estimate, along, blend)
            found, evaluations = limit_by_profile(
                self.estimate, self.optimum, blend, linear.upper_limit
            )
            self.evaluations += evaluations
            nothing = {"estimate": None, "low": None}
            high = None if found is None else found.upper_limit
            rows.append({
                "quantity": R, "of": blend, "laplace": nothing | {"high": linear.upper_limit},
                "profile": nothing | {"high": high, "evaluations": evaluations},
                "sample": None, "bootstrap": None,
                "remarks": ["upper limits by the traces alone, without the prior of the level"],
            })
        return rows

    def samples(self, draws: int, pairs: list[Pair]) -> dict[str, Any]:
        def report(n: int) -> None:
            self.tell(f"sampling, {n} of {proposals(draws)}")

        found = sampled(self.estimate, self.optimum, [want for want, _ in pairs], draws,
                        self.executor, report)
        self.evaluations += found.evaluations
        for i, (want, row) in enumerate(pairs):
            row["sample"] = interval(found, i, want)
        return {
            "evaluations": found.evaluations, "kept": int(np.prod(found.readouts.shape[:2])),
            "effective": float(found.effective.min()), "acceptance": found.acceptance,
            "how": NOTES["sample"],
        }
