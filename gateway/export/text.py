"""CSV by RFC 4180, in UTF-8: readings and lists, a piece at a time."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from gateway.export.readings import Asked, Piece

__all__ = ["MEDIA_TYPE", "csv_readings", "csv_rows", "headings"]

MEDIA_TYPE: Final = "text/csv; charset=utf-8; header=present"
"""RFC 4180, section 3."""
KEYS: Final = ("time", "site", "unit")
ROWS: Final = 2_000
"""Rows put into one piece of text."""

# A table program takes such a cell for a formula and would carry it out (OWASP, 'CSV Injection',
# from memory); an apostrophe before it makes it text there.
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def headings(asked: Asked, *, with_units: bool) -> tuple[str, ...]:
    """The first line: names as the catalogue has them, or with units: 'basin_level [mm]'.

    Times are UTC. ``basinward evaluate`` reads the names alone.
    """
    if not with_units:
        return KEYS + asked.columns
    pairs = zip(asked.columns, asked.units_of_columns, strict=True)
    return (*KEYS, *(f"{name} [{unit}]" if unit else name for name, unit in pairs))


def csv_readings(asked: Asked, pieces: Iterable[Piece], *, with_units: bool) -> Iterator[bytes]:
    """The file in pieces. Every value is written so that it reads back as the same number."""
    yield _text([headings(asked, with_units=with_units)])
    for piece in pieces:
        for first in range(0, len(piece.time_ms), ROWS):
            times = _times(piece.time_ms[first : first + ROWS])
            values = piece.values[first : first + ROWS].tolist()
            yield _text(
                [time, piece.site, piece.unit, *map(_number, row)]
                for time, row in zip(times, values, strict=True)
            )


def csv_rows(heading: Sequence[str], rows: Iterable[Sequence[object]]) -> Iterator[bytes]:
    """A list as a file, in pieces. Texts that a table program would carry out are made text."""
    yield _text([heading])
    waiting: list[list[object]] = []
    for row in rows:
        waiting.append([_harmless(cell) for cell in row])
        if len(waiting) >= ROWS:
            yield _text(waiting)
            waiting = []
    if waiting:
        yield _text(waiting)


def _text(rows: Iterable[Iterable[object]]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerows(rows)
    return out.getvalue().encode("utf-8", "replace")


def _times(time_ms: NDArray[np.int64]) -> list[str]:
    texts = np.datetime_as_string(time_ms.astype("datetime64[ms]"), unit="ms")
    return [f"{text}Z" for text in texts.tolist()]


def _number(value: float) -> str:
    if not math.isfinite(value):
        return ""
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


def _harmless(cell: object) -> object:
    if isinstance(cell, str) and cell.startswith(_FORMULA):
        return f"'{cell}"
    return "" if cell is None else cell
