"""Level reading frozen: the transmitter no longer follows the water.

A calm basin may rightly stand still for days, where it was seen to. What cannot be is a level that
does not move when the pump starts or stops, or through hours of wet running with evaporation, waves
and make-up; nor a pump that moves water while the level says that there is none.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I8, I64, Bool
from rules.drained import DRAINED_MM
from rules.events import Cause, Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, judged
from rules.faults.rule import Rule
from rules.float_rest import AT_REST, LEAST_HOURS, RUNNING
from rules.frames import FrameView
from rules.look import UnitLook
from rules.state import BIN_MS, STEADY, FleetState
from rules.stillness import stands_still_together

__all__ = ["LEVEL_FROZEN"]

_SLUG: Final = "level-frozen"
_CURRENT_Q: Final = [q.name for q in STEADY].index("pump_current")

COARSE_MM: Final = 2.0
"""Readings that never moved by less are coarse: waves move a fine one by a millimetre."""
STEPS_SEEN: Final = 1.5
"""A movement of so many steps shows wherever between two of them it begins."""
STEPS_PLAIN: Final = 3.0
"""A movement of so many steps shows whatever else the float does meanwhile (judgement)."""
MOVES_WATER_FRAC: Final = 0.9
"""Share of the clean current, before it is learned of the rated one, above which a pump moves water
whatever the level says; one that runs dry draws little more than its magnetising current."""
COARSE_TIMES: Final = 6.0
"""A float that holds the water within a step does so for days of like weather (judgement)."""
REST_TIMES: Final = 2.0
"""At rest twice as long as running: a day, with its own course of warmth (judgement)."""
HABIT_TIMES: Final = 16.0
"""So many times the longest that it ever did no healthy reading stands still; four times was the
most that was seen of such as stand still for an hour (judgement)."""


def judge(view: FrameView, announced: I8) -> I8:
    """Unmoved by pump starts and stops, or by hours of running."""
    state, rows, plan = view.state, view.rows, view.plan
    level = view.signal("basin_level")
    still_s = (view.time_ms - state.still_ms[rows]) / 1000.0
    changes = state.still_starts[rows]
    # A start that must move the level is proof by itself; where it hardly does, more are asked for.
    # So they are of a reading in coarse steps, within some of which the float may hold the water,
    # and of one that was never seen to move and may be.
    step_mm = state.level_step_mm[rows]
    back_mm = plan.pull_down_mm[rows]
    coarse = ((step_mm == 0.0) & (np.mod(level, 5.0) == 0.0)) | (step_mm >= COARSE_MM)
    coarse &= announced == 0
    plain = (step_mm > 0.0) & (back_mm >= STEPS_PLAIN * step_mm)
    small = back_mm < view.setting(_SLUG, "least_pull_down_mm")
    wanted = view.setting(_SLUG, "pump_changes") * np.where(small | (coarse & ~plain), 4.0, 1.0)
    settled = view.pump_state_s >= view.setting(_SLUG, "follow_s")
    # Once it stands, only a movement of the reading clears it.
    by_starts = (changes >= wanted) & (settled | (announced > 0))
    by_starts &= still_s >= view.setting(_SLUG, "least_still_s")
    # A pump over a basin that is really empty moves nothing either; but it draws little.
    by_starts &= (level >= DRAINED_MM) | (announced > 0) | _moves_water(view)
    # Water that is pumped for so long with nothing under the pump is there, and unread.
    unread = (level < DRAINED_MM) & settled & (still_s >= view.setting(_SLUG, "least_still_s"))
    if unread.any():
        by_starts |= unread & _moves_water(view)
    by_starts |= _stiller_than_ever_at_rest(view, level, still_s) & ~coarse
    by_starts |= (announced > 0) & (still_s >= view.setting(_SLUG, "least_still_s"))
    running_s = np.where(view.pump_state == 1, view.pump_state_s, 0.0)
    long_s = np.broadcast_to(view.setting(_SLUG, "running_still_s"), len(rows))
    ran_still_s = np.minimum(running_s, still_s)
    by_running = ran_still_s >= long_s
    at = np.flatnonzero(by_running & coarse)
    if len(at):
        by_running[at] = ran_still_s[at] >= _coarse_long_s(state, rows[at], long_s[at])
    # A step that nearly all of the movement fits into hides it.
    by_running &= ~(coarse & (STEPS_SEEN * step_mm > plan.float_band_mm[rows]))
    by_starts &= ~(coarse & (STEPS_SEEN * step_mm > plan.pull_down_mm[rows]))
    # Where nothing at all moves it is the controller, and not the level: reading-frozen tells it.
    by_running &= ~stands_still_together(state, rows) | (announced > 0)
    return judged(by_starts | by_running, ~np.isnan(level), Severity.MEDIUM)


def _stiller_than_ever_at_rest(view: FrameView, level: F64, still_s: F64) -> Bool:
    """Units at rest whose level stands far longer than it ever did, (k,).

    A fine reading flickers over the calmest water; one that never stood for long while it was
    known does not stand for days. A basin that is drained has nothing to read.
    """
    state, rows = view.state, view.rows
    least_s = REST_TIMES * view.setting(_SLUG, "running_still_s")
    rests_s = np.where(view.pump_state == 0, view.pump_state_s, 0.0)
    stands = (np.minimum(rests_s, still_s) >= least_s) & (level >= DRAINED_MM)
    if not stands.any():
        return stands
    seen = state.float_hours[rows, AT_REST] >= LEAST_HOURS
    habit_s = HABIT_TIMES * state.level_rest_longest_bins[rows] * (BIN_MS / 1000.0)
    stands &= seen & (state.level_step_mm[rows] > 0.0) & (still_s >= habit_s)
    return stands & ~stands_still_together(state, rows)


def _coarse_long_s(state: FleetState, rows: I64, long_s: F64) -> F64:
    """How long a coarse reading may stand still while the pump runs, (k,). [s]

    Once a day of running has shown how long it does, that counts if it is less.
    """
    seen = state.float_hours[rows, RUNNING] >= LEAST_HOURS
    habit_s = HABIT_TIMES * state.level_longest_bins[rows] * (BIN_MS / 1000.0)
    out: F64 = np.where(
        seen, np.clip(habit_s, long_s, COARSE_TIMES * long_s), COARSE_TIMES * long_s
    )
    return out


def _moves_water(view: FrameView) -> Bool:
    """Units whose pump runs and draws the current that only water asks for."""
    clean = view.state.baseline[view.span, _CURRENT_Q]
    clean = np.where(np.isnan(clean), view.plan.pump_rated_current_a[view.rows], clean)
    full: Bool = (view.pump_state == 1) & (view.signal("pump_current") >= MOVES_WATER_FRAC * clean)
    return full


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """How long it stood still, and through what."""
    still_h = (look.time_ms - int(look.state.still_ms[look.row])) / 3_600_000.0
    changes = int(look.state.still_starts[look.row])
    pull_down = look.unit.basin.pull_down_mm
    through = (
        "while the pump stood" if changes == 0 and look.state.pump_state[look.row] == 0
        else "while the pump ran" if changes == 0
        else "through a start or stop of the pump" if changes == 1
        else f"through {changes} starts and stops of the pump"
    )  # fmt: skip
    readings = [
        look.reading("basin_level", note=f"unchanged for {still_h:.1f} h"),
        Reading("Pump starts and stops meanwhile", float(changes), "",
                note=f"each should move the level by about {pull_down:g} mm" if pull_down else ""),
    ]  # fmt: skip
    return Evidence(
        summary=(
            f"The level reading has not moved for {still_h:.1f} h, {through}: it no longer follows "
            "the water."
        ),
        confidence=0.9 if changes >= 2 and pull_down > 0 else 0.8,
        readings=tuple(readings),
        causes=(
            Cause("transmitter", "Transmitter fouled, stuck or failed", 0.7, (), (),
                  "Compare with a ruler; move the water by hand."),
            Cause("frozen-signal", "Site controller repeats an old value", 0.4, (), (),
                  "Look at the controller's own display and its input card."),
        ),
        signals=("basin_level", "pump_current", "pump_command"),
        limits=("While it lasts, overfilling and a low basin cannot be seen here.",),
    )  # fmt: skip


LEVEL_FROZEN: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Level reading frozen",
        family="float and level",
        meaning="The level reading stands still although the pump and the weather moved the water.",
        consequence="Overfilling, a starved basin and a dry-running pump go unseen.",
        action="Compare the level with a ruler; clean or replace the transmitter.",
        causes=(
            CauseEntry("transmitter", "Transmitter fouled, stuck or failed",
                       "compare with a ruler", "level-sensor"),
            CauseEntry("frozen-signal", "Site controller repeats an old value",
                       "the controller's own display", "telemetry"),
        ),
        needs=("basin_level",),
        helps=("pump_current", "pump_command"),
        suppressed_by=(),
        response={Severity.MEDIUM: "this week: the basin is not watched meanwhile"},
        job_plan="level-sensor",
        settings=(
            Setting("pump_changes", 1.0, "starts and stops", 1.0, 100.0,
                    "pump starts and stops that must leave the level unmoved",
                    "one moves the level by the pull-down, if that is large enough to see"),
            Setting("follow_s", 1800.0, "s", 300.0, 86_400.0,
                    "time the level has to follow the last of them",
                    "pads and pipes run empty within ten minutes; three times that"),
            Setting("least_still_s", 3600.0, "s", 600.0, 604_800.0,
                    "least time the reading must have stood still",
                    "long against the waves of a running pump"),
            Setting("running_still_s", 43_200.0, "s", 3600.0, 604_800.0,
                    "time of unbroken wet running without movement that is enough by itself",
                    "half a day of weather moves a proportional float by millimetres"),
            Setting("least_pull_down_mm", 8.0, "mm", 0.0, 100.0,
                    "smaller pull-downs ask for four times as many starts and stops",
                    "coarse transmitters may not show less (common practice)"),
            *course(0.0, "the counts above are delay enough",
                    600.0, "one movement may be a glitch"),
        ),
    ),
    judge,
    explain,
)  # fmt: skip
