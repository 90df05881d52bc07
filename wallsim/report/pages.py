"""Pages of plans and forecasts: templates filled, figures put into them."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import jinja2

from wallsim.report.document import Document
from wallsim.report.style import Drawing
from wallsim.report.words import LEVELS


def filled(template: str, drawings: Sequence[Drawing], **values: Any) -> str:
    """Return a template of this package filled; ``figures`` in it are the ``drawings``."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).with_name("templates")),
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    figures = [{"title": d.title, "caption": d.caption, "width": d.width, "height": d.height,
                "data": base64.b64encode(d.png).decode("ascii")} for d in drawings]
    return environment.get_template(template).render(figures=figures, **values)


def answer_lines(document: Document) -> list[str]:
    """Return the answers of a document for the terminal, each under its question."""
    return [line for answer in document["answers"]
            for line in (answer["question"], f"    {_marked(answer)}{answer['text']}")]


def _marked(answer: Document) -> str:
    level = answer.get("level")
    return f"{LEVELS[level]}: " if level in {"warning", "bad"} else ""
