"""The job sheet of a ticket as a PDF to print: isolation with sign-off boxes first, then the job.

Owns what stands on paper and in which order; the words are the ticket's. A sheet is decided by the
ticket alone: the same ticket gives the same bytes. It says only what the mail says, and adds blanks
to fill in by hand.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final, Literal

from gateway.tickets.jobsheet_paper import Paper
from gateway.tickets.ticket import Ticket
from rules.hazards import SignalWord

__all__ = ["job_sheet", "write_sheet"]

_BLANK_LINES: Final = 4
_SIGN_OFF: Final = ("Locked and tagged by, time", "Verified by, time", "Removed by, time")
_POINT_WIDTHS: Final = (27, 37, 36)  # per cent of the width: point, where and how, sign-off


def job_sheet(
    ticket: Ticket,
    *,
    made_ms: int,
    page: Literal["A4", "Letter"] = "A4",
    link: str = "",
) -> bytes:
    """The sheet as PDF.

    ``made_ms`` stands in the document's properties (UTC, ms since 1970). A QR code holds
    ``link``, where the ticket's page can be reached; without one there is no code, and the number
    stands in the heading and at the foot of each page all the same.
    """
    made = datetime.fromtimestamp(max(made_ms, 0) / 1000, UTC)
    paper = Paper(page, f"Job sheet {ticket.number}", made, footer=_footer(ticket))
    write_sheet(paper, ticket, link)
    return paper.bytes()


def write_sheet(paper: Paper, ticket: Ticket, link: str = "") -> None:
    """The sheet on a page that is blank; it says on each of its pages what it does not do."""
    paper.footer(_footer(ticket))
    _head(paper, ticket, link)
    _make_safe(paper, ticket)
    _bring(paper, ticket)
    _job(paper, ticket)
    _readings(paper, ticket)
    _hand_back(paper, ticket)


def _footer(ticket: Ticket) -> str:
    return (
        f"{ticket.number} · {ticket.place} · This sheet reminds; it does not authorise work, and "
        "it is no permit."
    )


def _head(paper: Paper, ticket: Ticket, link: str) -> None:
    if link:
        paper.qr(link, ticket.number)
    paper.kicker(f"JOB SHEET · {ticket.number} · {ticket.priority} PRIORITY")
    paper.title(ticket.title)
    paper.subtitle(ticket.place)
    paper.facts(
        [
            ("Job", f"{ticket.plan.title}, about {ticket.plan.work_min} min at the machine"),
            ("Respond", ticket.respond),
            ("Since", ticket.since),
            ("Likely", ticket.causes[0].title if ticket.causes else ""),
            ("As of", ticket.as_of),
            ("Where", "; ".join(part for part in (ticket.location, ticket.address) if part)),
            ("Access", ticket.access),
            ("Contact", "; ".join(_contacts(ticket))),
            ("As of", f"{ticket.event_time}; times are the site's ({ticket.time_zone})"),
        ]
    )
    paper.paragraph(ticket.summary)


def _contacts(ticket: Ticket) -> Iterable[str]:
    for person in ticket.contacts:
        yield ", ".join(part for part in (person.name, person.role, person.phone) if part)


def _make_safe(paper: Paper, ticket: Ticket) -> None:
    block = ticket.isolation
    paper.heading("1  Make it safe first")
    paper.box([block.reminder, block.defers, block.who, block.not_isolation])
    for gap in block.gaps:
        paper.box([f"Missing: {gap}"], border=(155, 28, 28))
    paper.small_heading("Isolation points")
    paper.table(
        ("Point", "Where and how; verify", "Sign-off"),
        [
            (
                f"{point.label} ({point.energy})\n{point.isolates}",
                f"Where: {point.location}\nHow: {point.method}\nVerify: {point.verify}",
                "\n\n".join(f"{what}:" for what in _SIGN_OFF) + "\n ",
            )
            for point in block.points
        ],
        _POINT_WIDTHS,
    )
    paper.small_heading("In this order")
    for number, step in enumerate(block.steps, start=1):
        paper.step(f"{number}. {step.title}", step.actions)
    paper.paragraph(block.testing)
    paper.small_heading("Cautions")
    for caution in block.cautions:
        paper.caution(SignalWord(caution.word), f"{caution.title}.", caution.text)


def _bring(paper: Paper, ticket: Ticket) -> None:
    paper.heading("2  What to bring")
    paper.facts(
        [
            ("Who", ticket.plan.skills),
            ("Tools", "; ".join(ticket.plan.tools)),
            ("Parts", "; ".join(ticket.plan.parts)),
            ("Lockout", ticket.isolation.procedure),
        ]
    )


def _job(paper: Paper, ticket: Ticket) -> None:
    paper.heading(f"3  The job: {ticket.plan.title}")
    paper.paragraph(ticket.action)
    paper.small_heading("Look first, from outside, guards on, opening nothing")
    paper.checks(ticket.plan.look_first)
    paper.small_heading("Then, only with the machine made safe as in section 1")
    paper.checks([f"{n}. {step}" for n, step in enumerate(ticket.plan.steps, start=1)])


def _readings(paper: Paper, ticket: Ticket) -> None:
    paper.heading("4  Readings and findings")
    paper.table(
        ("Reading", "Before", "After"),
        [
            (
                f"{reading.what}{f', {reading.unit}' if reading.unit else ''}",
                "" if reading.before else "–",
                "" if reading.after else "–",
            )
            for reading in ticket.readings_to_take
        ],
        (60, 20, 20),
    )
    paper.small_heading("Write down")
    paper.bullets(ticket.plan.findings)
    paper.lines(_BLANK_LINES)


def _hand_back(paper: Paper, ticket: Ticket) -> None:
    paper.heading("5  Hand back")
    paper.small_heading("Release, in this order")
    for number, step in enumerate(ticket.isolation.release, start=1):
        paper.step(f"{number}. {step.title}", step.actions)
    paper.small_heading("Back to service")
    paper.checks(ticket.plan.return_to_service)
    paper.table(("Work done by", "Date, time", "Signature"), [("\n", "\n", "\n")], (40, 25, 35))
