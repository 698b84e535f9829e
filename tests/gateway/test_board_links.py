"""The links of mails: nothing but the very text that was signed opens anything, and in time."""

from __future__ import annotations

import hashlib
import hmac
import re
import stat
from base64 import b32encode
from concurrent.futures import ThreadPoolExecutor

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ticket_scenes import SCENES, notice

from gateway.board.key import KEY_FILE, signer_of
from gateway.board.limits import BadLinkLimit
from gateway.board.links import SHORTEST_KEY, Act, BadLink, ExpiredLink, Link, Signer
from gateway.board.mail_links import mail_links
from gateway.board.settings import BoardSettings
from gateway.tickets.notice import NoticeKind

KEY = bytes(range(32))
HERE = "4f2a"
SIGNER = Signer(KEY, HERE)
MADE_MS = 1_784_598_000_000
HOUR_MS = 3_600_000
LINK = SIGNER.sign(Act.ACKNOWLEDGE, "BW-000123", 4, MADE_MS, 72)

links = st.builds(
    lambda number, event, made_ms, hours: SIGNER.sign(
        Act.ACKNOWLEDGE, f"BW-{number:06d}", event, made_ms, hours
    ),
    st.integers(0, 10**12 - 1), st.integers(0, 10**9 - 1),
    st.integers(0, 2**42), st.integers(1, 720),
)  # fmt: skip


def refused(text: str, now_ms: int = MADE_MS, signer: Signer = SIGNER) -> bool:
    try:
        signer.read(text, Act.ACKNOWLEDGE, now_ms)
    except BadLink:
        return True
    return False


def test_a_link_says_what_was_signed():
    link = SIGNER.read(LINK, Act.ACKNOWLEDGE, MADE_MS)
    assert link == Link(Act.ACKNOWLEDGE, "BW-000123", 4, MADE_MS // 60_000 + 72 * 60)
    assert link.expires_ms == MADE_MS + 72 * HOUR_MS


def test_the_seal_is_an_hmac_cut_to_its_leftmost_128_bits():
    """RFC 2104, sections 2 and 5, put together here from its definition with SHA-256 alone."""
    end = LINK.split("-")[3]
    said = ["basinward link 1", HERE, "acknowledge", "BW-000123", "4", end]
    message = b"\xff".join(part.encode() for part in said)
    padded = KEY.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in padded) + message).digest()
    outer = hashlib.sha256(bytes(b ^ 0x5C for b in padded) + inner).digest()
    assert outer == hmac.digest(KEY, message, "sha256")
    assert LINK.endswith("-" + b32encode(outer[:16]).decode().rstrip("=").lower())


def test_a_link_outlives_mail_programs():
    """Letters, digits and hyphens, a letter or digit last: nothing to quote, cut off or break.

    RFC 3986, section 2.3: all of them are unreserved. RFC 5322, section 2.1.1: a line of 78 is what
    every program shows whole, and the address before the link has its share of it.
    """
    assert re.fullmatch(r"[A-Za-z0-9-]*[a-z0-9]", LINK)
    assert len(LINK) <= 48


@given(links, st.data())
def test_no_other_character_anywhere_is_taken(link, data):
    at = data.draw(st.integers(0, len(link) - 1))
    other = data.draw(st.characters().filter(lambda c: c != link[at]))
    assert refused(link[:at] + other + link[at + 1 :])


def test_each_character_of_one_link_counts():
    for at, had in enumerate(LINK):
        for other in "0123456789abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ-_=+/. \n":
            if other != had:
                assert refused(LINK[:at] + other + LINK[at + 1 :]), (at, other)


@given(links, st.data())
def test_a_link_that_is_cut_or_longer_is_refused(link, data):
    kept = data.draw(st.integers(0, len(link) - 1))
    assert refused(link[:kept])
    assert refused(link + data.draw(st.text(min_size=1, max_size=5)))


@pytest.mark.parametrize(
    "other",
    [
        LINK.upper(),
        LINK.replace("-4-", "-04-"),
        LINK.replace("-4-", "-4-0"),
        f" {LINK}",
        LINK + "\n",
    ],
)
def test_there_is_one_way_to_write_a_link(other):
    assert other != LINK
    assert refused(other)


@given(st.text(max_size=80))
def test_no_other_text_is_a_link(text):
    assert refused(text)


def parts(link: str) -> list[str]:
    head, event, end, seal = link.rsplit("-", 3)
    return [head, event, end, seal]


def test_the_seal_of_one_link_serves_no_other():
    """Another ticket, another mail, another end: each with a seal that is good elsewhere."""
    ours = parts(LINK)
    others = [
        SIGNER.sign(Act.ACKNOWLEDGE, "BW-000124", 4, MADE_MS, 72),
        SIGNER.sign(Act.ACKNOWLEDGE, "BW-000123", 5, MADE_MS, 72),
        SIGNER.sign(Act.ACKNOWLEDGE, "BW-000123", 4, MADE_MS + HOUR_MS, 72),
    ]
    for other in map(parts, others):
        assert refused("-".join([*other[:3], ours[3]]))
        assert refused("-".join([*ours[:3], other[3]]))
    assert len({link.rsplit("-", 1)[1] for link in (LINK, *others)}) == 4


def test_the_form_of_a_page_is_no_link_and_a_link_no_form():
    """What is sealed for one purpose serves no other."""
    form = SIGNER.form_seal(LINK, "high stands")
    assert SIGNER.is_form_seal(form, LINK, "high stands")
    other = SIGNER.sign(Act.ACKNOWLEDGE, "BW-000124", 4, MADE_MS, 72)
    assert not SIGNER.is_form_seal(form, other, "high stands")
    assert not SIGNER.is_form_seal(form, LINK, "high over")
    assert not SIGNER.is_form_seal(LINK.rsplit("-", 1)[1], LINK, "high stands")
    assert not SIGNER.is_form_seal("ö", LINK, "high stands")
    assert refused("-".join([*parts(LINK)[:3], form]))


def test_the_act_is_part_of_what_is_sealed(monkeypatch):
    """There is one act so far; a second must not be open to the first one's links."""
    other = Signer(KEY, HERE)._seal("close", "BW-000123", "4", parts(LINK)[2])
    assert refused("-".join([*parts(LINK)[:3], other]))


def test_another_key_opens_nothing():
    assert refused(LINK, signer=Signer(KEY[::-1], HERE))


def test_restored_records_do_not_open_links_of_the_lost_ones():
    """They have another id, and may give the same number to another ticket."""
    assert refused(LINK, signer=Signer(KEY, "77c1"))
    form = SIGNER.form_seal(LINK, "high stands")
    assert not Signer(KEY, "77c1").is_form_seal(form, LINK, "high stands")


def test_a_link_ends_at_its_minute():
    ends_ms = MADE_MS + 72 * HOUR_MS
    assert SIGNER.read(LINK, Act.ACKNOWLEDGE, ends_ms - 1).ticket == "BW-000123"
    for now_ms in (ends_ms, ends_ms + 1, ends_ms + 10**12):
        with pytest.raises(ExpiredLink) as told:
            SIGNER.read(LINK, Act.ACKNOWLEDGE, now_ms)
        assert told.value.link.ticket == "BW-000123"


def test_a_started_minute_is_given_whole():
    link = SIGNER.sign(Act.ACKNOWLEDGE, "BW-000123", 4, 60_001, 1)
    assert SIGNER.read(link, Act.ACKNOWLEDGE, 0).expires_ms == 120_000 + HOUR_MS


def test_an_expired_link_that_was_changed_is_bad_and_not_expired():
    """Only who has a true link is told of its ticket."""
    assert refused(LINK[:-1] + ("a" if LINK[-1] != "a" else "b"), MADE_MS + 100 * 72 * HOUR_MS)


@pytest.mark.parametrize(
    ("ticket", "event", "made_ms"),
    [("BW-1", 4, MADE_MS), ("", 4, MADE_MS), ("BW-000123\n", 4, MADE_MS), ("<script>", 4, MADE_MS),
     ("BW-000123", -1, MADE_MS), ("BW-000123", 10**9, MADE_MS), ("BW-000123", 4, -(10**15)),
     ("BW-000123", 4, 10**18)],
)  # fmt: skip
def test_what_a_link_cannot_say_has_none(ticket, event, made_ms):
    assert SIGNER.sign(Act.ACKNOWLEDGE, ticket, event, made_ms, 72) == ""


def test_a_key_that_protects_nothing_is_refused():
    with pytest.raises(ValueError, match=f"at least {SHORTEST_KEY}"):
        Signer(KEY[:-1], HERE)


# ---------------------------------------------------------------- the key


def test_the_key_is_made_once_and_for_its_user_alone(tmp_path):
    first, second = (signer_of(BoardSettings(), tmp_path, HERE) for _ in range(2))
    path = tmp_path / KEY_FILE
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [p.name for p in tmp_path.iterdir()] == [KEY_FILE]
    link = first.sign(Act.ACKNOWLEDGE, "BW-000123", 4, MADE_MS, 72)
    assert second.read(link, Act.ACKNOWLEDGE, MADE_MS).event_seq == 4
    path.unlink()
    assert refused(link, signer=signer_of(BoardSettings(), tmp_path, HERE))


def test_who_comes_second_takes_the_key_of_who_came_first(tmp_path):
    with ThreadPoolExecutor(16) as pool:
        signers = list(pool.map(lambda _: signer_of(BoardSettings(), tmp_path, HERE), range(64)))
    assert len({s.form_seal("x", "y") for s in signers}) == 1


def test_a_secret_of_the_configuration_counts_before_the_file(tmp_path):
    settings = BoardSettings(secret="a secret of more than 32 characters")
    signer = signer_of(settings, tmp_path, HERE)
    assert list(tmp_path.iterdir()) == []
    assert signer.form_seal("x", "y") == Signer(settings.secret.encode(), HERE).form_seal("x", "y")
    assert settings.secret not in repr(settings)


@pytest.mark.parametrize(
    ("mode", "content", "words"),
    [(0o640, "x" * 64, "others than its owner"), (0o604, "x" * 64, "others than its owner"),
     (0o600, "short", "it is no key: 5 bytes"), (0o600, "", "it is no key")],
)  # fmt: skip
def test_a_key_that_may_be_known_or_is_none_is_refused(tmp_path, mode, content, words):
    path = tmp_path / KEY_FILE
    path.write_text(content)
    path.chmod(mode)
    with pytest.raises(OSError, match=words) as told:
        signer_of(BoardSettings(), tmp_path, HERE)
    assert "Delete it" in str(told.value)
    assert str(path) in str(told.value)


# ---------------------------------------------------------------- the mail's link


def test_the_same_notice_has_the_same_link_wherever_it_is_made(tmp_path):
    settings = BoardSettings(public_url="https://board.example", link_hours=72)
    first, second = (mail_links(settings, tmp_path, HERE) for _ in range(2))
    assert first is not None
    assert second is not None
    address = first(notice())
    assert address == second(notice())
    head, _, link = address.rpartition("/")
    assert head == "https://board.example/ack"
    said = signer_of(settings, tmp_path, HERE).read(link, Act.ACKNOWLEDGE, notice().date_ms)
    assert (said.ticket, said.event_seq) == ("BW-000123", notice().event_seq)
    assert said.expires_ms == pytest.approx(notice().date_ms + 72 * HOUR_MS, abs=60_000)


def test_who_hears_that_it_is_over_has_nothing_to_acknowledge(tmp_path):
    made = mail_links(BoardSettings(public_url="https://board.example"), tmp_path, HERE)
    assert made is not None
    without = {scene.kind for scene in SCENES.values() if not made(scene)}
    at_work = {NoticeKind.OVERSTAYED, NoticeKind.NOT_PROVEN}
    assert without == {NoticeKind.RETURNED, NoticeKind.PASSED} | at_work


def test_without_a_public_address_there_are_no_links_and_no_key(tmp_path):
    assert mail_links(BoardSettings(), tmp_path, HERE) is None
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------- the limit


def test_bad_links_are_counted_by_address_until_the_window_is_over():
    limit = BadLinkLimit(count=3, window_s=60)
    for second in range(3):
        limit.note("192.0.2.1", second)
    assert limit.wait_s("192.0.2.1", 2) == 0
    assert limit.note("192.0.2.1", 3) == 4
    assert limit.wait_s("192.0.2.1", 10) == 50
    assert limit.wait_s("192.0.2.2", 10) == 0
    assert limit.wait_s("192.0.2.1", 60) == 0
    assert limit.note("192.0.2.1", 60) == 1


def test_a_subscribers_ipv6_addresses_are_one():
    limit = BadLinkLimit(count=1, window_s=60)
    limit.note("2001:db8:1:2::1", 0)
    assert limit.note("2001:db8:1:2:ffff::9", 0) == 2
    assert limit.note("2001:db8:1:3::1", 0) == 1


def test_many_addresses_take_no_more_memory():
    limit = BadLinkLimit()
    for i in range(20_000):
        limit.note(f"host {i}", 0)
    assert len(limit._seen) == 10_000
    assert limit.note("host 19999", 0) == 2
