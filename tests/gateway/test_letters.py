"""Mails about no ticket: kept whole, sent once, on both databases and a real mail server."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import create_engine, inspect
from sqlalchemy.engine import URL
from support.outbox import outbox_for, raise_one
from support.records import HOUR_MS, NOW_MS, PLANNER, RUI, open_records
from support.smtp import MailCatcher

from gateway.mail.allowance import Allowance
from gateway.mail.letter import Letter, LetterFile
from gateway.mail.letter_mail import letter_mail
from gateway.records import Records
from gateway.records.letters import letter_of, write_letter
from gateway.records.rows import Channel, OutboxState
from gateway.records.session import migration_config
from gateway.tickets.notice import NoticeKind, Recipient

PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))
LETTER = Letter(
    "Month at Quay, 1 µS\r\nBcc: x@evil.example",
    "Plain words.\n.\nend\n",
    '<p>Words and <img src="cid:a.chart@basinward" alt="a course"></p>',
    (
        LetterFile("course.png", "image/png", PNG, cid="a.chart@basinward"),
        LetterFile("Bericht März.pdf", "application/pdf", b"%PDF-1.7 \x00\xff"),
        LetterFile("visit.ics", "text/calendar; method=REQUEST", b"BEGIN:VCALENDAR\r\n"),
    ),
)


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = open_records(records_url)
    yield records
    records.close()


def written(records: Records, *to: Recipient) -> int:
    with records._database.write() as connection:
        return write_letter(
            connection,
            LETTER,
            to,
            now_ms=NOW_MS,
            postmark=records._postmark,
            word="month",
            in_reply_to=f"<month.0.{records.installation}@basinward.invalid>",
        )


def test_a_letter_is_read_back_as_it_was_written(records: Records) -> None:
    outbox_id = written(records, PLANNER)
    with records._database.read() as connection:
        assert letter_of(connection, outbox_id) == LETTER


def test_a_letter_reaches_everyone_once_with_all_its_parts(records: Records) -> None:
    written(records, PLANNER, RUI, Recipient("again", PLANNER.email.upper()))
    with MailCatcher() as server:
        outbox = outbox_for(records, server)
        assert outbox.pump(NOW_MS).accepted == 1
        assert outbox.pump(NOW_MS + HOUR_MS).accepted == 0
        (mail,) = server.received
    assert mail.recipients == (PLANNER.email, RUI.email)
    message = mail.message
    # A line feed in a subject would begin another header (RFC 5322, 2.2).
    assert message["Subject"] == "Month at Quay, 1 µS Bcc: x@evil.example"
    assert message["Bcc"] is None
    assert message["Message-ID"].startswith("<month.1.")
    assert message["References"] == message["In-Reply-To"]
    assert message["In-Reply-To"].startswith("<month.0.")
    assert message["Auto-Submitted"] == "auto-generated"
    body = message.get_body(("plain",))
    assert body is not None
    assert body.get_content().splitlines() == LETTER.text.splitlines()
    page = message.get_body(("html",))
    assert page is not None
    assert "cid:a.chart@basinward" in page.get_content()
    parts = {part.get_filename(): part for part in message.walk() if part.get_filename()}
    assert parts["course.png"]["Content-ID"] == "<a.chart@basinward>"
    assert parts["course.png"].get_content() == PNG
    assert parts["Bericht März.pdf"].get_content() == b"%PDF-1.7 \x00\xff"
    calendar = parts["visit.ics"]
    assert calendar.get_content_type() == "text/calendar"
    assert calendar.get_param("method") == "REQUEST"


def test_the_same_letter_makes_the_same_mail() -> None:
    """But for the boundaries between the parts, which the standard library draws by chance."""
    first, second = letter_mail(LETTER), letter_mail(LETTER)
    for mail in (first, second):
        for number, part in enumerate(p for p in mail.walk() if p.is_multipart()):
            part.set_boundary(f"=_{number}")
    assert first.as_bytes() == second.as_bytes()


def test_a_letter_waits_behind_tickets_and_is_shown_among_what_nobody_got(
    records: Records,
) -> None:
    written(records, PLANNER)
    raise_one(records)
    due = records.outbox_store.due(NOW_MS, 10)
    assert [one.channel for one in due] == [Channel.MAIL, Channel.LETTER]
    written(records)
    (nobody,) = records.undelivered()
    assert (nobody.ticket, nobody.subject) == ("", LETTER.subject)
    assert (nobody.kind, nobody.state) == (NoticeKind.LETTER, OutboxState.UNADDRESSED)


def test_a_letter_neither_waits_for_the_hour_nor_uses_it_up(records: Records) -> None:
    for _ in range(3):
        written(records, RUI)
    raise_one(records)
    with MailCatcher() as server:
        allowance = Allowance(records.allowance_store, 1)
        outbox = outbox_for(records, server, allowance=allowance)
        assert outbox.pump(NOW_MS).accepted == 4


def test_a_crash_on_the_way_sends_it_again_and_marks_it(records: Records) -> None:
    outbox_id = written(records, RUI)
    assert records.outbox_store.claim(outbox_id, NOW_MS) is not None
    records.outbox_store.handing_over(outbox_id)
    with MailCatcher() as server:
        assert outbox_for(records, server).pump(NOW_MS + HOUR_MS).accepted == 1
    (row,) = records.outbox()
    assert (row.state, row.possibly_duplicate) == (OutboxState.ACCEPTED, True)


def test_letters_go_when_the_records_go_back_to_a_version_without_them(tmp_path: Path) -> None:
    """Tickets' mails stay."""
    records = open_records(tmp_path)
    raise_one(records)
    written(records, RUI)
    records.close()
    engine = create_engine(f"sqlite:///{tmp_path / 'records.sqlite'}")
    with engine.begin() as connection:
        config = migration_config()
        config.attributes["connection"] = connection
        command.downgrade(config, "0007")
        assert "outbox_letters" not in inspect(connection).get_table_names()
        rows = connection.exec_driver_sql("SELECT kind FROM outbox").all()
    engine.dispose()
    assert rows == [("opened",)]


def test_a_media_type_that_no_header_can_say_is_refused() -> None:
    with pytest.raises(ValueError, match="no media type"):
        LetterFile("a", "text/plain\r\nX: y", b"")
