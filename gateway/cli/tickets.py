"""``basinward tickets``: list, show, acknowledge and close tickets from the command line."""

from __future__ import annotations

import time
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gateway.cli.asking import ByOption, JsonOption, nearer, opened
from gateway.cli.options import DataOption, OwnDataOption, OwnRecordsOption, RecordsOption

if TYPE_CHECKING:
    from gateway.records import Records
    from gateway.records.rows import TicketDetail, TicketRow

__all__ = ["app"]

app = typer.Typer(
    name="tickets",
    invoke_without_command=True,
    no_args_is_help=False,
    rich_markup_mode=None,
)


class State(StrEnum):
    """Which tickets to list."""

    STANDING = "standing"
    OPEN = "open"
    ACKNOWLEDGED = "acknowledged"
    CLOSED = "closed"
    ALL = "all"


class PriorityName(StrEnum):
    """A ticket's priority."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


NumberArgument = Annotated[
    str, typer.Argument(metavar="N", help="Ticket number: BW-000123, or just 123.")
]


@app.callback(invoke_without_command=True)
def tickets(
    context: typer.Context,
    *,
    data: DataOption = Path("data"),
    records: RecordsOption = None,
    state: Annotated[
        State, typer.Option(help="Which tickets; 'standing' is all that are not closed.")
    ] = State.STANDING,
    site: Annotated[str, typer.Option(help="Only this site.", show_default=False)] = "",
    unit: Annotated[str, typer.Option(help="Only this unit.", show_default=False)] = "",
    fault: Annotated[str, typer.Option(help="Only this fault.", show_default=False)] = "",
    priority: Annotated[
        PriorityName | None, typer.Option(help="Only this priority.", show_default=False)
    ] = None,
    limit: Annotated[int, typer.Option(min=1, max=10_000, help="At most so many.")] = 200,
    as_json: JsonOption = False,
) -> None:
    """List tickets, newest first; or show, acknowledge or close one.

    Without a further command it lists the tickets that are not closed.

    Examples:

      basinward tickets --site quay-cold-store --priority high

      basinward tickets show 123 --data /var/lib/basinward

      basinward tickets ack 123 --by "R. Marsh"

      basinward tickets close 123 --by "R. Marsh" --found "Screen full of leaves; cleaned."
    """
    context.obj = (data, records)
    if context.invoked_subcommand is not None:
        return
    from gateway.cli.output import out, print_json, print_table, utc  # noqa: PLC0415 - lazy
    from gateway.records.queries import Where  # noqa: PLC0415 - lazy
    from gateway.tickets.desk import TicketPhase  # noqa: PLC0415 - lazy

    phases = {
        State.STANDING: frozenset({TicketPhase.OPEN, TicketPhase.ACKNOWLEDGED}),
        State.ALL: frozenset(TicketPhase),
    }.get(state)
    with opened(context) as store:
        found = store.tickets(
            Where(site, unit, fault),
            phases=phases if phases is not None else frozenset({TicketPhase(state.value)}),
            priority=priority.value if priority else "",
            limit=limit,
        )
    if as_json:
        print_json([_row_json(row) for row in found])
        return
    if not found:
        out().print("No tickets." if state is State.ALL else f"No {state.value} tickets.")
        return
    print_table(
        ("ticket", "priority", "state", "site", "unit", "fault", "opened", "readings"),
        (
            (
                row.number,
                row.priority,
                row.state.value,
                row.site,
                row.unit,
                row.fault,
                utc(row.opened_ms),
                "normal again" if row.returned_ms is not None else "",
            )
            for row in found
        ),
    )
    if len(found) == limit:
        out().print(f"The list ends at {limit}; --limit shows more.")


@app.command()
def show(
    context: typer.Context,
    number: NumberArgument,
    *,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show one ticket: evidence, causes, history, mails.

    Example:

      basinward tickets show 123
    """
    from gateway.cli.output import print_json  # noqa: PLC0415 - lazy

    with opened(nearer(context, data, records)) as store:
        detail = _ticket(store, number)
    if as_json:
        entries = [
            {
                "seq": e.seq,
                "time_ms": e.time_ms,
                "kind": e.kind.value,
                "severity": e.severity.name.lower(),
                "by": e.by,
                "note": e.note,
                "evidence": e.evidence.to_json() if e.evidence else None,
            }
            for e in detail.entries
        ]
        mails = [
            {
                "kind": m.kind.value,
                "state": m.state.value,
                "message_id": m.message_id,
                "created_ms": m.created_ms,
                "attempts": m.attempts,
                "last_reply": m.last_reply,
                "recipients": [
                    {"email": d.recipient.email, "role": d.role, "state": d.state.value}
                    for d in m.deliveries
                ],
            }
            for m in detail.mails
        ]
        print_json({**_row_json(detail.ticket), "history": entries, "mails": mails})
        return
    for line in _told(detail):
        typer.echo(line)


@app.command()
def ack(
    context: typer.Context,
    number: NumberArgument,
    *,
    by: ByOption,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Acknowledge: you have seen it and take care of it.

    The running gateway takes the acknowledgement over within seconds; it needs no restart.

    Example:

      basinward tickets ack 123 --by "R. Marsh"
    """
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.tickets.desk import TicketPhase  # noqa: PLC0415 - lazy
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    with opened(nearer(context, data, records)) as store:
        ticket = _ticket(store, number).ticket
        if ticket.state is TicketPhase.CLOSED:
            fail(f"Ticket {ticket.number} was closed by {ticket.closed_by}. Nothing was changed.")
        if ticket.state is TicketPhase.ACKNOWLEDGED:
            typer.echo(f"{ticket.number} was acknowledged before, by {ticket.acknowledged_by}.")
            return
        store.request_action(
            ActionKind.ACKNOWLEDGE,
            ticket.site,
            ticket.unit,
            fault=ticket.fault,
            by=by,
            now_ms=_now_ms(),
        )
    typer.echo(
        f"{ticket.number}: acknowledgement by {by.strip()} recorded; the gateway applies it within "
        "seconds, or when it next starts."
    )


@app.command()
def close(
    context: typer.Context,
    number: NumberArgument,
    *,
    by: ByOption,
    found: Annotated[
        str, typer.Option("--found", metavar="TEXT", help="What was found and done, in words.")
    ],
    cleaned: Annotated[
        list[str] | None,
        typer.Option(
            "--cleaned",
            metavar="PART",
            help="A part that was cleaned, so that its normal readings are learned anew; repeat "
            "for several: pump-screen, distribution, pads, coil, basin, float, bleed, fans.",
            show_default=False,
        ),
    ] = None,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
) -> None:
    """Close: the work is done. Say what was found, so that the next one knows.

    Example:

      basinward tickets close 123 --by "R. Marsh" --found "Leaves." --cleaned pump-screen
    """
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    with opened(nearer(context, data, records)) as store:
        ticket = _ticket(store, number).ticket
        if cleaned:
            # First: what it refuses must leave the ticket open.
            store.request_action(
                ActionKind.CLEANED,
                ticket.site,
                ticket.unit,
                by=by,
                note=found,
                parts=cleaned,
                now_ms=_now_ms(),
            )
        store.close_ticket(ticket.number, by=by, finding=found, now_ms=_now_ms())
    typer.echo(f"{ticket.number}: closed by {by.strip()}.")
    if cleaned:
        typer.echo(
            f"Cleaned: {', '.join(cleaned)}. The normal readings that depend on it are learned "
            "anew as the machine runs; until then the old ones hold."
        )


def _ticket(store: Records, number: str) -> TicketDetail:
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy
    from gateway.records.ticketing import ticket_number  # noqa: PLC0415 - lazy

    text = number.strip().upper()
    if text.isascii() and text.isdigit() and len(text) < 12:
        text = ticket_number(int(text))
    detail = store.ticket(text)
    if detail is None:
        fail(
            f"There is no ticket '{number}'. Numbers are written as {ticket_number(123)}, or just "
            "123; `basinward tickets --state all` lists them."
        )
    return detail


def _row_json(row: TicketRow) -> dict[str, Any]:
    return {
        "number": row.number,
        "site": row.site,
        "unit": row.unit,
        "fault": row.fault,
        "priority": row.priority,
        "state": row.state.value,
        "onset_ms": row.onset_ms,
        "opened_ms": row.opened_ms,
        "updated_ms": row.updated_ms,
        "returned_ms": row.returned_ms,
        "acknowledged_ms": row.acknowledged_ms,
        "acknowledged_by": row.acknowledged_by,
        "closed_ms": row.closed_ms,
        "closed_by": row.closed_by,
        "finding": row.finding,
    }


def _told(detail: TicketDetail) -> Iterator[str]:
    """The ticket on lines of text, control characters taken out."""
    from gateway.cli.output import clean, utc  # noqa: PLC0415 - lazy

    row = detail.ticket
    place = f"{row.site} / {row.unit}" if row.unit else row.site
    yield clean(f"{row.number}  {row.priority}  {row.state.value}  {place}  {row.fault}")
    yield f"  since {utc(row.onset_ms)}, opened {utc(row.opened_ms)}"
    if row.returned_ms is not None:
        yield f"  readings normal again {utc(row.returned_ms)}"
    if row.acknowledged_ms is not None:
        yield clean(f"  acknowledged {utc(row.acknowledged_ms)} by {row.acknowledged_by}")
    if row.closed_ms is not None:
        yield clean(f"  closed {utc(row.closed_ms)} by {row.closed_by}: {row.finding}")
    evidence = next((e.evidence for e in reversed(detail.entries) if e.evidence), None)
    if evidence is not None:
        yield ""
        yield clean(f"  {evidence.summary} (confidence {evidence.confidence:.0%})")
        for reading in evidence.readings:
            measured = "not known" if reading.measured is None else f"{reading.measured:g}"
            expected = f", expected {reading.expected:g}" if reading.expected is not None else ""
            note = f" ({reading.note})" if reading.note else ""
            yield clean(f"    {reading.quantity}: {measured} {reading.unit}{expected}{note}")
        for cause in evidence.causes:
            how = "ruled out" if cause.ruled_out else f"fits {cause.agreement:.0%}"
            yield clean(f"    cause: {cause.title} ({how})")
    yield ""
    yield "  history"
    for entry in detail.entries:
        by = f" by {entry.by}" if entry.by else ""
        note = f": {entry.note}" if entry.note else ""
        yield clean(f"    {utc(entry.time_ms)}  {entry.kind.value}{by}{note}")
    for mail in detail.mails:
        to = ", ".join(f"{d.recipient.email} ({d.state.value})" for d in mail.deliveries)
        yield clean(f"    {utc(mail.created_ms)}  mail, {mail.kind.value}: {mail.state.value} {to}")
    yield ""
    yield "  Work on the machine begins with the site's own energy-control procedure."


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
