"""Coil fouled: heat transfer lost in dry running too, whatever load and weather."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.arrays import F64, I8, I64, Bool
from rules.bins import BinView
from rules.events import Evidence, Severity
from rules.faults.base import Fault, Setting
from rules.faults.grading import course, graded
from rules.faults.rejection import (
    LOST_EFFECT_FRAC,
    REJECTION_TABLE,
    cause_entries,
    causes_of,
    heat_limits,
    heat_of,
    heat_readings,
    leapt_by_fans,
    urgent_settings,
    with_urgency,
)
from rules.faults.rule import Rule
from rules.heat import rated_ntu
from rules.heat_compared import NO_LOAD_RATIO, HeatRejection
from rules.look import UnitLook
from rules.physics.condenser import ua_loss_frac

__all__ = ["COIL_FOULED", "ua_loss_pct"]

_SLUG: Final = "coil-fouled"
USUAL_AIRFLOW_FRAC: Final = 0.7
"""Airflow at which a rise of the TD is read as a loss of UA: the middle of the fans' range."""
AGREED_SHARE: Final = 0.35
"""One mode bears the other out by a rise of this share of the other's at least: what coil and air
lose shows in both, the less the more of its capacity the unit has in hand (judgement)."""
SCATTERS: Final = 1.5
"""A rise within this many deviations of a single clean mean is no news."""


def _without_load_in_both(heat: HeatRejection) -> Bool:
    both: Bool = heat.dry_recent & heat.wet_recent & ~heat.load_known
    return both


def risen_in_both(heat: HeatRejection) -> F64:
    """TDs of both modes over the clean ones, in the mean, (m,); 1 where one contradicts the other.

    NaN where one of them is not known.
    """
    dry, wet = heat.dry.long, heat.wet.long
    agree = np.minimum(dry, wet) - 1.0 >= AGREED_SHARE * (np.maximum(dry, wet) - 1.0)
    mean = np.sqrt(dry * wet)
    return np.where(np.isnan(mean), np.nan, np.where(agree, mean, np.fmin(mean, 1.0)))


def ua_loss_pct(heat: HeatRejection, ntu: F64, medium_pct: F64 | float, announced: I8) -> F64:
    """UA lost against the clean unit, (m,) [%]: dry where there is dry running, else wet.

    The long window counts, or the short one where its loss is of medium size. 0 where the rise is
    within what a clean unit shows; NaN where nothing is known.
    """

    def pick(dry: F64, wet: F64) -> F64:
        return np.where(heat.dry_recent, dry, wet)

    # In wet running the part that goes with the depression is the pads'.
    sure = heat.fall_base - 1.0 >= 2.0 * heat.fall_base_se
    share = np.where(sure, heat.fall_base, 1.0)
    share = np.where(np.isnan(heat.fall_base) | (announced > 0), np.inf, share)
    wet_short = np.minimum(heat.wet.short, share)
    wet_long = np.minimum(heat.wet.long, share)
    long, short = pick(heat.dry.long, wet_long), pick(heat.dry.short, wet_short)
    # Without a load the two modes bear each other out: they are of other hours and weekdays, whose
    # load may differ, and the pads are in one of them only.
    long = np.where(_without_load_in_both(heat), risen_in_both(heat), long)
    usual = np.maximum(
        3.0 * pick(heat.dry.se, heat.wet.se), SCATTERS * pick(heat.dry.scatter, heat.wet.scatter)
    )
    loss = 100.0 * ua_loss_frac(long, USUAL_AIRFLOW_FRAC, full_flow_ntu=ntu)
    quick = 100.0 * ua_loss_frac(short, USUAL_AIRFLOW_FRAC, full_flow_ntu=ntu)
    loss = np.where(quick >= medium_pct, np.fmax(loss, quick), loss)
    usual = np.where(announced > 0, 0.5 * usual, usual)
    within = np.fmax(long, np.where(quick >= medium_pct, short, long)) - 1.0 < usual
    # What came at once in wet running alone may be the pads': its course will tell.
    loss = np.where(~heat.dry_recent & heat.load_known & heat.wet_moves, np.nan, loss)
    # A coil would show in the few dry means that there are, too.
    alone = ~heat.dry_recent & ~heat.load_known & heat.dry_today
    alone &= heat.dry.newest - 1.0 < AGREED_SHARE * (wet_long - 1.0)
    # Nor is it the coil where the pads evaporate far less, by the meters.
    alone |= ~heat.dry_recent & (heat.lost_by_water() >= LOST_EFFECT_FRAC)
    loss = np.where(alone & (announced == 0), np.nan, loss)
    return np.where(np.isnan(loss), np.nan, np.where(within, np.fmin(loss, 0.0), loss))


def _limits(view: BinView, at: I64, heat: HeatRejection) -> tuple[F64, F64, F64]:
    def of(name: str) -> F64:
        return np.broadcast_to(view.setting(_SLUG, name), len(view.rows))[at]

    known = heat.load_known
    # Two modes that agree say more than one: of other hours and other weekdays.
    agreed = _without_load_in_both(heat) & (risen_in_both(heat) >= NO_LOAD_RATIO)
    one, high = of("ua_loss_no_load_pct"), of("ua_loss_no_load_high_pct")
    # The hours in which it used to run wet were the warm and busy ones: dry now, they raise the
    # mean of dry running without any fault of the coil.
    one = np.where(heat.wet_ceased & heat.dry_recent, np.fmax(one, high), one)
    no_load = np.where(agreed, np.fmin(of("ua_loss_agreed_pct"), one), one)
    return (
        np.where(known, of("ua_loss_low_pct"), np.inf),
        np.where(known, of("ua_loss_medium_pct"), no_load),
        np.where(known, of("ua_loss_high_pct"), high),
    )


def judge(view: BinView, announced: I8) -> I8:
    """Loss of UA, where an hour gave news of it."""
    at, heat, _ = view.heat
    limits = _limits(view, at, heat)
    loss = ua_loss_pct(heat, rated_ntu(view.plan, view.rows[at]), limits[1], announced[at])
    # In wet running the pads that hold back the air look alike: their own gauge decides.
    clogs = heat.pads_clog(view.plan.settings.get("pads-clogged", "rise_low_pct", view.rows[at]))
    loss = np.where(~heat.dry_recent & clogs & (announced[at] == 0), np.nan, loss)
    deadband = np.broadcast_to(view.setting(_SLUG, "deadband_pct"), len(view.rows))[at]
    return with_urgency(view, _SLUG, at, graded(loss, limits, deadband, announced[at]), announced)


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """The loss in dry running, or in wet running alone, and what else could have done it."""
    heat = heat_of(look)
    known = bool(heat.load_known[0])
    ntu = rated_ntu(look.plan, np.array([look.row]))
    stands = np.ones(1, dtype=np.int8)
    loss = float(ua_loss_pct(heat, ntu, look.setting(_SLUG, "ua_loss_medium_pct"), stands)[0])
    mode = "dry" if heat.dry_recent[0] else "wet"
    if known:
        said = "load and airflow taken out"
    else:
        said = "over a week, airflow taken out; the load is not known"
    lost = f"about {loss:.0f} %" if loss > 0 else "part"
    return Evidence(
        summary=f"The unit has lost {lost} of its clean heat transfer in {mode} running ({said}).",
        confidence=(0.85 if heat.dry_recent[0] else 0.65) if known else 0.55,
        readings=tuple(heat_readings(look, heat)),
        causes=causes_of(look, heat, leap=bool(leapt_by_fans(heat)[0])),
        signals=("head_pressure", "ambient_temperature", "fan_speed", "heat_load", "wet_mode"),
        limits=heat_limits(look, heat),
    )


COIL_FOULED: Final = Rule(
    Fault(
        slug=_SLUG,
        spoils_heat=True,
        title="Coil fouled",
        family="heat rejection",
        meaning=(
            "At equal load, airflow and weather the refrigerant condenses further above the air "
            "than when the unit was clean: the coil transfers less heat."
        ),
        consequence="More power all year, and a trip on the cut-out on the first hot afternoon.",
        action="Clean the coil from the air side; clear what stands in the way of the air.",
        causes=cause_entries(["coil-fouled", "pads-clogged", "recirculation"]),
        needs=("head_pressure", "ambient_temperature"),
        needs_any=(("fan_speed", "fan_run"),),
        helps=("heat_load", "fan_run", "relative_humidity", "wet_mode", "pad_pressure_drop"),
        suppressed_by=(
            "fan-fault", "fan-not-proven", "fan-capacity-lost", "pads-clogged",
            "pads-not-wetting",
        ),
        response={
            Severity.LOW: "with the next planned visit, before hot weather",
            Severity.MEDIUM: "this week",
            Severity.HIGH: "today: a trip is near",
        },
        job_plan="coil",
        settings=(
            Setting("ua_loss_low_pct", 18.0, "% of clean UA", 5.0, 60.0,
                    "loss of heat transfer that calls for planned work",
                    "a rise of the TD by an eighth: three times what the laws of airflow and a "
                    "day's median leave uncertain"),
            Setting("ua_loss_medium_pct", 30.0, "% of clean UA", 8.0, 80.0,
                    "loss that calls for a visit this week",
                    "the unit condenses a quarter further above the air: 2 to 3 K at the rating"),
            Setting("ua_loss_high_pct", 52.0, "% of clean UA", 15.0, 95.0,
                    "loss that calls for a visit today",
                    "half again the rated difference: no hot day can be ridden through"),
            Setting("ua_loss_no_load_pct", 46.0, "% of clean UA", 10.0, 95.0,
                    "the medium limit where no heat load is sent",
                    "a load grown by two fifths looks the same; hot spells bring a tenth or two "
                    "beyond what the weather usually does"),
            Setting("ua_loss_agreed_pct", 36.0, "% of clean UA", 10.0, 95.0,
                    "the same where dry and wet running both show it, by a third of the TD",
                    "two modes see other hours and other weekdays: more load on some is in one"),
            Setting("ua_loss_no_load_high_pct", 65.0, "% of clean UA", 10.0, 95.0,
                    "the high limit where no heat load is sent",
                    "no site doubles its load without a word; the medium limit, too, while hours "
                    "that used to be wet are dry: those are the busy ones"),
            Setting("deadband_pct", 4.0, "% of clean UA", 0.5, 20.0,
                    "how far the loss must fall back below a limit",
                    "a day's median wanders by this much"),
            *urgent_settings(),
            *course(10_800.0, "it grows over days; three more means rule out a defrost or a gust",
                    7200.0, "two hourly means in order"),
        ),
        judged_by="bins",
    ),
    judge,
    explain,
    (REJECTION_TABLE,),
)  # fmt: skip
