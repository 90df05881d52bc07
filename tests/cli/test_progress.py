"""How far a command is: lines where there is no terminal, a bar on one, nothing if quiet."""

import io

import pytest
from rich.console import Console

from wallsim import progress


@pytest.fixture
def clock(monkeypatch):
    """Return a list whose last entry is the time of the lines."""
    times = [0.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: times[-1])
    return times


def test_a_stage_is_told_at_once_and_again_when_it_lasts(clock):
    out = io.StringIO()
    with progress.shown(Console(file=out)) as tell:
        tell("reading the logs")
        for moment in (3.0, 4.0, 12.0, 14.0):
            clock.append(moment)
            tell("fitting", f"evaluation at {moment:.0f} s, [misfit] 2", 0.5)
        clock.append(24.5)
        tell("fitting", "the last")
    assert out.getvalue().splitlines() == [
        "   0 s  reading the logs",
        "   3 s  fitting: evaluation at 3 s, [misfit] 2",
        "  14 s  fitting: evaluation at 14 s, [misfit] 2",
        "  24 s  fitting: the last",
    ]


def test_a_terminal_has_a_bar_and_quiet_nothing():
    for quiet in (False, True):
        out = io.StringIO()
        console = Console(file=out, force_terminal=True, width=80)
        with progress.shown(console, quiet=quiet) as tell:
            tell("fitting", "evaluation 3", 0.5)
        assert ("done" in out.getvalue()) != quiet
