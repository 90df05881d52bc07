"""Run the command line: as a process of its own, or here where only its words and code matter."""

import io
import signal
import subprocess
import sys
from contextlib import chdir, nullcontext, redirect_stderr, redirect_stdout
from unittest.mock import patch

from wallsim.cli import main

COMMAND = (sys.executable, "-m", "wallsim.cli")


def wallsim(*words, folder=None):
    """Run the command to its end as its own process; what it said is text."""
    return subprocess.run(
        [*COMMAND, *map(str, words)],
        capture_output=True, text=True, timeout=120, check=False, cwd=folder,
    )


def wallsim_here(*words, folder=None):
    """Run the same in this process, its marches in one other: each start spared is seconds."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        with (chdir(folder) if folder else nullcontext(), redirect_stdout(out),
              redirect_stderr(err), patch("wallsim.workers._cores", return_value=1),
              patch.object(sys, "argv", ["wallsim", *map(str, words)])):
            main()
    except SystemExit as end:
        code = end.code or 0
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())
