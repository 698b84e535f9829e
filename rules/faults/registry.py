"""The one list of faults. Its order is the order of columns, lists and documents.

A fault that suppresses another stands before it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from rules.faults.base import Fault, Setting
from rules.faults.conductivity_high import CONDUCTIVITY_HIGH
from rules.faults.fans import FAN_FAULT, FAN_NOT_PROVEN
from rules.faults.float_valve import FLOAT_STUCK_OPEN, FLOAT_STUCK_SHUT
from rules.faults.head_pressure import HEAD_PRESSURE_HIGH
from rules.faults.level_frozen import LEVEL_FROZEN
from rules.faults.pump_not_running import PUMP_NOT_RUNNING
from rules.faults.rule import Rule
from rules.faults.telemetry import SITE_CUT_OFF, UNIT_STALE
from rules.faults.water_flow import DISTRIBUTION_RESTRICTED, PUMP_SCREEN_CLOGGING
from rules.settings import FLEET, FLEET_SETTINGS

__all__ = ["FAULTS", "FAULT_INDEX", "RULES", "SETTINGS", "SLUGS"]

RULES: Final[tuple[Rule, ...]] = (
    LEVEL_FROZEN,
    FLOAT_STUCK_OPEN,
    FLOAT_STUCK_SHUT,
    PUMP_NOT_RUNNING,
    PUMP_SCREEN_CLOGGING,
    DISTRIBUTION_RESTRICTED,
    CONDUCTIVITY_HIGH,
    FAN_FAULT,
    FAN_NOT_PROVEN,
    HEAD_PRESSURE_HIGH,
    SITE_CUT_OFF,
    UNIT_STALE,
)

FAULTS: Final[tuple[Fault, ...]] = tuple(rule.fault for rule in RULES)
SLUGS: Final[tuple[str, ...]] = tuple(fault.slug for fault in FAULTS)
FAULT_INDEX: Final[dict[str, int]] = {slug: i for i, slug in enumerate(SLUGS)}

SETTINGS: Final[Mapping[str, Mapping[str, Setting]]] = {
    FLEET: {s.name: s for s in FLEET_SETTINGS},
    **{fault.slug: {s.name: s for s in fault.settings} for fault in FAULTS},
}
"""Every setting there is, by slug and name."""
