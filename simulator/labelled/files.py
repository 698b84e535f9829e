"""The files of a labelled history: samples as CSV or Parquet, labels as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from rules.signals import SIGNALS
from simulator.fleet import FleetError

__all__ = ["Form", "SampleWriter", "iso_utc", "open_samples", "write_json"]

Form = Literal["csv", "parquet"]
_NAMES: Final = tuple(s.name for s in SIGNALS)


class SampleWriter(Protocol):
    """Takes rows in the order of their arrival; :meth:`close` ends the file."""

    def write(
        self,
        time_ms: NDArray[np.int64],
        unit_row: NDArray[np.int32],
        values: NDArray[np.float64],
    ) -> None:
        """Append rows (m,), values (m, N_SIGNALS), NaN where not measured."""

    def close(self) -> None:
        """Finish the file."""


def iso_utc(time_s: float) -> str:
    """A time as ISO 8601 in UTC, to the second."""
    return datetime.fromtimestamp(round(time_s), UTC).isoformat().replace("+00:00", "Z")


class _Csv:
    def __init__(self, path: Path, units: Sequence[tuple[str, str]]) -> None:
        self._file = path.open("w", encoding="utf-8", newline="")
        self._keys = [f"{site},{unit}" for site, unit in units]
        self._file.write(",".join(("time", "site", "unit", *_NAMES)) + "\n")

    def write(
        self,
        time_ms: NDArray[np.int64],
        unit_row: NDArray[np.int32],
        values: NDArray[np.float64],
    ) -> None:
        stamps = np.datetime_as_string(time_ms.astype("datetime64[ms]"), timezone="UTC").tolist()
        columns = [stamps, [self._keys[row] for row in unit_row.tolist()]]
        for column in values.T:
            if np.isfinite(column).any():
                columns.append(["" if v != v else f"{v:.10g}" for v in column.tolist()])  # noqa: PLR0124  # NaN
            else:
                columns.append([""] * len(stamps))
        self._file.writelines(",".join(row) + "\n" for row in zip(*columns, strict=True))

    def close(self) -> None:
        self._file.close()


class _Parquet:
    def __init__(self, path: Path, units: Sequence[tuple[str, str]]) -> None:
        try:
            import pyarrow as pa  # noqa: PLC0415  # optional: only Parquet files need it
            import pyarrow.parquet as pq  # noqa: PLC0415  # as above
        except ImportError as error:
            msg = (
                "Parquet files need the package pyarrow: install basinward[evaluate], or write "
                "CSV with --form csv"
            )
            raise FleetError(msg) from error
        self._arrow = pa
        text = pa.dictionary(pa.int32(), pa.string())
        self._schema = pa.schema(
            [
                ("time", pa.timestamp("ms", tz="UTC")),
                ("site", text),
                ("unit", text),
                *((name, pa.float32()) for name in _NAMES),
            ]
        )
        self._sites = pa.array([site for site, _ in units])
        self._units = pa.array([unit for _, unit in units])
        self._file = pq.ParquetWriter(path, self._schema, compression="zstd")

    def write(
        self,
        time_ms: NDArray[np.int64],
        unit_row: NDArray[np.int32],
        values: NDArray[np.float64],
    ) -> None:
        arrow = self._arrow
        rows = arrow.array(unit_row)
        columns = [
            arrow.array(time_ms).cast(self._schema.field("time").type),
            self._sites.take(rows).dictionary_encode(),
            self._units.take(rows).dictionary_encode(),
        ]
        for column in values.T:
            known = np.isfinite(column)
            columns.append(arrow.array(column.astype(np.float32), mask=~known))
        self._file.write_table(arrow.table(columns, schema=self._schema))

    def close(self) -> None:
        self._file.close()


def open_samples(out: Path, form: Form, units: Sequence[tuple[str, str]]) -> SampleWriter:
    """A new ``samples.csv`` or ``samples.parquet`` in ``out``; ``units`` by unit row.

    Parquet holds readings as 32-bit floats, empty where not measured. ``FleetError`` where the
    package for it is missing.
    """
    kind = _Csv if form == "csv" else _Parquet
    return kind(out / f"samples.{form}", units)


def write_json(path: Path, rows: Sequence[dict[str, Any]]) -> None:
    """A list, one entry a line."""
    lines = ",\n".join("  " + json.dumps(row, ensure_ascii=False) for row in rows)
    path.write_text(f"[\n{lines}\n]\n" if rows else "[]\n", encoding="utf-8")
