"""The command that says which firing to make next, as a function like those of `wallsim.api`."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from wallsim.api import Outcome
from wallsim.build import load_campaign
from wallsim.plan import next_document
from wallsim.plan.next_file import NextQuestion, load_next
from wallsim.plan.told import Told
from wallsim.workers import processes


@dataclass(frozen=True, slots=True, eq=False)
class NextFiring(Outcome):
    """Outcome of `next_firing`.

    Parameters
    ----------
    document : dict
        What ``result.json`` holds.
    made_from : tuple of Path
    """

    document: dict[str, Any]
    made_from: tuple[Path, ...]

    @property
    def exit_code(self) -> int:
        """0 done, 5 the chance wanted is not reached, or what is best goes beyond the limit."""
        return 5 if any(a.get("level") == "bad" for a in self.document["answers"]) else 0

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every firing looked at so many times, and the best mixes."""
        rows = next_document.tables(self.document)
        return {name: pd.DataFrame(each) for name, each in rows.items()}

    @property
    def inputs(self) -> tuple[Path, ...]:
        """The question's file, the folder of the fit, case file and logs."""
        return self.made_from

    def write(self, folder: Path) -> None:
        """Write result, tables, figure and report into a folder that is empty."""
        from wallsim.report import save_answer

        save_answer(self.document, self.tables, folder)


def next_firing(
    question: NextQuestion | Path | str,
    fitted: Path | str,
    executor: Executor | None = None,
    progress: Callable[[str], None] | None = None,
) -> NextFiring:
    """Return which firing to make next to settle a decision.

    Parameters
    ----------
    question : NextQuestion, Path or str
        Its file, or the folder with its ``next.toml``.
    fitted : Path or str
        Result folder of the fit of the campaign.
    executor : Executor or None
        Where firings to come are marched; None for a pool of fresh processes.
    progress : callable or None
        Told what is done next.

    Raises
    ------
    InputError
        If the file, a log or the folder cannot be used.
    """
    asked = load_next(question) if isinstance(question, Path | str) else question
    fit = Told.by(Path(fitted))
    if progress:
        progress("reading the logs")
    campaign = load_campaign(asked.case)
    with nullcontext(executor) if executor else processes() as pool:
        document = next_document.build(asked, campaign, fit, pool, progress)
    return NextFiring(document, (asked.path, Path(fitted), *asked.case.files))
