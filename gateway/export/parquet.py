"""Readings as Parquet, a row group at a time. Needs pyarrow: :data:`EXTRA` says how to get it."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterable, Iterator
from typing import Any, Final

import numpy as np

from gateway.export.readings import Asked, Piece

__all__ = ["EXTRA", "MEDIA_TYPE", "MISSING", "is_there", "parquet_readings"]

MEDIA_TYPE: Final = "application/vnd.apache.parquet"
"""As registered with IANA."""
EXTRA: Final = "pip install 'basinward[export]'"
MISSING: Final = (
    f"Parquet needs the package pyarrow, which is not installed here: {EXTRA}. CSV needs nothing."
)
ROWS: Final = 50_000
"""Rows in a group: with all signals about 10 MB while it is made."""


def is_there() -> bool:
    """Whether pyarrow is installed."""
    return importlib.util.find_spec("pyarrow") is not None


class _Sink:
    """Takes what the writer writes until it is fetched."""

    def __init__(self) -> None:
        self._waiting: list[bytes] = []
        self._length = 0
        self.closed = False

    def write(self, data: Any) -> int:
        piece = bytes(data)
        self._waiting.append(piece)
        self._length += len(piece)
        return len(piece)

    def tell(self) -> int:
        return self._length

    def flush(self) -> None:
        """Nothing is held back."""

    def close(self) -> None:
        self.closed = True

    def fetch(self) -> bytes:
        found, self._waiting = b"".join(self._waiting), []
        return found


def parquet_readings(asked: Asked, pieces: Iterable[Piece]) -> Iterator[bytes]:
    """The file in pieces: time (ms, UTC), site, unit, then a column of 64-bit floats a signal.

    Empty where there is nothing. The unit of each column is in its field's metadata, 'unit'.
    """
    import pyarrow as pa  # noqa: PLC0415 - an optional extra
    import pyarrow.parquet as pq  # noqa: PLC0415 - as above

    text = pa.dictionary(pa.int32(), pa.string())
    pairs = zip(asked.columns, asked.units_of_columns, strict=True)
    schema = pa.schema(
        [
            pa.field("time", pa.timestamp("ms", tz="UTC"), nullable=False),
            pa.field("site", text, nullable=False),
            pa.field("unit", text, nullable=False),
            *(pa.field(name, pa.float64(), metadata={"unit": unit}) for name, unit in pairs),
        ]
    )
    sink = _Sink()
    with pq.ParquetWriter(pa.PythonFile(sink, mode="w"), schema, compression="zstd") as writer:
        for group in _groups(pieces):
            writer.write_table(_table(pa, schema, group))
            yield sink.fetch()
    yield sink.fetch()


def _groups(pieces: Iterable[Piece]) -> Iterator[list[Piece]]:
    group: list[Piece] = []
    rows = 0
    for piece in pieces:
        group.append(piece)
        rows += len(piece.time_ms)
        if rows >= ROWS:
            yield group
            group, rows = [], 0
    if group:
        yield group


def _table(pa: Any, schema: Any, group: list[Piece]) -> Any:
    lengths = [len(piece.time_ms) for piece in group]

    def places(names: list[str]) -> Any:
        known = list(dict.fromkeys(names))
        codes = np.repeat([known.index(name) for name in names], lengths).astype(np.int32)
        return pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(known, pa.string()))

    values = np.concatenate([piece.values for piece in group])
    times = np.concatenate([piece.time_ms for piece in group])
    return pa.Table.from_arrays(
        [
            pa.array(times, pa.int64()).cast(schema.field("time").type),
            places([piece.site for piece in group]),
            places([piece.unit for piece in group]),
            *(pa.array(values[:, k], pa.float64(), from_pandas=True)
              for k in range(values.shape[1])),
        ],
        schema=schema,
    )  # fmt: skip
