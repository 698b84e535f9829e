"""From a notice to its ticket: everything its mail says, in words and units of the site.

Owns the translation of ids, UTC and catalogue units to what a person reads: names, the site's time
and display units. Layout is the renderer's; nothing here knows of mail.
"""

from __future__ import annotations

import math
import unicodedata
from datetime import UTC, datetime, tzinfo
from typing import Final

from gateway.display_units import (
    DisplaySystem,
    display_unit,
    format_quantity,
    in_display_unit,
    with_us_units,
)
from gateway.tickets.notice import NoticeKind, TicketEntry, TicketEventKind, TicketNotice
from gateway.tickets.ticket import (
    CauseRow,
    ContactRow,
    HistoryRow,
    ReadingRow,
    ReadingToTakeRow,
    Ticket,
)
from rules.equipment import Site, Unit
from rules.events import Cause, Reading, Severity
from rules.faults.base import Fault
from rules.jobplans import JobPlan
from rules.safety import isolation_block
from rules.signals import signal

__all__ = [
    "build",
    "clean",
    "lasting",
    "site_time",
]

_KIND_TITLE: Final = {
    NoticeKind.OPENED: "New ticket",
    NoticeKind.WORSENED: "It got worse",
    NoticeKind.REPEATED: "It came back",
    NoticeKind.REMINDED: "It still stands",
    NoticeKind.ESCALATED: "Still without an answer",
    NoticeKind.RETURNED: "Readings are back to normal",
    NoticeKind.PASSED: "It came and went",
    NoticeKind.REOPENED: "Open again",
    NoticeKind.OVERSTAYED: "Still out of service",
    NoticeKind.NOT_PROVEN: "Hand-back: not all proven",
}
_OVER: Final = frozenset({NoticeKind.RETURNED, NoticeKind.PASSED})
# How soon, where the catalogue does not say: the meaning of the severities in rules.events.
_RESPONSE: Final = {
    Severity.LOW: "with the next planned work",
    Severity.MEDIUM: "this week",
    Severity.HIGH: "today",
}
_LONGEST_FORECAST_S: Final = 366 * 86_400  # a date further off would claim more than is known
_JOINERS: Final = "\u200c\u200d"  # invisible, but part of the spelling in some languages
_WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip


def clean(text: str, limit: int = 500) -> str:
    """``text`` on one line: control characters and invisible direction marks out, spaces single.

    Names and notes come from files and from people; a newline in one must not become a header, nor
    a direction mark turn the rest of a line around. More than ``limit`` characters are cut, with
    '…' to show it. '=?' would begin an encoded word (RFC 2047, 2), in which a name could hide
    another's header syntax; it is parted.
    """
    kept = "".join(
        " " if unicodedata.category(c) in {"Cc", "Cs", "Zl", "Zp"} else c
        for c in text
        if unicodedata.category(c) != "Cf" or c in _JOINERS
    )
    line = " ".join(kept.replace("=?", "= ?").split())
    return line if len(line) <= limit else line[: limit - 1].rstrip() + "…"


def build(
    notice: TicketNotice, site: Site | None, unit: Unit | None, fault: Fault, plan: JobPlan
) -> Ticket:
    """The document of one notice.

    ``site`` is None where its file is gone, ``unit`` None there, where the unit is gone, or where
    the ticket is about the whole site. What is then not known is said to be not recorded.
    """
    zone: tzinfo = site.zone if site else UTC
    system: DisplaySystem = site.display_units if site else "metric"
    evidence = notice.evidence
    is_over = notice.kind in _OVER

    def prose(text: str, limit: int = 500) -> str:
        return with_us_units(clean(text, limit)) if system == "us" else clean(text, limit)

    look_at = {cause.slug: cause.look_at for cause in fault.causes}

    def cause_row(cause: Cause) -> CauseRow:
        look, decide = look_at.get(cause.slug, ""), cause.to_decide
        return CauseRow(
            title=prose(cause.title),
            agreement=_agreement(cause.agreement),
            fits=tuple(prose(text) for text in cause.fits),
            against=tuple(prose(text) for text in cause.against),
            to_decide=prose(decide),
            # Said once where the catalogue and the evidence say the same.
            look_at=prose(look) if look != decide else "",
        )

    by_agreement = sorted(evidence.causes, key=lambda c: _share(c.agreement), reverse=True)
    return Ticket(
        number=clean(notice.number, 40),
        kind=notice.kind,
        kind_title=_KIND_TITLE.get(notice.kind, "About this ticket"),
        outcome=prose(_outcome(notice, zone), 2000),
        is_over=is_over,
        severity=notice.severity,
        respond=_respond(notice, fault),
        title=clean(fault.title, 100),
        site_id=site.id if site else "",
        site_name=clean(site.name if site else notice.site_id, 80),
        unit_id=unit.id if unit else "",
        unit_name=clean(unit.name if unit else notice.unit_id, 60),
        location=clean(unit.location) if unit else "",
        address=clean(site.address) if site else "not recorded: the site file is missing",
        access=clean(site.access) if site else "not recorded: the site file is missing",
        contacts=tuple(
            ContactRow(clean(c.name), clean(c.role), clean(c.phone or ""), clean(c.email or ""))
            for c in (site.contacts if site else ())
        ),
        time_zone=site.time_zone if site else "UTC",
        event_time=_when(notice.time_ms, zone),
        since=_since(notice, zone),
        time_left="" if is_over else _time_left(notice, zone, prose(evidence.time_left_to)),
        summary=prose(evidence.summary, 1000),
        meaning=prose(fault.meaning, 1000),
        consequence=prose(fault.consequence, 1000),
        action=prose(fault.action, 1000),
        confidence=_confidence(evidence.confidence),
        as_of=_as_of(notice, zone),
        readings=tuple(_reading_row(r, system) for r in evidence.readings),
        causes=tuple(cause_row(c) for c in by_agreement if not c.ruled_out),
        ruled_out=tuple(cause_row(c) for c in by_agreement if c.ruled_out),
        limits=tuple(prose(text) for text in evidence.limits),
        plan=plan,
        readings_to_take=tuple(
            ReadingToTakeRow(
                r.what,
                display_unit(_absolute(r.what, r.unit), system).symbol,
                r.before,
                r.after,
            )
            for r in plan.readings
        ),
        isolation=isolation_block(site, unit, plan),
        history=tuple(_history_row(entry, zone) for entry in notice.history),
    )


def _respond(notice: TicketNotice, fault: Fault) -> str:
    if notice.kind in _OVER:
        return "when next at the site"
    return clean(fault.response.get(notice.severity, "")) or _RESPONSE[notice.severity]


def _absolute(quantity: str, unit: str) -> str:
    """Head pressure is absolute in the catalogue; a gauge on the wall is not, so say which."""
    is_head = quantity == signal("head_pressure").title and unit == "kPa"
    return "kPa abs" if is_head else unit


def _reading_row(reading: Reading, system: DisplaySystem) -> ReadingRow:
    unit = _absolute(reading.quantity, reading.unit)

    def shown(value: float | None) -> str:
        return "" if value is None else format_quantity(value, unit, system)

    low, high = shown(reading.low), shown(reading.high)
    if low and high:
        allowed = f"{low} to {high}"
    else:
        allowed = f"at least {low}" if low else f"at most {high}" if high else ""
    return ReadingRow(
        quantity=clean(reading.quantity, 80),
        measured=format_quantity(reading.measured, unit, system),
        expected=shown(reading.expected),
        allowed=allowed,
        difference=_difference(reading, unit, system),
        note=with_us_units(clean(reading.note)) if system == "us" else clean(reading.note),
        derived=reading.derived,
    )


def _difference(reading: Reading, unit: str, system: DisplaySystem) -> str:
    """How far off: per cent where a per cent has a meaning, else in the unit; '' if unknown."""
    if reading.measured is None or reading.expected is None:
        return ""
    off = reading.measured - reading.expected
    if not math.isfinite(off):
        return ""
    if unit in {"°C", "K"}:
        text = format_quantity(abs(off), "K", system).removesuffix(" difference")
    elif unit == "%":
        text = f"{abs(off):.0f} points"
    elif in_display_unit(reading.expected, unit, system) > 0:
        text = f"{abs(off) / abs(reading.expected) * 100:.0f} %"
    else:
        return ""
    if float(text.split()[0].replace(",", "")) == 0:
        return "as expected"
    return f"{text} {'above' if off > 0 else 'below'}"


def _share(value: float) -> float:
    return min(max(value, 0.0), 1.0) if math.isfinite(value) else 0.0


def _agreement(share: float) -> str:
    per_cent = round(_share(share) * 100)
    word = "fits well" if per_cent >= 75 else "fits in part" if per_cent >= 50 else "fits poorly"
    return f"{word}, {per_cent} % of the signs"


def _confidence(share: float) -> str:
    # Steps of five: the rules do not know it more finely than that.
    per_cent = round(_share(share) * 20) * 5
    if per_cent >= 90:
        word = "Very sure"
    elif per_cent >= 75:
        word = "Fairly sure"
    elif per_cent >= 50:
        word = "More likely than not"
    else:
        word = "Only a suspicion"
    return f"{word} that the condition is real (about {per_cent} %)"


def _moment(time_ms: int, zone: tzinfo) -> datetime | None:
    try:
        return datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone)
    except (OverflowError, OSError, ValueError):
        return None


def _when(time_ms: int, zone: tzinfo) -> str:
    moment = _moment(time_ms, zone)
    if moment is None:
        return "at an unknown time"
    day = f"{_WEEKDAYS[moment.weekday()]} {moment.day} {_MONTHS[moment.month - 1]} {moment.year}"
    return f"{day}, {moment:%H:%M} {moment.tzname()}"


def _duration(seconds: float) -> str:
    """A length of time in words, two units at most."""
    minutes = round(seconds / 60)
    if minutes < 1:
        return "less than a minute"
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {rest} min" if rest and hours < 10 else f"{round(minutes / 60)} h"
    days, rest_h = divmod(round(minutes / 60), 24)
    if days < 3:
        return f"{days} d {rest_h} h" if rest_h else f"{days} d"
    return f"{round(minutes / 1440)} days"


site_time: Final = _when
"""A time [ms since 1970, UTC] as a ticket writes it: by the site's clock, with the zone's name."""
lasting: Final = _duration
"""A length of time [s] as a ticket writes it."""


def _since(notice: TicketNotice, zone: tzinfo) -> str:
    onset = _when(notice.onset_ms, zone)
    end_ms = notice.time_ms
    if notice.kind in _OVER and notice.returned_ms is not None:
        end_ms = notice.returned_ms
    lasted = _duration(max(end_ms - notice.onset_ms, 0) / 1000)
    if notice.kind in _OVER:
        return f"{onset}, until {_when(end_ms, zone)} ({lasted})"
    return f"{onset} ({lasted} before this event)"


def _as_of(notice: TicketNotice, zone: tzinfo) -> str:
    """From when to when the readings are: from the trouble's onset to the event that told them."""
    told = [e.time_ms for e in notice.history if e.evidence is not None]
    if not told:
        return ""
    start, end = _when(notice.onset_ms, zone), _when(told[-1], zone)
    if not notice.evidence.readings or notice.onset_ms >= told[-1]:
        return f"As of {end}, the site's time. What came later is not in it."
    return (
        f"Readings from {start} to {end}, the site's time, or of the longer time that one names. "
        "What came later is not in it."
    )


def _time_left(notice: TicketNotice, zone: tzinfo, to: str) -> str:
    left_s = notice.evidence.time_left_s
    if left_s is None or not math.isfinite(left_s):
        return "cannot be told from these readings"
    then = f"; then: {to}" if to else ""
    if left_s <= 60:
        return f"none{then}"
    if left_s > _LONGEST_FORECAST_S:
        return f"longer than a year{then}"
    # Added in UTC: a day over the end of summer time is 24 hours, not the same hour tomorrow.
    due_ms = notice.time_ms + round(left_s * 1000)
    return f"about {_duration(left_s)} at this rate, until {_when(due_ms, zone)}{then}"


def _outcome(notice: TicketNotice, zone: tzinfo) -> str:
    stays = "The ticket stays open until a person has looked and closes it."
    text = ""
    match notice.kind:
        case NoticeKind.WORSENED:
            before = [e.severity for e in notice.history if e.severity < notice.severity]
            risen = f"from {before[-1].name} " if before and before[-1] > Severity.NONE else ""
            text = f"The priority rose {risen}to {notice.severity.name}."
        case NoticeKind.REPEATED:
            text = "The readings had returned to normal, and then the same fault came back."
        case NoticeKind.REMINDED:
            names = [e.by for e in notice.history if e.kind is TicketEventKind.ACKNOWLEDGED]
            who = (names[-1] if names else "") or "Somebody"
            text = (
                f"{who} acknowledged it, and it still stands after the time "
                "allowed. Acknowledge it again, or close the ticket once the work is done."
            )
        case NoticeKind.ESCALATED:
            steps = [e.note for e in notice.history if e.kind is TicketEventKind.ESCALATED]
            why = steps[-1] if steps else "Nobody has acknowledged it in time."
            text = f"{why} Whoever takes it on acknowledges it; then nobody further is told."
        case NoticeKind.RETURNED:
            ended = _when(notice.returned_ms or notice.time_ms, zone)
            text = f"Normal since {ended}. Nobody needs to set out because of this mail. {stays}"
        case NoticeKind.PASSED:
            text = (
                "It was over before this mail could be sent, as when a site sends its readings "
                f"late. Nobody needs to set out because of this mail. {stays}"
            )
        case NoticeKind.REOPENED | NoticeKind.OVERSTAYED | NoticeKind.NOT_PROVEN:
            # The line of the history that this mail is about says it all.
            text = notice.history[-1].note if notice.history else ""
    return text


def _history_row(entry: TicketEntry, zone: tzinfo) -> HistoryRow:
    what = entry.kind.value
    if entry.severity > Severity.NONE:
        what = f"{what}, priority {entry.severity.name}"
    return HistoryRow(
        _when(entry.time_ms, zone), what, clean(entry.by, 100), clean(entry.note, 2000)
    )
