"""From a letter to a mail. The other headers are the outbox's."""

from __future__ import annotations

from email.message import EmailMessage
from email.policy import SMTP
from typing import Any

from gateway.mail.letter import Letter, LetterFile

__all__ = ["letter_mail"]


def letter_mail(letter: Letter) -> EmailMessage:
    """Plain text first, the page with its pictures beside it, then what is attached."""
    mail = EmailMessage(policy=SMTP)
    mail["Subject"] = _one_line(letter.subject)
    mail["Importance"] = "normal"
    mail.set_content(letter.text, cte="quoted-printable")
    if letter.html:
        mail.add_alternative(letter.html, subtype="html", cte="quoted-printable")
        *_, page = mail.iter_parts()
        for file in letter.files:
            if file.cid:
                page.add_related(
                    file.content, **_type(file), cid=f"<{file.cid}>", disposition="inline"
                )
    for file in letter.files:
        if not file.cid:
            mail.add_attachment(file.content, **_type(file))
    return mail


def _type(file: LetterFile) -> dict[str, Any]:
    kind, *parameters = (part.strip() for part in file.media_type.split(";"))
    maintype, _, subtype = kind.partition("/")
    params = dict(parameter.split("=", 1) for parameter in parameters)
    return {
        "maintype": maintype,
        "subtype": subtype,
        "filename": _one_line(file.name),
        "params": params,
    }


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
