"""How the text of a log is laid out: encoding, comments, header, delimiter, decimal sign."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from dataclasses import dataclass

from wallsim.case.model import LogFormat
from wallsim.errors import LogError
from wallsim.logs.clock import is_date, is_stamp
from wallsim.logs.columns import Heading, find_unit, is_no_reading, is_number, split_heading

DELIMITER_WORDS = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "blanks"}
_TOLD_DELIMITERS = {
    "tab": "\t", "\\t": "\t", "semicolon": ";", "comma": ",", "blank": " ", "blanks": " ",
    "space": " ", "spaces": " ", "whitespace": " ",
}  # fmt: skip
_COMMENT = re.compile(r"\s*(?:#|%|//|;)")
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NOT_TEXT = (
    (b"PK\x03\x04", "a workbook or an archive"),
    (b"\xd0\xcf\x11\xe0", "an old workbook"),
    (b"TDSm", "a binary recorder file"),
    (b"\x1f\x8b", "a compressed file"),
    (b"\x89HDF", "a binary data file"),
)
_SAMPLE = 400


@dataclass(frozen=True, slots=True)
class Layout:
    """A log's text taken apart.

    Parameters
    ----------
    encoding, delimiter, decimal : str
    headings : tuple of Heading
        One a column.
    header_row : int
        Line number of the names.
    rows : tuple of int
        Line number of each scan.
    lines : tuple of str
        Text of each scan, delimiter as given (a tab where the file is laid out with blanks).
    remarks : tuple of str
        What was left out, in words.
    """

    encoding: str
    delimiter: str
    decimal: str
    headings: tuple[Heading, ...]
    header_row: int
    rows: tuple[int, ...]
    lines: tuple[str, ...]
    remarks: tuple[str, ...]


def decode(data: bytes, encoding: str | None, name: str) -> tuple[str, str]:
    """Return the text of a log and its encoding.

    Parameters
    ----------
    data : bytes
    encoding : str or None
        None to find it out: byte order mark, else UTF-8, UTF-16 or Windows-1252.
    name : str
        Name of the file, for messages.

    Raises
    ------
    LogError
        If this is no text, or not in the encoding told.
    """
    for magic, what in _NOT_TEXT:
        if data.startswith(magic):
            raise LogError(f"{name}: this is {what}, not text; export the log as CSV")
    bom = next((enc for mark, enc in _BOMS if data.startswith(mark)), None)
    if encoding is None:
        encoding = bom or _guess_encoding(data)
    elif bom == "utf-8-sig" and encoding.casefold().replace("-", "") == "utf8":
        encoding = bom
    try:
        text = data.decode(encoding)
    except LookupError as error:
        raise LogError(f"{name}: no encoding is called {encoding!r}; try utf-8") from error
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        raise LogError(
            f"{name}:{row}: not {encoding} text (byte {data[error.start]:#04x}); "
            f"state the encoding of the logs, or leave it out to have it found"
        ) from error
    return text.lstrip("\ufeff").rstrip("\x00"), encoding


def _guess_encoding(data: bytes) -> str:
    head = data[:4000]
    if head.count(0) > len(head) // 4:
        return "utf-16-le" if head[1::2].count(0) > head[::2].count(0) else "utf-16-be"
    for encoding in ("utf-8", "cp1252"):
        try:
            data.decode(encoding)
        except UnicodeDecodeError:
            continue
        return encoding
    return "latin-1"


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the trimmed entries of one line."""
    if delimiter == " ":
        return re.split(r"\s+(?![\[(])(?![^\[(]*[\])])", line.strip())
    if '"' in line:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter))]
    return [cell.strip() for cell in line.split(delimiter)]


def _is_scan(cells: list[str]) -> bool:
    """Return True for a row of numbers: first entry a number or a time, half of them at least."""
    filled = [cell for cell in cells if cell]
    if len(cells) < 2 or not filled or not _opens_scan(cells[0]):
        return False
    fits = sum(is_number(c) or is_no_reading(c) or is_stamp(c) or is_date(c) for c in filled)
    return 2 * fits > len(filled) and any(is_number(c) for c in filled)


def _opens_scan(cell: str) -> bool:
    return is_number(cell) or is_stamp(cell) or is_date(cell)


def _choose_delimiter(lines: list[str], told: str | None) -> tuple[str, int]:
    """Return the delimiter and the number of entries that make most lines rows of numbers."""
    if told is not None:
        candidates = [_TOLD_DELIMITERS.get(told.strip().casefold(), told)]
    else:
        candidates = ["\t", ";", ",", " "]
    best = ("", 0, 0)
    for delimiter in candidates:
        rows = (split_line(line, delimiter) for line in lines)
        counts = Counter(len(cells) for cells in rows if _is_scan(cells))
        if counts:
            size, hits = counts.most_common(1)[0]
            if hits > best[2]:
                best = (delimiter, size, hits)
    return best[0], best[1]


def _choose_decimal(lines: list[str], delimiter: str) -> str:
    commas = points = 0
    for line in lines:
        for cell in split_line(line, delimiter):
            if is_number(cell):
                commas += "," in cell
                points += "." in cell
    return "," if commas > points else "."


def _header_cells(line: str, delimiter: str, size: int) -> list[str] | None:
    """Return the entries of a line if it can head ``size`` columns."""
    for text in (line, re.sub(r"^\s*(?:#+|%+|//+|;+)\s*", "", line)):
        cells = split_line(text, delimiter)
        if delimiter == " " and len(cells) != size:
            cells = re.split(r"\s{2,}|\t", text.strip())
        if len(cells) == size + 1 and not cells[-1]:
            cells = cells[:-1]
        if len(cells) == size - 1 and size > 2:
            cells = [*cells, ""]
        if len(cells) == size and sum(bool(cell) for cell in cells) * 2 > size:
            return cells
    return None


def _is_unit_row(cells: list[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return 2 * sum(find_unit(cell) is not None for cell in filled) > len(filled)


def _find_header(
    before: list[tuple[int, str]], delimiter: str, size: int
) -> tuple[int, list[str], list[str]] | None:
    """Return line number, names and units of the header among the lines before the first scan."""
    for comments in (False, True):
        units: list[str] = []
        for row, line in reversed(before):
            if _is_comment(line, delimiter, size) is not comments:
                continue
            cells = _header_cells(line, delimiter, size)
            if cells is None or _is_scan(cells):
                continue
            if not units and _is_unit_row(cells):
                units = cells
                continue
            return row, cells, units or [""] * size
    return None


def find_layout(text: str, encoding: str, told: LogFormat, name: str) -> Layout:
    """Return how a log is laid out.

    Parameters
    ----------
    text : str
        The whole file.
    encoding : str
        Carried over.
    told : LogFormat
        What the user stated; the rest is found out.
    name : str
        Name of the file, for messages.

    Raises
    ------
    LogError
        If there is nothing in it, no rows of numbers, no header, or rows of uneven length.
    """
    numbered = [(at, line) for at, line in enumerate(text.splitlines(), 1) if line.strip()]
    plain = [(at, line) for at, line in numbered if not _is_comment(line)]
    if not plain:
        raise LogError(f"{name}: the log is empty; check that the recorder wrote it")
    sample = [line for _, line in plain[:_SAMPLE]]
    delimiter, size = _choose_delimiter(sample, told.delimiter)
    if not delimiter:
        raise _no_scans(plain, name)
    split = ((at, split_line(line, delimiter)) for at, line in plain)
    first = next(at for at, cells in split if len(cells) == size and _is_scan(cells))
    header = _find_header([item for item in numbered if item[0] < first], delimiter, size)
    if header is None:
        raise _no_header(numbered, first, delimiter, size, name)
    scans, again = _without_headers(
        [(at, line) for at, line in numbered
         if at >= first and not _is_comment(line, delimiter, size)], delimiter, header[1:]
    )
    rows, lines, remarks = _scans(scans, delimiter, size, name)
    remarks = (*again, *remarks)
    decimal = told.decimal or _choose_decimal(sample, delimiter)
    headings = tuple(split_heading(*pair) for pair in zip(header[1], header[2], strict=True))
    return Layout(encoding, delimiter, decimal, headings, header[0], rows, lines, remarks)


def _no_header(
    numbered: list[tuple[int, str]], first: int, delimiter: str, size: int, name: str
) -> LogError:
    """Return the fault of scans without a header; decimal commas between commas are told."""
    above = [(row, _names(split_line(line, delimiter))) for row, line in numbered if row < first]
    row, names = max(above, key=lambda item: item[1], default=(0, 0))
    if delimiter == "," and names > 1 and names < size <= 2 * names:
        return LogError(
            f"{name}:{first}: {size} entries for the {names} names in line {row}: commas within "
            f"numbers cannot be told from commas between them; export with semicolons between "
            f"entries, or with decimal points"
        )
    return LogError(
        f"{name}:{first}: no header above the first scan with a name for each of the {size} "
        f"columns; add a line like 'time [s]{_shown(delimiter)}PC [bar]{_shown(delimiter)}...'"
    )


def _names(cells: list[str]) -> int:
    """Return how many entries a line of names has; 0 if most are none."""
    filled = [cell for cell in cells if cell]
    words = [cell for cell in filled if any(letter.isalpha() for letter in cell)]
    return len(filled) if 2 * len(words) > len(filled) else 0


def _no_scans(plain: list[tuple[int, str]], name: str) -> LogError:
    """Return the fault of a file without rows of numbers: a header alone, or unknown columns."""
    row, text = plain[0]
    start = f"line {row} reads {text[:40]!r}"
    if not any(re.search(r"\d[.,]\d|^\s*[+-]?\d|[\t;,]\s*\d", line) for _, line in plain[:_SAMPLE]):
        count = f"{len(plain)} line{'s' if len(plain) > 1 else ''} of text"
        return LogError(
            f"{name}:{row}: {count} but no scan below ({start}); check that the recorder ran "
            f"through the firing and that the export is whole"
        )
    for at, line in plain[:_SAMPLE]:
        for delimiter in DELIMITER_WORDS:
            cells = split_line(line, delimiter)
            if sum(map(is_number, cells)) > max(1, len(cells) // 2):
                return LogError(
                    f"{name}:{at}: scans must begin with their time or a number (got "
                    f"{cells[0]!r}); export the log without that column, or put it last"
                )
    return LogError(
        f"{name}:{row}: no row of at least two numbers in the first {min(len(plain), _SAMPLE)} "
        f"lines ({start}); state the delimiter of the logs"
    )


def _without_headers(
    items: list[tuple[int, str]], delimiter: str, header: tuple[list[str], list[str]]
) -> tuple[list[tuple[int, str]], tuple[str, ...]]:
    """Return the rows less those that repeat names or units or hold nothing, and a remark."""
    known = [[cell for cell in cells if cell] for cells in header if any(cells)]
    kept, again = [], []
    for row, line in items:
        if re.match(r"\s*[\"']?[+-]?\d", line):
            kept.append((row, line))
            continue
        cells = [cell for cell in split_line(line, delimiter) if cell]
        if cells and cells not in known:
            kept.append((row, line))
        elif cells:
            again.append(str(row))
    if not again:
        return kept, ()
    lines = f"lines {', '.join(again[:4])}" if len(again) > 1 else f"line {again[0]}"
    more = f" and {len(again) - 4} more" if len(again) > 4 else ""
    return kept, (f"{lines}{more}: header repeated, left out",)


def _is_comment(line: str, delimiter: str = "", size: int = 0) -> bool:
    """Return whether a line is a comment; none is that has ``size`` entries, the first empty."""
    if delimiter and line.lstrip().startswith(delimiter) and line.count(delimiter) == size - 1:
        return False
    return _COMMENT.match(line) is not None


def _shown(delimiter: str) -> str:
    return delimiter if delimiter in ";," else " "


def _scans(
    items: list[tuple[int, str]], delimiter: str, size: int, name: str
) -> tuple[tuple[int, ...], tuple[str, ...], tuple[str, ...]]:
    """Return line numbers and texts of the scans, and remarks on a torn end.

    Raises
    ------
    LogError
        If a row between others has another number of entries.
    """
    lengths = [_count(line, delimiter, size) for _, line in items]
    last = len(items)
    while last and (lengths[last - 1] != size or _closes(items[last - 1][1], delimiter)):
        last -= 1
    for (row, _), length in zip(items[:last], lengths[:last], strict=True):
        if length != size:
            raise LogError(
                f"{name}:{row}: {length} entries where the other rows have {size}; "
                f"repair or delete the row"
            )
    remarks: tuple[str, ...] = ()
    if last < len(items):
        count = len(items) - last
        remarks = (f"line {items[last][0]}: {count} torn or closing row(s) at the end left out",)
    kept = items[:last]
    if delimiter == " ":
        texts = tuple("\t".join(line.split()) for _, line in kept)
    else:
        texts = tuple(line for _, line in kept)
    return tuple(row for row, _ in kept), texts, remarks


def _closes(line: str, delimiter: str) -> bool:
    """Return True for a closing row such as ``Max;9;500``: it opens with a word, not a time."""
    first = split_line(line, delimiter)[0]
    return not _opens_scan(first) and any(letter.isalpha() for letter in first)


def _count(line: str, delimiter: str, size: int) -> int:
    """Return the number of entries of a line, the quick way where it will do."""
    if delimiter == " ":
        return len(line.split())
    if '"' in line or line.count(delimiter) != size - 1:
        return len(split_line(line, delimiter))
    return size
