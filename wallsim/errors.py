"""Failures that a user can act on: one class per kind, each message names the place."""

from __future__ import annotations


class WallsimError(Exception):
    """Root of every failure this package raises on purpose."""

    exit_code = 1


class InputError(WallsimError):
    """Something the user supplied cannot be used; the message says where and what to do."""

    exit_code = 3


class CaseError(InputError):
    """One or more faults in a case file.

    Parameters
    ----------
    faults : sequence of str
        One line each, ``file:line: key: what is wrong (got X)``.
    """

    def __init__(self, faults: list[str] | str) -> None:
        self.faults = [faults] if isinstance(faults, str) else list(faults)
        super().__init__("\n".join(self.faults))


class LogError(InputError):
    """A raw log that cannot be read or makes no sense."""


class MeshError(InputError):
    """A mesh file that cannot carry the model."""


class TableRangeError(InputError):
    """A material table asked outside the range it is given on."""


class OutputError(InputError):
    """A result folder that is in use or cannot be written."""


class ConvergenceError(WallsimError):
    """An iteration that did not converge."""

    exit_code = 4


class ClusterError(InputError):
    """A cluster that cannot be used, or that went away during a computation."""
