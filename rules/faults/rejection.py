"""Condensing above expected: what the faults of coil, pads and airflow share.

One table of signs tells them apart; one way of grading makes each of them urgent when the cut-out
is near, so that the root carries the news and no second ticket follows.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import I8, I64, Bool
from rules.bin_times import bin_of
from rules.bins import BinView, masked
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.even_rise import even_rise_k, goes_with_load
from rules.events import Cause, Reading, Severity
from rules.faults.base import CauseEntry, Setting
from rules.faults.fans import fans_missing
from rules.heat import rated_ntu
from rules.heat_compared import LEAP_SHARE, LEAST_LEAP, HeatRejection, heat_rejection
from rules.look import UnitLook
from rules.physics.condenser import capacity_frac
from rules.residuals import head_margin_k
from rules.settings import FLEET
from rules.signals import INDEX

__all__ = [
    "FAN_FIT",
    "REJECTION_CAUSES",
    "REJECTION_SIGNS",
    "REJECTION_TABLE",
    "RISEN_DROP",
    "cause_entries",
    "causes_of",
    "even_k_of",
    "even_sign",
    "fans_that_fit",
    "heat_limits",
    "heat_of",
    "heat_readings",
    "leapt_by_fans",
    "urgent_settings",
    "wet_leapt",
    "with_urgency",
]

_HEAD: Final = INDEX["head_pressure"]
_RUN: Final = INDEX["fan_run"]
_MARGIN_AGE_MS: Final = 900_000
RAISED_RATIO: Final = 1.1
"""A TD this far over the clean one counts as risen when causes are ranked."""
LOST_EFFECT_FRAC: Final = 0.35
"""Share of the pads' effect whose loss counts when causes are ranked."""
RISEN_DROP, FALLEN_DROP = 1.25, 0.8
"""Pad pressure drop over its baseline that counts as up, as down (the square law is that good)."""
MOST_BETWEEN: Final = 2
"""Means on their way through the middle of a leap: the hour in which it came, and one by noise."""
FAN_FIT: Final = 0.12
"""How well a leap of the TD must fit some number of fans (idle fans let air back: judgement)."""

REJECTION_SIGNS: Final = (
    Sign("dry", "dry, it condenses further above the air than when clean", "",
         "dry, it condenses as when clean", 2.0),
    Sign("wet", "wet, it condenses further above the air than when clean", "",
         "wet, it condenses as when clean", 1.0),
    Sign("effect", "", "wetted pads cool the air much less than they did",
         "the pads cool the air as they did", 2.0),
    Sign("drop", "the pads hold back more air at equal fan speed",
         "less air goes through the pads at equal fan speed",
         "pressure drop over the pads is as when clean", 2.0),
    Sign("fans", "", "fans are missing or drop out", "all fans are proven", 2.0),
    Sign("leap", "it came within hours, by the amount that some of the fans carry", "",
         "it did not come at once by the amount of some fans", 1.5),
    Sign("even", "it condenses higher by the same kelvins at a small load as at a large one",
         "what it condenses higher goes with the load",
         "what it condenses higher follows the weather", 2.0),
    Sign("water", "", "the pads get less water than when clean", "the pads get their water", 1.5),
    Sign("load", "load is not known", "", "load is measured and taken out", 1.0, deciding=True),
)  # fmt: skip

REJECTION_CAUSES: Final = (
    SignatureRow("coil-fouled", "Coil fouled or its air path blocked",
                 {"dry": 1, "wet": 1, "effect": 0, "fans": 0, "leap": 0, "even": -1},
                 "Look through the coil against the light; look for covers and stored goods."),
    SignatureRow("pads-not-wetting", "Pads not wetting: missing, glazed, or water passing by",
                 {"dry": 0, "wet": 1, "effect": -1, "drop": 0, "water": 0, "even": 0},
                 "Look at the pads from the air side: dry areas, gaps, water running past."),
    SignatureRow("pads-clogged", "Pads clogged by scale or dirt",
                 {"dry": 1, "wet": 1, "drop": 1, "leap": 0, "even": -1},
                 "Hold a pad against the light: scale and dirt in the flutes."),
    SignatureRow("fan-capacity-lost", "Airflow lost: fewer fans, or fans that move less air",
                 {"dry": 1, "wet": 1, "effect": 0, "drop": -1, "fans": -1, "leap": 1, "even": -1},
                 "Count the fans that turn, the right way and at one speed."),
    SignatureRow("pump-screen-clogging", "Pump screen clogged: too little water",
                 {"dry": 0, "wet": 1, "effect": -1, "drop": 0, "water": -1, "even": 0},
                 "Look at the screen; clean, it brings pressure and current back."),
    SignatureRow("distribution-restricted", "Distribution holes blocked",
                 {"dry": 0, "wet": 1, "effect": -1, "drop": 0, "water": -1, "even": 0},
                 "Look at the holes along the pads: uneven or dry stripes."),
    SignatureRow("non-condensables", "Non-condensable gas or overcharge",
                 {"dry": 1, "wet": 1, "effect": 0, "drop": 0, "fans": 0, "leap": 0, "even": 1},
                 "For qualified people: pressure against temperature of the liquid at standstill."),
    SignatureRow("more-load", "More load than when it was learned",
                 {"dry": 1, "wet": 1, "effect": 0, "drop": 0, "fans": 0, "load": 1},
                 "Ask the site for added cabinets or rooms; compare compressor staging."),
    SignatureRow("recirculation", "Blown-off air drawn in again",
                 {"dry": 1, "wet": 1, "effect": 0, "drop": 0, "fans": 0, "leap": 0},
                 "Compare the air at the intake with the air away from the unit."),
)  # fmt: skip
REJECTION_TABLE: Final = SignatureTable(REJECTION_SIGNS, REJECTION_CAUSES)

_PLANS: Final = {
    "coil-fouled": "coil", "pads-not-wetting": "pads", "pads-clogged": "pads",
    "fan-capacity-lost": "fan", "pump-screen-clogging": "pump-screen",
    "distribution-restricted": "distribution",
}  # fmt: skip


def cause_entries(first: Sequence[str]) -> tuple[CauseEntry, ...]:
    """The table's causes for a catalogue entry, ``first`` in front."""
    order = sorted(REJECTION_CAUSES, key=lambda r: first.index(r.slug) if r.slug in first else 99)
    return tuple(
        CauseEntry(r.slug, r.title, r.look_at, _PLANS.get(r.slug, "heat-rejection")) for r in order
    )


def fans_that_fit(view: BinView, at: I64, heat: HeatRejection) -> I64:
    """How many lost fans explain the newest dry TD, 0 where none do, (m,).

    Of fans that are all proven at most half: a belt slips, a motor turns backwards, but what takes
    more of the condensing than that at once is gas or a cover over the coil (judgement).
    """
    rows = view.rows[at]
    count, ntu = view.plan.fan_count[rows], rated_ntu(view.plan, rows)
    most = np.where(_all_proven(view, at), count // 2, count - 1)
    best = np.zeros(len(at), dtype=np.int64)
    miss = np.full(len(at), FAN_FIT)
    for lost in range(1, int(count.max(initial=1))):
        share = np.maximum(count - lost, 0) / count
        left = capacity_frac(share, full_flow_ntu=ntu)
        off = np.abs(heat.dry.newest * left - 1.0)
        fits = (lost <= most) & (off < miss)
        best = np.where(fits, lost, best)
        miss = np.where(fits, off, miss)
    return np.where(heat.dry.newest - 1.0 >= LEAST_LEAP, best, 0)


def _all_proven(view: BinView, at: I64) -> Bool:
    """Where every fan's proof of running is there and young enough to be held, (m,)."""
    rows = view.rows[at]
    run, count = view.state.value[rows, _RUN], view.plan.fan_count[rows]
    age_s = (view.time_ms[at] - view.state.value_ms[rows, _RUN]) / 1000.0
    proven: Bool = np.bitwise_count(masked(run, count)) == count
    proven &= ~np.isnan(run)
    proven &= age_s <= view.plan.settings.get(FLEET, "value_age_limit_s", rows)
    return proven


def leapt_by_fans(heat: HeatRejection) -> Bool:
    """Where the dry TD rose at once, (m,), beyond where it had been in the days before.

    Each morning the means of few hours with little load and airflow may lie above the others.
    """
    rise = heat.dry.newest - 1.0
    leapt: Bool = heat.load_known & heat.dry_often & (rise >= LEAST_LEAP)
    leapt &= heat.dry.newest > heat.dry.top
    leapt &= np.abs(heat.dry.older - 1.0) <= LEAP_SHARE * rise
    leapt &= heat.dry.between <= MOST_BETWEEN
    return leapt


def wet_leapt(heat: HeatRejection) -> Bool:
    """Where the wet TD rose at once, (m,)."""
    rise = heat.wet.newest - 1.0
    leapt: Bool = (
        heat.wet_often & (rise >= LEAST_LEAP) & (np.abs(heat.wet.older - 1.0) <= LEAP_SHARE * rise)
    )
    return leapt


def with_urgency(view: BinView, slug: str, at: I64, severity: I8, announced: I8) -> I8:
    """Severity for all units of the view: ``severity`` at ``at``, 0 for calm ones, else UNKNOWN.

    Near the cut-out a fault that is there is HIGH at once, also between the news.
    """
    out = np.full(len(view.rows), UNKNOWN, dtype=np.int8)
    out[view.heat[2]] = 0
    out[at] = severity
    there = np.flatnonzero((out > 0) | ((announced > 0) & (out == UNKNOWN)))
    if len(there):
        rows = view.rows[there]
        young = view.state.value_ms[rows, _HEAD] >= view.time_ms[there] - _MARGIN_AGE_MS
        margin = head_margin_k(view.plan, rows, view.state.value[rows, _HEAD])
        limit = np.broadcast_to(view.setting(slug, "high_margin_k"), len(view.rows))[there]
        near = young & (margin < limit)
        out[there[near]] = Severity.HIGH
    return out


def urgent_settings() -> tuple[Setting, ...]:
    """The two settings that make a fault urgent near the cut-out."""
    return (
        Setting("high_margin_k", 3.0, "K", 0.0, 20.0,
                "margin to the cut-out below which the fault must be mended today",
                "about one fan's or one pump start's worth of pressure, and half a kelvin for the "
                "transmitter (common practice)"),
        Setting("on_delay_high_s", 900.0, "s", 0.0, 86_400.0,
                "how long a condition of high severity must hold before it is raised",
                "staging swings the pressure within minutes; a trip may be an hour away"),
    )  # fmt: skip


# ---------------------------------------------------------------- explaining


def heat_of(look: UnitLook) -> HeatRejection:
    """Heat rejection of one unit."""
    row = np.array([look.row])
    return heat_rejection(look.plan, look.state, row, bin_of(look.plan, row, look.time_ms) - 1)


_FOUND_BY: Final = (
    "",
    "from dry and wet running",
    "from the step at the change to wet",
    "from wet running alone",
    "from wet running, dry running being as it was",
)


def heat_readings(look: UnitLook, heat: HeatRejection) -> list[Reading]:
    """What was measured against what was learned."""
    out: list[Reading] = []
    known = bool(heat.load_known[0])
    at = "at rated load and full airflow" if known else "at full airflow, load not known"
    for quantity, mode, compared in (("td_dry", "dry", heat.dry), ("td_wet", "wet", heat.wet)):
        base = look.baseline(quantity)
        now = look.steady(quantity, 12 if known else 56)
        if base is None or now is None:
            continue
        ratio = float(compared.long[0])
        if not known and not np.isnan(ratio):
            # Nights that no clean mean is of are no part of what was judged.
            now = ratio * base.value
        change = "" if np.isnan(ratio) else f"{100.0 * (ratio - 1.0):+.0f} % over a longer time; "
        out.append(
            Reading(f"Condensing above air on coil, {mode}", now, "K", base.value,
                    high=base.value * (1.0 + max(RAISED_RATIO - 1.0, 3.0 * float(compared.se[0]))),
                    note=f"{at}; {change}learned from {base.count} means", derived=True)
        )  # fmt: skip
    effect = float(heat.effect[0])
    if not np.isnan(effect):
        how = _FOUND_BY[int(heat.effect_by[0])]
        sd = 100.0 * float(heat.effect_sd[0])
        out.append(
            Reading("Effectiveness of the pads", 100.0 * effect, "%",
                    100.0 * float(heat.effect_clean[0]), note=f"{how}; uncertain by ±{sd:.0f} %",
                    derived=True)
        )  # fmt: skip
    if not np.isnan(heat.evaporated[0]):
        out.append(
            Reading("Water that the pads evaporate, against the clean state",
                    100.0 * float(heat.evaporated[0]), "%", 100.0, derived=True,
                    note="by the meters of make-up and bleed, at equal weather and airflow")
        )  # fmt: skip
    base = look.baseline("pad_pressure_drop")
    drop = look.steady("pad_pressure_drop", 12)
    if base is not None and drop is not None:
        out.append(
            Reading("Pad pressure drop, at full airflow", drop, "Pa", base.value,
                    note="of wetted pads, divided by the square of the airflow", derived=True)
        )  # fmt: skip
    proven = look.fans_proven()
    if proven is not None:
        out.append(Reading("Fans proven running", proven, "", look.unit.fans.count))
    if look.value("heat_load") is not None:
        out.append(look.reading("heat_load", high=look.unit.condenser.rated_capacity_kw))
    margin = look.head_margin_k()
    if margin is not None:
        out.append(look.reading("head_pressure", high=look.unit.condenser.cut_out_kpa_abs,
                                note=f"{margin:.1f} K below the cut-out"))  # fmt: skip
    return out


def _risen(ratio: float, se: float) -> int | None:
    if np.isnan(ratio):
        return None
    return 1 if ratio - 1.0 >= max(RAISED_RATIO - 1.0, 3.0 * np.nan_to_num(se)) else 0


def causes_of(
    look: UnitLook, heat: HeatRejection, *, leap: bool | None = None
) -> tuple[Cause, ...]:
    """The causes of condensing above expected, ranked by the signs of this unit.

    ``leap`` says whether a number of lost fans fits a sudden rise; None where nobody looked.
    """
    wet, dry = heat.wet, heat.dry
    seen: dict[str, int | None] = dict.fromkeys(s.name for s in REJECTION_SIGNS)
    dry_ratio = np.fmax(dry.long[0], dry.short[0])
    wet_ratio = np.fmax(wet.long[0], wet.short[0])
    if heat.dry_recent[0]:
        seen["dry"] = _risen(float(dry_ratio), float(dry.se[0]))
    seen["wet"] = _risen(float(wet_ratio), float(wet.se[0]))
    effect = float(heat.effect[0])
    if not np.isnan(effect) and heat.effect_by[0] in (1, 2, 4):
        clean = float(heat.effect_clean[0])
        lost, least = 1.0 - effect / clean, LOST_EFFECT_FRAC
        if heat.effect_by[0] == 1 and clean - effect >= 3.0 * float(heat.effect_sd[0]):
            least = look.setting("pads-not-wetting", "effect_lost_two_modes_pct") / 100.0
        seen["effect"] = -1 if lost >= least else 0
        if seen["effect"] == -1:
            seen["wet"] = 1
    elif not np.isnan(heat.evaporated[0]):
        seen["effect"] = -1 if 1.0 - float(heat.evaporated[0]) >= LOST_EFFECT_FRAC else 0
    drop = float(heat.pads_ratio[0])
    if not np.isnan(drop):
        seen["drop"] = 1 if drop >= RISEN_DROP else -1 if drop <= FALLEN_DROP else 0
    proven = look.fans_proven()
    if proven is not None:
        lost_share = 1.0 - float(look.state.fan_share[look.row])
        missing = fans_missing(look) > 0 or lost_share >= 0.05
        # Fans that nobody asks for are neither missing nor proven.
        seen["fans"] = -1 if missing else 0 if proven == look.unit.fans.count else None
    seen["leap"] = None if leap is None else 1 if leap else 0
    base, now = look.baseline("pump_current"), look.steady("pump_current", 12)
    if base is not None and now is not None:
        seen["water"] = -1 if now < 0.95 * base.value else 0
    seen["even"] = even_sign(look)
    seen["load"] = 0 if heat.load_known[0] else None
    return rank(REJECTION_SIGNS, REJECTION_CAUSES, seen)


def even_k_of(look: UnitLook) -> float:
    """By how much it condenses higher at any load, 0 where it does not or that is not known. [K]"""
    row = np.array([look.row])
    bin_id = bin_of(look.plan, row, look.time_ms)
    return float(np.nan_to_num(even_rise_k(look.state, row, bin_id))[0])


def even_sign(look: UnitLook) -> int | None:
    """1 where it condenses higher by the same at any load, -1 where by what goes with the load;
    None where that is not told."""
    if even_k_of(look) > 0.0:
        return 1
    return -1 if goes_with_load(look.state, np.array([look.row]))[0] else None


def heat_limits(look: UnitLook, heat: HeatRejection) -> tuple[str, ...]:
    """What these signals cannot tell apart."""
    out: list[str] = []
    if not heat.load_known[0]:
        out.append(
            "No heat load here: a lasting rise of load looks like a loss of heat transfer; only a "
            "rise by a third in dry and wet running, or by two fifths in one, is reported."
        )
    if not heat.load_known[0] and heat.wet_ceased[0]:
        out.append(
            "It has not run wet for days: the hours that are dry now were wet, and may be busier "
            "ones. Only about twice the clean difference is told of the coil meanwhile."
        )
    if not heat.dry_recent[0]:
        out.append(
            "No dry running of late to compare with: coil, pads and water cannot be told apart by "
            "temperatures. Run it dry for an hour if the weather allows."
        )
    elif np.isnan(heat.wet.long[0]):
        out.append("Not enough wet running here, or no humidity: the pads cannot be judged.")
    if np.isnan(heat.pads_ratio[0]):
        out.append(
            "No pressure drop over the pads here: clogged pads and a fouled coil look the same, "
            "dry and wet. Look at both."
        )
    if not look.has("fan_run"):
        out.append("No proof of fans here: fans that stand are seen only by their effect.")
    return tuple(out)
