"""Bleed stuck open: water leaves the basin when none should, and runs to waste.

At rest nothing evaporates at the pads, so what leaves shows at once: the level falls until the
float makes up for it, and fresh water thins the basin. Running wet, only a bleed far above what
even a hot dry day wants is told from one that is set generously.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from rules.alarms import UNKNOWN, fault_is_there
from rules.arrays import F64, I8, I64, Bool
from rules.balance import (
    FLOAT_ERROR_FRAC,
    FLOAT_LEVEL_ERROR_MM,
    LEAST_MAKEUP_FRAC,
    METER_ZERO_FRAC,
    METER_ZERO_L_MIN,
    balance_of_look,
)
from rules.bins import BinView
from rules.bleed_habit import opens_and_shuts, steady_habit
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course
from rules.faults.rejection import RAISED_RATIO, heat_of
from rules.faults.rule import Rule
from rules.faults.water_readings import balance_readings, seen_number
from rules.fresh_fill import EMPTY_BINS
from rules.heat_compared import NO_LOAD_RATIO
from rules.held_low import held_low_l_min, thinned_since_run_frac
from rules.look import UnitLook
from rules.physics.water_balance import bleed_for_cycles_l_min, float_valve_flow_l_min
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import BIN_MS, TRACE_BINS
from rules.usual_bottom import thinner_than_ever, usual_bottom_us_cm
from rules.usual_top import usual_top_us_cm

__all__ = ["BLEED_STUCK_OPEN"]

_SLUG: Final = "bleed-stuck-open"
_OTHERS: Final = [INDEX["basin_level"], INDEX["makeup_flow"]]
_HOUR_BINS: Final = 12
BIN_S: Final = BIN_MS / 1000.0
NEAR_SHUT_MM: Final = 3.0
"""Above the float's shut level, within which the valve may be passing (waves, resolution)."""

LEAST_PULL_DOWN_MM: Final = 12.0
"""A smaller return of water from pads and pipes is not told from waves and resolution."""

_SIGNS: Final = (
    Sign("bleed", "the bleed meter shows flow", "", "the bleed meter shows no flow", 3.0,
         deciding=True),
    Sign("waste", "the solids balance says that far more leaves than intended", "",
         "the solids balance says that no more leaves than intended", 1.0),
    Sign("usual", "", "the water left the range in which its bleed used to hold it",
         "the water is as it used to be", 1.0),
    Sign("falls", "", "the level falls at rest", "the level holds at rest", 1.0),
    Sign("thins", "", "the water thins at rest", "conductivity holds at rest", 1.0),
    Sign("below", "", "the reading is less than the make-up's, which no lost water explains",
         "the reading is more than the make-up's", 2.0, deciding=True),
    Sign("warm", "wet, it condenses further above the air than when clean", "",
         "wet, it condenses as when clean", 2.0),
)  # fmt: skip
_CAUSES: Final = (
    SignatureRow("bleed-valve", "Bleed valve stuck open: dirt on its seat, or still powered",
                 {"bleed": 1, "waste": 1, "usual": -1, "falls": -1, "thins": -1, "below": 0,
                  "warm": 0},
                 "Stop the bleed at its controller: does water still run from its end?"),
    SignatureRow("bleed-setting", "Bleed set far too large, or its setpoint too low",
                 {"bleed": 1, "waste": 1, "usual": 0, "falls": 0, "thins": 0, "below": 0,
                  "warm": 0},
                 "Measure the bleed with a jug; compare setpoint and timer with the cycles."),
    SignatureRow("drain-passing", "Drain valve or plug not tight",
                 {"bleed": 0, "waste": 1, "usual": -1, "falls": -1, "thins": -1, "below": 0,
                  "warm": 0},
                 "Look at the drain's end with the bleed shut."),
    SignatureRow("basin-leaks", "Basin, hose or pump seal leaks",
                 {"bleed": 0, "waste": 1, "usual": -1, "falls": -1, "thins": -1, "below": 0,
                  "warm": 0},
                 "Look under the basin and along the pipes."),
    SignatureRow("float-stuck-open", "Make-up valve stuck open: the basin runs over",
                 {"bleed": 0, "waste": 1, "usual": -1, "falls": 0, "below": 0, "warm": 0},
                 "Look at the overflow; lift the float: does the valve shut?"),
    SignatureRow("conductivity-probe", "Probe reads low, and nothing leaves",
                 {"bleed": 0, "usual": -1, "falls": 0, "thins": 0, "below": -1, "warm": 0},
                 "Compare with a hand meter; clean the probe."),
    SignatureRow("makeup-quality-changed", "Make-up water has become softer",
                 {"bleed": 0, "waste": 1, "usual": 0, "falls": 0, "thins": 0, "below": -1,
                  "warm": 0},
                 "Measure the make-up's conductivity at a tap."),
    SignatureRow("pads-not-wetting", "Pads no longer wet: less evaporates, and the bleed runs on",
                 {"usual": -1, "falls": 0, "thins": 0, "below": 0, "warm": 1},
                 "Look at the pads from the air side: dry areas, gaps, water running past."),
)  # fmt: skip


_JOBS: Final = {
    "basin-leaks": "inspection", "float-stuck-open": "float-valve", "pads-not-wetting": "pads",
}  # fmt: skip
"""Job plans of the causes that are not of the water itself."""


def design_bleed_l_min(plan: FleetPlan, rows: I64) -> F64:
    """Bleed that holds the intended cycles on a dry hot afternoon with all fans, (m,). [L/min]

    A bleed that cannot be regulated is commonly set for such a day, and is then more than enough
    on all others.
    """
    return bleed_for_cycles_l_min(plan.design_evaporation_l_min[rows], plan.target_cycles[rows])


def judge(view: BinView, announced: I8) -> I8:
    """Low: water leaves. Medium: more than a share of the valve's full flow."""
    out = np.full(len(view.rows), UNKNOWN, dtype=np.int8)
    _at_rest(view, announced, out)
    _running(view, announced, out)
    _by_habit(view, announced, out)
    _by_usual(view, announced, out)
    return out


def _at_rest(view: BinView, announced: I8, out: I8) -> None:
    """Judge the units that have been at rest for a while, into ``out``."""
    plan, state = view.plan, view.state
    rest_s = (view.time_ms - state.pump_changed_ms[view.rows]) / 1000.0
    resting = (state.pump_state[view.rows] == 0) & (rest_s >= view.setting(_SLUG, "rest_s"))
    # A pump that is told to run and shows no current may run: then pads and pipes take the water.
    resting &= ~fault_is_there(view.state, view.rows, "pump-not-running")
    index = np.flatnonzero(resting)
    if not len(index):
        return
    part = view.only(index)
    rows = part.rows
    shut, band = plan.float_shut_mm[rows], plan.float_band_mm[rows]
    level, hour_ago = view.recent["level_at_rest"][index], part.trace_at("level_at_rest", 12)
    # What stood there before somebody worked on it says nothing of what left since.
    since = state.trace_bin[rows] - state.turn_worked_bin[rows]
    hour_ago = np.where(since <= _HOUR_BINS, np.nan, hour_ago)
    # Below the band the make-up is off: the basin is being emptied on purpose, or left empty.
    filled = level >= shut - band - NEAR_SHUT_MM
    fall = hour_ago - level
    area = plan.area_m2[rows]
    most = plan.makeup_max_l_min[rows]
    bleed, makeup = view.recent["bleed_flow"][index], view.recent["makeup_flow"][index]
    least = np.maximum(METER_ZERO_FRAC * most, METER_ZERO_L_MIN)
    need = view.recent["conductivity"][index] > plan.target_cycles[rows] * plan.makeup_us_cm[rows]
    bleeds = (bleed > least) & ~need & ~(level < shut - band - NEAR_SHUT_MM)
    # Where no level tells of a flush, or of a basin that is emptied, it must outlast them.
    blind = np.flatnonzero(bleeds & np.isnan(level))
    if len(blind):
        flow = part.only(blind).trace("bleed_flow", FLUSHED_BINS)
        there = ~np.isnan(flow)
        lasts = ~(flow <= least[blind, None]).any(axis=1) & there[:, :EMPTY_BINS].any(axis=1)
        bleeds[blind] = lasts & (there.sum(axis=1) >= FLUSHED_BINS // 3)
    # A float just below its shut level passes exactly what leaves.
    replaced = filled & (level <= shut + NEAR_SHUT_MM)
    fed = replaced & (makeup > least) & (np.abs(fall) < NEAR_SHUT_MM)
    falls = filled & (fall >= part.setting(_SLUG, "fall_mm"))
    lost = np.where(falls, fall * area / 60.0, 0.0)
    few = np.flatnonzero(replaced)
    if len(few):
        thinned = _thinning_l_min(part.only(few), level[few], hour_ago[few], least[few])
        lost[few] = np.maximum(lost[few], thinned)
    held = held_low_l_min(plan, state, rows, part.setting(_SLUG, "thinning_frac"))
    lost = np.where(filled, np.fmax(lost, held), lost)
    lost = np.where(fed, np.fmax(lost, makeup), lost)
    lost = np.where(bleeds, np.fmax(lost, bleed), lost)
    grade = np.where(
        lost >= part.setting(_SLUG, "medium_frac") * most, Severity.MEDIUM, Severity.LOW
    )
    calm = filled & ~np.isnan(fall) & (fall < 0.5 * part.setting(_SLUG, "fall_mm"))
    calm &= (level > shut + NEAR_SHUT_MM) & ~(bleed > least)
    # Where neither level nor make-up was ever sent, no flow by the bleed's meter is all one knows.
    alone = (state.value_ms[rows[:, None], _OTHERS] == 0).all(axis=1)
    calm |= (bleed <= least) & ((makeup <= least) | alone)
    # With the make-up off the basin is emptied on purpose: that starts the delay anew.
    calm |= ~filled & ~bleeds & (announced[index] == 0) & ~np.isnan(level)
    verdict = np.where(lost > 0, np.maximum(grade, announced[index]), np.where(calm, 0, UNKNOWN))
    # Controllers flush a basin that they just filled, by time: what leaves then is meant to.
    news = np.flatnonzero((lost > 0) & (announced[index] == 0))
    if len(news):
        verdict[news[_was_low(part.only(news), 0.5 * (shut - band)[news])]] = 0
    out[index] = verdict.astype(np.int8)


FLUSHED_BINS: Final = 24
"""Two hours since the basin was empty, or half so, in which it may be filled and flushed: a flush
takes an hour or less (judgement)."""


def _was_low(few: BinView, least_mm: F64) -> Bool:
    """Basins that were below ``least_mm`` (k,) for a quarter of an hour within that time, (k,)."""
    levels = np.fmin(*(few.trace(n, FLUSHED_BINS) for n in ("level_at_rest", "level_running")))
    low = sliding_window_view(levels < least_mm[:, None], EMPTY_BINS, axis=1)
    return np.asarray(low.all(axis=-1).any(axis=-1), dtype=np.bool_)


def _thinning_l_min(few: BinView, level: F64, hour_ago: F64, least: F64) -> F64:
    """What leaves basins at rest whose water thinned within the hour, (k,); 0 if it did not.

    ``level`` is that of now, ``hour_ago`` that of then, ``least`` what counts as any flow.
    """
    plan, rows = few.plan, few.rows
    shut, area, most = plan.float_shut_mm[rows], plan.area_m2[rows], plan.makeup_max_l_min[rows]
    now, then = few.recent["conductivity"], few.trace_at("conductivity", _HOUR_BINS)
    # It must have been at rest, with water, an hour ago as well.
    there = ~np.isnan(hour_ago) & (then > plan.makeup_us_cm[rows] * 1.1)
    # A basin that fills is thinned by that alone.
    rose = np.fmax(level - hour_ago, 0.0) / np.maximum(level, 1.0)
    then_filled = then - rose * np.maximum(then - LEAST_MAKEUP_FRAC * plan.makeup_us_cm[rows], 0.0)
    # Where the water that comes back from the pads did not lift the level, half of it is proof.
    back = plan.pull_down_mm[rows]
    ran = few.trace_at("level_running", _HOUR_BINS, _HOUR_BINS)
    swallowed = (back >= LEAST_PULL_DOWN_MM) & (level < ran + 0.25 * back)
    asked = few.setting(_SLUG, "thinning_frac") * np.where(swallowed, 0.5, 1.0)
    thins = there & (then_filled - now >= asked * then)
    # Stirred in by the float, V dC/dt = B (C_m - C).
    volume = area * level
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = volume * (then_filled - now) / 60.0 / (now - plan.makeup_us_cm[rows])
    rate = np.where(rate > 0, rate, least)
    # The float lets in no more than its position says.
    lower = np.maximum(level - FLOAT_LEVEL_ERROR_MM, 0.0)
    most_in = (1.0 + FLOAT_ERROR_FRAC) * float_valve_flow_l_min(
        lower, shut, plan.float_band_mm[rows], most
    )
    return np.where(thins & (rate <= most_in), rate, 0.0)


def _running(view: BinView, announced: I8, out: I8) -> None:
    """Judge the units that run wet with thin water, into ``out``."""
    plan = view.plan
    intended = plan.target_cycles[view.rows] * plan.makeup_us_cm[view.rows]
    running = view.state.pump_state[view.rows] == 1
    concentrated = view.recent["conductivity"] >= view.setting(_SLUG, "cycles_ratio") * intended
    out[running & concentrated] = 0
    watched = view.watched
    if not len(watched.index):
        return
    run_s = (view.time_ms - view.state.pump_changed_ms[view.rows]) / 1000.0
    settled = ~concentrated & (run_s >= view.setting(_SLUG, "run_s"))
    thin = np.flatnonzero(watched.balance.running & settled[watched.index])
    i, w = watched.index[thin], watched.balance
    rows = view.rows[i]
    design = np.fmax(design_bleed_l_min(plan, rows), w.bleed_wanted_l_min[thin])
    generous = view.only(i).setting(_SLUG, "waste_ratio") * design
    proven = view.only(i).setting(_SLUG, "proven_ratio") * design
    waste, sd = w.bleed_l_min[thin], w.bleed_sd[thin]
    metered = w.bleed_metered_l_min[thin]
    least = w.bleed_low_l_min[thin]
    # What leaves must have come in: a reading that falls faster is the probe's own doing.
    fits = ~(least + w.evaporation_l_min[thin] > w.makeup_most_l_min[thin])
    fits &= ~(np.isnan(w.makeup_metered_l_min[thin]) & _pads_stay_dry(view, rows))
    found = ((least > proven) & fits & ~(metered < proven)) | (metered > generous)
    # A meter that shows no more than that contradicts, unless the water leaves elsewhere.
    fine = (waste + 2.0 * sd < generous) | ((metered < generous) & ~(least > proven))
    most = plan.makeup_max_l_min[rows]
    lost = np.where(np.isnan(metered), waste, np.fmax(metered, waste))
    grade = np.where(
        lost >= view.only(i).setting(_SLUG, "medium_frac") * most, Severity.MEDIUM, Severity.LOW
    )
    verdict = np.where(found, np.maximum(grade, announced[i]), np.where(fine, 0, UNKNOWN))
    # At rest it may have shown; running without excess does not prove it shut.
    out[i] = np.where((verdict == 0) & (announced[i] > 0), UNKNOWN, verdict).astype(np.int8)


def _by_habit(view: BinView, announced: I8, out: I8) -> None:
    """Judge the units whose bleed meter shows what it never did, while the water is thin.

    A bleed that opens as needed has no need of thin water: if it runs on for hours all the same, it
    no longer shuts. One that always runs with the pump passes more than it used to. Without a probe
    the water is known to be thin once enough of it has left.
    """
    state, plan = view.state, view.plan
    bins = view.setting(_SLUG, "never_shut_s") / BIN_S
    never = state.bleed_open_bins[view.rows] >= bins
    never |= state.bleed_more_bins[view.rows] >= bins
    i = np.flatnonzero(never & (state.pump_state[view.rows] == 1))
    if not len(i):
        return
    rows = view.rows[i]
    bins = np.broadcast_to(bins, len(never))[i]
    runs_on = opens_and_shuts(state, rows) & (state.bleed_open_bins[rows] >= bins)
    more = steady_habit(state, rows) & (state.bleed_more_bins[rows] >= bins)
    part, now = view.only(i), view.recent["conductivity"][i]
    asked = part.setting(_SLUG, "thin_ratio") * plan.target_cycles[rows]  # cycles
    flow = part.trace_at("bleed_flow", 0, _HOUR_BINS)
    # Where nothing measures it: after so much water, and on the hottest day, it must be thin.
    swept = flow * state.bleed_open_bins[rows] * (BIN_MS / 60_000.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        cycles = 1.0 + plan.design_evaporation_l_min[rows] / flow
    must_be = cycles < asked
    must_be &= swept >= SWEPT_TIMES * plan.float_shut_mm[rows] * plan.area_m2[rows]
    thin = np.where(np.isnan(now), must_be, now < asked * plan.makeup_us_cm[rows])
    found = (runs_on | more) & (thin | (announced[i] > 0))
    most = plan.makeup_max_l_min[rows]
    grade = np.where(
        flow >= part.setting(_SLUG, "medium_frac") * most, Severity.MEDIUM, Severity.LOW
    )
    out[i] = np.where(found, np.maximum(grade, np.maximum(announced[i], out[i])), out[i])


SWEPT_TIMES: Final = 3.0
"""Basins of water that leave through an open bleed, after which a twentieth of the old solids is
left: exp(-3)."""


def _by_usual(view: BinView, announced: I8, out: I8) -> None:
    """Judge the units whose water fell out of the range in which it used to be held."""
    plan = view.plan
    i = np.flatnonzero(thinner_than_ever(plan, view.state, view.rows))
    i = i[~_pads_stay_dry(view, view.rows[i])]
    if not len(i):
        return
    rows, part = view.rows[i], view.only(i)
    # In balance C / C_m - 1 = E / B, so that much leaves as liquid.
    over = np.maximum(view.recent["conductivity"][i] / plan.makeup_us_cm[rows] - 1.0, LEAST_OVER)
    lost = part.trace_at("evaporation", 0, _HOUR_BINS) / over
    grade = np.where(
        lost >= part.setting(_SLUG, "medium_frac") * plan.makeup_max_l_min[rows],
        Severity.MEDIUM,
        Severity.LOW,
    )
    out[i] = np.maximum(grade, np.maximum(announced[i], out[i]))


_WARM_MEANS: Final = 6


def _pads_stay_dry(view: BinView, rows: I64) -> Bool:
    """Units whose pads are known not to wet: less evaporates, and any bleed thins the water."""
    return fault_is_there(view.state, rows, "pads-not-wetting")


LEAST_OVER: Final = 0.1
"""Cycles over one below which the water that leaves is no longer told by its solids."""


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """What leaves at rest and in running, by meters, level and conductivity."""
    basin, water = look.unit.basin, look.unit.water
    w = balance_of_look(look)
    readings = balance_readings(look, w)
    rest = look.trace("level_at_rest", TRACE_BINS)
    at_rest = look.recent("level_at_rest")
    running = look.recent("level_running")
    rests = at_rest is not None or (running is None and look.state.pump_state[look.row] == 0)
    fall = look.slope_per_h("level_at_rest", _HOUR_BINS)
    thin = None
    if at_rest is not None and np.count_nonzero(~np.isnan(rest[-_HOUR_BINS:])) >= 8:
        slope = look.slope_per_h("conductivity", _HOUR_BINS)
        value = look.recent("conductivity")
        if slope is not None and value:
            thin = -1 if slope < -0.03 * value else 0
            readings.append(Reading("Change of conductivity at rest", slope, "µS/cm/h", 0.0,
                                    derived=True))  # fmt: skip
    if at_rest is not None:
        readings.append(
            Reading("Basin level, at rest", at_rest, "mm", low=basin.float_shut_mm,
                    note="the float passes water below the lower figure")
        )  # fmt: skip
        if fall is not None:
            readings.append(Reading("Change of level at rest", fall, "mm/h", 0.0, derived=True))
        row = np.array([look.row])
        asked = look.setting(_SLUG, "thinning_frac")
        held = seen_number(held_low_l_min(look.plan, look.state, row, np.array([asked])))
        if held is not None:
            thin = -1
            readings.append(
                Reading("Make-up at rest, from the float's position", held, "L/min", 0.0,
                        note="at the least; the level stands still below the float", derived=True)
            )  # fmt: skip
            thinned = seen_number(100.0 * thinned_since_run_frac(look.state, row))
            readings.append(Reading("Conductivity lost since the run", thinned, "%",
                                    high=100.0 * asked, derived=True))  # fmt: skip
    bleed = look.recent("bleed_flow", 6)
    if bleed is not None and rests:
        readings.append(Reading("Bleed, by its meter, pump at rest", bleed, "L/min", 0.0))
    makeup = look.recent("makeup_flow", 6)
    if makeup is not None and rests:
        readings.append(Reading("Make-up, by its meter, pump at rest", makeup, "L/min", 0.0))
    habit = _habit_readings(look)
    readings += habit
    usual = None if habit else _usual_reading(look)
    if usual is not None:
        readings.insert(0, usual)
    waste, wanted = seen_number(w.bleed_l_min), seen_number(w.bleed_wanted_l_min)
    metered = bleed if rests else seen_number(w.bleed_metered_l_min)
    seen: dict[str, int | None] = {
        "bleed": None if metered is None
        else int(metered > max(METER_ZERO_FRAC * basin.makeup_max_l_min, METER_ZERO_L_MIN)),
        "waste": 1 if habit else None if waste is None or wanted is None
        else int(waste > 2.0 * wanted),
        "usual": None if usual is None else -1,
        "falls": None if fall is None
        else -1 if fall <= -look.setting(_SLUG, "fall_mm") or thin == -1 else 0,
        "thins": thin,
        "below": _below(look),
        "warm": None if usual is None else _warm(look, readings),
    }  # fmt: skip
    limits = []
    if metered is None:
        limits.append(
            "No bleed meter here: bleed, drain and a leaking basin look the same from afar."
        )
    if usual is not None:
        limits.append(
            "Judged by this unit's own water: an overflow shows in the level, a leak under the "
            "basin, softer make-up at a tap, a probe that reads low beside a hand meter, and pads "
            "that no longer wet from their air side."
        )
    elif not rests:
        limits.append(
            "Seen in running only: a bleed that is set far too large looks like one stuck open, "
            "and so does make-up water that has become softer than the "
            f"{water.makeup_conductivity_us_cm:g} µS/cm of the site file."
        )
    where = (
        "though it is thin already, by a bleed that no longer shuts" if habit
        else "and its water stays far thinner than it is used to be" if usual is not None
        else "at rest, when none should" if rests else "far faster than intended"
    )  # fmt: skip
    return Evidence(
        summary=(
            "The basin seems to lose water fast, but it reads less than the make-up, which no lost "
            "water explains: the probe reads low, or the make-up has become softer."
            if seen["below"] == -1
            else f"Water leaves the basin {where}{_replaced(look)}: it runs to waste."
        ),
        confidence=0.92 if metered else 0.75,
        readings=tuple(readings),
        causes=rank(_SIGNS, _CAUSES, seen),
        signals=("basin_level", "conductivity", "bleed_flow", "makeup_flow", "pump_current"),
        limits=tuple(limits),
    )


def _replaced(look: UnitLook) -> str:
    """That fresh water comes in for what leaves, where anything is there to show it."""
    shown = any(look.has(name) for name in ("basin_level", "makeup_flow", "conductivity"))
    return ", and fresh water replaces it" if shown else ""


def _below(look: UnitLook) -> int | None:
    """-1 where a running unit reads less than any make-up that fits its site file; else 0."""
    value = look.recent("conductivity")
    if value is None or look.state.pump_state[look.row] != 1:
        return None
    ratio = value / look.unit.water.makeup_conductivity_us_cm
    return -1 if ratio < LEAST_MAKEUP_FRAC else 0 if ratio > 1.0 else None


def _habit_readings(look: UnitLook) -> list[Reading]:
    """How the bleed ran lately against its habit, if it breaks it; else nothing."""
    state, row = look.state, np.array([look.row])
    hours = look.setting(_SLUG, "never_shut_s") / 3600.0
    open_h = float(state.bleed_open_bins[look.row]) / 12.0
    more_h = float(state.bleed_more_bins[look.row]) / 12.0
    if opens_and_shuts(state, row)[0] and open_h >= hours:
        share = float(state.bleed_shut_bins[look.row]) / float(state.bleed_run_bins[look.row])
        note = f"without a break; it used to be shut {100.0 * share:.0f} % of the running time"
        return [Reading("Bleed open, by its meter", open_h, "h", high=hours, note=note,
                        derived=True)]  # fmt: skip
    if steady_habit(state, row)[0] and more_h >= hours:
        usual = float(state.bleed_usual_l_min[look.row])
        return [Reading("Bleed, by its meter, against what it usually passes",
                        look.recent("bleed_flow", 6), "L/min", usual,
                        note=f"far more for {more_h:.0f} h of running", derived=True)]  # fmt: skip
    return []


def _warm(look: UnitLook, readings: list[Reading]) -> int | None:
    """Whether it condenses further above the air in wet running than when clean; None: not known.

    What was compared joins ``readings``.
    """
    base, now = look.baseline("td_wet"), look.steady("td_wet", _WARM_MEANS)
    if base is None or now is None:
        return None
    heat = heat_of(look)
    # Without a load, more of it looks the same.
    from_k = base.value * (RAISED_RATIO if heat.load_known[0] else NO_LOAD_RATIO)
    readings.append(Reading("Condensing above air on coil, wet", now, "K", base.value, high=from_k,
                            note="at full airflow", derived=True))  # fmt: skip
    if now >= from_k:
        return 1
    return 0 if now < base.value * RAISED_RATIO else None


def _usual_reading(look: UnitLook) -> Reading | None:
    """The water against the range in which it used to be held, if it has left that; else None."""
    row = np.array([look.row])
    if not thinner_than_ever(look.plan, look.state, row)[0]:
        return None
    bottom = float(usual_bottom_us_cm(look.state, row)[0])
    top = float(usual_top_us_cm(look.state, row)[0])
    hours = float(look.state.thin_run_bins[look.row]) / 12.0
    volumes = float(look.state.thin_evaporated[look.row])
    note = f"its usual range in running; thinner for {hours:.0f} h of running"
    if volumes > 0.0:
        note += f", in which {volumes:.1f} basins of water have evaporated"
    return Reading("Conductivity against the unit's own", look.recent("conductivity"), "µS/cm",
                   low=bottom, high=top, note=note)  # fmt: skip


BLEED_STUCK_OPEN: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Bleed stuck open, water wasted",
        family="water quality",
        meaning=(
            "Water leaves the basin as liquid when none should, or much faster than the intended "
            "cycles want; the make-up replaces it."
        ),
        consequence="Water, and the treatment in it, runs to waste all day.",
        action="Shut the bleed by hand: does it stop? Else look at the drain and under the basin.",
        causes=tuple(
            CauseEntry(r.slug, r.title, r.look_at, _JOBS.get(r.slug, "water-quality"))
            for r in _CAUSES
        ),
        needs=("pump_current",),
        needs_any=(("bleed_flow", "conductivity", "basin_level"),),
        helps=("basin_level", "conductivity", "bleed_flow", "makeup_flow", "ambient_temperature",
               "relative_humidity", "fan_run", "fan_speed"),
        suppressed_by=("level-frozen", "float-leaking", "float-stuck-open", "conductivity-probe"),
        # Where nothing replaces what leaves, it is the float's ticket, which names the drain too.
        yields_to=("float-stuck-shut",),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week: water runs to waste",
        },
        job_plan="water-quality",
        settings=(
            Setting("rest_s", 5400.0, "s", 600.0, 86_400.0,
                    "time at rest before what leaves then is judged",
                    "level and conductivity are compared with those of an hour ago, which must be "
                    "of the same rest: each run leaves water in pads that were dry"),
            Setting("run_s", 10_800.0, "s", 1800.0, 604_800.0,
                    "time of wet running before thin water is held against the bleed",
                    "water is thin after a fresh fill, and timed bleeds open for an hour at a time "
                    "(common practice)"),
            Setting("fall_mm", 6.0, "mm", 1.0, 200.0,
                    "fall of the level within an hour at rest that counts",
                    "a sheltered basin evaporates up to 1 mm an hour (common practice)"),
            Setting("thinning_frac", 0.06, "of the conductivity", 0.01, 0.9,
                    "fall of conductivity within an hour at rest, at the float's level, that "
                    "counts", "several times the drift of a compensated probe as water cools"),
            Setting("cycles_ratio", 0.6, "of the intended cycles", 0.1, 1.0,
                    "concentration above which, running, nothing is wasted",
                    "cycles far below the intended are what wasting water means"),
            Setting("waste_ratio", 3.0, "of the bleed of a design day", 1.0, 20.0,
                    "metered bleed, running, that counts as waste",
                    "bleeds that cannot be regulated are set for the driest day, at twice what it "
                    "wants or more (common practice)"),
            Setting("proven_ratio", 1.5, "of the bleed of a design day", 0.5, 20.0,
                    "the least that the solids balance allows, running, that counts as waste",
                    "all errors are against it already, which halves what a bleed shows"),
            Setting("never_shut_s", 21_600.0, "s", 3600.0, 604_800.0,
                    "running time over which a bleed that used to shut never did, or one that "
                    "always runs passed far more than usual",
                    "bleeds by conductivity, timer or make-up pulse are shut again within an hour "
                    "or two (common practice)"),
            Setting("thin_ratio", 0.85, "of the intended cycles", 0.1, 1.0,
                    "concentration below which a bleed that runs on is not at work",
                    "setpoints stand within a few per cent of the cycles intended, and need not be "
                    "asked: hot days and harder make-up keep a bleed open at full concentration"),
            Setting("medium_frac", 0.04, "of the valve's full flow", 0.0, 1.0,
                    "waste that calls for a visit this week",
                    "on a valve of 25 L/min that is 1 L/min, or 1.4 m³ a day"),
            *course(1800.0, "it looks back over an hour, by when a part drain by hand is over",
                    7200.0, "it shows at rest only"),
        ),
        judged_by="bins",
    ),
    judge,
    explain,
    (SignatureTable(_SIGNS, _CAUSES),),
)  # fmt: skip
