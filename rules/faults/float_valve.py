"""Float stuck open and float stuck shut: the level against the float valve's own band.

The valve is shut at one level and fully open a band below it, so a healthy level has two walls.
With the pump running the float holds the level; when it stops, the water held in pads and pipes
comes back and lifts the level by the pull-down, which is no fault.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import F64, I8
from rules.bins import BinView
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import delays, graded
from rules.faults.rule import Rule
from rules.faults.water_readings import level_follows
from rules.float_flow import Passes, fills_again, float_flow_of, float_flow_of_look
from rules.float_rest import (
    AT_REST,
    RUNNING,
    SET_HIGH_MM,
    float_note,
    float_top_mm,
    over_level_mm,
)
from rules.look import UnitLook
from rules.physics.water_balance import bleed_for_cycles_l_min
from rules.state import BIN_MS

__all__ = ["FLOAT_STUCK_OPEN", "FLOAT_STUCK_SHUT"]

_OPEN: Final = "float-stuck-open"
_SHUT: Final = "float-stuck-shut"
TREND_BINS: Final = 6


def _latest(view: BinView) -> tuple[F64, F64]:
    """Medians of the level over the last quarter of an hour: pump running, and at rest."""
    return view.recent["level_running"], view.recent["level_at_rest"]


def _excess_mm(view: BinView) -> tuple[F64, F64]:
    """Level above what the float allows here, and the level itself."""
    plan, state, rows = view.plan, view.state, view.rows
    running, at_rest = _latest(view)
    # Without a pull-down in the site file nobody knows how far the level may rise at rest.
    top_rest = np.where(
        plan.pull_down_mm[rows] > 0, float_top_mm(plan, state, rows, AT_REST), np.nan
    )
    over_run = running - float_top_mm(plan, state, rows, RUNNING)
    return (
        np.where(np.isnan(over_run), at_rest - top_rest, over_run),
        np.where(np.isnan(running), at_rest, running),
    )


def judge_open(view: BinView, announced: I8) -> I8:
    """Low: the level stands above the band. Medium: it stands at the overflow."""
    plan, rows = view.plan, view.rows
    excess, level = _excess_mm(view)
    setting = view.setting(_OPEN, "over_level_mm")
    room = plan.overflow_mm[rows] - plan.float_shut_mm[rows]
    lip = plan.overflow_mm[rows] - view.setting(_OPEN, "overflow_margin_mm")
    tolerance = np.where(
        np.isnan(view.recent["level_running"]),
        over_level_mm(view, setting, lip, AT_REST),
        over_level_mm(view, setting, lip, RUNNING),
    )
    at_lip = np.maximum(lip - (level - excess), np.minimum(setting, 0.5 * room))
    deadband = np.minimum(view.setting(_OPEN, "deadband_mm"), 0.5 * tolerance)
    severity = graded(excess, [tolerance, at_lip, None], deadband, announced)
    # News is told from a leak first; few units get here.
    maybe = np.flatnonzero((severity > 0) & (announced == 0))
    if len(maybe):
        part = view.only(maybe)
        # A reading that stood still while the pump started or stopped shows no level of today.
        severity[maybe[~level_follows(part)]] = 0
        passes = float_flow_of(part).passes
        severity[maybe[passes == Passes.LITTLE]] = 0
        # A meter that shows nothing: the valve shuts, a little higher than the site file says.
        high_set = (excess[maybe] < SET_HIGH_MM) & (level[maybe] < lip[maybe])
        severity[maybe[(passes == Passes.NOTHING) & high_set]] = 0
        # At rest an open valve fills to the overflow. Below it and unmetered, nothing shows flow:
        # rain may have left the water there, or the float be set high, which the next run tells.
        still = np.isnan(view.recent["level_running"][maybe]) & (level[maybe] < lip[maybe])
        severity[maybe[still & (passes == Passes.UNKNOWN)]] = UNKNOWN
    return severity


def judge_shut(view: BinView, announced: I8) -> I8:
    """Medium: below the level at which the valve is fully open. High: near the pump's minimum."""
    plan, rows, state = view.plan, view.rows, view.state
    running, at_rest = _latest(view)
    wet = state.mode[rows] == 1
    level = np.where(np.isnan(running), np.where(wet, at_rest, np.nan), running)
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
    a_bin_mm = plan.makeup_max_l_min[rows] / plan.area_m2[rows] * (BIN_MS / 60_000.0)
    swift = np.clip(FILLING_FRAC * a_bin_mm, view.setting(_SHUT, "filling_mm"), MOST_WAVES_MM)
    filling = _rise_mm(view) >= swift
    severity = np.where(filling & (severity > 0) & (announced == 0), 0, severity).astype(np.int8)
    # A pump whose suction is bare cannot draw its full current: then it is the reading that is low.
    bare = level < plan.pump_minimum_mm[rows] - view.setting(_SHUT, "under_level_mm")
    if (bare & (severity > 0)).any():
        full = view.recent["current_running"] >= FULL_CURRENT_FRAC * view.baseline("pump_current")
        severity = np.where(bare & full & (announced == 0), UNKNOWN, severity).astype(np.int8)
    # A starved valve keeps up while little is asked of it: the night proves nothing of the day.
    back = np.flatnonzero((severity == 0) & (announced > 0))
    if len(back):
        severity[back[~fills_again(view.only(back))]] = UNKNOWN
    # Nothing new since the pump started or stopped: the water has not come to rest.
    newest = view.trace("level_running", 1)[:, 0]
    newest = np.where(np.isnan(newest) & wet, view.trace("level_at_rest", 1)[:, 0], newest)
    return np.where(np.isnan(newest) & (announced == 0), UNKNOWN, severity).astype(np.int8)


FILLING_FRAC: Final = 0.15
"""Share of what the open valve lifts the level in a bin from which the basin fills (judgement)."""
MOST_WAVES_MM: Final = 12.0
"""More than the level of a basin near its end jumps about with air in the pump (judgement)."""
FULL_CURRENT_FRAC: Final = 0.96
"""Share of the clean current above which the pump moves its water."""


def _rise_mm(view: BinView) -> F64:
    """Rise of the newest mean above the lowest of the three before it; 0 where not known."""
    window = view.trace("level_running", TREND_BINS)
    window = np.where(np.isnan(window), view.trace("level_at_rest", TREND_BINS), window)
    before = np.where(np.isnan(window[:, -4:-1]), np.inf, window[:, -4:-1]).min(axis=1)
    rise = window[:, -1] - before
    return np.where(np.isfinite(rise), rise, 0.0)


# ---------------------------------------------------------------- explanations

_OPEN_SIGNS: Final = (
    Sign("meter", "the make-up meter shows flow while the level is above the float", "",
         "the make-up meter shows no flow", 3.0, deciding=True),
    Sign("dilution", "conductivity rises", "conductivity falls towards the make-up's",
         "conductivity holds", 1.5),
    Sign("lip", "the level stands at the overflow", "", "the level stands below the overflow", 1.0),
    Sign("much", "the valve passes a quarter or more of its full flow",
         "the valve passes only a little", "", 2.0),
)  # fmt: skip
_OPEN_CAUSES: Final = (
    SignatureRow("float-open", "Float valve stuck open, water runs to waste",
                 {"meter": 1, "dilution": -1, "much": 1},
                 "Lift the float by hand: does the flow stop? Look at seat and linkage."),
    SignatureRow("float-setting", "Float set too high or float arm bent",
                 {"meter": 0, "dilution": 0, "lip": 0},
                 "Compare the level at which the valve shuts with the site file."),
    SignatureRow("level-high-reading", "Level transmitter reads high",
                 {"meter": 0, "dilution": 0, "lip": 0},
                 "Compare the reading with a ruler."),
    SignatureRow("float-leaking", "Float valve leaking by: it shuts, but not tight",
                 {"meter": 1, "dilution": -1, "lip": 1, "much": -1},
                 "Lift the float by hand: does a trickle go on?"),
)  # fmt: skip

_SHUT_SIGNS: Final = (
    Sign("meter", "the make-up meter shows most of the valve's full flow", "",
         "the make-up meter shows far less than full flow although the float should be open", 3.0,
         deciding=True),
    Sign("passed", "the water balance says that the valve passes most of its full flow",
         "the water balance says that the valve passes little or nothing",
         "the water balance says that the valve passes part of its flow", 2.0),
    Sign("salt", "conductivity rises", "conductivity falls", "conductivity holds", 1.0),
    Sign("fall", "", "the level keeps falling", "the level holds, too low", 1.0),
    Sign("air", "", "pump current is unsteady or low: it draws air",
         "pump current is in order", 1.0),
)  # fmt: skip
_SHUT_CAUSES: Final = (
    SignatureRow("float-shut", "Float valve stuck shut or its strainer blocked",
                 {"meter": 0, "passed": -1, "salt": 1, "fall": -1},
                 "Press the float down: does water come? Look at valve, strainer and seat."),
    SignatureRow("supply", "Water supply shut or its pressure too low",
                 {"meter": 0, "passed": -1, "salt": 1, "fall": -1},
                 "Open the supply's test point; look at the shut-off and the strainer before it."),
    SignatureRow("drain-open", "Bleed or drain open, or the basin leaks",
                 {"meter": 1, "salt": -1, "fall": -1},
                 "Look at the drain, the bleed and under the basin."),
    SignatureRow("demand", "Evaporation and bleed take more than the valve can give",
                 {"meter": 1, "passed": 1, "fall": -1},
                 "Compare the make-up flow with the valve's rating on a hot day."),
    SignatureRow("level-low-reading", "Level transmitter reads low",
                 {"meter": 0, "passed": 1, "salt": 0, "fall": 0, "air": 0},
                 "Compare the reading with a ruler."),
)  # fmt: skip


def _trend_sign(slope: float | None, least: float) -> int | None:
    if slope is None:
        return None
    return 1 if slope > least else -1 if slope < -least else 0


def _conductivity_sign(look: UnitLook) -> int | None:
    level = look.recent("conductivity")
    return _trend_sign(look.slope_per_h("conductivity", 24), 0.01 * level) if level else None


def _dilution_sign(look: UnitLook, allowed_mm: float) -> int | None:
    """Falling conductivity speaks at once; that it holds says something only after hours."""
    trend = _conductivity_sign(look)
    window = look.trace("level_running", 36)
    window = np.where(np.isnan(window), look.trace("level_at_rest", 36), window)
    long = bool(np.count_nonzero(window > allowed_mm) >= 30)
    return trend if trend == -1 or long else None


def explain_open(look: UnitLook, severity: Severity) -> Evidence:
    """Level against the float and the overflow, make-up meter, dilution, water lost."""
    basin = look.unit.basin
    running, at_rest = look.recent("level_running"), look.recent("level_at_rest")
    level = running if running is not None else at_rest
    state = "pump running" if running is not None else "at rest"
    which = RUNNING if running is not None else AT_REST
    allowed = float(float_top_mm(look.plan, look.state, np.array([look.row]), which)[0])
    readings = [
        Reading(f"Basin level, {state}", level, "mm", allowed, basin.float_shut_mm
                - basin.float_band_mm, allowed,
                float_note(look, which, "the float should be shut from here up")),
        Reading("Overflow lip", basin.overflow_mm, "mm"),
    ]  # fmt: skip
    makeup = look.value("makeup_flow")
    seen: dict[str, int | None] = {
        "dilution": _dilution_sign(look, allowed),
        "lip": 1 if level is not None and level >= basin.overflow_mm - 5.0 else 0,
        "meter": None,
        "much": None,
    }
    flow = float_flow_of_look(look)
    passes = Passes(int(flow.passes[0]))
    if passes > Passes.NOTHING:
        seen["much"] = 1 if passes is Passes.MUCH else -1
        share = float(flow.flow_frac[0])
        readings.append(Reading("Flow through the valve, float up", share * basin.makeup_max_l_min,
                                "L/min", 0.0, derived=not flow.metered[0],
                                note=f"{100 * share:.0f} % of the valve's full flow"))  # fmt: skip
    if makeup is not None:
        readings.append(look.reading("makeup_flow", expected=0.0, note="with the float shut"))
        seen["meter"] = 1 if makeup > 0.05 * basin.makeup_max_l_min else 0
    conductivity = look.recent("conductivity")
    if conductivity is not None:
        cycles = conductivity / look.unit.water.makeup_conductivity_us_cm
        readings.append(
            Reading("Conductivity", conductivity, "µS/cm",
                    note=f"{cycles:.1f} cycles; {look.unit.water.target_cycles:g} intended")
        )  # fmt: skip
    waste = (
        f" Up to {basin.makeup_max_l_min:g} L/min run to waste."
        if severity >= Severity.MEDIUM
        else ""
    )
    where = "at the overflow" if seen["lip"] else "above the float's band"
    return Evidence(
        summary=f"The basin stands {where}: the make-up valve does not shut.{waste}",
        confidence=0.95 if makeup is not None else 0.8,
        readings=tuple(readings),
        causes=rank(_OPEN_SIGNS, _OPEN_CAUSES, seen),
        signals=("basin_level", "conductivity", "makeup_flow", "pump_current"),
        limits=() if makeup is not None else (
            "No make-up meter here: a level transmitter that reads high looks the same. A ruler "
            "decides.",
        ),
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
        "salt": _conductivity_sign(look),
        "fall": _trend_sign(slope, 2.0) if slope is None or slope < 0 else 0,
        "air": air,
    }
    near = severity >= Severity.HIGH
    return Evidence(
        summary="The basin runs low although the make-up valve should be fully open"
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


def _causes(rows: tuple[SignatureRow, ...], plans: dict[str, str]) -> tuple[CauseEntry, ...]:
    return tuple(
        CauseEntry(r.slug, r.title, r.look_at, plans.get(r.slug, "float-valve")) for r in rows
    )


FLOAT_STUCK_OPEN: Final = Rule(
    Fault(
        slug=_OPEN,
        title="Float valve stuck open",
        family="float and level",
        meaning="The basin stands above the level at which the float should have shut the make-up.",
        consequence=(
            "Water runs to waste, treatment is diluted, and the overflow wets what stands below."
        ),
        action="Free or mend the float valve; clean its seat; check the level at which it shuts.",
        causes=_causes(_OPEN_CAUSES, {"level-high-reading": "level-sensor"}),
        needs=("basin_level",),
        helps=("makeup_flow", "conductivity", "pump_current"),
        suppressed_by=("level-frozen", "float-leaking"),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week: water runs to waste",
        },
        job_plan="float-valve",
        settings=(
            Setting("over_level_mm", 10.0, "mm", 1.0, 500.0,
                    "rise above the float's shut level that counts",
                    "waves with the pump running and the float's own play stay within 5 mm "
                    "(common practice)"),
            Setting("overflow_margin_mm", 5.0, "mm", 0.0, 100.0,
                    "closeness to the overflow lip that counts as overflowing",
                    "a lip passes water from a few millimetres of head"),
            Setting("deadband_mm", 4.0, "mm", 0.0, 100.0,
                    "how far the level must fall back", "about the waves' half height"),
            *delays(900.0, "three means of five minutes; a pump stop is over by then",
                    1800.0, "the float may stick again at once"),
        ),
        judged_by="bins",
    ),
    judge_open,
    explain_open,
    (SignatureTable(_OPEN_SIGNS, _OPEN_CAUSES),),
)  # fmt: skip

FLOAT_STUCK_SHUT: Final = Rule(
    Fault(
        slug=_SHUT,
        spoils_heat=True,
        yields_to=("pump-drawing-air",),
        title="Float valve stuck shut or supply starved",
        family="float and level",
        meaning=(
            "The basin, running wet, stands below the level at which the make-up valve is fully "
            "open, and does not fill."
        ),
        consequence=(
            "The pump will draw air and run dry, the pads dry out, condensing pressure rises; what "
            "water is left concentrates."
        ),
        action="Restore the make-up: float, strainer, supply valve. Check drain and bleed.",
        causes=_causes(_SHUT_CAUSES, {"level-low-reading": "level-sensor"}),
        needs=("basin_level",),
        helps=("makeup_flow", "conductivity", "pump_current", "wet_mode", "pump_command"),
        suppressed_by=("level-frozen",),
        response={
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
            Setting("deadband_mm", 4.0, "mm", 0.0, 100.0,
                    "how far the level must come back", "about the waves' half height"),
            Setting("on_delay_high_s", 900.0, "s", 0.0, 86_400.0,
                    "on-delay once the level is near the pump's minimum",
                    "a pump that draws air fails within the hour (common practice); air itself "
                    "is told sooner"),
            *delays(2400.0, "a timed bleed may pull a healthy basin down for half an hour",
                    1800.0, "the float may stick again at once"),
        ),
        judged_by="bins",
    ),
    judge_shut,
    explain_shut,
    (SignatureTable(_SHUT_SIGNS, _SHUT_CAUSES),),
)  # fmt: skip
