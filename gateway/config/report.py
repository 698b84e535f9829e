"""What is wrong with a configuration: problems, and the one error that carries all of them.

A problem says which file, line and key, what was given, what is allowed and what to do. Secrets
are never shown. Nothing here reads a file.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any, Final

__all__ = [
    "ConfigurationFaults",
    "Level",
    "Problem",
    "by_file",
    "has_errors",
    "ordered",
    "printable",
]


_LIMITS: Final = {"key": 300, "what": 700, "given": 200, "allowed": 1500, "todo": 700}
"""Characters of each part of a problem that are shown."""


def printable(text: str, limit: int) -> str:
    """At most ``limit`` characters on one line; controls are written as escapes."""
    cut = text[: limit - 1] + "…" if len(text) > limit else text
    if cut.isprintable():
        return cut
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in cut)


class Level(StrEnum):
    """Whether a problem stops the program or only deserves a look."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong in one place.

    ``file`` is relative to the configuration directory; ``key`` is the key's path
    (``units[2] (ac-3).basin.overflow_mm``) or empty where the whole file is meant; ``line`` is
    None where it cannot be told. ``given`` shows the value, never a secret. ``allowed`` and
    ``todo`` are plain sentences, empty where ``what`` already says it. ``excerpt`` is a line of an
    expression with carets below what is meant, empty where there is none.
    """

    file: str
    key: str
    what: str
    given: str = ""
    allowed: str = ""
    todo: str = ""
    line: int | None = None
    level: Level = Level.ERROR
    excerpt: str = ""

    def __post_init__(self) -> None:
        """Whatever was quoted from a file, the text is short and a terminal can take it."""
        for name, limit in _LIMITS.items():
            object.__setattr__(self, name, printable(getattr(self, name), limit))

    def __str__(self) -> str:
        """The problem on one line."""
        place = self.file if self.line is None else f"{self.file}, line {self.line}"
        parts = [f"{place}: {self.key}: {self.what}" if self.key else f"{place}: {self.what}"]
        if self.given:
            parts.append(f"Given: {self.given}.")
        if self.allowed:
            parts.append(f"Allowed: {self.allowed}.")
        if self.todo:
            parts.append(self.todo)
        return " ".join(parts)

    def to_json(self) -> dict[str, Any]:
        """The problem as plain JSON data."""
        return asdict(self)


def ordered(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """The problems by file, errors before warnings, then by line; each once."""
    unique = dict.fromkeys(problems)
    return tuple(
        sorted(unique, key=lambda p: (p.file, p.level is Level.WARNING, p.line or 0, p.key))
    )


def by_file(problems: Iterable[Problem]) -> dict[str, list[Problem]]:
    """The problems grouped by file, in their order."""
    groups: dict[str, list[Problem]] = {}
    for problem in problems:
        groups.setdefault(problem.file, []).append(problem)
    return groups


def has_errors(problems: Iterable[Problem]) -> bool:
    """Whether any of them stops the program."""
    return any(p.level is Level.ERROR for p in problems)


class ConfigurationFaults(ValueError):
    """Everything that is wrong with a configuration, of all files at once.

    ``problems`` also holds the warnings, so that one look shows all there is to do.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        """All problems that were found, warnings among them."""
        self.problems = ordered(problems)
        errors = [p for p in self.problems if p.level is Level.ERROR]
        head = "1 problem" if len(errors) == 1 else f"{len(errors)} problems"
        lines = [f"{head} in the configuration:", *(f"  {p}" for p in errors)]
        super().__init__("\n".join(lines))
