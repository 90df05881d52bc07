"""All keys of a case file as one table, for the manual and the help of the commands."""

from __future__ import annotations

from collections.abc import Iterator

from wallsim.case.schema import (
    BlendKeys,
    DepositKeys,
    EndKeys,
    FitKeys,
    LogKeys,
    OutsideKeys,
    PressureKeys,
    RunKeys,
    SensorKeys,
    ShedKeys,
    Table,
    TubeKeys,
    stand_in,
)

_SECTIONS: tuple[tuple[str, type[Table]], ...] = (
    ("[tube]", TubeKeys),
    ("[tube] head, exit", EndKeys),
    ("[tube.outside]", OutsideKeys),
    ("[[sensor]]", SensorKeys),
    ("[pressure]", PressureKeys),
    ("[log]", LogKeys),
    ("[blend.NAME]", BlendKeys),
    ("[blend.NAME] deposit", DepositKeys),
    ("[[run]]", RunKeys),
    ("[[run]] shed", ShedKeys),
    ("[fit]", FitKeys),
)


def _rows(section: str, model: type[Table]) -> Iterator[str]:
    for name, info in model.model_fields.items():
        like = stand_in(info)
        if info.is_required():
            default = f"required: `{info.examples[0]}`" if info.examples else "required"
        elif info.default in (None, "", [], {}):
            default = str(like or "none")
        else:
            default = f"`{info.default}`"
        yield f"| `{section}` | `{name}` | {info.description} | {default} |"


def schema_text() -> str:
    """Return all keys of a case file with meaning and default, as a Markdown table."""
    rows = ["| table | key | meaning | default |", "|---|---|---|---|"]
    rows.append("| (top) | `title` | of the campaign | name of the folder |")
    for section, model in _SECTIONS:
        rows.extend(_rows(section, model))
    return "\n".join(rows) + "\n"
