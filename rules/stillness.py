"""Readings that stand still: how long each has, in states in which a sound sensor must move.

Counted in five-minute bins, so that sampling every ten seconds or every five minutes tells the
same. A bin counts only if the reading came in it, kept exactly its value, and the machine was in a
state in which the quantity moves: pump readings while the pump runs, head pressure while fans
work, conductivity while water evaporates. What a reading's own longest stillness was is learned, so
a coarse sensor is given the time that it always took.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import fault_column, there_at
from rules.arrays import F64, I64, Bool
from rules.bin_times import bin_start_ms
from rules.bits import unpacked
from rules.plan import FleetPlan
from rules.signals import FOG_PCT, INDEX, SIGNALS
from rules.state import WATCHED, FleetState

__all__ = ["WATCHED_AT", "close_stillness", "could_be_coarse", "stands_still_together"]

WATCHED_AT: Final = np.array([INDEX[name] for name in WATCHED])
_W: Final = {name: i for i, name in enumerate(WATCHED)}
_ANALOGUE: Final = np.array([s.kind == "analogue" for s in SIGNALS])
_MOST_BINS: Final = np.uint16(60_000)

NEXT_TO_NOTHING_FRAC: Final = 0.1
"""Share of the rated pressure or flow below which a pump moves hardly any water (judgement)."""

LEAST_TOGETHER: Final = 4
"""So many analogue readings at least must stand still for 'all of them' to mean anything."""

TOGETHER_BINS: Final = 24
"""Two hours in which nothing at all moved: noise alone moves one of several within minutes."""


def close_stillness(plan: FleetPlan, state: FleetState, rows: I64, gap: Bool) -> None:
    """Count the bins of ``rows`` that are just closing; a gap begins anew."""
    changed_all = unpacked(state.seen_changed[rows])
    carried_all = unpacked(state.seen_carried[rows])
    state.seen_changed[rows] = 0
    state.seen_carried[rows] = 0
    changed, carried = changed_all[:, WATCHED_AT], carried_all[:, WATCHED_AT]
    still, age = state.still_bins[rows], state.still_age_bins[rows]
    longest, seen = state.still_longest_bins[rows], state.still_changes[rows]
    # How a stillness ended that was called frozen is no measure of the sensor's habits.
    ended = changed & (still > longest)
    if ended.any():
        ended &= ~unpacked(state.frozen_set[rows])[:, WATCHED_AT]
        np.copyto(longest, still, where=ended)
        state.still_longest_bins[rows] = longest
    np.add(seen, 1, out=seen, where=changed & (seen < 255))
    anew = changed | gap[:, None]
    held = carried & ~anew
    some = np.flatnonzero(held.any(axis=1))
    if len(some):
        counts = held[some] & _must_move(plan, state, rows[some])
        still[some] = np.minimum(still[some] + counts, _MOST_BINS)
    np.minimum(age + np.uint16(1), _MOST_BINS, out=age)
    np.copyto(still, 0, where=anew)
    np.copyto(age, 0, where=anew)
    state.still_bins[rows], state.still_age_bins[rows] = still, age
    state.still_changes[rows] = seen

    enough = (carried_all & _ANALOGUE).sum(axis=1) >= LEAST_TOGETHER
    moved = changed_all.any(axis=1) | gap
    all_still = state.still_all_bins[rows]
    more = all_still + (enough & (all_still < _MOST_BINS))
    state.still_all_bins[rows] = np.where(moved, np.uint16(0), more)


def _must_move(plan: FleetPlan, state: FleetState, rows: I64) -> Bool:
    """Whether the machine was in a state that moves each reading through the whole bin, (k, W)."""
    start_ms = bin_start_ms(plan, rows, state.bin_id[rows])
    value = state.value[rows[:, None], WATCHED_AT]
    wet = (state.pump_state[rows] == 1) & (state.pump_changed_ms[rows] <= start_ms)
    fans_since = state.fans_commanded_ms[rows]
    fans = (fans_since > 0) & (fans_since <= start_ms)
    # Without a speed command, fans that are proven running say that they work.
    run, speed = state.value[rows, INDEX["fan_run"]], state.value[rows, INDEX["fan_speed"]]
    fans |= np.isnan(speed) & (run > 0)
    flooded = ~(state.value[rows, INDEX["basin_level"]] < 20.0)
    out = np.ones(value.shape, dtype=np.bool_)
    for name in ("pump_current", "spray_pressure", "spray_flow"):
        out[:, _W[name]] = wet
    out[:, _W["conductivity"]] = wet & flooded
    out[:, _W["basin_temperature"]] = flooded
    # A pump that runs dry has no pressure and no flow, for as long as it does.
    out[:, _W["spray_pressure"]] &= (
        value[:, _W["spray_pressure"]] > NEXT_TO_NOTHING_FRAC * plan.pump_rated_pressure_kpa[rows]
    )
    out[:, _W["spray_flow"]] &= (
        value[:, _W["spray_flow"]] > NEXT_TO_NOTHING_FRAC * plan.pump_rated_flow_l_min[rows]
    )
    for name in ("head_pressure", "pad_pressure_drop"):
        out[:, _W[name]] = fans
    humidity = value[:, _W["relative_humidity"]]
    out[:, _W["relative_humidity"]] = humidity < FOG_PCT
    for name in ("makeup_flow", "bleed_flow"):
        # A shut valve lets nothing through, for days.
        out[:, _W[name]] = value[:, _W[name]] > 0.02 * plan.makeup_max_l_min[rows]
    # Through a bleed that stays open it flows evenly: a coarse meter may then show one figure.
    # Where no probe bears that out, the meter that says so may be the one that stands.
    stuck, since = fault_column("bleed-stuck-open"), state.alarm_pending_ms
    open_for_good = there_at(state, rows, stuck) | (since[rows, stuck] > 0)
    open_for_good &= state.value_ms[rows, INDEX["conductivity"]] > 0
    out[:, _W["bleed_flow"]] &= ~open_for_good
    return out


def stands_still_together(state: FleetState, rows: I64) -> Bool:
    """Nothing that these units send has changed for two hours."""
    still: Bool = state.still_all_bins[rows] >= TOGETHER_BINS
    return still


def could_be_coarse(plan: FleetPlan, rows: I64, values: F64) -> Bool:
    """Whether watched values (k, W) lie on a grid that a coarse sensor could show.

    The grid is half of the next of 1, 10, 100, ... above one hundredth of the quantity's own size
    (half a degree and whole per cent for weather), and whole degrees Fahrenheit or psi where these
    are shown converted. A fine sensor's value lies on it by chance once in five to ten times.
    """
    size = np.empty((len(rows), len(WATCHED)))
    size[:, _W["conductivity"]] = plan.makeup_us_cm[rows]
    size[:, _W["pump_current"]] = plan.pump_rated_current_a[rows]
    size[:, _W["supply_voltage"]] = plan.pump_rated_voltage_v[rows]
    size[:, _W["spray_pressure"]] = plan.pump_rated_pressure_kpa[rows]
    size[:, _W["spray_flow"]] = plan.pump_rated_flow_l_min[rows]
    # Pressure transmitters of the trade often show tenths of a bar.
    size[:, _W["head_pressure"]] = plan.cut_out_kpa_abs[rows] / 2.0
    size[:, _W["makeup_flow"]] = plan.makeup_max_l_min[rows]
    size[:, _W["bleed_flow"]] = plan.makeup_max_l_min[rows]
    for name in ("basin_temperature", "ambient_temperature", "relative_humidity",
                 "pad_pressure_drop"):  # fmt: skip
        size[:, _W[name]] = 100.0
    half = np.power(10.0, np.ceil(np.log10(size / 100.0) - 1e-9)) / 2.0
    out = _whole(values / half, 1e-6)
    # No grid is so coarse that a motor that runs draws nothing on it.
    out[:, _W["pump_current"]] &= values[:, _W["pump_current"]] > 0.0
    for name in ("basin_temperature", "ambient_temperature"):
        column = _W[name]
        out[:, column] |= _whole(values[:, column] * 1.8, 0.1)
    column = _W["spray_pressure"]
    out[:, column] |= _whole(values[:, column] / KPA_PER_PSI, 0.02)
    return out


KPA_PER_PSI: Final = 6.894757
"""NIST SP 811, appendix B.8."""


def _whole(value: F64, tolerance: float) -> Bool:
    whole: Bool = np.abs(value - np.round(value)) <= tolerance
    return whole
