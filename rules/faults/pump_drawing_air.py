"""Pump running dry or drawing air: current low and restless, and the basin low.

Air in the pump makes the current fall and jump about; a clogged screen lets it fall quietly. Where
the level says that the suction is under water, only a restless current makes this fault, or one so
low that the impeller cannot be full of water: even against a shut outlet it would take more.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I8, Bool
from rules.bins import BinView
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, judged
from rules.faults.rule import Rule
from rules.look import UnitLook
from rules.physics.pump import current_for_shaft_power_frac
from rules.settings import FLEET
from rules.signals import INDEX

__all__ = ["PUMP_DRAWING_AIR"]

_SLUG: Final = "pump-drawing-air"
_PRESSURE: Final = INDEX["spray_pressure"]
_CURRENT: Final = INDEX["pump_current"]
NOISE_BINS: Final = 6
EMPTY_FRAC: Final = 0.6
"""Share of the shut-off power below which no pump full of water runs: the nameplate's two shares
are seldom known better than by a fifth each (judgement)."""
NO_BASELINE_FRAC: Final = 0.85
"""Share of the nameplate current that stands in for a baseline not learned yet: nameplates are
rounded up (common practice)."""

HELD_NOISE: Final = 0.3
"""Share of the restlessness that is told, to which it must fall to be over: the middle of five
differences lies within that of its usual size in all but few half hours (judgement)."""

_SIGNS: Final = (
    Sign("level", "the basin level is above the float's band",
         "the basin level is at the pump's minimum", "the basin level is in order", 2.0,
         deciding=True),
    Sign("makeup", "the make-up meter shows flow", "the make-up meter shows none though it should",
         "", 1.5),
    Sign("noise", "the current jumps about", "", "the current is quiet", 1.0),
    Sign("fall", "", "the level fell over the last hours", "the level fell at once", 0.5),
    Sign("load", "", "the motor draws clearly less than with the pump's outlet shut",
         "the motor draws what a pump full of water may", 1.0),
)  # fmt: skip
_CAUSES: Final = (
    SignatureRow("pump-drawing-air", "Suction uncovered: the basin is too low for the pump",
                 {"level": -1, "noise": 1},
                 "Look at the level with the pump running; listen for gurgling."),
    SignatureRow("float-stuck-shut", "Make-up fails: float stuck shut or supply starved",
                 {"level": -1, "makeup": -1, "fall": -1},
                 "Push the float down by hand: does water come?"),
    SignatureRow("basin-leak", "Basin drains away: drain open or leaking",
                 {"level": -1, "makeup": 1},
                 "Look at the drain and under the basin."),
    SignatureRow("suction-leak", "Air enters through a leak or a vortex at the suction",
                 {"level": 0, "noise": 1},
                 "Look for a whirl over the suction and a loose union before the pump."),
    SignatureRow("no-water-moved", "Pump lost its water, or its impeller is loose on the shaft",
                 {"level": 0, "noise": 0, "load": -1},
                 "Isolated: is the casing full of water, does the impeller turn with the shaft?"),
)  # fmt: skip


def _noise(view: BinView) -> F64:
    """Restlessness of the current from bin to bin, as a robust standard deviation. [A]"""
    window = view.trace("current_running", NOISE_BINS)
    steps = np.sort(np.abs(np.diff(window, axis=1)), axis=1)  # NaN last
    n = (~np.isnan(steps)).sum(axis=1)
    middle = np.take_along_axis(steps, (np.maximum(n - 1, 0) // 2)[:, None], axis=1)[:, 0]
    # A difference of two has sqrt(2) times the deviation of one; 1.4826 as for any median.
    return np.where(n >= 3, 1.4826 / np.sqrt(2.0) * middle, np.nan)


def _is_empty(view: BinView, ratio: F64) -> Bool:
    """Whether the motor draws less than a pump full of water can ask of it, (k,).

    Power at the shaft against that at the shut-off point of the nameplate; ``ratio`` is the current
    over the clean one.
    """
    plan, rows = view.plan, view.rows
    empty = EMPTY_FRAC * plan.pump_shutoff_frac[rows]
    out: Bool = ratio <= current_for_shaft_power_frac(empty, plan.pump_magnetising_frac[rows])
    return out


def _coarse_noise_a(view: BinView) -> F64:
    """Restlessness that a current shown in coarse steps has by itself, 0 where it is fine. [A]

    Steps of the next of 0.01, 0.1, 1 A above a hundredth of the rated current.
    """
    step = 10.0 ** np.ceil(np.log10(view.plan.pump_rated_current_a[view.rows] / 100.0) - 1e-9)
    value = view.state.value[view.rows, _CURRENT] / step
    return np.where(np.abs(value - np.round(value)) <= 1e-6, 1.5 * step, 0.0)


def judge(view: BinView, announced: I8) -> I8:
    """Current down and restless, or down with the basin at the pump's minimum."""
    plan, rows = view.plan, view.rows
    current = view.recent["current_running"]
    base = view.baseline("pump_current")
    learned = ~np.isnan(base)
    reference = np.where(learned, base, NO_BASELINE_FRAC * plan.pump_rated_current_a[rows])
    ratio = current / reference
    down = ratio <= view.setting(_SLUG, "current_ratio") + np.where(announced > 0, 0.04, 0.0)
    known = ~np.isnan(ratio)
    if not (down & known).any():
        return judged(down, known, 0)
    level = view.recent["level_running"]
    level = np.where(np.isnan(level), view.state.value[rows, INDEX["basin_level"]], level)
    low = level <= plan.pump_minimum_mm[rows] + view.setting(_SLUG, "level_margin_mm")
    spread = view.baseline_spread("pump_current")
    # Means of five minutes are quiet by chance for half an hour; what stands is not ended by it.
    held = np.where(announced > 0, HELD_NOISE, 1.0)
    limit = np.fmax(
        held * view.setting(_SLUG, "noise_ratio") * spread,
        np.fmax(held * view.setting(_SLUG, "noise_frac") * reference, _coarse_noise_a(view)),
    )
    restless = learned & (_noise(view) >= limit)
    # Pressure as in the clean state is proof of water; not measured, or long ago, it cannot object.
    age_s = (view.time_ms - view.state.value_ms[rows, _PRESSURE]) / 1000.0
    pressure = view.state.value[rows, _PRESSURE] / view.baseline("spray_pressure")
    pressure = np.where(age_s <= view.setting(FLEET, "value_age_limit_s"), pressure, np.nan)
    empty = learned & _is_empty(view, ratio)
    condition = down & (low | (restless & (ratio <= 0.9)) | empty) & ~(pressure > 0.9)
    dry = (level < plan.pump_minimum_mm[rows]) | (ratio <= view.setting(_SLUG, "dry_ratio"))
    severity = np.where(dry, Severity.HIGH, Severity.MEDIUM).astype(np.int8)
    return judged(condition, known, severity)


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """Current, its restlessness, level against the pump's minimum, pressure, make-up."""
    basin = look.unit.basin
    base = look.baseline("pump_current")
    current = look.recent("current_running")
    window = look.trace("current_running", NOISE_BINS)
    window = window[~np.isnan(window)]
    recent = np.abs(np.diff(window[-4:]))
    noise = float(np.max(recent)) if len(recent) > 1 else None
    level = look.recent("level_running")
    level = look.value("basin_level") if level is None else level
    pressure, clean = look.value("spray_pressure"), look.baseline("spray_pressure")
    makeup = look.value("makeup_flow")
    readings = [
        Reading("Pump current at rated voltage, last quarter of an hour", current, "A",
                base.value if base else look.unit.pump.rated_current_a),
        Reading("Its largest change from one 5 min to the next", noise, "A",
                base.spread if base else None, derived=True),
        Reading("Basin level", level, "mm", low=basin.pump_minimum_mm,
                note="below the lower figure the pump draws air"),
        Reading("Spray pressure", pressure, "kPa", clean.value if clean else None),
        Reading("Make-up flow", makeup, "L/min"),
    ]  # fmt: skip
    margin = look.setting(_SLUG, "level_margin_mm")
    slope = look.slope_per_h("level_running", 24)
    low = None if level is None else level <= basin.pump_minimum_mm + margin
    seen: dict[str, int | None] = {
        "level": None if low is None else -1 if low else 0,
        "makeup": None if makeup is None else 1 if makeup > 0.1 * basin.makeup_max_l_min else -1,
        "noise": None if noise is None or base is None else int(
            noise >= max(3.0 * base.spread, 0.02 * base.value)
        ),
        "fall": None if slope is None else -1 if -60.0 < slope < -5.0 else 0,
    }  # fmt: skip
    if base is not None and current is not None:
        view = look.bin_view()
        seen["load"] = -1 if _is_empty(view, np.array([current / base.value]))[0] else 0
    limits = []
    if level is None:
        limits.append("No basin level here: only the restless current tells air from a screen.")
    if pressure is None:
        limits.append("No spray pressure here: how much water still flows is not known.")
    dry = severity >= Severity.HIGH
    return Evidence(
        summary="The pump runs dry: its seal is in danger." if dry
        else "The pump draws air: its current is low and restless.",
        confidence=0.9 if low or (pressure is not None and low is not None) else 0.75,
        readings=tuple(r for r in readings if r.measured is not None),
        causes=rank(_SIGNS, _CAUSES, seen),
        signals=("pump_current", "basin_level", "spray_pressure", "makeup_flow"),
        limits=tuple(limits),
    )  # fmt: skip


PUMP_DRAWING_AIR: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Pump running dry or drawing air",
        family="pump and screen",
        meaning="The pump runs with air in it: the current is low and restless, the basin low.",
        consequence=(
            "A mechanical seal that runs dry fails within the hour; the pads get little water."
        ),
        action="Stop wet operation by the site's procedure; find why the basin is low.",
        causes=tuple(
            CauseEntry(r.slug, r.title, r.look_at,
                       "float-valve" if r.signs["level"] < 0 else "pump-drive")
            for r in _CAUSES
        ),
        needs=("pump_current",),
        helps=("basin_level", "spray_pressure", "makeup_flow", "supply_voltage"),
        suppressed_by=("float-stuck-shut",),
        response={
            Severity.MEDIUM: "within a day: the seal suffers",
            Severity.HIGH: "today: the pump runs dry",
        },
        job_plan="float-valve",
        settings=(
            Setting("current_ratio", 0.92, "of the clean current", 0.4, 0.99,
                    "current below which air is thought of",
                    "a fifth less water already lowers the current by eight per cent"),
            Setting("dry_ratio", 0.72, "of the clean current", 0.2, 0.95,
                    "current at which the pump moves no water",
                    "shut-off power of radial pumps with the motor's no-load share"),
            Setting("level_margin_mm", 5.0, "mm", 0.0, 200.0,
                    "closeness to the pump's minimum level that counts",
                    "vortices begin some millimetres above the minimum (common practice)"),
            Setting("noise_ratio", 5.0, "of the clean spread", 2.0, 50.0,
                    "restlessness of the current that says air",
                    "far outside what noise does to a mean of five minutes"),
            Setting("noise_frac", 0.03, "of the clean current", 0.005, 0.5,
                    "least restlessness that says air",
                    "quiet motors have a spread too small to multiply"),
            *course(300.0, "two means of five minutes: a seal that runs dry must not wait",
                    3600.0, "air comes and goes with the waves, and half an hour of means is quiet "
                    "by chance"),
        ),
        judged_by="bins",
        waits=False,
    ),
    judge,
    explain,
    (SignatureTable(_SIGNS, _CAUSES),),
)  # fmt: skip
