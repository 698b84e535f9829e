"""Short texts: 160 septets of the GSM alphabet, with all that matters, one to each person."""

from __future__ import annotations

from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path

import gsm0338
import pytest
from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, write
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.engine import URL
from support.outbox import outbox_for
from support.records import HOUR_MS, NOW_MS, WATCH, open_records, raised, returned, step, worsened
from support.smtp import MailCatcher
from ticket_scenes import fault, notice, quay_site

from gateway.channels.gsm import BASIC, EXTENSION, septets, transliterated
from gateway.channels.short_text import LOCK_OUT, short_text, short_text_mail
from gateway.config import ConfigurationFaults, load
from gateway.records.rows import Channel, OutboxState
from gateway.tickets.notice import NoticeKind, Recipient, TicketNotice
from gateway.tickets.render import MailRenderer
from gateway.tickets.routing import Routing, TeamRoute
from rules.events import Severity
from rules.faults.registry import FAULTS

CODEC = gsm0338.Codec()
"""An independent implementation of the same tables."""


UNKNOWN_SITES = MailRenderer([], [fault()])
QUAY = MailRenderer([quay_site()], FAULTS)


def encoded(text: str) -> bytes:
    data: bytes = CODEC.encode(text)[0]
    return data


def made(kind: NoticeKind = NoticeKind.OPENED, site_name: str = "Quay Cold Store") -> str:
    renderer = MailRenderer([quay_site(name=site_name)], [fault()])
    one = notice(kind)
    return short_text(renderer.ticket(one), one)


# ---------------------------------------------------------------- the alphabet


def test_the_tables_are_those_of_the_standard() -> None:
    """3GPP TS 23.038, 6.2.1: 128 places, of which 0x1B leads to the extension table."""
    assert len(BASIC) == len(set(BASIC)) == 127
    for place, character in enumerate(BASIC):
        assert encoded(character) == bytes([place if place < 27 else place + 1])
    for character in EXTENSION:
        assert encoded(character)[0] == 0x1B
        assert len(encoded(character)) == 2
    assert len(EXTENSION) == 10


@given(st.text(max_size=60))
def test_whatever_is_written_comes_out_in_the_tables_and_is_counted_as_they_do(text: str) -> None:
    once = transliterated(text)
    assert septets(once) == len(encoded(once))
    assert transliterated(once) == once
    assert once.isprintable()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Käse & Côté", "Käse & Coté"),
        ("30 °C – 5 µS/cm…", "30 deg C - 5 uS/cm..."),
        ("Łódź №3", "Lodz No3"),
        ("Ç ç É ê", "Ç c É e"),
        ("a\r\nb\u2028c\x00d", "a b c d"),
        ("冷蔵庫", "???"),
        ("e\u0301 e\u0323", "é e"),
        ("\u202eabc\u200b", "abc"),
    ],
)
def test_what_the_alphabet_lacks_is_written_otherwise(text: str, expected: str) -> None:
    assert transliterated(text) == expected


def test_a_character_outside_is_refused_when_counting() -> None:
    with pytest.raises(ValueError, match="transliterate it first"):
        septets("冷")


# ---------------------------------------------------------------- the text


def test_the_text_of_a_ticket() -> None:
    assert made() == (
        "HIGH Quay Cold Store / AC-1: Pump screen clogging BW-000123 LOCK OUT BEFORE WORK. "
        "Respond today, before the hot hours"
    )


@pytest.mark.parametrize("kind", NoticeKind)
@pytest.mark.parametrize("entry", FAULTS, ids=lambda f: f.slug)
def test_every_fault_has_all_that_matters_in_160(entry: object, kind: NoticeKind) -> None:
    one = notice(kind, fault=entry.slug)  # type: ignore[attr-defined]
    text = short_text(QUAY.ticket(one), one)
    assert len(encoded(text)) <= 160
    assert text.startswith(one.priority.upper() + " ")
    for part in (one.number, LOCK_OUT):
        assert part in text
    assert "permit" not in text.lower()
    names = (entry.title, entry.slug)  # type: ignore[attr-defined]
    assert any(transliterated(name) in text for name in names)


@pytest.mark.parametrize(
    "name", ["Quay Cold Store " * 5, "[Q] {Store} €" * 5, "冷蔵庫", "Ærø Frysehus nr. 7 ved kajen"]
)
def test_long_or_unwritable_names_give_way_to_ids_and_nothing_is_cut(name: str) -> None:
    text = made(site_name=name.strip())
    assert len(encoded(text)) <= 160
    assert ".." not in text
    assert " / AC-1: " in text
    assert "quay-cold-store" in text or name.strip() in text
    assert LOCK_OUT in text
    assert "BW-000123" in text


@given(st.text("abc-", min_size=1, max_size=64), st.text("xyz-", max_size=64))
def test_ids_of_any_length_fit_with_number_and_reminder_whole(site: str, unit: str) -> None:
    one = notice(site_id=site, unit_id=unit)
    text = short_text(UNKNOWN_SITES.ticket(one), one)
    assert len(encoded(text)) <= 160
    assert "BW-000123 " + LOCK_OUT in text
    if len(site) + len(unit) <= 90:
        assert site.strip() in text
        assert unit.strip() in text


def test_what_has_changed_is_said_where_there_is_room() -> None:
    assert "NO ANSWER YET" in made(NoticeKind.ESCALATED)


# ---------------------------------------------------------------- to whom, and how


@pytest.fixture
def server() -> Iterator[MailCatcher]:
    with MailCatcher() as server:
        yield server


ANA = Recipient("Ana", "ana@north.example", "351555010112@texts.example")
EVA = Recipient("Eva", "eva@north.example", "351555010113@texts.example", ("high", "medium"))
TEXTING = Routing(
    {"n": TeamRoute(on_call=(ANA, EVA), monitoring=(WATCH,))},
    {"quay-cold-store": "n", "hill-dairy": "n"},
)


def text_of(one: TicketNotice) -> EmailMessage:
    return short_text_mail(QUAY.ticket(one), one)


def test_each_gets_a_text_of_his_own_at_the_priorities_he_wants(
    records_url: URL, server: MailCatcher
) -> None:
    records = open_records(records_url, routing=TEXTING)
    records.commit(1, step(raised(NOW_MS)), [], NOW_MS)
    records.commit(2, step(worsened(NOW_MS)), [], NOW_MS)
    records.commit(3, step(returned(NOW_MS)), [], NOW_MS)  # no text wakes anybody for that
    assert outbox_for(records, server, text=text_of).pump(NOW_MS).accepted == 3 + 1 + 2
    texts = [m for m in server.received if "@texts.example" in m.recipients[0]]
    assert sorted((m.recipients, m.message.get_content().split()[0]) for m in texts) == [
        ((ANA.text_address,), "HIGH"),
        ((EVA.text_address,), "HIGH"),
        ((EVA.text_address,), "MEDIUM"),
    ]
    for mail in texts:
        message = mail.message
        assert message.get_content_type() == "text/plain"
        assert not message.is_multipart()
        assert "subject" not in message
        assert "in-reply-to" not in message
        assert message["auto-submitted"] == "auto-generated"  # RFC 3834
        assert [a.addr_spec for a in message["to"].addresses] == list(mail.recipients)
        body = message.get_content().removesuffix("\n").removesuffix("\r")
        assert "\n" not in body
        assert len(encoded(body)) <= 160
        assert LOCK_OUT in body
    ids = [m.message["Message-ID"] for m in server.received]
    assert len(set(ids)) == 6
    rows = {row.channel for row in records.outbox()}
    assert rows == {Channel.MAIL, Channel.TEXT}
    records.close()


def test_a_refused_text_does_not_touch_the_mail(tmp_path: Path, server: MailCatcher) -> None:
    records = open_records(tmp_path, routing=TEXTING)
    server.behaviour.rcpt[ANA.text_address] = "550 5.1.1 no such number"
    records.commit(1, step(raised(NOW_MS, Severity.HIGH)), [], NOW_MS)
    result = outbox_for(records, server, text=text_of).pump(NOW_MS)
    assert (result.accepted, result.refused) == (2, 1)
    (refused,) = records.undelivered()
    assert (refused.channel, refused.state) == (Channel.TEXT, OutboxState.REFUSED)
    assert refused.deliveries[0].recipient.email == ANA.text_address
    records.close()


def test_a_held_text_is_withdrawn_with_its_mail(tmp_path: Path) -> None:
    records = open_records(tmp_path, routing=TEXTING)
    for offset in range(1, 7):
        event = (
            raised(NOW_MS, Severity.HIGH) if offset % 2 else returned(NOW_MS)
        )  # fmt: skip
        records.commit(offset, step(event), [], NOW_MS)
    held = [r for r in records.outbox() if r.next_attempt_ms > NOW_MS]
    assert {(r.channel, r.state) for r in held} == {
        (Channel.MAIL, OutboxState.WITHDRAWN), (Channel.TEXT, OutboxState.WITHDRAWN),
    }  # fmt: skip
    assert {r.next_attempt_ms for r in held} == {NOW_MS + 4 * HOUR_MS}
    records.close()


def test_a_text_that_is_not_ascii_is_read_back_as_it_was_written() -> None:
    one = notice()
    renderer = MailRenderer([quay_site(name="Ærø Kühlhaus")], FAULTS)
    mail = short_text_mail(renderer.ticket(one), one)
    assert "Ærø Kühlhaus" in mail.get_content()


def test_text_addresses_stand_with_the_people_of_oncall_toml(tmp_path: Path) -> None:
    oncall = """\
[people]
ana = { name = "Ana", email = "ana@north.example", text_address = "1@texts.example" }

[teams.north]
name = "North"
on_call = [{ name = "Eva", email = "eva@north.example", text_address = "2@texts.example", \
text_priorities = ["medium", "high"] }]
planner = [{ name = "Planning", email = "planning@north.example" }]
"""
    fleet = write(tmp_path, oncall=oncall, site=REAL_SITE, fleet=REAL_FLEET)
    (eva,) = load(fleet, ENVIRON).routing.teams["north"].on_call
    assert (eva.text_address, eva.text_priorities) == ("2@texts.example", ("medium", "high"))
    ana = load(fleet, ENVIRON).routing.teams["north"].people["ana"]
    assert (ana.text_address, ana.text_priorities) == ("1@texts.example", ("high",))
    wrong = oncall.replace('["medium", "high"]', '["urgent"]')
    with pytest.raises(ConfigurationFaults, match="text_priorities"):
        load(write(tmp_path, oncall=wrong, site=REAL_SITE, fleet=REAL_FLEET), ENVIRON)
