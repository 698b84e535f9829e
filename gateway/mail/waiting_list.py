"""The mail that lists tickets whose own mails wait, because there were too many in an hour.

It is no ticket: it triggers no work, and says that each ticket's own mail, with what to lock out
and how, comes before any.
"""

from __future__ import annotations

import textwrap
from datetime import UTC, datetime
from email.message import EmailMessage
from typing import Final

from gateway.records.outbox import Listed, Parcel
from gateway.tickets.notice import subject_lead

__all__ = ["waiting_list"]

_WIDTH: Final = 72
_LATEST_MS: Final = 253_402_300_799_000  # end of the year 9999, the last that a date can hold


def waiting_list(parcel: Parcel, per_hour: int) -> EmailMessage:
    """The mail; its other headers are the outbox's."""
    count = parcel.listed_count
    tickets = "1 more ticket" if count == 1 else f"{count:,} more tickets"
    mail = EmailMessage()
    mail["Subject"] = f"{subject_lead(parcel.priority)} - {tickets}: the full mails follow"
    high = parcel.priority == "high"
    mail["Importance"] = "high" if high else "normal"
    kind = "high-priority messages" if high else "messages of medium and low priority"
    paragraphs = [
        f"{tickets} for you. More than {per_hour} {kind} came within an hour, so the tickets' own "
        "mails wait and follow as the hour allows, the gravest first.",
        "This list reminds; it does not authorise work. LOCK OUT BEFORE WORK: do not begin from "
        "this list. A ticket's own mail says what to isolate at that machine, how, and in which "
        "order; until it comes, ask the monitoring centre for it, and follow the site's "
        "energy-control procedure.",
    ]
    if count > len(parcel.listed):
        paragraphs.append(f"The first {len(parcel.listed)} of them; `basinward tickets` lists all.")
    lines = [line for one in parcel.listed for line in _lines(one)]
    body = "\n\n".join(textwrap.fill(text, _WIDTH) for text in paragraphs)
    mail.set_content("\n".join([body, "", *lines, ""]), cte="quoted-printable")
    return mail


def _lines(one: Listed) -> tuple[str, str]:
    place = f"{one.site} / {one.unit}" if one.unit else one.site
    since = datetime.fromtimestamp(min(max(one.onset_ms, 0), _LATEST_MS) / 1000, UTC)
    return (
        _clean(f"{one.priority.upper():6}  {one.ticket}  {one.fault}, {one.kind.value}"),
        _clean(f"        {place}, since {since:%Y-%m-%d %H:%M} UTC"),
    )


def _clean(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text).rstrip()
