"""How fast a basin fills from empty, through its wide open float valve, against its fills before.

A strainer that clogs or a supply that loses pressure shows little while the pump runs: the float
only hangs a little lower, and passes what is asked. An empty basin asks for all that the valve
gives, and its fills are alike within some per cent, whatever the site file says of the valve. What
is drawn meanwhile is small beside it. A strainer clogs over weeks, so less than usual teaches
slowly. A fill that takes less than two means of five minutes shows less than its speed, each time
by another share: of units with such valves nothing is said. A make-up meter tells the same of a
valve that is wide open for other reasons, see rules/wide_open.py.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bin_rings import trace_window
from rules.drained import DRAINED_MM
from rules.fresh_fill import EMPTY_BINS, FRESH_BINS, FULL_BINS, LEAST_FILLS
from rules.plan import FleetPlan
from rules.state import BIN_MS, TRACE_BINS, FleetState

__all__ = [
    "close_fill_flow",
    "fill_flow_l_min",
    "fills_as_fast_as_ever",
    "fills_slower",
    "forget_fill_flow",
    "learn_fills",
    "note_wide_open",
    "usual_fill_flow_l_min",
]

_SHUT: Final = "float-stuck-shut"
NEWEST: Final = 0
USUAL: Final = 1
SPREAD: Final = 2
AGREE_FILLS: Final = 2
"""Fills in a row that must be slow: others may have drawn on the same supply once (judgement)."""
MEMORY_FILLS: Final = 10.0
SLOW_MEMORY_FILLS: Final = 50.0
"""From then on the usual follows upwards over ten fills, downwards over fifty: what clogs over
weeks is not learned before it shows (judgement)."""
MEMORY_BINS: Final = 4032
"""Two weeks without a fill from empty, or a look by the meter: then it is not known any more how
fast it fills, and what was slow before counts no more, so of a basin that is filled from empty once
a month nothing is said by its fills (judgement)."""
MOST_TIMES: Final = 1.25
"""More than so many times the usual teaches as this, lest one fill by hose count for many
(judgement)."""
HOSE_TIMES: Final = 1.5
"""Rise, of that by the valve's full flow, or the usual one where that is more, from which it is
no fill by the float: supply and site file are off by a fifth each (common practice). A level
reading that comes back rises at once."""
LEAST_FILL_BINS: Final = 2.0
"""Means that a fill must take at the usual flow: the greatest rise between two of them is then at
least seven eighths of that in a whole one, wherever it begins (geometry of a ramp)."""
SPREADS: Final = 5.0
"""Mean deviations by which a fill must be slower: four standard deviations of a normal scatter."""
BACK_FRAC: Final = 0.8
"""Share of the usual from which a fill is as fast as ever: supply pressure moves it by a fifth
(common practice)."""
APART_BINS: Final = 72
"""Six hours between two looks of a meter at a wide open valve that count: within them others may
have drawn on the same supply (judgement)."""
RATED_FRAC: Final = 0.5
"""Share of the valve's flow by the site file from which less is slow, where the usual one is not
known: file, meter and supply pressure are off by a fifth each (common practice)."""


def close_fill_flow(
    plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64, level_mm: F64
) -> None:
    """Take the fills from empty that are over in the bins of ``rows`` that are just closing.

    ``level_mm`` is the mean level of the bin, (k,); its means are in the trace already. To be
    called before :func:`rules.fresh_fill.close_fill`, which knows that the basin was empty and
    forgets it once it is full. Fills while a unit is out of service count for nothing, and who
    works on it may mend what made the last ones slow.
    """
    worked_on = state.out_of_service_until_ms[rows] != 0
    state.fills_slow[rows[worked_on]] = 0
    bottom = plan.float_shut_mm[rows] - plan.float_band_mm[rows]
    at = (state.empty_bins[rows] >= EMPTY_BINS) & ~worked_on
    at = np.flatnonzero(at & (level_mm >= bottom))
    if not len(at):
        return
    row, bottom = rows[at], bottom[at]
    running, at_rest = (
        trace_window(state, row, name, TRACE_BINS) for name in ("level_running", "level_at_rest")
    )
    level = np.fmax(running, at_rest)
    after = np.cumsum((level < DRAINED_MM)[:, ::-1], axis=1)[:, ::-1]
    # The first means of the full basin since it was empty, seen once. Those in which the pump
    # starts may be missing before.
    full = (level >= bottom[:, None]) & (after == 0)
    just = full[:, -FULL_BINS:].all(axis=1) & (full.sum(axis=1) == FULL_BINS)
    # Pads and pipes take water from the basin when the pump starts, and give it back when it
    # stops, and the site file's figure of it is rough: each rise is told both ways, and the less
    # counts. A bin of both states has a mean of an earlier and of a later part of it.
    rise = np.minimum(
        *(_rise(running + back, at_rest) for back in (0.0, plan.pull_down_mm[row, None]))
    )
    # A pump that starts and stops within all of them leaves no rise to tell.
    both = ~np.isnan(running) & ~np.isnan(at_rest)
    told = ~np.isnan(rise) & (after[:, 1:] == 0)  # of this fill alone
    alike = told & ~both[:, 1:] & ~both[:, :-1]
    just &= alike[:, : 1 - FULL_BINS].any(axis=1)  # once full, it rises no more
    flow = np.where(told, rise, 0.0).max(axis=1) * plan.area_m2[row] * (60_000.0 / BIN_MS)
    most = HOSE_TIMES * np.fmax(plan.makeup_max_l_min[row], usual_fill_flow_l_min(state, row))
    just &= (flow > 0.0) & (flow <= most)
    if just.any():
        learn_fills(plan, state, row[just], bin_id[at[just]], flow[just])


def _rise(running: F64, at_rest: F64) -> F64:
    """The least rise from each mean to the next, (k, bins - 1)."""
    lower, upper = np.fmin(running, at_rest), np.fmax(running, at_rest)
    rise: F64 = lower[:, 1:] - upper[:, :-1]
    return rise


def learn_fills(plan: FleetPlan, state: FleetState, row: I64, bin_id: I64, flow: F64) -> None:
    """Compare fills with the unit's own, count those that are slow in a row, and learn."""
    n = state.fill_flows[row].astype(np.float64)
    last, usual, spread = state.fill_flow[row].astype(np.float64).T
    known = n >= LEAST_FILLS
    depth_l = (plan.float_shut_mm[row] - plan.float_band_mm[row]) * plan.area_m2[row]
    sharp = LEAST_FILL_BINS * usual * (BIN_MS / 60_000.0) <= depth_l
    slow = known & sharp & (flow < _slow_from_l_min(plan, row, usual, spread))
    before = _slow_lately(state, row, bin_id)
    in_a_row = np.minimum(before, 254) + 1
    rated = plan.makeup_max_l_min[row]
    as_ever = flow >= BACK_FRAC * np.where(known, usual, rated)
    # Between slow and as ever nothing new is said.
    state.fills_slow[row] = np.where(slow, in_a_row, np.where(as_ever, 0, before))
    # What the meter calls starved teaches no usual flow, and is no scatter of the fills.
    starved = ~known & (before >= AGREE_FILLS) & (flow < RATED_FRAC * rated)
    weight = np.where(starved, 0.0, 1.0 / np.where(known, MEMORY_FILLS, n + 1.0))
    less = np.where(known, 1.0 / SLOW_MEMORY_FILLS, weight)
    scatters = np.where(slow | (before > 0), 0.0, weight)
    taught = np.where(known, np.minimum(flow, MOST_TIMES * usual), flow) - usual
    # From one fill to the next, so that a slow loss is no scatter.
    with np.errstate(divide="ignore", invalid="ignore"):
        away = np.where(n > 0, np.abs(flow - last) / (np.sqrt(2.0) * usual), 0.0)
    spread = spread + scatters * (away - spread)
    usual = usual + np.where(taught < 0.0, less, weight) * taught
    state.fill_flow[row] = np.stack([flow, usual, spread], axis=1)
    state.fill_flows[row] = np.minimum(n + ~starved, 255)
    state.fill_flow_bin[row] = bin_id


def note_wide_open(plan: FleetPlan, state: FleetState, row: I64, bin_id: I64, flow: F64) -> None:
    """Count what a make-up meter shows of wide open valves beside the fills from empty, (k,).

    Meter and basin area are off by some per cent each, so it teaches no usual flow: it is slow, and
    counts once in six hours; or it is as ever, and ends what was counted.
    """
    known = state.fill_flows[row] >= LEAST_FILLS
    usual, spread = state.fill_flow[row, USUAL], state.fill_flow[row, SPREAD]
    rated = plan.makeup_max_l_min[row]
    limit = np.where(known, _slow_from_l_min(plan, row, usual, spread), RATED_FRAC * rated)
    counted = _slow_lately(state, row, bin_id)
    slow = (flow < limit) & ((counted == 0) | (bin_id - state.fill_flow_bin[row] >= APART_BINS))
    as_ever = (counted > 0) & (flow >= BACK_FRAC * np.where(known, usual, rated))
    news = slow | as_ever
    state.fills_slow[row] = np.where(
        slow, np.minimum(counted + 1, 255), np.where(as_ever, 0, counted)
    )
    state.fill_flow[row[news], NEWEST] = flow[news]
    state.fill_flow_bin[row[news]] = bin_id[news]


def _slow_lately(state: FleetState, row: I64, bin_id: I64) -> I64:
    """Newest in a row that were slow, (k,); those that are too old to count are forgotten."""
    lately = bin_id - state.fill_flow_bin[row] < MEMORY_BINS
    return np.where(lately, state.fills_slow[row], 0).astype(np.int64)


def _slow_from_l_min(plan: FleetPlan, row: I64, usual: F64, spread: F64) -> F64:
    """The flow below which a fill is slow, by the setting and by how the unit's fills scatter."""
    share = plan.settings.get(_SHUT, "fill_slow_frac", row)
    least: F64 = np.minimum(share, 1.0 - SPREADS * spread) * usual
    return least


def fills_slower(state: FleetState, rows: I64) -> Bool:
    """Units whose newest fills, or looks by the meter, two and more in a row, were far slower."""
    lately = state.trace_bin[rows] - state.fill_flow_bin[rows] < MEMORY_BINS
    slower: Bool = lately & (state.fills_slow[rows] >= AGREE_FILLS)
    return slower


def fills_as_fast_as_ever(state: FleetState, rows: I64) -> Bool:
    """Units that filled from empty within three hours, or were seen wide open, as ever, (k,)."""
    lately = state.trace_bin[rows] - state.fill_flow_bin[rows] < FRESH_BINS
    as_ever: Bool = lately & (state.fill_flows[rows] > LEAST_FILLS) & (state.fills_slow[rows] == 0)
    return as_ever


def fill_flow_l_min(state: FleetState, rows: I64) -> F64:
    """Flow of the newest fill from empty, or by a meter, (k,), NaN for none. [L/min]"""
    flow = state.fill_flow[rows, NEWEST].astype(np.float64)
    return np.where((state.fill_flows[rows] > 0) | (state.fills_slow[rows] > 0), flow, np.nan)


def usual_fill_flow_l_min(state: FleetState, rows: I64) -> F64:
    """Flow at which a unit is used to fill, (k,), NaN where too few fills were seen. [L/min]"""
    usual = state.fill_flow[rows, USUAL].astype(np.float64)
    return np.where(state.fill_flows[rows] >= LEAST_FILLS, usual, np.nan)


def forget_fill_flow(state: FleetState, row: int) -> None:
    """Forget how fast a unit fills; the next fills teach it anew."""
    state.fill_flow[row] = 0.0
    state.fill_flows[row] = 0
    state.fills_slow[row] = 0
