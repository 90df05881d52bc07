"""Page and figures of a plan, and its answers for the terminal."""

from __future__ import annotations

from pathlib import Path

from wallsim.report.document import Document
from wallsim.report.pages import answer_lines, filled
from wallsim.report.style import Drawing


def render_plan(document: Document, folder: Path) -> tuple[list[Drawing], str]:
    """Return figures and page of a plan."""
    from wallsim.report.placement_figures import draw_plan

    drawings, case = draw_plan(document), document["case"]
    rows = [
        {"firing": r["name"], "blend": r["blend"], "burn [s]": f"{r['burn_s']:.3g}",
         "pressure [bar abs]": f"{1e-5 * r['pressure_Pa']:.3g}", "times": str(r["repeats"])}
        for r in document["planned"]
    ]
    return drawings, filled("placement.html", drawings, title=case["title"], path=case["path"],
                            answers=document["answers"], rows=rows)


def plan_text(document: Document) -> str:
    """Return the answers in words."""
    return "\n".join([document["case"]["title"], "", *answer_lines(document)]) + "\n"
