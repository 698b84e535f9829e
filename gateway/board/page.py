"""What the page behind a mail's link says: the ticket in the words of its mail, and how it stands.

No layout here, and nothing of the web: the templates show a :class:`TicketPage` as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Final

from gateway.board.links import Link
from gateway.records.acknowledging import Awaited, TicketNow
from gateway.records.rows import OutboxRow
from gateway.tickets.document import clean, lasting, site_time
from gateway.tickets.notice import NoticeKind, Recipient, TicketEventKind, TicketNotice
from gateway.tickets.render import MailRenderer
from rules.equipment import Site
from rules.events import AlarmState, Evidence
from rules.faults.registry import unit_concerned

__all__ = ["LONGEST_NOTE", "Fact", "Pages", "Person", "Standing", "TicketPage"]

LONGEST_NOTE: Final = 500

_NO_EVIDENCE: Final = Evidence(summary="No readings were recorded with this alarm.", confidence=0.0)
_HELD_WORDS: Final = {
    AlarmState.SHELVED: "The alarm is shelved: it comes back by itself when its time is over.",
    AlarmState.SUPPRESSED: "The alarm is suppressed by design: another fault explains it.",
    AlarmState.OUT_OF_SERVICE: "The unit is out of service.",
}


@dataclass(frozen=True)
class Person:
    """One of those whom the mail went to. ``signature`` is what the record will say."""

    name: str
    email: str
    signature: str


@dataclass(frozen=True)
class Fact:
    """A line of the table: a name and what it is."""

    name: str
    text: str


@dataclass(frozen=True)
class Standing:
    """How the ticket stands where it does not wait for an answer.

    ``is_done`` tells what a person has done from what needs nobody.
    """

    is_done: bool
    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class TicketPage:
    """The page of one ticket for those of one mail.

    ``standing`` is None where an answer is awaited. ``seen`` stands for what a reader must have
    seen before he answers: if it differs when he does, the page is shown again. ``priority`` is
    'HIGH', 'MEDIUM' or 'LOW'; ``normal_since`` is '' while the trouble stands. ``facts`` are what
    one needs to answer, ``more`` what can be read after it.
    """

    number: str
    priority: str
    respond: str
    normal_since: str
    title: str
    place: str
    summary: str
    facts: tuple[Fact, ...]
    more: tuple[Fact, ...]
    people: tuple[Person, ...]
    standing: Standing | None
    seen: str


class Pages:
    """Makes pages from tickets; ``sites`` and ``renderer`` are those that the mails are made by."""

    def __init__(self, sites: Iterable[Site], renderer: MailRenderer) -> None:
        """Know these sites."""
        self._sites: Mapping[str, Site] = {site.id: site for site in sites}
        self._renderer = renderer

    def page(self, now: TicketNow, link: Link, now_ms: int) -> TicketPage | None:
        """The page of a link's ticket; None where the records have no mail that it could be of."""
        mail = next((m for m in now.detail.mails if m.event_seq == link.event_seq), None)
        if mail is None:
            return None
        row = now.detail.ticket
        site = self._sites.get(row.site)
        zone: tzinfo = site.zone if site else UTC
        ticket = self._renderer.ticket(_notice(now, mail))
        end_ms = now_ms if row.returned_ms is None else row.returned_ms
        facts = [
            Fact(
                "Since",
                f"{site_time(row.onset_ms, zone)} "
                f"({lasting(max(end_ms - row.onset_ms, 0) / 1000)})",
            ),
        ]
        if ticket.time_left and row.returned_ms is None:
            facts.append(Fact("Time left", ticket.time_left))
        if ticket.causes:
            facts.append(Fact("Likely", f"{ticket.causes[0].title} ({ticket.causes[0].agreement})"))
        more = (
            Fact("Ticket", f"{ticket.number}, opened {site_time(row.opened_ms, zone)}"),
            Fact("Where", "; ".join(t for t in (ticket.location, ticket.address) if t)),
        )
        is_over = row.returned_ms is not None
        return TicketPage(
            number=ticket.number,
            priority=ticket.priority,
            respond=ticket.respond,
            normal_since="" if row.returned_ms is None else site_time(row.returned_ms, zone),
            title=ticket.title,
            place=ticket.place,
            summary=ticket.summary,
            facts=tuple(facts),
            more=more,
            people=_people(mail),
            standing=_standing(now, zone),
            seen=f"{row.priority} {'over' if is_over else 'stands'}",
        )


def _notice(now: TicketNow, mail: OutboxRow) -> TicketNotice:
    """The ticket as it stands, as a notice: the mails' words are made of one."""
    row, entries = now.detail.ticket, now.detail.entries
    told = [e for e in entries if e.evidence is not None]
    cause = told[-1] if told else None
    people = tuple(d.recipient for d in mail.deliveries)
    return TicketNotice(
        number=row.number,
        kind=NoticeKind.OPENED,
        site_id=row.site,
        unit_id=unit_concerned(row.fault, row.unit),
        fault=row.fault,
        priority=row.priority,
        time_ms=cause.time_ms if cause else row.opened_ms,
        onset_ms=row.onset_ms,
        opened_ms=row.opened_ms,
        returned_ms=row.returned_ms,
        evidence=(cause.evidence if cause else None) or _NO_EVIDENCE,
        history=entries,
        to=people,
        cc=(),
        from_address="",
        reply_to="",
        message_id=mail.message_id,
        in_reply_to="",
        references=(),
        date_ms=mail.created_ms,
        event_seq=mail.event_seq,
    )


def _people(mail: OutboxRow) -> tuple[Person, ...]:
    recipients = [d.recipient for d in mail.deliveries]
    names = [_name(r) for r in recipients]
    return tuple(
        # Of two who are called the same, the record says which.
        Person(
            name, email, f"{name} <{email}>" if names.count(name) > 1 and name != email else name
        )
        for name, email in zip(names, (clean(r.email, 200) for r in recipients), strict=True)
    )


def _name(recipient: Recipient) -> str:
    return clean(recipient.name, 80) or clean(recipient.email, 200)


def _standing(now: TicketNow, zone: tzinfo) -> Standing | None:
    row = now.detail.ticket
    match now.awaited:
        case Awaited.YES:
            return None
        case Awaited.ASKED:
            assert now.asked is not None  # noqa: S101 - what 'asked' means
            lines = [site_time(now.asked.time_ms, zone)]
            if now.asked.note:
                lines.append(f"Note: {clean(now.asked.note, LONGEST_NOTE)}")
            lines.append(
                "It is recorded. The gateway takes it over within seconds, or when it next starts."
            )
            return Standing(True, f"Acknowledged by {clean(now.asked.by, 100)}", tuple(lines))
        case Awaited.ACKNOWLEDGED:
            lines = [site_time(row.acknowledged_ms or row.updated_ms, zone)]
            notes = [e.note for e in now.detail.entries if e.kind is TicketEventKind.ACKNOWLEDGED]
            if notes and notes[-1]:
                lines.append(f"Note: {clean(notes[-1], LONGEST_NOTE)}")
            return Standing(
                True, f"Acknowledged by {clean(row.acknowledged_by, 100)}", tuple(lines)
            )
        case Awaited.CLOSED:
            closed = site_time(row.closed_ms or row.updated_ms, zone)
            found = f"Found: {clean(row.finding, 2000)}"
            return Standing(True, f"Closed by {clean(row.closed_by, 100)}", (closed, found))
        case Awaited.HELD:
            return Standing(
                False, "No answer is awaited", (_HELD_WORDS.get(now.alarm, "The alarm is held."),)
            )
        case Awaited.NOTHING:
            return Standing(
                False,
                "No answer is awaited",
                (
                    "The alarm itself needs no acknowledgement now. The ticket stays open until a "
                    "person has looked and closes it.",
                ),
            )
