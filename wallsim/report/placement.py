"""Page and figures of a plan, and its answers for the terminal."""

from __future__ import annotations

from pathlib import Path

from wallsim.report.document import Document
from wallsim.report.pages import filled
from wallsim.report.style import Drawing


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
