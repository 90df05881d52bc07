"""Result folders: written beside their place and renamed, so that none is ever half there."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from wallsim.errors import OutputError


@contextmanager
def result_folder(folder: Path, *, force: bool = False) -> Iterator[Path]:
    """Yield an empty folder that takes the place of ``folder`` when the block ends well.

    Parameters
    ----------
    folder : Path
        New or empty, unless ``force``.
    force : bool
        Replace what is there once the new content is complete.

    Raises
    ------
    OutputError
        If the folder holds something already, or cannot be written.
    """
    folder = folder.absolute()
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise OutputError(f"{folder}: is not a folder; name a new one with --out")
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise OutputError(
            f"{folder}: holds files already; name a new folder with --out, or add --force to "
            "replace it"
        )
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({error.strerror})") from error
    try:
        yield beside
        beside.chmod(0o755)
        _swap(beside, folder)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _swap(new: Path, place: Path) -> None:
    """Move ``new`` to ``place``; what was there goes last."""
    if not place.exists():
        os.replace(new, place)
        return
    old = place.with_name(f".{place.name}.old-{os.getpid()}")
    try:
        os.replace(place, old)
        os.replace(new, place)
    except OSError as error:
        raise OutputError(f"{place}: cannot be replaced ({error.strerror})") from error
    shutil.rmtree(old, ignore_errors=True)
