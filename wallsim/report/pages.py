"""Pages of plans and forecasts: templates filled, figures put into them."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import jinja2

from wallsim.report.style import Drawing


def filled(template: str, drawings: Sequence[Drawing], **values: Any) -> str:
    """Return a template of this package filled; ``figures`` in it are the ``drawings``."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).with_name("templates")),
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    figures = [{"title": d.title, "caption": d.caption, "width": d.width, "height": d.height,
                "data": base64.b64encode(d.png).decode("ascii")} for d in drawings]
    return environment.get_template(template).render(figures=figures, **values)
