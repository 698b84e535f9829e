"""Reading the configuration's files: each one is read once, bounded, and told apart from junk.

What cannot be read or is not TOML becomes a problem; the reader never raises for what a file holds.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from datetime import date, datetime, time
from functools import cached_property
from pathlib import Path
from typing import Any, Final

from gateway.config.positions import Path as KeyPath
from gateway.config.positions import find_line, key_lines
from gateway.config.report import Problem

__all__ = ["MAX_BYTES", "MAX_DEPTH", "MAX_LINE", "Document", "why_unreadable"]

MAX_BYTES: Final = 1024 * 1024
"""A configuration file larger than 1 MiB is a mistake: a real one has a few kilobytes a unit."""

MAX_LINE: Final = 20_000
"""Characters in one line: the parser's time grows with the square of a dotted key's length."""

MAX_DEPTH: Final = 20
"""No configuration file needs tables nested deeper."""

_SYNTAX_PLACE: Final = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


@dataclass(frozen=True)
class Document:
    """One file as read: ``data`` is None where it could not be read or parsed."""

    name: str
    data: dict[str, Any] | None
    problems: tuple[Problem, ...] = ()
    text: str = field(default="", repr=False)

    @cached_property
    def _lines(self) -> dict[KeyPath, int]:
        """Found only when something is wrong: a good fleet need not pay for it."""
        return key_lines(self.text)

    def line(self, path: KeyPath) -> int | None:
        """The line on which the key stands, or the nearest table around it."""
        return find_line(self._lines, path)

    @classmethod
    def read(cls, path: Path, name: str) -> Document:
        """The file at ``path``, called ``name`` in problems."""
        try:
            with path.open("rb") as stream:
                raw = stream.read(MAX_BYTES + 1)
        except OSError as error:
            return cls._refused(name, f"cannot be read: {why_unreadable(error)}")
        if len(raw) > MAX_BYTES:
            return cls._refused(
                name,
                "is larger than 1 MiB, so it was not read",
                todo="Check that it is the right file, or split it: one site a file.",
            )
        try:
            text = raw.decode("utf-8-sig").replace("\r\n", "\n")
        except UnicodeDecodeError as error:
            line = raw.count(b"\n", 0, error.start) + 1
            return cls._refused(
                name,
                f"is not text in UTF-8 (byte 0x{raw[error.start]:02x} at offset {error.start})",
                line=line,
                todo="Save it as UTF-8 with a text editor, or remove it.",
            )
        return cls._parse(name, text)

    @classmethod
    def _parse(cls, name: str, text: str) -> Document:
        for number, line_text in enumerate(text.split("\n"), start=1):
            if len(line_text) > MAX_LINE:
                return cls._refused(
                    name,
                    f"has a line of {len(line_text)} characters",
                    line=number,
                    todo="Look for a line that was damaged or pasted by mistake.",
                )
        try:
            data = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            what = str(error)
            line: int | None = text.count("\n") + 1
            if place := _SYNTAX_PLACE.search(what):
                what = what[: place.start()]
                if place[1]:
                    line = int(place[1])
                    what += f", column {place[2]}"
                else:
                    what += ", at the end of the file"
            return cls._refused(
                name,
                f"is not valid TOML: {what[:1].lower()}{what[1:]}",
                line=line,
                todo="Correct the line: 'key = value', text in \"double quotes\", "
                "each key once in its table.",
            )
        except (ValueError, RecursionError):
            # tomllib lets these two out for an integer of thousands of digits and for deep nesting
            return cls._refused(
                name,
                "is not usable TOML: a number is too long or brackets are nested too deep",
                todo="Look for a line that was damaged or pasted by mistake.",
            )
        if _deeper_than(data, MAX_DEPTH):
            return cls._refused(
                name,
                f"has tables nested deeper than {MAX_DEPTH} levels",
                todo="Look for a line that was damaged or pasted by mistake.",
            )
        return cls(name, _plain(data), (), text)

    @classmethod
    def _refused(cls, name: str, what: str, line: int | None = None, todo: str = "") -> Document:
        return cls(name, None, (Problem(name, "", f"the file {what}.", line=line, todo=todo),))


def why_unreadable(error: OSError) -> str:
    """The operating system's reason in words that say what to do."""
    match error:
        case FileNotFoundError():
            return "it does not exist"
        case PermissionError():
            return "permission denied; let the user that runs basinward read it"
        case IsADirectoryError():
            return "it is a directory, not a file"
        case NotADirectoryError():
            return "a part of its path is a file, not a directory"
        case _:
            return (error.strerror or type(error).__name__).lower()


def _deeper_than(data: dict[str, Any], limit: int) -> bool:
    level: list[Any] = [data]
    for _ in range(limit):
        level = [
            child
            for item in level
            for child in (item.values() if isinstance(item, dict) else item)
            if isinstance(child, dict | list)
        ]
        if not level:
            return False
    return True


def _plain(value: Any) -> Any:
    """Dates as text: a bare date in TOML is how most people will write ``commissioned``."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_plain(v) for v in value]
    if isinstance(value, date | time | datetime):
        return value.isoformat()
    return value
