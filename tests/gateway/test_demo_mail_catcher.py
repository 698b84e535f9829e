"""The demonstration's mail server keeps each mail as a mail program would show it."""

from __future__ import annotations

import smtplib
from base64 import b64encode
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path

import pytest

from gateway.demo.mail_catcher import MailCatcher

PICTURE = b"\x89PNG not really"


@pytest.fixture
def catcher(tmp_path: Path) -> Iterator[MailCatcher]:
    catcher = MailCatcher(tmp_path / "mail")
    catcher.start()
    yield catcher
    catcher.stop()


def send(catcher: MailCatcher, message: EmailMessage) -> None:
    message["From"], message["To"] = "desk@north.example", "rui@north.example"
    with smtplib.SMTP("127.0.0.1", catcher.port) as client:
        client.send_message(message)


def test_a_picture_is_in_the_page_and_an_attachment_beside_it(catcher):
    message = EmailMessage()
    message["Subject"] = "P1 HIGH - Quay / <b>1</b>"
    message.set_content("In words.")
    message.add_alternative('<p>Look: <img src="cid:chart.1@north"></p>', subtype="html")
    page = message.get_body(("html",))
    assert page is not None
    page.add_related(PICTURE, "image", "png", cid="<chart.1@north>")
    message.add_attachment(b"%PDF", "application", "pdf", filename="Job sheet ../BW-1.pdf")
    send(catcher, message)

    [shown] = catcher.folder.glob("0001-*.html")
    assert f"data:image/png;base64,{b64encode(PICTURE).decode()}" in shown.read_text()
    assert "cid:" not in shown.read_text()
    [sheet] = catcher.folder.glob("0001-*.pdf")
    assert sheet.read_bytes() == b"%PDF"
    index = (catcher.folder / "index.html").read_text()
    assert all(f'href="{file.name}"' in index for file in catcher.folder.glob("0001-*"))
    assert "<b>1</b>" not in index


def test_a_mail_in_plain_text_has_a_page_too(catcher):
    message = EmailMessage()
    message["Subject"] = "Text alone"
    message.set_content("Fan 3 stands.")
    send(catcher, message)
    assert (catcher.folder / "0001-text-alone.txt").read_text() == "Fan 3 stands.\n"
    assert 'href="0001-text-alone.txt"' in (catcher.folder / "index.html").read_text()
    assert catcher.subjects == ["Text alone"]
