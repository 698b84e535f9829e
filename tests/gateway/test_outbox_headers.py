"""Whatever names and addresses hold, a mail has the headers and recipients it should have."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path
from types import SimpleNamespace
from typing import cast

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
from ticket_scenes import fault, quay_site

from gateway.mail.outbox import serialised
from gateway.mail.waiting_list import waiting_list
from gateway.records import Records
from gateway.records.outbox import Listed, Parcel
from gateway.tickets.notice import NoticeKind, Recipient, TicketNotice
from gateway.tickets.render import MailRenderer
from gateway.tickets.routing import Routing, TeamRoute
from rules.events import Severity


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
    "=?utf-8?q?Bcc=3A_x=40evil.example=3B?=",
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


ODD = [
    "Quay\r\nBcc: thief@evil.example\r\n\r\nStore",
    "Quay\u2028Bcc: thief@evil.example\u0085Store",
    "Quay \u202eerotS\u202c \ufeff\u200bCold",
    "Käse & Côté — 冷蔵庫 " * 3,
    "=?utf-8?b?QmNjOiB0aGllZkBldmlsLmV4YW1wbGU=?=",
]


@pytest.mark.parametrize("odd", ODD)
def test_names_of_sites_units_faults_and_notes_cannot_add_headers(
    tmp_path: Path, server: MailCatcher, odd: str
) -> None:
    """The whole ticket's mail, read back by the standard library's policy (RFC 5322)."""
    team = TeamRoute(on_call=(Recipient(odd, "rui@north.example"),), monitoring=(WATCH,))
    records = open_records(tmp_path, routing=Routing({"n": team}, {"quay-cold-store": "n"}))
    site = quay_site()
    units = tuple(u.model_copy(update={"name": odd[:60]}) for u in site.units)
    site = site.model_copy(update={"name": odd, "access": odd, "units": units})
    renderer = MailRenderer([site], [fault("fan-fault", title=odd)], odd)
    event = dataclasses.replace(raised(NOW_MS, Severity.HIGH), note=odd, by=odd)
    records.commit(1, step(event), [], NOW_MS)
    assert outbox_for(records, server, render=renderer).pump(NOW_MS).accepted == 1
    (mail,) = server.received
    assert mail.recipients == ("rui@north.example", WATCH.email)
    head = mail.content.partition(b"\r\n\r\n")[0]
    assert b"\n" not in head.replace(b"\r\n", b"")
    assert head.isascii()
    names = [name.lower() for name in mail.message.keys()]  # noqa: SIM118 - with repetitions
    assert sorted(names) == sorted(set(names))
    assert set(names) <= {
        "subject", "from", "to", "cc", "reply-to", "date", "message-id", "auto-submitted",
        "importance", "mime-version", "content-type", "content-transfer-encoding",
    }  # fmt: skip
    for header in ("subject", "from", "to"):
        assert not mail.message[header].defects
        assert str(mail.message[header]).isprintable()
    assert mail.message["auto-submitted"] == "auto-generated"  # RFC 3834, 5
    records.close()


def test_odd_ids_in_a_list_of_waiting_tickets_stay_in_its_lines() -> None:
    listed = Listed(
        "BW-000001", NoticeKind.OPENED, "high", "a\r\nBcc: x@evil.example", "\u2028b", "f\0", -1
    )
    parcel = SimpleNamespace(priority="high", listed=(listed,), listed_count=1)
    mail = waiting_list(cast("Parcel", parcel), 5)
    assert mail["Bcc"] is None
    lines = mail.get_content().splitlines()
    assert not any(line.startswith("Bcc") for line in lines)
    assert "since 1970-01-01" in lines[-1]
