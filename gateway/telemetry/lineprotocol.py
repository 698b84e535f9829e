"""Rows as InfluxDB line protocol: ``unit,site=S,unit=U basin_level=1.0,... TIME``, in milliseconds.

Written here rather than with the client's Point objects, which cost five times as much a line.
Source: InfluxDB line protocol reference (measurement, tag set, field set, timestamp; comma, equals
sign and space are escaped with a backslash in tag values).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from gateway.telemetry.base import StoreRefused
from gateway.telemetry.rows import Rows
from rules.signals import SIGNALS

__all__ = ["MEASUREMENT", "lines"]

MEASUREMENT: Final = "unit"

_ESCAPES: Final = str.maketrans({",": "\\,", "=": "\\=", " ": "\\ "})
_NAMES: Final = tuple(s.name for s in SIGNALS)


def lines(rows: Rows) -> list[str]:
    """One line for each row, without its line end; :class:`StoreRefused` for an id that can't be.

    Lines come grouped by the set of signals they carry, not in order of time.
    """
    heads = [_head(site, unit) for site, unit in rows.units]
    present = ~np.isnan(rows.values)
    out: list[str] = []
    # Formatting is fast only with one template for many lines: one for each set of signals.
    sets, which = np.unique(np.packbits(present, axis=1), axis=0, return_inverse=True)
    which = which.reshape(-1)  # numpy 2.0 alone gives it a second axis
    for i in range(len(sets)):
        at = np.flatnonzero(which == i)
        columns = np.flatnonzero(present[at[0]])
        template = "%s " + ",".join(f"{_NAMES[c]}=%r" for c in columns) + " %d"
        parts = (
            [heads[u] for u in rows.unit[at].tolist()],
            *rows.values[np.ix_(at, columns)].T.tolist(),
            rows.time_ms[at].tolist(),
        )
        out += [template % fields for fields in zip(*parts, strict=True)]
    return out


def _head(site: str, unit: str) -> str:
    return f"{MEASUREMENT},site={_tag(site)},unit={_tag(unit)}"


def _tag(value: str) -> str:
    # A backslash before the next separator can't be told from an escape, and a control
    # character would end the line.
    if not value or value.endswith("\\") or any(not c.isprintable() for c in value):
        msg = (
            f"the id {value!r} can't be a tag in InfluxDB: it is empty, ends with a backslash or "
            "holds a control character. Correct the id in the site file."
        )
        raise StoreRefused(msg)
    return value.translate(_ESCAPES)
