"""Run the command line: as a process of its own, or here where only its words and code matter."""

import io
import signal
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, chdir, nullcontext, redirect_stderr, redirect_stdout
from functools import partial
from unittest.mock import patch

from wallsim.cli import main

COMMAND = (sys.executable, "-m", "wallsim.cli")


def wallsim(*words, folder=None):
    """Run the command to its end as its own process; what it said is text."""
    return subprocess.run(
        [*COMMAND, *map(str, words)],
        capture_output=True, text=True, timeout=120, check=False, cwd=folder,
    )


def wallsim_here(*words, folder=None, worker=False):
    """Run the same in this process, marches too or in one other: each start spared is seconds."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        with ExitStack() as here:
            here.enter_context(chdir(folder) if folder else nullcontext())
            here.enter_context(redirect_stdout(out))
            here.enter_context(redirect_stderr(err))
            here.enter_context(patch.object(sys, "argv", ["wallsim", *map(str, words)]))
            here.enter_context(patch("wallsim.workers._cores", return_value=1))
            for module in () if worker else ("wallsim.workers", "wallsim.api", "wallsim.api_next"):
                here.enter_context(patch(f"{module}.processes", partial(ThreadPoolExecutor, 1)))
            main()
    except SystemExit as end:
        code = end.code or 0
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())
