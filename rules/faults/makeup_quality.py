"""Make-up quality changed: the water that comes in is not the water of the site file.

Two meters with the solids balance say what the make-up must be, and so does the make-up meter
alone with the weather where it is harder. Without them a basin that was just
filled from empty holds little but make-up, and is compared with the unit's fills before. Short of
these, harder make-up looks like less bleed, and is named as a cause there; so it is where water
concentrates faster than evaporation alone could do it, which a dose of chemicals does as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import F64, I8
from rules.balance import BALANCE_BINS, LEAST_BINS, balance_of, balance_of_look
from rules.bins import BinView
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course
from rules.faults.rule import Rule
from rules.faults.water_readings import balance_readings, seen_number
from rules.fresh_fill import AGREE_FILLS, fill_is_fresh, filled_as_ever
from rules.look import UnitLook
from rules.water_windows import mean

__all__ = ["MAKEUP_QUALITY_CHANGED"]

_SLUG: Final = "makeup-quality-changed"
SETTLED_FRAC: Final = 0.15
"""Loss of solids in the basin, of those that come in, up to which it counts as settled."""

_SIGNS: Final = (
    Sign("meters", "both meters with the solids balance say that the make-up is harder",
         "both meters with the solids balance say that the make-up is softer",
         "both meters with the solids balance say that the make-up is as before", 3.0,
         deciding=True),
    Sign("weather", "far more comes in by its meter than evaporates, and the water is hard all the "
         "same", "", "make-up meter and evaporation say that the make-up is not much harder", 2.0),
    Sign("fill", "just filled from empty, the basin is harder than the make-up should be",
         "just filled from empty, the basin is softer than the make-up should be",
         "just filled from empty, the basin is as the make-up should be", 2.0),
    Sign("faster", "the water concentrates faster than the make-up's solids allow", "",
         "the water concentrates no faster than the make-up's solids allow", 1.0),
    Sign("held", "the basin is as concentrated as intended all the same",
         "the basin reads thinner than intended too", "", 1.0),
)  # fmt: skip
_HARDER: Final = (
    SignatureRow("supply-changed", "The supplier or the site feeds other water: another source, "
                 "a season, a mixing ratio", {"meters": 1, "weather": 1, "fill": 1,
                                                            "faster": 1},
                 "Measure the make-up at a tap; ask the site and the supplier."),
    SignatureRow("softener-or-ro", "Water treatment before the unit exhausted or by-passed",
                 {"meters": 1, "weather": 1, "fill": 1, "faster": 1},
                 "Measure before and after the treatment; look at its by-pass."),
    SignatureRow("residue", "Salts left in the drained basin, dissolved again",
                 {"fill": 1, "meters": 0, "weather": 0, "faster": 0},
                 "Rinse the empty basin, fill again, and compare."),
    SignatureRow("conductivity-probe", "Probe out of calibration", {"fill": 1, "faster": 1},
                 "Compare with a hand meter; check it in a reference solution."),
)  # fmt: skip
_SOFTER: Final = (
    # Probes foul every season; supplies seldom lose a good part of their solids.
    SignatureRow("conductivity-probe", "Probe fouled: it reads low",
                 {"meters": -1, "fill": -1, "held": -1},
                 "Compare with a hand meter; clean the probe."),
    SignatureRow("supply-changed", "The supplier or the site feeds other water: another source, "
                 "a season, a mixing ratio", {"meters": -1, "fill": -1},
                 "Measure the make-up at a tap; ask the site and the supplier."),
    SignatureRow("softener-or-ro", "Water treatment before the unit newly set up or replaced",
                 {"meters": -1, "fill": -1}, "Measure before and after the treatment."),
)  # fmt: skip


def judge(view: BinView, announced: I8) -> I8:
    """Low: the make-up differs. Medium and high: the basin is over its limit by it."""
    out = np.where(announced > 0, UNKNOWN, 0).astype(np.int8)
    out[np.isnan(view.recent["conductivity"])] = UNKNOWN
    ratio = np.full(len(out), np.nan)  # make-up as found over that of the site file
    watched = view.watched
    i = watched.index
    if len(i):
        part, w = watched.view, watched.balance
        c_m = part.plan.makeup_us_cm[part.rows]
        least = part.setting(_SLUG, "change_frac")
        by_meters, sd = w.makeup_us_cm / c_m, w.makeup_us_cm_sd / c_m
        # Nearly nothing is not soft water but a probe that does not see it.
        sure = by_meters >= part.setting("conductivity-probe", "vanishing_ratio")
        sure &= (np.abs(by_meters - 1.0) >= 3.0 * sd) | (np.abs(by_meters - 1.0) < least)
        # A reading on its way down is softer water, rain, or a probe that fouls: wait for it.
        with np.errstate(divide="ignore", invalid="ignore"):  # a meter that shows nothing
            falls = w.slope_us_cm_h * w.volume_l / 60.0 / (w.makeup_metered_l_min * c_m)
        sure &= (by_meters > 1.0) | (falls > -SETTLED_FRAC)
        # A basin that just read as after all its fills holds the make-up of ever.
        sure &= ~filled_as_ever(part.state, part.rows)
        ratio[i] = np.where(sure, by_meters, np.nan)
    rows = view.rows
    by_weather = _ratio_by_weather(view, announced)
    ratio = np.where(np.isnan(ratio), by_weather, ratio)
    fresh = _fresh_fill_ratio(view)
    by_fill = np.isnan(ratio) & ~np.isnan(fresh)
    ratio = np.where(by_fill, fresh, ratio)
    change = view.setting(_SLUG, "change_frac")
    changed = np.abs(ratio - 1.0) >= np.where(announced > 0, 0.7, 1.0) * change
    changed = np.where(by_fill, view.state.fill_says[rows] != 0, changed)
    over = view.recent["conductivity"] / view.plan.conductivity_limit_us_cm[rows]
    to_be = ratio * view.plan.target_cycles[rows] * view.plan.makeup_us_cm[rows]
    medium = (over >= 1.0) | (to_be > view.plan.conductivity_limit_us_cm[rows])
    grade = np.where(medium & (ratio > 1.0), Severity.MEDIUM, Severity.LOW)
    grade = np.where(over >= view.setting(_SLUG, "high_ratio"), Severity.HIGH, grade)
    known = ~np.isnan(ratio)
    out[known] = np.where(changed, grade, 0)[known].astype(np.int8)
    return out


def _ratio_by_weather(view: BinView, announced: I8) -> F64:
    """Make-up over that of the site file by its meter and the evaporation, (k,); NaN where unsure.

    Harder alone: thin water beside much make-up is a fouled probe or a bleed that stands open. The
    whole balance is worked out only where evaporation cannot have concentrated the file's water.
    """
    out = np.full(len(view.rows), np.nan)
    c_m = view.plan.makeup_us_cm[view.rows]
    change = view.setting(_SLUG, "change_frac")
    over = view.recent["conductivity"] / c_m
    may_be = (view.state.pump_state[view.rows] == 1) & ~np.isnan(view.recent["makeup_flow"])
    may_be &= np.isnan(view.recent["bleed_flow"]) & ((over >= 1.0 + change) | (announced > 0))
    i = np.flatnonzero(may_be)
    if not len(i):
        return out
    part = view.only(i)
    makeup, evaporated = (
        mean(part.trace(name, BALANCE_BINS), LEAST_BINS) for name in ("makeup_flow", "evaporation")
    )
    hard = (
        over[i] * (makeup - LEAST_EVAPORATED * evaporated)
        >= (1.0 + part.setting(_SLUG, "change_frac")) * makeup
    )
    i = i[hard | (announced[i] > 0)]
    if not len(i):
        return out
    part = view.only(i)
    w = balance_of(part)
    found, sd = w.makeup_by_weather_us_cm / c_m[i], w.makeup_by_weather_sd / c_m[i]
    change = part.setting(_SLUG, "change_frac")
    harder = found - 1.0 >= np.fmax(change, 3.0 * sd)
    as_ever = (announced[i] > 0) & (np.abs(found - 1.0) < change)
    sure = (harder | as_ever) & ~filled_as_ever(part.state, part.rows)
    out[i] = np.where(sure, found, np.nan)
    return out


LEAST_EVAPORATED: Final = 0.5
"""Share of what seems to evaporate that does so at the least: twice its uncertainty and more."""


def _fresh_fill_ratio(view: BinView) -> F64:
    """Conductivity of a basin just filled from empty over the make-up's; NaN for all others.

    A fill that says nothing of another make-up counts as one.
    """
    out = np.full(len(view.rows), np.nan)
    out[fill_is_fresh(view.state, view.rows)] = 1.0
    i = np.flatnonzero((out == 1.0) & (view.state.fill_says[view.rows] != 0))
    rows = view.rows[i]
    out[i] = view.state.fill_us_cm[rows] / view.plan.makeup_us_cm[rows]
    return out


HELD_FRAC: Final = 0.85
"""Share of the intended concentration from which the bleed is taken to hold it: with softer water
one by conductivity does so by bleeding less, and a probe that reads low shows less."""


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """The make-up implied, by the way it was found, against the site file."""
    water = look.unit.water
    stated = water.makeup_conductivity_us_cm
    w = balance_of_look(look)
    readings = balance_readings(look, w)
    meters, sd = seen_number(w.makeup_us_cm), seen_number(w.makeup_us_cm_sd)
    least = look.setting(_SLUG, "change_frac")
    found: float | None = None
    seen: dict[str, int | None] = dict.fromkeys(s.name for s in _SIGNS)
    if meters is not None and sd is not None:
        found = meters
        readings.insert(0, Reading("Make-up conductivity, from both meters and the solids balance",
                                   meters, "µS/cm", stated, derived=True,
                                   note=f"give or take {2 * sd:.0f}"))  # fmt: skip
        seen["meters"] = 0 if abs(meters / stated - 1) < least else 1 if meters > stated else -1
    by_weather = seen_number(w.makeup_by_weather_us_cm)
    if meters is None and by_weather is not None:
        readings.insert(0, Reading("Make-up conductivity, from its meter and the evaporation",
                                   by_weather, "µS/cm", stated, derived=True,
                                   note=f"give or take {2 * w.makeup_by_weather_sd[0]:.0f}"),
        )  # fmt: skip
        off = 3.0 * float(w.makeup_by_weather_sd[0])
        harder_by_far = by_weather >= np.fmax((1.0 + least) * stated, stated + off)
        as_stated = by_weather + off < (1.0 + least) * stated
        seen["weather"] = 1 if harder_by_far else 0 if as_stated else None
        found = by_weather if harder_by_far else None
    value = look.recent("conductivity")
    fill = _fill_seen(look)
    against = f"the site file says: about {{}} µS/cm against {stated:g}."
    harder: bool | None = None
    if fill is not None and found is None:
        found, harder = fill.reading.measured, fill.says > 0
        if fill.usual_us_cm is not None:
            against = (
                "this unit is used to: just filled from empty its basin reads {} µS/cm, "
                f"as a rule {fill.usual_us_cm:.0f}."
            )
    if fill is not None:
        readings.insert(0, fill.reading)
        seen["fill"] = fill.says
    was_empty = fill is not None
    if value is not None and not was_empty:
        full = HELD_FRAC * water.target_cycles * stated
        seen["held"] = 1 if value >= full else -1
    low = seen_number(w.makeup_low_us_cm)
    if low is not None:
        if found is None:
            found = low
            readings.insert(0, Reading("Least make-up conductivity that explains the climb", low,
                                       "µS/cm", stated, derived=True))  # fmt: skip
        faster = low > stated * look.setting(_SLUG, "climb_ratio")
        # Water that is replaced faster than it evaporates climbs slowly, whatever comes in.
        seen["faster"] = 1 if faster else None if seen["weather"] else 0
    if harder is None:
        harder = found is None or found > stated
    at = "?" if found is None else f"{found:.0f}"
    limits = [] if meters is not None or seen["weather"] else [
        "Without meters of make-up and bleed a change of the make-up shows only in passing: after "
        "a fill from empty; else a smaller bleed looks much the same."
    ]  # fmt: skip
    if not harder:
        limits.append("A probe that reads low looks the same: compare it with a hand meter.")
    return Evidence(
        summary=(
            f"The make-up water is {'harder' if harder else 'softer'} than {against.format(at)}"
        ),
        confidence=0.9 if meters is not None else 0.8 if seen["weather"] else 0.7,
        readings=tuple(readings),
        causes=rank(_SIGNS, _HARDER if harder else _SOFTER, seen),
        signals=("conductivity", "makeup_flow", "bleed_flow", "basin_level"),
        limits=tuple(limits),
    )


@dataclass(frozen=True)
class _Fill:
    """The newest fill from empty: its reading, what it says, and the unit's usual where known."""

    reading: Reading
    says: int
    usual_us_cm: float | None


def _fill_seen(look: UnitLook) -> _Fill | None:
    """What the newest fill of a unit says; None where it is long past or says nothing."""
    state, row = look.state, look.row
    rows = np.array([row])
    says = int(state.fill_says[row])
    if not says or not fill_is_fresh(state, rows)[0]:
        return None
    stated = look.unit.water.makeup_conductivity_us_cm
    value, usual = float(state.fill_us_cm[row]), float(state.fill_usual_us_cm[row])
    own = int(state.fills_off[row]) == says or abs(int(state.fills_off[row])) >= AGREE_FILLS
    note = "it holds hardly anything but make-up"
    if own:
        note += f"; {int(state.fills[row])} fills seen, the site file says {stated:g}"
    reading = Reading("Basin water, just filled from empty", value, "µS/cm",
                      usual if own else stated, note=note)  # fmt: skip
    return _Fill(reading, says, usual if own else None)


def _entries() -> tuple[CauseEntry, ...]:
    rows = {r.slug: r for r in (*_SOFTER, *_HARDER)}
    return tuple(CauseEntry(r.slug, r.title, r.look_at, "water-quality") for r in rows.values())


MAKEUP_QUALITY_CHANGED: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Make-up water changed",
        family="water quality",
        meaning="The make-up's conductivity is not that of the site file, or not what it was.",
        consequence=(
            "Harder water scales at the same cycles; softer water wastes bleed, and may corrode."
        ),
        action=(
            "Measure the make-up; have the water-treatment plan's keeper set bleed and limit anew; "
            "correct the site file."
        ),
        causes=_entries(),
        needs=("conductivity",),
        needs_any=(("basin_level", "makeup_flow"), ("basin_level", "bleed_flow")),
        helps=("makeup_flow", "bleed_flow", "basin_level", "ambient_temperature",
               "relative_humidity", "pump_current"),
        suppressed_by=("float-leaking", "float-stuck-open", "float-stuck-shut",
                       "conductivity-probe", "bleed-blocked"),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week: at the intended cycles the water passes its limit",
            Severity.HIGH: "today: the water is far over its limit",
        },
        job_plan="water-quality",
        settings=(
            Setting("change_frac", 0.5, "of the site file's figure", 0.1, 5.0,
                    "difference that counts, by meters",
                    "public supplies vary by a fifth over the year (common practice); two meters, "
                    "the volume and slow sensors add as much again"),
            Setting("fill_high_ratio", 1.6, "of the site file's figure", 1.1, 20.0,
                    "conductivity of a basin just filled that counts as harder",
                    "a heel of old water and dissolved residue make up to a third, the first "
                    "evaporation some more (judgement)"),
            Setting("fill_low_ratio", 0.6, "of the site file's figure", 0.05, 1.0,
                    "conductivity of a basin just filled that counts as softer",
                    "nothing in a basin makes water softer"),
            Setting("fill_change_frac", 0.25, "of the unit's usual fill", 0.05, 5.0,
                    "how far two fills in a row must be off what the unit's own fills read",
                    "fills of one unit agree within a few per cent once the old water is allowed "
                    "for; a supply varies by a fifth (common practice)"),
            Setting("climb_ratio", 3.0, "of the site file's figure", 1.1, 20.0,
                    "make-up implied by the climb alone that speaks against a blocked bleed",
                    "airflow, pads and weather give evaporation to a third at times, the volume "
                    "is good to a fifth: only what is far beyond both speaks of the make-up"),
            Setting("high_ratio", 1.6, "of the unit's limit", 0.5, 20.0,
                    "conductivity that calls for a visit today",
                    "scaling salts are far over saturation by then (common practice)"),
            *course(600.0, "meters are looked at over hours, a fill over a quarter of one already",
                    7200.0, "one fill may be mixed with what was left"),
        ),
        judged_by="bins",
    ),
    judge,
    explain,
    (
        SignatureTable(_SIGNS[:4], _HARDER, "when the water has become harder"),
        SignatureTable(
            (_SIGNS[0], _SIGNS[2], _SIGNS[4]), _SOFTER, "when the water has become softer"
        ),
    ),
)  # fmt: skip
