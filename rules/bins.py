"""Five-minute bins: the slow eyes of the rules.

Small motors and wavy basins are noisy, so what grows slowly is judged on means over five minutes
and medians of those. A reading enters a bin only in the state in which it means something: pump
readings while the pump runs steadily, levels once the water has come to rest, heat rejection while
the mode stands still. Whatever is learned of means is told here that a bin is over.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from rules.alarms import fault_column, fault_is_there, is_active, may_stand
from rules.arrays import F64, I64, Bool
from rules.balance import Watched, watch
from rules.bin_rings import median_last_axis, ring_window, trace_window, trace_windows
from rules.bin_times import bin_end_ms, bin_of
from rules.bleed_ebb import close_ebb
from rules.bleed_habit import close_bleed
from rules.bleed_turns import close_turns
from rules.condition.basin import look_at_water
from rules.condition.day import turn_days
from rules.condition.figures import PartCondition
from rules.drained import DRAINED_MM
from rules.events import BaselineChange
from rules.fan_gang import close_gang, starts_as_one
from rules.fan_lead import close_lead
from rules.fan_rounds import close_rounds
from rules.fill_flow import close_fill_flow
from rules.float_rest import learn_float
from rules.frames import FrameView
from rules.fresh_fill import close_fill
from rules.heat import fan_shares, heat_means
from rules.heat_compared import (
    HeatRejection,
    heat_is_calm,
    heat_is_known,
    heat_rejection,
    nothing_seen,
)
from rules.heat_marks import is_marked
from rules.held import METERS, add_up, bin_means
from rules.learning import learn_baselines
from rules.pad_evaporation import close_evaporation
from rules.physics.moist_air import wet_bulb_degc
from rules.physics.pads import evaporation_l_min
from rules.physics.pump import current_at_rated_voltage_a
from rules.plan import FleetPlan
from rules.probe_step import close_step
from rules.residuals import WaterFlow, water_flow
from rules.settings import FLEET
from rules.signals import INDEX
from rules.staging import (
    find_out,
    is_staged,
    masked,
    mind_steps,
    says_only_whether,
    stages_wanted,
    told_together,
)
from rules.state import (
    ACCUMULATED,
    STEADY,
    STEADY_BINS,
    TRACE,
    TRACE_BINS,
    FleetState,
)
from rules.stillness import close_stillness
from rules.usual_bottom import close_bottom
from rules.usual_current import learn_low
from rules.usual_top import close_top
from rules.wide_open import close_wide_open

__all__ = [
    "BinView",
    "accumulate",
    "close_bins",
    "closing",
    "fan_capacity_of",
    "masked",
    "staged",
]

_A: Final = {name: i for i, name in enumerate(ACCUMULATED)}
_Q: Final = {q.name: i for i, q in enumerate(STEADY)}
_T: Final = {name: i for i, name in enumerate(TRACE)}
_SPEED: Final = INDEX["fan_speed"]
_RUN: Final = INDEX["fan_run"]
_BROUGHT_BY: Final = np.array(
    [
        INDEX[{"level_running": "basin_level", "level_at_rest": "basin_level",
               "fan_capacity": "fan_run", "fan_share": "fan_run", "current_running": "pump_current",
               "pump_running": "pump_current"}.get(name, name)]
        for name in ACCUMULATED
    ]
)  # fmt: skip
"""The signal whose arrival brings each accumulated quantity."""
_WITNESSES: Final = [_Q["pump_current"], _Q["spray_pressure"], _Q["spray_flow"]]
_CALM_FLOOR: Final = (0.975, 0.93, 0.94)
_CALM_CEILING: Final = 1.04
"""Newest means of pump current, spray pressure and flow over the clean ones between which no loss
of water is thought of: half of what the least loss would do to each."""
_ALL_HAVE: Final = ("level_running", "level_at_rest", "conductivity", "current_running")
"""Traces whose present value is asked for of every unit."""
MODE_SETTLE_S: Final = 1200.0
"""Pads take some 20 minutes to soak (common practice)."""
DRY_SETTLE_S: Final = 2400.0
"""Thick pads in calm humid air dry for half an hour and longer (common practice)."""
RECENT_BINS: Final = 3
"""Means whose median stands for the present value of a trace: a quarter of an hour."""
STARTED_S: Final = 120.0
"""Fans commanded for so long are up: drives ramp for 10 to 30 s (common practice)."""
SLOW_S: Final = 120.0
"""Between readings further apart a bank may have been stopped and started unseen (judgement)."""
UNSEEN_STOP_S: Final = 90.0
"""And between these, now and then: too often for counting drop-outs by hours (judgement)."""


def closing(plan: FleetPlan, state: FleetState, rows: I64, time_ms: I64) -> Bool:
    """Which of ``rows`` have an open bin that a frame at ``time_ms`` puts to its end."""
    bin_id = state.bin_id[rows]
    done: Bool = (bin_id != 0) & (bin_of(plan, rows, time_ms) != bin_id)
    return done


def accumulate(view: FrameView) -> None:
    """Add the frames of a round to the open bins of their units."""
    plan, state, rows = view.plan, view.state, view.rows
    state.bin_id[rows] = bin_of(plan, rows, view.time_ms)
    settle_s = view.setting(FLEET, "pump_settle_s")
    rest_s = view.setting(FLEET, "level_settle_s")
    level = view.signal("basin_level")
    turning = (view.pump_state == 1) & (view.pump_state_s >= settle_s)
    # The air sucked in at a low level spoils pump readings; a level not known does not forbid them.
    steady = turning & ~(level < plan.pump_minimum_mm[rows])
    running = (view.pump_state == 1) & (view.pump_state_s >= rest_s)
    resting = (view.pump_state == 0) & (view.pump_state_s >= rest_s)
    settled = view.mode_s >= np.where(view.mode == 0, DRY_SETTLE_S, MODE_SETTLE_S)
    rejecting = (view.mode >= 0) & settled

    current = current_at_rated_voltage_a(
        view.signal("pump_current"),
        view.signal("supply_voltage"),
        plan.pump_rated_voltage_v[rows],
        plan.pump_rated_current_a[rows],
        plan.pump_magnetising_frac[rows],
    )
    # No voltage measured: the current is taken as it is, and the evidence says so.
    current = np.where(
        np.isnan(view.signal("supply_voltage")), view.signal("pump_current"), current
    )
    nan = np.nan
    sample = np.empty((len(rows), len(ACCUMULATED)))
    sample[:, _A["pump_current"]] = np.where(steady, current, nan)
    sample[:, _A["spray_pressure"]] = np.where(steady, view.signal("spray_pressure"), nan)
    sample[:, _A["spray_flow"]] = np.where(steady, view.signal("spray_flow"), nan)
    sample[:, _A["current_running"]] = np.where(turning, current, nan)
    sample[:, _A["level_running"]] = np.where(running, level, nan)
    sample[:, _A["level_at_rest"]] = np.where(resting, level, nan)
    wetted = ~(level < DRAINED_MM)
    sample[:, _A["conductivity"]] = np.where(wetted, view.signal("conductivity"), nan)
    sample[:, _A["head_pressure"]] = np.where(rejecting, view.signal("head_pressure"), nan)
    sample[:, _A["ambient_temperature"]] = view.signal("ambient_temperature")
    sample[:, _A["relative_humidity"]] = view.signal("relative_humidity")
    sample[:, _A["fan_capacity"]] = fan_capacity_frac(view)
    sample[:, _A["heat_load"]] = view.signal("heat_load")
    sample[:, _A["pad_pressure_drop"]] = view.signal("pad_pressure_drop")
    sample[:, _A["fan_share"]] = fan_share_frac(view)
    state.speed_seen[rows] |= view.signal("fan_speed") > 0.0
    sample[:, _A["makeup_flow"]] = view.signal("makeup_flow")
    sample[:, _A["bleed_flow"]] = view.signal("bleed_flow")
    sample[:, _A["pump_running"]] = np.where(view.pump_state < 0, nan, view.pump_state)

    # What this very frame brought is new, and a repeat is not; what is held see rules/held.py.
    there = ~np.isnan(sample) & view.fresh[:, _BROUGHT_BY]
    # A unit that never sent a current is taken at its controller's word, which then is the news;
    # what only its water tells is held.
    untold = state.value_ms[view.span, INDEX["pump_current"]] == 0
    told = untold & (view.pump_state >= 0) & view.fresh[:, INDEX["pump_command"]]
    there[:, _A["pump_running"]] |= told
    there[:, _A["fan_capacity"]] |= ~np.isnan(sample[:, _A["fan_capacity"]]) & view.fresh[:, _SPEED]
    add_up(plan, state, rows, view.time_ms, view.elapsed_s, view.flow_held, sample, there)
    state.bin_mixed[rows] |= ~settled


def fan_capacity_frac(view: FrameView) -> F64:
    """Airflow of the units of a round as a fraction of full."""
    count = view.plan.fan_count[view.rows]
    moves = view.state.speed_seen[view.rows]
    run, speed = view.signal("fan_run"), view.signal("fan_speed")
    return fan_capacity_of(run, speed, count, staged(view), moves=moves)


def staged(view: FrameView) -> F64:
    """1 where the fans are, or may be, switched in stages."""
    setting = view.setting("fan-not-proven", "staged")
    return is_staged(setting, view.state.together_ms[view.rows])


def fan_share_frac(view: FrameView) -> F64:
    """Fans proven over fans that should run, once they had time to start; NaN at other times."""
    count = view.plan.fan_count[view.rows]
    run, speed = view.signal("fan_run"), view.signal("fan_speed")
    up = np.bitwise_count(masked(run, count)).astype(np.float64)
    # A person who tries fans one by one, or leaves them in hand, shows nothing of the controller.
    tried = view.state.out_of_service_until_ms[view.rows] != 0
    seen = np.where(np.isnan(run) | tried, np.nan, up)
    find_out(view.state, view.rows, view.time_ms, seen, speed, count, view.gap)
    # A fan in hand beside sisters that come and go together makes no stages.
    as_one = starts_as_one(view.state, view.rows)
    mind_steps(view.state, view.rows, np.where(as_one, np.nan, seen))
    by_stages = staged(view) > 0.5
    wanted = np.where(by_stages & (count > 1), stages_wanted(speed, count), count)
    started = view.fans_commanded_s >= STARTED_S
    known = started & ~np.isnan(run) & (wanted > 0)
    # While a message is lost the fans may have been told to stop: then a proof that is gone is no
    # drop-out. Fans that cycle make many of those.
    known &= told_together(view.state, view.rows)
    known &= ~(by_stages & says_only_whether(view.state, view.rows, count))
    # Where readings are slow a bank that is all gone may have been stopped and started since the
    # last one, and its proof be on its way; one that stays gone is told by `fan-not-proven`.
    often = (view.elapsed_s > 0.0) & (view.elapsed_s <= UNSEEN_STOP_S)
    known &= (up > 0) | (count == 1) | often
    # While stages change, command and proof are of two moments: one fan is forgiven.
    up = up + (by_stages & (count > 2))
    return np.where(known, np.minimum(up / np.maximum(wanted, 1), 1.0), np.nan)


def fan_capacity_of(
    run: F64, speed_pct: F64, count: I64, staged: F64, *, moves: Bool | bool
) -> F64:
    """Airflow as a fraction of full; NaN if neither proofs nor speed are known.

    ``moves`` says of which units the command was ever above zero: there it says without proofs,
    too, that the fans stand.

    Fans at a common speed move the share of them that is proven, times the speed. With stages the
    command only says how many should run, and those run at full speed. All fans proven below the
    command of all stages run at a common speed, whatever is thought of the unit.
    """
    proven = np.bitwise_count(masked(run, count)) / count
    speed = speed_pct / 100.0
    told = (speed > 0) | (moves & (speed <= 0))
    proven = np.where(np.isnan(run), np.where(told, 1.0, np.nan), proven)
    in_stages = (staged > 0.5) & (count > 1) & (proven < 1.0)
    return np.where(np.isnan(speed) | in_stages, proven, proven * speed)


@dataclass(frozen=True)
class BinView:
    """Units whose bin has just closed, with what the rings say. Arrays are (k,) or (k, ...)."""

    plan: FleetPlan
    state: FleetState
    rows: I64
    time_ms: I64
    """End of the closed bin."""
    gap: Bool
    fresh: Bool
    """(k, quantities): the closed bin gave an accepted mean of this steady quantity."""

    @cached_property
    def flow(self) -> WaterFlow:
        """Water over the pads against the clean baseline."""
        fresh: Bool = np.asarray(self.fresh[:, _WITNESSES].any(axis=1))
        return water_flow(self, fresh)

    @cached_property
    def flow_news(self) -> tuple[I64, BinView]:
        """Units whose water over the pads must be looked at, by their place, and a view of them."""
        state, rows = self.state, self.rows
        news = np.zeros(len(rows), dtype=np.bool_)
        for q, low in zip(_WITNESSES, _CALM_FLOOR, strict=True):
            newest = (state.steady_count[rows, q] - 1) % STEADY_BINS
            # A meter that never showed any flow has a baseline of zero, and tells nothing.
            with np.errstate(divide="ignore", invalid="ignore"):
                mean = state.steady[rows, q, newest] / state.baseline[rows, q]
            news |= (mean < low) | (mean > _CALM_CEILING)
        for slug in ("pump-screen-clogging", "distribution-restricted"):
            column = fault_column(slug)
            news |= state.alarm_state[rows, column] != 0
            news |= state.alarm_pending_ms[rows, column] != 0
        at = np.flatnonzero(news)
        return at, self.only(at)

    @cached_property
    def heat(self) -> tuple[I64, HeatRejection, I64]:
        """Units of the view that have news of coil or pads and what it is; and the calm ones.

        Calm is a unit whose newest means are as when clean, that has no alarm standing or on its
        way and of which nothing is waited for to last: most of the fleet, spared the medians.
        """
        bin_id = bin_of(self.plan, self.rows, self.time_ms) - 1
        news = self.fresh[:, [_Q["td_dry"], _Q["td_wet"], _Q["pad_pressure_drop"]]].any(axis=1)
        news |= self.state.dry_hold_bin[self.rows] == -bin_id
        at = np.flatnonzero(news)
        at = at[heat_is_known(self.state, self.rows[at])]
        state, rows = self.state, self.rows[at]
        calm = heat_is_calm(state, rows) & ~is_active(state.alarm_state[rows]).any(axis=1)
        calm &= ~(state.alarm_pending_ms[rows] > 0).any(axis=1) & ~is_marked(state, rows)
        stirred = at[~calm]
        if not len(stirred):
            return stirred, nothing_seen(), at[calm]
        seen = heat_rejection(self.plan, state, self.rows[stirred], bin_id[stirred])
        return stirred, seen, at[calm]

    @cached_property
    def watched(self) -> Watched:
        """The water and solids balance of those units for which it can matter."""
        return watch(self)

    def setting(self, slug: str, name: str) -> F64:
        """A setting for these units."""
        return self.plan.settings.get(slug, name, self.rows)

    def steady_median(self, quantity: str, bins: int) -> tuple[F64, F64]:
        """Median over the last ``bins`` accepted means, and how many there were."""
        q = _Q[quantity]
        count = self.state.steady_count[self.rows, q]
        back = np.arange(1, bins + 1)
        position = (count[:, None] - back) % STEADY_BINS
        window = ring_window(self.state.steady, self.rows, q, position)
        window[back > count[:, None]] = np.nan
        return median_last_axis(window), (~np.isnan(window)).sum(axis=1).astype(np.float64)

    def steady_medians(self, quantity: str, bins: int) -> F64:
        """Medians of all accepted means kept, ``bins`` by ``bins``, newest first, (k, parts)."""
        q = _Q[quantity]
        count = self.state.steady_count[self.rows, q]
        back = np.arange(1, STEADY_BINS + 1)
        window = ring_window(self.state.steady, self.rows, q, (count[:, None] - back) % STEADY_BINS)
        window[back > count[:, None]] = np.nan
        return median_last_axis(window.reshape(len(window), -1, bins))

    def baseline(self, quantity: str) -> F64:
        """The learned baseline, NaN before it is learned."""
        column: F64 = self.state.baseline[self.rows, _Q[quantity]]
        return column

    def baseline_spread(self, quantity: str) -> F64:
        """Robust standard deviation of the means that the baseline rests on."""
        column: F64 = self.state.baseline_spread[self.rows, _Q[quantity]].astype(np.float64)
        return column

    def trace(self, name: str, bins: int) -> F64:
        """The last ``bins`` five-minute means against the clock, (k, bins), oldest first."""
        return trace_window(self.state, self.rows, name, bins)

    @cached_property
    def recent(self) -> Recent:
        """By trace: the median over a quarter of an hour, NaN where nothing was measured."""
        return Recent(self)

    def trace_at(self, name: str, back: int, bins: int = RECENT_BINS) -> F64:
        """Median of ``bins`` five-minute means, the newest of them ``back`` bins ago, (k,)."""
        return median_last_axis(trace_window(self.state, self.rows, name, bins, back))

    def only(self, index: I64) -> BinView:
        """The same for some of these units, by their place in the view."""
        return BinView(
            self.plan, self.state, self.rows[index], self.time_ms[index], self.gap[index],
            self.fresh[index],
        )  # fmt: skip


class Recent(Mapping[str, F64]):
    """Medians by trace, worked out when first asked for."""

    def __init__(self, view: BinView) -> None:
        self._view = view
        self._known: dict[str, F64] = {}
        self._windows: F64 | None = None

    def __getitem__(self, name: str) -> F64:
        if name not in self._known:
            view = self._view
            if name in METERS:
                # Few units have meters.
                out = np.full(len(view.rows), np.nan)
                index = np.flatnonzero(view.state.value_ms[view.rows, INDEX[name]] > 0)
                if len(index):
                    window = trace_window(view.state, view.rows[index], name, RECENT_BINS)
                    out[index] = median_last_axis(window)
                self._known[name] = out
            elif name in _ALL_HAVE:
                self._known |= zip(_ALL_HAVE, median_last_axis(self._window()), strict=True)
            else:
                self._known[name] = self._view.trace_at(name, 0)
        return self._known[name]

    def window(self, name: str) -> F64:
        """The means that the median is of, (k, bins), of a trace that all units have."""
        window: F64 = self._window()[_ALL_HAVE.index(name)]
        return window

    def _window(self) -> F64:
        """Of all of these, (traces, k, bins): at once, since a few units take as long as one."""
        if self._windows is None:
            view = self._view
            self._windows = trace_windows(view.state, view.rows, _ALL_HAVE, RECENT_BINS)
        return self._windows

    def __iter__(self) -> Iterator[str]:
        return iter(TRACE)

    def __len__(self) -> int:
        return len(TRACE)


def close_bins(
    plan: FleetPlan, state: FleetState, rows: I64, gap: Bool
) -> tuple[BinView, list[BaselineChange], list[PartCondition]]:
    """Close the open bins of ``rows``: fill the rings, learn baselines, and open new bins.

    Units that begin a day with it give the figures of the one that is over.
    """
    bin_id = state.bin_id[rows]
    end_ms = bin_end_ms(plan, rows, bin_id)
    mean = bin_means(plan, state, rows, end_ms)
    figures = turn_days(plan, state, rows, bin_id)

    steady = np.full((len(rows), len(STEADY)), np.nan)
    for name in ("pump_current", "spray_pressure", "spray_flow"):
        steady[:, _Q[name]] = mean[:, _A[name]]
    bulb = wet_bulb_degc(
        mean[:, _A["ambient_temperature"]],
        mean[:, _A["relative_humidity"]],
        plan.barometric_kpa[rows],
    )
    missed = bin_id - state.trace_bin[rows]
    evaporation = _evaporation_l_min(plan, rows, mean, bulb)
    _fill_trace(state, rows, bin_id, mean, evaporation)
    named = {name: mean[:, column] for name, column in _A.items()}
    # What somebody who works on a unit does with its water is no habit of the unit.
    in_service = state.out_of_service_until_ms[rows] == 0
    ran = np.where(in_service, named["pump_running"], np.nan)
    water = named | {"evaporation": evaporation, "pump_running": ran}
    close_top(plan, state, rows, water)
    close_bottom(plan, state, rows, water, missed)
    close_step(plan, state, rows, bin_id, named["pump_running"], named["conductivity"])
    close_turns(plan, state, rows, bin_id, ran, named["conductivity"], in_service)
    close_ebb(plan, state, rows, bin_id, ran, named["conductivity"])
    level = np.fmax(named["level_at_rest"], named["level_running"])
    close_wide_open(plan, state, rows, bin_id, level)
    close_fill_flow(plan, state, rows, bin_id, level)
    close_fill(plan, state, rows, bin_id, level, missed)
    close_bleed(plan, state, rows, ran, named["bleed_flow"], named["conductivity"])
    told = in_service & ~state.bin_mixed[rows] & (state.mode[rows] >= 0)
    wet = np.where(told, state.mode[rows], np.nan)
    wet = np.where(
        (wet == 1) & _thirsty(state, rows, mean[:, _A["pump_running"]], end_ms), np.nan, wet
    )
    named["fan_square"] = _fan_square(plan, state, rows, named["fan_capacity"])
    close_evaporation(plan, state, rows, bin_id)
    heat = heat_means(plan, state, rows, bin_id, wet, bulb, named)
    steady[:, _Q["td_dry"]] = heat.dry
    steady[:, _Q["td_wet"]] = heat.wet
    steady[:, _Q["pad_pressure_drop"]] = heat.pads
    # While somebody works on a unit its means are neither news nor those of a clean one.
    steady[~in_service] = np.nan
    _mind_fans(state, rows, mean[:, _A["fan_share"]])
    _mind_turns(plan, state, rows, end_ms)
    look_at_water(plan, state, rows, bin_id)
    _fill_steady(state, rows, steady)
    ends = dict(zip(rows.tolist(), end_ms.tolist(), strict=True)) if heat.lost else {}
    changes = [
        BaselineChange(r, STEADY[q].name, STEADY[q].mode, None, None, 0, ends[r], STEADY[q].unit)
        for r, q in heat.lost
    ]
    changes += learn_baselines(plan, state, rows, end_ms)
    learn_low(state, rows, end_ms, ~np.isnan(steady[:, _Q["pump_current"]]))
    changes += learn_float(plan, state, rows, bin_id, end_ms)

    close_stillness(plan, state, rows, gap)
    state.bin_sum[rows] = 0.0
    state.bin_count[rows] = 0.0
    state.bin_mixed[rows] = False
    return BinView(plan, state, rows, end_ms, gap, ~np.isnan(steady)), changes, figures


def _thirsty(state: FleetState, rows: I64, pump_running: F64, end_ms: I64) -> Bool:
    """Wet units whose pads get no full flow of water, or got none a while ago.

    What such pads do says nothing of the pads, and must not linger in the rings once it is mended.
    """
    soaked = (end_ms - state.pump_changed_ms[rows]) >= SOAK_MS
    out: Bool = (pump_running < 0.9) | ((pump_running >= 0.9) & ~soaked)
    for slug in _WATER_FAULTS:
        # A float that fills slowly, low, keeps up: the pads get their water.
        least = _LEAST_SEVERITY.get(slug, 1)
        grave = state.alarm_severity[rows, fault_column(slug)] >= least
        out |= fault_is_there(state, rows, slug) & grave
    return out


def _fan_square(plan: FleetPlan, state: FleetState, rows: I64, mean: F64) -> F64:
    """Mean square of the airflow in the closed bin, from its mean and its newest reading.

    Fans that switch on and off within five minutes show in the mean alone as fans at part speed.
    How far the newest reading is off the mean says it, on the average over the bins of an hour.
    """
    run, speed = state.value[rows, _RUN], state.value[rows, _SPEED]
    setting = plan.settings.get("fan-not-proven", "staged", rows)
    staged = is_staged(setting, state.together_ms[rows])
    moves = state.speed_seen[rows]
    newest = fan_capacity_of(run, speed, plan.fan_count[rows], staged, moves=moves)
    square: F64 = mean**2 + np.nan_to_num(newest - mean) ** 2
    return square


SOAK_MS: Final = 1_200_000
_WATER_FAULTS: Final = (
    "pump-not-running",
    "pump-drawing-air",
    "pump-screen-clogging",
    "distribution-restricted",
    "float-stuck-shut",
)
_LEAST_SEVERITY: Final = {"float-stuck-shut": 2}


def _evaporation_l_min(plan: FleetPlan, rows: I64, mean: F64, bulb: F64) -> F64:
    """Water the pads gave to the air in the closed bin, as a mean flow; NaN where not known.

    Only while the pump runs are the pads wet; what they still hold when it stops is soon gone.
    """
    running = mean[:, _A["pump_running"]]
    out = np.where(running == 0.0, 0.0, np.nan)
    wet = np.flatnonzero(running > 0.0)
    if len(wet):
        these = rows[wet]
        out[wet] = running[wet] * evaporation_l_min(
            mean[wet, _A["fan_capacity"]] * plan.airflow_m3_s[these],
            mean[wet, _A["ambient_temperature"]],
            bulb[wet],
            plan.pad_effectiveness_frac[these],
            plan.barometric_kpa[these],
        )
    return out


def _fill_trace(state: FleetState, rows: I64, bin_id: I64, mean: F64, evaporation: F64) -> None:
    skipped = bin_id - state.trace_bin[rows]
    leaps = np.flatnonzero(skipped > 1)
    if len(leaps):
        # Slots between the newest bin and this one hold hours long past: empty them.
        behind = (bin_id[leaps, None] - np.arange(TRACE_BINS)) % TRACE_BINS
        block = state.trace[rows[leaps]]
        np.copyto(block, np.nan, where=(behind < skipped[leaps, None])[:, None, :])
        state.trace[rows[leaps]] = block
    at = bin_id % TRACE_BINS
    for name, column in _T.items():
        if name in METERS and not (state.value_ms[rows, INDEX[name]] > 0).any():
            continue
        state.trace[rows, column, at] = evaporation if name not in _A else mean[:, _A[name]]
    state.trace_bin[rows] = bin_id


def _fill_steady(state: FleetState, rows: I64, steady: F64) -> None:
    fresh = ~np.isnan(steady)
    which, quantity = np.nonzero(fresh)
    row = rows[which]
    position = state.steady_count[row, quantity] % STEADY_BINS
    state.steady[row, quantity, position] = steady[which, quantity]
    state.steady_count[row, quantity] += 1


def _mind_fans(state: FleetState, rows: I64, share: F64) -> None:
    """Mind the share of fans proven, where it is or was less than all."""
    short = (share < 1.0) | ((state.fan_share[rows] < 1.0) & ~np.isnan(share))
    at = np.flatnonzero(short)
    if len(at):
        others = np.delete(state.alarm_state[rows[at]], fault_column("fan-capacity-lost"), axis=1)
        # Held ones too: while somebody works on a unit its fans are locked out, whatever is asked.
        known: Bool = np.asarray(may_stand(others).any(axis=1))
        fan_shares(state, rows[at], share[at], known)


def _mind_turns(plan: FleetPlan, state: FleetState, rows: I64, end_ms: I64) -> None:
    """Mind whose turn it was, where fans come and go without a speed command."""
    count = plan.fan_count[rows]
    missing, in_hand = (
        may_stand(state.alarm_state[rows, fault_column(slug)])
        for slug in ("fan-not-proven", "fan-not-commanded")
    )
    close_rounds(state, rows, end_ms, count, missing, in_hand)
    close_lead(state, rows, end_ms, count, missing | in_hand)
    close_gang(state, rows, end_ms, count)
