"""Line numbers of the keys of a TOML text, which the standard reader does not keep."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass, field

KeyPath = tuple[str | int, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL
)
_SCALAR = re.compile(r"[^,\]}\n#]+")


@dataclass(slots=True)
class _Scanner:
    """Walks a text once, noting the line on which each key path stands."""

    text: str
    position: int = 0
    lines: dict[KeyPath, int] = field(default_factory=dict)
    repeated: list[tuple[KeyPath, int, int]] = field(default_factory=list)
    lengths: dict[KeyPath, int] = field(default_factory=dict)

    @property
    def line(self) -> int:
        return self.text.count("\n", 0, self.position) + 1

    def at(self, piece: str) -> bool:
        return self.text.startswith(piece, self.position)

    def skip(self, blanks: str) -> None:
        """Pass over blanks and, where a line may end, comments."""
        while self.position < len(self.text):
            if self.text[self.position] in blanks:
                self.position += 1
            elif self.at("#") and "\n" in blanks:
                end = self.text.find("\n", self.position)
                self.position = len(self.text) if end < 0 else end
            else:
                return

    def match(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.position)
        if found is None:
            raise ValueError(f"line {self.line}")
        self.position = found.end()
        return found.group()

    def key(self) -> tuple[str, ...]:
        """Return a dotted key and pass over it."""
        parts: list[str] = []
        while True:
            self.skip(" \t")
            quoted = self.at('"') or self.at("'")
            parts.append(self.match(_STRING)[1:-1] if quoted else self.match(_BARE_KEY))
            self.skip(" \t")
            if not self.at("."):
                return tuple(parts)
            self.position += 1

    def note(self, path: KeyPath, line: int, *, once: bool = True) -> None:
        if once and path in self.lines:
            self.repeated.append((path, self.lines[path], line))
        for n in range(1, len(path) + 1):
            self.lines.setdefault(path[:n], line)

    def within(self, base: KeyPath, parts: tuple[str, ...]) -> KeyPath:
        """Return ``base`` and ``parts`` with the index of the last table of each array."""
        path = base
        for part in parts:
            path = (*path, part)
            if path in self.lengths:
                path = (*path, self.lengths[path] - 1)
        return path

    def header(self) -> KeyPath:
        line, many = self.line, self.at("[[")
        self.position += 2 if many else 1
        parts = self.key()
        self.position += 2 if many else 1
        if not many:
            path = self.within((), parts)
            self.note(path, line, once=False)
            return path
        array: KeyPath = (*self.within((), parts[:-1]), parts[-1])
        index = self.lengths.get(array, 0)
        self.lengths[array] = index + 1
        self.note((*array, index), line)
        return (*array, index)

    def pair(self, table: KeyPath) -> None:
        line = self.line
        path = (*table, *self.key())
        if not self.at("="):
            raise ValueError(f"line {self.line}")
        self.position += 1
        self.note(path, line)
        self.skip(" \t")
        self.value(path)

    def value(self, path: KeyPath) -> None:
        self.lines.setdefault(path, self.line)
        if self.at('"') or self.at("'"):
            self.match(_STRING)
        elif self.at("[") or self.at("{"):
            self.collection(path, "]" if self.at("[") else "}")
        else:
            self.match(_SCALAR)

    def collection(self, path: KeyPath, closing: str) -> None:
        self.position += 1
        index = 0
        while True:
            self.skip(" \t\r\n,")
            if self.at(closing):
                self.position += 1
                return
            if closing == "]":
                self.value((*path, index))
                index += 1
            else:
                self.pair(path)

    def document(self) -> None:
        table: KeyPath = ()
        while True:
            self.skip(" \t\r\n")
            if self.position >= len(self.text):
                return
            if self.at("["):
                table = self.header()
            else:
                self.pair(table)


def scan(text: str) -> tuple[dict[KeyPath, int], list[tuple[KeyPath, int, int]]]:
    """Return the line of every key path and the keys written twice, counting from 1.

    Parameters
    ----------
    text : str
        TOML. Where it is not, the scan ends there without complaint.

    Returns
    -------
    lines : dict
        ``("sensor", 2, "z")`` to its line; tables and elements of arrays are listed as well.
    repeated : list of (path, first line, later line)
    """
    scanner = _Scanner(text)
    with suppress(ValueError):
        scanner.document()
    return scanner.lines, scanner.repeated
