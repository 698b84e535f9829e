"""Reading samples with pyarrow: whole columns at once."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet
from numpy.typing import NDArray

from gateway.config.report import Problem
from gateway.evaluation.table import (
    KEYS,
    RECEIVED,
    Faulty,
    Table,
    assemble,
    check_heading,
    number,
    unreadable,
    wrong_width,
)

__all__ = ["read_csv", "read_parquet"]

_EMPTY = ["", "NaN", "nan", "NA", "null"]


def read_parquet(path: Path) -> Table:
    """A Parquet file. Raises :class:`Faulty`."""
    try:
        file = pa.parquet.ParquetFile(path)
        heading = list(file.schema_arrow.names)
        signals, warnings = check_heading(path.name, heading)
        wanted = [*KEYS, *([RECEIVED] if RECEIVED in heading else []), *signals]
        table = file.read(columns=wanted)
    except OSError as error:
        if isinstance(error, pa.ArrowException) or error.errno is None:
            raise Faulty([_broken(path, error)]) from error
        raise Faulty([unreadable(path, error)]) from error
    except pa.ArrowException as error:
        raise Faulty([_broken(path, error)]) from error
    return _table(path.name, table, signals, warnings)


def _broken(path: Path, error: Exception) -> Problem:
    first = (str(error).splitlines() or [""])[0][:200].rstrip(".")
    return Problem(path.name, "", f"the file is not Parquet that can be read: {first}.")


def read_csv(path: Path) -> Table:
    """A CSV file. Raises :class:`Faulty`."""
    name = path.name
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            heading = [cell.strip().strip('"') for cell in stream.readline().split(",")]
    except OSError as error:
        raise Faulty([unreadable(path, error)]) from error
    except UnicodeDecodeError as error:
        raise Faulty([Problem(name, "", "the file is not text in UTF-8.")]) from error
    signals, warnings = check_heading(name, heading)
    keys = [*KEYS, *([RECEIVED] if RECEIVED in heading else [])]
    try:
        try:
            table = _read(path, heading, keys, signals, pa.float64())
        except pa.ArrowInvalid:
            # Some cell is no number: read as text, and look at the cells one by one.
            table = _read(path, heading, keys, signals, pa.string())
    except pa.ArrowException as error:
        first = (str(error).splitlines() or [""])[0][:200].rstrip(".")
        raise Faulty([Problem(name, "", f"the file is not CSV: {first}.")]) from error
    return _table(name, table, signals, warnings)


def _read(path: Path, heading: list[str], keys: list[str], signals: list[str], kind: Any) -> Any:
    wrong: list[Any] = []

    def note(row: Any) -> str:
        wrong.append(row)
        return "skip"

    text = pa.dictionary(pa.int32(), pa.string())
    table = pa.csv.read_csv(
        path,
        # Rows have numbers only if one thread reads; it is fast enough.
        read_options=pa.csv.ReadOptions(column_names=heading, skip_rows=1, use_threads=False),
        parse_options=pa.csv.ParseOptions(invalid_row_handler=note),
        convert_options=pa.csv.ConvertOptions(
            column_types={**dict.fromkeys(keys, text), **dict.fromkeys(signals, kind)},
            include_columns=[*keys, *signals],
            null_values=_EMPTY,
            strings_can_be_null=False,
        ),
    )
    if wrong:
        first = wrong[0].number or 0
        raise Faulty(
            [
                wrong_width(path.name, (row.number or first) - 1, row.actual_columns, len(heading))
                for row in wrong[:10]
            ]
        )
    return table


def _table(name: str, table: Any, signals: list[str], warnings: tuple[Problem, ...]) -> Table:
    codes: dict[str, NDArray[np.intp]] = {}
    texts: dict[str, list[str | None]] = {}
    problems: list[Problem] = []
    for key in (*KEYS, RECEIVED):
        if key in table.column_names:
            try:
                codes[key], texts[key] = _coded(table.column(key), is_time=key not in KEYS[1:])
            except TypeError as error:
                problems.append(Problem(name, key, str(error)))
            table = table.drop_columns([key])
    not_numbers: Counter[str] = Counter()
    values: dict[str, NDArray[np.floating]] = {}
    for signal in signals:
        try:
            values[signal] = _numbers(table.column(signal), signal, not_numbers)
        except TypeError as error:
            problems.append(Problem(name, signal, str(error)))
        table = table.drop_columns([signal])  # one by one: a long history need not fit twice
    if problems:
        raise Faulty(problems)
    return assemble(name, texts, codes, values, not_numbers, warnings, problems)


def _coded(column: Any, *, is_time: bool) -> tuple[NDArray[np.intp], list[str | None]]:
    """A text column as codes and the different texts; times become text of full precision."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if is_time and pa.types.is_timestamp(kind):
        # As numbers: ms are what everything here counts in.
        ms = column.cast(pa.timestamp("ms", tz=kind.tz), safe=False).cast(pa.int64())
        found, codes = np.unique(pc.fill_null(ms, -1).to_numpy(), return_inverse=True)
        return codes, [_iso(value) for value in found.tolist()]
    if not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
        allowed = "a timestamp or text" if is_time else "text"
        msg = f"the column holds {kind}; it must be {allowed}."
        raise TypeError(msg)
    coded = pc.fill_null(column, "").combine_chunks().dictionary_encode()
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    return coded.indices.to_numpy().astype(np.intp), coded.dictionary.to_pylist()


def _iso(value_ms: int) -> str | None:
    if value_ms < 0:
        return None
    return str(np.datetime64(value_ms, "ms")) + "+00:00"


def _numbers(column: Any, signal: str, not_numbers: Counter[str]) -> NDArray[np.floating]:
    kind = column.type
    if pa.types.is_boolean(kind):
        column = column.cast(pa.int8())
        kind = column.type
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        codes, texts = _coded(column, is_time=False)
        read = [number(text) for text in texts]
        bad = np.array([value is None for value in read], dtype=np.bool_)
        if bad.any():
            not_numbers[signal] += int(bad[codes].sum())
        found = np.array([np.nan if value is None else value for value in read])
        return found[codes] if len(found) else np.empty(0)
    if pa.types.is_null(kind):
        return np.full(len(column), np.nan)
    if not (pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)):
        msg = f"the column holds {kind}; it must be numbers, or true and false."
        raise TypeError(msg)
    # Single precision stays so: it is half the memory, and what the sensor had.
    to = pa.float32() if pa.types.is_float32(kind) else pa.float64()
    values: NDArray[np.floating] = pc.fill_null(column.cast(to), float("nan")).to_numpy().copy()
    return values
