"""Page and figures of a question which firing to make next, and it for the terminal."""

from __future__ import annotations

from pathlib import Path

from wallsim.report.document import Document
from wallsim.report.pages import answer_lines, filled
from wallsim.report.style import Drawing
from wallsim.report.words import PER_MM2
from wallsim.rounding import chance_text, interval_text, parts_text, per_cent

SHOWN = 5


def render_next(document: Document, folder: Path) -> tuple[list[Drawing], str]:
    """Return figures and page of a question which firing to make next."""
    from wallsim.report.next_figures import draw_next

    drawings = draw_next(document)
    return drawings, filled(
        "next.html", drawings, title=document["title"], path=document["path"],
        origin=document["from"], caution=document["caution"],
        answers=[*document["answers"], *(
            {"question": name, "text": f"is left out: {why}"}
            for name, why in document["left_out"].items())],
        rows=[_headed(document, row) for row in rows_of(document)],
        times=document["recommended"]["times"], firing=document["firing"],
        confidence=f"{100.0 * document['decision']['confidence']:.3g} %",
    )


def _headed(document: Document, row: dict[str, str]) -> dict[str, str]:
    """Return a row of `rows_of` under the headings of the page."""
    return {
        "blend": row["firing"], "settled": row["chance"], "yes": row["yes"], "no": row["no"],
        f"{document['firing']['repeats']} firings": row["most"], "without end": row["end"],
        f"R of {document['decision']['blend']} then": row["interval"],
        "narrower by": row["narrower"], "own R now": row["own"], "own R then": row["own_then"],
    }


def rows_of(document: Document) -> list[dict[str, str]]:
    """Return one row a candidate in words, as often fired as is recommended."""
    n, above = document["recommended"]["times"] - 1, PER_MM2 * document["decision"]["above_m2K_W"]
    out = []
    for row in document["candidates"]:
        step, own = row["steps"][n], row["own_resistance_m2K_W"]
        yes, no = parts_text((step["chance_above"], step["chance_below"]))
        out.append({
            "firing": row["blend"],
            "chance": chance_text(step["chance"]), "yes": yes, "no": no,
            "interval": interval_text(step["mean_resistance_m2K_W"], PER_MM2, apart=above),
            "narrower": per_cent(step["narrower_by"]),
            "own": interval_text(own["expected"], PER_MM2) if own else "-",
            "own_then": interval_text(own["after"][n], PER_MM2) if own else "-",
            "most": chance_text(row["steps"][-1]["chance"]),
            "end": chance_text(row["without_end"]["chance"]),
        })
    return out


def _gain(row: dict[str, str]) -> str:
    if row["own"] == "-":
        return f"interval {row['narrower']} narrower"
    return f"its own R from {row['own']} to {row['own_then']}"


def next_text(document: Document) -> str:
    """Return the answers in words and the best firings, for the terminal."""
    lines = [document["title"], f"From: {document['from']}.", "", *answer_lines(document)]
    n = document["recommended"]["times"]
    rows = rows_of(document)
    lines.append(f"Chance to settle it with {n} firing{'s' if n > 1 else ''} of")
    width = max(len(row["firing"]) for row in rows[:SHOWN])
    lines.extend(
        f"    {row['firing']:<{width}}  {row['chance']:>10}, {_gain(row)}" for row in rows[:SHOWN])
    if len(rows) > SHOWN:
        lines.append(f"    and {len(rows) - SHOWN} more, in the report")
    lines.extend(f"{name}: left out, {why}" for name, why in document["left_out"].items())
    return "\n".join([*lines, "", document["caution"]]) + "\n"
