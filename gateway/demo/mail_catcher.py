"""A mail server for the demonstration: it keeps every mail as a file and delivers none.

Each mail becomes ``0001-<subject>.eml``, which any mail program opens, and beside it what a mail
program would show: the HTML part with its pictures in it as ``.html`` (``.txt`` where there is
none), and each attachment. ``index.html`` lists them. It listens on loopback only.
"""

from __future__ import annotations

import html
import re
from base64 import b64encode
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage, Message
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from gateway.embedded_broker import free_port

__all__ = ["MailCatcher"]

_LARGEST = 10_000_000
_LISTENS_WITHIN_S = 60.0  # the library's own 5 s are short while a simulated fleet starts beside it


@dataclass(frozen=True)
class _Kept:
    """A mail in the list: its words, and the names of its files."""

    subject: str
    to: str
    shown: str
    source: str
    attached: tuple[str, ...]


class _Keep:
    """The handler: the files of each mail, and their list."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.mails: list[_Kept] = []

    async def handle_DATA(  # noqa: N802  # the library calls it so
        self, _server: SMTP, _session: Session, envelope: Envelope
    ) -> str:
        content = envelope.content or b""
        data = content if isinstance(content, bytes) else content.encode()
        message = message_from_bytes(data, policy=policy.default)
        assert isinstance(message, EmailMessage)  # noqa: S101  # the policy says so
        subject = str(message["Subject"] or "no subject")
        stem = f"{len(self.mails) + 1:04d}-{_slug(subject)}"
        (self.folder / f"{stem}.eml").write_bytes(data)
        shown, page = _shown(message)
        (self.folder / f"{stem}.{shown}").write_text(page, encoding="utf-8")
        attached = []
        for part in message.iter_attachments():
            name = f"{stem}-{_file_name(part.get_filename() or 'attachment')}"
            (self.folder / name).write_bytes(_content(part))
            attached.append(name)
        to = ", ".join(envelope.rcpt_tos)
        self.mails.append(_Kept(subject, to, f"{stem}.{shown}", f"{stem}.eml", tuple(attached)))
        self._write_index()
        return "250 kept"

    def _write_index(self) -> None:
        rows = "\n".join(
            f"<tr><td>{i}</td><td>{_link(mail.shown, mail.subject)}</td>"
            f"<td>{html.escape(mail.to)}</td><td>{_files(mail)}</td></tr>"
            for i, mail in reversed(list(enumerate(self.mails, start=1)))
        )
        now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
        page = _PAGE.format(count=len(self.mails), now=now, rows=rows)
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
            self._keep, hostname="127.0.0.1", port=self.port, data_size_limit=_LARGEST,
            ready_timeout=_LISTENS_WITHIN_S,
        )  # fmt: skip
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
        return len(self._keep.mails)

    @property
    def subjects(self) -> list[str]:
        """Of each mail, in the order they came."""
        return [mail.subject for mail in self._keep.mails]


def _shown(message: EmailMessage) -> tuple[str, str]:
    """How a mail program would show it: the kind of file, and its text.

    Pictures that the HTML part names by their Content-ID (RFC 2392) are written into it.
    """
    body = message.get_body(("html", "plain"))
    if body is None:
        return "txt", "This mail has no text.\n"
    text = str(body.get_content())
    if body.get_content_subtype() != "html":
        return "txt", text
    for part in message.walk():
        if name := str(part["Content-ID"] or "").strip("<>"):
            inside = f"data:{part.get_content_type()};base64,{b64encode(_content(part)).decode()}"
            text = text.replace(f"cid:{name}", inside)
    return "html", text


def _content(part: Message) -> bytes:
    """A part's bytes; those of a mail within the mail as they stand."""
    content = part.get_payload(decode=True)
    return content if isinstance(content, bytes) else part.as_bytes()


def _files(mail: _Kept) -> str:
    def named(names: Iterable[str]) -> list[str]:
        return [_link(name, f".{name.rpartition('.')[2]}") for name in names]

    return " ".join(named([mail.source, *mail.attached]))


def _link(file: str, text: str) -> str:
    return f'<a href="{html.escape(file)}">{html.escape(text)}</a>'


def _file_name(text: str) -> str:
    stem, dot, ending = text.rpartition(".")
    return f"{_slug(stem)}.{_slug(ending)}" if dot else _slug(text)


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
<table><tr><th>No.</th><th>Subject</th><th>To</th><th>Files</th></tr>
{rows}
</table></html>
"""
