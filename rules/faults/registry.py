"""The one list of faults. Its order is the order of columns, lists and documents.

A fault that suppresses another stands before it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from rules.faults.airflow import FAN_CAPACITY_LOST, FAN_NOT_COMMANDED
from rules.faults.base import Fault, Setting
from rules.faults.bleed_blocked import BLEED_BLOCKED
from rules.faults.bleed_stuck_open import BLEED_STUCK_OPEN
from rules.faults.clock_wrong import CLOCK_WRONG
from rules.faults.coil_fouled import COIL_FOULED
from rules.faults.conductivity_high import CONDUCTIVITY_HIGH
from rules.faults.conductivity_probe import CONDUCTIVITY_PROBE
from rules.faults.fans import FAN_FAULT, FAN_NOT_PROVEN
from rules.faults.float_leaking import FLOAT_LEAKING
from rules.faults.float_stuck_open import FLOAT_STUCK_OPEN
from rules.faults.float_stuck_shut import FLOAT_STUCK_SHUT
from rules.faults.frost import FROST_RISK
from rules.faults.head_pressure import HEAD_PRESSURE_HIGH
from rules.faults.level_frozen import LEVEL_FROZEN
from rules.faults.makeup_quality import MAKEUP_QUALITY_CHANGED
from rules.faults.pads import PADS_CLOGGED, PADS_NOT_WETTING
from rules.faults.pump_drawing_air import PUMP_DRAWING_AIR
from rules.faults.pump_not_running import PUMP_NOT_RUNNING
from rules.faults.pump_overload import PUMP_OVERLOAD
from rules.faults.reading_frozen import READING_FROZEN
from rules.faults.reading_range import READING_OUT_OF_RANGE
from rules.faults.rule import Rule
from rules.faults.standing_water import BASIN_NOT_DRAINED, WARM_STANDING_WATER
from rules.faults.telemetry import SITE_CUT_OFF, UNIT_STALE
from rules.faults.unit_unregistered import UNIT_UNREGISTERED
from rules.faults.water_flow import DISTRIBUTION_RESTRICTED, PUMP_SCREEN_CLOGGING
from rules.settings import FLEET, FLEET_SETTINGS

__all__ = [
    "EXPLAINS_FROM", "FAULTS", "FAULT_INDEX", "RULES", "SETTINGS", "SLUGS", "unit_concerned",
]  # fmt: skip

RULES: Final[tuple[Rule, ...]] = (
    LEVEL_FROZEN,
    FLOAT_LEAKING,
    FLOAT_STUCK_OPEN,
    FLOAT_STUCK_SHUT,
    PUMP_OVERLOAD,
    PUMP_NOT_RUNNING,
    PUMP_DRAWING_AIR,
    PUMP_SCREEN_CLOGGING,
    DISTRIBUTION_RESTRICTED,
    CONDUCTIVITY_PROBE,
    BLEED_BLOCKED,
    BLEED_STUCK_OPEN,
    MAKEUP_QUALITY_CHANGED,
    CONDUCTIVITY_HIGH,
    FAN_FAULT,
    FAN_NOT_PROVEN,
    FAN_NOT_COMMANDED,
    FAN_CAPACITY_LOST,
    PADS_CLOGGED,
    PADS_NOT_WETTING,
    COIL_FOULED,
    HEAD_PRESSURE_HIGH,
    FROST_RISK,
    WARM_STANDING_WATER,
    BASIN_NOT_DRAINED,
    SITE_CUT_OFF,
    UNIT_STALE,
    READING_OUT_OF_RANGE,
    READING_FROZEN,
    CLOCK_WRONG,
    UNIT_UNREGISTERED,
)

FAULTS: Final[tuple[Fault, ...]] = tuple(rule.fault for rule in RULES)
SLUGS: Final[tuple[str, ...]] = tuple(fault.slug for fault in FAULTS)
FAULT_INDEX: Final[dict[str, int]] = {slug: i for i, slug in enumerate(SLUGS)}

EXPLAINS_FROM: Final = np.array([f.explains_from for f in FAULTS], dtype=np.int8)
"""The severity from which each fault counts as the cause of others, by its column."""

SETTINGS: Final[Mapping[str, Mapping[str, Setting]]] = {
    FLEET: {s.name: s for s in FLEET_SETTINGS},
    **{fault.slug: {s.name: s for s in fault.settings} for fault in FAULTS},
}
"""Every setting there is, by slug and name."""


def unit_concerned(slug: str, unit: str) -> str:
    """The unit that an alarm is about: '' where one only carries it for its whole site."""
    column = FAULT_INDEX.get(slug)
    return "" if column is not None and FAULTS[column].site_wide else unit
