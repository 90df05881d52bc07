"""Start the command as its own process."""

import subprocess
import sys

COMMAND = (sys.executable, "-m", "wallsim.cli")


def wallsim(*words, folder=None):
    """Run the command to its end; what it said is text."""
    return subprocess.run(
        [*COMMAND, *map(str, words)],
        capture_output=True, text=True, timeout=120, check=False, cwd=folder,
    )
