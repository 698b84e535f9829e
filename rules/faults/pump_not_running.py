"""Pump not running when commanded: no water at all, and the root of what follows from that.

Where a unit never sent a pump command, its wet mode stands in for one, with the patience that it
asks for (:mod:`rules.wet_idle`). Where it never sent a current, spray pressure or flow that is gone
stands in for that (:mod:`rules.pump_proof`).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import I8, I64, Bool
from rules.events import Cause, Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, judged
from rules.faults.rule import Rule
from rules.frames import FrameView
from rules.look import UnitLook
from rules.pump_proof import STANDS_FRAC
from rules.settings import FLEET
from rules.signals import INDEX
from rules.wet_idle import allowed_idle_s

__all__ = ["PUMP_NOT_RUNNING", "commanded_since_stop"]

_SLUG: Final = "pump-not-running"
_CURRENT: Final = INDEX["pump_current"]
_COMMAND: Final = INDEX["pump_command"]
_WET: Final = INDEX["wet_mode"]
_LEVEL: Final = INDEX["basin_level"]
_WATER: Final = (INDEX["spray_pressure"], INDEX["spray_flow"])


def judge(view: FrameView, announced: I8) -> I8:
    """Commanded, but the current says that the motor stands, or the water that none is moved."""
    commanded = view.signal("pump_command") > 0.5
    # A current measured before the command says nothing of it.
    since_ms = view.time_ms - view.commanded_s * 1000.0
    allowed_ms = view.setting(_SLUG, "start_allowance_s") * 1000.0
    answered = _answered_ms(view) >= since_ms + allowed_ms
    answered &= commanded_since_stop(view)
    # Once it stands, a command taken back proves nothing: only a pump that runs clears it.
    silent = ~commanded & (announced > 0) & (view.pump_state == 0)
    known = ~np.isnan(view.commanded_s) & (view.pump_state >= 0) & (~commanded | answered) & ~silent
    hot = view.head_margin_k < view.setting(_SLUG, "high_margin_k") + np.where(
        announced >= Severity.HIGH, 1.5, 0.0
    )
    severity = np.where(hot, Severity.HIGH, Severity.MEDIUM).astype(np.int8)
    out = judged(commanded & (view.pump_state == 0), known, severity)
    untold = view.state.value_ms[view.span, _COMMAND] == 0
    at = np.flatnonzero(untold & (view.state.value_ms[view.span, _WET] > 0))
    if len(at):
        out[at] = _by_mode(view, at, announced[at], severity[at])
    return out


def _by_mode(view: FrameView, at: I64, announced: I8, severity: I8) -> I8:
    """Units without a command, at these places: run wet, with water enough, and the pump stands.

    A pump that has no water to draw is rightly held back: that is the float's ticket.
    """
    plan, state, rows = view.plan, view.state, view.rows[at]
    pump, wet = view.pump_state[at], view.signal("wet_mode")[at]
    mode_s, pump_s = view.mode_s[at], view.pump_state_s[at]
    least_s = np.broadcast_to(view.setting(_SLUG, "wet_mode_allowance_s"), len(view.rows))[at]
    stood_s = np.where(pump == 0, np.minimum(mode_s, pump_s), 0.0)
    long = stood_s >= allowed_idle_s(plan, state, rows, least_s, pump_s < mode_s)
    low_mm = np.broadcast_to(view.setting("float-stuck-shut", "under_level_mm"), len(view.rows))
    level, sends = view.signal("basin_level")[at], state.value_ms[rows, _LEVEL] > 0
    filled = ~sends | (level >= plan.float_shut_mm[rows] - plan.float_band_mm[rows] - low_mm[at])
    stands = (wet > 0.5) & (pump == 0) & long & filled
    # A mode that ends proves nothing of the pump: only that it runs clears the alarm.
    known = (pump == 1) | stands | ((pump == 0) & (announced == 0) & ~np.isnan(wet))
    known &= ~(sends & np.isnan(level)) | (pump == 1)
    return judged(stands, known, severity)


def _answered_ms(view: FrameView) -> I64:
    """When the pump's current was last heard, (k,); never sent: spray pressure or flow."""
    heard = view.state.value_ms[view.span]
    by_current, (pressure, flow) = heard[:, _CURRENT], heard[:, _WATER].T
    return np.where(by_current == 0, np.maximum(pressure, flow), by_current)


def commanded_since_stop(view: FrameView) -> Bool:
    """Whether the command was heard since the motor started or stopped, (k,).

    One last heard before the motor stopped may have been taken back unheard.
    """
    heard_ms = view.state.value_ms[view.span, _COMMAND]
    out: Bool = heard_ms >= view.state.pump_changed_ms[view.span]
    return out


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """What tells that it stands, voltage, and what follows for the head pressure."""
    told, measured = look.has("pump_command"), look.has("pump_current")
    pressure = look.value("spray_pressure")
    readings = _current_reading(look) if measured else []
    readings += _asked_readings(look)
    voltage = look.value("supply_voltage")
    dead_supply = None if voltage is None else voltage < 0.5 * look.unit.pump.rated_voltage_v
    if voltage is not None:
        readings.append(look.reading("supply_voltage", expected=look.unit.pump.rated_voltage_v))
    readings += _water_readings(look, measured=measured)
    margin = look.head_margin_k()
    if margin is not None:
        readings.append(look.reading("head_pressure", high=look.unit.condenser.cut_out_kpa_abs,
                                     note=f"{margin:.1f} K below the cut-out"))  # fmt: skip
    turning = pressure is not None and pressure > 0.3 * look.unit.pump.rated_pressure_kpa
    causes = _drive_causes(dead_supply)
    causes += _sensor_cause(pressure, turning=turning) if measured else _water_causes(look)
    causes.sort(key=lambda c: (c.ruled_out, -c.agreement))
    hot = " and little margin is left to the cut-out" if severity >= Severity.HIGH else ""
    limits = []
    if not measured:
        limits.append("No pump current here: a pump that turns and moves no water looks the same.")
        if not (_gone(look, "spray_pressure") and _gone(look, "spray_flow")):
            limits.append("A gauge that is shut off or dead looks the same.")
    elif pressure is None:
        limits.append("No spray pressure here: a failed current transducer looks the same.")
    if not told:
        limits.append("No pump command here: a controller that holds the pump back looks the same.")
    called = "is commanded to run" if told else "should run, the unit being in wet mode,"
    sure = measured or (_gone(look, "spray_pressure") and _gone(look, "spray_flow"))
    draws = "draws no running current" if measured else "its gauge shows no water"
    if not measured:
        confidence = 0.85 if sure else 0.65
    else:
        confidence = 0.6 if turning else 0.95 if pressure is not None else 0.9
    pads = "the pads get no water" if sure else "the pads may get none"
    return Evidence(
        summary=f"The pump {called} but {draws}: {pads}{hot}.",
        confidence=confidence,
        readings=tuple(readings),
        causes=tuple(causes),
        signals=(*(("pump_current",) if measured else ("spray_flow",)),
                 "pump_command" if told else "wet_mode", "spray_pressure", "head_pressure"),
        limits=tuple(limits),
    )  # fmt: skip


def _current_reading(look: UnitLook) -> list[Reading]:
    base = look.baseline("pump_current")
    expected = base.value if base else look.unit.pump.rated_current_a
    limit = look.setting(FLEET, "pump_running_frac") * look.unit.pump.rated_current_a
    note = "less than a running motor draws"
    return [look.reading("pump_current", expected=expected, low=limit, note=note)]


def _asked_readings(look: UnitLook) -> list[Reading]:
    """What asks for the pump: its command, or where none is sent the wet mode and its habits."""
    if look.has("pump_command"):
        note = "the controller commands it to run"
        return [look.reading("pump_command", expected=1.0, note=note)]
    stood_h = (look.time_ms - int(look.state.pump_changed_ms[look.row])) / 3_600_000.0
    habit_h = float(look.state.wet_idle_s[look.row]) / 3600.0
    basin = look.unit.basin
    return [
        look.reading("wet_mode", expected=1.0, note="the controller runs the unit wet"),
        Reading("Time the pump has stood", stood_h, "h", high=habit_h, derived=True,
                note="at most so long before it started by itself in wet mode, as seen so far"),
        look.reading("basin_level", low=basin.float_shut_mm - basin.float_band_mm,
                     note="water enough for the pump"),
    ]  # fmt: skip


def _water_readings(look: UnitLook, *, measured: bool) -> list[Reading]:
    """Pressure, and where the current is not sent what else tells of the water."""
    rated = look.unit.pump
    found = []
    for name, plate in (
        ("spray_pressure", rated.rated_pressure_kpa), ("spray_flow", rated.rated_flow_l_min),
    ):  # fmt: skip
        if look.value(name) is None or (measured and name == "spray_flow"):
            continue
        base = look.baseline(name)
        expected = plate if measured or base is None else base.value
        found.append(look.reading(name, expected=expected))
    return found


def _drive_causes(dead_supply: bool | None) -> list[Cause]:
    there = ("the supply is there",) if dead_supply is False else ()
    missing = ("the supply voltage is missing",) if dead_supply else ()
    live = ("the supply voltage is there",) if dead_supply is False else ()
    return [
        Cause("tripped", "Motor protection tripped, or motor or starter failed", 0.7, there,
              missing, "Read the overload relay; find why it tripped before it is reset.",
              ruled_out=bool(dead_supply)),
        Cause("no-supply", "Supply to the pump is missing", 0.95 if dead_supply else 0.4, missing,
              live, "Look at isolator, fuse and phase monitor.", ruled_out=dead_supply is False),
    ]  # fmt: skip


def _sensor_cause(pressure: float | None, *, turning: bool) -> list[Cause]:
    gone = pressure is not None and not turning
    return [
        Cause("sensor", "Current transducer failed, the pump runs", 0.9 if turning else 0.2,
              ("spray pressure is there",) if turning else (),
              ("spray pressure is missing too",) if gone else (),
              "Look whether water runs over the pads.", ruled_out=gone),
    ]  # fmt: skip


def _gone(look: UnitLook, name: str) -> bool:
    """Whether a reading of the water shows next to nothing of what it showed when clean."""
    value, base = look.value(name), look.baseline(name)
    return value is not None and base is not None and value < STANDS_FRAC * base.value


def _water_causes(look: UnitLook) -> list[Cause]:
    """What else looks like a standing pump where its current is not sent."""
    level, least = look.value("basin_level"), look.unit.basin.pump_minimum_mm
    dry = level is not None and level < least
    both = _gone(look, "spray_pressure") and _gone(look, "spray_flow")
    return [
        Cause("no-water", "Pump turns but moves no water: suction, air, coupling",
              0.8 if dry else 0.3, ("the basin is nearly empty",) if dry else (),
              ("there is water above the suction",) if level is not None and not dry else (),
              "Listen to the motor; look at suction, screen and vent."),
        Cause("gauge", "Gauge shut off or failed, the pump runs", 0.2, (),
              ("pressure and flow are both gone",) if both else (),
              "Look whether water runs over the pads.", ruled_out=both),
    ]  # fmt: skip


PUMP_NOT_RUNNING: Final = Rule(
    Fault(
        slug=_SLUG,
        spoils_heat=True,
        title="Pump not running when commanded",
        family="pump and screen",
        meaning=(
            "The controller commands the recirculating pump, but its motor draws no current; where "
            "none is sent, the pressure or flow that it made is gone. Where no command is sent: "
            "the unit is in wet mode with water enough, and the pump stands longer than it ever "
            "did."
        ),
        consequence=(
            "No water on the pads: the unit rejects heat dry, condensing pressure rises, and the "
            "compressors may trip on a hot day. Wet pads dry out and scale."
        ),
        action="Find why the pump does not run: supply, overload, motor, contactor.",
        causes=(
            CauseEntry("tripped", "Motor protection tripped, or motor or starter failed",
                       "overload relay, motor windings, jammed impeller", "pump-drive"),
            CauseEntry("no-supply", "Supply to the pump is missing",
                       "isolator, fuse, phase monitor", "pump-drive"),
            CauseEntry("sensor", "Current transducer failed, the pump runs",
                       "is water running over the pads?", "pump-drive"),
            CauseEntry("no-water", "Pump turns but moves no water: suction, air, coupling",
                       "does the motor turn? suction, screen, vent", "pump-drive"),
            CauseEntry("gauge", "Gauge shut off or failed, the pump runs",
                       "is water running over the pads?", "pump-drive"),
        ),
        needs=(),
        needs_any=(("pump_current", "spray_pressure", "spray_flow"),
                   ("pump_command", "wet_mode")),
        helps=("basin_level", "supply_voltage", "head_pressure"),
        suppressed_by=("pump-overload",),
        response={
            Severity.MEDIUM: "this week, sooner in hot weather",
            Severity.HIGH: "today: little margin is left to the high-pressure cut-out",
        },
        job_plan="pump-drive",
        settings=(
            Setting("start_allowance_s", 20.0, "s", 0.0, 600.0,
                    "time the pump has to start after the command",
                    "starters with delay or soft start need up to ten seconds (common practice)"),
            Setting("wet_mode_allowance_s", 3600.0, "s", 300.0, 604_800.0,
                    "where no command is sent: time in wet mode, with water enough, in which the "
                    "pump must run; twice its own longest if that is more, a week if that is six "
                    "hours or more, a day before its habit is known, and the time to fill the "
                    "basin if it has not run since",
                    "controllers that wet the pads by turns do so several times an hour (common "
                    "practice)"),
            Setting("high_margin_k", 5.0, "K", 0.0, 30.0,
                    "margin of condensing temperature to the cut-out below which it must be today",
                    "the medium limit of head pressure high: the next hot hour can trip"),
            *course(120.0, "rides through a restart after a dip in supply",
                    120.0, "a motor that hunts on its overload must not fill the log"),
        ),
    ),
    judge,
    explain,
)  # fmt: skip
