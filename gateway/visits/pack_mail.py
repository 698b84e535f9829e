"""The letters about a visit: its work pack with PDF and calendar entry, or that it is off.

The calendar's entry has one UID over the visit's life; SEQUENCE grows with each letter, so that a
calendar program changes or takes away what it has (RFC 5546, 3.2.2 and 3.2.5).
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Final, Literal

from gateway.calendar_file import Event, calendar
from gateway.mail.letter import Letter, LetterFile
from gateway.records.visit_rows import VisitRow
from gateway.tickets.document import clean, site_time
from gateway.tickets.notice import Recipient
from gateway.tickets.render import mail_environment
from gateway.visits.pack import Pack
from gateway.visits.pack_paper import pack_paper

__all__ = ["Sender", "cancel_letter", "pack_html", "pack_letter", "pack_text", "visit_event"]

_TEMPLATES: Final = Path(__file__).parent / "templates"
_WIDTH: Final = 72


@dataclass(frozen=True)
class Sender:
    """Who sends it: the address that organises the visit, and the installation's id."""

    address: str
    installation: str


def pack_text(pack: Pack) -> str:
    """The plain text of a pack's mail."""
    return mail_environment(_TEMPLATES).get_template("pack.txt.j2").render(p=pack)


def pack_html(pack: Pack) -> str:
    """The same as a page."""
    return mail_environment(_TEMPLATES).get_template("pack.html.j2").render(p=pack)


def pack_letter(
    pack: Pack,
    row: VisitRow,
    to: tuple[Recipient, ...],
    sender: Sender,
    *,
    now_ms: int,
    page: Literal["A4", "Letter"] = "A4",
) -> Letter:
    """The letter that confirms a visit, or a change of one."""
    said = "Changed visit" if pack.kind == "changed" else "Visit"
    entry = calendar(
        [visit_event(row, to, sender, description=_description(pack))],
        name="Visits",
        made_ms=now_ms,
        method="REQUEST",
    )
    return Letter(
        subject=f"{said}: {pack.headline} ({pack.number})",
        text=pack_text(pack),
        html=pack_html(pack),
        files=(
            LetterFile(
                f"Work pack {pack.number}.pdf",
                "application/pdf",
                pack_paper(pack, made_ms=now_ms, page=page),
            ),
            LetterFile(f"{pack.number}.ics", "text/calendar; method=REQUEST", entry),
        ),
    )


def cancel_letter(
    row: VisitRow,
    to: tuple[Recipient, ...],
    sender: Sender,
    *,
    by: str,
    note: str,
    zone: tzinfo,
    now_ms: int,
) -> Letter:
    """The letter that a visit does not take place; it names no work."""
    day = site_time(row.course.leaves_ms, zone).partition(",")[0]
    entry = calendar(
        [visit_event(row, to, sender, cancelled=True)],
        name="Visits",
        made_ms=now_ms,
        method="CANCEL",
    )
    why = f" {clean(note)}" if note else ""
    paragraphs = [
        f"The visit {row.number} on {day} does not take place. {clean(by)} cancelled it.{why}",
        "Do not begin its work from an earlier work pack. What is still to be done comes with "
        "another visit or with a ticket, which begins with how to make that machine safe.",
        "The attached entry takes it out of your calendar.",
    ]
    text = "\n\n".join(textwrap.fill(p, _WIDTH) for p in paragraphs)
    return Letter(
        subject=f"Cancelled: visit on {day} ({row.number})",
        text=f"{text}\n",
        files=(LetterFile(f"{row.number}.ics", "text/calendar; method=CANCEL", entry),),
    )


def visit_event(
    row: VisitRow,
    to: tuple[Recipient, ...],
    sender: Sender,
    *,
    description: str = "",
    cancelled: bool = False,
) -> Event:
    """The calendar's entry as of the next letter about this visit."""
    sites = ", ".join(stop.site for stop in row.course.stops)
    return Event(
        uid=f"{row.number}.{sender.installation}@basinward",
        begins_ms=row.begins_ms,
        ends_ms=row.ends_ms,
        summary=f"Visit {row.number}: {sites}",
        description=description,
        location=sites,
        sequence=row.sequence + 1,
        cancelled=cancelled,
        organizer=sender.address,
        attendees=tuple(person.email for person in to),
    )


def _description(pack: Pack) -> str:
    """Sites and hours only: what work there is, and how to make it safe, is in the pack."""
    lines = [f"{stop.arrive} to {stop.leave} {stop.site_name}" for stop in pack.stops]
    lines.append(
        "LOCK OUT BEFORE WORK: the work pack says what to isolate, how and in which order. This "
        "entry reminds; it does not authorise work."
    )
    return "\n".join(lines)
