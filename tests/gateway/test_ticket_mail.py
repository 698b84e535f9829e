"""The mail of a ticket: headers by the standards, both parts complete, safe with hostile text.

The goldens are regression tests of wording and layout, nothing more. After a wanted change run
pytest with BASINWARD_UPDATE_GOLDENS=1 and read the difference before it is committed.
"""

from __future__ import annotations

import difflib
import email
import os
import re
from dataclasses import replace
from email import policy
from email.message import EmailMessage
from email.utils import parsedate_to_datetime
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.examples import examples
from ticket_scenes import (
    FAULTS,
    SCENES,
    SCREEN_EVIDENCE,
    fan_notice,
    fault,
    mesa_site,
    notice,
    quay_site,
)

from gateway.tickets.notice import NoticeKind, Recipient, TicketEntry, TicketEventKind, TicketNotice
from gateway.tickets.render import TEXT_WIDTH, MailRenderer
from rules.events import Cause, Evidence, Reading, Severity

GOLDENS = Path(__file__).parent / "goldens"
SHOWN_HEADERS = (
    "Subject", "From", "To", "Cc", "Reply-To", "Date", "Message-ID", "In-Reply-To", "References",
    "Auto-Submitted", "Importance", "MIME-Version",
)  # fmt: skip
RENDER = MailRenderer([quay_site(), mesa_site()], FAULTS, from_name="North Refrigeration")
scenes = pytest.mark.parametrize("scene", SCENES.values(), ids=SCENES)


def _sent(scene: TicketNotice, render: MailRenderer = RENDER) -> EmailMessage:
    """The mail as a receiver has it: serialised, then parsed by the standard library."""
    mail = email.message_from_bytes(render(scene).as_bytes(), policy=policy.default)
    assert isinstance(mail, EmailMessage)
    return mail


def _part(mail: EmailMessage, kind: str) -> str:
    body = mail.get_body((kind,))
    assert body is not None
    return body.get_content().replace("\r\n", "\n")


def _golden(name: str, content: str) -> None:
    path = GOLDENS / name
    if os.environ.get("BASINWARD_UPDATE_GOLDENS") == "1":
        path.write_text(content, encoding="utf-8")
    if not path.exists():
        pytest.fail(f"{name} is missing; run pytest with BASINWARD_UPDATE_GOLDENS=1 to write it")
    wanted = path.read_text(encoding="utf-8")
    if content != wanted:
        diff = difflib.unified_diff(
            wanted.splitlines(),
            content.splitlines(),
            f"goldens/{name}",
            "rendered now",
            lineterm="",
        )
        pytest.fail(
            f"{name} has changed. If you want that, run pytest with BASINWARD_UPDATE_GOLDENS=1 "
            "and commit the new golden.\n" + "\n".join(diff)
        )


@scenes
def test_text_part_is_as_agreed(scene, request) -> None:
    name = request.node.callspec.id
    mail = _sent(scene)
    headers = "\n".join(f"{h}: {mail[h]}" for h in SHOWN_HEADERS if mail[h] is not None)
    _golden(f"{name}.txt", f"{headers}\n\n{_part(mail, 'plain')}")


@pytest.mark.parametrize(
    "name", ["screen-opened", "screen-worsened", "screen-returned", "fan-us-units", "site-cut-off"]
)
def test_html_part_is_as_agreed(name: str) -> None:
    _golden(f"{name}.html", _part(_sent(SCENES[name]), "html"))


# --- the link to the board -----------------------------------------------------------------------

LINK = "https://board.north.example/ack/BW-000123-1-hhn4m-abcdefghijklmnopqrstuvwxyz"
LINKED = MailRenderer(
    [quay_site(), mesa_site()], FAULTS, from_name="North Refrigeration", link=lambda _: LINK
)


def test_parts_with_a_link_are_as_agreed() -> None:
    mail = _sent(notice(), LINKED)
    _golden("screen-opened-linked.txt", _part(mail, "plain"))
    _golden("screen-opened-linked.html", _part(mail, "html"))


@scenes
def test_the_link_is_whole_on_a_line_of_its_own_in_both_parts(scene) -> None:
    mail = _sent(scene, LINKED)
    lines = _part(mail, "plain").splitlines()
    assert lines.count(LINK) == 1
    assert max(len(line) for line in lines if line != LINK) <= TEXT_WIDTH
    page = _Page(_part(mail, "html"))
    addresses = [attributes["href"] for tag, attributes in page.tags if tag == "a"]
    assert [a for a in addresses if not (a or "").startswith("tel:")] == [LINK]
    assert not any(attributes.get("src") for _, attributes in page.tags)


def test_the_link_stands_before_what_is_read_at_length() -> None:
    text = _part(_sent(notice(), LINKED), "plain")
    assert text.index("nothing happens until you confirm") < text.index(LINK)
    assert text.index(LINK) < text.index("WHAT IS WRONG")


@scenes
def test_a_mail_with_a_link_is_the_same_at_each_attempt(scene) -> None:
    assert LINKED(scene).as_bytes() == LINKED(scene).as_bytes()
    assert LINKED(scene).as_bytes() != RENDER(scene).as_bytes()


# --- headers -------------------------------------------------------------------------------------


@scenes
def test_headers_follow_rfc_5322_and_rfc_3834(scene) -> None:
    """RFC 5322 section 3.6 (from memory): From and Date once; Message-ID <left@right>, unique.

    RFC 3834: Auto-Submitted is auto-generated for a message that no person wrote.
    """
    mail = _sent(scene)
    for header in ("From", "Date", "Message-ID", "Subject", "To", "Auto-Submitted", "MIME-Version"):
        assert len(mail.get_all(header, [])) == 1, header
    assert not mail.defects
    assert all(not getattr(value, "defects", ()) for value in mail.values())
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Message-ID"] == scene.message_id
    assert re.fullmatch(r"<[^<>@\s]+@[^<>@\s]+>", mail["Message-ID"])
    assert parsedate_to_datetime(mail["Date"]).timestamp() * 1000 == scene.date_ms
    sender = mail["From"].addresses[0]
    assert (sender.display_name, sender.addr_spec) == ("North Refrigeration", scene.from_address)
    assert [a.addr_spec for a in mail["To"].addresses] == [r.email for r in scene.to]
    assert [a.addr_spec for a in mail["Cc"].addresses] == [r.email for r in scene.cc]
    assert mail["Reply-To"] == scene.reply_to


@scenes
def test_threads_follow_rfc_5322_3_6_4(scene) -> None:
    """In-Reply-To is the parent's id; References the parent's and its own id (from memory)."""
    mail = _sent(scene)
    if scene.in_reply_to:
        assert mail["In-Reply-To"] == scene.in_reply_to
        assert mail["References"].split() == list(scene.references)
        assert mail["References"].split()[-1] == mail["In-Reply-To"]
        assert mail["Subject"].startswith("Re: ")
    else:
        assert mail["In-Reply-To"] is None
        assert mail["References"] is None
        assert not mail["Subject"].startswith("Re: ")


def test_a_long_thread_is_folded_between_its_ids() -> None:
    """RFC 2047 section 5 forbids encoded words in identifiers; folding must not make any."""
    ids = tuple(f"<bw-000123.{n}.8f2c41d07a@basinward.example>" for n in range(60))
    odd = notice(NoticeKind.WORSENED, in_reply_to=ids[-1], references=ids)
    head = RENDER(odd).as_bytes().partition(b"\r\n\r\n")[0]
    assert b"=?" not in head
    mail = _sent(odd)
    assert tuple(mail["References"].split()) == ids
    assert mail["In-Reply-To"] == ids[-1]


@pytest.mark.parametrize("scene", ["screen-returned", "screen-passed"])
def test_what_is_over_is_seen_at_the_first_glance(scene: str) -> None:
    mail = _sent(SCENES[scene])
    assert _part(mail, "plain").startswith("BACK TO NORMAL, was HIGH PRIORITY - Pump screen")
    assert _Page(_part(mail, "html")).text.startswith("○ BACK TO NORMAL was ▲ HIGH PRIORITY")
    assert "#9b1c1c" not in _part(mail, "html")


def test_subject_sorts_and_keeps_to_its_thread() -> None:
    opened = _sent(SCENES["screen-opened"])["Subject"]
    assert opened == "P1 HIGH - Quay Cold Store / AC-1: pump screen clogging (BW-000123)"
    for later in ("screen-repeated", "screen-returned", "screen-worsened"):
        assert _sent(SCENES[later])["Subject"] == f"Re: {opened}"
    low = _sent(notice(priority="low"))["Subject"]
    assert low == opened.replace("P1 HIGH", "P3 LOW")


def _sorted_by(subject: str) -> str:
    """What a mailbox sorts a subject by (RFC 5256, section 2.1, from memory).

    Leading 'Re:', 'Fw:' and '[...]' go, as long as something is left.
    """
    leader = re.compile(
        r"(?:\[[^\[\]]*\]\s*)*(?:re|fwd?)\s*(?:\[[^\[\]]*\])?:\s*|\[[^\[\]]*\]\s*", re.I
    )
    while (found := leader.match(subject)) and found.end() < len(subject):
        subject = subject[found.end() :]
    return subject.casefold()


def test_a_mailbox_sorted_by_subject_lists_the_gravest_first_then_site_unit_and_fault() -> None:
    fan = fan_notice()
    wanted = [  # Mesa before Quay, fan fault before pump screen
        replace(fan, priority="high", kind=NoticeKind.REPEATED),
        notice(priority="high"),
        notice(NoticeKind.WORSENED, priority="high", fault="site-cut-off"),
        replace(fan, priority="medium"),
        notice(NoticeKind.RETURNED, priority="medium"),
        replace(fan, priority="low"),
        notice(priority="low"),
    ]
    subjects = [_sent(scene)["Subject"] for scene in wanted]
    assert sorted(subjects, key=_sorted_by) == subjects


@pytest.mark.parametrize("length", range(20, 100, 3))
@pytest.mark.parametrize("letter", ["e", "é"])
def test_a_subject_of_any_length_is_read_back_without_a_space_before_it(length, letter) -> None:
    """RFC 5322 2.2.3: unfolding takes the CRLF out and leaves the space."""
    title = ("Fault " + f"wat{letter}r " * 30)[:length].strip()
    scene = notice(NoticeKind.WORSENED)
    mail = MailRenderer([quay_site()], [fault(title=title)])(scene)
    wanted = f"Re: P1 HIGH - Quay Cold Store / AC-1: f{title[1:]} (BW-000123)"
    for raw in (mail.as_bytes(), mail.as_bytes(policy=policy.SMTP)):
        assert email.message_from_bytes(raw, policy=policy.default)["Subject"] == wanted
        assert max(map(len, raw.split(b"\r\n"))) <= 90


def test_importance_follows_priority_until_it_is_over() -> None:
    """Values of RFC 2156 (from memory): low, normal, high."""
    assert _sent(notice())["Importance"] == "high"
    assert _sent(notice(priority="medium"))["Importance"] == "normal"
    assert _sent(notice(priority="low"))["Importance"] == "low"
    assert _sent(SCENES["screen-returned"])["Importance"] == "normal"


@scenes
def test_the_bytes_are_fit_for_any_relay(scene) -> None:
    """RFC 5322 2.1.1: lines end in CRLF and have 998 octets at most; all of it is ASCII (7 bit)."""
    raw = RENDER(scene).as_bytes()
    assert raw.isascii()
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert b"\r" not in raw.replace(b"\r\n", b"")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998
    # Some mail programs cut off long HTML; about 100 kB is where the strictest begins (practice).
    assert len(_part(_sent(scene), "html").encode()) < 90_000


@scenes
def test_the_same_notice_gives_the_same_bytes(scene) -> None:
    other = MailRenderer([mesa_site(), quay_site()], FAULTS[::-1], from_name="North Refrigeration")
    assert RENDER(scene).as_bytes() == other(scene).as_bytes()


def test_text_comes_first_and_html_second() -> None:
    """RFC 2046 5.1.4: the last alternative is the best one; a reader may take either."""
    mail = _sent(notice())
    assert mail.get_content_type() == "multipart/mixed"  # the job sheet comes behind
    body, sheet = mail.iter_parts()
    assert sheet.get_content_type() == "application/pdf"
    assert body.get_content_type() == "multipart/alternative"
    parts = [part.get_content_type() for part in body.iter_parts()]
    assert parts == ["text/plain", "text/html"]
    assert all(part.get_content_charset() == "utf-8" for part in body.iter_parts())


# --- contents ------------------------------------------------------------------------------------

TEXT_ORDER = [
    "PRIORITY", "Quay Cold Store / AC-1", "Respond", "WHAT IS WRONG", "MAKE IT SAFE FIRST",
    "Isolation points", "Q14 (electrical)", "V-31 (water)", "1. Prepare", "6. Verify", "Cautions",
    "WHY WE THINK SO", "HOW SURE", "WHAT TO BRING", "THE JOB", "READINGS TO TAKE", "HAND BACK",
    "ACCESS AND CONTACTS", "HISTORY", "basinward only watches",
]  # fmt: skip


def _in_order(text: str, marks: list[str]) -> None:
    place = 0
    for mark in marks:
        found = text.find(mark, place)
        assert found >= 0, f"'{mark}' does not follow what should stand before it"
        place = found


class _Page(HTMLParser):
    """Collects what a mail program would see, and checks that every element is closed."""

    VOID = frozenset({"meta", "br", "!doctype"})

    def __init__(self, source: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(source)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data) -> None:
        if self.open and self.open[-1] not in {"style", "title"}:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def test_both_parts_go_from_what_and_where_by_safety_to_the_work() -> None:
    mail = _sent(notice())
    _in_order(_part(mail, "plain"), TEXT_ORDER)
    page = _Page(_part(mail, "html")).text.casefold()
    html_order = ["priority", "respond", "quay cold store / ac-1"] + [
        mark.casefold().replace("(", "").replace(")", "") for mark in TEXT_ORDER[3:]
    ]
    _in_order(page.replace("(", "").replace(")", ""), html_order)


@scenes
def test_the_isolation_block_stands_before_any_work_step(scene) -> None:
    ticket = RENDER.ticket(scene)
    mail = _sent(scene)
    for text in (_part(mail, "plain"), _Page(_part(mail, "html")).text):
        flat = " ".join(text.split())
        end_of_block = flat.index("Put all controls back to off")
        plain = flat.replace("[ ] ", "")
        for step in ticket.plan.steps:
            opening = step[:40].rsplit(" ", 1)[0]
            assert plain.index(opening) > plain.index("Put all controls back to off")
        assert flat.index(ticket.action) > end_of_block


@scenes
def test_both_parts_say_the_same(scene) -> None:
    """Everything of the document is in each part; words compared without layout."""
    ticket = RENDER.ticket(scene)
    said = [
        ticket.number, ticket.title, ticket.place, ticket.respond, ticket.since, ticket.summary,
        ticket.meaning, ticket.consequence, ticket.action, ticket.confidence, ticket.access,
        ticket.address, *ticket.limits, *ticket.plan.tools, *ticket.plan.parts, *ticket.plan.steps,
        *ticket.plan.look_first, *ticket.plan.findings, *ticket.plan.return_to_service,
        ticket.isolation.reminder, ticket.isolation.defers, ticket.isolation.who,
        ticket.isolation.not_isolation, ticket.isolation.testing, *ticket.isolation.gaps,
        *(a for s in ticket.isolation.steps for a in s.actions),
        *(a for s in ticket.isolation.release for a in s.actions),
        *(x for p in ticket.isolation.points for x in (p.isolates, p.location, p.method, p.verify)),
        *(x for c in ticket.isolation.cautions for x in (c.word, c.title, c.text)),
        *(x for r in ticket.readings for x in (r.quantity, r.measured, r.expected, r.allowed)),
        *(x for c in ticket.causes for x in (c.title, *c.fits, *c.against, c.to_decide)),
        *(x for c in ticket.ruled_out for x in (c.title, *c.against)),
        *(x for h in ticket.history for x in (h.when, h.what, h.by, h.note)),
        *(x for c in ticket.contacts for x in (c.name, c.role, c.phone, c.email)),
    ]  # fmt: skip
    mail = _sent(scene)
    for text in (_part(mail, "plain"), _Page(_part(mail, "html")).text):
        flat = "".join(text.split())
        for words in said:
            assert "".join(words.split()) in flat, words


@scenes
def test_text_part_fits_a_plain_terminal(scene) -> None:
    lines = _part(_sent(scene), "plain").splitlines()
    assert max(len(line) for line in lines) <= TEXT_WIDTH
    assert all(line == line.rstrip() for line in lines)
    assert not any(a == b == "" for a, b in pairwise(lines))


# --- HTML ----------------------------------------------------------------------------------------


@scenes
def test_html_runs_nothing_and_fetches_nothing(scene) -> None:
    source = _part(_sent(scene), "html")
    page = _Page(source)
    allowed = {
        "html", "head", "meta", "title", "style", "body", "table", "tr", "td", "h1", "h2", "h3",
        "p", "div", "span", "strong", "a", "br",
    }  # fmt: skip
    assert {tag for tag, _ in page.tags} <= allowed
    for tag, attributes in page.tags:
        assert not any(name.startswith("on") for name in attributes)
        assert not set(attributes) & {"src", "background", "srcset", "action"}
        if tag == "a":
            assert re.fullmatch(r"tel:[+0-9.-]+", attributes["href"] or "")
    assert not re.search(r"url\(|@import|https?:|javascript:|expression\(", source)


def test_html_is_one_narrow_column_with_readable_type() -> None:
    source = _part(_sent(notice()), "html")
    assert "max-width:640px" in source
    assert 'name="viewport"' in source
    sizes = [int(size) for size in re.findall(r"font-size:(\d+)px", source)]
    assert min(sizes) >= 13
    assert sizes.count(16) > len(sizes) / 2


def _luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def test_the_contrast_formula_gives_its_two_known_ends() -> None:
    """WCAG 2.1, definition of contrast ratio: 21 for black on white, 1 for a colour on itself."""
    assert (_luminance("#ffffff") + 0.05) / (_luminance("#000000") + 0.05) == pytest.approx(21)


@pytest.mark.parametrize("priority", ["low", "medium", "high"])
def test_coloured_text_has_enough_contrast(priority) -> None:
    """WCAG 2.1, 1.4.3 (from memory): 4.5 to 1 at least for text of normal size."""
    source = _part(_sent(notice(priority=priority)), "html")
    pairs = set(
        re.findall(r"background-color:(#[0-9a-f]{6});(?:[^\"]*;)?color:(#[0-9a-f]{6})", source)
    )
    pairs |= {("#ffffff", "#1f2933"), ("#ffffff", "#52606d"), ("#eceff1", "#52606d")}
    pairs |= {("#1e252c", "#e4e9ee"), ("#1e252c", "#a9b5c0"), ("#14191e", "#a9b5c0")}
    assert len(pairs) > 8
    for pair in pairs:
        light, dark = sorted(map(_luminance, pair), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, pair


@pytest.mark.parametrize("priority", ["low", "medium", "high"])
def test_priority_never_depends_on_colour(priority) -> None:
    """Word and shape say it too (ISA-101.01, from memory: redundant coding)."""
    shape = {"high": "▲", "medium": "◆", "low": "●"}[priority]
    page = _Page(_part(_sent(notice(priority=priority)), "html"))
    assert f"{shape} {priority.upper()} PRIORITY" in page.text


# --- hostile and odd data ------------------------------------------------------------------------

HOSTILE = '<script>alert("1")</script>\r\nBcc: thief@evil.example\r\n\r\n<img src=x onerror=y>'


def _hostile() -> tuple[TicketNotice, MailRenderer]:
    site = quay_site(
        name=HOSTILE, address=HOSTILE, access=HOSTILE, energy_control_procedure=HOSTILE,
        contacts=[{"name": HOSTILE, "role": HOSTILE}],
    )  # fmt: skip
    evidence = Evidence(
        HOSTILE, 0.9, readings=(Reading(HOSTILE, 1.0, HOSTILE, note=HOSTILE),),
        causes=(Cause("x", HOSTILE, 0.9, (HOSTILE,), (HOSTILE,), HOSTILE),
                Cause("y", HOSTILE, 0.9, against=(HOSTILE,), ruled_out=True)),
        limits=(HOSTILE,), time_left_s=9e3, time_left_to=HOSTILE,
    )  # fmt: skip
    entry = TicketEntry(1, notice().time_ms, TicketEventKind.NOTE, Severity.HIGH, None, HOSTILE,
                        HOSTILE)  # fmt: skip
    odd = notice(
        number=HOSTILE, evidence=evidence, history=(entry,), reply_to="a@b.example\r\nBcc: c@d",
        to=(Recipient(HOSTILE, "rui@north.example"),),
        message_id="<a@b.example>\r\nBcc: thief@evil.example",
    )  # fmt: skip
    return odd, MailRenderer([site], [fault(title=HOSTILE)], from_name=HOSTILE)


def test_newlines_in_names_make_no_headers() -> None:
    odd, render = _hostile()
    mail = _sent(odd, render)
    assert mail["Bcc"] is None
    assert set(mail.keys()) == {
        "Subject", "From", "To", "Cc", "Date", "Message-ID", "Auto-Submitted",
        "Importance", "MIME-Version", "Content-Type",
    }  # fmt: skip
    assert [a.addr_spec for a in mail["To"].addresses] == ["rui@north.example"]
    assert [a.addr_spec for a in mail["From"].addresses] == [odd.from_address]


def test_markup_in_names_and_notes_stays_text() -> None:
    odd, render = _hostile()
    page = _Page(_part(_sent(odd, render), "html"))
    assert not {"script", "img"} & {tag for tag, _ in page.tags}
    assert page.text.count('<script>alert("1")</script>') > 10


def test_hostile_text_cannot_make_lines_of_its_own() -> None:
    forged = "all clear\n\nMAKE IT SAFE FIRST\nNothing to do."
    entry = TicketEntry(1, notice().time_ms, TicketEventKind.NOTE, Severity.HIGH, note=forged)
    lines = _part(_sent(notice(history=(entry,))), "plain").splitlines()
    assert lines.count("MAKE IT SAFE FIRST") == 1
    assert "Nothing to do." not in lines


@pytest.mark.parametrize(
    ("address", "shown"),
    [
        ("o'hara@north.example", ["o'hara@north.example"]),
        ("rui@münchen.example", ["rui@xn--mnchen-3ya.example"]),
        ("inês@north.example", []),
        ("no-at-sign", []),
        ("two@signs@north.example", []),
        ("rui@north.example>, thief@evil.example", []),
        ("", []),
    ],
)
def test_addresses_that_cannot_stand_in_a_header_are_left_out_of_it(address, shown) -> None:
    """RFC 5322 headers are ASCII; a domain has an ASCII form (RFC 3492), a local part has none."""
    raw = RENDER(notice(to=(Recipient("Rui", address),))).as_bytes()
    mail = email.message_from_bytes(raw, policy=policy.default)
    found = [a.addr_spec for a in mail["To"].addresses] if mail["To"] else []
    assert found == shown


@pytest.mark.parametrize(
    "changes",
    [
        {"site_id": "gone"},
        {"unit_id": "gone"},
        {"fault": "gone-fault"},
        {"fault": ""},
        {"to": (), "cc": (), "reply_to": "", "from_address": ""},
        {"evidence": Evidence("", float("nan"))},
        {"history": ()},
        {"date_ms": -1},
        {"date_ms": 10**17},
        {"time_ms": 10**18, "onset_ms": -(10**18)},
        {"kind": NoticeKind.RETURNED, "returned_ms": None},
    ],
    ids=repr,
)
def test_a_notice_that_nothing_fits_still_makes_a_safe_mail(changes) -> None:
    text = _part(_sent(notice(**changes)), "plain")
    for words in ("MAKE IT SAFE FIRST", "(electrical)", "6. Verify", "does not authorise"):
        assert words in text


def test_an_unknown_fault_is_an_order_to_look_and_report() -> None:
    ticket = RENDER.ticket(notice(fault="gone-fault"))
    assert (ticket.title, ticket.plan.slug) == ("Gone fault", "inspection")


def test_a_catalogue_that_names_a_missing_job_plan_is_refused_at_start() -> None:
    with pytest.raises(ValueError, match="no mail can be made for: fault 'pump-screen-clogging'"):
        MailRenderer([], [fault(job_plan="polish")])


LISTS = (NoticeKind.DIGEST, NoticeKind.HAND_OVER, NoticeKind.OUTAGE)
_numbers = st.one_of(st.none(), st.floats())
_texts = st.text(max_size=200)


@settings(max_examples=examples(20), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    texts=st.lists(_texts, min_size=8, max_size=8),
    numbers=st.lists(_numbers, min_size=5, max_size=5),
    confidence=st.floats(),
    times=st.lists(st.integers(-(2**63), 2**63), min_size=4, max_size=4),
    kind=st.sampled_from([k for k in NoticeKind if k not in (*LISTS, NoticeKind.LETTER)]),
    unit=st.sampled_from(["", "mm", "kPa", "°C", "K", "%", "odd"]),
)
def test_no_data_stops_a_mail(texts, numbers, confidence, times, kind, unit) -> None:
    """Whatever comes, there is a mail, its lines keep their width, and it has no defects."""
    evidence = replace(
        SCREEN_EVIDENCE, summary=texts[0], confidence=confidence, time_left_s=numbers[4],
        time_left_to=texts[1],
        readings=(Reading(texts[2], numbers[0], unit, *numbers[1:4], note=texts[3]),),
        causes=(Cause(texts[4], texts[4], confidence, (texts[5],)),),
    )  # fmt: skip
    odd = notice(
        kind, evidence=evidence, number=texts[6], to=(Recipient(texts[7], "rui@north.example"),),
        time_ms=times[0], onset_ms=times[1], returned_ms=times[2], date_ms=times[3],
        site_id="mesa-produce", unit_id="cu-2",
    )  # fmt: skip
    mail = _sent(odd)
    assert not mail.defects
    assert mail["To"].addresses[0].addr_spec == "rui@north.example"
    assert max(map(len, _part(mail, "plain").splitlines())) <= TEXT_WIDTH
    _Page(_part(mail, "html"))
