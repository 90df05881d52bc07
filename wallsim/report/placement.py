"""Writing the result folder of a plan, and its answers for the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from wallsim.report.document import Document, write_json, write_table
from wallsim.report.folder import render
from wallsim.report.pages import filled
from wallsim.report.style import Drawing


def save_plan(document: Document, frames: Mapping[str, pd.DataFrame], folder: Path) -> None:
    """Write document, tables, figures and page of a plan into an empty folder.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    folder = Path(folder)
    write_json(document, folder)
    for stem, frame in frames.items():
        write_table(frame, folder / "tables" / f"{stem}.csv")
    render(folder)


def render_plan(document: Document, folder: Path) -> tuple[list[Drawing], str]:
    """Return figures and page of a plan."""
    from wallsim.report.placement_figures import draw_plan

    drawings, case = draw_plan(document), document["case"]
    return drawings, filled(
        "placement.html", drawings, title=case["title"], path=case["path"],
        answers=document["answers"], planned=document["planned"],
    )


def plan_text(document: Document) -> str:
    """Return the answers in words."""
    lines = [document["case"]["title"], ""]
    for answer in document["answers"]:
        lines.extend((answer["question"], f"    {answer['text']}"))
    return "\n".join(lines) + "\n"
