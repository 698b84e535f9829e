"""Float stuck open: the level against the upper wall of the float valve's own band.

The valve is shut at one level and fully open a band below it, so a healthy level has two walls.
With the pump running the float holds the level; when it stops, the water held in pads and pipes
comes back and lifts the level by the pull-down, which is no fault. Water that was high before
somebody worked on the unit stands there afterwards, too, until the pump draws on it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from rules.alarms import UNKNOWN
from rules.arrays import F64, I8, Bool
from rules.bin_rings import median_last_axis
from rules.bin_times import bin_end_ms
from rules.bins import RECENT_BINS, BinView
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import Fault, Setting
from rules.faults.float_readings import OVERFLOW_MARGIN, cause_entries, conductivity_sign
from rules.faults.grading import course, graded
from rules.faults.rule import Rule
from rules.faults.water_readings import level_follows
from rules.float_flow import (
    LEAST_RISE_MM,
    Passes,
    float_flow_of,
    float_flow_of_look,
    keeps_its_salt,
)
from rules.float_rest import (
    AT_REST,
    RUNNING,
    SET_HIGH_MM,
    float_note,
    float_top_mm,
    over_level_mm,
    rest_is_known,
)
from rules.look import UnitLook
from rules.state import TRACE_BINS

__all__ = ["FLOAT_STUCK_OPEN"]

_OPEN: Final = "float-stuck-open"


def _excess_mm(view: BinView) -> tuple[F64, F64]:
    """Level above what the float allows here, and the level itself."""
    plan, state, rows = view.plan, view.state, view.rows
    running, at_rest = view.recent["level_running"], view.recent["level_at_rest"]
    # Without a pull-down in the site file only its own level tells how far it may rise at rest.
    top_rest = np.where(
        rest_is_known(plan, state, rows), float_top_mm(plan, state, rows, AT_REST), np.nan
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
    # A drained basin has its valve open by right: only water in the band shows that it shuts again.
    low = level < plan.float_shut_mm[rows] - plan.float_band_mm[rows]
    severity[low & (announced > 0)] = UNKNOWN
    # News is told from a leak first; few units get here.
    maybe = np.flatnonzero((severity > 0) & (announced == 0))
    if len(maybe):
        part = view.only(maybe)
        # A reading that stood still while the pump started or stopped shows no level of today.
        severity[maybe[~level_follows(part)]] = 0
        passes = float_flow_of(part).passes
        severity[maybe[passes == Passes.LITTLE]] = 0
        # A meter that shows nothing: the valve shuts, a little higher than the site file says.
        # Nor is it known how far the pads' water lifts it at rest where the file says nothing.
        rests = np.isnan(view.recent["level_running"][maybe])
        high_set = (excess[maybe] < SET_HIGH_MM) | (rests & ~(plan.pull_down_mm[rows[maybe]] > 0))
        high_set &= level[maybe] < lip[maybe]
        severity[maybe[(passes == Passes.NOTHING) & high_set]] = 0
        # At rest nothing draws on the water: it came from elsewhere, as rain does, or came before.
        severity[maybe[(passes == Passes.NOTHING) & rests & ~_rises_fast(part)]] = UNKNOWN
        # At rest an open valve fills to the overflow. Below it and unmetered, nothing shows flow:
        # rain may have left the water there, or the float be set high, which the next run tells.
        still = rests & (level[maybe] < lip[maybe])
        severity[maybe[still & (passes == Passes.UNKNOWN)]] = UNKNOWN
        severity[maybe[_stands_since_work(part, passes)]] = UNKNOWN
        # Where neither meter nor rise shows flow, the salt may.
        holds, soon = keeps_its_salt(part)
        unseen = rests & (passes <= Passes.NOTHING) & (severity[maybe] > 0)
        severity[maybe[unseen & (holds | soon)]] = UNKNOWN
        # On its way down the water is from before: what draws on it is more than what comes.
        severity[maybe[_runs_down(part)]] = 0
    return severity


SINCE_WORK_BINS: Final = 288
"""A day: by then still water sank below the lip by what a basin at rest evaporates, some
millimetres, and a valve that does not shut would have held it there (judgement)."""
RUNS_DOWN_MM: Final = 3.0
"""Fall within a quarter of an hour, running, that is more than waves and noise (judgement)."""


def _stands_since_work(view: BinView, passes: I8) -> Bool:
    """Units at rest whose water stands as the last work on them left it, within a day, (k,).

    Neither did the pump run since, nor the level rise, nor does a meter show flow: nothing tells
    whether the valve shuts now.
    """
    plan, state, rows = view.plan, view.state, view.rows
    since = state.trace_bin[rows] - state.turn_worked_bin[rows]
    worked_ms = bin_end_ms(plan, rows, state.turn_worked_bin[rows].astype(np.int64))
    held = (since < SINCE_WORK_BINS) & (state.pump_state[rows] == 0)
    held &= state.pump_changed_ms[rows] < worked_ms
    out: Bool = held
    at = np.flatnonzero(held)
    if len(at):
        part = view.only(at)
        level = part.trace("level_at_rest", TRACE_BINS)
        newest = level[:, -RECENT_BINS:]
        age = np.arange(TRACE_BINS - 1, -1, -1)[None, :]
        after = np.where(age < since[at, None], level, np.nan)
        lowest = np.where(np.isnan(after), np.inf, after).min(axis=1)
        rose = median_last_axis(newest) - lowest >= LEAST_RISE_MM
        metered = part.trace("makeup_flow", RECENT_BINS)
        flows = ~np.isnan(metered).all(axis=1) & (passes[at] > Passes.NOTHING)
        out[at] = ~rose & ~flows
    return out


def _rises_fast(view: BinView) -> Bool:
    """Units at rest whose level rose within the last three hours as by no rain, (k,)."""
    level = view.trace("level_at_rest", TRACE_BINS)
    # Before that it ran, and what pads and pipes give back came on top.
    back = view.plan.pull_down_mm[view.rows, None]
    ran = view.trace("level_running", TRACE_BINS) + np.where(back > 0.0, back, np.nan)
    # Up to where the float shuts, it filled as it is meant to.
    before = np.maximum(np.fmin(level, ran), view.plan.float_shut_mm[view.rows, None])
    spans = sliding_window_view(np.where(np.isnan(before), np.inf, before), RAIN_BINS, axis=1)
    rose = level[:, RAIN_BINS - 1 :] - spans.min(axis=-1)
    return np.asarray((rose >= RAIN_MM).any(axis=1), dtype=np.bool_)


RAIN_BINS: Final = 4
RAIN_MM: Final = 30.0
"""Rise from one mean to the third after it, a quarter of an hour, that only a cloudburst brings,
with what runs off pads and casing: 120 mm/h, where rain is called violent from 50 on (from memory).
A meter that shows nothing then is taken to be wrong (judgement)."""


def _runs_down(view: BinView) -> Bool:
    """Units whose level falls while the pump runs, (k,)."""
    level = view.trace("level_running", RECENT_BINS + 1)
    least = np.maximum(RUNS_DOWN_MM, view.state.level_step_mm[view.rows])
    falls: Bool = level[:, -1] <= level[:, 0] - least
    return falls & (np.diff(level, axis=1) <= 0.0).all(axis=1)


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
                 {"meter": 1, "dilution": -1, "lip": 1, "much": 1},
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


def _dilution_sign(look: UnitLook, allowed_mm: float) -> int | None:
    """Falling conductivity speaks at once; that it holds says something only after hours."""
    trend = conductivity_sign(look)
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
    margin_mm = look.setting(_OPEN, "overflow_margin_mm")
    seen: dict[str, int | None] = {
        "dilution": _dilution_sign(look, allowed),
        "lip": 1 if level is not None and level >= basin.overflow_mm - margin_mm else 0,
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
        causes=cause_entries(_OPEN_CAUSES, {"level-high-reading": "level-sensor"}),
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
            OVERFLOW_MARGIN,
            Setting("deadband_mm", 4.0, "mm", 0.0, 100.0,
                    "how far the level must fall back", "about the waves' half height"),
            *course(900.0, "three means of five minutes; a pump stop is over by then",
                    1800.0, "the float may stick again at once"),
        ),
        judged_by="bins",
    ),
    judge_open,
    explain_open,
    (SignatureTable(_OPEN_SIGNS, _OPEN_CAUSES),),
)  # fmt: skip
