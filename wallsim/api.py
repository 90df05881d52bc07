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
from wallsim.estimate.joint import Estimate, estimate_jointly
from wallsim.output import result_folder
from wallsim.workers import processes

Progress = Callable[[str, int, float], None]


@dataclass(frozen=True, slots=True, eq=False)
class FitResult:
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
        return 5 if any(line["level"] == "bad" for line in self.document["verdict"]) else 0

    def to_json(self) -> str:
        """Return the document as JSON text."""
        from wallsim.report.document import plain

        return json.dumps(plain(self.document), indent=1, ensure_ascii=False)

    def save(self, folder: Path | str, *, force: bool = False) -> Path:
        """Write result, tables, figures and report into a new or empty folder.

        Raises
        ------
        OutputError
            If the folder is in use or cannot be written.
        """
        from wallsim.report import save

        folder = Path(folder)
        case = self.estimate.campaign.case
        inputs = (case.path, *(run.log for run in case.runs))
        with result_folder(folder, force=force, keep=inputs) as beside:
            save(self.document, self.traces, beside)
        return folder


def fit(
    case: Case,
    executor: Executor | None = None,
    progress: Progress | None = None,
    campaign: Campaign | None = None,
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

    Raises
    ------
    InputError
        If a log cannot be used.
    ConvergenceError
        If the model cannot be evaluated where the fit starts.
    """
    campaign = campaign or load_campaign(case)
    begun = time.perf_counter()
    with nullcontext(executor) if executor else processes() as pool:
        estimate = estimate_jointly(campaign, pool, progress)
        if progress:
            progress("reading off the results", estimate.evaluations, estimate.chi2)
        document, traces = build(estimate, pool, begun)
    return FitResult(document, traces, estimate)
