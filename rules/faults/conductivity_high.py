"""Conductivity high: solids gather faster than the bleed carries them away.

A blocked bleed is the root of it where it is seen, and has the ticket then. Once this one stands it
keeps it: one trouble, one ticket. Water that is on its way back below the limit wants nothing done.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.alarms import UNKNOWN
from rules.arrays import I8
from rules.balance import BALANCE_BINS, METER_ZERO_L_MIN, balance_of_look
from rules.bins import BinView
from rules.bleed_ebb import ebbed_from_us_cm
from rules.bleed_habit import AS_EVER_FRAC, share_of_usual
from rules.bleed_turns import opens_at_us_cm, takes_turns
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.events import Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, graded
from rules.faults.rule import Rule
from rules.faults.water_readings import seen_number
from rules.look import UnitLook
from rules.physics.water_balance import bleed_for_cycles_l_min, no_bleed_slope_us_cm_h, volume_l

__all__ = ["CONDUCTIVITY_HIGH"]

_SLUG: Final = "conductivity-high"

_SIGNS: Final = (
    Sign("carried", "the solids balance says that the bleed carries more than intended",
         "the solids balance says that the bleed carries less than half of what it should",
         "the solids balance says that the bleed carries about what it should", 2.0),
    Sign("bleed", "the bleed meter shows flow", "", "the bleed meter shows no flow, or less than "
         "half of its usual", 3.0, deciding=True),
    Sign("makeup", "meters and solids balance say that the make-up is harder", "",
         "meters and solids balance say that the make-up is as in the site file", 2.0),
    Sign("step", "it jumped within a quarter of an hour", "", "it changed gradually", 1.0),
    Sign("turns", "it fell from here as fast as only an open bleed makes it", "",
         "it did not fall from here as under an open bleed", 2.0, deciding=True),
    Sign("ebbs", "from about here it fell for hours, slowly, as under a bleed that is small", "",
         "it fell at once, or not at all", 2.0),
)  # fmt: skip
_CAUSES: Final = (
    SignatureRow("bleed-blocked", "Bleed line blocked or shut",
                 {"carried": -1, "bleed": 0, "makeup": 0, "step": 0, "turns": 0, "ebbs": 0},
                 "Look for flow at the bleed's end; clear line and orifice."),
    SignatureRow("bleed-setpoint", "Set point of the bleed too high: it opens, but too late",
                 {"makeup": 0, "step": 0, "turns": 1, "ebbs": 0},
                 "Compare set point or timer with the limit and the cycles intended."),
    SignatureRow("bleed-small", "Bleed set too small for the evaporation",
                 {"bleed": 1, "makeup": 0, "step": 0, "ebbs": 1},
                 "Measure the bleed with a jug and compare with the cycles intended."),
    SignatureRow("makeup-quality-changed", "Make-up water has become harder",
                 {"carried": 0, "bleed": 1, "makeup": 1, "step": 0, "ebbs": 1},
                 "Measure the make-up's conductivity at a tap."),
    SignatureRow("conductivity-probe", "Probe out of calibration", {"carried": 0, "step": 1},
                 "Compare with a hand meter; clean the probe."),
)  # fmt: skip


def judge(view: BinView, announced: I8) -> I8:
    """Graded against the unit's limit."""
    ratio = view.recent["conductivity"] / view.plan.conductivity_limit_us_cm[view.rows]
    limits = [view.setting(_SLUG, f"{s}_ratio") for s in ("low", "medium", "high")]
    out = graded(ratio, limits, view.setting(_SLUG, "deadband_ratio"), announced)
    fresh = np.flatnonzero((out > 0) & (announced == 0))
    if len(fresh):
        part = view.only(fresh)
        left = 1.0 - part.setting(_SLUG, "falling_frac")
        before = part.trace_at("conductivity", HOUR_BINS)
        falls = part.recent["conductivity"] <= left * before
        # Where the bleed takes turns, but too high, each fall is one of them.
        falls &= ~takes_turns(part.state, part.rows)
        out[fresh[falls]] = UNKNOWN
        # A bleed by conductivity that is set too high takes turns; two hours are no turn of it.
        lasts = falls & (before <= left * part.trace_at("conductivity", 2 * HOUR_BINS))
        out[fresh[lasts]] = 0
    return out


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """Value against limit, cycles, slope against that of no bleed, the bleed meter."""
    water = look.unit.water
    value = look.recent("conductivity")
    cycles = None if value is None else value / water.makeup_conductivity_us_cm
    readings = [
        Reading("Conductivity, referred to 25 °C", value, "µS/cm",
                high=water.conductivity_limit_us_cm, note="limit of this unit"),
        Reading("Cycles of concentration", cycles, "", water.target_cycles, derived=True,
                note="if the make-up is as in the site file"),
    ]  # fmt: skip
    seen: dict[str, int | None] = dict.fromkeys(s.name for s in _SIGNS)
    balance = _balance(look)
    wanted = None
    if balance is not None:
        climb, no_bleed, carried, wanted = balance
        readings.append(Reading("Climb over the last hour", climb, "µS/cm/h", derived=True,
                                high=no_bleed, note="against the climb with no bleed"))  # fmt: skip
        readings.append(Reading("Bleed, from the solids balance", max(carried, 0.0), "L/min",
                                wanted, note="against the bleed that holds the intended cycles",
                                derived=True))  # fmt: skip
        seen["carried"] = -1 if carried < 0.5 * wanted else 1 if carried > 2.0 * wanted else 0
    metered = look.trace("bleed_flow", BALANCE_BINS)
    metered = metered[~np.isnan(metered)]
    bleed = float(metered.mean()) if len(metered) else None
    if bleed is not None:
        # The mean over two hours: a timed bleed is shut at most instants.
        readings.append(Reading("Bleed, by its meter", bleed, "L/min", wanted,
                                note="mean over the last two hours"))  # fmt: skip
        window = look.trace("bleed_flow", BALANCE_BINS)[None, :]
        share = share_of_usual(look.plan, look.state, np.array([look.row]), window)[0]
        much = bleed > max(METER_ZERO_L_MIN, 0.1 * (wanted or 0.0))
        seen["bleed"] = int(much if np.isnan(share) else share >= AS_EVER_FRAC)
    found = _makeup_implied(look)
    if found is not None:
        seen["makeup"], reading = found
        readings.append(reading)
    top = seen_number(opens_at_us_cm(look.state, np.array([look.row])))
    opens = top is not None and value is not None and top >= FROM_HERE_FRAC * value
    ebbed = seen_number(
        ebbed_from_us_cm(
            look.state, np.array([look.row]), np.array([np.nan if value is None else value])
        )
    )
    runs_on = len(metered) > 0 and metered.min() > METER_ZERO_L_MIN
    if opens:
        seen["turns"] = 1
    elif runs_on or (top is not None and seen["carried"] in (0, 1)):
        # It runs all the time, and takes none. On its way up from an old set point water is not
        # there yet: then nothing is known of the new one.
        seen["turns"] = 0
    if ebbed is not None and not opens:
        seen["ebbs"] = 1
        readings.insert(1, Reading("Conductivity from which it fell slowly", ebbed, "µS/cm",
                                   high=water.conductivity_limit_us_cm, derived=True,
                                   note="running, within a day and a half"))  # fmt: skip
    if opens:
        readings.insert(1, Reading("Conductivity at which the bleed opened", top, "µS/cm",
                                   high=water.conductivity_limit_us_cm, derived=True,
                                   note="where its last swift fall began"))  # fmt: skip
    window = look.trace("conductivity", 36)
    steps = np.abs(np.diff(window[~np.isnan(window)]))
    if value is not None and len(steps) > 3:
        seen["step"] = 1 if float(steps.max()) > 0.15 * value else 0
    return Evidence(
        summary=(
            f"The basin water is at {_whole(value)} µS/cm, limit "
            f"{water.conductivity_limit_us_cm:g} µS/cm: solids gather and will scale the pads."
        ),
        confidence=0.9,
        readings=tuple(readings),
        causes=rank(_SIGNS, _CAUSES, seen),
        signals=("conductivity", "bleed_flow", "makeup_flow", "basin_level"),
        limits=() if bleed is not None else (
            "No bleed meter here: a blocked bleed and one set too small are told apart by climb "
            "and fall only.",
        ),
    )  # fmt: skip


def _makeup_implied(look: UnitLook) -> tuple[int | None, Reading] | None:
    """Whether the make-up is harder than the site file says, and what it must be, by the meters.

    None where no meter tells; not known where its uncertainty leaves it open.
    """
    w = balance_of_look(look)
    way, implied, sd = "both meters", w.makeup_us_cm[0], w.makeup_us_cm_sd[0]
    if np.isnan(implied):
        way, implied, sd = "its meter", w.makeup_by_weather_us_cm[0], w.makeup_by_weather_sd[0]
    if np.isnan(implied):
        return None
    stated = look.unit.water.makeup_conductivity_us_cm
    least = (1.0 + look.setting("makeup-quality-changed", "change_frac")) * stated
    told = implied - 3.0 * sd >= least or implied + 3.0 * sd < least
    reading = Reading(f"Make-up conductivity, from {way} and the solids balance", float(implied),
                      "µS/cm", stated, derived=True)  # fmt: skip
    return int(implied >= least) if told else None, reading


def _balance(look: UnitLook) -> tuple[float, float, float, float] | None:
    """Climb seen, climb with no bleed [µS/cm/h], bleed carried and bleed wanted [L/min].

    From V dC/dt = E C_makeup - B C, over the last hour; None without weather, level or running
    pads (with little evaporation the balance says nothing).
    """
    water = look.unit.water
    value, climb = look.recent("conductivity"), look.slope_per_h("conductivity", 12)
    evaporation = look.evaporation_l_min()
    level = look.recent("level_running")
    if value is None or climb is None or evaporation is None or level is None:
        return None
    wanted = float(bleed_for_cycles_l_min(evaporation, water.target_cycles))
    volume = float(volume_l(level, look.unit.basin.area_m2))
    no_bleed = float(no_bleed_slope_us_cm_h(water.makeup_conductivity_us_cm, volume, evaporation))
    if not no_bleed > LEAST_CLIMB_FRAC_H * value:
        return None
    carried = (no_bleed - climb) * volume / 60.0 / value
    return climb, no_bleed, carried, wanted


HOUR_BINS: Final = 12
FROM_HERE_FRAC: Final = 0.95
"""A fall that began so close below the reading, or anywhere above it, tells that the bleed opens,
only too late. So much apart are two means of one water and a probe's scatter (judgement)."""
LEAST_CLIMB_FRAC_H: Final = 0.02
"""With less than 2 % climb an hour to expect, noise decides (judgement)."""


def _whole(value: float | None) -> str:
    return "?" if value is None else f"{value:.0f}"


CONDUCTIVITY_HIGH: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Conductivity high",
        family="water quality",
        meaning="The basin water holds more dissolved solids than the unit's limit.",
        consequence="Scale on pads and in the distribution, corrosion, and shorter pad life.",
        action=(
            "Restore the bleed; check its setting against the make-up; have the water-treatment "
            "plan's keeper decide on a partial drain."
        ),
        causes=tuple(
            CauseEntry(r.slug, r.title, r.look_at, "water-quality") for r in _CAUSES
        ),
        needs=("conductivity",),
        helps=("bleed_flow", "makeup_flow", "basin_level", "ambient_temperature",
               "relative_humidity"),
        suppressed_by=("float-stuck-shut", "conductivity-probe", "bleed-blocked",
                       "makeup-quality-changed"),
        response={
            Severity.LOW: "with the next planned visit, within two weeks",
            Severity.MEDIUM: "this week",
            Severity.HIGH: "today",
        },
        job_plan="water-quality",
        settings=(
            Setting("low_ratio", 1.03, "of the unit's limit", 0.3, 5.0,
                    "ratio that calls for planned work",
                    "the limit itself, and what a probe in service is off by: two to three per "
                    "cent (common practice)"),
            Setting("medium_ratio", 1.2, "of the unit's limit", 0.3, 10.0,
                    "ratio that calls for a visit this week",
                    "a bleed that works does not drift by a fifth (common practice)"),
            Setting("high_ratio", 1.6, "of the unit's limit", 0.5, 20.0,
                    "ratio that calls for a visit today",
                    "scaling salts are far over saturation by then (common practice)"),
            Setting("deadband_ratio", 0.05, "of the unit's limit", 0.0, 1.0,
                    "how far it must fall back", "5 % of range, the standard's start point for "
                    "quantities of this kind (from memory)"),
            Setting("falling_frac", 0.02, "of the conductivity", 0.001, 0.5,
                    "fall within an hour with which it is not raised anew, and over two hours the "
                    "delay starts again: the water is on its way back",
                    "a bleed that works again thins the water by a few per cent an hour; from 1.6 "
                    "of the limit this is back within a day (arithmetic)"),
            *course(3600.0, "solids gather over hours; probes spike when make-up enters",
                    3600.0, "as long as the on-delay"),
        ),
        judged_by="bins",
    ),
    judge,
    explain,
    (SignatureTable(_SIGNS, _CAUSES),),
)  # fmt: skip
