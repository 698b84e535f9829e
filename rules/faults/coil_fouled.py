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
    fans_that_fit,
    heat_limits,
    heat_of,
    heat_readings,
    leapt_by_fans,
    urgent_settings,
    with_urgency,
)
from rules.faults.rule import Rule
from rules.heat import rated_ntu
from rules.heat_compared import NO_LOAD_RATIO, Compared, HeatRejection
from rules.heat_marks import newest_told_bin
from rules.look import UnitLook
from rules.physics.condenser import capacity_frac, ua_loss_frac
from rules.state import BIN_MS

__all__ = ["COIL_FOULED", "ua_loss_pct"]

_SLUG: Final = "coil-fouled"
_AIR_LOST, _LEAST_AIR = "fan-capacity-lost", "least_by_drop_pct"
USUAL_AIRFLOW_FRAC: Final = 0.7
"""Airflow at which a rise of the TD is read as a loss of UA: the middle of the fans' range."""
AGREED_SHARE: Final = 0.35
"""One mode bears the other out by a rise of this share of the other's at least: what coil and air
lose shows in both, the less the more of its capacity the unit has in hand (judgement)."""
STILL_SHARE: Final = 0.5
"""Share of a rise that the newest means must show for it to be there still (judgement)."""
LOAD_GROWN: Final = 1.4
LOAD_GROWN_NTU: Final = 1.2
"""The rise of the TD that the limits without a load stand for, and a coil of which they do so
(judgement)."""
SCATTERS: Final = 1.5
"""A rise within this many deviations of a single clean mean is no news."""
WARMER_RATIO: Final = 1.05
"""With less air the TD must have risen by this at least (judgement)."""


def _without_load_in_both(heat: HeatRejection) -> Bool:
    both: Bool = heat.dry_recent & heat.wet_recent & ~heat.load_known
    return both


def risen_in_both(dry: F64, wet: F64) -> F64:
    """TDs of both modes over the clean ones, in the mean, (m,); 1 where one contradicts the other.

    NaN where one of them is not known.
    """
    agree = np.minimum(dry, wet) - 1.0 >= AGREED_SHARE * (np.maximum(dry, wet) - 1.0)
    mean = np.sqrt(dry * wet)
    return np.where(np.isnan(mean), np.nan, np.where(agree, mean, np.fmin(mean, 1.0)))


def _also_wet(heat: HeatRejection, dry: F64, waits: Bool) -> F64:
    """What of a dry TD over its clean one, at a known load, is the coil's, (m,).

    Own warm air that the wind lays before the intake for a day, or a sensor in the sun, makes a
    kelvin or two (common practice): as much as a coil that begins to foul. Wetted pads take off
    half of it, since the wet bulb rises by a third of a kelvin only; a coil's loss shows in both
    modes. ``waits``: wet running of days ago may say so, too.
    """
    wet = np.fmax(np.fmax(heat.wet.long, heat.wet.short), heat.wet.newest)
    agree = wet - 1.0 >= AGREED_SHARE * (dry - 1.0)
    told = heat.wet_recent & ~heat.wet_ceased & (heat.wet_often | waits) & ~np.isnan(wet)
    both = np.where(agree, np.sqrt(dry * np.fmin(wet, dry)), np.fmin(dry, 1.0))
    return np.where(told & (dry > 1.0), both, dry)


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
    new = heat.load_known & (announced == 0)
    small = 100.0 * ua_loss_frac(heat.dry.long, USUAL_AIRFLOW_FRAC, full_flow_ntu=ntu) < medium_pct
    # What has gone again in the newer half of the means is gone.
    dry_long = np.where(small & new, np.fmin(heat.dry.long, heat.dry.short), heat.dry.long)
    dry_long = np.where(new, _also_wet(heat, dry_long, small), dry_long)
    dry_short = np.where(new, _also_wet(heat, heat.dry.short, small), heat.dry.short)
    long, short = pick(dry_long, wet_long), pick(dry_short, wet_short)
    # Without a load the two modes bear each other out: they are of other hours and weekdays, whose
    # load may differ, and the pads are in one of them only.
    in_both = _without_load_in_both(heat)
    long = np.where(in_both, risen_in_both(heat.dry.long, heat.wet.long), long)
    short = np.where(in_both, risen_in_both(heat.dry.short, heat.wet.short), short)
    # What the newest means do not show by half is gone, though the median of days has it still.
    newest = np.where(
        in_both, np.fmin(heat.dry.newest, heat.wet.newest), pick(heat.dry.newest, heat.wet.newest)
    )
    over = ~heat.load_known & (announced == 0)
    long = np.where(over & (newest - 1.0 < STILL_SHARE * (long - 1.0)), np.fmin(long, 1.0), long)
    short = np.where(over & (newest - 1.0 < STILL_SHARE * (short - 1.0)), np.nan, short)
    # What was found once is held by what there is: a mode may have few means in the last days.
    now = [np.where(np.isnan(m.lately), m.newest, m.lately) for m in (heat.dry, heat.wet)]
    lately = np.where(in_both, risen_in_both(*now), pick(*now))
    short = np.where(~heat.load_known & (announced > 0), lately, short)
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


def air_lost_pct(heat: HeatRejection, least_pct: F64 | float, announced: I8) -> F64:
    """Air that the pads' pressure drop shows to be short by and by, (m,) [%]; 0 where it does not.

    What fills up behind the pads takes air from them: at equal fan speed their drop falls with its
    square. Growth alone is told, with the condensing warmer in the mode that says most of the coil:
    a fan is lost at once, a gauge that drifts warms nothing, and more load takes no air.
    """
    lost = 100.0 * (1.0 - np.sqrt(np.fmax(heat.pads_ratio, 0.0)))
    sure = (1.0 - heat.pads_ratio >= 3.0 * heat.pads_se) & (lost >= least_pct)
    sure &= heat.pads_sank | (announced > 0)
    warmer = np.where(heat.dry_recent, _latest(heat, heat.dry), _latest(heat, heat.wet))
    return np.where(sure & (warmer >= WARMER_RATIO), lost, 0.0)


def _latest(heat: HeatRejection, mode: Compared) -> F64:
    # Without the load a week's means, since load follows the weekday.
    return np.where(heat.load_known, mode.short, mode.long)


def _loss_by_air_pct(heat: HeatRejection, ntu: F64, least_pct: F64, announced: I8) -> F64:
    """Loss of UA that warms the condensing as much as the air that is lost, (m,). [%]"""
    air = 1.0 - air_lost_pct(heat, least_pct, announced) / 100.0
    rise = 1.0 / capacity_frac(np.fmax(air, 0.1), full_flow_ntu=ntu)
    return 100.0 * ua_loss_frac(rise, USUAL_AIRFLOW_FRAC, full_flow_ntu=ntu)


def _limits(view: BinView, at: I64, heat: HeatRejection, announced: I8) -> tuple[F64, F64, F64]:
    def of(name: str) -> F64:
        return np.broadcast_to(view.setting(_SLUG, name), len(view.rows))[at]

    known = heat.load_known
    # Two modes that agree say more than one: of other hours and other weekdays.
    both = np.fmax(
        risen_in_both(heat.dry.long, heat.wet.long), risen_in_both(heat.dry.short, heat.wet.short)
    )
    agreed = _without_load_in_both(heat) & (both >= NO_LOAD_RATIO)
    # More load lifts the TD by as much as it grows, whatever the coil; what that would be of the UA
    # hangs on the coil.
    rise = [
        ua_loss_frac(LOAD_GROWN, USUAL_AIRFLOW_FRAC, full_flow_ntu=ntu)
        for ntu in (rated_ntu(view.plan, view.rows[at]), LOAD_GROWN_NTU)
    ]
    one = of("ua_loss_no_load_pct") * np.fmin(rise[0] / rise[1], 1.0)
    high = of("ua_loss_no_load_high_pct")
    # The hours in which it used to run wet were the warm and busy ones: dry now, they raise the
    # mean of dry running without any fault of the coil. That ends no alarm that stands, and neither
    # does a mode that says nothing any more.
    stands = announced > 0
    one = np.where(heat.wet_ceased & heat.dry_recent & ~stands, np.fmax(one, high), one)
    no_load = np.where(agreed | stands, np.fmin(of("ua_loss_agreed_pct"), one), one)
    return (
        np.where(known, of("ua_loss_low_pct"), np.inf),
        np.where(known, of("ua_loss_medium_pct"), no_load),
        np.where(known, of("ua_loss_high_pct"), high),
    )


def _lasted(view: BinView, at: I64, severity: I8, going: I8, announced: I8) -> I8:
    """``severity`` without what is small and has not lasted for days, (m,).

    ``going`` is the severity with the deadband of one that has begun already.

    A column of its own and not an on-delay: it runs on through a silence, and what waits for it
    keeps no other alarm back.
    """
    rows, since = view.rows[at], view.state.coil_since_bin
    now = newest_told_bin(view.state, rows)
    begins = (severity > 0) & (since[rows] == 0)
    since[rows] = np.where(going == 0, 0, np.where(begins, now, since[rows]))
    lasted_s = (now - since[rows]) * (BIN_MS / 1000.0)
    short = lasted_s < view.plan.settings.get(_SLUG, "low_lasts_s", rows)
    small = (severity == Severity.LOW) & (announced == 0) & short
    return np.where(small, 0, severity).astype(np.int8)


def judge(view: BinView, announced: I8) -> I8:
    """Loss of UA, where an hour gave news of it."""
    at, heat, _ = view.heat
    limits = _limits(view, at, heat, announced[at])
    ntu = rated_ntu(view.plan, view.rows[at])
    loss = ua_loss_pct(heat, ntu, limits[1], announced[at])
    # In wet running the pads that hold back the air look alike: their own gauge decides.
    clogs = heat.pads_clog(view.plan.settings.get("pads-clogged", "rise_low_pct", view.rows[at]))
    loss = np.where(~heat.dry_recent & clogs & (announced[at] == 0), np.nan, loss)
    waits = heat.even_waits
    if waits.any():
        # What some of the fans carry needs no further hours to be told from gas.
        waits = waits & ~(leapt_by_fans(heat) & (fans_that_fit(view, at, heat) > 0))
    loss = heat.beside_gas(loss, announced[at] == 0, waits)
    deadband = np.broadcast_to(view.setting(_SLUG, "deadband_pct"), len(view.rows))[at]
    severity = graded(loss, limits, deadband, announced[at])
    begun = (view.state.coil_since_bin[view.rows[at]] > 0).astype(np.int8)
    going = graded(loss, limits, deadband, np.maximum(announced[at], begun))
    severity = _lasted(view, at, severity, going, announced[at])
    least = view.plan.settings.get(_AIR_LOST, _LEAST_AIR, view.rows[at])
    by_air = _loss_by_air_pct(heat, ntu, least, announced[at])
    by_air = np.where(by_air > 0.0, by_air, np.nan)
    at_known_load = [
        view.plan.settings.get(_SLUG, f"ua_loss_{s}_pct", view.rows[at])
        for s in ("low", "medium", "high")
    ]
    severity = np.maximum(severity, graded(by_air, at_known_load, deadband, announced[at]))
    return with_urgency(view, _SLUG, at, severity, announced)


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
        said = "over three days to a week, airflow taken out; the load is not known"
    lost = f"about {loss:.0f} %" if loss > 0 else "part"
    summary = f"The unit has lost {lost} of its clean heat transfer in {mode} running ({said})."
    confidence = (0.85 if heat.dry_recent[0] else 0.65) if known else 0.55
    air = float(air_lost_pct(heat, look.setting(_AIR_LOST, _LEAST_AIR), np.zeros_like(stands))[0])
    if air > 0.0:
        confidence = max(confidence, 0.75)
        summary += (
            f" About {air:.0f} % less air goes through the pads at equal fan speed, and it went by "
            "and by: the air's way behind them fills up."
        )
    return Evidence(
        summary=summary,
        confidence=confidence,
        readings=tuple(heat_readings(look, heat)),
        causes=causes_of(look, heat, leap=bool(leapt_by_fans(heat)[0])),
        signals=("head_pressure", "ambient_temperature", "fan_speed", "heat_load", "wet_mode",
                 "pad_pressure_drop"),
        limits=heat_limits(look, heat),
    )  # fmt: skip


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
            Setting("low_lasts_s", 259_200.0, "s", 0.0, 2_592_000.0,
                    "how long a small loss must show without a break before it counts",
                    "planned work can wait; the wind that lays own warm air before the intake "
                    "turns within two or three days (common practice)"),
            Setting("deadband_pct", 8.0, "% of clean UA", 0.5, 20.0,
                    "how far the loss must fall back below a limit",
                    "by a twentieth of the TD the medians of days differ, as wind and goods do: "
                    "one problem is one ticket"),
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
