"""``basinward tickets undelivered``: which messages somebody did not get, and why."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gateway.cli.asking import JsonOption, nearer, opened
from gateway.cli.options import OwnDataOption, OwnRecordsOption

if TYPE_CHECKING:
    from gateway.records.rows import OutboxRow

__all__ = ["undelivered"]


def undelivered(
    context: typer.Context,
    *,
    data: OwnDataOption = None,
    records: OwnRecordsOption = None,
    limit: Annotated[int, typer.Option(min=1, max=10_000, help="At most so many.")] = 200,
    as_json: JsonOption = False,
) -> None:
    """List messages that were refused, that are addressed to nobody, or that still wait.

    A server that takes a mail and finds later that it cannot deliver it sends a mail back to
    from_address of [mail]; basinward reads no mail, so let that be a mailbox that somebody reads.

    Example:

      basinward tickets undelivered --data /var/lib/basinward
    """
    from gateway.cli.output import clean, out, print_json, print_table, utc  # noqa: PLC0415 - lazy

    with opened(nearer(context, data, records)) as store:
        found = store.undelivered(limit)
    rows = [line for row in found for line in _lines(row)]
    if as_json:
        print_json(rows)
        return
    if not rows:
        out().print("Every message was taken by a server, or has not been tried yet.")
        return
    print_table(
        ("ticket", "by", "to", "state", "since", "tries", "why"),
        (
            (
                row["ticket"] or clean(row["subject"]),
                row["channel"],
                clean(row["to"]),
                row["state"],
                utc(row["created_ms"]),
                str(row["attempts"]),
                clean(row["reply"]),
            )
            for row in rows
        ),
    )
    typer.echo(
        "Refused: correct the address in oncall.toml, or ask who runs the server. Waiting: tried "
        "again by itself."
    )
    if len(found) == limit:
        out().print(f"The list ends at {limit} messages; --limit shows more.")


def _lines(row: OutboxRow) -> Iterator[dict[str, Any]]:
    """A line for each recipient who did not get the message."""
    from gateway.records.rows import DeliveryState  # noqa: PLC0415 - lazy

    about = {
        "ticket": row.ticket,
        "subject": row.subject,
        "kind": row.kind.value,
        "channel": row.channel.value,
        "created_ms": row.created_ms,
        "attempts": row.attempts,
        "message_id": row.message_id,
    }
    if not row.deliveries:
        yield {**about, "to": "", "state": row.state.value, "reply": row.last_reply}
    for delivery in row.deliveries:
        if delivery.state is not DeliveryState.ACCEPTED:
            yield {
                **about,
                "to": delivery.recipient.email,
                "state": "waiting" if delivery.state is DeliveryState.PENDING else "refused",
                "reply": delivery.reply or row.last_reply,
            }
