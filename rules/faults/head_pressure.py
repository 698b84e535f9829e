"""Head pressure high: how much is left to the high-pressure cut-out, and what eats it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from rules.alarms import UNKNOWN, is_active
from rules.arrays import I8
from rules.bin_times import bin_of
from rules.diagnosis import Sign, SignatureRow, SignatureTable, rank
from rules.even_rise import beyond_pads, even_rise_k
from rules.events import Cause, Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault, Setting
from rules.faults.grading import course, graded
from rules.faults.rejection import even_k_of, even_sign
from rules.faults.rule import Rule
from rules.frames import FrameView
from rules.look import UnitLook

__all__ = ["HEAD_PRESSURE_HIGH", "HEAT_CAUSES", "HEAT_SIGNS"]

_SLUG: Final = "head-pressure-high"

HEAT_SIGNS: Final = (
    Sign("td", "condensing temperature stands further above the air on the coil than learned", "",
         "condensing temperature stands above the air on the coil as learned", 2.0),
    Sign("air", "the air is hotter than 35 °C", "", "the air is not unusually hot", 1.0),
    Sign("fans", "", "fans are missing", "all fans are proven", 2.0, deciding=True),
    Sign("water", "", "the pads get less water than in the clean state",
         "the pads get their water", 1.5),
    Sign("wet", "the unit runs wet", "the unit runs dry", "", 1.0),
    Sign("even", "it condenses higher by the same kelvins at a small load as at a large one",
         "what it condenses higher goes with the load",
         "what it condenses higher follows the weather", 2.0),
    Sign("beyond", "at equal load and airflow it is more than dry pads can cost", "",
         "it is no more than dry pads can cost", 1.0),
    Sign("load", "the load is above the rating", "", "the load is within the rating", 0.5),
)  # fmt: skip

HEAT_CAUSES: Final = (
    SignatureRow("coil-fouled", "Coil fouled or air path blocked",
                 {"td": 1, "fans": 0, "water": 0, "load": 0, "even": -1},
                 "Look through the coil against the light; compare dry running with the baseline."),
    SignatureRow("fan-capacity-lost", "Airflow lost: fans not running",
                 {"td": 1, "fans": -1, "even": -1}, "Count the fans that turn."),
    SignatureRow("pads-not-wetting", "Pads not wetting: missing, glazed, or water passing by",
                 {"td": 1, "water": 0, "wet": 1, "fans": 0, "even": 0, "beyond": 0},
                 "Look at the pads: dry stripes, scale, uneven flow."),
    SignatureRow("pump-screen-clogging", "Pump screen clogged: too little water on the pads",
                 {"td": 1, "water": -1, "wet": 1, "fans": 0, "even": 0, "beyond": 0},
                 "Look at the screen and at the pads: dry stripes."),
    SignatureRow("distribution-restricted", "Distribution holes blocked",
                 {"td": 1, "water": -1, "wet": 1, "fans": 0, "even": 0, "beyond": 0},
                 "Look at the holes along the pads: uneven or dry stripes."),
    SignatureRow("hot-weather", "Hot weather beyond design",
                 {"td": 0, "air": 1, "fans": 0}, "Compare the air temperature with the design."),
    SignatureRow("dry-in-heat", "Runs dry in hot air: wet operation locked out or not called",
                 {"wet": -1, "air": 1, "fans": 0},
                 "Look why the controller does not call for water: lock-out, setpoint, selector."),
    SignatureRow("overload", "More heat to reject than rated",
                 {"td": 1, "load": 1, "fans": 0}, "Look at compressor staging and defrosts."),
    SignatureRow("non-condensables", "Non-condensable gas or overcharge",
                 {"td": 1, "fans": 0, "water": 0, "load": 0, "air": 0, "even": 1},
                 "For qualified people: pressure against temperature of the liquid at standstill. "
                 "Compare the transmitter with a gauge first."),
)  # fmt: skip


def judge(view: FrameView, announced: I8) -> I8:
    """Graded by what is left of condensing temperature to the cut-out.

    What lifts it by the same at any load, as gas does, calls for a visit before the cut-out is
    near: no other fault tells of it.
    """
    limits = [None, -view.setting(_SLUG, "margin_medium_k"), -view.setting(_SLUG, "margin_high_k")]
    deadband_k = view.setting(_SLUG, "deadband_k")
    severity = graded(-view.head_margin_k, limits, deadband_k, announced)
    limit_k = np.broadcast_to(view.setting(_SLUG, "even_rise_k"), len(severity))
    risen = np.flatnonzero(view.state.even_rise_k[view.span] > 0.0)
    if len(risen):
        rows = view.rows[risen]
        rise_k = even_rise_k(view.state, rows, bin_of(view.plan, rows, view.time_ms[risen]))
        deadband_k = np.broadcast_to(deadband_k, len(severity))
        stands, by_margin = announced[risen], severity[risen]
        by_rise = graded(rise_k, [None, limit_k[risen]], deadband_k[risen], stands)
        # A rise that nothing bears out at the moment ends no alarm.
        unknown = (by_margin == 0) & (by_rise == UNKNOWN) & (stands > 0)
        worse = np.where(by_margin >= 0, np.maximum(by_margin, by_rise), by_margin)
        severity[risen] = np.where(unknown, UNKNOWN, worse)
    return severity


def explain(look: UnitLook, severity: Severity) -> Evidence:
    """The margin, the temperature difference against what was learned, fans, water, weather."""
    margin = look.head_margin_k()
    condensing = look.condensing_degc()
    cut_out = look.unit.condenser.cut_out_kpa_abs
    mode = int(look.state.mode[look.row])
    wet = mode == 1
    air = look.air_on_coil_degc(wet=wet)
    readings = [look.reading("head_pressure", high=cut_out, note="cut-out at the high limit")]
    seen: dict[str, int | None] = dict.fromkeys([s.name for s in HEAT_SIGNS])
    if condensing is not None:
        readings.append(
            Reading(
                "Condensing temperature, dew line",
                condensing,
                "°C",
                high=_finite(look.plan.cut_out_degc[look.row]),
                derived=True,
            )
        )
    base = look.baseline("td_wet" if wet else "td_dry")
    if condensing is not None and air is not None:
        td = condensing - air
        expected = look.expected_td_k(base.value if base else look.unit.condenser.rated_td_k)
        source = "learned in this mode" if base else "rated; nothing learned in this mode yet"
        slack = max(3.0, 3.0 * base.spread) if base else 4.0
        readings.append(
            Reading(
                "Condensing temperature above air on coil",
                td,
                "K",
                expected,
                high=expected + slack,
                note=source,
                derived=True,
            )
        )
        seen["td"] = 1 if td > expected + slack else 0
    ambient = look.value("ambient_temperature")
    if ambient is not None:
        readings.append(look.reading("ambient_temperature"))
        seen["air"] = 1 if ambient > 35.0 else 0
    proven, speed = look.fans_proven(), look.value("fan_speed")
    if proven is not None:
        missing = look.unit.fans.count - proven
        readings.append(Reading("Fans proven running", proven, "", look.unit.fans.count))
        seen["fans"] = -1 if missing > 0 and (speed is None or speed > 10) else 0
    seen["even"] = even_sign(look)
    seen["beyond"] = 1 if beyond_pads(look.state, np.array([look.row]))[0] else None
    even_k = even_k_of(look)
    if even_k > 0.0:
        limit_k = look.setting(_SLUG, "even_rise_k")
        readings.append(
            Reading("Condensing above what is expected, the same at any load", even_k, "K", 0.0,
                    high=limit_k, note="hourly means of the last day", derived=True)
        )  # fmt: skip
    seen["wet"] = None if mode < 0 else 1 if wet else -1
    flow_base, flow_now = look.baseline("pump_current"), look.value("pump_current")
    if wet and flow_base is not None and flow_now is not None:
        seen["water"] = -1 if flow_now < 0.9 * flow_base.value else 0
        readings.append(look.reading("pump_current", expected=flow_base.value))
    load = look.value("heat_load")
    if load is not None:
        readings.append(look.reading("heat_load", high=look.unit.condenser.rated_capacity_kw))
        seen["load"] = 1 if load > 1.05 * look.unit.condenser.rated_capacity_kw else 0
    return Evidence(
        summary=_summary(look, margin, even_k),
        confidence=0.95,
        readings=tuple(readings),
        causes=_standing_first(look, _plain_first(rank(HEAT_SIGNS, HEAT_CAUSES, seen), seen)),
        signals=("head_pressure", "ambient_temperature", "fan_run", "fan_speed", "wet_mode"),
        limits=() if air is not None else (
            "No air temperature (or, running wet, no humidity) here: weather and fouling cannot "
            "be told apart.",
        ),
    )  # fmt: skip


def _summary(look: UnitLook, margin_k: float | None, even_k: float) -> str:
    near = margin_k is None or margin_k <= look.setting(_SLUG, "margin_medium_k")
    left = ""
    if margin_k is not None:
        left = f", {max(margin_k, 0.0):.1f} K of condensing temperature from it"
    said = [f"Head pressure is near the high-pressure cut-out{left}."] if near else []
    if even_k > 0.0:
        said.append(
            f"It condenses {even_k:.0f} K higher than load, airflow and weather account for, at a "
            "small load as at a large one. Coil and fans alone do not do that: gas that does not "
            "condense does, or a reading that is off."
        )
    return " ".join(said) or f"Head pressure was near the high-pressure cut-out{left}."


def _plain_first(causes: tuple[Cause, ...], seen: Mapping[str, int | None]) -> tuple[Cause, ...]:
    """What is in plain sight goes first: gas by its even rise, whatever the weather of the moment;
    in hot air a unit that is made to run wet and runs dry."""
    if seen["even"] == 1:
        return tuple(sorted(causes, key=lambda c: c.slug != "non-condensables"))
    if seen["wet"] != -1 or seen["air"] != 1 or seen["fans"] == -1:
        return causes
    return tuple(sorted(causes, key=lambda c: c.slug != "dry-in-heat"))


def _standing_first(look: UnitLook, causes: tuple[Cause, ...]) -> tuple[Cause, ...]:
    """A cause that already stands as an alarm of its own is the root: it goes first."""
    from rules.faults.registry import FAULT_INDEX  # noqa: PLC0415  # the registry holds this rule

    state = look.state.alarm_state[look.row]
    stands = {
        c.slug for c in causes if c.slug in FAULT_INDEX and is_active(state[FAULT_INDEX[c.slug]])
    }
    marked = (
        replace(c, ruled_out=False, agreement=1.0, fits=(*c.fits, "stands as an alarm of its own"))
        if c.slug in stands
        else c
        for c in causes
    )
    return tuple(sorted(marked, key=lambda c: c.slug not in stands))


def _finite(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


HEAD_PRESSURE_HIGH: Final = Rule(
    Fault(
        slug=_SLUG,
        title="Head pressure high",
        family="heat rejection",
        meaning=(
            "The refrigerant condenses close to the temperature at which the cut-out trips, or "
            "higher than the clean unit by the same at any load, as gas makes it."
        ),
        consequence="The compressors trip on the cut-out; product warms up; power is wasted.",
        action=(
            "Restore heat rejection: airflow, wetting, clean coil. Ask the site to shed load if "
            "little margin is left. Where it is higher by the same at any load, have the readings "
            "checked and the circuit looked at for gas. Refrigerant work is for qualified people."
        ),
        causes=tuple(
            CauseEntry(r.slug, r.title, r.look_at, "heat-rejection") for r in HEAT_CAUSES
        ),
        needs=("head_pressure",),
        helps=("ambient_temperature", "relative_humidity", "fan_run", "wet_mode", "heat_load"),
        suppressed_by=(
            "pump-not-running", "fan-fault", "fan-not-proven", "fan-capacity-lost",
            "pads-clogged", "pads-not-wetting", "coil-fouled",
        ),
        response={
            Severity.MEDIUM: "this week, before the next hot day",
            Severity.HIGH: "today: a trip is near",
        },
        job_plan="heat-rejection",
        settings=(
            Setting("margin_medium_k", 4.0, "K", 0.5, 30.0,
                    "margin to the cut-out that calls for a visit this week",
                    "one day is some 4 K hotter than the one before at the most (common practice); "
                    "clean units pass within 5 K of it on the hottest (judgement)"),
            Setting("margin_high_k", 2.5, "K", 0.0, 30.0,
                    "margin to the cut-out that calls for help today",
                    "about one fan's or one pump start's worth of pressure (common practice)"),
            Setting("even_rise_k", 5.0, "K", 2.0, 40.0,
                    "rise of the condensing temperature, the same at any load, that calls for a "
                    "visit this week",
                    "5 K cost about a tenth of the compressors' power (2 to 3 % a kelvin: common "
                    "practice); less may be two sensors that differ"),
            Setting("deadband_k", 1.5, "K", 0.1, 10.0,
                    "how far the margin, or the rise, must recover beyond a limit",
                    "fan staging swings the pressure by about a kelvin (common practice)"),
            *course(180.0, "rides through compressor starts and hot-gas defrosts",
                    900.0, "staging makes it come and go"),
        ),
    ),
    judge,
    explain,
    (SignatureTable(HEAT_SIGNS, HEAT_CAUSES),),
)  # fmt: skip
