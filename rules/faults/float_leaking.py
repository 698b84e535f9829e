"""Float valve leaking by: it shuts, but not tight.

Running, evaporation takes what leaks and nothing shows. At rest the level creeps up past the level
at which the float shut, at last over the overflow; the next run brings it back into its band. A
valve that is stuck open does the same with most of its full flow, and fills in minutes.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import UNKNOWN, fault_is_there
from rules.arrays import I8
from rules.balance import METER_ZERO_FRAC, METER_ZERO_L_MIN
from rules.bins import BinView
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.float_readings import OVERFLOW_MARGIN
from rules.faults.grading import course
from rules.faults.rule import Rule
from rules.float_flow import Passes, float_flow_of, float_flow_of_look
from rules.float_rest import (
    AT_REST,
    RUNNING,
    float_note,
    float_top_mm,
    over_level_mm,
    rest_is_known,
)
from rules.look import UnitLook
from rules.signals import INDEX

__all__ = ["FLOAT_LEAKING"]

_SLUG: Final = "float-leaking"
_HOUR_BINS: Final = 12
_HUMIDITY: Final = INDEX["relative_humidity"]

_SIGNS: Final = (
    Sign("flow", "the make-up meter shows a small flow while the float should be shut", "",
         "the make-up meter shows no flow", 3.0, deciding=True),
    Sign("creep", "the level creeps up at rest", "the level falls at rest",
         "the level stands still at rest", 2.0),
    Sign("band", "", "", "running, the level came back into the float's band", 1.0),
    Sign("rain", "the air is near saturation, as in rain", "", "the air is not near saturation",
         1.0),
)  # fmt: skip
_CAUSES: Final = (
    SignatureRow("seat-worn", "Seat or washer of the float valve worn, or grit on it",
                 {"flow": 1, "creep": 1, "band": 0, "rain": 0},
                 "Lift the float by hand: does a trickle go on? Look at washer and seat."),
    SignatureRow("float-waterlogged", "Float full of water: it lifts too little to shut tight",
                 {"flow": 1, "creep": 1, "rain": 0},
                 "Shake the float; water inside means a new one."),
    SignatureRow("supply-pressure", "Supply pressure too high for the valve",
                 {"flow": 1, "creep": 1, "band": 0, "rain": 0},
                 "Read the pressure at night, when nobody else draws water."),
    SignatureRow("water-from-elsewhere", "Water comes from elsewhere: rain, a wash-down, a by-pass",
                 {"flow": 0, "creep": 1, "rain": 1},
                 "Shut the make-up by hand for an hour at rest: does the level still rise?"),
)  # fmt: skip


def judge(view: BinView, announced: I8) -> I8:
    """Low: the level creeps up at rest, or the meter shows a trickle. Medium: at the overflow."""
    plan, rows, state = view.plan, view.rows, view.state
    shut, lip = plan.float_shut_mm[rows], plan.overflow_mm[rows]
    at_rest, running = view.recent["level_at_rest"], view.recent["level_running"]
    metered = view.recent["makeup_flow"]
    rest_s = np.where(
        state.pump_state[rows] == 0, (view.time_ms - state.pump_changed_ms[rows]) / 1000.0, -1.0
    )
    resting = ~np.isnan(at_rest) & (rest_s > 0)
    out = np.where(resting, 0, UNKNOWN).astype(np.int8)
    out[np.isnan(at_rest) & (announced == 0) & ~np.isnan(running)] = 0
    setting = view.setting(_SLUG, "over_level_mm")
    full = float_top_mm(plan, state, rows, RUNNING)
    allowed = float_top_mm(plan, state, rows, AT_REST)
    over = resting & (at_rest >= shut) & rest_is_known(plan, state, rows)
    top = lip - view.setting(_SLUG, "overflow_margin_mm")
    over &= at_rest - allowed >= over_level_mm(view, setting, top, AT_REST)
    beyond = over_level_mm(view, setting, top, RUNNING)
    over |= running - full >= beyond
    # The overflow is above all that the float allows, even where the pull-down is not known.
    over |= resting & (at_rest >= top) & (top > allowed)
    least = np.maximum(METER_ZERO_FRAC * plan.makeup_max_l_min[rows], METER_ZERO_L_MIN)
    trickle = resting & (at_rest >= shut) & (metered >= least)
    settled = resting & (at_rest >= shut) & (rest_s >= view.setting(_SLUG, "rest_s"))
    # Whoever is not settled keeps what was said of it before.
    out[resting & ~settled & (announced > 0)] = UNKNOWN
    maybe = np.flatnonzero(over | trickle | settled)
    if not len(maybe):
        return out
    part = view.only(maybe)
    hour_ago = part.trace_at("level_at_rest", _HOUR_BINS)
    rise = at_rest[maybe] - hour_ago
    # The end of a filling, and a float set high, are below: it is a leak from where the float has
    # surely shut, and the level that the float allowed an hour ago is none.
    surely = (full + beyond)[maybe]
    creeps = settled[maybe] & (rise >= part.setting(_SLUG, "creep_mm")) & (hour_ago >= surely)
    humid = state.value[part.rows, _HUMIDITY] >= part.setting(_SLUG, "rain_above_pct")
    at_lip = np.fmax(at_rest, running)[maybe] >= top[maybe]
    look = np.flatnonzero(over[maybe] | trickle[maybe] | creeps)
    if not len(look):
        return out
    flow = float_flow_of(part.only(look))
    little = flow.passes == Passes.LITTLE
    moving = creeps[look] | at_lip[look] | (flow.metered & little)
    moving |= ~np.isnan(running[maybe][look])
    found = little & moving
    found &= ~fault_is_there(part.state, part.rows[look], "float-stuck-open")
    grade = np.where(at_lip[look], Severity.MEDIUM, Severity.LOW)
    was = announced[maybe][look]
    # Rain fills a basin as a leak does; only a meter tells them apart.
    wait = humid[look] & ~flow.metered & (was == 0)
    # Once at the overflow nothing rises any more, and a trickle may not turn a meter.
    unseen = (flow.passes == Passes.UNKNOWN) | (flow.passes == Passes.NOTHING)
    keep = (unseen & (over[maybe] | creeps)[look] & (was > 0)) | wait
    verdict = np.where(found, grade, 0)
    verdict = np.where(found & (was > grade), was, verdict)
    out[maybe[look]] = np.where(keep, UNKNOWN, verdict).astype(np.int8)
    return out


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """Level at rest against the float, its rise, the flow, and what the water costs."""
    basin = look.unit.basin
    running, at_rest = look.recent("level_running"), look.recent("level_at_rest")
    level = at_rest if at_rest is not None else running
    which = AT_REST if at_rest is not None else RUNNING
    allowed = float(float_top_mm(look.plan, look.state, np.array([look.row]), which)[0])
    flow = float_flow_of_look(look)
    share = float(flow.flow_frac[0])
    metered = bool(flow.metered[0])
    slope = look.slope_per_h("level_at_rest", _HOUR_BINS)
    readings = [
        Reading("Basin level, at rest" if at_rest is not None else "Basin level, pump running",
                level, "mm", high=allowed,
                note=float_note(look, which, "the float should be shut well below")),
        Reading("Overflow lip", basin.overflow_mm, "mm"),
    ]  # fmt: skip
    if slope is not None:
        readings.append(Reading("Rise of the level at rest", slope, "mm/h", 0.0, derived=True))
    leak = None if np.isnan(share) else share * basin.makeup_max_l_min
    if leak is not None:
        readings.append(
            Reading("Flow through the valve, float up", leak, "L/min", 0.0, derived=not metered,
                    note=f"{100 * share:.0f} % of the valve's full flow"
                    + ("" if metered else ", from the rise of the level"))
        )  # fmt: skip
    humidity = look.value("relative_humidity")
    band = look.trace("level_running", 36)
    band = band[~np.isnan(band)]
    seen: dict[str, int | None] = {
        "flow": None if not metered else 1 if flow.passes[0] > 0 else 0,
        "creep": None if slope is None else 1 if slope > 1.0 else -1 if slope < -1.0 else 0,
        "band": 0 if len(band) and float(np.median(band)) <= basin.float_shut_mm else None,
        "rain": None if humidity is None
        else int(humidity >= look.setting(_SLUG, "rain_above_pct")),
    }  # fmt: skip
    waste = "" if leak is None else f" About {leak:.1f} L/min ({leak * 1.44:.1f} m³ a day)."
    where = "up to the overflow" if severity >= Severity.MEDIUM else "above the float at rest"
    return Evidence(
        summary=f"The make-up valve shuts but does not shut tight: the water rises {where}.{waste}",
        confidence=0.92 if metered else 0.8,
        readings=tuple(readings),
        causes=rank(_SIGNS, _CAUSES, seen),
        signals=("basin_level", "makeup_flow", "pump_current", "relative_humidity"),
        limits=() if metered else (
            "No make-up meter here: water from elsewhere, as rain, raises the level in the same "
            "way, and the flow is worked out from the rise and the nameplate's basin.",
        ),
    )  # fmt: skip


FLOAT_LEAKING: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Float valve leaking by",
        family="float and level",
        meaning=(
            "The make-up valve passes a little water when it should be shut: at rest the basin "
            "creeps up past the float, towards the overflow."
        ),
        consequence=(
            "Water runs to waste day and night, treatment is diluted, and the worn seat soon "
            "passes more."
        ),
        action="Clean or replace the float valve's washer and seat; look into the float.",
        causes=tuple(
            CauseEntry(r.slug, r.title, r.look_at,
                       "inspection" if r.slug == "water-from-elsewhere" else "float-valve")
            for r in _CAUSES
        ),
        needs=("basin_level", "pump_current"),
        helps=("makeup_flow", "relative_humidity", "conductivity"),
        suppressed_by=("level-frozen",),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week: water runs to waste",
        },
        job_plan="float-valve",
        settings=(
            Setting("over_level_mm", 10.0, "mm", 1.0, 500.0,
                    "rise above the highest level the float allows that counts",
                    "waves and the float's own play stay within 5 mm (common practice)"),
            Setting("creep_mm", 4.0, "mm", 1.0, 200.0,
                    "rise within an hour at rest, above the float, that counts",
                    "more than noise of means; a still basin only falls, by evaporation"),
            Setting("rest_s", 7200.0, "s", 3600.0, 86_400.0,
                    "time at rest before creeping is judged",
                    "water held in pads comes back within the first half hour (common practice), "
                    "and the hour that is compared must come after that"),
            OVERFLOW_MARGIN,
            Setting("rain_above_pct", 92.0, "%", 50.0, 101.0,
                    "relative humidity above which, without a meter, a rising level may be rain",
                    "air in steady rain is near saturation; 101 switches this off"),
            *course(2700.0, "a wash-down or a shower is over by then",
                    7200.0, "the leak shows at rest only"),
        ),
        judged_by="bins",
    ),
    judge,
    explain,
    (SignatureTable(_SIGNS, _CAUSES),),
)  # fmt: skip
