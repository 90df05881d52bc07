"""Entry of the command line: signals first, then everything that takes time to import."""

from __future__ import annotations

import io
import os
import signal
import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any


class _Interrupted(BaseException):
    """A signal asked the command to end."""


def _interrupt(signum: int, frame: object) -> None:
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    raise _Interrupted


class _Pipe(io.FileIO):
    """What is written to a pipe that its reader has closed is lost, and no fault."""

    def write(self, data: Any, /) -> int:
        try:
            return super().write(data)
        except BrokenPipeError:
            return len(data)


def _piped(stream: Any) -> Any:
    """Return a standard stream, or one that takes its place where it may be a pipe."""
    if not isinstance(stream, io.TextIOWrapper) or stream.isatty():
        return stream
    stream.flush()
    pipe = io.BufferedWriter(_Pipe(stream.fileno(), "wb", closefd=False))
    return io.TextIOWrapper(pipe, stream.encoding, stream.errors,
                            line_buffering=stream.line_buffering,
                            write_through=stream.write_through)


def main() -> None:
    """Run the command line and end with its exit code."""
    sys.stdout, sys.stderr = _piped(sys.stdout), _piped(sys.stderr)
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
