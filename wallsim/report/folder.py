"""Writing a result folder and rendering it again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd

from wallsim.errors import OutputError
from wallsim.report.document import (
    NEXT,
    PLAN,
    PREDICTION,
    READINGS,
    SCHEMA,
    WHATIF,
    Document,
    file_stems,
    read_document,
    read_traces,
    write,
    write_document,
    write_json,
    write_table,
)
from wallsim.report.style import Drawing

REPORT = "report.html"


def save(document: Document, traces: Mapping[str, pd.DataFrame], folder: Path) -> None:
    """Write ``document`` and ``traces`` with their tables, figures and report.

    Parameters
    ----------
    document : mapping
        The result of a fit, schema ``wallsim.fit/1``.
    traces : mapping of str to DataFrame
        One frame a run: ``time_s`` and for each sensor ``NAME measured [K]``,
        ``NAME fitted [K]``, ``NAME used``.
    folder : Path
        Exists and is empty.

    Raises
    ------
    OutputError
        If the folder does not exist, is not empty or cannot be written.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise OutputError(f"{folder}: no such folder; make it first")
    if any(folder.iterdir()):
        raise OutputError(f"{folder}: is not empty; give a new or an empty folder")
    write_document(document, traces, folder)
    render(folder)


def save_answer(document: Document, frames: Mapping[str, pd.DataFrame], folder: Path) -> None:
    """Write the answer of any other command with its tables, figures and page.

    Parameters
    ----------
    document : mapping
    frames : mapping of str to DataFrame
        Tables by name; of a prediction the readings by run.
    folder : Path
        Exists and is empty.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    folder = Path(folder)
    place = READINGS if document["schema"] == PREDICTION else "tables"
    for name, stem in file_stems(frames).items():
        write_table(frames[name], folder / place / f"{stem}.csv")
    write_json(document, folder)
    render(folder)


def render(folder: Path) -> Path:
    """Render a result folder again, of whatever command; return the report's path.

    Page and figures, and the tables of a fit, are made from ``result.json`` and the readings beside
    it alone, so the outcome is the same each time. Figures of what the result no longer holds are
    taken away.

    Raises
    ------
    InputError
        If the folder holds no result, one of no known kind, or lacks traces of a run.
    OutputError
        If it cannot be written.
    """
    from wallsim.report.forecast import render_prediction, render_whatif
    from wallsim.report.next_firing import render_next
    from wallsim.report.placement import render_plan

    folder = Path(folder)
    document = read_document(folder)
    renderers = {SCHEMA: _render_fit, PREDICTION: render_prediction, WHATIF: render_whatif,
                 PLAN: render_plan, NEXT: render_next}
    return publish(folder, *renderers[document["schema"]](document, folder))


def publish(folder: Path, drawings: Sequence[Drawing], page: str) -> Path:
    """Write figures and page into a result folder; return the page's path.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    for drawing in drawings:
        write(folder / "figures" / f"{drawing.stem}.png", drawing.png)
    _clear(folder / "figures", {f"{drawing.stem}.png" for drawing in drawings})
    report = folder / REPORT
    write(report, page.encode())
    return report


def _render_fit(document: Document, folder: Path) -> tuple[list[Drawing], str]:
    from wallsim.report.figures import draw
    from wallsim.report.html import page
    from wallsim.report.tables import tables

    traces = read_traces(document, folder)
    for stem, frame in tables(document).items():
        write_table(frame, folder / "tables" / f"{stem}.csv")
    drawings = draw(document, traces)
    return drawings, page(document, drawings)


def _clear(folder: Path, kept: set[str]) -> None:
    """Delete pictures other than ``kept``; anything else in ``folder`` is the user's own."""
    for path in folder.glob("*.png"):
        if path.name not in kept and not path.name.startswith("."):
            _delete(path)


def _delete(path: Path) -> None:
    try:
        path.unlink()
    except OSError as error:
        raise OutputError(f"{path}: cannot be deleted ({error.strerror or error})") from error
