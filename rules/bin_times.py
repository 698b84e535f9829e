"""When a unit's five-minute bins begin and end.

Every site has its own phase, so that a large fleet does not close all its bins in one step: that
step would take four times as long as the others. The units of a site, which usually report
together, close together. What a unit does once an hour or a day has a phase of the unit's own.
Phases come from ids alone: neither the order nor the number of sites and units changes a unit's
events.
"""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING, Final

from rules.arrays import I64
from rules.state import BIN_MS

if TYPE_CHECKING:
    from rules.plan import FleetPlan

__all__ = [
    "BINS_AN_HOUR",
    "bin_end_ms",
    "bin_of",
    "bin_start_ms",
    "day_phase_of",
    "hour_phase_of",
    "phase_ms",
]

_PHASE_STEP_MS: Final = 1000
BINS_AN_HOUR: Final = 3_600_000 // BIN_MS


def phase_ms(site_id: str) -> int:
    """How far the bins of a site's units run ahead of the clock's full five minutes. [ms]"""
    return zlib.crc32(site_id.encode()) % (BIN_MS // _PHASE_STEP_MS) * _PHASE_STEP_MS


def day_phase_of(site_id: str, unit_id: str) -> int:
    """How many bins a unit's day runs ahead of the calendar's: each unit has an hour of its own.

    Whole hours: ending a day costs one unit as much as some dozens, so few bins do it.
    """
    return zlib.crc32(f"{site_id}/{unit_id}".encode()) % 24 * BINS_AN_HOUR


def hour_phase_of(site_id: str, unit_id: str) -> int:
    """How many bins a unit's hours run ahead of the clock's, 0 to 35: of three hours, too."""
    return zlib.crc32(f"{site_id}/{unit_id}/hour".encode()) % (3 * BINS_AN_HOUR)


def bin_of(plan: FleetPlan, rows: I64, time_ms: I64 | int) -> I64:
    """Id of the bin that holds a time, by unit; ids count up by one."""
    ids: I64 = (time_ms + plan.bin_phase_ms[rows]) // BIN_MS
    return ids


def bin_start_ms(plan: FleetPlan, rows: I64, bin_id: I64) -> I64:
    """First millisecond of a bin."""
    start: I64 = bin_id * BIN_MS - plan.bin_phase_ms[rows]
    return start


def bin_end_ms(plan: FleetPlan, rows: I64, bin_id: I64) -> I64:
    """First millisecond after a bin."""
    return bin_start_ms(plan, rows, bin_id + 1)
