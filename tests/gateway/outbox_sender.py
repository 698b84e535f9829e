"""A program that sends what the outbox holds, for a test to kill: URL and port are its arguments.

It writes a line when it starts to send and one when everything is sent.
"""

from __future__ import annotations

import sys
import time
from email.message import EmailMessage

from gateway.mail.outbox import Outbox
from gateway.mail.smtp import MailSettings, SmtpTransport
from gateway.records import Records
from gateway.tickets.notice import TicketNotice


def render(notice: TicketNotice) -> EmailMessage:
    message = EmailMessage()
    message["Subject"] = f"{notice.number} {notice.kind}"
    message.set_content(f"{notice.evidence.summary}\n")
    return message


def main() -> None:
    url, port = sys.argv[1:]
    settings = MailSettings(
        "127.0.0.1", "tickets@basinward.example", port=int(port), security="none"
    )
    outbox = Outbox(Records(url).outbox_store, SmtpTransport(settings), render, batch=1000)
    print("sending", flush=True)  # noqa: T201  # read by the test
    outbox.pump(int(time.time() * 1000))
    print("done", flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
