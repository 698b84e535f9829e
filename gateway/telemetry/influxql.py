"""InfluxQL as text: safe quoting, the store's three questions, and the answer as columns.

InfluxQL over ``/query`` is understood by every generation of the server. Source: InfluxQL
specification (identifiers in double quotes, strings in single quotes, backslash escapes).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.telemetry.base import LATEST_WINDOW_MS, ROLLUP_MS, StoreRefused
from gateway.telemetry.lineprotocol import MEASUREMENT

__all__ = [
    "Table",
    "identifier",
    "literal",
    "newest",
    "outline",
    "raw",
    "rollup",
    "tables",
    "time_of_newest",
]


@dataclass(frozen=True)
class Table:
    """One statement's answer: ``time_ms`` (n,) int64 and ``values`` (n, k) float64, null as NaN."""

    time_ms: NDArray[np.int64]
    values: NDArray[np.float64]


def identifier(name: str) -> str:
    """A name in double quotes."""
    return '"' + _escaped(name, '"') + '"'


def literal(text: str) -> str:
    """A string in single quotes."""
    return "'" + _escaped(text, "'") + "'"


def raw(site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int) -> str:
    """Samples with start <= time < end, oldest first. One column for each signal."""
    fields = ", ".join(map(identifier, signals))
    return f"SELECT {fields} {_source(site, unit)} AND {_between(start_ms, end_ms)}"


def rollup(site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int) -> str:
    """5-minute buckets: all minima, then all means, maxima and counts, k columns each."""
    fields = ", ".join(
        f"{function}({identifier(name)})"
        for function in ("min", "mean", "max", "count")
        for name in signals
    )
    return (
        f"SELECT {fields} {_source(site, unit)} AND {_between(start_ms, end_ms)} "
        f"GROUP BY time({ROLLUP_MS}ms) fill(none)"
    )


def outline(
    site: str, unit: str, signals: Sequence[str], start_ms: int, end_ms: int, width_ms: int
) -> str:
    """Windows: all minima, then all means and maxima, k columns each."""
    fields = ", ".join(
        f"{function}({identifier(name)})" for function in ("min", "mean", "max") for name in signals
    )
    return (
        f"SELECT {fields} {_source(site, unit)} AND {_between(start_ms, end_ms)} "
        f"GROUP BY time({width_ms}ms) fill(none)"
    )


def time_of_newest(site: str, unit: str, signals: Sequence[str]) -> str:
    """The unit's newest sample that has any of the signals."""
    fields = ", ".join(map(identifier, signals))
    return f"SELECT {fields} {_source(site, unit)} ORDER BY time DESC LIMIT 1"


def newest(site: str, unit: str, signals: Sequence[str], newest_ms: int) -> str:
    """One statement for each signal: its newest value in the 24 hours up to ``newest_ms``."""
    span = _between(newest_ms - LATEST_WINDOW_MS, newest_ms + 1)
    # Together in one statement they would all be given the time 0.
    return "; ".join(
        f"SELECT last({identifier(name)}) {_source(site, unit)} AND {span}" for name in signals
    )


def tables(answer: Any) -> list[Table | None]:
    """Each statement's answer, None where it has no rows.

    :class:`StoreRefused` for a statement the server did not carry out, for an answer it cut off
    at its row limit, and for what is no answer at all.
    """
    try:
        return [_table(result) for result in answer["results"]]
    except (KeyError, TypeError, ValueError, IndexError, AttributeError) as err:
        msg = (
            "the server's answer to an InfluxQL query is not of the documented form. Check that "
            "the store's url leads to InfluxDB itself and not to another server or a login page."
        )
        raise StoreRefused(msg) from err


def _table(result: dict[str, Any]) -> Table | None:
    if "error" in result:
        msg = f"the server refused an InfluxQL query: {str(result['error'])[:300]}"
        raise StoreRefused(msg)
    series = result.get("series")
    if not series or not series[0].get("values"):
        return None
    if result.get("partial") or series[0].get("partial"):
        msg = (
            "the server cut its answer off at its row limit. Ask for a shorter range, or raise "
            "max-row-limit in the server's configuration."
        )
        raise StoreRefused(msg)
    times, *columns = zip(*series[0]["values"], strict=True)
    values = [np.array(column, dtype=np.float64) for column in columns]  # None becomes NaN
    return Table(np.array(times, dtype=np.int64), np.column_stack(values))


def _source(site: str, unit: str) -> str:
    return (
        f"FROM {identifier(MEASUREMENT)} "
        f'WHERE "site" = {literal(site)} AND "unit" = {literal(unit)}'
    )


def _between(start_ms: int, end_ms: int) -> str:
    return f"time >= {start_ms:d}ms AND time < {end_ms:d}ms"


def _escaped(text: str, quote: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace(quote, "\\" + quote)
