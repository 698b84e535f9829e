"""Reads ``samples.parquet`` or ``samples.csv`` into columns, as far as the file can be trusted.

A heading that lacks a needed column, a time that is no time, a row with too few cells: the file is
broken, and all that is wrong is told at once. A cell that is no number is only left out, as the
gateway would refuse it, and counted. With pyarrow installed CSV files are read several times
faster; Parquet files need it.
"""

from __future__ import annotations

import csv
import importlib.util
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, TextIO

import numpy as np
from numpy.typing import NDArray

from gateway.config.files import why_unreadable
from gateway.config.report import Level, Problem
from gateway.config.sentences import nearest
from rules.signals import INDEX

__all__ = ["KEYS", "RECEIVED", "Faulty", "Table", "read_table"]

KEYS: Final = ("time", "site", "unit")
RECEIVED: Final = "received"
"""An optional column: when the row came in, where that is not when it was measured."""

EXTRA: Final = "pip install 'basinward[evaluate]'"
TIME_ALLOWED: Final = "ISO 8601, UTC unless it names an offset, such as 2026-03-01T12:00:00Z"

_TOLD: Final = 10
_WORDS: Final = {"true": 1.0, "false": 0.0, "nan": math.nan, "na": math.nan, "null": math.nan}


class Faulty(Exception):
    """The file is broken; ``problems`` say all that is wrong with it."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        """At least one problem."""
        super().__init__("\n".join(map(str, problems)))
        self.problems = tuple(problems)


@dataclass
class Table:
    """The file's columns. ``unit_code`` (n,) says which of ``units``, (site, unit), a row is of."""

    name: str
    units: list[tuple[str, str]]
    unit_code: NDArray[np.intp]
    time_ms: NDArray[np.int64]
    received_ms: NDArray[np.int64] | None
    """-1 where empty."""
    signals: dict[str, NDArray[np.floating]]
    not_numbers: Counter[str] = field(default_factory=Counter)
    """By column, cells that were no number."""
    warnings: tuple[Problem, ...] = ()

    def __len__(self) -> int:
        """Rows."""
        return len(self.time_ms)


def read_table(folder: Path) -> Table:
    """The samples of a folder. Raises :class:`Faulty`."""
    parquet, text = folder / "samples.parquet", folder / "samples.csv"
    both = parquet.exists() and text.exists()
    if parquet.exists():
        if importlib.util.find_spec("pyarrow") is None:
            what = "to read Parquet files, pyarrow must be installed, and it is not."
            todo = f"Install it: {EXTRA}. Or bring the samples as samples.csv."
            raise Faulty([Problem(parquet.name, "", what, todo=todo)])
        from gateway.evaluation.arrow import read_parquet  # noqa: PLC0415 - an optional extra

        table = read_parquet(parquet)
    elif text.exists():
        if importlib.util.find_spec("pyarrow") is not None:
            from gateway.evaluation.arrow import read_csv  # noqa: PLC0415 - an optional extra

            table = read_csv(text)
        else:
            table = read_plain_csv(text)
    else:
        what = "there is neither samples.parquet nor samples.csv."
        todo = "Write the samples into one of them: columns time, site, unit, then signals."
        raise Faulty([Problem("samples", "", what, todo=todo)])
    if both:
        what = "is not read: samples.parquet is there too."
        table.warnings += (Problem(text.name, "", what, level=Level.WARNING),)
    if not len(table):
        raise Faulty([Problem(table.name, "", "the file holds no row.")])
    return table


def check_heading(name: str, heading: Sequence[str]) -> tuple[list[str], tuple[Problem, ...]]:
    """The signals among the columns, and a warning about unknown ones. Raises :class:`Faulty`."""
    problems = []
    if len(heading) == 1 and any(mark in heading[0] for mark in ";\t"):
        raise Faulty([Problem(name, "", "the cells are not separated by commas.", line=1)])
    for key in KEYS:
        if key not in heading:
            guess = nearest(key, [h for h in heading if h not in INDEX])
            todo = f"Is '{guess}' it? Rename it." if guess else ""
            problems.append(Problem(name, "", f"the column '{key}' is missing.", todo=todo))
    problems += [
        Problem(name, "", f"the column '{column}' is there {count} times.")
        for column, count in Counter(heading).items()
        if count > 1
    ]
    signals = [column for column in heading if column in INDEX]
    if not signals:
        allowed = ", ".join(INDEX)
        problems.append(Problem(name, "", "there is no column of a signal.", allowed=allowed))
    if problems:
        raise Faulty(problems)
    warnings = []
    for column in heading:
        if column not in INDEX and column not in KEYS and column != RECEIVED:
            guess = nearest(column, INDEX)
            todo = f"Did you mean '{guess}'?" if guess else "It is passed over."
            what = f"the column '{column}' is not known."
            warnings.append(Problem(name, "", what, todo=todo, level=Level.WARNING))
    return signals, tuple(warnings)


def times_ms(
    name: str, column: str, texts: Sequence[str | None], codes: NDArray[np.integer], *, needed: bool
) -> tuple[NDArray[np.int64], list[Problem]]:
    """Times from text: ``texts`` are the different ones, ``codes`` says which a row has."""
    found = np.fromiter((_time_ms(text) for text in texts), np.int64, len(texts))
    problems = []
    bad = [i for i, text in enumerate(texts) if found[i] < 0 and (needed or text)]
    if bad:
        rows = np.flatnonzero(np.isin(codes, bad))
        problems = [
            Problem(
                name, f"row {row + 1}: {column}", "is not a time.",
                given=f"'{(texts[codes[row]] or '')[:40]}'", allowed=TIME_ALLOWED,
            )
            for row in rows[:_TOLD].tolist()
        ]  # fmt: skip
        if len(rows) > _TOLD:
            what = f"{len(rows) - _TOLD} more rows have no time that can be read."
            problems.append(Problem(name, column, what))
    return found[codes], problems


def _time_ms(text: str | None) -> int:
    """ms since 1970; -1 if it is no time, or before 1970."""
    try:
        moment = datetime.fromisoformat((text or "").strip())
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=UTC)
        return max(-1, round(moment.timestamp() * 1000))
    except (ValueError, OverflowError):
        return -1


def number(text: str | None) -> float | None:
    """A cell's number, NaN where nothing was measured; None if it is no number."""
    stripped = (text or "").strip()
    if not stripped:
        return math.nan
    try:
        return float(stripped)
    except ValueError:
        return _WORDS.get(stripped.lower())


# ---------------------------------------------------------------- without pyarrow


def read_plain_csv(path: Path) -> Table:
    """With the standard library alone: row by row. Raises :class:`Faulty`."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            return _read_plain(path.name, stream)
    except OSError as error:
        raise Faulty([unreadable(path, error)]) from error
    except UnicodeDecodeError as error:
        raise Faulty([Problem(path.name, "", "the file is not text in UTF-8.")]) from error
    except csv.Error as error:
        raise Faulty([Problem(path.name, "", f"the file is not CSV: {error}.")]) from error


def unreadable(path: Path, error: OSError) -> Problem:
    """The file could not be read."""
    return Problem(path.name, "", f"the file cannot be read: {why_unreadable(error)}.")


class _Codes(dict[str, int]):
    """Numbers given out to texts as they come."""

    def __missing__(self, text: str) -> int:
        self[text] = code = len(self)
        return code


def _read_plain(name: str, stream: TextIO) -> Table:
    reader = csv.reader(stream, strict=True)
    heading = [cell.strip() for cell in next(reader, [])]
    signals, warnings = check_heading(name, heading)
    texts = {key: _Codes() for key in (*KEYS, RECEIVED)}
    codes: dict[str, list[int]] = {key: [] for key in texts if key in heading}
    values: dict[str, list[float]] = {signal: [] for signal in signals}
    not_numbers: Counter[str] = Counter()
    problems: list[Problem] = []
    for cells in _whole_rows(name, reader, len(heading), problems):
        for at, column in enumerate(heading):
            if column in values:
                value = number(cells[at])
                if value is None:
                    not_numbers[column] += 1
                values[column].append(math.nan if value is None else value)
            elif column in codes:
                codes[column].append(texts[column][cells[at].strip()])
    arrays = {key: np.array(listed, dtype=np.intp) for key, listed in codes.items()}
    return assemble(
        name,
        {key: list(texts[key]) for key in arrays},
        arrays,
        {signal: np.array(listed) for signal, listed in values.items()},
        not_numbers,
        warnings,
        problems,
    )


def _whole_rows(
    name: str, reader: Iterable[list[str]], width: int, problems: list[Problem]
) -> Iterator[list[str]]:
    number_of_row = 0
    for cells in reader:
        if not cells:
            continue
        number_of_row += 1
        if len(cells) == width:
            yield cells
        elif len(problems) < _TOLD:
            problems.append(wrong_width(name, number_of_row, len(cells), width))


def wrong_width(name: str, row: int, cells: int, width: int) -> Problem:
    """A row that does not fit the heading."""
    what = f"{cells} cells where the heading has {width}."
    return Problem(name, f"row {row}", what, todo="Look for a missing or an extra comma.")


def assemble(
    name: str,
    texts: dict[str, list[str | None]] | dict[str, list[str]],
    codes: dict[str, NDArray[np.intp]],
    signals: dict[str, NDArray[np.floating]],
    not_numbers: Counter[str],
    warnings: tuple[Problem, ...],
    problems: list[Problem],
) -> Table:
    """The table from coded texts and numbers. Raises :class:`Faulty` for what is wrong."""
    times, wrong = times_ms(name, "time", texts["time"], codes["time"], needed=True)
    problems = problems + wrong
    received = None
    if RECEIVED in codes:
        received, wrong = times_ms(name, RECEIVED, texts[RECEIVED], codes[RECEIVED], needed=False)
        problems += wrong
    if problems:
        raise Faulty(problems)
    n_units = max(len(texts["unit"]), 1)
    pairs, unit_code = np.unique(codes["site"] * n_units + codes["unit"], return_inverse=True)
    units = [
        (
            (texts["site"][pair // n_units] or "").strip(),
            (texts["unit"][pair % n_units] or "").strip(),
        )
        for pair in pairs.tolist()
    ]
    return Table(name, units, unit_code, times, received, signals, not_numbers, warnings)
