"""A mail server for the demonstration: it keeps every mail as a file and delivers none.

Each mail becomes ``0001-<subject>.eml``, which any mail program opens, and beside it the HTML part
as ``.html`` for a browser. ``index.html`` lists them. It listens on loopback only.
"""

from __future__ import annotations

import html
import re
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from gateway.embedded_broker import free_port

__all__ = ["MailCatcher"]

_LARGEST = 10_000_000


class _Keep:
    """The handler: one file a mail."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.subjects: list[tuple[str, str, str]] = []

    async def handle_DATA(  # noqa: N802  # the library calls it so
        self, _server: SMTP, _session: Session, envelope: Envelope
    ) -> str:
        content = envelope.content or b""
        data = content if isinstance(content, bytes) else content.encode()
        message = message_from_bytes(data, policy=policy.default)
        assert isinstance(message, EmailMessage)  # noqa: S101  # the policy says so
        subject = str(message["Subject"] or "no subject")
        number = len(self.subjects) + 1
        stem = f"{number:04d}-{_slug(subject)}"
        (self.folder / f"{stem}.eml").write_bytes(data)
        body = message.get_body(("html",))
        if body is not None:
            (self.folder / f"{stem}.html").write_text(body.get_content(), encoding="utf-8")
        to = ", ".join(envelope.rcpt_tos)
        self.subjects.append((stem, subject, to))
        self._write_index()
        return "250 kept"

    def _write_index(self) -> None:
        rows = "\n".join(
            f'<tr><td>{i}</td><td><a href="{stem}.html">{html.escape(subject)}</a></td>'
            f'<td>{html.escape(to)}</td><td><a href="{stem}.eml">.eml</a></td></tr>'
            for i, (stem, subject, to) in reversed(list(enumerate(self.subjects, start=1)))
        )
        now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
        page = _PAGE.format(count=len(self.subjects), now=now, rows=rows)
        draft = self.folder / "index.html.part"
        draft.write_text(page, encoding="utf-8")
        draft.replace(self.folder / "index.html")


class MailCatcher:
    """The server, from :meth:`start` to :meth:`stop`, on a free ``port`` of loopback."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._keep = _Keep(folder)
        self.port = free_port()
        self._controller: Any = Controller(
            self._keep, hostname="127.0.0.1", port=self.port, data_size_limit=_LARGEST
        )
        self.folder = folder

    def start(self) -> None:
        """Listen."""
        self._controller.start()

    def stop(self) -> None:
        """Stop listening; the files stay."""
        self._controller.stop()

    @property
    def count(self) -> int:
        """Mails kept so far."""
        return len(self._keep.subjects)

    @property
    def last_subjects(self) -> list[str]:
        """The newest subjects, newest first."""
        return [subject for _, subject, _ in self._keep.subjects[:-6:-1]]


def _slug(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-").lower()[:80] or "mail"


_PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Mails of the demonstration</title>
<style>
body {{ font: 16px/1.45 system-ui, sans-serif; margin: 2rem auto; max-width: 60rem;
       padding: 0 1rem; color: #222; background: #fafafa }}
table {{ border-collapse: collapse; width: 100% }}
td, th {{ text-align: left; padding: .4rem .6rem; border-bottom: 1px solid #ccc;
         vertical-align: top }}
@media (prefers-color-scheme: dark) {{ body {{ color: #ddd; background: #1c1c1c }}
  a {{ color: #9cf }} td, th {{ border-color: #444 }} }}
</style>
<h1>{count} mails</h1>
<p>Kept by the demonstration's own mail server, {now}; none was sent anywhere. The .eml files
open in any mail program.</p>
<table><tr><th>No.</th><th>Subject</th><th>To</th><th>File</th></tr>
{rows}
</table></html>
"""
