"""Result folders: written beside their place and renamed, so that none is ever half there."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from wallsim.errors import OutputError


@contextmanager
def result_folder(
    folder: Path, *, force: bool = False, keep: Iterable[Path] = (), replaceable: bool = True
) -> Iterator[Path]:
    """Yield an empty folder that takes the place of ``folder`` when the block ends well.

    Parameters
    ----------
    folder : Path
        New or empty, unless ``force``.
    force : bool
        Replace the result folder that is there once the new content is complete.
    keep : iterable of Path
        Files that ``force`` must not take away, such as the inputs.
    replaceable : bool
        Whether the caller's user can ask for ``force``; only the advice in the message depends on
        it.

    Raises
    ------
    OutputError
        If the folder holds something already, or cannot be written.
    """
    folder = folder.absolute()
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise OutputError(f"{folder}: is not a folder; name a new folder")
    if folder.is_dir() and any(folder.iterdir()):
        results = (folder / "result.json").is_file()
        if not force:
            advice = ", or add --force to replace it" if replaceable and results else ""
            raise OutputError(f"{folder}: holds files already; name a new folder{advice}")
        _spare(folder, keep)
        if not results:
            raise OutputError(
                f"{folder}: holds files but no result.json, so it is no result folder and --force "
                "does not replace it; name a new folder"
            )
    made = [p for p in folder.parents if not p.exists()]
    beside = None
    try:
        try:
            folder.parent.mkdir(parents=True, exist_ok=True)
            beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
        except OSError as error:
            raise OutputError(f"{folder}: cannot be written ({error.strerror})") from error
        yield beside
        beside.chmod(0o755)
        _swap(beside, folder)
    finally:
        if beside is not None:
            shutil.rmtree(beside, ignore_errors=True)
        if not folder.exists():
            _remove_empty(made)


def _spare(folder: Path, keep: Iterable[Path]) -> None:
    """Refuse to replace a folder that holds what is needed."""
    place = folder.resolve()
    for path in (Path.cwd(), *keep):
        if path.resolve().is_relative_to(place):
            raise OutputError(
                f"{folder}: holds {path}, which --force would delete; name another folder"
            )


def _remove_empty(folders: Iterable[Path]) -> None:
    """Take away folders made on the way, innermost first, as far as nobody else uses them."""
    with suppress(OSError):
        for path in folders:
            path.rmdir()


def _swap(new: Path, place: Path) -> None:
    """Move ``new`` to ``place``; what was there goes last."""
    if not place.exists():
        os.replace(new, place)
        return
    old = place.with_name(f".{place.name}.old-{os.getpid()}")
    try:
        os.replace(place, old)
        os.replace(new, place)
    except BaseException as error:
        if old.exists() and not place.exists():
            os.replace(old, place)
        if isinstance(error, OSError):
            raise OutputError(f"{place}: cannot be replaced ({error.strerror})") from error
        raise
    finally:
        if place.exists():
            shutil.rmtree(old, ignore_errors=True)
