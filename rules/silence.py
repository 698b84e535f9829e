"""Silence: what the receiver's clock says of units and sites that are not heard.

Only time in which the gateway listened counts: when it was down, or cut off from its own broker,
nobody could have been heard. So silence is measured on a clock of listened time, which the clock
entries of the journal drive; nothing here reads a clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

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
    def own_silence_s(self) -> F64:
        """The same, begun anew when its site came back: a link tells nothing of one unit, and the
        first message after a cut-off is not that of every unit. [s]
        """
        heard, away = self.state.heard_listened_ms, self.state.site_away_listened_ms
        since = np.maximum(heard[self.rows], away[self.plan.anchor_row[self.site]])
        return np.where(heard[self.rows] < 0, np.nan, (self.listened_ms - since) / 1000.0)

    @cached_property
    def site_away(self) -> Bool:
        """Whether each unit's site said goodbye, or all its units (two at least) are silent."""
        offline = self.state.site_offline[self.plan.anchor_row[self.site]]
        away: Bool = offline | self._all_silent
        return away

    @cached_property
    def _all_silent(self) -> Bool:
        n_sites = len(self.plan.sites)
        silent = self.silence_s >= self.setting("site-cut-off", "all_silent_s")
        quiet = np.bincount(self.site[silent], minlength=n_sites)
        units = np.bincount(self.site[~np.isnan(self.silence_s)], minlength=n_sites)
        silent_sites: Bool = (quiet == units) & (units >= 2)
        return silent_sites[self.site]

    def note_away(self) -> None:
        """Remember up to when sites were silent as a whole: a link that only drops for a moment
        must not begin the silence of a unit anew each time.
        """
        anchors = self.plan.anchor_row[self.site[self._all_silent]]
        self.state.site_away_listened_ms[anchors] = self.listened_ms

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
