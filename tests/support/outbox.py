"""An outbox between the records and the mail catcher, for tests."""

from __future__ import annotations

from email.message import EmailMessage
from typing import Any, Final

from gateway.mail.outbox import Outbox
from gateway.mail.smtp import MailSettings, SmtpTransport
from gateway.records import Records
from gateway.records.rows import OutboxRow
from gateway.tickets.notice import TicketNotice
from rules.events import Severity
from support.records import NOW_MS, raised, step
from support.smtp import MailCatcher

__all__ = ["FROM", "only", "outbox_for", "raise_one", "render", "settings_for"]

FROM: Final = "tickets@basinward.example"


def render(notice: TicketNotice) -> EmailMessage:
    """A small stand-in for the ticket's document."""
    message = EmailMessage()
    message["Subject"] = f"{notice.number} {notice.kind} {notice.priority}"
    lines = [f"{e.seq} {e.kind}" for e in notice.history]
    message.set_content("\n".join([notice.site_id, notice.unit_id, *lines, ".leading dot", ""]))
    return message


def settings_for(server: MailCatcher, **changes: Any) -> MailSettings:
    values: dict[str, Any] = {
        "host": "127.0.0.1", "port": server.port, "security": "none", "from_address": FROM,
        "timeout_s": 20.0,
    }  # fmt: skip
    return MailSettings(**(values | changes))


def outbox_for(records: Records, server: MailCatcher, **options: Any) -> Outbox:
    transport = SmtpTransport(settings_for(server))
    return Outbox(records.outbox_store, transport, **({"render": render} | options))


def raise_one(records: Records, *, row: int = 0, severity: Severity = Severity.MEDIUM) -> None:
    offset = records.committed_offset() + 1
    records.commit(offset, step(raised(NOW_MS, severity, row=row)), [], NOW_MS)


def only(records: Records) -> OutboxRow:
    (row,) = records.outbox()
    return row
