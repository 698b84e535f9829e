"""SenML packs (RFC 8428) of what a simulated unit measures, in JSON or CBOR.

One pack holds one or several instants of one unit. The JSON is written by hand for speed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import cbor2
import numpy as np
from numpy.typing import NDArray

from simulator.fleet import UnitPlate
from simulator.wire_fields import UnitFields, natural_water_factor

__all__ = ["CborEncoder", "UnitEncoder", "natural_water_factor"]

FloatArray = NDArray[np.float64]


class UnitEncoder:
    """Writes the packs of one unit in JSON."""

    def __init__(self, unit: UnitPlate, elevation_m: float) -> None:
        """``elevation_m`` of the site gives the barometric pressure that a gauge leaves out."""
        self._wire = UnitFields(unit, elevation_m)
        self._base = f'"bn":"{unit.site}/{unit.unit}/"'
        self.topic = f"sites/{unit.site}/{unit.unit}/senml"

    def encode(self, time_ms: NDArray[np.int64], values: FloatArray) -> bytes:
        """One pack of the instants ``time_ms`` (m,) [ms since 1970] and ``values`` (m, N_SIGNALS).

        Values are in catalogue units, NaN where there is none. The base time is the first instant.
        Empty (``b"[]"``) if there is no value at all.
        """
        shown = self._wire.shown(values)
        base_unit = self._wire.base_unit
        start = int(time_ms[0])
        later = [f',"t":{(int(t) - start) / 1000:g}' if t != start else "" for t in time_ms]
        head = f'{self._base},"bt":{start / 1000:.3f},'
        records: list[str] = []
        in_base_unit = False
        for field in self._wire.fields:
            column = (shown[:, field.column] * field.factor + field.offset).tolist()
            own = f',"u":"{field.unit}"' if field.unit and field.unit != base_unit else ""
            show = _SHOW[field.kind]
            for when, value in zip(later, column, strict=True):
                if value != value:  # noqa: PLR0124  # NaN is the one value unlike itself
                    continue
                base = ""
                if field.unit == base_unit and field.unit and not in_base_unit:
                    base = f'"bu":"{base_unit}",'
                    in_base_unit = True
                records.append(f'{{{head}{base}"n":"{field.name}"{own}{when},{show(value)}}}')
                head = ""
        return ("[" + ",".join(records) + "]").encode()


class CborEncoder:
    """Writes the packs of one unit in CBOR (section 6)."""

    def __init__(self, unit: UnitPlate, elevation_m: float) -> None:
        """As for JSON."""
        self._wire = UnitFields(unit, elevation_m)
        self._name = f"{unit.site}/{unit.unit}/"
        self.topic = f"sites/{unit.site}/{unit.unit}/senml-cbor"

    def encode(self, time_ms: NDArray[np.int64], values: FloatArray) -> bytes:
        """As :meth:`UnitEncoder.encode`."""
        shown = self._wire.shown(values)
        start = int(time_ms[0])
        head: dict[int, Any] = {_BASE_NAME: self._name, _BASE_TIME: start / 1000}
        records: list[dict[int, Any]] = []
        for field in self._wire.fields:
            column = (shown[:, field.column] * field.factor + field.offset).tolist()
            for when, value in zip(time_ms.tolist(), column, strict=True):
                if value != value:  # noqa: PLR0124  # NaN is the one value unlike itself
                    continue
                record = {**head, _NAME: field.name}
                head = {}
                if field.unit:
                    record[_UNIT] = field.unit
                if when != start:
                    record[_TIME] = (when - start) / 1000
                if field.kind == "flag" and value in {0.0, 1.0}:
                    record[_BOOLEAN] = bool(value)
                else:
                    record[_VALUE] = value
                records.append(record)
        return cbor2.dumps(records)


_BASE_NAME, _BASE_TIME, _NAME, _UNIT, _VALUE, _BOOLEAN, _TIME = -2, -3, 0, 1, 2, 4, 6
"""The integer labels of section 6, table 4."""


def _number(value: float) -> str:
    return f'"v":{value:.7g}'


def _flag(value: float) -> str:
    # A reading that is neither on nor off can only be a fault's; it must reach the reader as it is.
    return f'"vb":{"true" if value else "false"}' if value in (0.0, 1.0) else _number(value)


def _mask(value: float) -> str:
    return f'"v":{value:.0f}'


_SHOW: Final[dict[str, Callable[[float], str]]] = {
    "analogue": _number,
    "flag": _flag,
    "mask": _mask,
}
