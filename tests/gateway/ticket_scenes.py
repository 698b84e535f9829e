"""Invented sites, faults and notices that the tests of tickets and mails share.

Nothing here is a check value: names, numbers and people are made up.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from gateway.tickets.notice import (
    NoticeKind,
    Priority,
    Recipient,
    TicketEntry,
    TicketEventKind,
    TicketNotice,
)
from rules.equipment import Site
from rules.events import Cause, Evidence, Reading, Severity
from rules.faults.base import CauseEntry, Fault

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 60 * MINUTE_MS

_UNIT: Final[dict[str, Any]] = {
    "id": "ac-1",
    "name": "AC-1",
    "location": "roof of hall B, north row, second from the stairs",
    "basin": {
        "area_m2": 1.8, "depth_mm": 300, "float_shut_mm": 180, "float_band_mm": 30,
        "overflow_mm": 240, "pump_minimum_mm": 60, "makeup_max_l_min": 40, "pull_down_mm": 25,
    },
    "pump": {
        "rated_current_a": 2.6, "rated_voltage_v": 400, "rated_flow_l_min": 220,
        "rated_pressure_kpa": 88,
    },
    "fans": {"count": 4, "rated_airflow_m3_s": 24},
    "condenser": {
        "refrigerant": "R717", "rated_capacity_kw": 420, "rated_td_k": 11, "cut_out_kpa_abs": 1900,
    },
    "water": {"makeup_conductivity_us_cm": 420, "conductivity_limit_us_cm": 1800},
    "isolation": [
        {
            "label": "Q14", "energy": "electrical",
            "isolates": "pump and fans 1 to 4 with their drives",
            "location": "grey box at the north end of the unit",
            "method": "turn to O, hang lock and tag in the handle",
            "verify": "try start at the local selector and from the plant room; test for absence "
            "of voltage at the pump's terminals",
        },
        {
            "label": "V-31", "energy": "water",
            "isolates": "make-up water to the basin",
            "location": "ball valve in the plant room, left of the door",
            "method": "handle across the pipe, chain and lock",
            "verify": "open the drain cock behind it: no flow",
        },
    ],
}  # fmt: skip


def quay_site(**changes: Any) -> Site:
    """A metric site with an ammonia unit and two isolation points."""
    data: dict[str, Any] = {
        "id": "quay-cold-store",
        "name": "Quay Cold Store",
        "address": "Quay Road 14, Harbour Town",
        "access": "Key safe at gate 2, code from the site desk. Roof by the fixed stairs on the "
        "east side; sign the roof book.",
        "time_zone": "Europe/Lisbon",
        "elevation_m": 12,
        "display_units": "metric",
        "energy_control_procedure": "ECP-07, red folder in the plant room",
        "team": "north",
        "contacts": [
            {"name": "Inês Falcão", "role": "plant operator, day and night",
             "phone": "01632 960114"},
            {"name": "Site desk", "role": "gate and keys", "phone": "01632 960100",
             "email": "desk@quay.example"},
        ],
        "units": [_UNIT],
    }  # fmt: skip
    return Site.model_validate(data | changes)


def mesa_site() -> Site:
    """A US customary site whose unit records no water isolation point."""
    unit = _UNIT | {
        "id": "cu-2",
        "name": "CU-2",
        "location": "ground pad behind dock 5",
        "condenser": {
            "refrigerant": "R448A",
            "rated_capacity_kw": 310,
            "rated_td_k": 9,
            "cut_out_kpa_abs": 2600,
        },
        "isolation": [
            {
                "label": "DS-2",
                "energy": "electrical",
                "isolates": "pump and all four fans",
                "location": "disconnect on the post beside the unit",
                "method": "handle down, lock through the flange, tag",
                "verify": "try start at the panel; test for absence of voltage at the fans",
            }
        ],
    }
    return quay_site(
        id="mesa-produce",
        name="Mesa Produce Hall",
        address="1200 Packing Shed Road, Alder Flat",
        access="Ring at dock 5; hard hat and vest.",
        time_zone="America/Denver",
        elevation_m=1580,
        display_units="us",
        energy_control_procedure="LOTO binder, page 12, at the panel",
        contacts=[{"name": "Dana Reyes", "role": "shift lead", "phone": "555-0142"}],
        units=[unit],
    )


def fault(slug: str = "pump-screen-clogging", **changes: Any) -> Fault:
    """A catalogue entry as the tests need one."""
    values: dict[str, Any] = {
        "slug": slug,
        "title": "Pump screen clogging",
        "family": "pump and screen",
        "meaning": "The suction screen of the recirculating pump lets less and less water through.",
        "consequence": "The pads dry out in strips, head pressure climbs on the next hot afternoon "
        "and the compressors trip.",
        "action": "Clean the suction screen and the basin around it.",
        "causes": (
            CauseEntry("screen", "Suction screen clogged", "screen, basin floor", "pump-screen"),
            CauseEntry("air", "Pump drawing air", "water level, float", "float-valve"),
        ),
        "needs": ("pump_current",),
        "helps": ("spray_pressure",),
        "suppressed_by": (),
        "response": {
            Severity.LOW: "with the next planned work",
            Severity.MEDIUM: "this week",
            Severity.HIGH: "today, before the hot hours",
        },
        "job_plan": "pump-screen",
        "settings": (),
    }
    return Fault(**(values | changes))


FAN_FAULT: Final = fault(
    "fan-fault",
    title="Fan fault",
    family="fans",
    meaning="A fan's drive or motor protection reports a fault.",
    consequence="The unit gives off less heat; with wind the idle fan lets warm air back in.",
    action="Find out why the fan is faulty and bring it back.",
    causes=(CauseEntry("drive", "Drive tripped", "the drive's fault code", "fan"),),
    needs=("fan_fault",),
    helps=("head_pressure",),
    job_plan="fan",
)
SITE_CUT_OFF: Final = fault(
    "site-cut-off",
    title="Site cut off",
    family="telemetry",
    meaning="The site's gateway has gone silent, with all its units.",
    consequence="Nobody sees this plant from afar.",
    action="Find out whether power, network or the panel has failed.",
    causes=(),
    needs=(),
    helps=(),
    job_plan="telemetry",
    judged_by="clock",
)
FAULTS: Final = (fault(), FAN_FAULT, SITE_CUT_OFF)

SCREEN_EVIDENCE: Final = Evidence(
    summary="Water over the pads is down by about 28 % (20 to 35 %): pressure fell from 88 to "
    "61 kPa while the current fell far less.",
    confidence=0.86,
    readings=(
        Reading("Spray pressure", 61.0, "kPa", expected=88.0, low=80.0,
                note="median of 3 h, pump running"),
        Reading("Pump current", 2.41, "A", expected=2.58, low=2.45, high=2.7),
        Reading("Flow over the pads", 158.0, "L/min", expected=220.0, derived=True),
        Reading("Basin level", 171.0, "mm", expected=165.0, low=60.0, high=240.0),
    ),
    causes=(
        Cause("screen", "Suction screen clogged", 0.95,
              fits=("pressure and current fell together", "pressure fell 5 times as much",
                    "slow over 9 days"),
              to_decide="take the screen out and look"),
        Cause("impeller", "Worn or damaged impeller", 0.4, fits=("pressure and current are down",),
              against=("wear does not come within 9 days",)),
        Cause("air", "Pump drawing air", 0.1, against=("level is in the float's band",),
              ruled_out=True),
        Cause("holes", "Distribution holes blocked", 0.0,
              against=("pressure would be up, not down",), ruled_out=True),
    ),
    signals=("spray_pressure", "pump_current", "basin_level"),
    time_left_s=9.5 * 3600,
    time_left_to="pads no longer wet over their full width",
    limits=("The flow is worked out from the pump's curve, not metered.",),
)  # fmt: skip

FAN_EVIDENCE: Final = Evidence(
    summary="Fan 3 of 4 reports a fault; air over the coil is down by about a quarter and head "
    "pressure is up from 1540 to 1760 kPa.",
    confidence=0.97,
    readings=(
        Reading("Fans reporting a fault", 1.0, "", expected=0.0, note="fan 3"),
        Reading("Head pressure", 1760.0, "kPa", expected=1540.0, high=2600.0),
        Reading("Condensing temperature", 42.6, "°C", expected=37.1, derived=True),
        Reading("Ambient temperature", 29.4, "°C"),
    ),
    causes=(Cause("drive", "Drive tripped", 0.9, fits=("fault bit on, fan not proven",)),),
    signals=("fan_fault", "fan_run", "head_pressure"),
)

CUT_OFF_EVIDENCE: Final = Evidence(
    summary="Nothing has come from this site for 25 minutes; its gateway signed off the broker.",
    confidence=0.99,
)

ONSET_MS: Final = 1_784_598_000_000  # Tue 21 Jul 2026, 02:40 in Lisbon


_WORK_LINES: Final[Mapping[NoticeKind, tuple[int, TicketEventKind, str]]] = {
    NoticeKind.REOPENED: (
        30 * HOUR_MS,
        TicketEventKind.REOPENED,
        "The data disagree: it was closed by Rui Prata, and the alarm was raised again 26 h after "
        "that.",
    ),
    NoticeKind.OVERSTAYED: (
        8 * HOUR_MS,
        TicketEventKind.OVERSTAYED,
        "It has been so for 4 h 0 min: Rui Prata reported on site and wanted to be done by now. "
        "See first whether Rui Prata needs help.",
    ),
    NoticeKind.NOT_PROVEN: (
        6 * HOUR_MS,
        TicketEventKind.HANDED_BACK,
        "Before you leave: Pump current: not ok, 2.10 A (2.67 A to 3.25 A expected); against what "
        "was learned when clean; Fans proven: ok, 6 (6 expected); Head pressure: not known (signal "
        "not sent).",
    ),
}


def notice(kind: NoticeKind = NoticeKind.OPENED, **changes: Any) -> TicketNotice:
    """A notice of the screen clogging at the metric site, of any kind."""
    opened_ms = ONSET_MS + 32 * MINUTE_MS
    first = "<bw-000123.1@basinward.example>"
    worsened = kind in (NoticeKind.WORSENED, NoticeKind.RETURNED)
    history = [
        TicketEntry(1, opened_ms, TicketEventKind.OPENED,
                    Severity.MEDIUM if worsened else Severity.HIGH, SCREEN_EVIDENCE),
    ]  # fmt: skip
    time_ms = opened_ms
    if worsened:
        time_ms = opened_ms + 5 * HOUR_MS
        history.append(
            TicketEntry(2, time_ms - HOUR_MS, TicketEventKind.ACKNOWLEDGED, Severity.MEDIUM,
                        by="Rui Prata", note="Will go at 9. Screen and brush are in the van.")
        )  # fmt: skip
        history.append(
            TicketEntry(3, time_ms, TicketEventKind.WORSENED, Severity.HIGH, SCREEN_EVIDENCE)
        )
    returned_ms = None
    if kind in (NoticeKind.RETURNED, NoticeKind.PASSED):
        time_ms += 6 * HOUR_MS
        returned_ms = time_ms
        history.append(TicketEntry(4, time_ms, TicketEventKind.RETURNED, Severity.HIGH))
    if kind is NoticeKind.REPEATED:
        time_ms += 30 * HOUR_MS
        history.append(
            TicketEntry(2, time_ms, TicketEventKind.REPEATED, Severity.HIGH, SCREEN_EVIDENCE)
        )
    if kind is NoticeKind.REMINDED:
        time_ms += 30 * HOUR_MS
        by, when = "Rui Prata", opened_ms + HOUR_MS
        again = "Alarm announced again: acknowledged, and it still stands"
        history += [
            TicketEntry(2, when, TicketEventKind.ACKNOWLEDGED, Severity.HIGH, by=by),
            TicketEntry(3, time_ms, TicketEventKind.NOTE, Severity.HIGH, note=again),
        ]
    if kind is NoticeKind.ESCALATED:
        time_ms += 16 * MINUTE_MS
        told = "Nobody has acknowledged it for 16 min; told: Rui Prata, Eva Lind."
        history.append(TicketEntry(2, time_ms, TicketEventKind.ESCALATED, Severity.HIGH, note=told))
    if kind in _WORK_LINES:
        after_ms, line, note = _WORK_LINES[kind]
        time_ms += after_ms
        history.append(TicketEntry(2, time_ms, line, Severity.HIGH, note=note))
    is_first = kind in (NoticeKind.OPENED, NoticeKind.PASSED)
    values: dict[str, Any] = {
        "number": "BW-000123",
        "kind": kind,
        "site_id": "quay-cold-store",
        "unit_id": "ac-1",
        "fault": "pump-screen-clogging",
        "priority": "high",
        "time_ms": time_ms,
        "onset_ms": ONSET_MS,
        "opened_ms": opened_ms,
        "returned_ms": returned_ms,
        "evidence": SCREEN_EVIDENCE,
        "history": tuple(history),
        "to": (Recipient("Rui Prata", "rui@north.example"),),
        "cc": (Recipient("Monitoring", "watch@centre.example"),),
        "from_address": "tickets@basinward.example",
        "reply_to": "dispatch@north.example",
        "message_id": first if is_first else f"<bw-000123.{len(history)}@basinward.example>",
        "in_reply_to": "" if is_first else first,
        "references": () if is_first else (first,),
        "date_ms": time_ms + 4_000,
        "event_seq": len(history),
    }
    return TicketNotice(**(values | changes))


def fan_notice(priority: Priority = "medium") -> TicketNotice:
    """A fan fault at the US customary site."""
    base = notice()
    entry = TicketEntry(1, base.time_ms, TicketEventKind.OPENED, Severity.MEDIUM, FAN_EVIDENCE)
    return notice(
        number="BW-000124",
        site_id="mesa-produce",
        unit_id="cu-2",
        fault="fan-fault",
        priority=priority,
        evidence=FAN_EVIDENCE,
        history=(entry,),
        message_id="<bw-000124.1@basinward.example>",
    )


def cut_off_notice() -> TicketNotice:
    """A whole site gone silent."""
    base = notice()
    entry = TicketEntry(1, base.time_ms, TicketEventKind.OPENED, Severity.MEDIUM, CUT_OFF_EVIDENCE)
    return notice(
        number="BW-000125",
        unit_id="",
        fault="site-cut-off",
        priority="medium",
        evidence=CUT_OFF_EVIDENCE,
        history=(entry,),
        message_id="<bw-000125.1@basinward.example>",
    )


SCENES: Final[Mapping[str, TicketNotice]] = {
    "screen-opened": notice(NoticeKind.OPENED),
    "screen-worsened": notice(NoticeKind.WORSENED),
    "screen-repeated": notice(NoticeKind.REPEATED),
    "screen-reminded": notice(NoticeKind.REMINDED),
    "screen-escalated": notice(NoticeKind.ESCALATED),
    "screen-returned": notice(NoticeKind.RETURNED),
    "screen-passed": notice(NoticeKind.PASSED),
    "screen-reopened": notice(NoticeKind.REOPENED),
    "screen-overstayed": notice(NoticeKind.OVERSTAYED),
    "screen-not-proven": notice(NoticeKind.NOT_PROVEN),
    "fan-us-units": fan_notice(),
    "site-cut-off": cut_off_notice(),
}
