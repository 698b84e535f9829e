"""iCalendar text (RFC 5545): events as any calendar program reads them.

Only what the gateway has to say: events with a start, an end and words. Times go out in UTC, so no
description of a time zone is needed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final
from urllib.parse import quote

__all__ = ["Event", "calendar"]

_LINE_OCTETS: Final = 75
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_ESCAPES: Final = str.maketrans({"\\": "\\\\", ";": "\\;", ",": "\\,", "\n": "\\n", "\r": None})


@dataclass(frozen=True)
class Event:
    """One entry. ``uid`` stays the same when it is sent again; ``sequence`` then grows.

    Times are UTC, ms since 1970; ``busy`` says whether it takes the reader's time. ``organizer``
    and ``attendees`` are mail addresses, which a request or a cancellation needs (RFC 5546, 3.2);
    nobody is asked for an answer, since none would be read.
    """

    uid: str
    begins_ms: int
    ends_ms: int
    summary: str
    description: str = ""
    location: str = ""
    sequence: int = 0
    cancelled: bool = False
    busy: bool = True
    organizer: str = ""
    attendees: tuple[str, ...] = ()


def calendar(events: Iterable[Event], *, name: str, made_ms: int, method: str = "PUBLISH") -> bytes:
    """The calendar with these events, UTF-8; ``made_ms`` is now. ``method``: RFC 5546, 1.4."""
    lines = [
        "BEGIN:VCALENDAR",
        "PRODID:-//basinward//basinward//EN",
        "VERSION:2.0",
        "CALSCALE:GREGORIAN",
        f"METHOD:{method}",
        f"X-WR-CALNAME:{_text(name)}",
    ]
    for event in events:
        lines += [
            "BEGIN:VEVENT",
            f"UID:{_text(event.uid)}",
            f"DTSTAMP:{_utc(made_ms)}",
            f"DTSTART:{_utc(event.begins_ms)}",
            f"DTEND:{_utc(event.ends_ms)}",
            f"SEQUENCE:{event.sequence}",
            f"SUMMARY:{_text(event.summary)}",
            f"STATUS:{'CANCELLED' if event.cancelled else 'CONFIRMED'}",
            f"TRANSP:{'OPAQUE' if event.busy else 'TRANSPARENT'}",
        ]
        if event.organizer:
            lines.append(f"ORGANIZER:mailto:{_address(event.organizer)}")
        lines += [
            f"ATTENDEE;RSVP=FALSE;PARTSTAT=ACCEPTED:mailto:{_address(one)}"
            for one in event.attendees
        ]
        if event.description:
            lines.append(f"DESCRIPTION:{_text(event.description)}")
        if event.location:
            lines.append(f"LOCATION:{_text(event.location)}")
        lines.append("END:VEVENT")
    lines.append("END:VCALENDAR")
    return b"".join(_folded(line) for line in lines)


def _utc(time_ms: int) -> str:
    return (_EPOCH + timedelta(milliseconds=time_ms)).strftime("%Y%m%dT%H%M%SZ")


def _address(mail: str) -> str:
    """As a URI (RFC 6068); what could end the line or begin another value is escaped."""
    return quote(mail, safe="@!#$&'*+-/=?^_`{|}~.")


def _text(value: str) -> str:
    """Section 3.3.11; control characters, which it does not allow, are left out."""
    kept = "".join(c for c in value if c in "\n\t" or (c >= " " and c != "\x7f"))
    return kept.translate(_ESCAPES)


def _folded(line: str) -> bytes:
    """Section 3.1: at most 75 octets a line without its end; no character is cut in two."""
    parts, part = [], b""
    for character in line:
        octets = character.encode("utf-8", "replace")
        if len(part) + len(octets) > _LINE_OCTETS:
            parts.append(part)
            part = b" "  # a continuation's blank counts too
        part += octets
    return b"\r\n".join([*parts, part]) + b"\r\n"
