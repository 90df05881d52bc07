"""Page and figures of a plan, and its answers for the terminal."""

from __future__ import annotations

from pathlib import Path

from wallsim.report.document import Document
from wallsim.report.pages import answer_lines, filled
from wallsim.report.style import Drawing
from wallsim.report.words import ZERO_CELSIUS
from wallsim.rounding import open_text


def render_plan(document: Document, folder: Path) -> tuple[list[Drawing], str]:
    """Return figures and page of a plan."""
    from wallsim.report.placement_figures import draw_plan

    drawings, case = draw_plan(document), document["case"]
    peaks = {r["name"]: r["peak_K"] for r in document["bore"]}
    rows = [
        {"firing": r["name"], "blend": r["blend"], "burn [s]": f"{r['burn_s']:.3g}",
         "pressure [bar abs]": f"{1e-5 * r['pressure_Pa']:.3g}", "times": str(r["repeats"]),
         "bore expected [°C]": open_text(peaks[r["name"]], 0, -ZERO_CELSIUS)}
        for r in document["planned"]
    ]
    return drawings, filled("placement.html", drawings, title=case["title"], path=case["path"],
                            answers=document["answers"], rows=rows, caution=document["caution"])


def plan_text(document: Document) -> str:
    """Return the answers and the caution in words."""
    lines = [document["case"]["title"], "", *answer_lines(document), "", document["caution"]]
    return "\n".join(lines) + "\n"
