"""A question about a tiny campaign: one bare and one dosed firing, and which to make next."""

from pathlib import Path

from tests.cli.campaign import write

TEXT = """\
title = "tiny question"
case = "campaign"
[decision]
blend = "{blend}"
above = "{above}"
{more}
[firing]
repeats = 3
"""


def ask(folder: Path, *, blend="dosed", above="120 mm^2*K/W", more="", new="", **campaign) -> Path:
    """Write campaign and question; return the question's file."""
    if not (folder / "campaign").exists():
        write(folder / "campaign", **campaign)
    path = folder / "next.toml"
    path.write_text(TEXT.format(blend=blend, above=above, more=more) + new)
    return path
