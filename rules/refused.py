"""Readings outside what is possible: kept out of the rules, and remembered by unit.

What comes by wire was checked by the decoder; histories from files come here unchecked. So the same
ranges are applied again: nothing beyond them reaches a rule, whichever way it came.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bits import packed
from rules.signals import INDEX, N_SIGNALS, SIGNALS
from rules.state import FleetState

__all__ = ["FORGET_MS", "ZERO_ERROR", "as_columns", "beyond_zero_error", "checked", "note_refused"]

ZERO_ERROR: Final[dict[str, float]] = {
    "basin_level": 20.0, "conductivity": 20.0, "pump_current": 0.2, "supply_voltage": 10.0,
    "spray_flow": 5.0, "head_pressure": 20.0, "relative_humidity": 5.0, "fan_speed": 5.0,
    "makeup_flow": 2.0, "bleed_flow": 1.0, "heat_load": 20.0,
}  # fmt: skip
"""How far beyond the range a sound sensor may read, by signal, in its unit (common practice).

A flow meter at rest reads a little below nothing, a humidity sensor in fog a little above 100 %.
"""

FORGET_MS: Final = 1_800_000
"""Refusals further apart than half an hour are not one story."""

_LOW: Final = np.array([s.low for s in SIGNALS])
_HIGH: Final = np.array([s.high for s in SIGNALS])
_ERROR: Final = np.array([ZERO_ERROR.get(s.name, 0.0) for s in SIGNALS])
_LARGEST: Final = 1e30


def beyond_zero_error(name: str, value: float) -> bool:
    """Whether a refused value lies further out than a sound sensor's zero error."""
    i = INDEX[name]
    return not _LOW[i] - _ERROR[i] <= value <= _HIGH[i] + _ERROR[i]


def checked(values: F64) -> tuple[F64, Bool | None]:
    """The values that can be used, and which were refused (None if none were); (n, signals).

    A value beyond the range by a zero error counts as the range's end, one further out as NaN. The
    array given is not changed.
    """
    out = (values < _LOW) | (values > _HIGH)
    if not out.any():
        return values, None
    refused = out & ((values < _LOW - _ERROR) | (values > _HIGH + _ERROR))
    good = np.clip(values, _LOW, _HIGH)
    good[refused] = np.nan
    return good, refused if refused.any() else None


def note_refused(state: FleetState, rows: I64, time_ms: I64, refused: Bool, values: F64) -> None:
    """Remember refused readings: ``refused`` and ``values`` (k, signals), ``rows`` distinct.

    Several for one instant count once, a repeat of the newest instant not at all.
    """
    any_one = refused.any(axis=1)
    if not any_one.any():
        return
    rows, time_ms = rows[any_one], time_ms[any_one]
    refused, values = refused[any_one], values[any_one]
    last = state.refused_last_ms[rows]
    anew = (last == 0) | (time_ms - last > FORGET_MS)
    more = np.minimum(state.refused_count[rows] + (time_ms > last), 30_000)
    state.refused_count[rows] = np.where(anew, 1, more)
    state.refused_since_ms[rows] = np.where(anew, time_ms, state.refused_since_ms[rows])
    state.refused_last_ms[rows] = np.maximum(last, time_ms)
    before = np.where(anew[:, None], np.uint8(0), state.refused_set[rows])
    state.refused_set[rows] = before | packed(refused)
    column = refused.argmax(axis=1)
    state.refused_signal[rows] = column
    value = values[np.arange(len(rows)), column]
    state.refused_value[rows] = np.clip(np.nan_to_num(value), -_LARGEST, _LARGEST)


def as_columns(columns: list[int], values: list[float]) -> tuple[Bool, F64]:
    """One refused reading a row, as :func:`note_refused` takes them."""
    refused = np.zeros((len(columns), N_SIGNALS), dtype=np.bool_)
    out = np.full((len(columns), N_SIGNALS), np.nan)
    at = np.arange(len(columns))
    refused[at, columns] = True
    out[at, columns] = values
    return refused, out
