"""A TOML file with its line numbers: reading, checking against a schema, located faults.

Every fault reads ``file:line: key: what is wrong (got X); what to do``.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar, get_origin

from pydantic import BaseModel, ValidationError

from wallsim.errors import CaseError
from wallsim.file_kinds import TAKES, beside, is_prose, is_record, not_text, other_kind
from wallsim.toml_lines import KeyPath, scan

Model = TypeVar("Model", bound=BaseModel)

EXTRA = "extra_forbidden"
"""What the schema library calls a key it does not know."""


def shown(value: object) -> str:
    """Return a value as it would stand in the file, shortened."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, dict):
        text = "a table"
    elif isinstance(value, list):
        text = f"a list of {len(value)}" if value and isinstance(value[0], dict) else repr(value)
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word most like ``word``, None if none resembles it."""
    by_lower = {name.lower(): name for name in known}
    found = difflib.get_close_matches(word.lower(), list(by_lower), n=1, cutoff=0.5)
    return by_lower[found[0]] if found else None


def advice(word: str, known: Iterable[str], what: str) -> str:
    """Return what to write instead of an unknown word: the nearest, and all that there are."""
    names = list(known)
    near = nearest(word, names)
    listing = f"{what}: {', '.join(names)}" if names else f"{what}: none"
    return f'did you mean "{near}"? {listing}' if near else listing


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with a file.

    Parameters
    ----------
    place : tuple of str and int
        Key path.
    line : int
        Of the file, counting from 1.
    text : str
        ``file:line: key: what is wrong (got X); what to do``.
    """

    place: KeyPath
    line: int
    text: str


@dataclass(frozen=True, slots=True)
class Source:
    """A TOML file as read.

    Parameters
    ----------
    path : Path
        As the user gave it.
    data : dict
    lines : dict of key path to int
        Line of each key, counting from 1.
    """

    path: Path
    data: dict[str, Any]
    lines: dict[KeyPath, int]

    @classmethod
    def of(cls, path: Path, what: str) -> Source:
        """Return the file at ``path``; ``what`` names its kind in messages.

        Raises
        ------
        CaseError
            If it cannot be read, is not TOML, or is of another kind.
        """
        try:
            content = path.read_bytes()
            if kind := not_text(content):
                raise CaseError(f"{path}: looks like {kind}, not a {what}; name the {what}")
            text = content.decode("utf-8-sig").replace("\r\n", "\n")
        except FileNotFoundError:
            raise CaseError(f"{path}: no such {what}; {beside(path) or 'check the path'}") from None
        except IsADirectoryError:
            raise CaseError(f"{path}: is a folder; name the {what} in it") from None
        except UnicodeDecodeError as error:
            line = error.object[: error.start].count(b"\n") + 1
            raise CaseError(f"{path}:{line}: not UTF-8 text; save the {what} as UTF-8") from error
        except OSError as error:
            raise CaseError(f"{path}: cannot be read: {error.strerror}") from error
        lines, repeated = scan(text)
        try:
            data = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            if is_record(text):
                raise CaseError(f"{path}: a table of numbers, as logs are, not a {what}; name the "
                                "log in a [[run]] of a case file, and give that") from error
            if is_prose(path, text):
                raise CaseError(f"{path}: looks like text, not a {what}; name the {what}, which "
                                "ends in .toml") from error
            raise CaseError(_syntax_faults(path, text, str(error), lines, repeated)) from error
        source = cls(path, data, lines)
        if other := other_kind(data, what):
            place, kind = other
            raise CaseError(source.fault(place, f"makes this a {kind}, not a {what}", None,
                                         TAKES[kind]).text)
        return source

    def line(self, path: Sequence[str | int]) -> int:
        """Return the line of a key, or of the nearest table above it."""
        for n in range(len(path), 0, -1):
            if (line := self.lines.get(tuple(path[:n]))) is not None:
                return line
        return 1

    def fault(
        self, path: Sequence[str | int], wrong: str, got: object = None, hint: str = ""
    ) -> Fault:
        """Return one located fault."""
        seen = "" if got is None else f" (got {shown(got)})"
        todo = f"; {hint}" if hint else ""
        line = self.line(path)
        text = f"{self.path}:{line}: {self.key(path)}: {wrong}{seen}{todo}"
        return Fault(tuple(path), line, text)

    def key(self, path: Sequence[str | int]) -> str:
        """Return a key path for people: ``sensor[TC3].z``."""
        words = ""
        for n, part in enumerate(path):
            if isinstance(part, str):
                words += f".{part}" if words else part
            else:
                words += f"[{self._name(path[: n + 1]) or part + 1}]"
        return words

    def _name(self, path: Sequence[str | int]) -> str | None:
        item: Any = self.data
        try:
            for part in path:
                item = item[part]
            name = item["name"]
        except (KeyError, IndexError, TypeError):
            return None
        return name if isinstance(name, str) else None

    def validate(self, model: type[Model]) -> tuple[Model | None, list[Fault]]:
        """Return the content checked against a schema, or None with every fault found."""
        try:
            return model.model_validate(self.data), []
        except ValidationError as error:
            return None, self.faults_of(model, error)

    def faults_of(self, model: type[BaseModel], error: ValidationError) -> list[Fault]:
        """Return what a schema refused; a missing key that is there misspelt is one fault."""
        items: list[dict[str, Any]] = [dict(item) for item in error.errors(include_url=False)]
        meant = {meant_key(model, item["loc"]) for item in items if item["type"] == EXTRA}
        return [
            self._translate(model, item)
            for item in items
            if not (item["type"] == "missing" and item["loc"] in meant)
        ]

    def _translate(self, model: type[BaseModel], item: dict[str, Any]) -> Fault:
        path, kind, got = item["loc"], str(item["type"]), item.get("input")
        if kind == "missing":
            examples = fields(model, path[:-1])[str(path[-1])].examples
            written = f"add it, for example {examples[0]}" if examples else "add it"
            return self.fault(path, "missing", hint=written)
        if kind == EXTRA:
            known = fields(model, path[:-1])
            todo = advice(str(path[-1]), known, "known here")
            return self.fault(path, "unknown key", path[-1], todo)
        if kind == "literal_error":
            words = re.findall(r"'([^']*)'", str(item["ctx"]["expected"]))
            todo = advice(str(got), words, "known")
            if not all(word.isalpha() for word in words):
                some = "one of " if len(words) > 1 else ""
                todo = f"write {some}" + ", ".join(f'"{word}"' for word in words)
            return self.fault(path, "not one of the choices", got, todo)
        if kind == "model_type" and path[-1] in fields(model, path):
            table = self.key(path[:-1])
            return self.fault(path, f"stands outside a table [{table}.NAME]", got, "give it a name")
        text = _plain_words(kind, str(item["msg"]), path, item.get("ctx") or {})
        wrong, _, hint = text.partition("; ")
        return self.fault(path, wrong, got, _own_hint(model, path, kind, hint))


def _own_hint(model: type[BaseModel], path: KeyPath, kind: str, hint: str) -> str:
    """Return what to write, by the example or the default of the key itself if it has any."""
    info = fields(model, path[:-1]).get(str(path[-1]))
    if info is None:
        return hint
    written = str(info.examples[0]) if info.examples else ""
    if kind in ("dict_type", "list_type") and written:
        return f"write {written}"
    if hint.startswith("write it like"):
        if written:
            return f"write it like {written.partition(' = ')[2]}"
        if isinstance(info.default, str) and info.default[:1].isdigit():
            return f'write it like "{info.default}"'
    return hint


def _plain_words(kind: str, message: str, path: KeyPath, context: dict[str, Any]) -> str:
    name = ".".join(part for part in path if isinstance(part, str))
    key = path[-1] if path else ""
    words = {
        "string_type": "must be text; put it in quotes",
        "list_type": f"must be a list; write [[{name}]] with double brackets, or [ ... ]",
        "dict_type": f"must be a table; write [{name}], or {key} = {{ ... }}",
        "model_type": f"must be a table; write [{name}], or {key} = {{ ... }}",
        "int_type": "must be a whole number; write it without quotes",
        "int_parsing": "must be a whole number; write it without quotes",
        "int_from_float": "must be a whole number",
        "bool_type": "must be true or false; write it without quotes",
        "bool_parsing": "must be true or false; write it without quotes",
        "float_type": "must be a number; write it without quotes",
        "too_short": "is empty; add at least one",
        "greater_than_equal": f"must be {context.get('ge')} or more; correct the number",
        "less_than_equal": f"must be {context.get('le')} or less; correct the number",
        "string_pattern_mismatch": "is empty; write a text, or remove the key",
    }
    return words.get(kind, message.removeprefix("Value error, "))


def meant_key(model: type[BaseModel], path: KeyPath) -> KeyPath:
    """Return the path of the known key most like an unknown one, or the path itself."""
    near = nearest(str(path[-1]), fields(model, path[:-1]))
    return path if near is None else (*path[:-1], near)


def fields(model: type[BaseModel], path: KeyPath) -> dict[str, Any]:
    """Return the fields of the schema that stands at a key path, by the name in the file."""
    at: type[BaseModel] | None = model
    named = False
    for part in path:
        if isinstance(part, int) or named:
            named = False
            continue
        field = None if at is None else _by_key(at).get(part)
        if field is None:
            return {}
        at, named = _model_in(field.annotation), get_origin(field.annotation) is dict
    return {} if at is None else _by_key(at)


def is_named(model: type[BaseModel], path: KeyPath) -> bool:
    """Return whether tables with names of the user's stand at a key path."""
    return get_origin(fields(model, path[:-1])[str(path[-1])].annotation) is dict


def _by_key(model: type[BaseModel]) -> dict[str, Any]:
    return {info.alias or name: info for name, info in model.model_fields.items()}


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the schema inside ``list[X]``, ``dict[str, X]``, ``X | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        if (found := _model_in(inner)) is not None:
            return found
    return None


def _syntax_faults(
    path: Path,
    text: str,
    message: str,
    lines: dict[KeyPath, int],
    repeated: list[tuple[KeyPath, int, int]],
) -> list[str]:
    """Return what the TOML reader refused, in words that name the key."""
    named = Source(path, {}, lines)
    where = re.search(r"\(at line (\d+), column \d+\)", message)
    number = int(where[1]) if where else text.count("\n") + 1
    again = re.search(r"overwrite|declare|mutate|redefine|duplicate", message, re.IGNORECASE)
    if again and repeated:
        return [
            f"{path}:{later}: {named.key(key)}: written twice (first at line {first}); keep one"
            for key, first, later in repeated
        ]
    rows = text.split("\n")
    row = rows[min(number, len(rows)) - 1].strip()
    key = row.split("=")[0].strip() if "=" in row else row.split("#")[0].strip()
    wrong = (
        message[: where.start()].strip() if where else message.removesuffix(" (at end of document)")
    )
    if again:
        hint = "write every such header with double brackets" if "[[" in row else "keep one"
        return [f"{path}:{number}: {key}: written twice (got {row}); {hint}"]
    loose = re.match(r"[^=]+=\s*([^\"'\[{\s#][^\"'#]*)", row)
    blank = re.fullmatch(r"(\[+\s*[\w-]+\.)([\w-]+(?:\s+[\w-]+)+)(\s*\]+)", row)
    if loose:
        hint = f'; text goes in quotes, as in {key} = "{loose[1].strip()}"'
    elif blank:
        hint = f'; a name with blanks goes in quotes, as in {blank[1]}"{blank[2]}"{blank[3]}'
    elif "\\" in row:
        hint = "; write paths with /"
    else:
        hint = "; check quotes, brackets and commas here and on the line before"
    return [f"{path}:{number}: {key or 'file'}: not valid TOML: {wrong} (got {row}){hint}"]
