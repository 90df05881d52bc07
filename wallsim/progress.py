"""How far a command is, on stderr: a bar on a terminal, elsewhere a line now and then."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

EVERY = 10.0
"""Lines about the same stage are this far apart, or more [s]."""


class Tell(Protocol):
    """Told the stage, its state in words, and the share of all work that is done, if known."""

    def __call__(self, stage: str, state: str = "", share: float | None = None) -> None:
        """Show it."""


@contextmanager
def shown(console: Console, *, quiet: bool = False) -> Iterator[Tell]:
    """Yield what is to be told how far the work is.

    Parameters
    ----------
    console : Console
        Of stderr. On a terminal a bar moves; elsewhere each new stage is a line, and a stage that
        lasts is told again.
    quiet : bool
        Show nothing.
    """
    if quiet:
        yield _silent
    elif not console.is_terminal:
        yield _Lines(console)
    else:
        with Progress(TextColumn("{task.description}"), BarColumn(bar_width=20),
                      TextColumn("{task.fields[state]}"), TimeElapsedColumn(),
                      console=console) as bar:
            task = bar.add_task("starting", total=None, state="")

            def tell(stage: str, state: str = "", share: float | None = None) -> None:
                bar.update(task, description=stage, state=state, completed=share or 0.0,
                           total=None if share is None else 1.0)

            yield tell
            tell("done", share=1.0)


def _silent(stage: str, state: str = "", share: float | None = None) -> None:
    pass


class _Lines:
    """Writes a line with the seconds since the start."""

    def __init__(self, console: Console) -> None:
        self.console, self.begun = console, time.monotonic()
        self.stage, self.last = "", self.begun

    def __call__(self, stage: str, state: str = "", share: float | None = None) -> None:
        now = time.monotonic()
        if stage == self.stage and now - self.last < EVERY:
            return
        self.stage, self.last = stage, now
        text = f"{stage}: {state}" if state else stage
        self.console.print(f"{now - self.begun:4.0f} s  {text}", markup=False, highlight=False,
                           soft_wrap=True)
