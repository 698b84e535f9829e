"""Whatever names and addresses hold, a mail has the headers and recipients it should have."""

from __future__ import annotations

from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path

import pytest
from support.outbox import only, outbox_for, raise_one, render
from support.records import (
    HOUR_MS,
    NOW_MS,
    WATCH,
    open_records,
    raised,
    step,
    worsened,
)
from support.smtp import MailCatcher

from gateway.mail.outbox import serialised
from gateway.records import Records
from gateway.tickets.notice import Recipient, TicketNotice
from gateway.tickets.routing import Routing, TeamRoute


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    records = open_records(tmp_path)
    yield records
    records.close()


@pytest.fixture
def server() -> Iterator[MailCatcher]:
    with MailCatcher() as server:
        yield server


NAMES = [
    "Rui\r\nBcc: everyone@elsewhere.example",
    "Rui\nSubject: other",
    'Rui" <x@elsewhere.example>, "',
    "Rui\x00\x1b[31m\u2028next",
    "Ünï Çødé " * 20,
    "",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_name_cannot_add_headers_or_recipients(
    tmp_path: Path, server: MailCatcher, name: str
) -> None:
    person = Recipient(name, "rui@north.example")
    team = TeamRoute(on_call=(person,), monitoring=(WATCH,))
    records = open_records(tmp_path, routing=Routing({"n": team}, {"quay-cold-store": "n"}))
    raise_one(records)
    assert outbox_for(records, server).pump(NOW_MS).accepted == 1
    (mail,) = server.received
    assert mail.recipients == ("rui@north.example", WATCH.email)
    message = mail.message
    assert message["Bcc"] is None
    assert message.get_all("Subject") == ["BW-000001 opened medium"]
    assert [a.addr_spec for a in message["To"].addresses] == ["rui@north.example"]
    assert b"\n" not in mail.content.replace(b"\r\n", b"")
    records.close()


@pytest.mark.parametrize(
    "address",
    ["a@b.example>\r\nRCPT TO:<x@y.example", "rui prata@north.example", "rüi@north.example", "rui"],
)
def test_an_address_that_cannot_be_given_to_a_server_is_refused_and_the_others_served(
    tmp_path: Path, server: MailCatcher, address: str
) -> None:
    team = TeamRoute(on_call=(Recipient("Rui", address),), monitoring=(WATCH,))
    records = open_records(tmp_path, routing=Routing({"n": team}, {"quay-cold-store": "n"}))
    raise_one(records)
    outbox_for(records, server).pump(NOW_MS)
    assert [m.recipients for m in server.received] == [(WATCH.email,)]
    assert "correct it in oncall.toml" in only(records).deliveries[0].reply
    records.close()


def test_a_domain_beyond_ascii_is_written_in_its_ascii_form(
    tmp_path: Path, server: MailCatcher
) -> None:
    """RFC 3490's ToASCII: 'bücher' is 'xn--bcher-kva' (a common example of that algorithm)."""
    team = TeamRoute(on_call=(Recipient("Rui", "rui@bücher.example"),))
    records = open_records(tmp_path, routing=Routing({"n": team}, {"quay-cold-store": "n"}))
    raise_one(records)
    outbox_for(records, server).pump(NOW_MS)
    assert server.received[0].recipients == ("rui@xn--bcher-kva.example",)
    records.close()


def test_a_long_message_id_stays_in_one_piece(tmp_path: Path, server: MailCatcher) -> None:
    domain = ".".join(["part-of-a-long-domain"] * 8) + ".example"
    records = open_records(tmp_path, mail_domain=domain)
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    records.commit(2, step(worsened(NOW_MS)), [], NOW_MS)
    outbox_for(records, server).pump(NOW_MS)
    first, second = (m.content.decode() for m in server.received)
    message_id = f"<BW-000001.1.{records.installation}@{domain}>"
    for header, content in (
        ("Message-ID", first), ("In-Reply-To", second), ("References", second),
    ):  # fmt: skip
        assert f"\r\n{header}: {message_id}\r\n" in content
    records.close()


def test_the_same_notice_gives_the_same_bytes(records: Records, server: MailCatcher) -> None:
    seen: list[bytes] = []

    def remember(notice: TicketNotice) -> EmailMessage:
        message = render(notice)
        seen.append(serialised(render(notice), notice))
        return message

    raise_one(records)
    server.behaviour.data = "451 later"
    outbox = outbox_for(records, server, render=remember)
    outbox.pump(NOW_MS)
    outbox.pump(NOW_MS + HOUR_MS)
    assert len(seen) == 2
    assert seen[0] == seen[1]
