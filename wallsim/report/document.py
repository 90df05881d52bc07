"""The document of a result: read, written, and arrays and intervals got out of it."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from wallsim.errors import InputError, OutputError

Array = NDArray[np.float64]
Document = Mapping[str, Any]

SCHEMA = "wallsim.fit/1"
PREDICTION, WHATIF, PLAN = "wallsim.predict/1", "wallsim.whatif/1", "wallsim.place/1"
NEXT = "wallsim.next/1"
NEEDED: Mapping[str, tuple[str, ...]] = {
    SCHEMA: ("case", "runs", "gas_side", "blends"),
    PREDICTION: ("case", "runs", "from", "draws", "verdict", "caution"),
    WHATIF: ("title", "firings", "varied", "factor", "from", "draws", "verdict", "caution"),
    NEXT: ("title", "path", "from", "decision", "firing", "candidates", "mixes", "recommended",
           "left_out", "answers", "caution"),
    PLAN: ("case", "answers", "planned", "wants", "stations", "along_tube", "worth", "goal",
           "tube_length_m", "keep_out_m", "limit", "bore", "caution", "lag_s",
           "against_number", "against_burn", "against_repeats", "against_rate", "against_lag"),
}
"""What the page of each kind of result is made from."""
RESULT = "result.json"
READINGS = "readings"
TIME = "time_s"


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """An estimate with its 95 % interval; NaN where the document has null.

    Parameters
    ----------
    estimate, low, high : Array
        Same shape; shape () for a single value.
    """

    estimate: Array
    low: Array
    high: Array

    @property
    def known(self) -> bool:
        """True if there is an estimate with both ends anywhere."""
        return bool(np.isfinite(self.estimate + self.low + self.high).any())

    @property
    def bounded(self) -> bool:
        """True if there is an upper end anywhere."""
        return bool(np.isfinite(self.high).any())

    def scaled(self, factor: float) -> Band:
        """Return the band in another unit."""
        return Band(factor * self.estimate, factor * self.low, factor * self.high)

    def resampled(self, x: Array, new_x: Array) -> Band:
        """Return the band on other abscissae; NaN outside those it was given on."""
        if self.estimate.ndim == 0:
            return Band(*(np.full(new_x.shape, v) for v in (self.estimate, self.low, self.high)))

        def at(y: Array) -> Array:
            return np.interp(new_x, x, y, left=np.nan, right=np.nan)

        return Band(at(self.estimate), at(self.low), at(self.high))


def array(values: Any) -> Array:
    """Return numbers as an array; null becomes NaN, a missing list an empty array."""
    if values is None:
        return np.empty(0)
    return np.array(values, dtype=np.float64)


def band(interval: Mapping[str, Any] | None, n: int | None = None) -> Band:
    """Return an interval of the document as arrays.

    Parameters
    ----------
    interval : mapping or None
        ``{"estimate", "low", "high"}``; null as a whole or in part where not identifiable.
    n : int, optional
        Length expected along the tube or in time; what is null comes back as NaN of that length.
    """
    interval = interval or {}
    parts = []
    for key in ("estimate", "low", "high"):
        values = interval.get(key)
        missing = np.full(() if n is None else (n,), np.nan)
        parts.append(missing if values is None else np.array(values, dtype=np.float64))
    return Band(*parts)


def plain(value: Any) -> Any:
    """Return ``value`` in JSON's own types; what is not a finite number becomes null."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if value is None or isinstance(value, (bool, int, str)):
        return value
    return str(value)


def file_stems(names: Mapping[str, Any]) -> dict[str, str]:
    """Return a file name without ending for each name, safe on any disk and without clashes."""
    stems: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        base = re.sub(r"[^A-Za-z0-9._-]+", "_", name).strip("._") or "run"
        stem, count = base, 1
        while stem.lower() in taken:
            count += 1
            stem = f"{base}_{count}"
        taken.add(stem.lower())
        stems[name] = stem
    return stems


def write(path: Path, content: bytes) -> None:
    """Put ``content`` at ``path`` in one move, so that a reader never sees half a file.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    beside = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(exist_ok=True)
        beside.write_bytes(content)
        os.replace(beside, path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise OutputError(f"{path}: cannot be written ({error.strerror or error})") from error


def write_document(document: Document, traces: Mapping[str, pd.DataFrame], folder: Path) -> None:
    """Write ``result.json`` and one CSV of traces a run.

    Raises
    ------
    OutputError
        If a run of the document has no traces, or the folder cannot be written.
    """
    content = plain(document)
    missing = [name for name in content["runs"] if name not in traces]
    if missing:
        raise OutputError(f"{folder}: no traces given for run {', '.join(missing)}")
    for name, stem in file_stems(content["runs"]).items():
        text = traces[name].to_csv(index=False, float_format="%.8g", lineterminator="\n")
        write(folder / "traces" / f"{stem}.csv", text.encode())
    write_json(content, folder)


def write_json(document: Document, folder: Path) -> None:
    """Write ``result.json``.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    text = json.dumps(plain(document), indent=1, ensure_ascii=False, allow_nan=False)
    write(folder / RESULT, f"{text}\n".encode())


def write_table(frame: pd.DataFrame, path: Path) -> None:
    """Write a CSV of six figures.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    text = frame.to_csv(index=False, float_format="%.6g", lineterminator="\n")
    write(path, text.encode())


def read_document(folder: Path) -> dict[str, Any]:
    """Return the document of a result folder; ``schema`` says of which kind it is.

    Raises
    ------
    InputError
        If the folder has none, or one of no known kind.
    """
    path = folder / RESULT
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder; give a folder that wallsim has written")
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(
            f"{folder}: has no {RESULT}; give a folder that wallsim has written"
        ) from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read ({error}); run the command again") from error
    schema = document.get("schema") if isinstance(document, dict) else None
    if not isinstance(schema, str) or schema not in NEEDED:
        raise InputError(
            f"{path}: schema: must be {' or '.join(NEEDED)} (got {schema!r}); "
            "render it with the version that wrote it, or run the command again"
        )
    lacking = [key for key in NEEDED[schema] if key not in document]
    if lacking:
        raise InputError(f"{path}: has no {', '.join(lacking)}; run the command again")
    return dict(document)


def read_traces(
    document: Document, folder: Path, place: str = "traces"
) -> dict[str, pd.DataFrame]:
    """Return the traces of every run of ``document``, which are in the folder ``place``.

    Raises
    ------
    InputError
        If a file of traces is missing or is not one.
    """
    traces = {}
    for name, stem in file_stems(document["runs"]).items():
        path = folder / place / f"{stem}.csv"
        try:
            frame = pd.read_csv(path)
        except FileNotFoundError:
            raise InputError(
                f"{folder}: {place}/{path.name} of run {name} is missing; run the command again"
            ) from None
        except (OSError, ValueError) as error:
            raise InputError(f"{path}: cannot be read ({error}); run the command again") from error
        if TIME not in frame.columns:
            raise InputError(f"{path}: has no column {TIME}; run the command again")
        traces[name] = frame
    return traces


def sensors_of(frame: pd.DataFrame) -> list[str]:
    """Return the sensors that a frame of traces has, in its order."""
    ending = " measured [K]"
    return [str(c).removesuffix(ending) for c in frame.columns if str(c).endswith(ending)]
