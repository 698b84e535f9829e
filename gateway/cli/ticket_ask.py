"""What the ticket commands share: which ticket is meant, lengths of time, the time now."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from gateway.cli.asking import commanding

if TYPE_CHECKING:
    from gateway.records import Records
    from gateway.records.rows import TicketDetail, TicketRow

__all__ = ["NumberArgument", "acting", "milliseconds", "now_ms", "ticket_of"]

NumberArgument = Annotated[
    str, typer.Argument(metavar="N", help="Ticket number: BW-000123, or just 123.")
]
_UNITS = {"m": 60_000, "h": 3_600_000, "d": 86_400_000}


def ticket_of(store: Records, number: str) -> TicketDetail:
    """The ticket that is meant, or the end of the command with a sentence."""
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


@contextmanager
def acting(
    store: Records, ticket: TicketRow, action: str, by: str, now_ms: int, **said: object
) -> Iterator[None]:
    """One transaction for what a person does to the ticket, and its entry in the audit trail.

    ``said`` is what goes into the entry besides how the ticket stood before and after.
    """
    from gateway.records.audit import ticket_facts  # noqa: PLC0415 - lazy

    with store.audit.acting(commanding(), now_ms) as act:
        yield
        after = store.ticket(ticket.number)
        facts = ticket_facts(after.ticket) if after else {}
        told = {name: value for name, value in said.items() if value}
        act.note(
            action, ticket.number, before=ticket_facts(ticket),
            after=facts | {"by": by.strip()} | told,
        )  # fmt: skip


def milliseconds(text: str) -> int:
    """A length of time as '90m', '8h' or '3d'; the end of the command where it is none."""
    from gateway.cli.output import fail  # noqa: PLC0415 - lazy

    match = re.fullmatch(r"\s*(\d{1,6}(?:\.\d{1,3})?)\s*([mhd])\s*", text)
    if match is None or float(match[1]) <= 0:
        fail(f"'{text}' is not a length of time. Write 90m, 8h or 3d.", 2)
    return round(float(match[1]) * _UNITS[match[2]])


def now_ms() -> int:
    """The time, UTC, ms since 1970."""
    return time.time_ns() // 1_000_000
