"""Writing the result folder of a plan, and its answers for the terminal."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import jinja2
import pandas as pd

from wallsim.report.document import Document, plain, write
from wallsim.report.folder import REPORT


def save_plan(document: Document, frames: Mapping[str, pd.DataFrame], folder: Path) -> None:
    """Write document, tables, figures and page of a plan into an empty folder.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    from wallsim.report.placement_figures import draw_plan

    folder = Path(folder)
    text = json.dumps(plain(document), indent=1, ensure_ascii=False) + "\n"
    write(folder / "result.json", text.encode())
    for stem, frame in frames.items():
        csv = frame.to_csv(index=False, float_format="%.6g", lineterminator="\n")
        write(folder / "tables" / f"{stem}.csv", csv.encode())
    figures = []
    for d in draw_plan(document):
        write(folder / "figures" / f"{d.stem}.png", d.png)
        figures.append({"title": d.title, "caption": d.caption, "width": d.width,
                        "height": d.height, "data": base64.b64encode(d.png).decode("ascii")})
    write(folder / REPORT, _page(document, figures).encode())


def _page(document: Document, figures: list[dict[str, Any]]) -> str:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).with_name("templates")),
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    case = document["case"]
    return environment.get_template("placement.html").render(
        title=case["title"], path=case["path"], answers=document["answers"],
        planned=document["planned"], figures=figures,
    )


def plan_text(document: Document) -> str:
    """Return the answers in words."""
    lines = [document["case"]["title"], ""]
    for answer in document["answers"]:
        lines.extend((answer["question"], f"    {answer['text']}"))
    return "\n".join(lines) + "\n"
