"""Refrigerant saturation: condensing temperature from pressure, and back, for a mixed fleet.

Condensing temperature here always means the dew line (saturated vapour), the temperature at which
the blend begins to condense; bubble and midpoint temperatures are lower by up to 5 K and are never
mixed in. Values come from a table that ``build_refrigerant_table.py`` makes with CoolProp, read
once on first use and interpolated in the logarithm of pressure, within 0.001 K of the library.
Above the critical point nothing condenses: the answer is NaN, and :func:`saturation_status` says
why.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from functools import cache
from importlib import resources
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules.physics._arrays import BoolArray, FloatArray, IntArray, positive, real

__all__ = [
    "REFRIGERANTS",
    "TABLE_NAME",
    "SaturationStatus",
    "above_critical",
    "condensing_temperature_degc",
    "condensing_temperature_of_degc",
    "critical_point",
    "refrigerant_index",
    "saturation_pressure_kpa_abs",
    "saturation_pressure_of_kpa_abs",
    "saturation_status",
    "table_range_kpa_abs",
]

REFRIGERANTS: Final = ("R717", "R744", "R134a", "R404A", "R407A", "R448A", "R449A", "R513A")
"""Names by ASHRAE Standard 34; the order is the refrigerant's index. Append only."""

TABLE_NAME: Final = "refrigerant_table.csv"


class SaturationStatus(IntEnum):
    """Why a pressure has a condensing temperature or none."""

    OK = 0
    MISSING = 1
    """The pressure is NaN, not above zero, or the refrigerant is not known."""
    BELOW_TABLE = 2
    """Below the pressure of -50 °C, or a vacuum: no condenser works there."""
    NEAR_CRITICAL = 3
    """Within 2 % of a blend's critical pressure, where its dew line cannot be computed well."""
    ABOVE_CRITICAL = 4
    """Above the critical pressure: the refrigerant cools without condensing."""


@dataclass(frozen=True)
class _Table:
    """One row a refrigerant: (n_refrigerants,) arrays and (n_refrigerants, n_nodes) ``degc``."""

    lowest_kpa: FloatArray
    highest_kpa: FloatArray
    critical_kpa: FloatArray
    critical_degc: FloatArray
    ln_lowest: FloatArray
    per_ln: FloatArray
    degc: FloatArray


def refrigerant_index(name: str) -> int:
    """The index of a refrigerant in :data:`REFRIGERANTS`.

    Raises
    ------
    ValueError
        If it is not there; the message lists those that are.

    Examples
    --------
    >>> refrigerant_index("R717")
    0
    """
    if name not in REFRIGERANTS:
        msg = f"refrigerant '{name}' is not known; use one of {', '.join(REFRIGERANTS)}"
        raise ValueError(msg)
    return REFRIGERANTS.index(name)


def condensing_temperature_degc(
    pressure_kpa_abs: ArrayLike, refrigerant_index: ArrayLike
) -> FloatArray:
    """Condensing temperature (dew line) from absolute pressure, each with its own refrigerant.

    Parameters
    ----------
    pressure_kpa_abs : array
        Absolute pressure on the condensing side. [kPa abs]
    refrigerant_index : integer array
        Index into :data:`REFRIGERANTS`.

    Returns
    -------
    array of the common shape
        NaN below the pressure of -50 °C, above the critical pressure (for blends from 98 % of it
        on), and for an index that names no refrigerant. [°C]

    Notes
    -----
    A gauge pressure read as absolute gives 0.7 K (R744) to 4 K (R513A) too little at 40 °C.

    References
    ----------
    CoolProp 8.0.0 (Bell et al. 2014, Ind. Eng. Chem. Res. 53:2498), equations of state as listed
    there; blends as its predefined mixtures.

    Examples
    --------
    >>> condensing_temperature_degc([1554.53, 1645.07, 8000.0], [0, 4, 1]).round(2)
    array([40., 40., nan])
    """
    table = _table()
    p, index, known = _checked(pressure_kpa_abs, refrigerant_index)
    inside = known & (p >= table.lowest_kpa[index]) & (p <= table.highest_kpa[index])
    ln_p = np.log(np.where(inside, p, table.lowest_kpa[index]))
    nodes = table.degc.shape[1]
    x = (ln_p - table.ln_lowest[index]) * table.per_ln[index]
    # Rounding at the ends of the table may step over the edge by one part in 1e15.
    left = np.minimum(np.maximum(x, 0.0).astype(np.int64), nodes - 2)
    flat, at = table.degc.ravel(), index * nodes + left
    low = flat[at]
    return np.where(inside, low + (x - left) * (flat[at + 1] - low), np.nan)


def condensing_temperature_of_degc(refrigerant: str, pressure_kpa_abs: float) -> float:
    """Condensing temperature (dew line) of one refrigerant, by name.

    Raises
    ------
    ValueError
        If the refrigerant is not known.

    Examples
    --------
    >>> round(condensing_temperature_of_degc("R134a", 1016.59), 2)
    40.0
    """
    return float(condensing_temperature_degc(pressure_kpa_abs, refrigerant_index(refrigerant)))


def saturation_pressure_kpa_abs(temp_degc: ArrayLike, refrigerant_index: ArrayLike) -> FloatArray:
    """Dew-line pressure from temperature: the exact inverse of the condensing temperature.

    Parameters
    ----------
    temp_degc : array
        Dew-line temperature. [°C]
    refrigerant_index : integer array
        Index into :data:`REFRIGERANTS`.

    Returns
    -------
    array of the common shape
        NaN below -50 °C and above the end of the refrigerant's table (the critical point; blends
        end at 98 % of the critical pressure). [kPa abs]

    References
    ----------
    As for :func:`condensing_temperature_degc`.

    Examples
    --------
    >>> saturation_pressure_kpa_abs([40.0, 40.0, 40.0], [0, 2, 1]).round(1)
    array([1554.5, 1016.6,    nan])
    """
    table = _table()
    t, index = np.broadcast_arrays(real(temp_degc), np.asarray(refrigerant_index))
    ln_p = np.full(t.shape, np.nan)
    for i in range(len(REFRIGERANTS)):
        mine = index == i
        if mine.any():
            nodes = table.degc[i]
            ln_nodes = table.ln_lowest[i] + np.arange(nodes.size) / table.per_ln[i]
            ln_p[mine] = np.interp(t[mine], nodes, ln_nodes, left=np.nan, right=np.nan)
    return real(np.exp(ln_p))


def saturation_pressure_of_kpa_abs(refrigerant: str, temp_degc: float) -> float:
    """Dew-line pressure of one refrigerant, by name.

    Raises
    ------
    ValueError
        If the refrigerant is not known.

    Examples
    --------
    >>> round(saturation_pressure_of_kpa_abs("R717", 40.0), 1)
    1554.5
    """
    return float(saturation_pressure_kpa_abs(temp_degc, refrigerant_index(refrigerant)))


def above_critical(pressure_kpa_abs: ArrayLike, refrigerant_index: ArrayLike) -> BoolArray:
    """Whether a pressure is above the critical pressure, so that nothing condenses.

    Parameters
    ----------
    pressure_kpa_abs : array
        Absolute pressure. [kPa abs]
    refrigerant_index : integer array
        Index into :data:`REFRIGERANTS`.

    Returns
    -------
    bool array of the common shape
        False where the pressure is NaN or the refrigerant not known.

    Examples
    --------
    >>> above_critical([8000.0, 8000.0, float("nan")], [1, 0, 1])
    array([ True, False, False])
    """
    p, index, known = _checked(pressure_kpa_abs, refrigerant_index)
    return np.asarray(known & (p > _table().critical_kpa[index]))


def saturation_status(
    pressure_kpa_abs: ArrayLike, refrigerant_index: ArrayLike
) -> NDArray[np.int8]:
    """Why each pressure has a condensing temperature or none.

    Parameters
    ----------
    pressure_kpa_abs : array
        Absolute pressure. [kPa abs]
    refrigerant_index : integer array
        Index into :data:`REFRIGERANTS`.

    Returns
    -------
    int8 array of the common shape
        Values of :class:`SaturationStatus`; 0 exactly where
        :func:`condensing_temperature_degc` is a number.

    Examples
    --------
    >>> saturation_status([1500.0, 8000.0, 1.0, float("nan")], [0, 1, 0, 0])
    array([0, 4, 2, 1], dtype=int8)
    """
    table = _table()
    p, index, known = _checked(pressure_kpa_abs, refrigerant_index)
    status = np.select(
        [
            ~known,
            p < table.lowest_kpa[index],
            p <= table.highest_kpa[index],
            p <= table.critical_kpa[index],
        ],
        [
            SaturationStatus.MISSING,
            SaturationStatus.BELOW_TABLE,
            SaturationStatus.OK,
            SaturationStatus.NEAR_CRITICAL,
        ],
        SaturationStatus.ABOVE_CRITICAL,
    )
    return status.astype(np.int8)


def critical_point(refrigerant: str) -> tuple[float, float]:
    """Critical pressure [kPa abs] and temperature [°C] of a refrigerant.

    Raises
    ------
    ValueError
        If the refrigerant is not known.

    Examples
    --------
    >>> critical_point("R744")
    (7377.298373, 30.9782)
    """
    table, i = _table(), refrigerant_index(refrigerant)
    return float(table.critical_kpa[i]), float(table.critical_degc[i])


def table_range_kpa_abs(refrigerant: str) -> tuple[float, float]:
    """Lowest and highest pressure for which a condensing temperature is given. [kPa abs]

    Raises
    ------
    ValueError
        If the refrigerant is not known.

    Examples
    --------
    >>> [round(p) for p in table_range_kpa_abs("R717")]
    [41, 11363]
    """
    table, i = _table(), refrigerant_index(refrigerant)
    return float(table.lowest_kpa[i]), float(table.highest_kpa[i])


def _checked(
    pressure_kpa_abs: ArrayLike, refrigerant_index: ArrayLike
) -> tuple[FloatArray, IntArray, BoolArray]:
    """Pressures, safe indices, and whether both mean something, in one shape."""
    index = np.asarray(refrigerant_index)
    p, index = np.broadcast_arrays(positive(pressure_kpa_abs), index)
    named = (index >= 0) & (index < len(REFRIGERANTS))
    return p, np.where(named, index, 0).astype(np.int64), np.asarray(named & ~np.isnan(p))


@cache
def _table() -> _Table:
    """The data file, read on first use."""
    text = resources.files("rules.physics").joinpath(TABLE_NAME).read_text(encoding="utf-8")
    rows = [line.split(",") for line in text.splitlines() if line and not line.startswith("#")]
    if tuple(rows[0][1:]) != REFRIGERANTS:
        msg = (
            f"{TABLE_NAME} is for {', '.join(rows[0][1:])}, the program for "
            f"{', '.join(REFRIGERANTS)}; run python -m rules.physics.build_refrigerant_table"
        )
        raise ValueError(msg)
    head = {row[0]: np.array(row[1:], dtype=np.float64) for row in rows[1:5]}
    degc = np.ascontiguousarray(np.array([row[1:] for row in rows[5:]], dtype=np.float64).T)
    low, high = head["lowest_kpa_abs"], head["highest_kpa_abs"]
    per_ln = (degc.shape[1] - 1) / np.log(high / low)
    arrays = (
        low, high, head["critical_kpa_abs"], head["critical_degc"], np.log(low), per_ln, degc,
    )  # fmt: skip
    for array in arrays:
        array.setflags(write=False)
    return _Table(*arrays)
