"""What the make-up meter shows of a float valve that is wide open.

A float throttles: the lower the water, the more it passes, until it is wide open. A meter that
stays where it is while the level goes on falling below that, or climbs back up to it, shows all
that supply, strainer and valve give, whatever pads and bleed take meanwhile. A level that only
reads low moves within the band, and there the meter follows it. So a basin that a bleed pulls down
for a quarter of an hour tells each time of a valve that gets less water than it used to, long
before the pump draws air.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bin_rings import trace_window
from rules.fill_flow import note_wide_open
from rules.fresh_fill import LEAST_FILLS
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import TRACE_BINS, FleetState

__all__ = ["close_wide_open"]

_SHUT: Final = "float-stuck-shut"
_METER: Final = INDEX["makeup_flow"]
MOVES_FRAC: Final = 0.25
"""Share of the band by which the level must move between two means: within it the valve would pass
a quarter more or less of its flow, many times what a meter's mean is off (geometry)."""
FLAT_FRAC: Final = 0.1
"""Two means of the meter within this are alike: noise and the supply's pressure (judgement)."""
MOST_FRAC: Final = 0.95
"""Share of the most that the meter showed in three hours: a wide open valve passes no more
(judgement)."""
LIVES_FRAC: Final = 0.8
"""A meter that showed nothing below this share of it meanwhile may stand still (judgement)."""


def close_wide_open(
    plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64, level_mm: F64
) -> None:
    """Take what the meters of ``rows`` show of wide open valves in the bins just closing.

    ``level_mm`` is the mean level of the bin, (k,); its means are in the trace already. Fills from
    empty are left to :mod:`rules.fill_flow` where that knows how fast they are, and who works on a
    unit draws water as he likes.
    """
    bottom = plan.float_shut_mm[rows] - plan.float_band_mm[rows]
    elsewhere = (state.empty_bins[rows] > 0) & (state.fill_flows[rows] >= LEAST_FILLS)
    among = (level_mm <= bottom) & ~elsewhere
    among &= (state.out_of_service_until_ms[rows] == 0) & (state.value_ms[rows, _METER] > 0)
    at = np.flatnonzero(among)
    if not len(at):
        return
    row = rows[at]
    level = np.fmax(*(trace_window(state, row, n, 2) for n in ("level_running", "level_at_rest")))
    low = bottom[at] - plan.settings.get(_SHUT, "under_level_mm", row)
    moved = np.abs(level[:, 1] - level[:, 0]) >= MOVES_FRAC * plan.float_band_mm[row]
    wide = (level.max(axis=1) <= bottom[at]) & (level.min(axis=1) <= low) & moved
    at, row = at[wide], row[wide]
    flow = trace_window(state, row, "makeup_flow", TRACE_BINS)
    stays = _stays_at_its_most(flow)
    if stays.any():
        newest = flow[stays, -2:].mean(axis=1)
        note_wide_open(plan, state, row[stays], bin_id[at[stays]], newest)


def _stays_at_its_most(flow: F64) -> Bool:
    """Whether the two newest means of a window are alike, and the most of it, (k,).

    ``flow`` is (k, bins). A meter that moved in nothing else may be stuck there.
    """
    two = flow[:, -2:]
    less, more = two.min(axis=1), two.max(axis=1)
    there = np.where(np.isnan(flow), -np.inf, flow)
    lives: Bool = (flow <= LIVES_FRAC * less[:, None]).any(axis=1)
    stays: Bool = (more > 0.0) & (less >= (1.0 - FLAT_FRAC) * more)
    most: Bool = more >= MOST_FRAC * there.max(axis=1)
    return stays & lives & most
