"""Water that stands: how long it has not circulated, how warm it was, and what the unit's habit is.

A controller that lets the basin out by itself, or turns its water over for some minutes while the
unit runs dry, has a habit of its own. Then what it misses shows long before a fixed number of days.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import fault_is_there
from rules.arrays import F64, I8, I64, Bool
from rules.bin_rings import trace_window
from rules.drained import PROBE_IN_AIR_FRAC
from rules.physics.moist_air import wet_bulb_degc
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import FleetState

__all__ = [
    "MOST_DRAINS",
    "drains_seen",
    "mind_turning_over",
    "seen_dry",
    "standing_limit_s",
    "stood_s",
]

_LEVEL: Final = INDEX["basin_level"]
_CONDUCTIVITY: Final = INDEX["conductivity"]
_WATER: Final = INDEX["basin_temperature"]
_AIR: Final = INDEX["ambient_temperature"]
_HUMIDITY: Final = INDEX["relative_humidity"]


def stood_s(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    time_ms: I64,
    x: F64,
    pump: I8,
    elapsed_s: F64,
    gap: Bool,
) -> tuple[F64, F64]:
    """Time without circulation, and the warm part of it; both go on where the pump is unknown."""
    settings = plan.settings
    empty = x[:, _LEVEL] < settings.get("warm-standing-water", "water_level_mm", rows)
    in_air = _probe_in_air(plan, state, rows, x)
    state.drains[rows] |= np.where(in_air, SEEN_DRY, 0).astype(np.uint8)
    empty |= in_air
    # After a silence nothing is assumed: the pump may have run meanwhile.
    anew = (pump == 1) | empty | gap
    _mind_habit(plan, state, rows, time_ms, anew & ~gap, empty, x[:, _AIR])
    since = np.where(anew, time_ms, state.circulated_ms[rows])
    state.circulated_ms[rows] = since
    measured = x[:, _WATER]
    still = np.isnan(measured) & (pump != 1) & ~empty
    water = np.where(
        still, _still_water_degc(plan, state, rows, x, still, elapsed_s, gap), measured
    )
    warm = water >= settings.get("warm-standing-water", "warm_above_degc", rows)
    warm_s = np.where(anew, 0.0, state.warm_standing_s[rows] + np.where(warm, elapsed_s, 0.0))
    state.warm_standing_s[rows] = warm_s
    return (time_ms - since) / 1000.0, warm_s


SEEN_DRY: Final = 128
"""Bit of the column of drains: the probe was seen in air, where no level is sent. The rest of it
counts."""
MOST_DRAINS: Final = SEEN_DRY - 1
DRAINED_BINS: Final = 9
LEAST_DRAINED_MEANS: Final = 2
"""Bins whose means must say so, too, and how many means those must hold: three quarters of an hour.
A reading that drops out and is back lets no water out (judgement)."""


def _probe_in_air(plan: FleetPlan, state: FleetState, rows: I64, x: F64) -> Bool:
    """Whether the probe has hung in air for a while where nothing measures the level, (k,)."""
    least = PROBE_IN_AIR_FRAC * plan.makeup_us_cm[rows]
    out: Bool = np.isnan(x[:, _LEVEL]) & (x[:, _CONDUCTIVITY] < least)
    at = np.flatnonzero(out)
    if len(at):
        lately = trace_window(state, rows[at], "conductivity", DRAINED_BINS)
        enough = (~np.isnan(lately)).sum(axis=1) >= LEAST_DRAINED_MEANS
        out[at] = enough & (np.fmax.reduce(lately, axis=1) < least[at])
        # One that is out of order, or unplugged, hangs in no air.
        out[at] &= ~fault_is_there(state, rows[at], "conductivity-probe")
    return out


FOLLOWS_S: Final = 54_000.0
"""Standing water follows the air with a lag of fifteen hours: 0.2 m of it hold 840 kJ/(m² K), and
its surface takes up some 15 W/(m² K) in still air (from memory). An afternoon warms it little."""


def _still_water_degc(
    plan: FleetPlan, state: FleetState, rows: I64, x: F64, still: Bool, elapsed_s: F64, gap: Bool
) -> F64:
    """Temperature of standing water that nobody measures, (k,); NaN while the air is not known.

    It begins at the wet bulb, where circulation leaves it, and tends to halfway from there to the
    air, since its surface is cooled by evaporating and its walls are not (judgement); by the air
    alone where no humidity is known. Sun on the basin is not in it.
    """
    out = np.full(len(rows), np.nan)
    # What circulates, is measured or is let out begins anew when it stands.
    kept = np.where(still, state.still_water_degc[rows], x[:, _WATER])
    at = np.flatnonzero(still & ~np.isnan(x[:, _AIR]))
    if len(at):
        air = x[at, _AIR]
        bulb = wet_bulb_degc(air, x[at, _HUMIDITY], plan.barometric_kpa[rows[at]])
        bulb = np.where(np.isnan(bulb), air, bulb)
        old = np.where(np.isnan(kept[at]), bulb, kept[at])
        share = np.where(gap[at], 0.0, -np.expm1(-np.maximum(elapsed_s[at], 0.0) / FOLLOWS_S))
        out[at] = kept[at] = old + (0.5 * (air + bulb) - old) * share
    state.still_water_degc[rows] = kept
    return out


def mind_turning_over(
    state: FleetState, rows: I64, pump: I8, pump_was: I8, mode: I8, gap: Bool
) -> None:
    """Count the runs of the pump that turned standing water over, as they end.

    The unit was told to run dry all the while: from before the start, ``state`` still holding when
    that was, to the stop. What a person does who works on the unit is no habit of the controller.
    """
    over = (pump == 0) & (pump_was == 1) & (mode == 0) & ~gap
    if not over.any():
        return
    dry = (state.mode[rows] == 0) & (state.mode_changed_ms[rows] < state.pump_changed_ms[rows])
    over &= dry & (state.out_of_service_until_ms[rows] == 0)
    state.drains[rows] += over & (drains_seen(state, rows) < MOST_DRAINS)


LEAST_SPELL_S: Final = 1800.0

FROST_NEAR_DEGC: Final = 5.0
"""Controllers that drain against frost do so between 2 and 5 °C of air (common practice). [°C]"""


def _mind_habit(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    time_ms: I64,
    ends: Bool,
    empty: Bool,
    air_degc: F64,
) -> None:
    """How long water stands here before it circulates or is let out, and whether it ever is.

    A spell that the habit calls too long is not taken into it, nor is one that a person ends who
    works on the unit: a cleaning is no habit of the controller. What was let out for fear of frost
    says nothing of how long water may stand in warmer weather.
    """
    spell_s = (time_ms - state.circulated_ms[rows]) / 1000.0
    counts = ends & (spell_s >= LEAST_SPELL_S) & (state.circulated_ms[rows] > 0)
    at = np.flatnonzero(counts & (state.out_of_service_until_ms[rows] == 0))
    if not len(at):
        return
    row, spell = rows[at], spell_s[at]
    fits = spell < standing_limit_s(plan, state, row)
    longest = state.longest_standing_s[row]
    state.longest_standing_s[row] = np.where(fits, np.maximum(longest, spell), longest)
    let_out = empty[at] & ~(air_degc[at] < FROST_NEAR_DEGC)
    state.drains[row] += let_out & (drains_seen(state, row) < MOST_DRAINS)


def drains_seen(state: FleetState, rows: I64) -> I64:
    """How often the basin was emptied, or turned over in dry running, (k,)."""
    return state.drains[rows].astype(np.int64) & MOST_DRAINS


def seen_dry(state: FleetState, rows: I64) -> Bool:
    """Units that send no level and whose probe was seen in air, (k,)."""
    dry: Bool = (state.drains[rows] & SEEN_DRY) != 0
    return dry


def standing_limit_s(plan: FleetPlan, state: FleetState, rows: I64) -> F64:
    """How long water may stand in the basin, (k,). [s]

    A controller that lets the water out by itself has its own habit: then that counts, with half
    as much again; else the setting.
    """
    settings = plan.settings
    own = 1.5 * state.longest_standing_s[rows] + 43_200.0
    least = settings.get("basin-not-drained", "habit_least_s", rows)
    fixed = settings.get("basin-not-drained", "standing_low_s", rows)
    by_habit = drains_seen(state, rows) >= settings.get("basin-not-drained", "habit_drains", rows)
    return np.where(by_habit, np.minimum(np.maximum(own, least), fixed), fixed)
