"""Bleed blocked: nothing carries the solids away, and they gather as fast as water evaporates.

A bleed that waits for its setpoint or its hour lets conductivity climb in just this way, so the
climb says something only once the water is clearly more concentrated than intended, and than this
unit's bleed is used to let it become.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import F64, I8
from rules.balance import BALANCE_BINS, METER_ZERO_L_MIN, WaterBalance, balance_of_look
from rules.bins import BinView
from rules.bleed_habit import AS_EVER_FRAC, share_of_usual
from rules.bleed_turns import opened_lately_us_cm, opens_at_us_cm
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, graded
from rules.faults.rule import Rule
from rules.faults.water_readings import NO_BALANCE, balance_readings, first_passage_s, seen_number
from rules.look import UnitLook
from rules.usual_top import usual_top_us_cm

__all__ = ["BLEED_BLOCKED"]

_SLUG: Final = "bleed-blocked"

_SIGNS: Final = (
    Sign("carried", "", "the solids balance says that little or nothing leaves as liquid of what "
         "should", "the solids balance says that about as much leaves as liquid as should", 2.0),
    Sign("bleed", "the bleed meter shows flow", "",
         "the bleed meter shows no flow, or little of what should", 3.0, deciding=True),
    Sign("faster", "it climbs faster than the make-up's solids allow", "",
         "it climbs no faster than the make-up's solids allow", 1.0),
)  # fmt: skip
_CAUSES: Final = (
    SignatureRow("line-blocked", "Bleed line, strainer or orifice blocked, or its valve left shut",
                 {"carried": -1, "bleed": 0, "faster": 0},
                 "Look for flow at the bleed's end; open the strainer; compare valve positions."),
    SignatureRow("bleed-valve", "Bleed valve does not open: coil, wiring, controller",
                 {"carried": -1, "bleed": 0, "faster": 0},
                 "Command the bleed by hand: does the valve click, does water come?"),
    SignatureRow("bleed-setting", "Controller's setpoint or timer lets it bleed too late",
                 {"carried": -1, "bleed": 0, "faster": 0},
                 "Compare setpoint and timer with the cycles intended."),
    SignatureRow("makeup-quality-changed", "Make-up water has become harder",
                 {"carried": -1, "bleed": 1, "faster": 1},
                 "Measure the make-up's conductivity at a tap."),
)  # fmt: skip


WORKS_FRAC: Final = 0.7
"""Share of the bleed intended from which it works: the balance is good to a fifth, and nobody sets
a bleed to better than a tenth (judgement)."""
NOTHING_FRAC: Final = 0.1
"""Share up to which it is said to carry nothing: the balance tells no finer (judgement)."""
PART_FRAC: Final = 0.2
"""Share from which something probably flows. A bleed by time is set for the mean of days and
nights; in the hottest hours two to three times as much evaporates, and it passes a third of what is
wanted then (judgement). By night the water is back."""
SOON_H: Final = 2.0
"""So such a line is told below the limit only if the water gets there within so long
(judgement)."""


def _carried_frac(w: WaterBalance) -> F64:
    """What leaves as liquid by the solids balance, of the bleed intended, (m,)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share: F64 = w.bleed_l_min / w.bleed_wanted_l_min
    return share


def _no_flow_l_min(w: WaterBalance, zero_frac: F64 | float) -> F64:
    """What a bleed meter may show by creep alone, (m,)."""
    creep: F64 = np.fmax(zero_frac * w.bleed_wanted_l_min, METER_ZERO_L_MIN)
    return creep


def _works_from_l_min(w: WaterBalance, no_flow: F64, slack: F64 | float) -> F64:
    """The metered flow from which the bleed is not blocked, not even in part, (m,)."""
    return np.maximum(2.0 * no_flow, slack * w.bleed_wanted_l_min)


def judge(view: BinView, announced: I8) -> I8:
    """Low: due, and nothing bled. Medium: at the limit. High: far over it."""
    out = np.zeros(len(view.rows), dtype=np.int8)
    out[announced > 0] = UNKNOWN
    out[np.isnan(view.recent["conductivity"])] = UNKNOWN
    plan, rows = view.plan, view.rows
    # Fresh or thinned water clears it, whatever the pump does.
    due = view.setting(_SLUG, "due_ratio") * plan.target_cycles[rows] * plan.makeup_us_cm[rows]
    # Where its habit is not known yet, the limit alone tells that bleeding is overdue.
    overdue = view.setting(_SLUG, "habit_ratio") * usual_top_us_cm(view.state, rows)
    due = np.fmin(np.maximum(due, overdue), plan.conductivity_limit_us_cm[rows])
    # Where it opens beyond the limit it is not due before: the ticket is that of the set point.
    beyond = opens_at_us_cm(view.state, rows)
    beyond[beyond < plan.conductivity_limit_us_cm[rows]] = np.nan
    due = np.fmax(due, view.setting(_SLUG, "habit_ratio") * beyond)
    back = (1.0 - view.setting(_SLUG, "deadband_ratio")) * due
    out[view.recent["conductivity"] < back] = 0
    watched = view.watched
    i = watched.index
    if not len(i):
        return out
    w = watched.balance
    now, was = view.recent["conductivity"][i], announced[i]
    part = watched.view
    high = now >= np.where(was > 0, back[i], due[i])
    slack = part.setting(_SLUG, "carried_max_ratio")
    with np.errstate(divide="ignore", invalid="ignore"):
        carried = _carried_frac(w)
        surely = carried - 2.0 * w.bleed_sd / w.bleed_wanted_l_min
        # What the scatter of the readings alone could make of it.
        unsure = 2.0 * w.climb_frac_sd * (part.plan.target_cycles[part.rows] - 1.0)
    climbing = (carried <= slack) & (carried + unsure <= 2.0 * slack) & (w.climb_frac >= 0.4)
    # A step is no climb: chemicals were dosed, or the probe was touched.
    climbing &= w.steady_climb_frac >= 0.4
    # Faster than evaporation alone: then it is the make-up that changed.
    c_m = part.plan.makeup_us_cm[part.rows]
    climbing &= ~(w.makeup_low_us_cm >= part.setting("makeup-quality-changed", "climb_ratio") * c_m)
    no_flow = _no_flow_l_min(w, part.setting(_SLUG, "meter_zero_frac"))
    dry_meter = w.bleed_metered_l_min <= no_flow
    flows = w.bleed_metered_l_min > _works_from_l_min(w, no_flow, slack)
    # Water that fell from there as only an open line lets it: it is the set point, not the line.
    opened = opened_lately_us_cm(view.state, rows[i]) >= back[i]
    flows |= opened & ~dry_meter
    # A line that passes its usual flow whenever it is open is free, however seldom that is.
    metered = part.trace("bleed_flow", BALANCE_BINS)
    as_ever = share_of_usual(part.plan, part.state, part.rows, metered) >= AS_EVER_FRAC
    # A turn of it mends no ticket that stands: that asks for what is carried away in all.
    flows |= as_ever & (was == 0)
    bled = (carried >= WORKS_FRAC) | flows
    # When little evaporates a small flow is much of what is wanted: what stands wants better proof.
    bled &= (was == 0) | flows | (surely >= slack)
    limit = part.plan.conductivity_limit_us_cm[part.rows]
    later = (carried > PART_FRAC) & (was == 0) & (now + SOON_H * w.slope_us_cm_h < limit)
    climbing &= ~later
    blocked = high & w.running & ((climbing & ~flows) | (dry_meter & ~(carried >= WORKS_FRAC)))
    grade = graded(
        now / limit,
        [0.0, part.setting(_SLUG, "medium_ratio"), part.setting(_SLUG, "high_ratio")],
        part.setting(_SLUG, "deadband_ratio"),
        was,
    )
    known = w.running & (~np.isnan(carried) | ~np.isnan(w.bleed_metered_l_min))
    # Between blocked and bleeding well, what was said stays said.
    other = np.where(bled | (known & (was == 0) & ~later), 0, UNKNOWN)
    out[i] = np.where(blocked, grade, np.where(high, other, out[i]))
    return out


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """Conductivity against due and limit, climb against that of no bleed, time to the limit."""
    water = look.unit.water
    w = balance_of_look(look)
    value = look.recent("conductivity")
    limit = water.conductivity_limit_us_cm
    readings = balance_readings(look, w)
    top = seen_number(usual_top_us_cm(look.state, np.array([look.row])))
    if top is not None:
        readings.insert(1, Reading("Conductivity at which it is used to bleed, at most", top,
                                   "µS/cm", derived=True,
                                   note="learned from its running water"))  # fmt: skip
    bleed, wanted = seen_number(w.bleed_metered_l_min), seen_number(w.bleed_wanted_l_min)
    share, slope = seen_number(_carried_frac(w)), seen_number(w.slope_us_cm_h)
    low = seen_number(w.makeup_low_us_cm)
    slack = look.setting(_SLUG, "carried_max_ratio")
    no_flow = _no_flow_l_min(w, look.setting(_SLUG, "meter_zero_frac"))
    works = seen_number(_works_from_l_min(w, no_flow, slack))
    seen: dict[str, int | None] = {
        "carried": None if share is None
        else -1 if share <= slack else 0 if share >= WORKS_FRAC else None,
        "bleed": None if bleed is None
        else int(bleed > (2.0 * METER_ZERO_L_MIN if works is None else works)),
        "faster": None if low is None
        else int(low > 1.5 * water.makeup_conductivity_us_cm),
    }  # fmt: skip
    left_s = None
    if value is not None and slope is not None and slope > 0 and value < limit:
        left_s = first_passage_s(value, limit, slope)
    over = value is not None and value >= limit
    state = f"over its limit of {limit:g} µS/cm" if over else f"on its way to the limit ({limit:g})"
    at = "?" if value is None else f"{value:.0f}"
    if share is None or wanted is None or share > slack:
        summary = f"The bleed meter shows no flow although the water, at {at} µS/cm, is {state}."
    elif share <= NOTHING_FRAC:
        summary = (
            f"The bleed carries nothing away: the basin water is at {at} µS/cm, {state}, and "
            "climbs as with the bleed shut."
        )
    else:
        summary = (
            f"The bleed carries away {share * wanted:.2f} of the {wanted:.2f} L/min that it "
            f"should, {100.0 * share:.0f} %: the basin water is at {at} µS/cm, {state}."
        )
    limits = []
    if share is None:
        limits.append(NO_BALANCE)
    if bleed is None:
        limits.append(
            "No bleed meter here: a blocked line, a valve that does not open and a setting that "
            "bleeds too late look the same from here."
        )
    return Evidence(
        summary=summary,
        confidence=0.93 if bleed is not None and share is not None else 0.85,
        readings=tuple(readings),
        causes=rank(_SIGNS, _CAUSES, seen),
        signals=("conductivity", "bleed_flow", "makeup_flow", "basin_level", "relative_humidity"),
        time_left_s=left_s,
        time_left_to="conductivity reaches its limit" if left_s is not None else "",
        limits=tuple(limits),
    )


BLEED_BLOCKED: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Bleed blocked",
        family="water quality",
        meaning=(
            "Bleeding is due, but by the solids balance little or nothing is carried away, or the "
            "bleed meter shows no flow."
        ),
        consequence=(
            "Within hours to days the water passes its limit and scale grows on pads, holes and "
            "screen."
        ),
        action="Clear bleed line, strainer and orifice; see that the bleed valve opens.",
        causes=tuple(CauseEntry(r.slug, r.title, r.look_at, "water-quality") for r in _CAUSES),
        needs=("conductivity",),
        needs_any=(("bleed_flow", "makeup_flow", "relative_humidity"),),
        helps=("bleed_flow", "makeup_flow", "basin_level", "pump_current", "ambient_temperature",
               "relative_humidity", "fan_run", "fan_speed"),
        suppressed_by=("conductivity-probe", "float-stuck-shut"),
        # Its ticket names the bleed as well; a second one would send people out for the same water.
        yields_to=("conductivity-high",),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week: the water is over its limit",
            Severity.HIGH: "today: the water is far over its limit",
        },
        job_plan="water-quality",
        settings=(
            Setting("due_ratio", 1.2, "of the intended cycles", 1.0, 5.0,
                    "concentration from which a working bleed must have acted",
                    "a bleed by conductivity holds its setpoint within a few per cent, and "
                    "setpoints stand within a fifth of the cycles intended (common practice)"),
            Setting("habit_ratio", 1.08, "of the unit's usual top", 1.0, 3.0,
                    "concentration, over the usual top of its sawtooth, from which a bleed is due",
                    "a controller's hysteresis and a probe's scatter, together some per cent "
                    "(judgement); until a day and a half of running has shown the top, the limit"),
            Setting("carried_max_ratio", 0.35, "of the bleed intended", 0.05, 0.9,
                    "bleed by the solids balance up to which it counts as blocked",
                    "evaporation from the weather is good to a fifth, which moves this by as much"),
            Setting("meter_zero_frac", 0.1, "of the bleed intended", 0.0, 0.5,
                    "metered bleed up to which it counts as none",
                    "what a small meter shows by creep; two hours hold a timed bleed's turn"),
            Setting("medium_ratio", 1.0, "of the unit's limit", 0.3, 10.0,
                    "ratio that calls for a visit this week",
                    "a blocked bleed does not come back by itself, so the limit itself"),
            Setting("high_ratio", 1.6, "of the unit's limit", 0.5, 20.0,
                    "ratio that calls for a visit today",
                    "scaling salts are far over saturation by then (common practice)"),
            Setting("deadband_ratio", 0.05, "of the ratio", 0.0, 0.5,
                    "how far it must fall back", "5 % of range, the standard's start point for "
                    "quantities of this kind (from memory)"),
            *course(1800.0, "the balance already looks over two hours",
                    3600.0, "a bleed that works again shows within the hour"),
        ),
        judged_by="bins",
    ),
    judge,
    explain,
    (SignatureTable(_SIGNS, _CAUSES),),
)  # fmt: skip
