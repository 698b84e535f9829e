"""The fleet's memory: everything the rules remember of each unit, as columns.

One dataclass of arrays whose first axis is the unit's row. Snapshots and growth are written once,
over the fields, so a new column needs only a line here. Times are ms since 1970 (UTC), 0 for
'never'.
"""

from __future__ import annotations

import io
from dataclasses import Field, dataclass, field, fields
from typing import Any, Final, Self

import numpy as np

from rules.added_columns import ADDED_LATER
from rules.arrays import F16, F32, F64, I8, I16, I32, I64, U8, U16, U32, Bool
from rules.bits import SET_BYTES
from rules.signals import N_SIGNALS, SIGNALS
from rules.site_weather import SiteWeather
from rules.steady import CLEANABLE_PARTS, STEADY, SteadyQuantity
from rules.strangers import Strangers

__all__ = [
    "ADDED_LATER",
    "BIN_MS",
    "CLEANABLE_PARTS",
    "STEADY",
    "STEADY_BINS",
    "TRACE",
    "TRACE_BINS",
    "WATER_LOOKS",
    "FleetState",
    "SnapshotMismatch",
    "SteadyQuantity",
]

WATCHED: Final[tuple[str, ...]] = (
    "conductivity", "basin_temperature", "pump_current", "supply_voltage", "spray_pressure",
    "spray_flow", "head_pressure", "ambient_temperature", "relative_humidity", "makeup_flow",
    "bleed_flow", "pad_pressure_drop",
)  # fmt: skip
"""Signals whose standing still is watched: measured ones that must move. The level has a fault of
its own; commands and estimates may rightly stand still."""

BIN_MS: Final = 300_000
"""Length of one bin: five minutes, the slowest sampling in common use."""

STEADY_BINS: Final = 72
"""Accepted steady means kept by unit and quantity: six hours of running."""

HEAT_PARTS: Final = 8
"""Quantities that are added up over the hour for heat rejection, see rules/heat.py."""

HEAT_HELD: Final = 6
"""The first of them, kept of the newest dry bins."""

WET_FALLS: Final = 36
"""Wet-bulb depressions remembered, of the newest accepted wet TDs."""

TD_AGES: Final = 56
"""Newest TDs of a mode whose hours are known: more than a week's, one in three hours."""

EVEN_SUMS: Final = 7
"""Sums by which an even rise of the TD is told, see rules/even_rise.py."""

SWITCHES: Final = 5
"""Steps from dry to wet remembered."""

EVAPORATION_HOURS: Final = 6
"""Hours of wet running whose evaporation by the meters is kept, see rules/pad_evaporation.py."""

WATER_LOOKS: Final = 8
"""Looks at the water of a day, by unit: one in three hours."""

FROM_SITE: Final = -1
"""In place of a time: the unit never sent this itself, and the site's weather has said it."""

TRACE_BINS: Final = 36
"""Means kept against the clock by unit and trace: three hours."""

TRACE: Final[tuple[str, ...]] = (
    "level_running",
    "level_at_rest",
    "conductivity",
    "evaporation",  # from weather, pads and airflow, times the share of the bin the pump ran
    "makeup_flow",
    "bleed_flow",
    "current_running",  # also while the level is too low for the steady current
)

# Accumulators of the open bin: sum and count of each. The first five become steady quantities
# (TDs from means of head pressure and air); the names of traces become those.
ACCUMULATED: Final[tuple[str, ...]] = (
    "pump_current", "spray_pressure", "spray_flow", "level_running", "level_at_rest",
    "conductivity", "head_pressure", "ambient_temperature", "relative_humidity", "fan_capacity",
    "heat_load", "pad_pressure_drop", "fan_share", "makeup_flow", "bleed_flow", "pump_running",
    "current_running",
)  # fmt: skip


class SnapshotMismatch(ValueError):
    """A snapshot that was made by another layout of the state."""


@dataclass
class FleetState:
    """Columns by row; see the comments. ``alarm_*`` are (rows, faults), in registry order."""

    # last values, and when each was measured: 0 for never, FROM_SITE by rules/site_weather.py
    value: F64
    value_ms: I64
    # the newest frame, and silence: the listened-time clock when the unit was last heard
    frame_ms: I64
    heard_listened_ms: I64
    usable_listened_ms: I64  # the same clock when it last sent anything that was not refused
    site_away_listened_ms: I64  # on the site's anchor row: up to when it was cut off
    site_offline: Bool  # on the site's anchor row: it said goodbye and was not heard since
    # running history
    pump_state: I8  # -1 not known, 0 stopped, 1 running
    pump_changed_ms: I64
    running_current_a: F32  # the newest while it ran: what it drew before it stopped
    mode: I8  # -1 not known, 0 dry, 1 wet
    mode_changed_ms: I64
    commanded_ms: I64  # since when the pump has been commanded, 0 if it is not
    fans_commanded_ms: I64
    # how long the pump stands in wet mode where no command is sent, see rules/wet_idle.py
    wet_idle_s: F32  # the longest that ended by itself
    wet_starts: U8  # starts in wet mode seen, up to what is enough
    wet_called: U8  # of them, after a long rest, up to what is enough; a bit of rules/pump_proof.py
    # level stillness: the level stayed within a step of `still_level` since `still_ms`
    still_level: F64
    still_ms: I64
    still_starts: I16  # pump starts and stops since then
    level_step_mm: F32  # the smallest movement ever seen: how coarse the reading is; 0 for none yet
    level_longest_bins: U16  # the longest it stood still while the pump ran, that ended by itself
    level_rest_longest_bins: U16  # the same while it stood
    # standing water: since when it has not circulated, and how long of that it was warm
    circulated_ms: I64
    warm_standing_s: F32
    still_water_degc: F32  # of standing water that is not measured
    drains: U8  # how often it was emptied, or turned over; and a bit, see rules/standing.py
    longest_standing_s: F32  # that ended
    # what the readings themselves are worth; sets of signals are packed, see rules/bits.py
    seen_changed: U8  # (rows, set) signals that changed in the open bin
    seen_carried: U8  # (rows, set) signals that came in the open bin
    still_age_bins: U16  # (rows, WATCHED) bins since the last change
    still_bins: U16  # (rows, WATCHED) of those, bins in which a sound sensor must have moved
    still_longest_bins: U16  # (rows, WATCHED) the longest of those that ended by itself
    still_changes: U8  # (rows, WATCHED) bins with a change, 255 at most
    still_all_bins: U16  # bins since anything at all changed
    frozen_set: U8  # (rows, set) readings that stand still against all likelihood
    beyond_set: U8  # (rows, set) readings beyond what the nameplate makes possible
    refused_set: U8  # (rows, set) signals of which readings were refused for their range
    refused_signal: I8  # the newest of them
    refused_value: F32
    refused_count: I16
    refused_since_ms: I64
    refused_last_ms: I64
    # the sender's clock, by the receiver's, see rules/stamps.py
    arrived_ms: I64  # newest stamp since the last reading of the receiver's clock
    lag_s: F32
    lag_count: I16
    lag_since_ms: I64
    lag_last_ms: I64
    stamp_lag_s: F32  # of the newest stamp that was refused; negative is ahead
    stamp_count: I16
    stamp_since_ms: I64
    stamp_last_ms: I64
    # five-minute bins
    bin_id: I64
    bin_sum: F32
    bin_count: F32
    bin_mixed: Bool  # the mode changed within the bin
    # rings, in half precision: 0.05 %, inside the noise; the catalogue's values are in its range
    steady: F16
    steady_count: I32  # accepted means ever, by quantity; position = count mod STEADY_BINS
    trace: F16
    trace_bin: I64  # id of the newest bin in `trace`
    # heat rejection, see rules/heat.py
    heat_load_seen: Bool  # the unit sends its load: TDs are referred to rated load
    together_ms: I64  # since when all fans run below the speed of all stages; TOGETHER: found out
    speed_seen: Bool  # a fan speed command above zero was seen
    # how the fans of a unit without such a command come and go, see rules/staging.py
    step_turns: U8  # changes between two numbers of running fans, 255 at most
    step_last: U8  # the newest of those numbers, 0 for none
    step_least: U8
    step_most: U8
    # whose turn it was, see rules/fan_rounds.py
    round_set: U32  # bit mask of the fans that have not run since the round began
    round_bins: F32  # running bins of the sisters since then
    round_alone_bins: U16  # bins of those in which all the others ran
    round_longest_bins: F32
    round_ended_by: U32  # bit mask of the fans that ended a round alone
    rounds: U8
    # which of them leads, see rules/fan_lead.py
    lead_set: U32  # bit mask of the fans beside which no sister ran alone since the lead began
    lead_run: U32  # bit mask of those that ran in the last bin
    lead_bins: F32  # resting bins of the sisters since then
    lead_ran_bins: F32  # the same since one of the leading fans rested
    lead_longest_bins: F16
    leads: U8  # how often the lead was handed on while it ran, 255 at most
    lead_stops: U8  # how often sisters stopped since one of the leading fans rested
    # whether they start and stop as one, see rules/fan_gang.py
    gang_turns: U8  # changes between none and all, 255 at most
    gang_seen_bins: U16  # bins with proofs since that is learned
    gang_longest_bins: U16  # the longest time between two such changes
    gang_last: U8  # which was last: 1 none, 2 all, 0 not known
    gang_part: U32  # bit mask of the part of the fans that runs now, 0 for none or all
    gang_held: U8  # bins that it has run for
    gang_set: U32  # the part that ran on its own last, since the last change
    gang_stops: U8  # how often, the same part each time
    gang_moves: U8  # how often another one
    gang_bins: U16  # bins since the last change
    dry_seen_bin: I32  # bin of the newest accepted dry TD, 0 for never
    td_first_bin: I32  # (rows, 2) dry, wet: bin of the first mean in the ring, 0 for none
    heat_sum: F32  # (rows, HEAT_PARTS) sums over the bins of the hour: head pressure, ambient, wet
    # bulb, airflow, load, airflow squared, pad pressure drop, airflow squared that goes with it
    heat_bins: U8  # how many bins, in which mode, and the first of them
    heat_wet: Bool
    heat_since_bin: I32
    dry_held: F32  # (rows, HEAT_HELD) newest dry bins, the first of those
    wet_falls_k: F16  # (rows, WET_FALLS) depressions of the newest wet TDs, by their count
    wet_course: F32  # (rows, 3) when clean: slope of the wet TD over them, its error, their mean
    td_gap_h: F32  # (rows, 2) dry, wet: running mean of the time from one TD to the next
    td_last_bin: I32  # (rows, 2) bin of the newest one, 0 for never
    td_turn: U16  # (rows, 2) when it was taken, and (rows, 2, TD_AGES) turns since the one before
    td_since: U8  # of each, see rules/heat_hours.py
    td_hours: U8  # (rows, 2) turns of the day that the clean ones are of, a bit each; 0 not known
    td_upper_k: F16  # (rows, 2) upper quartile of the clean ones
    coil_since_bin: I32  # since when a loss of the coil shows (rules.heat_marks), 0 for not
    even_sums: F32  # (rows, EVEN_SUMS) how it condenses higher, see rules/even_rise.py
    even_rise_k: F16  # by so much at any load; negative where it did lately, else 0
    even_bin: I32  # bin of the newest of its means, and that in which they begin
    even_since_bin: I32
    leap_bin: I32  # when the dry TD leapt, while it stays up (rules.heat_marks); 0 for not
    dry_hold_bin: I32  # its bin; minus that of the step to wet that used it; 0 for none
    switch_effect: F32  # (rows, SWITCHES) pad effectiveness by the last steps from dry to wet
    step_clean: F32  # the same of the first steps: load that comes at that hour is in them too
    wet_depression_k: F32  # running mean over the accepted wet TDs, and that of the TDs
    wet_td_k: F32
    evaporation_share: F16  # (rows, EVAPORATION_HOURS) over what the weather asks, by the meters
    evaporation_clean: F32  # the mean of that over the first hours
    evaporation_hours: U8  # how many those are, up to what is enough
    fan_share: F32  # running share of commanded fans that are proven
    # baselines
    baseline: F64
    baseline_spread: F32
    baseline_count: I16
    baseline_ms: I64
    baseline_relearn: Bool  # a cleaning has proven to help: to be replaced once enough was seen
    baseline_frozen: Bool  # by unit: a person wants the baselines left as they are
    # how far the current of the clean pump wanders, see rules/usual_current.py
    current_low_a: F32  # its lowest running hour, NaN for none
    current_hours: U8  # running hours that taught it, 255 at most
    # the condition of parts by day, see rules/condition/day.py
    figure_day: I32  # the day whose means are being gathered, 0 for none
    figure_mark: U16  # (rows, quantities) steady_count at its start, modulo 2**16
    # how concentrated its water is used to become, see rules/usual_top.py
    top_run_bins: U16  # running bins that taught it, up to what is enough
    top_us_cm: F32
    # how high the float holds the water, (rows, 2): pump running, at rest; see rules/float_rest.py
    float_top_mm: F32  # greatest settled level seen
    float_hours: U8  # settled hours that it rests on, up to what is enough
    float_ms: I64  # when they were enough, 0 for not yet
    bottom_run_bins: U16  # running bins that taught it, up to what is enough
    bottom_us_cm: F32  # how concentrated the water stays at least, see rules/usual_bottom.py
    thin_run_bins: U16  # running bins since the water was last as concentrated as usual
    thin_evaporated: F32  # basin volumes evaporated since; -1 where the basin was emptied
    slide_bins: U16  # running bins since the reading left that range downwards; SLID once it is far
    slide_from_us_cm: F32  # its bottom then
    turns: U8  # falls in a row from one reading by an open bleed, see rules/bleed_turns.py
    turn_us_cm: F16  # the reading there, 0 for none
    turn_low_us_cm: F16  # and after it
    turn_bin: I32  # when that was
    turn_worked_bin: I32  # the newest bin in which somebody worked on the unit
    ebb_us_cm: F16  # reading from which it fell slowly, 0 for none, see rules/bleed_ebb.py
    ebb_low_us_cm: F16  # and how far
    ebb_bin: I32  # when it was last seen to
    stroke_from_us_cm: F32  # reading before it fell at one stroke, see rules/probe_step.py
    stroke_to_us_cm: F32  # and after it
    stroke_bins: U16  # bins since
    stroke_run_bins: U8  # running bins since, up to what is enough
    empty_bins: U8  # bins without water, kept while it fills, then 0, see rules/fresh_fill.py
    filling_bins: U8  # bins since
    old_water_us_cm: F16  # reading of the water that was drained last, and of what usually is
    old_usual_us_cm: F32
    fills: U8  # fills seen, 255 at most
    fills_off: I8  # newest in a row that are off the usual, negative where softer
    fill_says: I8  # 1 for harder make-up, -1 for softer, 0 as ever
    fill_us_cm: F16  # reading of the newest, and the bin in which it was taken
    fill_bin: I32
    fill_usual_us_cm: F32  # slow mean of all, and of how far they are off what is expected
    fill_spread: F32
    fill_heel: F32  # (rows, 3) its old water; sums of differences of those: squared, by the fills'
    fill_flow: F32  # (rows, 3) of the newest, usual, and scatter over it, see rules/fill_flow.py
    fill_flows: U8  # fills that it rests on, 255 at most
    fills_slow: U8  # newest in a row that were slow, looks by the meter among them
    fill_flow_bin: I32  # bin of the newest
    # how the bleed is used to run, by its meter, see rules/bleed_habit.py
    bleed_run_bins: U16  # wet running bins with a reading of it
    bleed_shut_bins: U16  # of those, without flow
    bleed_turns: U8  # how often it opened or shut, 255 at most
    bleed_open_bins: U16  # running bins since it last showed no flow
    bleed_more_bins: U16  # running bins since it last showed no more than usual
    bleed_usual_l_min: F32  # slow mean of the flow while it flows
    water_looks: F16  # (rows, 3, WATER_LOOKS) leak at the float, concentration, volume
    # alarms
    alarm_state: I8
    alarm_severity: I8
    alarm_pending: I8
    alarm_pending_ms: I64
    alarm_clearing_ms: I64
    alarm_onset_ms: I64
    alarm_until_s: U32  # end of the shelf, or when an acknowledged alarm is announced again
    out_of_service_until_ms: I64  # 0 in service, -1 until a person ends it
    strangers: Strangers = field(default_factory=Strangers)
    """Not a column: ids that no site file knows."""
    site_weather: SiteWeather = field(default_factory=SiteWeather)
    """Not a column: whose weather serves each site."""

    @classmethod
    def empty(cls, n_rows: int, n_faults: int) -> Self:
        """The state of units of which nothing was ever heard."""
        n, s, q = n_rows, N_SIGNALS, len(STEADY)
        a, t, f = len(ACCUMULATED), len(TRACE), n_faults

        def i64(*shape: int) -> I64:
            return np.zeros(shape, dtype=np.int64)

        def nan64(*shape: int) -> F64:
            return np.full(shape, np.nan)

        def i8(fill: int, *shape: int) -> I8:
            return np.full(shape, fill, dtype=np.int8)

        return cls(
            value=nan64(n, s),
            value_ms=i64(n, s),
            frame_ms=i64(n),
            heard_listened_ms=np.full(n, -1, dtype=np.int64),
            usable_listened_ms=i64(n),
            site_away_listened_ms=np.full(n, -1, dtype=np.int64),
            site_offline=np.zeros(n, dtype=np.bool_),
            pump_state=i8(-1, n),
            pump_changed_ms=i64(n),
            running_current_a=np.full(n, np.nan, dtype=np.float32),
            mode=i8(-1, n),
            mode_changed_ms=i64(n),
            commanded_ms=i64(n),
            fans_commanded_ms=i64(n),
            wet_idle_s=np.zeros(n, dtype=np.float32),
            wet_starts=np.zeros(n, dtype=np.uint8),
            wet_called=np.zeros(n, dtype=np.uint8),
            still_level=nan64(n),
            still_ms=i64(n),
            still_starts=np.zeros(n, dtype=np.int16),
            level_step_mm=np.zeros(n, dtype=np.float32),
            level_longest_bins=np.zeros(n, dtype=np.uint16),
            level_rest_longest_bins=np.zeros(n, dtype=np.uint16),
            circulated_ms=i64(n),
            warm_standing_s=np.zeros(n, dtype=np.float32),
            still_water_degc=np.full(n, np.nan, dtype=np.float32),
            drains=np.zeros(n, dtype=np.uint8),
            longest_standing_s=np.zeros(n, dtype=np.float32),
            seen_changed=np.zeros((n, SET_BYTES), dtype=np.uint8),
            seen_carried=np.zeros((n, SET_BYTES), dtype=np.uint8),
            still_age_bins=np.zeros((n, len(WATCHED)), dtype=np.uint16),
            still_bins=np.zeros((n, len(WATCHED)), dtype=np.uint16),
            still_longest_bins=np.zeros((n, len(WATCHED)), dtype=np.uint16),
            still_changes=np.zeros((n, len(WATCHED)), dtype=np.uint8),
            still_all_bins=np.zeros(n, dtype=np.uint16),
            frozen_set=np.zeros((n, SET_BYTES), dtype=np.uint8),
            beyond_set=np.zeros((n, SET_BYTES), dtype=np.uint8),
            refused_set=np.zeros((n, SET_BYTES), dtype=np.uint8),
            refused_signal=i8(-1, n),
            refused_value=np.zeros(n, dtype=np.float32),
            refused_count=np.zeros(n, dtype=np.int16),
            refused_since_ms=i64(n),
            refused_last_ms=i64(n),
            arrived_ms=i64(n),
            lag_s=np.zeros(n, dtype=np.float32),
            lag_count=np.zeros(n, dtype=np.int16),
            lag_since_ms=i64(n),
            lag_last_ms=i64(n),
            stamp_lag_s=np.zeros(n, dtype=np.float32),
            stamp_count=np.zeros(n, dtype=np.int16),
            stamp_since_ms=i64(n),
            stamp_last_ms=i64(n),
            bin_id=i64(n),
            bin_sum=np.zeros((n, a), dtype=np.float32),
            bin_count=np.zeros((n, a), dtype=np.float32),
            bin_mixed=np.zeros(n, dtype=np.bool_),
            steady=np.full((n, q, STEADY_BINS), np.nan, dtype=np.float16),
            steady_count=np.zeros((n, q), dtype=np.int32),
            trace=np.full((n, t, TRACE_BINS), np.nan, dtype=np.float16),
            trace_bin=i64(n),
            heat_load_seen=np.zeros(n, dtype=np.bool_),
            together_ms=i64(n),
            speed_seen=np.zeros(n, dtype=np.bool_),
            step_turns=np.zeros(n, dtype=np.uint8),
            step_last=np.zeros(n, dtype=np.uint8),
            step_least=np.zeros(n, dtype=np.uint8),
            step_most=np.zeros(n, dtype=np.uint8),
            round_set=np.zeros(n, dtype=np.uint32),
            round_bins=np.zeros(n, dtype=np.float32),
            round_alone_bins=np.zeros(n, dtype=np.uint16),
            round_longest_bins=np.zeros(n, dtype=np.float32),
            round_ended_by=np.zeros(n, dtype=np.uint32),
            rounds=np.zeros(n, dtype=np.uint8),
            lead_set=np.zeros(n, dtype=np.uint32),
            lead_run=np.zeros(n, dtype=np.uint32),
            lead_bins=np.zeros(n, dtype=np.float32),
            lead_ran_bins=np.zeros(n, dtype=np.float32),
            lead_longest_bins=np.zeros(n, dtype=np.float16),
            leads=np.zeros(n, dtype=np.uint8),
            lead_stops=np.zeros(n, dtype=np.uint8),
            gang_turns=np.zeros(n, dtype=np.uint8),
            gang_seen_bins=np.zeros(n, dtype=np.uint16),
            gang_longest_bins=np.zeros(n, dtype=np.uint16),
            gang_last=np.zeros(n, dtype=np.uint8),
            gang_part=np.zeros(n, dtype=np.uint32),
            gang_held=np.zeros(n, dtype=np.uint8),
            gang_set=np.zeros(n, dtype=np.uint32),
            gang_stops=np.zeros(n, dtype=np.uint8),
            gang_moves=np.zeros(n, dtype=np.uint8),
            gang_bins=np.zeros(n, dtype=np.uint16),
            dry_seen_bin=np.zeros(n, dtype=np.int32),
            td_first_bin=np.zeros((n, 2), dtype=np.int32),
            heat_sum=np.zeros((n, HEAT_PARTS), dtype=np.float32),
            heat_bins=np.zeros(n, dtype=np.uint8),
            heat_wet=np.zeros(n, dtype=np.bool_),
            heat_since_bin=np.zeros(n, dtype=np.int32),
            dry_held=np.full((n, HEAT_HELD), np.nan, dtype=np.float32),
            wet_falls_k=np.full((n, WET_FALLS), np.nan, dtype=np.float16),
            wet_course=np.full((n, 3), np.nan, dtype=np.float32),
            td_gap_h=np.zeros((n, 2), dtype=np.float32),
            td_last_bin=np.zeros((n, 2), dtype=np.int32),
            td_turn=np.zeros((n, 2), dtype=np.uint16),
            td_since=np.zeros((n, 2, TD_AGES), dtype=np.uint8),
            td_hours=np.zeros((n, 2), dtype=np.uint8),
            td_upper_k=np.full((n, 2), np.nan, dtype=np.float16),
            coil_since_bin=np.zeros(n, dtype=np.int32),
            even_sums=np.zeros((n, EVEN_SUMS), dtype=np.float32),
            even_rise_k=np.zeros(n, dtype=np.float16),
            even_bin=np.zeros(n, dtype=np.int32),
            even_since_bin=np.zeros(n, dtype=np.int32),
            leap_bin=np.zeros(n, dtype=np.int32),
            dry_hold_bin=np.zeros(n, dtype=np.int32),
            switch_effect=np.full((n, SWITCHES), np.nan, dtype=np.float32),
            evaporation_share=np.full((n, EVAPORATION_HOURS), np.nan, dtype=np.float16),
            evaporation_clean=np.full(n, np.nan, dtype=np.float32),
            evaporation_hours=np.zeros(n, dtype=np.uint8),
            step_clean=np.full(n, np.nan, dtype=np.float32),
            wet_depression_k=np.full(n, np.nan, dtype=np.float32),
            wet_td_k=np.full(n, np.nan, dtype=np.float32),
            fan_share=np.ones(n, dtype=np.float32),
            baseline=nan64(n, q),
            baseline_spread=np.full((n, q), np.nan, dtype=np.float32),
            baseline_count=np.zeros((n, q), dtype=np.int16),
            baseline_ms=i64(n, q),
            baseline_relearn=np.zeros((n, q), dtype=np.bool_),
            baseline_frozen=np.zeros(n, dtype=np.bool_),
            current_low_a=np.full(n, np.nan, dtype=np.float32),
            current_hours=np.zeros(n, dtype=np.uint8),
            figure_day=np.zeros(n, dtype=np.int32),
            figure_mark=np.zeros((n, q), dtype=np.uint16),
            top_run_bins=np.zeros(n, dtype=np.uint16),
            top_us_cm=np.zeros(n, dtype=np.float32),
            float_top_mm=np.full((n, 2), np.nan, dtype=np.float32),
            float_hours=np.zeros((n, 2), dtype=np.uint8),
            float_ms=i64(n, 2),
            bottom_run_bins=np.zeros(n, dtype=np.uint16),
            bottom_us_cm=np.zeros(n, dtype=np.float32),
            thin_run_bins=np.zeros(n, dtype=np.uint16),
            thin_evaporated=np.zeros(n, dtype=np.float32),
            slide_bins=np.zeros(n, dtype=np.uint16),
            slide_from_us_cm=np.zeros(n, dtype=np.float32),
            turns=np.zeros(n, dtype=np.uint8),
            turn_us_cm=np.zeros(n, dtype=np.float16),
            turn_low_us_cm=np.zeros(n, dtype=np.float16),
            turn_bin=np.zeros(n, dtype=np.int32),
            turn_worked_bin=np.zeros(n, dtype=np.int32),
            ebb_us_cm=np.zeros(n, dtype=np.float16),
            ebb_low_us_cm=np.zeros(n, dtype=np.float16),
            ebb_bin=np.zeros(n, dtype=np.int32),
            stroke_from_us_cm=np.zeros(n, dtype=np.float32),
            stroke_to_us_cm=np.zeros(n, dtype=np.float32),
            stroke_bins=np.zeros(n, dtype=np.uint16),
            stroke_run_bins=np.zeros(n, dtype=np.uint8),
            empty_bins=np.zeros(n, dtype=np.uint8),
            filling_bins=np.zeros(n, dtype=np.uint8),
            old_water_us_cm=np.full(n, np.nan, dtype=np.float16),
            old_usual_us_cm=np.zeros(n, dtype=np.float32),
            fills=np.zeros(n, dtype=np.uint8),
            fills_off=np.zeros(n, dtype=np.int8),
            fill_says=np.zeros(n, dtype=np.int8),
            fill_us_cm=np.full(n, np.nan, dtype=np.float16),
            fill_bin=np.zeros(n, dtype=np.int32),
            fill_usual_us_cm=np.zeros(n, dtype=np.float32),
            fill_spread=np.zeros(n, dtype=np.float32),
            fill_heel=np.zeros((n, 3), dtype=np.float32),
            fill_flow=np.zeros((n, 3), dtype=np.float32),
            fill_flows=np.zeros(n, dtype=np.uint8),
            fills_slow=np.zeros(n, dtype=np.uint8),
            fill_flow_bin=np.zeros(n, dtype=np.int32),
            bleed_run_bins=np.zeros(n, dtype=np.uint16),
            bleed_shut_bins=np.zeros(n, dtype=np.uint16),
            bleed_turns=np.zeros(n, dtype=np.uint8),
            bleed_open_bins=np.zeros(n, dtype=np.uint16),
            bleed_more_bins=np.zeros(n, dtype=np.uint16),
            bleed_usual_l_min=np.zeros(n, dtype=np.float32),
            water_looks=np.full((n, 3, WATER_LOOKS), np.nan, dtype=np.float16),
            alarm_state=i8(0, n, f),
            alarm_severity=i8(0, n, f),
            alarm_pending=i8(0, n, f),
            alarm_pending_ms=i64(n, f),
            alarm_clearing_ms=i64(n, f),
            alarm_onset_ms=i64(n, f),
            alarm_until_s=np.zeros((n, f), dtype=np.uint32),
            out_of_service_until_ms=i64(n),
        )

    def nbytes(self) -> int:
        """Memory held, in bytes."""
        return sum(getattr(self, f.name).nbytes for f in _columns(self))

    def to_bytes(self, fault_slugs: tuple[str, ...], extra: dict[str, int]) -> bytes:
        """A snapshot: all columns, the faults their last axis stands for, and some counters."""
        out = io.BytesIO()
        arrays: dict[str, np.ndarray] = {f.name: getattr(self, f.name) for f in _columns(self)}
        arrays["fault_slugs"] = np.array(fault_slugs)
        arrays["signal_names"] = np.array([s.name for s in SIGNALS])
        arrays["strangers"] = np.frombuffer(self.strangers.to_bytes(), dtype=np.uint8)
        arrays["site_weather"] = np.frombuffer(self.site_weather.to_bytes(), dtype=np.uint8)
        arrays["extra_names"] = np.array(list(extra))
        arrays["extra_values"] = np.array(list(extra.values()), dtype=np.int64)
        np.savez(out, **arrays)  # type: ignore[arg-type]  # keyword names are column names
        return out.getvalue()

    @classmethod
    def from_bytes(
        cls, data: bytes, n_rows: int, fault_slugs: tuple[str, ...]
    ) -> tuple[Self, dict[str, int]]:
        """The state of a snapshot, for ``n_rows`` rows (new units start empty).

        Alarms of faults that the snapshot does not know start normal. Raises
        :class:`SnapshotMismatch` when the layout of a column differs, or the bytes are no snapshot.
        """
        state = cls.empty(n_rows, len(fault_slugs))
        try:
            with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
                old_slugs = [str(x) for x in arrays["fault_slugs"]]
                if [str(x) for x in arrays["signal_names"]] != [s.name for s in SIGNALS]:
                    msg = "the signal catalogue has changed"
                    raise SnapshotMismatch(msg)
                shared = [
                    (i, old_slugs.index(s)) for i, s in enumerate(fault_slugs) if s in old_slugs
                ]
                for f in _columns(cls):
                    if f.name in ADDED_LATER and f.name not in arrays:
                        continue
                    _copy(getattr(state, f.name), arrays[f.name], f.name, shared)
                if "alarm_until_ms" in arrays:  # of an earlier version
                    until_s = -(-arrays["alarm_until_ms"] // 1000)
                    _copy(state.alarm_until_s, until_s, "alarm_until_s", shared)
                if "level_rest_longest_bins" not in arrays:
                    # How long it stood so far is not known: no stillness is longer than ever.
                    state.level_rest_longest_bins[: len(arrays["frame_ms"])] = 65_535
                if "strangers" in arrays:
                    state.strangers = Strangers.from_bytes(arrays["strangers"].tobytes())
                if "site_weather" in arrays:
                    state.site_weather = SiteWeather.from_bytes(arrays["site_weather"].tobytes())
                names = [str(x) for x in arrays["extra_names"]]
                extra = dict(zip(names, (int(v) for v in arrays["extra_values"]), strict=True))
        except SnapshotMismatch:
            raise
        except Exception as error:
            msg = f"not a readable snapshot: {error}"
            raise SnapshotMismatch(msg) from error
        return state, extra


def _columns(state: FleetState | type[FleetState]) -> list[Field[Any]]:
    return [f for f in fields(state) if f.name not in ("strangers", "site_weather")]


def _copy(into: np.ndarray, old: np.ndarray, name: str, shared: list[tuple[int, int]]) -> None:
    n = min(len(into), len(old))
    if name.startswith("alarm_"):
        for new_column, old_column in shared:
            into[:n, new_column] = old[:n, old_column]
        return
    if into.shape[1:] != old.shape[1:]:
        msg = f"column {name} had shape {old.shape[1:]}, now {into.shape[1:]}"
        raise SnapshotMismatch(msg)
    into[:n] = old[:n]
