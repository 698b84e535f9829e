"""Heat rejection against the clean unit: what the five-minute means say of coil, pads and airflow.

The temperature difference (TD) of condensing over air on the coil is divided by the load and
multiplied by the capacity that the airflow leaves, so that neither a hot day nor a busy one looks
like dirt. The mean of each hour in one mode is kept (of three hours where no load is sent: then the
window spans whole weeks, since load follows hour and weekday); fans that switch on and off, and the
minutes that the refrigerant takes to follow, are then taken out.
The step of the condensing temperature when the unit goes from dry to wet tells the pads' effect
without any load.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.arrays import F64, I64, Bool
from rules.bin_times import bin_start_ms
from rules.even_rise import forget_even, mind_even
from rules.heat_hours import TURN_BINS, mind_turn
from rules.heat_marks import pass_over_silence
from rules.physics.condenser import UA_EXPONENT, capacity_frac
from rules.physics.pads import MINIMUM_DEPRESSION_K
from rules.physics.refrigerant import condensing_temperature_degc
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.staging import is_stepped, says_nothing_of_airflow
from rules.state import FROM_SITE, HEAT_PARTS, STEADY, TD_AGES, WET_FALLS, FleetState

__all__ = [
    "BINS_AN_HOUR",
    "LEAST_AIRFLOW_FRAC",
    "UNKNOWN_LONG",
    "UNKNOWN_STRIDE_H",
    "WETTED_DROP_TIMES",
    "HeatMeans",
    "divided",
    "fan_shares",
    "heat_means",
    "over_ambient_k",
    "rated_ntu",
    "usual_load_frac",
]

_Q: Final = {q.name: i for i, q in enumerate(STEADY)}
_LOAD: Final = INDEX["heat_load"]
_HEAD: Final = INDEX["head_pressure"]
_SPEED: Final = INDEX["fan_speed"]
_AIR: Final = INDEX["ambient_temperature"]
_HUMIDITY: Final = INDEX["relative_humidity"]
_PRESSURE, _AMBIENT, _BULB, _AIRFLOW, _KW, _SQUARE, _DROP, _DROP_SQUARE = range(HEAT_PARTS)
LEAST_DROP_PA: Final = 0.5
WETTED_DROP_TIMES: Final = 1.15
"""Pressure drop of wetted pads over that of dry ones at equal airflow: a tenth to three tenths more
(common practice). Being off by as much is no fault by any limit of pads or air."""
DRY_SEASON_BINS: Final = 3 * 288
"""Three days without a mean of wet running (judgement)."""
MOST_SWING: Final = 1.0
"""Standard deviation over mean of the airflow within a mean: fans that stand for more than half of
the time leave little to be judged."""
LEAST_BINS: Final = 4
"""Bins that a mean of an hour rests on at least."""
STALE_SUM_BINS: Final = 72
"""A sum that was begun so long ago was broken off by a silence."""
SWITCH_MEANS: Final = 3
HOLD_WEIGHT: Final = 1.0 / 3.0
"""Fans that switch on and off swing the pressure: a quarter of an hour, before and after a change
of mode, takes most of that out."""
LEAST_AIRFLOW_FRAC: Final = 0.3
"""Below this share of the airflow the temperature difference says little."""
LEAST_STEPPED_FRAC: Final = 0.04
MOST_STEPPED_SWING: Final = 3.0
"""The same two where fans run at full speed or not at all: one fan of eight that comes and goes is
what a large unit needs on a cool day, and its share of the time is its airflow. To leave such hours
out would leave out the clean unit's, and keep the fouled one's."""
LEAST_CARRIED_FRAC: Final = 0.15
"""What such a unit gives off at least, of its rating as a clean one, where its load is not sent: in
less the compressors idle, and a coil without air gives off some of it."""
LEAST_LOAD_FRAC: Final = 0.3
"""Below this load the error of a head-pressure transmitter is a tenth of the TD or more."""
LOAD_FRAC_PER_K: Final = 0.01
"""Growth of a refrigeration load with the air outside: 1 to 1.5 % a kelvin (common practice)."""
LEAST_TD_K: Final = 1.0
LEAST_PAD_AIRFLOW_FRAC: Final = 0.5
"""Pads are not quite quadratic: over 0.5 to 1 the error of the square stays below a fifth."""
BINS_AN_HOUR: Final = 12
UNKNOWN_STRIDE_H: Final = TURN_BINS // BINS_AN_HOUR
UNKNOWN_LONG: Final = TD_AGES
"""Window in means where the load is not known: more than a week."""
GAP_WEIGHT: Final = 1.0 / 6.0
SWITCH_BINS: Final = 12
"""Longest time between the means before and after a change of mode: the load is then the same."""
SHARE_WEIGHT: Final = 1.0 / 24.0
"""Weight of a bin in the running share of fans proven: a memory of two hours."""
WET_WEIGHT: Final = 1.0 / 5.0


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
        Means of head_pressure [kPa abs], ambient_temperature [°C], fan_capacity and its square
        fan_square [-], heat_load [kW], pad_pressure_drop [Pa].
    """
    k = len(rows)
    dry_out, wet_out, pads = np.full(k, np.nan), np.full(k, np.nan), np.full(k, np.nan)
    lost = _mind_load(state, rows)
    since = state.heat_since_bin[rows]
    # Each unit's hour begins at a minute of its own, so that they do not all end at once.
    phase = plan.hour_phase_bins[rows]
    turn = np.where(state.heat_load_seen[rows], BINS_AN_HOUR, UNKNOWN_STRIDE_H * BINS_AN_HOUR)
    over_now = (bin_id + phase) // turn != (since + phase) // turn
    n = state.heat_bins[rows]
    at = np.flatnonzero(over_now & (n >= LEAST_BINS) & (bin_id - since < STALE_SUM_BINS))
    if len(at):
        row = rows[at]
        total = state.heat_sum[row].astype(np.float64)
        over, rate, depression_k = _over_ambient_k(plan, state, row, total / n[at][:, None])
        depression = depression_k * rate
        wetted = state.heat_wet[row]
        td = over + np.where(wetted, plan.pad_effectiveness_frac[row] * depression, 0.0)
        least_k = LEAST_TD_K * rate
        idles = is_stepped(state, row, plan.fan_count[row]) & ~state.heat_load_seen[row]
        floor_k = LEAST_CARRIED_FRAC * plan.rated_td_k[row]
        least_k = np.where(idles, np.maximum(least_k, floor_k), least_k)
        td = np.where(td >= least_k, td, np.nan)
        dry_out[at] = np.where(wetted, np.nan, td)
        wet_out[at] = np.where(wetted, td, np.nan)
        pads[at] = divided(total[:, _DROP], total[:, _DROP_SQUARE])
        _mind_wet(state, row, wet_out[at], depression)
        _mind_fall(state, row, wet_out[at], depression)
        mind_even(plan, state, row, bin_id[at], wetted, td, rate, depression_k)
    state.heat_bins[rows[over_now]] = 0
    _add_up(plan, state, rows, bin_id, wet, bulb, mean)
    pass_over_silence(state, rows, bin_id, ~np.isnan(dry_out), ~np.isnan(wet_out))
    for i, (name, out) in enumerate((("td_dry", dry_out), ("td_wet", wet_out))):
        _mind_gap(state, rows, bin_id, i, out, turn)
        new = ~np.isnan(out) & (state.out_of_service_until_ms[rows] == 0)
        mind_turn(plan, state, rows[new], since[new], i)
        first = np.flatnonzero(~np.isnan(out) & (state.steady_count[rows, _Q[name]] == 0))
        state.td_first_bin[rows[first], i] = bin_id[first]
    seen = ~np.isnan(dry_out)
    state.dry_seen_bin[rows[seen]] = bin_id[seen]
    return HeatMeans(dry_out, wet_out, pads, lost)


def _add_up(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    bin_id: I64,
    wet: F64,
    bulb: F64,
    mean: Mapping[str, F64],
) -> None:
    """Add the closed bins to the sums of their hours, and see whether a change of mode is told."""
    used, kw = _usable(plan, state, rows, bin_id, wet, bulb, mean)
    at = np.flatnonzero(used)
    if not len(at):
        return
    row, bins, wetted = rows[at], bin_id[at], wet[at] == 1
    air, drop = mean["fan_capacity"][at], mean["pad_pressure_drop"][at]
    square = mean["fan_square"][at]
    # Where it has not run wet for days, the pads are compared dry: they clog with dust as well.
    season = bins - state.td_last_bin[row, 1] > DRY_SEASON_BINS
    drop = np.where(wetted, drop, np.where(season, WETTED_DROP_TIMES * drop, np.nan))
    dropping = (air >= LEAST_PAD_AIRFLOW_FRAC) & (drop > LEAST_DROP_PA)
    parts = np.stack(
        [mean["head_pressure"][at], mean["ambient_temperature"][at], bulb[at], air, kw[at],
         square, np.where(dropping, drop, 0.0), np.where(dropping, square, 0.0)], axis=1
    )  # fmt: skip
    n = state.heat_bins[row]
    anew = (n == 0) | (state.heat_wet[row] != wetted)
    anew |= bins - state.heat_since_bin[row] >= STALE_SUM_BINS
    # Bins that know the weather are worth more than those that began without it.
    weather = [_AMBIENT, _BULB]
    anew |= (np.isnan(state.heat_sum[row][:, weather]) & ~np.isnan(parts[:, weather])).any(axis=1)
    state.heat_sum[row] = np.where(anew[:, None], parts, state.heat_sum[row] + parts)
    state.heat_bins[row] = np.where(anew, 1, n + 1)
    state.heat_wet[row] = wetted
    state.heat_since_bin[row] = np.where(anew, bins, state.heat_since_bin[row])
    _hold_dry(state, row[~wetted], bins[~wetted], parts[~wetted])
    age = bins - state.dry_hold_bin[row]
    switch = wetted & (state.heat_bins[row] == SWITCH_MEANS)
    switch &= (state.dry_hold_bin[row] > 0) & (age <= SWITCH_BINS)
    if switch.any():
        _switched(plan, state, row[switch], bins[switch])


def _usable(
    plan: FleetPlan,
    state: FleetState,
    rows: I64,
    bin_id: I64,
    wet: F64,
    bulb: F64,
    mean: Mapping[str, F64],
) -> tuple[Bool, F64]:
    """Bins that count, and the load in them, held for a little while. [kW]

    What the unit sends must be there. Without a speed command the airflow is known of fans that are
    switched on and off one by one; of others it is not, and a controller that holds the head
    pressure with them hides what coil and pads do.
    """
    recent_ms = bin_start_ms(plan, rows, bin_id - 2)
    # The site's weather is asked for while there is any: its one sensor may be gone for good.
    # Where it has a share in the sum of the hour, what came without it is no part of that.
    from_site = state.value_ms[rows] == FROM_SITE
    there = ~np.isnan(state.value[rows])
    begun = state.heat_bins[rows] > 0
    for signal, part in ((_AIR, _AMBIENT), (_HUMIDITY, _BULB)):
        there[:, signal] |= begun & ~np.isnan(state.heat_sum[rows, part])
    sent = (state.value_ms[rows] > 0) | (from_site & there)
    kw = mean["heat_load"]
    held = state.value_ms[rows, _LOAD] >= recent_ms
    kw = np.where(np.isnan(kw) & held, state.value[rows, _LOAD], kw)
    told = state.speed_seen[rows] & (state.value_ms[rows, _SPEED] >= recent_ms)
    count = plan.fan_count[rows]
    told |= is_stepped(state, rows, count)
    staged = plan.settings.get("fan-not-proven", "staged", rows)
    told &= ~says_nothing_of_airflow(state, rows, count, staged)
    used = ~np.isnan(wet) & ~np.isnan(mean["fan_capacity"]) & told
    for signal, value in (
        (_HEAD, mean["head_pressure"]), (_AIR, mean["ambient_temperature"]), (_LOAD, kw),
    ):  # fmt: skip
        used &= ~np.isnan(value) | ~sent[:, signal]
    used &= ~np.isnan(bulb) | (wet == 0) | ~sent[:, _HUMIDITY]
    return used, kw


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
    forget_even(state, row)
    lost = []
    for name in ("td_dry", "td_wet"):
        q = _Q[name]
        lost += [(r, q) for r in row[~np.isnan(state.baseline[row, q])].tolist()]
        state.steady_count[row, q] = 0
        state.baseline[row, q] = np.nan
    return lost


def _over_ambient_k(
    plan: FleetPlan, state: FleetState, row: I64, hour: F64
) -> tuple[F64, F64, F64]:
    """Condensing temperature over ambient at rated load and full airflow, that factor, and the
    wet-bulb depression. [K, -, K]

    ``hour`` (k, 6 or more) holds means of head pressure, ambient, wet bulb, airflow, load and
    airflow squared. NaN where the load is known and too small to tell, or the airflow is, or where
    the airflow swings.
    Where the unit never sends its load: over its load at 20 °C, as loads usually go with the
    weather.
    """
    ambient, air = hour[:, _AMBIENT], hour[:, _AIRFLOW]
    frac = hour[:, _KW] / plan.rated_capacity_kw[row]
    frac = np.where(frac >= LEAST_LOAD_FRAC, frac, np.nan)
    load = np.where(state.heat_load_seen[row], frac, usual_load_frac(ambient))
    swing = np.maximum(hour[:, _SQUARE] - air**2, 0.0)
    stepped = is_stepped(state, row, plan.fan_count[row])
    least = np.where(stepped, LEAST_STEPPED_FRAC, LEAST_AIRFLOW_FRAC)
    most = np.where(stepped, MOST_STEPPED_SWING, MOST_SWING)
    told = (air >= least) & (swing <= (most * air) ** 2)
    load = np.where(told, load, np.nan)
    # Fans that switch on and off carry heat for their share of the time, at the airflow they have
    # then: less than an even airflow of the same mean would.
    there = np.fmax(divided(hour[:, _SQUARE], air), air)
    over, rate = over_ambient_k(
        plan, row, hour[:, _PRESSURE], ambient, there, load * divided(there, air)
    )
    return over, rate, ambient - hour[:, _BULB]


def usual_load_frac(ambient_degc: F64) -> F64:
    """Load over that at 20 °C, as loads usually go with the weather, where it is not sent. [-]"""
    return 1.0 + LOAD_FRAC_PER_K * (np.clip(ambient_degc, 0.0, 45.0) - 20.0)


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


def _mind_fall(state: FleetState, row: I64, td: F64, depression: F64) -> None:
    """Remember the depression that goes with each wet TD, in its place."""
    new = np.flatnonzero(~np.isnan(td))
    place = state.steady_count[row[new], _Q["td_wet"]] % WET_FALLS
    state.wet_falls_k[row[new], place] = depression[new]


def _mind_gap(state: FleetState, rows: I64, bin_id: I64, mode: int, td: F64, turn: I64) -> None:
    """How long it takes from one TD of a mode to the next, in the mean; turns at least."""
    new = np.flatnonzero(~np.isnan(td))
    if not len(new):
        return
    row = rows[new]
    last = state.td_last_bin[row, mode]
    gap_h = np.where(last > 0, bin_id[new] - last, turn[new]) / float(BINS_AN_HOUR)
    old = state.td_gap_h[row, mode].astype(np.float64)
    state.td_gap_h[row, mode] = old + GAP_WEIGHT * (gap_h - old)
    state.td_last_bin[row, mode] = bin_id[new]


def _hold_dry(state: FleetState, row: I64, bin_id: I64, parts: F64) -> None:
    """Keep a mean of the newest dry bins, for the change to wet that may come next."""
    old, follows = state.dry_held[row], bin_id - state.dry_hold_bin[row] <= 2
    new = parts[:, : old.shape[1]]
    step = old + HOLD_WEIGHT * (new - old)
    state.dry_held[row] = np.where(follows[:, None] & ~np.isnan(step), step, new)
    state.dry_hold_bin[row] = bin_id


def _switched(plan: FleetPlan, state: FleetState, row: I64, bin_id: I64) -> None:
    """The pads' effectiveness by the step of condensing temperature from dry to wet."""
    now = state.heat_sum[row].astype(np.float64) / SWITCH_MEANS
    over, rate, depression_k = _over_ambient_k(plan, state, row, now)
    before = state.dry_held[row].astype(np.float64)
    dry_over, dry_rate, _ = _over_ambient_k(plan, state, row, before)
    effect = divided(dry_over - over, depression_k * rate)
    # A coil that gives off little shows little of the air it meets.
    fine = (depression_k >= MINIMUM_DEPRESSION_K) & (dry_over >= 2.0 * dry_rate) & ~np.isnan(effect)
    # Minus: the step was taken in this very bin. Either way it is not taken again.
    state.dry_hold_bin[row] = np.where(fine, -bin_id, 0)
    kept = row[fine]
    if len(kept):
        ring = state.switch_effect[kept]
        ring[:, :-1] = ring[:, 1:]
        ring[:, -1] = np.clip(effect[fine], -0.5, 1.5)
        state.switch_effect[kept] = ring
        first = np.isnan(state.step_clean[kept]) & ~np.isnan(ring).any(axis=1)
        state.step_clean[kept[first]] = np.median(ring[first], axis=1)


def fan_shares(state: FleetState, rows: I64, share: F64, known: Bool) -> None:
    """Take the bins' mean share of commanded fans that were proven into the running share.

    While another alarm of the unit stands or is held (``known``) the share only recovers: a fan
    that is down for good is that alarm's business and must not be counted again when it returns.
    """
    old = state.fan_share[rows].astype(np.float64)
    step = old + SHARE_WEIGHT * (share - old)
    step = np.where(np.isnan(share) | (known & (step < old)), old, step)
    state.fan_share[rows] = step


def divided(above: F64, below: F64) -> F64:
    """``above`` over ``below``, NaN where that is not above 0."""
    return np.where(below > 0, above / np.where(below > 0, below, 1.0), np.nan)
