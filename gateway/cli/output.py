"""What commands share: consoles, times, ends with a sentence and a status."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, NoReturn

import typer
from rich.cells import cell_len
from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    # The package of the configuration takes a while to import, and not every command needs it.
    from gateway.config.report import Problem

__all__ = [
    "clean",
    "errors",
    "fail",
    "out",
    "print_json",
    "print_problems",
    "print_table",
    "utc",
]

_GAP = 2
"""Blanks between the columns of a table."""

_CONTROL = dict.fromkeys((*range(9), *range(11, 32), 127, *range(128, 160)), "\ufffd")


def out() -> Console:
    """The console for a command's answer."""
    return Console(highlight=False, soft_wrap=True)


def errors() -> Console:
    """The console for what is wrong."""
    return Console(stderr=True, highlight=False, soft_wrap=True)


def fail(sentence: str, status: int = 1) -> NoReturn:
    """End the command with a sentence on standard error."""
    errors().print(f"[bold red]Error:[/] {escape(clean(sentence))}")
    raise typer.Exit(status)


def clean(text: str) -> str:
    """Text from a file or a sensor without control characters: it must not steer the terminal."""
    return text.translate(_CONTROL)


def utc(time_ms: int | None) -> str:
    """A time in ms since 1970 as '2026-03-01 12:00:05Z'; empty for None."""
    if time_ms is None:
        return ""
    try:
        moment = datetime.fromtimestamp(time_ms / 1000, tz=UTC)
    except (OverflowError, ValueError, OSError):
        return f"{time_ms} ms"
    return moment.strftime("%Y-%m-%d %H:%M:%SZ")


def print_json(data: Any) -> None:
    """Data as JSON on standard output; numbers that JSON does not have become null."""
    typer.echo(json.dumps(data, indent=2, ensure_ascii=False, default=str))


def print_table(headings: Iterable[str], rows: Iterable[Iterable[str]]) -> None:
    """A plain table; on a narrow terminal cells wrap, between words where they can, in a file they
    never do.
    """
    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=10_000)
    table = Table(box=None, header_style="bold", pad_edge=False, padding=(0, _GAP, 0, 0))
    heads, cells = list(headings), [[clean(cell) for cell in row] for row in rows]
    widths = _widths([heads, *cells], console.width)
    for heading, width in zip(heads, widths, strict=True):
        table.add_column(heading, overflow="fold", width=width)
    for row in cells:
        table.add_row(*(Text(cell) for cell in row))
    # Each line by itself: rich fills lines up with blanks, which a file need not have.
    with console.capture() as capture:
        console.print(table)
    for line in capture.get().splitlines():
        typer.echo(line.rstrip())


def _widths(rows: Sequence[Sequence[str]], room: int) -> list[int | None]:
    """Widths of a table's columns: None where they need not be told.

    A name that is cut in two cannot be copied. So where the longest words of all columns have room
    side by side, no column becomes narrower than its longest word.
    """
    columns = list(zip(*rows, strict=True))
    whole = [max(map(cell_len, column)) for column in columns]
    least = [
        max(cell_len(w) for cell in column for w in cell.split() or [""]) for column in columns
    ]
    spare = room - sum(least) - _GAP * (len(columns) - 1)
    if spare < 0 or sum(whole) - sum(least) <= spare:
        return [None] * len(columns)
    # What a fair share of the room completes is completed, beginning with what lacks least.
    widths: list[int | None] = list(least)
    wrapped = sorted(range(len(columns)), key=lambda i: whole[i] - least[i])
    while wrapped:
        at = wrapped.pop(0)
        more = min(whole[at] - least[at], spare // (len(wrapped) + 1))
        widths[at] = least[at] + more
        spare -= more
    return widths


def print_problems(problems: Iterable[Problem], console: Console) -> None:
    """Problems grouped by file, each with place, value, what is allowed and what to do."""
    from gateway.config.report import Level, by_file  # noqa: PLC0415 - as above

    for file, group in by_file(problems).items():
        console.print(f"[bold]{escape(clean(file))}[/]")
        for problem in group:
            colour = "yellow" if problem.level is Level.WARNING else "red"
            place = f"line {problem.line}: " if problem.line is not None else ""
            key = f"{problem.key}: " if problem.key else ""
            head = Text("  ")
            head.append(f"{problem.level}", style=f"bold {colour}")
            head.append(f" {clean(place)}")
            head.append(clean(key), style="bold")
            head.append(clean(problem.what))
            console.print(head)
            for line in problem.excerpt.splitlines():
                console.print(Text(f"      {clean(line)}"))
            for label, text in (("given", problem.given), ("allowed", problem.allowed)):
                if text:
                    console.print(Text(f"      {label}: {clean(text)}", style="dim"))
            if problem.todo:
                console.print(Text(f"      {clean(problem.todo)}"))
