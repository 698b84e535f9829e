"""Silence: what the receiver's clock says of units and sites that are not heard.

Only time in which the gateway listened counts: when it was down, or cut off from its own broker,
nobody could have been heard. So silence is measured on a clock of listened time, which the clock
entries of the journal drive; nothing here reads a clock.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.plan import FleetPlan
from rules.state import FleetState

__all__ = ["ClockView"]


@dataclass(frozen=True)
class ClockView:
    """All active units at one tick of the receiver's clock. Arrays are (k,)."""

    plan: FleetPlan
    state: FleetState
    rows: I64
    time_ms: I64
    listened_ms: int

    @property
    def silence_s(self) -> F64:
        """Listened time since each unit was last heard; NaN if it never was. [s]"""
        heard = self.state.heard_listened_ms[self.rows]
        return np.where(heard < 0, np.nan, (self.listened_ms - heard) / 1000.0)

    @property
    def site(self) -> I64:
        """Position of each unit's site in the plan."""
        return self.plan.site_index[self.rows].astype(np.int64)

    @property
    def is_anchor(self) -> Bool:
        """The units that carry their site's own alarms."""
        anchor: Bool = self.plan.anchor_row[self.site] == self.rows
        return anchor

    def setting(self, slug: str, name: str) -> F64:
        """A setting for these units."""
        return self.plan.settings.get(slug, name, self.rows)
