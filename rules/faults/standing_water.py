"""Standing water: warm water that does not move, and a basin left full out of season.

Stagnant water between 20 and 45 °C is where Legionella grows (public guidance on cooling-water
hygiene, from memory). What counts is the time since water last circulated, and how many hours of
that it was warm.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import I8
from rules.events import Cause, Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.frost import water_in_basin
from rules.faults.grading import course, graded
from rules.faults.rule import Rule
from rules.frames import FrameView
from rules.look import UnitLook
from rules.standing import MOST_DRAINS, drains_seen, standing_limit_s

__all__ = ["BASIN_NOT_DRAINED", "WARM_STANDING_WATER"]

_WARM: Final = "warm-standing-water"
_FULL: Final = "basin-not-drained"


def judge_warm(view: FrameView, announced: I8) -> I8:
    """By the hours that the standing water was warm."""
    holds, known = water_in_basin(view, _WARM)
    warm_s = np.where(view.standing_s > 0, view.warm_standing_s, 0.0)
    warm_s = np.where(view.standing_s >= view.setting(_WARM, "least_standing_s"), warm_s, 0.0)
    limits = [view.setting(_WARM, "warm_low_s"), view.setting(_WARM, "warm_medium_s"), None]
    severity = graded(warm_s, limits, 0.0, np.zeros(len(view.rows), dtype=np.int8))
    severity[known & ~holds] = 0
    severity[~known | (view.pump_state < 0)] = -1
    return severity


def judge_full(view: FrameView, announced: I8) -> I8:
    """By the time since water last circulated."""
    holds, known = water_in_basin(view, _FULL)
    low = standing_limit_s(view.plan, view.state, view.rows)
    medium = np.minimum(2.0 * low, view.setting(_FULL, "standing_medium_s"))
    limits = [low, medium, None]
    severity = graded(view.standing_s, limits, 0.0, np.zeros(len(view.rows), dtype=np.int8))
    severity[known & ~holds] = 0
    severity[~known | (view.pump_state < 0)] = -1
    return severity


_OWN_HABIT: Final = "against its own habit of being drained or turned over"


def _explain(look: UnitLook, slug: str) -> tuple[list[Reading], tuple[Cause, ...], float, float]:
    days = look.standing_s() / 86_400.0
    warm_h = look.warm_standing_s() / 3600.0
    limit_d = float(standing_limit_s(look.plan, look.state, np.array([look.row]))[0]) / 86_400.0
    drains = int(drains_seen(look.state, np.array([look.row]))[0])
    by_habit = drains >= look.setting(_FULL, "habit_drains")
    readings = [
        Reading("Time since water last circulated", days, "d", derived=True,
                high=limit_d, note=_OWN_HABIT if by_habit else ""),
        Reading("Warm hours in it", warm_h, "h", derived=True,
                high=look.setting(_WARM, "warm_low_s") / 3600.0,
                note="water, or else what it is estimated at by the air, above "
                     f"{look.warm_above_degc():g} °C"),
        look.reading("basin_temperature"), look.reading("basin_level"),
    ]  # fmt: skip
    command, mode = look.value("pump_command"), look.value("wet_mode")
    commanded, wanted = (None if word is None else word > 0.5 for word in (command, mode))
    causes = (
        Cause("pump-not-running", "Pump does not run although it should",
              _agrees(commanded, yes=0.9, no=0.1, unknown=0.3),
              ("the pump is commanded",) if commanded else (),
              ("the pump is not commanded",) if commanded is False else (),
              "Look at the pump's own alarm.", ruled_out=commanded is False),
        Cause("left-full", "Basin left full after wet operation ended",
              _agrees(wanted, yes=0.3, no=0.8, unknown=0.6),
              ("the unit runs dry",) if wanted is False else (),
              ("wet mode is on",) if wanted else (),
              "Ask whether wet operation is over for the season; drain by the water safety plan."),
        Cause("drain-shut", "Timed drain failed: valve stuck or switched off", 0.4, (), (),
              "Look at the drain valve and its timer."),
        Cause("float-leaking", "Float passes water into a drained basin", 0.3, (), (),
              "Shut the supply and see whether the basin stays empty."),
    )  # fmt: skip
    kept = [r for r in readings if r.measured is not None]
    return kept, tuple(sorted(causes, key=lambda c: (c.ruled_out, -c.agreement))), days, warm_h


def _agrees(word: bool | None, *, yes: float, no: float, unknown: float) -> float:
    """How well a cause agrees with a word that may not be known."""
    return unknown if word is None else yes if word else no


_HYGIENE_LIMIT: Final = (
    "Temperature and time say that growth is possible, not that there is any: only a sample tells."
)


def explain_warm(look: UnitLook, severity: Severity) -> Evidence:
    """How long it stood, and how many hours of that warm."""
    readings, causes, days, warm_h = _explain(look, _WARM)
    measured = look.has("basin_temperature")
    return Evidence(
        summary=f"Water has stood in the basin for {days:.1f} d without circulating, {warm_h:.0f} "
        "h of that warm: bacteria, Legionella among them, can grow.",
        confidence=0.9 if measured else 0.7,
        readings=tuple(readings),
        causes=causes,
        signals=("basin_temperature", "basin_level", "pump_current", "ambient_temperature"),
        limits=(_HYGIENE_LIMIT,) if measured else (
            _HYGIENE_LIMIT, "No basin temperature here: it is estimated from the air; sun on the "
            "basin or warm surroundings are not in that."
        ),
    )  # fmt: skip


def explain_full(look: UnitLook, severity: Severity) -> Evidence:
    """How long it stood."""
    readings, causes, days, _ = _explain(look, _FULL)
    return Evidence(
        summary=f"The basin holds water that has not circulated for {days:.1f} d: it should be "
        "drained.",
        confidence=0.85,
        readings=tuple(readings),
        causes=causes,
        signals=("basin_level", "pump_current", "basin_temperature"),
        limits=(_HYGIENE_LIMIT,) if look.value("basin_level") is not None else (
            _HYGIENE_LIMIT, "No level here: a probe in a pocket that stays wet reads the same when "
            "the basin is drained."
        ),
    )  # fmt: skip


_CAUSES: Final = (
    CauseEntry("pump-not-running", "Pump does not run although it should", "the pump's own alarm",
               "pump-drive"),
    CauseEntry("left-full", "Basin left full after wet operation ended",
               "is wet operation over for the season?", "drain-down"),
    CauseEntry("drain-shut", "Timed drain failed: valve stuck or switched off",
               "the drain valve and its timer", "drain-down"),
    CauseEntry("float-leaking", "Float passes water into a drained basin",
               "shut the supply: does it stay empty?", "float-valve"),
)  # fmt: skip

WARM_STANDING_WATER: Final = Rule(
    Fault(
        slug=_WARM,
        title="Warm standing water",
        family="hygiene and frost",
        meaning="Water stands warm in the basin for days without circulating.",
        consequence=(
            "Bacteria, Legionella among them, can grow and be breathed in with the first spray."
        ),
        action=(
            "Do not start the spray. Have the keeper of the site's water safety plan decide: "
            "drain, clean and disinfect, or circulate and treat."
        ),
        causes=_CAUSES,
        needs=("pump_current",),
        helps=("basin_temperature", "basin_level", "ambient_temperature", "conductivity",
               "pump_command"),
        suppressed_by=("pump-not-running",),
        response={
            Severity.LOW: "with the next planned visit, before wet operation starts again",
            Severity.MEDIUM: "this week, and before wet operation starts again",
        },
        job_plan="drain-down",
        settings=(
            Setting("warm_above_degc", 20.0, "°C", 15.0, 40.0,
                    "water counts as warm above this",
                    "the range of risk is 20 to 45 °C (HSE, \"Legionnaires' disease: what you must "
                    "do\"); growth is quick from 25 °C (from memory)"),
            Setting("water_level_mm", 20.0, "mm", 0.0, 500.0,
                    "level from which the basin holds water",
                    "below it the probes stand in air (common practice)"),
            Setting("least_standing_s", 259_200.0, "s", 3600.0, 2_592_000.0,
                    "shortest standing that is judged at all",
                    "a long weekend of dry running is everyday life; guidance asks for action on "
                    "systems idle for three days and more (from memory)"),
            Setting("warm_low_s", 129_600.0, "s", 3600.0, 2_592_000.0,
                    "warm hours that call for planned work",
                    "36 warm hours: three summer days at twelve hours each; guidance asks for "
                    "action on systems idle for three days and more (from memory)"),
            Setting("warm_medium_s", 259_200.0, "s", 7200.0, 5_184_000.0,
                    "warm hours that call for a visit this week",
                    "72 warm hours: near a week of summer days; guidance asks for a weekly flush "
                    "at the least (from memory)"),
            *course(3600.0, "the hours above are delay enough; one for a restart",
                    900.0, "water that circulates for a quarter of an hour is mixed"),
        ),
    ),
    judge_warm,
    explain_warm,
)  # fmt: skip

BASIN_NOT_DRAINED: Final = Rule(
    Fault(
        slug=_FULL,
        title="Basin not drained",
        family="hygiene and frost",
        meaning=(
            "The basin has held water for longer than it usually does here, or for more than a "
            "week, without circulating."
        ),
        consequence=(
            "Stagnant water fouls, grows biofilm and corrodes; in the first frost it freezes."
        ),
        action="Drain and rinse the basin, or circulate by the site's water safety plan.",
        causes=_CAUSES,
        needs=("pump_current",),
        helps=("basin_level", "conductivity", "basin_temperature", "pump_command"),
        suppressed_by=("pump-not-running", _WARM),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week",
        },
        job_plan="drain-down",
        settings=(
            Setting("water_level_mm", 20.0, "mm", 0.0, 500.0,
                    "level from which the basin holds water",
                    "below it the probes stand in air (common practice)"),
            Setting("standing_low_s", 648_000.0, "s", 3600.0, 31_536_000.0,
                    "standing that calls for planned work where there is no habit of draining or "
                    "turning over",
                    "seven days and a half: guidance asks that idle water is moved weekly (from "
                    "memory), and a timer that does may be some hours late"),
            Setting("habit_drains", 3.0, "times", 1.0, float(MOST_DRAINS),
                    "times a basin must have been emptied, or turned over in dry running, before "
                    "that counts as a habit",
                    "once or twice may have been a cleaning or a trial"),
            Setting("habit_least_s", 259_200.0, "s", 3600.0, 31_536_000.0,
                    "shortest standing that is held against a controller that drains or turns "
                    "over by habit",
                    "three days: what comes every day was missed twice, and guidance asks for "
                    "action on systems idle for three days and more (from memory)"),
            Setting("standing_medium_s", 1_814_400.0, "s", 7200.0, 31_536_000.0,
                    "standing that calls for a visit this week",
                    "three weeks: biofilm is well grown (common practice)"),
            *course(3600.0, "the days above are delay enough; one hour for a restart",
                    900.0, "water that circulates for a quarter of an hour is mixed"),
        ),
    ),
    judge_full,
    explain_full,
)  # fmt: skip
