"""The commands as functions: each takes a case and returns a frozen result."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from concurrent.futures import Executor
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from wallsim.build import Campaign, load_campaign
from wallsim.case.model import Case
from wallsim.estimate.document import build
from wallsim.estimate.intervals.document import Asked, doubts
from wallsim.estimate.intervals.document import intervals as in_other_ways
from wallsim.estimate.joint import Estimate, Progress, estimate_jointly
from wallsim.estimate.laws import asked as laws_asked
from wallsim.estimate.laws import compare_laws
from wallsim.estimate.other_starts import check_starts, from_other_starts
from wallsim.output import result_folder
from wallsim.plan import place_document
from wallsim.plan.place_file import Plan
from wallsim.plan.place_limit import passed
from wallsim.plan.whatif_file import WhatIf
from wallsim.workers import processes


class Outcome:
    """What all outcomes can do; each says what it was made from and how it is written."""

    __slots__ = ()

    document: dict[str, Any]

    @property
    def inputs(self) -> tuple[Path, ...]:
        """Files and folders that writing a result must not take away."""
        raise NotImplementedError

    def write(self, folder: Path) -> None:
        """Write everything into a folder that is empty."""
        raise NotImplementedError

    def to_json(self) -> str:
        """Return the document as JSON text."""
        from wallsim.report.document import plain

        return json.dumps(plain(self.document), indent=1, ensure_ascii=False)

    def save(self, folder: Path | str, *, force: bool = False) -> Path:
        """Write result, tables, figures and report into a new or empty folder.

        Parameters
        ----------
        folder : Path or str
        force : bool
            Replace a result folder that is there.

        Raises
        ------
        OutputError
            If the folder is in use or cannot be written.
        """
        folder = Path(folder)
        with result_folder(folder, force=force, keep=self.inputs) as beside:
            self.write(beside)
        return folder


def _of_verdict(document: dict[str, Any]) -> int:
    return 5 if any(line["level"] == "bad" for line in document["verdict"]) else 0


@dataclass(frozen=True, slots=True, eq=False)
class FitResult(Outcome):
    """Outcome of `fit`.

    Parameters
    ----------
    document : dict
        What ``result.json`` holds; every interval ``{"estimate", "low", "high"}`` at 95 %.
    traces : dict of str to DataFrame
        Measured and fitted block means by run.
    estimate : Estimate
        The estimate itself: unknowns, covariance, residuals.
    """

    document: dict[str, Any]
    traces: dict[str, pd.DataFrame]
    estimate: Estimate

    @property
    def exit_code(self) -> int:
        """0 done, 4 not converged, 5 a quality gate failed."""
        if not self.document["fit"]["converged"]:
            return 4
        return _of_verdict(self.document)

    @property
    def inputs(self) -> tuple[Path, ...]:
        """Case file, mesh and logs."""
        return self.estimate.campaign.case.files

    def write(self, folder: Path) -> None:
        """Write result, tables, figures, report and posterior into a folder that is empty."""
        from wallsim.plan.draws import save_posterior
        from wallsim.report import save

        save(self.document, self.traces, folder)
        save_posterior(self.estimate, folder)


@dataclass(frozen=True, slots=True, eq=False)
class Forecast(Outcome):
    """Outcome of `predict` and `whatif`.

    Parameters
    ----------
    document : dict
        What ``result.json`` holds; every interval ``{"estimate", "low", "high"}`` at 95 %.
    tables : dict of str to DataFrame
        Of `predict`: predicted and logged readings by run; of `whatif`: ``firings``.
    made_from : tuple of Path
    """

    document: dict[str, Any]
    tables: dict[str, pd.DataFrame]
    made_from: tuple[Path, ...]

    @property
    def exit_code(self) -> int:
        """0 done, 5 a line of the verdict is a problem."""
        return _of_verdict(self.document)

    @property
    def inputs(self) -> tuple[Path, ...]:
        """Case file, what-if file, logs, and the folder of the fit."""
        return self.made_from

    def write(self, folder: Path) -> None:
        """Write result, tables, figures and report into a folder that is empty."""
        from wallsim.report import save_answer

        save_answer(self.document, self.tables, folder)


def fit(
    case: Case,
    executor: Executor | None = None,
    progress: Progress | None = None,
    campaign: Campaign | None = None,
    *,
    laws: bool | None = None,
    intervals: str = "auto",
    sample: int = 0,
    bootstrap: int = 0,
    starts: int = 0,
) -> FitResult:
    """Return the joint estimate of a campaign.

    Parameters
    ----------
    case : Case
    executor : Executor or None
        Where the firings' marches run; None for a pool of fresh processes.
    progress : callable or None
        Told the stage, the evaluations so far and the misfit.
    campaign : Campaign or None
        The logs, if they have been read already.
    laws : bool or None
        Whether growth laws are compared for each blend; None for blends of growth "auto" only.
    intervals : str
        "profile" for profile likelihood intervals beside those from curvature, "laplace" for none;
        "auto" for those of mean resistances so wide that curvature is not good enough.
    sample : int
        Draws from the posterior by exact marches, beside the intervals; 0 for none.
    bootstrap : int
        Draws of the firings of each blend, with replacement.
    starts : int
        Other starts from which it is fitted again, to see whether the minimum is the lowest.

    Raises
    ------
    InputError
        If a log cannot be used, or the package that samples is wanted and not installed.
    ConvergenceError
        If the model cannot be evaluated where the fit starts.
    """
    asked = Asked(intervals, sample, bootstrap)
    check_starts(starts)
    campaign = campaign or load_campaign(case)
    begun = time.perf_counter()
    with nullcontext(executor) if executor else processes() as pool:
        estimate = estimate_jointly(campaign, pool, progress)
        choices = compare_laws(estimate, pool, laws_asked(estimate, laws), progress)
        if progress:
            progress("reading off the results", estimate.evaluations, estimate.chi2)
        document, traces = build(estimate, pool, begun, choices)
        document["intervals"] = in_other_ways(estimate, document, asked, pool, progress)
        document["verdict"] += doubts(document["intervals"])
        document["starts"] = ends = from_other_starts(estimate, starts, pool, progress)
    if ends:
        document["verdict"].append({key: ends[key] for key in ("level", "text")})
    return FitResult(document, traces, estimate)


def predict(
    case: Case | Plan,
    fitted: Path | str | None = None,
    executor: Executor | None = None,
    progress: Callable[[int], None] | None = None,
    *,
    runs: tuple[str, ...] = (),
    factor: float = 4.0,
    draws: int = 101,
) -> Forecast:
    """Return what the firings of a case do to the wall, nothing being fitted.

    Parameters
    ----------
    case : Case or Plan
        Logs of a case give burn, pressure and first wall temperature of each firing; a plan states
        them.
    fitted : Path or None
        Result folder of a fit to start from; None for the values stated in the case.
    executor : Executor or None
        Where the marches run; None for a pool of fresh processes.
    progress : callable or None
        Told how many firings are marched, once all is read.
    runs : tuple of str
        Names of the firings wanted; all of them if empty.
    factor : float
        Limit load over gas pressure that the owner asks for [-].
    draws : int
        Of what is uncertain, for the intervals.

    Raises
    ------
    InputError
        If a log or the folder cannot be used, or there is no such run.
    """
    from wallsim.plan.draws import knowledge
    from wallsim.plan.planned import campaign_of
    from wallsim.plan.predict import predict_runs

    campaign = campaign_of(case) if isinstance(case, Plan) else load_campaign(case)
    known = knowledge(campaign, fitted)
    if progress:
        progress(len(runs or campaign.firings))
    with nullcontext(executor) if executor else processes() as pool:
        document, frames = predict_runs(campaign, known, pool, draws=draws, factor=factor,
                                        only=runs)
    files = case.case if isinstance(case, Plan) else case
    return Forecast(document, frames, _inputs(files, fitted))


def whatif(
    case: Case | WhatIf | Path | str,
    fitted: Path | str | None = None,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Forecast:
    """Return what other walls, metals, burns or blends would do.

    Parameters
    ----------
    case : Path, str, Case, WhatIf
        A what-if file or its folder; a case or a plan asks for one firing of each blend as there.
    fitted, executor
        As in `predict`.
    progress : callable or None
        Told how many firings are answered, of how many; first of none, once all is read.

    Raises
    ------
    InputError
        If the file, a log or the folder cannot be used.
    """
    from wallsim.plan.draws import knowledge
    from wallsim.plan.planned import campaign_of
    from wallsim.plan.whatif import answer
    from wallsim.plan.whatif_file import load_question

    question = load_question(case)
    campaign = campaign_of(question.plan) if question.plan else load_campaign(question.case)
    known = knowledge(campaign, fitted)
    if progress:
        progress(0, len(question.changes))
    with nullcontext(executor) if executor else processes() as pool:
        document, frame = answer(question, campaign, known, pool, progress)
    inputs = (question.path, *_inputs(question, fitted))
    return Forecast(document, {"firings": frame}, inputs)


def _inputs(case: Case | WhatIf, fitted: Path | str | None) -> tuple[Path, ...]:
    folder = () if fitted is None else (Path(fitted),)
    return (*folder, *case.files)


@dataclass(frozen=True, slots=True, eq=False)
class Placement(Outcome):
    """Outcome of `place`.

    Parameters
    ----------
    document : dict
        What ``result.json`` holds; every half width is half a 95 % interval.
    plan : Plan
    """

    document: dict[str, Any]
    plan: Plan

    @property
    def exit_code(self) -> int:
        """0 done, 5 the goal of the plan is not met, or a burn takes the bore beyond its limit."""
        goal = self.plan.goal
        missed = goal is not None and self.document["wants"][0]["half_width"] > goal
        return 5 if missed or passed(self.document) else 0

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Stations and the interval against number, burn, repeats, rate, lag, and more."""
        rows = place_document.tables(self.document)
        return {name: pd.DataFrame(each) for name, each in rows.items()}

    @property
    def inputs(self) -> tuple[Path, ...]:
        """The plan's file."""
        return (self.plan.case.path,)

    def write(self, folder: Path) -> None:
        """Write result, tables, figures and report into a folder that is empty."""
        from wallsim.report import save_answer

        save_answer(self.document, self.tables, folder)


def place(
    plan: Plan,
    executor: Executor | None = None,
    progress: place_document.Progress | None = None,
) -> Placement:
    """Return where to put thermocouples, how long to fire and how often.

    Parameters
    ----------
    plan : Plan
    executor : Executor or None
        Where changed plans are marched; None for a pool of fresh processes.
    progress : callable or None
        Told the question, how many are answered, and how many there are.

    Raises
    ------
    InputError
        If there is no room for the thermocouples planned, or the wall leaves its material's range.
    ConvergenceError
        If a march does not converge.
    """
    with nullcontext(executor) if executor else processes() as pool:
        return Placement(place_document.build(plan, pool, progress), plan)
