"""Telling operators: mail through a real server, syslog over a real socket, once and in the end."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Iterator, Sequence
from email import message_from_bytes, policy
from pathlib import Path

import pytest
from support.outbox import FROM, settings_for
from support.smtp import MailCatcher, Received

from gateway.mail.smtp import SmtpTransport
from gateway.watching.conditions import CONDITIONS, Finding
from gateway.watching.episodes import Change, Episode, EpisodeBook, Notice, Telling
from gateway.watching.notices import Messenger, Place, mail_of, sentence_of, syslog_of

NOW_MS = 1_760_000_000_000  # 2025-10-09 08:53:20 UTC
OPERATOR = "ops@centre.example"
PLACE = Place("Northern fleet", "watch-1.centre.example", "/var/lib/basinward")
AWAY = Finding("away for 5 min", "5 min", "Cannot reach the broker at b:1883.", 300.0)


@pytest.fixture
def server() -> Iterator[MailCatcher]:
    with MailCatcher() as server:
        yield server


class Told:
    """A book with a clock, and a messenger that is driven by hand."""

    def __init__(self, server: MailCatcher, path: Path, to: Sequence[str] = (OPERATOR,)) -> None:
        self.now_ms, self.now_s = NOW_MS, 0.0
        self.path = path / "watch.json"
        self.book = EpisodeBook(self.path)
        self.messenger = Messenger(
            self.book, SmtpTransport(settings_for(server)), lambda: to, lambda: PLACE,
            lambda: self.now_ms, monotonic_s=lambda: self.now_s,
        )  # fmt: skip

    def look(self, finding: Finding | None, after_s: float = 10.0) -> list[Change]:
        self.now_ms += int(1000 * after_s)
        self.now_s += after_s
        found = [(c, finding if c.slug == "broker-away" else None) for c in CONDITIONS]
        return self.book.look(found, self.now_ms, after_s, 300.0)


def subjects(received: Sequence[Received]) -> list[str]:
    return [str(r.message["Subject"]) for r in received]


def test_one_mail_when_it_begins_and_one_in_its_thread_when_it_is_over(
    server: MailCatcher, tmp_path: Path
) -> None:
    told = Told(server, tmp_path)
    told.look(AWAY)
    told.messenger.send_due()
    told.messenger.send_due()
    told.look(AWAY)
    told.messenger.send_due()
    told.look(None, 400)
    told.messenger.send_due()
    told.messenger.send_due()
    begin, end = server.received
    assert begin.recipients == (OPERATOR,)
    assert subjects(server.received) == [
        "[GATEWAY] The broker is away (Northern fleet)",
        "[GATEWAY OK] The broker is away: over (Northern fleet)",
    ]
    assert end.message["In-Reply-To"] == end.message["References"] == begin.message["Message-ID"]
    assert begin.message["Auto-Submitted"] == "auto-generated"  # RFC 3834
    assert "after 5 min" in end.message.get_content()


def test_the_mail_says_since_when_value_limit_reason_and_what_to_do(
    server: MailCatcher, tmp_path: Path
) -> None:
    told = Told(server, tmp_path)
    told.look(AWAY, 60)
    told.messenger.send_due()
    text = " ".join(server.received[0].message.get_content().split())
    for words in (
        "Since: 2025-10-09 08:49:20Z", "Value: away for 5 min", "Limit: 5 min",
        "Reason: Cannot reach the broker at b:1883.", "What to do: See that the broker runs",
        "on watch-1.centre.example (data in /var/lib/basinward), not about a condenser",
    ):  # fmt: skip
        assert words in text, text


def test_a_server_that_is_away_is_tried_again_and_what_passed_is_told_at_last(
    server: MailCatcher, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    server.stop()
    told = Told(server, tmp_path)
    told.look(AWAY)
    for _ in range(5):
        told.messenger.send_due()
        told.look(AWAY, 61)
    assert len([r for r in caplog.records if "own trouble waits" in r.message]) == 1
    told.look(None, 400)
    server.start()
    told.messenger.send_due()
    assert subjects(server.received) == ["[GATEWAY OK] The broker is away: passed (Northern fleet)"]


def test_after_a_crash_before_it_is_noted_the_same_mail_is_sent_again(
    server: MailCatcher, tmp_path: Path
) -> None:
    told = Told(server, tmp_path)
    told.look(AWAY)
    before = told.path.read_bytes()
    told.messenger.send_due()
    told.path.write_bytes(before)  # as if the process had ended before the note was on disk
    again = Told(server, tmp_path)
    again.messenger.send_due()
    first, second = (r.message["Message-ID"] for r in server.received)
    assert first == second
    assert EpisodeBook(told.path).due(NOW_MS) == []


def test_a_recipient_refused_for_good_is_said_and_not_tried_for_ever(
    server: MailCatcher, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    server.behaviour.rcpt[OPERATOR] = "550 5.1.1 no such user"
    told = Told(server, tmp_path)
    told.look(AWAY)
    told.messenger.send_due()
    assert "Correct operators under [watch]" in caplog.text
    assert told.book.due(told.now_ms) == []


def test_a_recipient_refused_for_now_is_tried_again(server: MailCatcher, tmp_path: Path) -> None:
    server.behaviour.rcpt[OPERATOR] = "450 4.2.0 later"
    told = Told(server, tmp_path)
    told.look(AWAY)
    told.messenger.send_due()
    assert len(told.book.due(told.now_ms)) == 1
    del server.behaviour.rcpt[OPERATOR]
    told.look(AWAY, 31)
    told.messenger.send_due()
    assert len(server.received) == 1


def test_where_nobody_is_named_the_log_has_told_it(server: MailCatcher, tmp_path: Path) -> None:
    told = Told(server, tmp_path, to=())
    told.look(AWAY)
    told.messenger.send_due()
    assert told.book.due(told.now_ms) == []
    assert server.received == []


EPISODES = [
    Episode(c.slug, NOW_MS - 300_000, NOW_MS, "value", "limit", "why", 2, over_ms, Telling.NOTHING)
    for c in CONDITIONS
    for over_ms in (None, NOW_MS + 60_000)
]


@pytest.mark.parametrize("episode", EPISODES, ids=lambda e: f"{e.slug}-{e.standing}")
@pytest.mark.parametrize("telling", [Telling.STANDING, Telling.OVER, Telling.PASSED])
def test_every_mail_survives_the_wire(episode: Episode, telling: Telling) -> None:
    mail = mail_of(Notice(episode, telling), PLACE, FROM, [OPERATOR], NOW_MS)
    data = mail.as_bytes()
    data.decode("ascii")
    assert max(len(line) for line in data.split(b"\r\n")) <= 998  # RFC 5322, 2.1.1
    read = message_from_bytes(data, policy=policy.default)
    assert read["Message-ID"] == mail["Message-ID"]
    assert re.fullmatch(r"<[\w.-]+@basinward\.example>", read["Message-ID"])
    assert read["Date"] == "Thu, 09 Oct 2025 08:53:20 +0000"
    assert "about a condenser" in read.get_content()


def test_what_comes_from_outside_makes_no_header_of_its_own() -> None:
    place = Place("Fleet\r\nBcc: x@y.example", "host\n", "/data")
    episode = Episode("broker-away", 0, NOW_MS, "v", "l", "why\r\n\r\nmore")
    mail = mail_of(Notice(episode, Telling.STANDING), place, FROM, [OPERATOR], NOW_MS)
    read = message_from_bytes(mail.as_bytes(), policy=policy.default)
    assert read["Bcc"] is None
    assert read["To"] == OPERATOR
    assert "Reason:      why more" in read.get_content()


# RFC 5424, section 6: HEADER SP STRUCTURED-DATA SP MSG, with the UTF-8 mark before the text.
SYSLOG = re.compile(
    r"<(\d{1,3})>1 (\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z) ([!-~]{1,255}) ([!-~]{1,48}) "
    r"([!-~]{1,128}) ([!-~]{1,32}) - \ufeff([^\x00-\x1f]*)"
)


@pytest.mark.parametrize("episode", EPISODES, ids=lambda e: f"{e.slug}-{e.standing}")
def test_a_syslog_message_is_one_by_its_standard(episode: Episode) -> None:
    datagram = syslog_of(Change(episode, episode.standing), PLACE, NOW_MS)
    match = SYSLOG.fullmatch(datagram.decode())
    assert match
    priority, at, host, program, _, slug, text = match.groups()
    # RFC 5424, tables 1 and 2: facility 3 system daemons; severity 3 error, 5 notice.
    assert int(priority) == 3 * 8 + (3 if episode.standing else 5)
    assert (at, host, program) == ("2025-10-09T08:53:20.000Z", PLACE.host, "basinward")
    assert slug == episode.slug
    assert sentence_of(episode).startswith(text[:100])
    assert len(datagram) <= 1180


def test_syslog_tells_it_while_no_mail_goes_out(server: MailCatcher, tmp_path: Path) -> None:
    server.stop()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as hears:
        hears.bind(("127.0.0.1", 0))
        hears.settimeout(120)
        book = EpisodeBook(tmp_path / "watch.json")
        messenger = Messenger(
            book, SmtpTransport(settings_for(server)), lambda: [OPERATOR], lambda: PLACE,
            lambda: NOW_MS, syslog=lambda: ("127.0.0.1", hears.getsockname()[1]),
        )  # fmt: skip
        messenger.start()
        try:
            found = [(c, AWAY if c.slug == "broker-away" else None) for c in CONDITIONS]
            messenger.tell(book.look(found, NOW_MS, 10.0, 300.0))
            assert b" broker-away - " in hears.recv(2000)
            messenger.tell(book.look([(c, None) for c in CONDITIONS], NOW_MS, 400.0, 300.0))
            assert b"over since" in hears.recv(2000)
        finally:
            messenger.stop()
            assert messenger.join(120)


def test_a_syslog_server_that_cannot_be_named_stops_nothing(
    server: MailCatcher, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    said = threading.Event()
    book = EpisodeBook(tmp_path / "watch.json")

    def to() -> list[str]:
        said.set()
        return [OPERATOR]

    messenger = Messenger(
        book, SmtpTransport(settings_for(server)), to, lambda: PLACE, lambda: NOW_MS,
        syslog=lambda: ("no such host", 514),
    )  # fmt: skip
    found = [(c, AWAY if c.slug == "broker-away" else None) for c in CONDITIONS]
    messenger.tell(book.look(found, NOW_MS, 10.0, 300.0))
    messenger.start()
    assert said.wait(120)
    server.wait_for(1)
    messenger.stop()
    assert messenger.join(120)
    assert "was not told" in caplog.text
