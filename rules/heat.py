"""Heat rejection against the clean unit: what the five-minute means say of coil, pads and airflow.

The temperature difference (TD) of condensing over air on the coil is divided by the load and
multiplied by the capacity that the airflow leaves, so that neither a hot day nor a busy one looks
like dirt. One such mean an hour is kept by mode (one in three hours where no load is sent: then the
window spans whole weeks, since load follows hour and weekday), each unit at a minute of its own.
The step of the condensing temperature when the unit goes from dry to wet tells the pads' effect
without any load.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bin_times import bin_start_ms
from rules.physics.condenser import UA_EXPONENT, capacity_frac
from rules.physics.pads import MINIMUM_DEPRESSION_K
from rules.physics.refrigerant import condensing_temperature_degc
from rules.physics.robust import median
from rules.plan import FleetPlan
from rules.settings import FLEET
from rules.signals import INDEX
from rules.state import STEADY, STEADY_BINS, FleetState

__all__ = [
    "LEAST_AIRFLOW_FRAC",
    "Compared",
    "HeatMeans",
    "HeatRejection",
    "fan_shares",
    "forget",
    "forget_effect",
    "heat_is_calm",
    "heat_is_known",
    "heat_means",
    "heat_rejection",
    "nothing_seen",
    "over_ambient_k",
    "rated_ntu",
    "wanted_means",
]

_Q: Final = {q.name: i for i, q in enumerate(STEADY)}
_LOAD: Final = INDEX["heat_load"]
LEAST_AIRFLOW_FRAC: Final = 0.3
"""Below this share of the airflow the temperature difference says little."""
LEAST_LOAD_FRAC: Final = 0.3
"""Below this load the error of a head-pressure transmitter is a tenth of the TD or more."""
LOAD_FRAC_PER_K: Final = 0.01
"""Growth of a refrigeration load with the air outside: 1 to 1.5 % a kelvin (common practice)."""
LEAST_TD_K: Final = 1.0
LEAST_PAD_AIRFLOW_FRAC: Final = 0.5
"""Pads are not quite quadratic: over 0.5 to 1 the error of the square stays below a fifth."""
BINS_AN_HOUR: Final = 12
UNKNOWN_STRIDE_H: Final = 3
SHORT, LONG, UNKNOWN_LONG, NEWEST = 12, 24, 56, 6
"""Windows in means: the shorter for what is large, the longer for what is small."""
_NEVER: Final = 1_000_000_000
WETTED_WINDOW: Final = 8
CALM_MEANS: Final = 3
CALM_FRAC: Final = 0.08
CALM_EFFECT_FRAC: Final = 0.5
STALE_DRY_BINS: Final = 3 * 24 * BINS_AN_HOUR
"""Dry running longer ago says nothing of the coil of today."""
RECENT_DRY_BINS: Final = 10 * 24 * BINS_AN_HOUR
SWITCH_BINS: Final = 12
"""Longest time between the means before and after a change of mode: the load is then the same."""
LEAST_SWITCHES: Final = 3
MEDIAN_FACTOR: Final = 1.2533
"""Standard error of a median of n normal values, times sqrt(n) over their deviation."""
TD_ERROR_FRAC: Final = 0.04
"""Error of a normalised TD by the laws of airflow, as a fraction of it (judgement)."""
SHARE_WEIGHT: Final = 1.0 / 24.0
"""Weight of a bin in the running share of fans proven: a memory of two hours."""
WET_WEIGHT: Final = 1.0 / 8.0


def rated_ntu(plan: FleetPlan, rows: I64) -> F64:
    """Transfer units at full airflow by the nameplate, held to 0.5 to 1.8, (k,). [-]

    Effectiveness is rated capacity over what the air could carry at the rated TD; 1.2 kg/m³ and
    1.006 kJ/(kg K) are those of air at 20 °C. A nameplate that asks for more than a dry coil can do
    is not taken at its word.
    """
    carried_kw = 1.2 * 1.006 * plan.airflow_m3_s[rows] * plan.rated_td_k[rows]
    effectiveness = plan.rated_capacity_kw[rows] / carried_kw
    return -np.log1p(-np.clip(effectiveness, 0.4, 0.84))


@dataclass(frozen=True)
class HeatMeans:
    """Accepted means of the bins just closed, (k,), NaN where none was due. [K, K, Pa]

    ``dry`` and ``wet`` are TDs referred to rated load (where the load is sent) and full airflow;
    ``pads`` is the pad pressure drop referred to full airflow.
    """

    dry: F64
    wet: F64
    pads: F64
    lost: list[tuple[int, int]]
    """(row, steady quantity) whose baseline is of another kind than what is measured now."""


def heat_means(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    bin_id: I64,
    wet: F64,
    bulb: F64,
    mean: Mapping[str, F64],
) -> HeatMeans:
    """Work out the means that are due, and remember what a change of mode needs.

    Parameters
    ----------
    rows, bin_id : (k,)
        Units and the bins that close.
    wet : (k,)
        1 wet, 0 dry, NaN where the mode was not steady through the bin.
    bulb : (k,)
        Wet bulb. [°C]
    mean : mapping to (k,)
        Means of head_pressure [kPa abs], ambient_temperature [°C], fan_capacity [-],
        heat_load [kW], pad_pressure_drop [Pa].
    """
    k = len(rows)
    dry_out, wet_out, pads = np.full(k, np.nan), np.full(k, np.nan), np.full(k, np.nan)
    lost = _mind_load(state, rows)
    knows_load = state.heat_load_seen[rows]
    hour = bin_id // BINS_AN_HOUR
    # Another minute each hour, so that what comes hourly (a defrost) is not met each time or never.
    due = (rows + 5 * hour) % BINS_AN_HOUR == bin_id % BINS_AN_HOUR
    third = (hour + rows // BINS_AN_HOUR) % UNKNOWN_STRIDE_H == 0
    air = mean["fan_capacity"]
    moving = air >= LEAST_AIRFLOW_FRAC
    usable = moving & ~np.isnan(wet) & ~np.isnan(mean["head_pressure"])

    at = np.flatnonzero(due & (wet == 1) & (air >= LEAST_PAD_AIRFLOW_FRAC))
    pads[at] = np.where(
        mean["pad_pressure_drop"][at] > 0.5, mean["pad_pressure_drop"][at] / air[at] ** 2, np.nan
    )

    age = bin_id - state.dry_hold_bin[rows]
    switch = usable & (wet == 1) & (state.dry_hold_bin[rows] > 0) & (age <= SWITCH_BINS)
    at = np.flatnonzero((usable & due & (knows_load | third)) | switch)
    if len(at):
        row, mode = rows[at], wet[at]
        pressure, ambient = mean["head_pressure"][at], mean["ambient_temperature"][at]
        load = _load_frac(plan, state, row, bin_id[at], mean["heat_load"][at], ambient)
        over, rate = over_ambient_k(plan, row, pressure, ambient, air[at], load)
        depression_k = ambient - bulb[at]
        depression = depression_k * rate
        shift = np.where(mode == 1, plan.pad_effectiveness_frac[row] * depression, 0.0)
        td = over + shift
        td = np.where(td >= LEAST_TD_K * rate, td, np.nan)
        accepted = due[at] & (knows_load[at] | third[at])
        dry_out[at] = np.where(accepted & (mode == 0), td, np.nan)
        wet_out[at] = np.where(accepted & (mode == 1), td, np.nan)
        _mind_wet(state, row, wet_out[at], depression)
        _switched(plan, state, row, bin_id[at], switch[at], over, depression, depression_k)
    _hold_dry(state, rows, bin_id, usable & (wet == 0), mean)
    for i, (name, out) in enumerate((("td_dry", dry_out), ("td_wet", wet_out))):
        first = np.flatnonzero(~np.isnan(out) & (state.steady_count[rows, _Q[name]] == 0))
        state.td_first_bin[rows[first], i] = bin_id[first]
    seen = ~np.isnan(dry_out)
    state.dry_seen_bin[rows[seen]] = bin_id[seen]
    return HeatMeans(dry_out, wet_out, pads, lost)


def forget(state: FleetState, row: int) -> None:
    """What was measured of coil and pads says nothing any more: what spoilt it is mended."""
    for name in ("td_dry", "td_wet"):
        state.steady[row, _Q[name]] = np.nan
        state.steady_count[row, _Q[name]] = 0
    forget_effect(state, row)


def forget_effect(state: FleetState, row: int) -> None:
    """The same of what dry and wet running say together of the pads."""
    state.switch_effect[row] = np.nan
    state.wet_td_k[row] = np.nan
    state.wet_depression_k[row] = np.nan
    state.dry_hold_bin[row] = 0


def _mind_load(state: FleetState, rows: I64) -> list[tuple[int, int]]:
    """A unit that begins to send its load is learned anew: its means are of another kind.

    A frozen one goes on without its load, as it was learned. The quantities, by row, whose baseline
    is gone.
    """
    new = (state.value_ms[rows, _LOAD] > 0) & ~state.heat_load_seen[rows]
    new &= ~state.baseline_frozen[rows]
    if not new.any():
        return []
    row = rows[new]
    state.heat_load_seen[row] = True
    lost = []
    for name in ("td_dry", "td_wet"):
        q = _Q[name]
        lost += [(r, q) for r in row[~np.isnan(state.baseline[row, q])].tolist()]
        state.steady_count[row, q] = 0
        state.baseline[row, q] = np.nan
    return lost


def _load_frac(
    plan: FleetPlan, state: FleetState, row: I64, bin_id: I64, kw: F64, ambient: F64
) -> F64:
    """Load over rated capacity, NaN where it is not known now.

    Where the unit never sends it: over its load at 20 °C, as loads usually go with the weather.
    """
    held = state.value_ms[row, _LOAD] >= bin_start_ms(plan, row, bin_id - 2)
    kw = np.where(np.isnan(kw) & held, state.value[row, _LOAD], kw)
    frac = kw / plan.rated_capacity_kw[row]
    frac = np.where(frac >= LEAST_LOAD_FRAC, frac, np.nan)
    # Not known: what heat loads do with the weather is taken out at least.
    usual = 1.0 + LOAD_FRAC_PER_K * (np.clip(ambient, 0.0, 45.0) - 20.0)
    return np.where(state.heat_load_seen[row], frac, usual)


def over_ambient_k(
    plan: FleetPlan, row: I64, pressure: F64, ambient: F64, air: F64, load: F64
) -> tuple[F64, F64]:
    """Condensing temperature over ambient at rated load and full airflow, and that factor."""
    condensing = condensing_temperature_degc(pressure, plan.refrigerant_index[row])
    # Warm air is thin: the same volume carries less heat.
    mass = np.minimum(air * 293.15 / (273.15 + ambient), 1.5)
    capacity = capacity_frac(mass, full_flow_ntu=rated_ntu(plan, row), exponent=UA_EXPONENT)
    rate = capacity / load
    return (condensing - ambient) * rate, rate


def _mind_wet(state: FleetState, row: I64, td: F64, depression: F64) -> None:
    """Running means of the accepted wet TDs and of the depressions they were taken at.

    Their like weights keep them fit to be compared: what pads lose is a share of the depression.
    """
    new = ~np.isnan(td) & ~np.isnan(depression)
    row = row[new]
    for column, value in ((state.wet_td_k, td[new]), (state.wet_depression_k, depression[new])):
        old = column[row]
        column[row] = np.where(np.isnan(old), value, old + WET_WEIGHT * (value - old))


def _hold_dry(
    state: FleetState, rows: I64, bin_id: I64, dry: Bool, mean: Mapping[str, F64]
) -> None:
    """Keep the means of the newest dry bin, for the change to wet that may come next."""
    if not dry.any():
        return
    row = rows[dry]
    for i, name in enumerate(("head_pressure", "ambient_temperature", "fan_capacity", "heat_load")):
        state.dry_hold[row, i] = mean[name][dry]
    state.dry_hold_bin[row] = bin_id[dry]


def _switched(
    plan: FleetPlan,
    state: FleetState,
    row: I64,
    bin_id: I64,
    switch: Bool,
    over: F64,
    depression: F64,
    depression_k: F64,
) -> None:
    """The pads' effectiveness by the step of condensing temperature from dry to wet."""
    good = switch & (depression_k >= MINIMUM_DEPRESSION_K) & ~np.isnan(over)
    at = np.flatnonzero(switch)
    if not len(at):
        return
    before = state.dry_hold[row[at]].astype(np.float64)
    load = _load_frac(plan, state, row[at], state.dry_hold_bin[row[at]], before[:, 3], before[:, 1])
    dry_over, dry_rate = over_ambient_k(
        plan, row[at], before[:, 0], before[:, 1], before[:, 2], load
    )
    effect = (dry_over - over[at]) / depression[at]
    # A coil that gives off little shows little of the air it meets.
    fine = good[at] & (dry_over >= 2.0 * dry_rate) & ~np.isnan(effect)
    # Minus: the step was taken in this very bin. Either way it is not taken again.
    state.dry_hold_bin[row[at]] = np.where(fine, -bin_id[at], 0)
    kept = row[at][fine]
    if len(kept):
        ring = state.switch_effect[kept]
        ring[:, :-1] = ring[:, 1:]
        ring[:, -1] = np.clip(effect[fine], -0.5, 1.5)
        state.switch_effect[kept] = ring


def wanted_means(plan: FleetPlan, state: FleetState, rows: I64, wanted: I64) -> I64:
    """How many means each baseline of each unit rests on, (k, quantities).

    Without a load a TD rests on what its first week or more brought, however little: the load's
    course over the week is part of it.
    """
    out = np.empty((len(rows), len(STEADY)), dtype=np.int64)
    out[:] = wanted[:, None] if wanted.ndim else wanted
    usual = np.broadcast_to(plan.settings.get(FLEET, "heat_baseline_bins", rows), len(rows))
    days = plan.settings.get(FLEET, "heat_baseline_no_load_days", rows)
    for i, name in enumerate(("td_dry", "td_wet")):
        count = state.steady_count[rows, _Q[name]]
        span_d = (state.bin_id[rows] - state.td_first_bin[rows, i]) / (24.0 * BINS_AN_HOUR)
        week = np.where(span_d >= days, np.clip(count, usual // 2, UNKNOWN_LONG), _NEVER)
        out[:, _Q[name]] = np.where(state.heat_load_seen[rows], usual, week)
    out[:, _Q["pad_pressure_drop"]] = usual
    return out


def fan_shares(state: FleetState, rows: I64, share: F64, active: Bool) -> None:
    """Take the bins' mean share of commanded fans that were proven into the running share.

    While another alarm of the unit stands (``active``) the share only recovers: a fan that is down
    for good is that alarm's business and must not be counted again when it returns.
    """
    old = state.fan_share[rows].astype(np.float64)
    step = old + SHARE_WEIGHT * (share - old)
    step = np.where(np.isnan(share) | (active & (step < old)), old, step)
    state.fan_share[rows] = step


@dataclass(frozen=True)
class Compared:
    """TDs of one mode over their learned baseline: arrays (m,), 1 when clean, NaN if not known.

    ``long`` and ``short`` are medians over the two windows, ``newest`` and ``older`` over the last
    six means and the six before; ``se`` is the standard error of ``long``, ``scatter`` the robust
    deviation of a single mean when clean.
    """

    long: F64
    short: F64
    newest: F64
    older: F64
    se: F64
    scatter: F64


@dataclass(frozen=True)
class HeatRejection:
    """What coil, pads and airflow do, against the clean unit; arrays (m,), NaN where not known.

    ``effect`` is the pads' present saturation effectiveness, ``effect_clean`` what it was when
    clean (or the nameplate's), ``effect_sd`` the uncertainty.
    """

    load_known: Bool
    dry_recent: Bool
    """The unit ran dry within ten days, and its clean state is known."""
    dry: Compared
    wet: Compared
    effect: F64
    effect_clean: F64
    effect_sd: F64
    effect_by: I64
    """0 not known, 1 both modes, 2 the step from dry to wet, 3 wet running alone."""
    depression_k: F64
    """Wet-bulb depression of late, referred to rated load and full airflow."""
    pads_ratio: F64
    """Pad pressure drop at full airflow over its baseline."""
    pads_se: F64


def _ring(state: FleetState, rows: I64, quantity: str, bins: int) -> F64:
    """The last accepted means, (m, bins), newest first, NaN where there are fewer."""
    q = _Q[quantity]
    count = state.steady_count[rows, q]
    back = np.arange(1, bins + 1)
    position = (count[:, None] - back) % STEADY_BINS
    first = (rows * len(STEADY) + q) * STEADY_BINS
    window: F64 = state.steady.reshape(-1).take(first[:, None] + position).astype(np.float64)
    window[back > count[:, None]] = np.nan
    return window


def _divided(above: F64, below: F64) -> F64:
    return np.where(below > 0, above / np.where(below > 0, below, 1.0), np.nan)


def _compared(state: FleetState, rows: I64, quantity: str, known: Bool) -> Compared:
    q = _Q[quantity]
    base, spread = state.baseline[rows, q], state.baseline_spread[rows, q]
    learned = np.maximum(state.baseline_count[rows, q], 1)
    window = _ring(state, rows, quantity, NEWEST + LONG)
    long = median(window[:, :LONG], LONG // 2)
    slow = np.flatnonzero(~known)
    if len(slow):
        # As many means as the learned week brought: about a week again.
        weeks = _ring(state, rows[slow], quantity, UNKNOWN_LONG)
        late = np.arange(UNKNOWN_LONG) >= learned[slow, None]
        long[slow] = median(np.where(late, np.nan, weeks), SHORT * 3 // 4)
    n = np.where(known, LONG, np.minimum(learned, UNKNOWN_LONG))
    scatter = _divided(spread, base)
    short = _divided(median(window[:, :SHORT], SHORT // 2), base)
    return Compared(
        long=_divided(long, base),
        short=np.where(known, short, np.nan),
        newest=_divided(median(window[:, :NEWEST], NEWEST // 2), base),
        older=_divided(median(window[:, NEWEST : 2 * NEWEST], NEWEST // 2), base),
        se=MEDIAN_FACTOR * scatter * np.sqrt(1.0 / n + 1.0 / learned),
        scatter=scatter,
    )


def heat_is_known(state: FleetState, rows: I64) -> Bool:
    """Units that have learned anything to be compared with, (m,)."""
    columns = [_Q["td_dry"], _Q["td_wet"], _Q["pad_pressure_drop"]]
    unknown: Bool = np.asarray(np.isnan(state.baseline[rows[:, None], columns]).all(axis=1))
    known: Bool = ~unknown
    known |= ~np.isnan(state.switch_effect[rows, -LEAST_SWITCHES])
    return known


def heat_is_calm(state: FleetState, rows: I64) -> Bool:
    """Units that know their clean state in both modes and whose newest means are like it, (m,).

    The mean over the newest few is enough to say so: no fault is judged by less than its median.
    """
    calm: Bool = np.ones(len(rows), dtype=np.bool_)
    for name in ("td_dry", "td_wet", "pad_pressure_drop"):
        newest = _ring(state, rows, name, CALM_MEANS).mean(axis=1)
        off = np.abs(newest / state.baseline[rows, _Q[name]] - 1.0)
        silent = state.steady_count[rows, _Q[name]] == 0
        calm &= (off < CALM_FRAC) | silent
    # What the pads lose shows in the wet TD; without a load the step at the change to wet says it.
    newest_step = state.switch_effect[rows, -1]
    calm &= state.heat_load_seen[rows] | ~(newest_step < CALM_EFFECT_FRAC)
    return calm


def heat_rejection(plan: FleetPlan, state: FleetState, rows: I64, bin_id: I64) -> HeatRejection:
    """Compare the rings of ``rows`` with their baselines, as of the bins ``bin_id`` just closed."""
    known = state.heat_load_seen[rows].copy()
    dry = _compared(state, rows, "td_dry", known)
    wet = _compared(state, rows, "td_wet", known)
    dry_age = bin_id - state.dry_seen_bin[rows]
    pads_base = state.baseline[rows, _Q["pad_pressure_drop"]]
    pads = median(_ring(state, rows, "pad_pressure_drop", SHORT), SHORT // 2)
    pads_scatter = _divided(state.baseline_spread[rows, _Q["pad_pressure_drop"]], pads_base)
    effect, clean, sd, by = _effect(plan, state, rows, known, dry_age)
    return HeatRejection(
        load_known=known,
        dry_recent=(dry_age <= RECENT_DRY_BINS) & ~np.isnan(dry.long),
        dry=dry,
        wet=wet,
        effect=effect,
        effect_clean=clean,
        effect_sd=sd,
        effect_by=by,
        depression_k=state.wet_depression_k[rows].astype(np.float64),
        pads_ratio=_divided(pads, pads_base),
        pads_se=MEDIAN_FACTOR * pads_scatter * np.sqrt(1.0 / SHORT + 1.0 / LONG),
    )


@cache
def nothing_seen() -> HeatRejection:
    """What :func:`heat_rejection` says of no unit. Most bins bring no news of coil and pads, and
    working that out for nobody takes as long as for one: a fifth of closing a small fleet's bins.
    """
    nobody = np.empty(0, dtype=np.int64)
    return heat_rejection(FleetPlan.build((), {}, {}), FleetState.empty(0, 0), nobody, nobody)


def _effect(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    known: Bool,
    dry_age: I64,
) -> tuple[F64, F64, F64, I64]:
    """Effectiveness of the pads now and when clean, its uncertainty, and how it was found."""
    rated = plan.pad_effectiveness_frac[rows]
    dry_base, wet_base = state.baseline[rows, _Q["td_dry"]], state.baseline[rows, _Q["td_wet"]]
    # A small depression makes effectiveness of noise.
    fall = state.wet_depression_k[rows].astype(np.float64)
    fall = np.where(fall >= MINIMUM_DEPRESSION_K, fall, np.nan)
    enough = state.steady_count[rows, _Q["td_wet"]] >= WETTED_WINDOW
    wet_td = np.where(enough, state.wet_td_k[rows].astype(np.float64), np.nan)
    dry_td = median(_ring(state, rows, "td_dry", SHORT), SHORT // 2)
    clean = rated - (wet_base - dry_base) / fall
    clean = np.where(np.isnan(clean), rated, np.clip(clean, 0.4, 0.98))

    both = rated - (wet_td - dry_td) / fall
    both = np.where(known & (dry_age <= STALE_DRY_BINS), both, np.nan)
    both_sd = TD_ERROR_FRAC * (dry_td + wet_td) / fall

    steps = state.switch_effect[rows].astype(np.float64)
    step = median(steps, LEAST_SWITCHES)
    # The newest three agree, or the pads are not the story.
    step = np.maximum(step, median(steps[:, -LEAST_SWITCHES:], LEAST_SWITCHES))

    # The newest few show a leap while it still is one; the running mean comes too late for that.
    newest_td = median(_ring(state, rows, "td_wet", NEWEST), NEWEST // 2)
    alone = clean - (np.maximum(newest_td, wet_td) - wet_base) / fall
    alone = np.where(known, alone, np.nan)
    alone_sd = TD_ERROR_FRAC * (wet_td + wet_base) / fall

    by = np.where(
        ~np.isnan(both), 1,
        np.where(~np.isnan(step) & ~known, 2, np.where(~np.isnan(alone), 3, 0)),
    )  # fmt: skip
    effect = np.choose(by, [np.full(len(rows), np.nan), both, step, alone])
    sd = np.choose(by, [np.full(len(rows), np.nan), both_sd, np.full(len(rows), 0.1), alone_sd])
    return effect, np.where(by == 2, rated, clean), sd, by.astype(np.int64)
