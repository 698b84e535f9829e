"""Recordings: a CSV file of samples, read in chunks and checked line by line.

Columns: ``time`` (ISO 8601, UTC), ``site``, ``unit``, then catalogue signals by name, in the
catalogue's units; an empty cell was not measured. Rows are in order of time. What cannot be used
is left out and told with its line, so that one bad cell never hides the rest.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, TextIO

import numpy as np

from gateway.batch import Batch
from gateway.config.files import why_unreadable
from gateway.config.sentences import nearest
from rules.signals import INDEX, N_SIGNALS, SIGNALS

__all__ = ["CHUNK_ROWS", "Faults", "Recording", "RecordingError"]

CHUNK_ROWS: Final = 20_000
"""Rows held at a time: 3 MB of values."""

_FAULTS_KEPT: Final = 20
_KEYS: Final = ("time", "site", "unit")


class RecordingError(Exception):
    """The recording cannot be replayed at all; the text says why, where, and what to do."""


class Faults:
    """What had to be left out: the first lines in words, and how many there were."""

    def __init__(self) -> None:
        """Nothing left out yet."""
        self.first: list[str] = []
        self.count = 0

    def note(self, line: int, text: str) -> None:
        """One cell or row that was left out."""
        self.count += 1
        if len(self.first) < _FAULTS_KEPT:
            self.first.append(f"line {line}: {text}")


class Recording:
    """One CSV file. Reading raises :class:`RecordingError` for what makes all of it useless."""

    def __init__(self, path: Path) -> None:
        """The file is opened when it is read."""
        self.path = path
        self.faults = Faults()
        self.rows = 0

    def units(self) -> list[tuple[str, str]]:
        """Every (site, unit) that the recording names, in order of appearance."""
        found: dict[tuple[str, str], None] = {}
        with self._reader() as (header, lines):
            site_at, unit_at = header.index("site"), header.index("unit")
            for cells in lines:
                if len(cells) == len(header):
                    found.setdefault((cells[site_at].strip(), cells[unit_at].strip()))
        return list(found)

    def chunks(self, rows: Mapping[tuple[str, str], int]) -> Iterator[Batch]:
        """The samples of the units in ``rows``, in chunks, in order of time."""
        newest_ms = -math.inf
        newest_line = 0
        with self._reader() as (header, lines):
            key_at = [header.index(key) for key in _KEYS]
            signal_at = [(at, INDEX[name]) for at, name in enumerate(header) if name in INDEX]
            chunk = _Chunk()
            for cells in lines:
                line = lines.line_num
                if not any(cells):
                    continue
                if len(cells) != len(header):
                    self.faults.note(
                        line,
                        f"{len(cells)} cells where the heading has {len(header)}; row left out",
                    )
                    continue
                time_text, site, unit = (cells[at].strip() for at in key_at)
                row = rows.get((site, unit))
                if row is None:
                    self.faults.note(
                        line, f"no unit '{unit}' of site '{site}' in the site files; row left out"
                    )
                    continue
                time_ms = _time_ms(time_text)
                if time_ms is None:
                    self.faults.note(
                        line,
                        f"time '{time_text[:40]}' is not a time such as 2026-03-01T12:00:00Z; "
                        "row left out",
                    )
                    continue
                if time_ms < newest_ms:
                    msg = (
                        f"{self.path}, line {line}: its time is before that of line {newest_line}. "
                        "Silence can only be judged in order of time: sort the rows by their time "
                        "column (all units together) and replay again."
                    )
                    raise RecordingError(msg)
                newest_ms, newest_line = time_ms, line
                chunk.add(line, row, time_ms, self._values(line, cells, signal_at, header))
                if len(chunk) == CHUNK_ROWS:
                    yield self._finished(chunk)
                    chunk = _Chunk()
            if len(chunk):
                yield self._finished(chunk)

    def _values(
        self,
        line: int,
        cells: Sequence[str],
        signal_at: Iterable[tuple[int, int]],
        header: Sequence[str],
    ) -> list[float]:
        values = [math.nan] * N_SIGNALS
        for at, column in signal_at:
            cell = cells[at]
            if not cell or cell.isspace():
                continue
            try:
                value = float(cell)
            except ValueError:
                self.faults.note(
                    line, f"{header[at]} '{cell.strip()[:40]}' is not a number; value left out"
                )
                continue
            if not math.isfinite(value):
                self.faults.note(line, f"{header[at]} is not a finite number; value left out")
                continue
            values[column] = value
        return values

    def _finished(self, chunk: _Chunk) -> Batch:
        batch = chunk.batch()
        for column, signal in enumerate(SIGNALS):
            values = batch.values[:, column]
            bad = (values < signal.low) | (values > signal.high)
            if signal.kind != "analogue":
                with np.errstate(invalid="ignore"):
                    bad |= values != np.trunc(values)
                bad &= ~np.isnan(values)
            for index in np.flatnonzero(bad):
                self.faults.note(
                    chunk.lines[index],
                    f"{signal.name} = {values[index]:g} is not possible: {signal.low:g} to "
                    f"{signal.high:g} {signal.unit}".rstrip()
                    + (", whole" if signal.kind != "analogue" else "")
                    + "; value left out",
                )
            values[bad] = np.nan
        self.rows += len(batch)
        return batch

    @contextmanager
    def _reader(self) -> Iterator[tuple[list[str], _Lines]]:
        lines: _Lines | None = None
        try:
            with self.path.open(encoding="utf-8-sig", newline="") as stream:
                lines = _Lines(stream)
                yield self._header(lines), lines
        except OSError as error:
            msg = f"{self.path} cannot be read: {why_unreadable(error)}."
            raise RecordingError(msg) from error
        except UnicodeDecodeError as error:
            after = lines.line_num if lines else 0
            msg = f"{self.path}, after line {after}: not text in UTF-8. Export it again as UTF-8."
            raise RecordingError(msg) from error
        except csv.Error as error:
            after = lines.line_num if lines else 0
            msg = (
                f"{self.path}, line {after}: not readable as CSV ({error}). Cells are separated "
                'by commas; a cell that holds a comma or a line break stands in "double quotes".'
            )
            raise RecordingError(msg) from error

    def _header(self, lines: _Lines) -> list[str]:
        header = [cell.strip() for cell in next(lines, [])]
        known = [*_KEYS, *INDEX]
        faults = [f"the column '{key}' is missing" for key in _KEYS if key not in header]
        if faults and len(header) == 1 and any(c in header[0] for c in ";\t"):
            faults = ["the cells are not separated by commas"]
        else:
            for name in dict.fromkeys(header):
                if name not in known:
                    guess = nearest(name, known)
                    hint = f" (did you mean '{guess}'?)" if guess else ""
                    faults.append(f"the column '{name}' is not known{hint}")
                elif header.count(name) > 1:
                    faults.append(f"the column '{name}' appears twice")
            if not any(name in INDEX for name in header):
                faults.append("there is no column of a signal")
        if faults:
            msg = (
                f"{self.path}, line 1: {'; '.join(faults)}. The heading is time, site, unit, then "
                f"any of: {', '.join(INDEX)}."
            )
            raise RecordingError(msg)
        return header


class _Lines:
    """The rows of a CSV file, with the number of the line read last."""

    def __init__(self, stream: TextIO) -> None:
        self._reader = csv.reader(stream, strict=True)

    @property
    def line_num(self) -> int:
        return self._reader.line_num

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> list[str]:
        return next(self._reader)


class _Chunk:
    def __init__(self) -> None:
        self.lines: list[int] = []
        self._rows: list[int] = []
        self._times_ms: list[int] = []
        self._values: list[list[float]] = []

    def __len__(self) -> int:
        return len(self.lines)

    def add(self, line: int, row: int, time_ms: int, values: list[float]) -> None:
        self.lines.append(line)
        self._rows.append(row)
        self._times_ms.append(time_ms)
        self._values.append(values)

    def batch(self) -> Batch:
        return Batch(
            np.array(self._rows, dtype=np.int32),
            np.array(self._times_ms, dtype=np.int64),
            np.array(self._values, dtype=np.float64),
        )


def _time_ms(text: str) -> int | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    if len(text) < len("2026-03-01T12:00"):  # a date alone is hardly a sample's time
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    try:
        return round(moment.timestamp() * 1000)
    except (OverflowError, ValueError):
        return None
