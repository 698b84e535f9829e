"""What people report about a ticket and the work on it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from fastapi import Request
from starlette.exceptions import HTTPException

from gateway.board.board import Board
from gateway.board.forms import SentFile
from gateway.records.acknowledging import Awaited, TicketNow
from gateway.records.records import Records
from gateway.records.rows import TicketDetail
from gateway.records.session import RecordsError
from gateway.tickets.closeout import PartFinding
from gateway.tickets.document import clean

__all__ = ["LONGEST", "Report", "as_seen", "attach", "exactly", "record", "seen"]

LONGEST: Final = 2_000
HOUR_MS: Final = 3_600_000


@dataclass(frozen=True)
class Report:
    """What a person says, of which each act takes its part.

    ``act`` is 'acknowledge', 'assign' (``to``), 'arrive' (``stay_h``), 'leave' (another who has
    left: ``whom``, and that he ``is_clear`` of the machine), 'done', 'close' (``finding``,
    ``findings``, ``cleaned``) or 'note'.
    """

    act: str
    note: str = ""
    to: str = ""
    stay_h: float = 4.0
    whom: str = ""
    is_clear: bool = False
    finding: str = ""
    findings: tuple[PartFinding, ...] = ()
    cleaned: tuple[str, ...] = ()


def record(
    board: Board,
    records: Records,
    request: Request,
    number: str,
    report: Report,
    check: Callable[[TicketDetail], None],
) -> None:
    """Do it, with what was before and after in the audit trail, or nothing.

    ``check`` looks at the ticket in the same transaction and raises where it is not what the
    reporter has seen. RecordsError and CloseOutRefused say why it cannot be; a number that no
    ticket has ends the request.
    """
    with board.acting(request) as acting:
        detail = records.ticket(number)
        if detail is None:
            raise HTTPException(404)
        check(detail)
        before = _facts(records, number)
        _do(records, number, report, acting.actor.shown_name, acting.now_ms)
        note: dict[str, Any] = {"note": clean(report.note, 300)} if report.note else {}
        if report.act == "leave" and report.whom:
            note |= {"whom": report.whom, "is_clear": report.is_clear}
        after = _facts(records, number) | note
        acting.note(f"ticket: {report.act}", number, before=before, after=after)


def attach(
    board: Board, records: Records, request: Request, number: str, files: Sequence[SentFile]
) -> None:
    """Keep photos and documents of a ticket, all or none, in one act of the audit trail.

    RecordsError says what cannot be kept; a number that no ticket has ends the request.
    """
    if records.ticket(number) is None:
        raise HTTPException(404)
    with board.acting(request) as acting:
        for sent in files:
            records.attach(
                number, by=acting.actor.shown_name, name=sent.name, content=sent.content,
                now_ms=acting.now_ms,
            )  # fmt: skip
        names = [clean(sent.name, 120) for sent in files]
        acting.note("ticket: file attached", number, after={"files": names})


def seen(detail: TicketDetail) -> str:
    """Stands for what a reader has seen of a ticket: nobody acts on what has changed since.

    What people have settled counts: its phase, whose it is, who is there. What the gateway adds by
    itself (a reading that worsens, a unit out of service) refuses nobody's report.
    """
    ticket = detail.ticket
    settled = [ticket.state.value, ticket.assignee, *(one.by for one in ticket.on_site)]
    return hashlib.sha256("\n".join(settled).encode()).hexdigest()[:16]


def exactly(detail: TicketDetail) -> str:
    """The same with every line of its life: a program that says a thing twice says it once."""
    last = detail.entries[-1].seq if detail.entries else 0
    return f"{seen(detail)} {last} {len(detail.attachments)}"


def as_seen(detail: TicketDetail, what: str) -> None:
    """Refuse to go on where the ticket is not what its reader has seen."""
    if what == seen(detail):
        return
    ticket = detail.ticket
    last = detail.entries[-1] if detail.entries else None
    what = (
        f" Last: {last.kind.value}{f' by {clean(last.by, 80)}' if last.by else ''}." if last else ""
    )
    to = f", assigned to {clean(ticket.assignee, 80)}" if ticket.assignee else ""
    msg = (
        f"{ticket.number} has changed since you opened its page: it is now {ticket.state.value}"
        f"{to}.{what} Nothing was recorded. Look at it, then say it again."
    )
    raise RecordsError(msg)


def _facts(records: Records, number: str) -> dict[str, Any]:
    """What of a ticket people change, for the audit trail."""
    detail = records.ticket(number)
    if detail is None:
        return {}
    ticket = detail.ticket
    return {
        "phase": ticket.state.value,
        "assignee": ticket.assignee,
        "on_site": [one.by for one in ticket.on_site],
        "finding": ticket.finding,
    }


def _do(records: Records, number: str, report: Report, by: str, now_ms: int) -> None:
    note = report.note
    match report.act:
        case "acknowledge":
            before = records.acknowledge_ticket(number, by=by, note=note, now_ms=now_ms)
            if before.awaited is not Awaited.YES:
                raise RecordsError(_unanswerable(before))
        case "assign":
            records.assign(number, by=by, to=report.to, note=note,
                           now_ms=now_ms)  # fmt: skip
        case "arrive":
            stay_ms = int(report.stay_h * HOUR_MS)
            records.arrive(number, by=by, note=note, until_ms=now_ms + stay_ms, now_ms=now_ms)
        case "leave":
            records.leave(
                number, by=by, note=note, now_ms=now_ms, whom=report.whom,
                is_clear=report.is_clear,
            )  # fmt: skip
        case "done":
            records.finish(number, by=by, note=note, now_ms=now_ms)
        case "close":
            records.close_ticket(
                number, by=by, finding=report.finding, findings=report.findings,
                cleaned=report.cleaned, now_ms=now_ms,
            )  # fmt: skip
        case "note":
            if not note:
                msg = "The note is empty. Nothing was changed."
                raise RecordsError(msg)
            records.add_note(number, by=by, note=note, now_ms=now_ms)
        case _:
            msg = "Choose what is to be recorded. Nothing was changed."
            raise RecordsError(msg)


def _unanswerable(now: TicketNow) -> str:
    """Why a ticket awaits no acknowledgement."""
    ticket = now.detail.ticket
    match now.awaited:
        case Awaited.ASKED:
            who = clean(now.asked.by, 80) if now.asked else "Somebody"
            why = f"{who} has just acknowledged it; the gateway takes that over within seconds."
        case Awaited.ACKNOWLEDGED:
            why = f"{clean(ticket.acknowledged_by, 80) or 'Somebody'} has acknowledged it already."
        case Awaited.CLOSED:
            why = "It is closed."
        case Awaited.HELD:
            why = "Its alarm is shelved, suppressed or out of service: there is nothing to answer."
        case _:
            why = "Its alarm is over or was answered."
    return f"{ticket.number} awaits no acknowledgement. {why} Nothing was changed."
