"""Entry of the command line: signals first, then everything that takes time to import."""

import os
import signal
import sys


class _Interrupted(BaseException):
    """A signal asked the command to end."""


def _interrupt(signum: int, frame: object) -> None:
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    raise _Interrupted


def main() -> None:
    """Run the command line and end with its exit code."""
    try:
        signal.signal(signal.SIGINT, _interrupt)
        signal.signal(signal.SIGTERM, _interrupt)
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        _run()
    except (_Interrupted, KeyboardInterrupt):
        sys.stderr.write("Interrupted; nothing is left half written.\n")
        sys.exit(130)


def _run() -> None:
    from wallsim.commands import app
    from wallsim.errors import WallsimError

    try:
        app()
    except WallsimError as error:
        sys.stderr.write(f"{error}\n")
        sys.exit(error.exit_code)


if __name__ == "__main__":
    main()
