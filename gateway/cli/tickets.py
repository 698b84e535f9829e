"""``basinward tickets``: list, show and acknowledge tickets from the command line.

What people do to them on the way to the close-out is in :mod:`gateway.cli.ticket_work`.
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.asking import ByOption, JsonOption, nearer, opened
from gateway.cli.options import DataOption, OwnDataOption, OwnRecordsOption, RecordsOption
from gateway.cli.ticket_ask import NumberArgument, acting, now_ms, ticket_of
from gateway.cli.ticket_sheet import sheet
from gateway.cli.ticket_show import row_json, told, work_json
from gateway.cli.ticket_work import add_work_to

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
    ASSIGNED = "assigned"
    ON_SITE = "on-site"
    WORK_DONE = "work-done"
    CLOSED = "closed"
    VERIFIED = "verified"
    ALL = "all"


class PriorityName(StrEnum):
    """A ticket's priority."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


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
    """List tickets, newest first; or carry one from acknowledgement to close-out.

    Without a further command it lists the tickets that are not closed.

    Examples:

      basinward tickets --site quay-cold-store --priority high

      basinward tickets show 123 --data /var/lib/basinward

      basinward tickets ack 123 --by "R. Marsh"

      basinward tickets arrive 123 --by "R. Marsh"

      basinward tickets done 123 --by "R. Marsh"

      basinward tickets close 123 --by "R. Marsh" --found "Screen full of leaves; cleaned."
    """
    context.obj = (data, records)
    if context.invoked_subcommand is not None:
        return
    from gateway.cli.output import out, print_json, print_table, utc  # noqa: PLC0415 - lazy
    from gateway.records.queries import Where  # noqa: PLC0415 - lazy
    from gateway.tickets.life import ENDED, STANDING, TicketPhase  # noqa: PLC0415 - lazy

    phases = {
        State.STANDING: STANDING,
        State.CLOSED: ENDED,
        State.ALL: frozenset(TicketPhase),
    }.get(state)
    with opened(context) as store:
        found = store.tickets(
            Where(site, unit, fault),
            phases=phases or frozenset({TicketPhase(state.value.replace("-", " "))}),
            priority=priority.value if priority else "",
            limit=limit,
        )
    if as_json:
        print_json([row_json(row) for row in found])
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
        detail = ticket_of(store, number)
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
                "channel": m.channel.value,
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
        more = {"history": entries, "mails": mails, **work_json(detail)}
        print_json({**row_json(detail.ticket), **more})
        return
    for line in told(detail):
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
    from gateway.tickets.life import ENDED, Act, TicketPhase, refusal  # noqa: PLC0415 - lazy
    from rules.events import ActionKind  # noqa: PLC0415 - lazy

    with opened(nearer(context, data, records)) as store:
        ticket = ticket_of(store, number).ticket
        if ticket.state in ENDED:
            fail(refusal(ticket.number, ticket.state, Act.ACKNOWLEDGE, ticket.closed_by))
        if ticket.state is not TicketPhase.OPEN:
            by_whom = f", by {ticket.acknowledged_by}" if ticket.acknowledged_by else ""
            typer.echo(f"{ticket.number} was acknowledged before{by_whom}.")
            return
        now = now_ms()
        with acting(store, ticket, "acknowledgement asked for", by, now):
            store.request_action(
                ActionKind.ACKNOWLEDGE, ticket.site, ticket.unit,
                fault=ticket.fault, by=by, now_ms=now,
            )  # fmt: skip
    typer.echo(
        f"{ticket.number}: acknowledgement by {by.strip()} recorded; the gateway applies it within "
        "seconds, or when it next starts."
    )


add_work_to(app)
app.command()(sheet)
