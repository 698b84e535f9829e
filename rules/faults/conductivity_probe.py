"""Conductivity probe open or fouled: a reading that the water cannot have.

Basin water is make-up that has lost some of itself to the air, so wetted and running it cannot be
less concentrated than the make-up, nor stay so: each litre evaporated concentrates what is left.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import UNKNOWN, fault_is_there
from rules.arrays import F64, I8, Bool
from rules.balance import balance_of_look
from rules.bin_rings import median_last_axis
from rules.bins import BinView
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course
from rules.faults.rule import Rule
from rules.faults.water_readings import balance_readings, seen_number
from rules.look import UnitLook
from rules.probe_step import fell_at_one_stroke
from rules.signals import INDEX
from rules.state import BIN_MS
from rules.usual_bottom import slid_below

__all__ = ["CONDUCTIVITY_PROBE"]

_SLUG: Final = "conductivity-probe"
_HOURS_BINS: Final = 24
_LEVEL: Final = INDEX["basin_level"]

_SIGNS: Final = (
    Sign("nothing", "it reads next to nothing", "", "it reads something", 2.0, deciding=True),
    Sign("low", "", "it reads less than the make-up water", "it reads more than the make-up water",
         2.0),
    Sign("jumps", "it jumps from one reading to the next", "", "it does not jump", 2.0,
         deciding=True),
    Sign("stroke", "", "it fell at one stroke, farther than fresh water can thin a basin, and "
         "stays down", "it never fell at one stroke", 2.0),
    Sign("slides", "", "it slid for days, far below the range in which the bleed held it",
         "it never slid so", 2.0),
    Sign("answers", "it climbs as evaporation wants", "", "it does not climb as evaporation wants",
         1.0),
)  # fmt: skip
_CAUSES: Final = (
    SignatureRow("probe-open", "Probe or cable open, unplugged, or hanging in air",
                 {"nothing": 1, "low": -1, "jumps": 0, "answers": 0},
                 "Look at plug, cable and where the probe hangs; dip it in a bucket."),
    SignatureRow("probe-fouled", "Probe scaled or slimed over",
                 {"nothing": 0, "low": -1, "jumps": 0, "stroke": -1, "slides": -1, "answers": 0},
                 "Compare with a hand meter; clean the probe and compare again."),
    SignatureRow("probe-in-fresh-water", "Probe sits where the make-up enters, or water stands",
                 {"nothing": 0, "low": -1, "jumps": 0, "answers": 0},
                 "Compare its place with the make-up inlet; measure at the pump's suction."),
    SignatureRow("air-bubbles", "Air bubbles at the probe, or a loose contact",
                 {"nothing": 0, "jumps": 1},
                 "Watch the reading while the pump runs and stands; wiggle the plug."),
    SignatureRow("makeup-quality-changed", "Make-up water has become much softer",
                 {"nothing": 0, "low": -1, "jumps": 0, "stroke": 0, "slides": -1, "answers": 1},
                 "Measure the make-up's conductivity at a tap."),
    SignatureRow("bleed-stuck-open", "A bleed or drain valve that leaks more and more",
                 {"nothing": 0, "low": 0, "jumps": 0, "stroke": 0, "slides": -1, "answers": 1},
                 "Look at the bleed's and the drain's end while both should be shut."),
)  # fmt: skip


def _wetted(view: BinView) -> Bool:
    """Water stands at the probe: by the level, or by a pump that runs on water."""
    plan, rows = view.plan, view.rows
    running, at_rest = view.recent["level_running"], view.recent["level_at_rest"]
    bottom = plan.float_shut_mm[rows] - plan.float_band_mm[rows]
    # Probes hang anywhere below the float: a basin that is half empty says nothing.
    wet = (running >= bottom) | (at_rest >= bottom)
    # A level that stands still while the water moves is no witness.
    told = view.state.value_ms[rows, _LEVEL] > 0
    told &= ~fault_is_there(view.state, rows, "level-frozen")
    pumped = view.state.pump_state[rows] == 1
    return np.asarray(np.where(told, wet, pumped), dtype=np.bool_)


def judge(view: BinView, announced: I8) -> I8:
    """Medium: a reading that the water cannot have."""
    plan, rows = view.plan, view.rows
    now = view.recent["conductivity"]
    ratio = now / plan.makeup_us_cm[rows]
    out = np.where(np.isnan(ratio), UNKNOWN, 0).astype(np.int8)
    wetted = _wetted(view)
    out[~wetted & (ratio < 1.0)] = UNKNOWN
    low_ratio = view.setting(_SLUG, "low_ratio")
    nothing = wetted & (ratio < view.setting(_SLUG, "open_ratio"))
    out[nothing] = Severity.MEDIUM
    out[fell_at_one_stroke(view.state, rows)] = Severity.MEDIUM
    out[_slid(view) & wetted] = Severity.MEDIUM
    jumpy = _jumpy(view)
    out[jumpy] = Severity.MEDIUM
    watched = view.watched
    i = watched.index
    if len(i):
        part, w = watched.view, watched.balance
        low = wetted[i] & (ratio[i] < low_ratio[i] if low_ratio.ndim else ratio[i] < low_ratio)
        # It must climb by E C_m / V at least; where weather says nothing, two hours are enough
        # only far below the make-up.
        deaf = (w.climb_frac + 2.0 * w.climb_frac_sd) < part.setting(_SLUG, "answer_ratio")
        unheard = np.isnan(w.evaporation_l_min) & (ratio[i] < 0.5)
        vanishes = w.makeup_us_cm + 3.0 * w.makeup_us_cm_sd
        gone = vanishes < part.setting(_SLUG, "vanishing_ratio") * plan.makeup_us_cm[part.rows]
        # Water that thins faster than water comes in does not thin. Evaporation by the weather is
        # no witness here: pads that do not wet evaporate nothing, and the probe is right.
        sinks = w.makeup_thinning_l_min > w.makeup_surely_most_l_min
        sinks &= np.isnan(w.makeup_us_cm)  # with both meters softer make-up would explain it
        bad = w.running & ((low & (deaf | unheard)) | gone | sinks)
        out[i[bad]] = Severity.MEDIUM
    # Only a plausible reading in running water clears it.
    running = ~np.isnan(view.recent["level_running"]) | (view.state.pump_state[rows] == 1)
    clears = running & (ratio >= low_ratio)
    out[(announced > 0) & (out == 0) & ~clears] = UNKNOWN
    return out


def _slid(view: BinView) -> Bool:
    """Readings that slid for days, where no bleed is known to run to waste."""
    slid = slid_below(view.state, view.rows)
    if slid.any():
        slid &= ~fault_is_there(view.state, view.rows, "bleed-stuck-open")
    return slid


def _jumpy(view: BinView) -> Bool:
    """Readings that jump by a good part of themselves from one mean to the next, for hours."""
    out = np.zeros(len(view.rows), dtype=np.bool_)
    limit = np.broadcast_to(view.setting(_SLUG, "jump_frac"), len(out))
    recent, middle = view.recent.window("conductivity"), view.recent["conductivity"]
    # Most readings are calm: only those that just left their own median are looked at for hours.
    moved = (np.abs(recent - middle[:, None]) > 0.5 * (limit * middle)[:, None]).any(axis=1)
    if not moved.any():
        return out
    index = np.flatnonzero(moved & (view.state.pump_state[view.rows] == 1))
    if not len(index):
        return out
    part = view.only(index)
    step, there = _typical_step(part)
    out[index] = (step > limit[index]) & there
    return out


def _typical_step(view: BinView) -> tuple[F64, Bool]:
    """Median step between means over two hours, over the median; and whether enough is there."""
    window = view.trace("conductivity", _HOURS_BINS)
    steps = np.abs(np.diff(window, axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        typical = median_last_axis(steps) / median_last_axis(window)
    return typical, (~np.isnan(steps)).sum(axis=1) >= 12


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """The reading against the make-up, its climb against what evaporation wants, its steps."""
    water = look.unit.water
    w = balance_of_look(look)
    value = look.recent("conductivity")
    ratio = None if value is None else value / water.makeup_conductivity_us_cm
    readings = balance_readings(look, w)
    readings.insert(0, Reading("Reading over the make-up's conductivity", ratio, "", low=1.0,
                               note="basin water is never less, unless rain thins it",
                               derived=True))  # fmt: skip
    window = look.trace("conductivity", _HOURS_BINS)
    steps = np.abs(np.diff(window))
    steps = steps[~np.isnan(steps)]
    jump = None
    if len(steps) >= 12 and value:
        jump = float(np.median(steps)) / value
        most_pct = 100.0 * look.setting(_SLUG, "jump_frac")
        readings.append(Reading("Typical step between five-minute means", 100.0 * jump, "%",
                                high=most_pct, derived=True))  # fmt: skip
    level = look.recent("level_running")
    level = look.recent("level_at_rest") if level is None else level
    if level is not None:
        readings.append(Reading("Basin level", level, "mm", note="water stands at the probe"))
    stroke = bool(fell_at_one_stroke(look.state, np.array([look.row]))[0])
    if stroke:
        readings.insert(1, _stroke_reading(look))
    slid = bool(slid_below(look.state, np.array([look.row]))[0])
    from_ = float(look.state.slide_from_us_cm[look.row])
    if slid:
        readings.insert(1, Reading("Conductivity against the range it left", value, "µS/cm", from_,
                                   note="least that the bleed let it fall to"))  # fmt: skip
    climb = seen_number(w.climb_frac)
    is_open = ratio is not None and ratio < look.setting(_SLUG, "open_ratio")
    seen: dict[str, int | None] = {
        "nothing": None if ratio is None else int(is_open),
        # A probe that lost a share of its reading may still read more than the make-up.
        "low": None if ratio is None else -1 if ratio < 1.0 else None if stroke or slid else 0,
        "jumps": None if jump is None else int(jump > look.setting(_SLUG, "jump_frac")),
        "stroke": -1 if stroke else None,
        "slides": -1 if slid else None,
        "answers": None
        if climb is None or stroke or slid
        else int(climb >= look.setting(_SLUG, "answer_ratio")),
    }
    if is_open:
        summary = "The probe reads next to nothing although it stands in water."
    elif seen["jumps"]:
        summary = "The conductivity reading jumps as no basin's water can."
    elif stroke:
        summary = (
            f"The reading fell at one stroke to {float(look.state.stroke_to_us_cm[look.row]):.0f} "
            "µS/cm, farther than fresh water can thin the basin, and stays down."
        )
    elif slid:
        summary = (
            f"The reading slid over days to {100 * (value or 0.0) / from_:.0f} % of the range in "
            "which its bleed held it: it reads low, or ever more water leaves."
        )
    elif (
        (slope := seen_number(w.slope_us_cm_h)) is not None
        and slope < 0
        and (ratio is None or ratio >= look.setting(_SLUG, "low_ratio"))
    ):
        summary = "The reading falls faster than the make-up that comes in could thin the water."
    elif ratio is not None and ratio < 1.0:
        summary = (
            f"The probe reads {100 * ratio:.0f} % of the make-up's conductivity, and less than "
            "make-up no basin's water can hold while it evaporates."
        )
    else:
        summary = "More solids come in and stay than the probe shows: it does not see them."
    limits = () if is_open else (
        "A probe that reads low by a steady share, but above the make-up, cannot be told from "
        "fewer cycles; only a hand meter can.",
    )  # fmt: skip
    return Evidence(
        summary=summary,
        confidence=0.92 if is_open else 0.8,
        readings=tuple(readings),
        causes=rank(_SIGNS, _CAUSES, seen),
        signals=("conductivity", "basin_level", "pump_current"),
        limits=limits,
    )


def _stroke_reading(look: UnitLook) -> Reading:
    """From where to where the reading fell, and how long ago."""
    from_, to = (
        float(a[look.row]) for a in (look.state.stroke_from_us_cm, look.state.stroke_to_us_cm)
    )
    hours = float(look.state.stroke_bins[look.row]) * BIN_MS / 3_600_000.0
    note = f"within ten minutes, {hours:.0f} h ago"
    return Reading("Conductivity before and after its fall", to, "µS/cm", from_, note=note)


CONDUCTIVITY_PROBE: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Conductivity probe open or fouled",
        family="water quality",
        meaning="The conductivity reading is one that the basin's water cannot have.",
        consequence=(
            "Nobody sees solids gather; a bleed that follows this probe stays shut and the pads "
            "scale, or stays open and wastes water."
        ),
        action="Compare with a hand meter; clean, refit or replace the probe.",
        causes=tuple(
            CauseEntry(r.slug, r.title, r.look_at, "water-quality") for r in _CAUSES
        ),
        needs=("conductivity",),
        helps=("basin_level", "pump_current", "ambient_temperature", "relative_humidity",
               "fan_run", "fan_speed", "makeup_flow", "bleed_flow"),
        suppressed_by=("float-leaking", "float-stuck-open"),
        response={Severity.MEDIUM: "this week: the water is not watched meanwhile"},
        job_plan="water-quality",
        settings=(
            Setting("open_ratio", 0.1, "of the make-up's conductivity", 0.001, 0.9,
                    "reading below which the probe counts as open",
                    "no water on its way through a basin loses nine tenths of its solids"),
            Setting("low_ratio", 0.7, "of the make-up's conductivity", 0.05, 1.0,
                    "reading, running wet, that the water cannot have",
                    "make-up varies by a tenth or two over the year (common practice), and a "
                    "probe may be off by a tenth"),
            Setting("answer_ratio", 0.5, "of the least climb", 0.0, 1.0,
                    "climb below which the reading does not answer to evaporation",
                    "evaporation from the weather is good to a fifth; a true reading below the "
                    "make-up must climb by all of it"),
            Setting("vanishing_ratio", 0.35, "of the make-up's conductivity", 0.05, 1.0,
                    "make-up conductivity by both meters below which the probe is to blame",
                    "supplies do not lose two thirds of their solids"),
            Setting("jump_frac", 0.15, "of the reading", 0.02, 2.0,
                    "typical step between five-minute means that counts as jumping",
                    "a whole basin of litres a minute changes by a few per cent in five minutes"),
            *course(10_800.0, "a fill, a shower of rain or a visit is over by then",
                    3600.0, "a loose contact comes back"),
        ),
        judged_by="bins",
    ),
    judge,
    explain,
    (SignatureTable(_SIGNS, _CAUSES),),
)  # fmt: skip
