"""Float stuck shut or supply starved: the level against the lower wall of the float's band.

Below the level at which the valve is fully open the basin fills, as fast as the valve can. One that
stays there, or goes on falling, gets no water. One that fills from empty far slower than it is used
to, or whose meter shows far less while the valve is wide open, gets less of it: it keeps up while
little is asked.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import F64, I8, Bool
from rules.bins import BinView
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.drained import DRAINED_MM
from rules.events import Evidence, Reading, Severity
from rules.faults.base import Fault, Setting
from rules.faults.float_readings import cause_entries, conductivity_sign, trend_sign
from rules.faults.grading import course, graded
from rules.faults.rule import Rule
from rules.fill_flow import (
    fill_flow_l_min,
    fills_as_fast_as_ever,
    fills_slower,
    usual_fill_flow_l_min,
)
from rules.float_flow import fills_again
from rules.look import UnitLook
from rules.physics.water_balance import bleed_for_cycles_l_min, makeup_for_cycles_l_min
from rules.signals import INDEX
from rules.state import BIN_MS, TRACE_BINS

__all__ = ["FLOAT_STUCK_SHUT"]

_SHUT: Final = "float-stuck-shut"
_LEVEL, _PROBE = INDEX["basin_level"], INDEX["conductivity"]
TREND_BINS: Final = 6


def judge_shut(view: BinView, announced: I8) -> I8:
    """Low: less comes than usual. Medium: below the level at which the valve is fully open, or
    less comes than a hot day asks for. High: near the pump's minimum."""
    plan, rows, state = view.plan, view.rows, view.state
    running, at_rest = view.recent["level_running"], view.recent["level_at_rest"]
    wet = state.mode[rows] == 1
    level = np.where(np.isnan(running), np.where(wet, at_rest, np.nan), running)
    left = _left_low(view, level, at_rest)
    at_rest_told = ~np.isnan(left)
    level = np.where(at_rest_told, left, level)
    bottom = plan.float_shut_mm[rows] - plan.float_band_mm[rows]
    below = bottom - level
    tolerance = view.setting(_SHUT, "under_level_mm")
    near_pump = bottom - (
        plan.pump_minimum_mm[rows] + view.setting(_SHUT, "pump_minimum_margin_mm")
    )
    severity = graded(
        below,
        [None, tolerance, np.maximum(near_pump, tolerance)],
        view.setting(_SHUT, "deadband_mm"),
        announced,
    )
    # A basin that fills (after a clean, a drained night) is on its way: its delay starts anew.
    begins = np.flatnonzero((severity > 0) & (announced == 0))
    if len(begins):
        severity[begins[_fills(view.only(begins)) & ~at_rest_told[begins]]] = 0
    # A pump whose suction is bare cannot draw its full current: then it is the reading that is low.
    bare = level < plan.pump_minimum_mm[rows] - view.setting(_SHUT, "under_level_mm")
    if (bare & (severity > 0)).any():
        full = view.recent["current_running"] >= FULL_CURRENT_FRAC * view.baseline("pump_current")
        severity = np.where(bare & full & (announced == 0), UNKNOWN, severity).astype(np.int8)
    # Nor does a probe read water where there is none.
    empty = (level < DRAINED_MM) & (severity > 0) & (announced == 0)
    if empty.any():
        severity[empty & _probe_wetted(view)] = UNKNOWN
    # A starved valve keeps up while little is asked of it: the night proves nothing of the day.
    back = np.flatnonzero((severity == 0) & (announced > 0))
    if len(back):
        severity[back[~fills_again(view.only(back))]] = UNKNOWN
        severity[back[fills_as_fast_as_ever(state, rows[back])]] = 0
    # Nothing new since the pump started or stopped: the water has not come to rest.
    newest = view.trace("level_running", 1)[:, 0]
    by_rest = np.isnan(newest) & (wet | at_rest_told)
    newest = np.where(by_rest, view.trace("level_at_rest", 1)[:, 0], newest)
    unsettled = np.isnan(newest) & (announced == 0)
    severity = np.where(unsettled, UNKNOWN, severity).astype(np.int8)
    slow = np.flatnonzero(fills_slower(state, rows))
    if len(slow):
        severity[slow] = np.maximum(severity[slow], _by_fills(view.only(slow)))
    return severity


def _by_fills(view: BinView) -> I8:
    """How grave it is that these units fill slower than they used to, (k,)."""
    plan, rows = view.plan, view.rows
    asked = makeup_for_cycles_l_min(plan.design_evaporation_l_min[rows], plan.target_cycles[rows])
    lacks = fill_flow_l_min(view.state, rows) < asked
    return np.where(lacks, Severity.MEDIUM, Severity.LOW).astype(np.int8)


WETTED_FRAC: Final = 0.5
"""Share of the make-up's conductivity from which a probe stands in water: in air it reads next to
nothing, and a fouled one keeps half (judgement)."""
RECENT_MS: Final = 900_000
"""A quarter of an hour: an older reading of the probe says nothing of the water now (judgement)."""
SETTLED_BINS: Final = 3
SETTLED_MM: Final = 2.0
"""Within so little a level at rest stands still: noise of its means (judgement)."""


def _probe_wetted(view: BinView) -> Bool:
    """Units whose conductivity probe stands in water by its newest reading, (k,)."""
    state, rows = view.state, view.rows
    newest_ms = state.value_ms[rows, _PROBE]
    fresh = (newest_ms > 0) & (state.value_ms[rows, _LEVEL] - newest_ms <= RECENT_MS)
    reads = state.value[rows, _PROBE] >= WETTED_FRAC * view.plan.makeup_us_cm[rows]
    wetted: Bool = fresh & reads
    return wetted


def _left_low(view: BinView, level: F64, at_rest: F64) -> F64:
    """What a run left in basins at rest that it drew down too far, NaN for the others, (k,). [mm]

    An open valve fills a basin whether the pump runs or not, so one that stands still below the
    level of the fully open valve gets no water. Half of the water that came back from the pads is
    taken off, since the site file's figure is rough. That the run drew the level down tells it from
    a controller that shuts the water off with the pump, and from a basin that never was full; below
    the pump's minimum somebody drains it.
    """
    plan, rows = view.plan, view.rows
    left = at_rest - 0.5 * plan.pull_down_mm[rows]
    low = np.isnan(level) & (left < plan.float_shut_mm[rows] - plan.float_band_mm[rows])
    low &= at_rest >= plan.pump_minimum_mm[rows]
    out = np.full(len(rows), np.nan)
    at = np.flatnonzero(low)
    if len(at):
        part = view.only(at)
        newest = part.trace("level_at_rest", SETTLED_BINS)
        within = np.maximum(SETTLED_MM, part.state.level_step_mm[part.rows])
        still: Bool = newest.max(axis=1) - newest.min(axis=1) <= within  # NaN is not
        ran = part.trace("level_running", TRACE_BINS)
        there = ~np.isnan(ran)
        last = TRACE_BINS - 1 - np.argmax(there[:, ::-1], axis=1)
        ended = np.take_along_axis(ran, last[:, None], axis=1)[:, 0]
        fell = np.where(there, ran, -np.inf).max(axis=1) - ended
        out[at] = np.where(
            still & (fell >= part.setting(_SHUT, "under_level_mm")), left[at], np.nan
        )
    return out


FILLING_FRAC: Final = 0.15
"""Share of what the open valve lifts the level in a bin from which the basin fills (judgement)."""
MOST_WAVES_MM: Final = 12.0
"""More than the level of a basin near its end jumps about with air in the pump (judgement)."""
FULL_CURRENT_FRAC: Final = 0.96
"""Share of the clean current above which the pump moves its water."""


def _fills(view: BinView) -> Bool:
    """Whether the newest mean stands above the lowest of the three before it as by an open valve.

    Water that comes back from the pads is no filling: the caller minds how the pump stands.
    """
    plan, rows = view.plan, view.rows
    a_bin_mm = plan.makeup_max_l_min[rows] / plan.area_m2[rows] * (BIN_MS / 60_000.0)
    swift = np.clip(FILLING_FRAC * a_bin_mm, view.setting(_SHUT, "filling_mm"), MOST_WAVES_MM)
    window = view.trace("level_running", TREND_BINS)
    window = np.where(np.isnan(window), view.trace("level_at_rest", TREND_BINS), window)
    before = np.where(np.isnan(window[:, -4:-1]), np.inf, window[:, -4:-1]).min(axis=1)
    rise = window[:, -1] - before
    fills: Bool = np.isfinite(rise) & (rise >= swift)
    return fills


# ---------------------------------------------------------------- explanations

_SHUT_SIGNS: Final = (
    Sign("meter", "the make-up meter shows most of the valve's full flow", "",
         "the make-up meter shows far less than full flow although the float should be open", 3.0,
         deciding=True),
    Sign("passed", "the water balance says that the valve passes most of its full flow",
         "the water balance says that the valve passes little or nothing",
         "the water balance says that the valve passes part of its flow", 2.0),
    Sign("salt", "conductivity rises", "conductivity falls", "conductivity holds", 1.0),
    Sign("fall", "", "the level keeps falling", "the level holds, too low", 1.0),
    Sign("fills", "wide open the valve passes as much as ever", "",
         "wide open the valve passes far less than it used to", 2.0),
    Sign("air", "", "pump current is unsteady or low: it draws air",
         "pump current is in order", 1.0),
)  # fmt: skip
_SHUT_CAUSES: Final = (
    SignatureRow("float-shut", "Float valve stuck shut or its strainer blocked",
                 {"meter": 0, "passed": -1, "salt": 1, "fall": -1, "fills": 0},
                 "Press the float down: does water come? Look at valve, strainer and seat."),
    SignatureRow("supply", "Water supply shut or its pressure too low",
                 {"meter": 0, "passed": -1, "salt": 1, "fall": -1, "fills": 0},
                 "Open the supply's test point; look at the shut-off and the strainer before it."),
    SignatureRow("drain-open", "Bleed or drain open, or the basin leaks",
                 {"meter": 1, "salt": -1, "fall": -1},
                 "Look at the drain, the bleed and under the basin."),
    SignatureRow("demand", "Evaporation and bleed take more than the valve can give",
                 {"meter": 1, "passed": 1, "fall": -1, "fills": 1},
                 "Compare the make-up flow with the valve's rating on a hot day."),
    SignatureRow("level-low-reading", "Level transmitter reads low",
                 {"meter": 0, "passed": 1, "salt": 0, "fall": 0, "fills": 1,
                  "air": 0},
                 "Compare the reading with a ruler."),
)  # fmt: skip


def _passed_l_min(
    look: UnitLook, level_slope_mm_h: float | None, evaporation_l_min: float | None
) -> float | None:
    """Make-up that the level's course implies: A dh/dt + E + B, with B for the intended cycles."""
    if level_slope_mm_h is None or evaporation_l_min is None:
        return None
    stored = look.unit.basin.area_m2 * level_slope_mm_h / 60.0  # mm/h on m² is L/h
    cycles = look.unit.water.target_cycles
    return stored + evaporation_l_min + float(bleed_for_cycles_l_min(evaporation_l_min, cycles))


def _share_sign(passed: float | None, full: float) -> int | None:
    """Most of the full flow, little of it, or something between (judgement: 60 and 25 %)."""
    if passed is None:
        return None
    return 1 if passed >= 0.6 * full else -1 if passed <= 0.25 * full else 0


def explain_shut(look: UnitLook, severity: Severity) -> Evidence:
    """Level against the band, its fall, the time left to the pump's minimum, the meter."""
    basin = look.unit.basin
    running, at_rest = look.recent("level_running"), look.recent("level_at_rest")
    level = running if running is not None else at_rest
    name = "level_running" if running is not None else "level_at_rest"
    bottom = basin.float_shut_mm - basin.float_band_mm
    slope = look.slope_per_h(name, 12)
    readings = [
        Reading("Basin level, pump running" if running is not None else "Basin level, at rest",
                level, "mm", basin.float_shut_mm - 0.5 * basin.float_band_mm, bottom,
                basin.float_shut_mm, "the valve should be fully open below the lower figure"),
        Reading("Level below which the pump draws air", basin.pump_minimum_mm, "mm"),
    ]  # fmt: skip
    left_s: float | None = None
    if slope is not None:
        readings.append(Reading("Change of level", slope, "mm/h", derived=True))
        if slope < -1.0 and level is not None:
            left_s = max(0.0, (level - basin.pump_minimum_mm) / -slope * 3600.0)
    evaporation = look.evaporation_l_min()
    if evaporation is not None:
        readings.append(Reading("Evaporation at the pads, from the weather", evaporation, "L/min",
                                high=basin.makeup_max_l_min, note="against the valve's full flow",
                                derived=True))  # fmt: skip
    passed = _passed_l_min(look, slope, evaporation)
    if passed is not None:
        readings.append(Reading("Make-up, from the water balance", max(passed, 0.0), "L/min",
                                basin.makeup_max_l_min, derived=True,
                                note="if the bleed is as intended"))  # fmt: skip
    makeup = look.value("makeup_flow")
    if makeup is not None:
        readings.append(look.reading("makeup_flow", expected=basin.makeup_max_l_min,
                                     note="with the float fully open"))  # fmt: skip
    base, current = look.baseline("pump_current"), look.value("pump_current")
    air = None
    if base is not None and current is not None and current > 0.1 * base.value:
        air = -1 if current < 0.88 * base.value else 0
    seen: dict[str, int | None] = {
        "meter": None if makeup is None else int(makeup >= 0.6 * basin.makeup_max_l_min),
        "passed": _share_sign(passed, basin.makeup_max_l_min),
        "salt": conductivity_sign(look),
        "fall": trend_sign(slope, 2.0) if slope is None or slope < 0 else 0,
        "fills": None,
        "air": air,
    }
    row = np.array([look.row])
    slower = bool(fills_slower(look.state, row)[0])
    newest, used_to = fill_flow_l_min(look.state, row)[0], usual_fill_flow_l_min(look.state, row)[0]
    by_file = bool(np.isnan(used_to))
    usual = basin.makeup_max_l_min if by_file else float(used_to)
    if not by_file or slower:
        readings.append(Reading("Flow of the wide open valve, newest", float(newest), "L/min",
                                usual, derived=True,
                                note="from empty, or by the meter; usual by "
                                + ("the site file" if by_file else "fills before")))  # fmt: skip
        if slower or fills_as_fast_as_ever(look.state, row)[0]:
            seen["fills"] = int(not slower)
    if slower and (level is None or level >= bottom - look.setting(_SHUT, "under_level_mm")):
        # Not low enough for an alarm of its own: how it stands shows nothing of the valve.
        share_pct = 100.0 * float(newest) / usual
        return _slow(look, readings, {"fills": 0}, share_pct, by_file=by_file)
    near = severity >= Severity.HIGH
    rests = running is None and look.state.mode[look.row] != 1
    return Evidence(
        summary="The last run left the basin low, and no water comes although the make-up valve "
        "should be fully open." if rests else
        "The basin runs low although the make-up valve should be fully open"
        + (": the pump is about to draw air." if near else "."),
        confidence=0.9 if makeup is not None or slope is not None else 0.8,
        readings=tuple(readings),
        causes=rank(_SHUT_SIGNS, _SHUT_CAUSES, seen),
        signals=("basin_level", "makeup_flow", "pump_current", "conductivity"),
        time_left_s=left_s,
        time_left_to="the pump draws air" if left_s is not None else "",
        limits=() if makeup is not None else (
            "No make-up meter here: a stuck float and a shut supply look the same from here.",
        ),
    )  # fmt: skip


def _slow(
    look: UnitLook,
    readings: list[Reading],
    seen: dict[str, int | None],
    share_pct: float,
    *,
    by_file: bool,
) -> Evidence:
    """Evidence of a valve that passes less than it used to, of a basin that is not low for it."""
    usual = "of its full flow by the site file" if by_file else "of the flow that it used to"
    return Evidence(
        summary=f"Wide open, the make-up valve passes {share_pct:.0f} % {usual}: it gets or passes "
        "less water.",
        confidence=0.8,
        readings=tuple(readings),
        causes=rank(_SHUT_SIGNS, _SHUT_CAUSES, seen),
        signals=("basin_level", "makeup_flow"),
        limits=(
            "How much of it an open drain takes, or other units on the same supply, is not known.",
            *(("The site file's full flow may be too much for this supply.",) if by_file else ()),
        ),
    )


FLOAT_STUCK_SHUT: Final = Rule(
    Fault(
        slug=_SHUT,
        spoils_heat=True,
        yields_to=("pump-drawing-air",),
        explains_from=Severity.MEDIUM,
        title="Float valve stuck shut or supply starved",
        family="float and level",
        meaning=(
            "The basin, running wet, stands below the level at which the make-up valve is fully "
            "open, and does not fill; or a run left it there, and no water comes at rest. Or, low, "
            "it fills from empty far slower than it used to, or the meter shows far less while the "
            "valve is wide open."
        ),
        consequence=(
            "The pump will draw air and run dry, the pads dry out, condensing pressure rises; what "
            "water is left concentrates."
        ),
        action="Restore the make-up: float, strainer, supply valve. Check drain and bleed.",
        causes=cause_entries(_SHUT_CAUSES, {"level-low-reading": "level-sensor"}),
        needs=("basin_level",),
        helps=("makeup_flow", "conductivity", "pump_current", "wet_mode", "pump_command"),
        suppressed_by=("level-frozen",),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week, before it falls further",
            Severity.HIGH: "today: the pump is about to draw air",
        },
        job_plan="float-valve",
        settings=(
            Setting("under_level_mm", 10.0, "mm", 1.0, 500.0,
                    "fall below the level of the fully open valve that counts",
                    "waves and the float's own play stay within 5 mm (common practice)"),
            Setting("pump_minimum_margin_mm", 8.0, "mm", 0.0, 200.0,
                    "closeness to the pump's minimum level that must be today",
                    "vortices begin some millimetres above the minimum (common practice)"),
            Setting("filling_mm", 3.0, "mm", 0.5, 200.0,
                    "rise within a quarter of an hour that counts as filling",
                    "more than noise of a mean of five minutes"),
            Setting("fill_slow_frac", 0.7, "of the unit's usual flow", 0.05, 0.95,
                    "flow of two fills from empty in a row, or twice by the meter while the valve "
                    "is wide open, that counts as starved; half of the site file's full flow "
                    "where the usual one is not known",
                    "supply pressure moves a valve's flow by a fifth (common practice), and means "
                    "of five minutes show it within a tenth (geometry of a ramp)"),
            Setting("deadband_mm", 4.0, "mm", 0.0, 100.0,
                    "how far the level must come back", "about the waves' half height"),
            Setting("on_delay_high_s", 900.0, "s", 0.0, 86_400.0,
                    "on-delay once the level is near the pump's minimum",
                    "a pump that draws air fails within the hour (common practice); air itself "
                    "is told sooner"),
            *course(2400.0, "a timed bleed may pull a healthy basin down for half an hour",
                    1800.0, "the float may stick again at once"),
        ),
        judged_by="bins",
    ),
    judge_shut,
    explain_shut,
    (SignatureTable(_SHUT_SIGNS, _SHUT_CAUSES),),
)  # fmt: skip
