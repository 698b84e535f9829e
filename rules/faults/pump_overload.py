"""Pump overload or locked rotor: the motor draws more than a healthy pump can ask of it."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import F64, I8, I64, Bool
from rules.bin_rings import median_last_axis, trace_window
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, graded, judged
from rules.faults.pump_not_running import commanded_since_stop
from rules.faults.rule import Rule
from rules.frames import FrameView
from rules.look import UnitLook
from rules.physics.pump import current_at_rated_voltage_a
from rules.state import ACCUMULATED, STEADY, TRACE_BINS

__all__ = ["PUMP_OVERLOAD"]

_SLUG: Final = "pump-overload"
_BASE: Final = [q.name for q in STEADY].index("pump_current")
_RUNNING: Final = ACCUMULATED.index("current_running")
LEAST_BASE_FRAC: Final = 0.8
"""A clean pump that runs far below its nameplate is judged against this share of it at least:
the motor is not in danger before (judgement)."""

_SIGNS: Final = (
    Sign("locked", "it draws several times its rated current, as a motor does that cannot turn", "",
         "it draws less than a motor that cannot turn", 2.0, deciding=True),
    Sign("pressure", "spray pressure is up", "spray pressure is down",
         "spray pressure is as in the clean state", 1.5),
    Sign("voltage", "the supply voltage is high", "the supply voltage is low",
         "the supply voltage is in order", 1.0),
    Sign("sudden", "it came within an hour", "", "it grew over hours", 1.0),
)  # fmt: skip
_CAUSES: Final = (
    SignatureRow("bearing-or-rubbing", "Bearing worn, impeller rubbing or dirt between the rings",
                 {"locked": 0, "pressure": 0, "voltage": 0},
                 "With the pump isolated, turn the shaft by hand; listen to the bearing."),
    SignatureRow("jammed", "Rotor jammed by something that came through the screen",
                 {"locked": 1, "pressure": -1, "sudden": 1},
                 "With the pump isolated, open the volute; look whether the screen is whole."),
    SignatureRow("line-open", "Pump runs out: distribution line open or split",
                 {"locked": 0, "pressure": -1, "voltage": 0, "sudden": 1},
                 "Look for a loose end cap or a split pipe."),
    SignatureRow("phase-lost", "A phase is lost or the supply is unbalanced",
                 {"locked": 0, "pressure": 0, "voltage": -1, "sudden": 1},
                 "For qualified people: measure all three currents and voltages."),
    SignatureRow("wrong-impeller", "Wrong pump or impeller after a repair",
                 {"locked": 0, "pressure": 1, "voltage": 0, "sudden": 1},
                 "Compare the nameplate with the site file."),
)  # fmt: skip


def _reference_a(view: FrameView) -> F64:
    """What a healthy motor draws here: its own learned current, else the nameplate's."""
    rated = view.plan.pump_rated_current_a[view.rows]
    base = view.state.baseline[view.span, _BASE]
    return np.where(np.isnan(base), rated, np.maximum(base, LEAST_BASE_FRAC * rated))


def judge(view: FrameView, announced: I8) -> I8:
    """Running current at rated voltage against the learned one."""
    plan, rows = view.plan, view.rows
    measured, voltage = view.signal("pump_current"), view.signal("supply_voltage")
    # A quick look spares the correction for nearly all.
    much_a = 1.05 * _reference_a(view)
    suspect = measured > much_a
    drew_much = view.state.running_current_a[rows] > much_a
    if not (suspect | drew_much | (announced > 0)).any():
        return judged(suspect, view.pump_state >= 0, 0)
    unmeasured = np.isnan(voltage)
    current = np.where(
        unmeasured,
        measured,
        current_at_rated_voltage_a(
            measured,
            voltage,
            plan.pump_rated_voltage_v[rows],
            plan.pump_rated_current_a[rows],
            plan.pump_magnetising_frac[rows],
        ),
    )
    # The correction is a model for running motors; one that cannot turn is past it.
    current = np.where(np.isnan(current), measured, current)
    ratio = current / _reference_a(view)
    # A motor that stands says nothing of what it would draw: only one that runs clears it.
    stands = np.where((view.pump_state == 0) & (announced == 0), 0.0, np.nan)
    ratio = np.where(view.pump_state == 1, ratio, stands)
    limits = [view.setting(_SLUG, f"{s}_ratio") for s in ("low", "medium", "high")]
    severity = graded(ratio, limits, view.setting(_SLUG, "deadband_ratio"), announced)
    # One reading may be a leap of the transmitter's; at 5 min nothing else would speak against it.
    single = (severity == Severity.HIGH) & ~_again(view, limits[2])
    severity = np.where(single, np.where(announced > 0, announced, UNKNOWN), severity)
    severity = severity.astype(np.int8)
    severity[_tripped(view, limits[2], announced)] = Severity.HIGH
    # A locked rotor is judged at once; what is less, by medians: small motors are noisy. A sag
    # raises the current of a healthy pump, so where no voltage is measured it must outlast one.
    at = np.flatnonzero((view.pump_state == 1) & (severity < Severity.HIGH) & suspect & ~single)
    if len(at):
        severity[at] = _by_medians(view, at, unmeasured[at], announced[at], limits)
    return severity


def _again(view: FrameView, ratio: F64) -> Bool:
    """Whether the readings just before this one were as high, in this bin or the last."""
    state, rows = view.state, view.rows
    n, total = state.bin_count[rows, _RUNNING], state.bin_sum[rows, _RUNNING].astype(np.float64)
    usual = _reference_a(view)
    beyond = (ratio - 1.0) * usual
    # The others of this bin may well have been as usual: one of them that was not shows in the sum.
    excess = total - view.signal("pump_current") - (n - 1) * usual
    last = trace_window(state, rows, "current_running", 1)[:, 0]
    out: Bool = ((n >= 2) & (excess >= beyond)) | (last - usual >= beyond)
    return out


def _tripped(view: FrameView, ratio: F64, announced: I8) -> Bool:
    """Whether the motor drew too much and then stood, though it is commanded to run.

    Overload relays open on a locked rotor within seconds (IEC 60947-4-1, trip class 10: 4 to 10 s
    at 7.2 times the setting), so often a single reading shows it; that it stopped bears it out.
    """
    drew = view.state.running_current_a[view.rows] / _reference_a(view)
    commanded_after = commanded_since_stop(view) & (view.signal("pump_command") > 0.5)
    out: Bool = (view.pump_state == 0) & commanded_after & ((drew >= ratio) | (announced > 0))
    return out


def _by_medians(view: FrameView, at: I64, unmeasured: Bool, announced: I8, limits: list[F64]) -> I8:
    rows = view.rows[at]
    window = trace_window(view.state, rows, "current_running", TRACE_BINS)
    window[~unmeasured, : TRACE_BINS - MEASURED_BINS] = np.nan
    n = (~np.isnan(window)).sum(axis=1)
    enough = n >= np.where(unmeasured, UNMEASURED_BINS, LEAST_BINS)
    ratio = np.where(enough, median_last_axis(window), np.nan) / _reference_a(view)[at]
    own = [np.broadcast_to(limit, len(view.rows))[at] for limit in limits]
    own[2] = np.full(len(at), np.inf)
    return graded(ratio, own, view.setting(_SLUG, "deadband_ratio"), announced)


MEASURED_BINS: Final = 6
LEAST_BINS: Final = 3
UNMEASURED_BINS: Final = 24
"""Two hours of running whose median must be up where no voltage is measured: sags are shorter."""


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """Current against the learned one and the nameplate, voltage, and what the pressure says."""
    pump = look.unit.pump
    base = look.baseline("pump_current")
    voltage = look.value("supply_voltage")
    current, tripped = _drawn(look)
    pressure, clean = look.value("spray_pressure"), look.baseline("spray_pressure")
    expected = base.value if base else pump.rated_current_a
    ratio = None if current is None else current / expected
    readings = [
        look.reading("pump_current", expected=expected, high=pump.rated_current_a,
                     note="against the clean baseline; the limit is the nameplate" if base
                     else "no clean baseline yet: against the nameplate"),
    ]  # fmt: skip
    if tripped and current is not None:
        readings.append(Reading("Current before it stopped", current, "A", expected, derived=True))
    if voltage is not None:
        readings.append(look.reading("supply_voltage", expected=pump.rated_voltage_v))
    if pressure is not None:
        readings.append(look.reading("spray_pressure", expected=clean.value if clean else None))
    if ratio is not None:
        readings.append(Reading("Current against the reference", 100.0 * ratio, "%", 100.0,
                                derived=True))  # fmt: skip
    seen: dict[str, int | None] = {
        "locked": None if current is None else int(current >= LOCKED_RATIO * pump.rated_current_a),
        "pressure": _sign(pressure, clean.value if clean else None, 0.10),
        "voltage": _sign(voltage, pump.rated_voltage_v, 0.08),
        "sudden": _sudden(look),
    }
    limits = []
    if voltage is None:
        limits.append(
            "No supply voltage here: a sag raises the current too, so it must last for hours first."
        )
    if base is None:
        limits.append("No clean baseline yet: the nameplate stands in for it.")
    share = "?" if ratio is None else f"{100.0 * (ratio - 1.0):.0f} %"
    locked = seen["locked"] == 1
    drew = (
        "the current of a rotor that cannot turn"
        if locked
        else f"{share} more than in its clean state"
    )
    return Evidence(
        summary=(
            f"The pump motor drew {drew} and has stopped, though it is commanded to run: its "
            "protection has tripped, or it has burnt out. The pads get no water."
            if tripped
            else f"The pump motor draws {drew}."
        ),
        confidence=0.95 if locked or voltage is not None else 0.8,
        readings=tuple(readings),
        causes=rank(_SIGNS, _CAUSES, seen),
        signals=("pump_current", "pump_command", "supply_voltage", "spray_pressure"),
        limits=tuple(limits),
    )


def _drawn(look: UnitLook) -> tuple[float | None, bool]:
    """What the motor draws, or drew when it tripped, and whether it did."""
    state, row = look.state, look.row
    before = float(state.running_current_a[row])
    if state.pump_state[row] == 0 and not np.isnan(before):
        return before, True
    return look.value("pump_current"), False


LOCKED_RATIO: Final = 2.5
"""Motors that cannot turn draw 4 to 7 times their rated current (common practice); a transducer of
twice the rated range tops out before."""


def _sudden(look: UnitLook) -> int | None:
    """Whether the means before the last hour were still near the baseline."""
    base, before = look.baseline("pump_current"), look.steady("pump_current", 36)
    if base is None or before is None:
        return None
    return int(before < 1.08 * base.value)


def _sign(value: float | None, expected: float | None, least_frac: float) -> int | None:
    if value is None or expected is None or expected <= 0:
        return None
    change = value / expected - 1.0
    return 1 if change >= least_frac else -1 if change <= -least_frac else 0


PUMP_OVERLOAD: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Pump overload or locked rotor",
        family="pump and screen",
        meaning=(
            "The pump motor draws clearly more current than in its clean, healthy state, or did "
            "before it stopped against its command."
        ),
        consequence=(
            "The winding overheats; the overload relay stops the pump, or the motor burns out, and "
            "the pads run dry."
        ),
        action="Find what loads the motor before it trips; do not reset the overload repeatedly.",
        causes=tuple(
            CauseEntry(
                r.slug,
                r.title,
                r.look_at,
                "distribution" if r.slug == "line-open" else "pump-drive",
            )
            for r in _CAUSES
        ),
        needs=("pump_current",),
        helps=("supply_voltage", "spray_pressure", "pump_command"),
        suppressed_by=(),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week: the motor runs hot",
            Severity.HIGH: "today: the protection will trip or the winding will burn",
        },
        job_plan="pump-drive",
        settings=(
            Setting("low_ratio", 1.12, "of the clean current", 1.03, 3.0,
                    "ratio that calls for planned work",
                    "beyond the tenth by which healthy duty points wander (common practice)"),
            Setting("medium_ratio", 1.22, "of the clean current", 1.05, 5.0,
                    "ratio that calls for a visit this week",
                    "motors bear a service factor of 1.15 at most for long (common practice)"),
            Setting("high_ratio", 1.45, "of the clean current", 1.1, 10.0,
                    "ratio that must be today",
                    "overload relays of class 10 trip within minutes at 1.5 times (from memory)"),
            Setting("deadband_ratio", 0.03, "of the clean current", 0.0, 0.5,
                    "how far it must fall back", "about the noise of a small motor's current"),
            Setting("on_delay_high_s", 60.0, "s", 0.0, 3600.0,
                    "on-delay of a high overload",
                    "the inrush of a start is over in seconds; a locked rotor must not wait"),
            *course(2700.0, "sags and filling pipes are over by then; the winding warms in hours",
                    1800.0, "a bearing that binds comes and goes"),
        ),
    ),
    judge,
    explain,
    (SignatureTable(_SIGNS, _CAUSES),),
)  # fmt: skip
