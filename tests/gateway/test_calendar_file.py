"""iCalendar text, read back by an independent parser (the ``icalendar`` package), and by its rules.

RFC 5545 (from memory, as noted with each rule): lines end in CRLF and are folded at 75 octets; a
calendar needs PRODID and VERSION, an event UID and DTSTAMP.
"""

from __future__ import annotations

from datetime import UTC, datetime

import icalendar
from hypothesis import given
from hypothesis import strategies as st

from gateway.calendar_file import Event, calendar

MADE_MS = int(datetime(2026, 11, 25, 16, 0, tzinfo=UTC).timestamp() * 1000)
EVENT = Event(
    uid="north.first.1@basinward",
    begins_ms=MADE_MS,
    ends_ms=MADE_MS + 3_600_000,
    summary="On call: Ana; back up, Rui",
    description="First line\nsecond \\ line",
    location="Roof, north side",
    sequence=3,
    busy=False,
)


def parsed(data: bytes) -> icalendar.Calendar:
    return icalendar.Calendar.from_ical(data)


def test_an_independent_parser_reads_what_was_meant():
    file = parsed(calendar([EVENT], name="On call", made_ms=MADE_MS))
    assert str(file["VERSION"]) == "2.0"
    assert str(file["PRODID"]).startswith("-//")
    assert str(file["METHOD"]) == "PUBLISH"
    (event,) = file.walk("VEVENT")
    assert str(event["UID"]) == EVENT.uid
    assert str(event["SUMMARY"]) == EVENT.summary
    assert str(event["DESCRIPTION"]) == EVENT.description
    assert str(event["LOCATION"]) == EVENT.location
    assert event["SEQUENCE"] == 3
    assert str(event["TRANSP"]) == "TRANSPARENT"
    assert event.decoded("DTSTART") == datetime(2026, 11, 25, 16, 0, tzinfo=UTC)
    assert event.decoded("DTEND") == datetime(2026, 11, 25, 17, 0, tzinfo=UTC)
    assert event.decoded("DTSTAMP") == datetime(2026, 11, 25, 16, 0, tzinfo=UTC)


def test_a_cancelled_event_says_so():
    gone = Event("a@b", MADE_MS, MADE_MS + 1000, "Visit", cancelled=True, sequence=1)
    (event,) = parsed(calendar([gone], name="x", made_ms=MADE_MS, method="CANCEL")).walk("VEVENT")
    assert str(event["STATUS"]) == "CANCELLED"


def test_an_empty_calendar_is_one():
    assert parsed(calendar([], name="Nothing", made_ms=MADE_MS)).walk("VEVENT") == []


@given(st.text(max_size=300), st.text(max_size=300))
def test_lines_are_folded_and_any_text_comes_back(summary: str, description: str):
    data = calendar(
        [Event("a@b", MADE_MS, MADE_MS + 1, summary, description)], name="x", made_ms=MADE_MS
    )
    assert data.endswith(b"\r\n")
    lines = data.split(b"\r\n")
    assert all(len(line) <= 75 for line in lines)
    assert all(b"\n" not in line and b"\r" not in line for line in lines)
    for line in lines:
        line.decode("utf-8")  # no character is cut in two
    (event,) = parsed(data).walk("VEVENT")
    allowed = "".join(c for c in summary if c in "\n\t" or (c >= " " and c != "\x7f"))
    said = str(event["SUMMARY"]).encode("utf-8", "replace").decode()
    assert said.strip() == allowed.encode("utf-8", "replace").decode().strip()
