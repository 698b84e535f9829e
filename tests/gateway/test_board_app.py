"""The board's pages by their ASGI application, on real records: what a GET, a HEAD, a POST do."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from urllib.parse import quote

import pytest
from board_bench import SIGNER, Bench, Page, text_of
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient
from support.records import HOUR_MS, NOW_MS, RUI, raised, returned
from ticket_scenes import FAULTS, quay_site

from gateway.accounts.actors import How
from gateway.board.app import SECURITY_HEADERS, make_app
from gateway.board.limits import BadLinkLimit
from gateway.board.page import LONGEST_NOTE, Pages
from gateway.records.session import RecordsUnavailable
from gateway.tickets.notice import Recipient
from gateway.tickets.render import MailRenderer
from gateway.tickets.routing import Routing, TeamRoute
from rules.events import ActionKind, AlarmEvent, AlarmState, Change, Severity
from rules.faults.registry import FAULTS as REGISTERED
from rules.faults.registry import SLUGS

HOSTILE = '"><script>alert(1)</script>\u202e<img src=x onerror=y>'


@pytest.fixture
def bench(tmp_path) -> Iterator[Bench]:
    bench = Bench(tmp_path)
    yield bench
    bench.records.close()


# ---------------------------------------------------------------- seeing


def test_the_page_says_where_what_how_urgent_since_when_and_who(bench):
    response = bench.get()
    assert response.status_code == 200
    text = text_of(response)
    for words in (
        "Quay Cold Store / AC-1", "Fan fault", "▲ HIGH priority", "respond today",
        "The spray pressure is 31 % below the clean pump's.", bench.number,
        # 09:28 UTC is the same in Lisbon in winter.
        "Since Sun 1 Mar 2026, 09:28 WET (2 min)", "Rui Prata", "rui@north.example",
        "Control room", "Acknowledge BW-", "does not authorise work",
    ):  # fmt: skip
        assert words in text, words


def test_looking_never_acts(bench):
    for method in ("GET", "HEAD") * 3:
        response = bench.client.request(
            method, bench.link, headers={"Purpose": "prefetch", "User-Agent": "scanner"}
        )
        assert response.status_code == 200
    assert bench.client.request("HEAD", bench.link).text == ""
    assert bench.records.pending_actions() == []
    assert bench.records.ticket(bench.number).ticket.acknowledged_ms is None


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS"])
def test_other_methods_do_nothing(bench, method):
    response = bench.client.request(method, bench.link)
    assert response.status_code == 405
    assert {"GET", "HEAD"} <= set(re.findall(r"\w+", response.headers["allow"]))
    assert bench.records.pending_actions() == []


def test_the_page_needs_no_script_and_fetches_nothing_from_elsewhere(bench):
    page = Page(bench.get().text)
    assert {t for t, _ in page.tags} <= {
        "html", "head", "meta", "title", "link", "body", "header", "main", "p", "strong", "span",
        "h1", "h2", "section", "dl", "dt", "dd", "form", "input", "fieldset", "legend", "label",
        "br", "textarea", "button",
    }  # fmt: skip
    assert not any(n.startswith("on") or n == "style" for _, a in page.tags for n in a)
    assert all("//" not in (a["href"] or "") for a in page.all("link"))
    assert page.all("form") == [{"method": "post", "accept-charset": "utf-8"}]


def test_what_the_page_names_is_there_and_may_be_kept(bench):
    for link in Page(bench.get().text).all("link"):
        response = bench.client.get(f"/ack/{link['href']}")
        assert response.status_code == 200
        assert "immutable" in response.headers["cache-control"]
        assert "//" not in response.text.replace("http://www.w3.org/2000/svg", "")
    assert bench.client.get("/static/app.py").status_code == 404
    assert bench.client.get("/static/..%2fapp.py").status_code == 404


def test_every_answer_has_the_headers_that_keep_the_link_and_the_page_safe(bench):
    """Content Security Policy Level 3; Referrer Policy: no address of a page leaves it."""
    policy = SECURITY_HEADERS["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    for path in (bench.link, "/", "/nowhere", "/ack/nonsense", "/static/none"):
        response = bench.client.get(path)
        for name, value in SECURITY_HEADERS.items():
            assert response.headers[name] == value, (path, name)
    assert bench.client.put(bench.link).headers["Referrer-Policy"] == "no-referrer"
    assert "server" not in bench.get().headers


# ---------------------------------------------------------------- acting


def test_a_confirmation_acknowledges_once_in_the_persons_name(bench):
    done = bench.post(who="1", note="  I go at nine.\r\nKey is in the van. ")
    assert done.status_code == 303
    assert done.headers["location"] == bench.link.removeprefix("/ack/")
    (action,) = bench.records.pending_actions()
    assert (action.kind, action.unit_row, action.fault) == (ActionKind.ACKNOWLEDGE, 0, "fan-fault")
    assert (action.by, action.time_ms) == ("Control room", NOW_MS)
    assert action.note == "I go at nine. Key is in the van."
    seen = text_of(bench.get())
    assert "Acknowledged by Control room" in seen
    assert "Sun 1 Mar 2026, 09:30 WET" in seen
    assert "within seconds" in seen
    assert "Who are you?" not in seen


def test_who_comes_second_is_told_who_came_first(bench):
    """The second has the page open while the first confirms; the gateway has not applied it yet."""
    open_page = Page(bench.get().text)
    assert bench.post(who="1").status_code == 303
    bench.now_ms += 60_000
    second = bench.post(page=open_page, who="0")
    assert second.status_code == 409
    text = text_of(second)
    assert "It is acknowledged already. Nothing was changed by this." in text
    assert "Acknowledged by Control room" in text
    assert "09:30 WET" in text
    assert len(bench.records.pending_actions()) == 1
    bench.apply()
    third = bench.post(page=open_page, who="0")
    assert third.status_code == 409
    assert "Acknowledged by Control room" in text_of(third)
    assert bench.records.pending_actions() == []
    assert bench.records.ticket(bench.number).ticket.acknowledged_by == "Control room"


def test_two_who_confirm_at_the_same_moment_are_one_acknowledgement(bench, monkeypatch):
    """The other one is quicker, between what this page has read and what it writes."""
    page = Page(bench.get().text)
    ask = bench.records.acknowledge_ticket

    def other_first(number: str, **words: Any) -> Any:
        ask(number, by="Somebody quicker", note="", now_ms=NOW_MS)
        return ask(number, **words)

    monkeypatch.setattr(bench.records, "acknowledge_ticket", other_first)
    late = bench.post(page=page, who="0")
    assert late.status_code == 409
    assert "Acknowledged by Somebody quicker" in text_of(late)
    assert [a.by for a in bench.records.pending_actions()] == ["Somebody quicker"]


def test_the_audit_trail_has_the_person_and_where_he_was_and_the_link_is_not_in_it(bench):
    bench.post(who="0", note="On my way.")
    bench.post(who="1")
    (entry,) = bench.records.audit.entries()
    assert (entry.action, entry.subject) == ("acknowledgement asked for", bench.number)
    assert (entry.actor.account, entry.actor.shown_name) == ("rui@north.example", "Rui Prata")
    assert (entry.actor.how, entry.actor.address) == (How.LINK, "testclient")
    assert entry.before["state"] == "open"
    assert entry.after == {"by": "Rui Prata", "note": "On my way."}
    assert bench.link.rpartition("/")[2] not in repr(entry)


def test_the_tickets_history_has_the_person_and_the_note(bench):
    bench.post(who="0", note="On my way.")
    bench.apply()
    entry = bench.records.ticket(bench.number).entries[-1]
    assert (entry.kind, entry.by, entry.note) == ("acknowledged", "Rui Prata", "On my way.")
    assert "Note: On my way." in text_of(bench.get())


def test_an_acknowledged_ticket_that_is_announced_again_can_be_answered_again(bench):
    bench.post(who="0")
    bench.apply()
    again = AlarmEvent(0, "fan-fault", NOW_MS + 1, Change.ANNOUNCED_AGAIN,
                       AlarmState.UNACKNOWLEDGED, Severity.HIGH, NOW_MS - 120_000)  # fmt: skip
    bench.commit(again)
    assert bench.post(who="1").status_code == 303
    assert [a.by for a in bench.records.pending_actions()] == ["Control room"]


@pytest.mark.parametrize("who", ["", "2", "-1", "x", "0x1", "²", "9" * 50])
def test_who_does_not_say_who_he_is_is_asked_again_and_keeps_his_note(bench, who):
    response = bench.post(who=who, note="Will go at 9.")
    assert response.status_code == 422
    assert "Say who you are" in text_of(response)
    assert "Will go at 9.</textarea>" in response.text
    assert bench.records.pending_actions() == []


def test_a_form_that_is_not_of_this_page_does_nothing(bench):
    other = SIGNER.form_seal("another link", "high stands")
    for seal in ("", "x", "ö", other):
        response = bench.client.post(bench.link, data={"seal": seal, "who": "0"})
        assert response.status_code == 409
        assert "Look at it again" in text_of(response)
    assert bench.records.pending_actions() == []


@pytest.mark.parametrize("change", ["worsened", "returned"])
def test_a_ticket_that_changed_under_the_page_is_shown_again_first(tmp_path, change):
    bench = Bench(tmp_path)
    bench.commit(raised(NOW_MS - 60_000, Severity.MEDIUM, row=1))
    number = bench.records.tickets()[0].number
    link = bench.linked(1, number)
    before = Page(bench.get(link).text)
    event = (
        replace(raised(NOW_MS, Severity.HIGH, row=1), change=Change.WORSENED)
        if change == "worsened"
        else returned(NOW_MS, row=1)
    )
    bench.commit(event)
    shown = bench.post(link, before, who="0", note="Kept.")
    assert shown.status_code == 409
    assert "changed since this page was opened" in text_of(shown)
    assert ("▲ HIGH" if change == "worsened" else "○ Back to normal") in text_of(shown)
    assert "Kept.</textarea>" in shown.text
    assert bench.records.pending_actions() == []
    assert bench.post(link, Page(shown.text), who="0").status_code == 303
    bench.records.close()


def test_one_who_was_told_alone_need_not_say_who_he_is(tmp_path):
    alone = Routing({"north": TeamRoute(on_call=(RUI,))}, {"quay-cold-store": "north"})
    bench = Bench(tmp_path, alone)
    assert "You acknowledge as Rui Prata" in text_of(bench.get())
    assert bench.post().status_code == 303
    assert bench.records.pending_actions()[0].by == "Rui Prata"
    bench.records.close()


@pytest.mark.parametrize(
    ("who", "by"), [("1", "Ana <ana.r@north.example>"), ("2", "desk@north.example")]
)
def test_two_of_one_name_are_told_apart_in_the_record(tmp_path, who, by):
    people = (
        Recipient("Ana", "ana@north.example"),
        Recipient("Ana", "ana.r@north.example"),
        Recipient("", "desk@north.example"),
    )
    bench = Bench(
        tmp_path, Routing({"north": TeamRoute(on_call=people)}, {"quay-cold-store": "north"})
    )
    page = Page(bench.get().text)
    assert [a.get("value") for a in page.all("input") if a.get("type") == "radio"] == list("012")
    assert bench.post(page=page, who=who).status_code == 303
    assert [action.by for action in bench.records.pending_actions()] == [by]
    bench.records.close()


# ---------------------------------------------------------------- how it stands


def test_a_closed_ticket_says_by_whom_and_what_was_found(bench):
    open_page = Page(bench.get().text)
    bench.records.close_ticket(bench.number, by="Eva Lind", finding="Fuse 3.", now_ms=NOW_MS)
    for response in (bench.get(), bench.post(page=open_page, who="0")):
        text = text_of(response)
        assert "Closed by Eva Lind" in text
        assert "Found: Fuse 3." in text
        assert "Who are you?" not in text
    assert bench.records.pending_actions() == []


def test_what_returned_to_normal_says_so_and_can_still_be_answered(bench):
    bench.now_ms += HOUR_MS
    bench.commit(returned(NOW_MS + HOUR_MS))
    text = text_of(bench.get())
    assert "○ Back to normal since Sun 1 Mar 2026, 10:30 WET; was ▲ HIGH priority" in text
    assert "Time left" not in text
    assert bench.post(who="0").status_code == 303


@pytest.mark.parametrize(
    ("change", "state", "words"),
    [
        (Change.SHELVED, AlarmState.SHELVED, "The alarm is shelved"),
        (Change.OUT_OF_SERVICE, AlarmState.OUT_OF_SERVICE, "The unit is out of service"),
        (Change.SUPPRESSED, AlarmState.SUPPRESSED, "suppressed by design"),
        (Change.RESET, AlarmState.NORMAL, "needs no acknowledgement now"),
    ],
)
def test_an_alarm_that_awaits_no_answer_takes_none(bench, change, state, words):
    open_page = Page(bench.get().text)
    bench.commit(
        AlarmEvent(0, "fan-fault", NOW_MS, change, state, Severity.HIGH, NOW_MS - 120_000, by="Eva")
    )
    for response in (bench.get(), bench.post(page=open_page, who="0")):
        assert words in text_of(response)
        assert "Who are you?" not in text_of(response)
    assert bench.records.pending_actions() == []


# ---------------------------------------------------------------- what goes wrong


def test_an_expired_link_says_until_when_it_held_and_what_to_do(bench):
    page = Page(bench.get().text)
    bench.now_ms = NOW_MS + 73 * HOUR_MS
    for response in (bench.get(), bench.client.post(bench.link, data=page.fields() | {"who": "0"})):
        assert response.status_code == 410
        text = text_of(response)
        assert f"ticket {bench.number} and held until 2026-03-04 09:30 UTC" in text
        assert "dispatch@north.example" in text
        assert f'basinward tickets ack {bench.number} --by "NAME"' in text
    assert bench.records.pending_actions() == []


@pytest.mark.parametrize("bad", ["x", "BW-000001-1-abc-" + "a" * 26, "a" * 5000, "%00", "%FF%FE"])
def test_a_link_that_is_not_ours_is_told_so(bench, bad):
    for response in (bench.client.get(f"/ack/{bad}"),
                     bench.client.post(f"/ack/{bad}", data={"who": "0"})):  # fmt: skip
        assert response.status_code == 404
        assert "It is not whole, or it was not made by this board." in text_of(response)


def test_bad_links_are_limited_and_good_ones_still_open(bench, caplog):
    bench.board.limit = BadLinkLimit(count=5, window_s=600)
    statuses = [bench.client.get("/ack/wrong").status_code for _ in range(7)]
    assert statuses == [404] * 5 + [429] * 2
    assert int(bench.client.get("/ack/wrong").headers["retry-after"]) in range(1, 602)
    assert bench.get().status_code == 200
    assert bench.post(who="0").status_code == 303
    told = [r for r in caplog.records if "links that are not ours" in r.message]
    assert len(told) == 1
    assert "wrong" not in told[0].message


def test_a_good_link_to_what_the_records_do_not_have(bench):
    for link in (bench.linked(77), bench.linked(1, "BW-000999")):
        response = bench.get(link)
        assert response.status_code == 404
        assert "The link is good" in text_of(response)


def test_records_that_are_away_are_told_and_nothing_is_lost(bench, monkeypatch):
    page = Page(bench.get().text)

    def away(*_: Any, **__: Any) -> Any:
        raise RecordsUnavailable("the database's server cannot be reached")

    for name in ("acknowledge_ticket", "ticket_now"):
        monkeypatch.setattr(bench.records, name, away)
        response = bench.post(page=page, who="0")
        assert response.status_code == 503
        assert response.headers["retry-after"] == "60"
        assert "Nothing was changed" in text_of(response)
    monkeypatch.undo()
    assert bench.post(page=page, who="0").status_code == 303


def test_a_defect_is_told_without_its_details(bench, monkeypatch, caplog):
    monkeypatch.setattr(bench.records, "ticket_now", lambda _: 1 / 0)
    response = bench.get()
    assert response.status_code == 500
    assert "ZeroDivision" not in response.text
    assert response.headers["Content-Security-Policy"]
    assert "ZeroDivisionError" in caplog.text
    assert bench.link.removeprefix("/ack/") not in caplog.text


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"x" * 20_000, "application/x-www-form-urlencoded", 413),
        (b'{"who": 0}', "application/json", 415),
        (b"who=0", "", 415),
        (b"&".join(b"a=1" for _ in range(100)), "application/x-www-form-urlencoded", 409),
        (b"\xff\xfe%00=%ff&&=;", "application/x-www-form-urlencoded", 409),
    ],
)
def test_a_body_that_is_no_form_of_ours_does_nothing(bench, body, kind, status):
    response = bench.client.post(bench.link, content=body, headers={"Content-Type": kind})
    assert response.status_code == status
    assert bench.records.pending_actions() == []


def test_the_first_page_and_pages_that_are_not_there_say_what_to_do(bench):
    assert "Open the link in a ticket's mail" in text_of(bench.client.get("/"))
    for path in ("/nowhere", "/ack", "/ack/", "/ack/a/b", "/ack/a/", "/static/", "/openapi.json"):
        response = bench.client.get(path)
        assert response.status_code == 404
        assert "There is no such page" in text_of(response)
    deep = Page(bench.client.get("/a/b/c").text).all("link")[-1]["href"] or ""
    assert deep.startswith("../../static/")


@pytest.fixture(scope="module")
def steady(tmp_path_factory) -> Iterator[Bench]:
    """A bench whose ticket nobody gets acknowledged."""
    bench = Bench(tmp_path_factory.mktemp("steady"))
    bench.board.limit = BadLinkLimit(count=10**9)
    yield bench
    bench.records.close()


words = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)


@settings(max_examples=60)
@given(link=words, fields=st.dictionaries(words | st.sampled_from(["who", "seal", "note"]), words))
def test_nothing_that_is_sent_is_a_defect_or_an_acknowledgement(steady, link, fields):
    address = "/ack/" + quote(link, safe="")
    for response in (
        steady.client.get(address),
        steady.client.post(address, data=fields),
        steady.client.post(steady.link, data=fields),
    ):
        assert response.status_code in {404, 405, 409, 415}, response.text
    assert steady.records.pending_actions() == []


# ---------------------------------------------------------------- every fault


def test_every_fault_of_the_catalogue_has_its_page_with_the_safety_line(tmp_path):
    bench = Bench(tmp_path)
    renderer = MailRenderer([quay_site()], REGISTERED)
    bench.board.pages = Pages([quay_site()], renderer)
    others = [slug for slug in SLUGS if slug != "fan-fault"]
    bench.commit(*(raised(NOW_MS - 60_000, fault=slug) for slug in others))
    tickets = bench.records.tickets()
    assert {t.fault for t in tickets} == set(SLUGS)
    titles = {fault.slug: fault.title for fault in REGISTERED}
    for ticket in tickets:
        text = text_of(bench.get(bench.linked(1, ticket.number)))
        assert titles[ticket.fault] in text
        assert "changes nothing at the machine, and it does not authorise work" in text
        assert "energy-control procedure comes first" in text
        assert not re.search(r"\b(safe to|permitted to|authorised|cleared to)\b", text), text
    bench.records.close()


# ---------------------------------------------------------------- hostile words


def test_hostile_names_notes_and_evidence_stay_text(tmp_path):
    people = (Recipient(HOSTILE, "a@north.example"), Recipient("B", "b@north.example"))
    bench = Bench(
        tmp_path, Routing({"north": TeamRoute(on_call=people)}, {"quay-cold-store": "north"})
    )
    site = quay_site(name=HOSTILE, address=HOSTILE)
    bench.board.pages = Pages([site], MailRenderer([site], FAULTS))
    bench.client = TestClient(
        make_app(replace(bench.board, name=HOSTILE)), base_url="https://board.example",
        follow_redirects=False,
    )  # fmt: skip
    shown = bench.get()
    wrong = bench.post(who="7", note=HOSTILE + "</textarea>")
    assert bench.post(who="0", note=HOSTILE).status_code == 303
    (action,) = bench.records.pending_actions()
    assert "\u202e" not in action.by + action.note
    recorded = bench.get()
    bench.records.close_ticket(bench.number, by=HOSTILE, finding=HOSTILE, now_ms=NOW_MS)
    for response in (shown, wrong, recorded, bench.get()):
        page = Page(response.text)
        assert not {"script", "img"} & {tag for tag, _ in page.tags}
        assert '"><script>alert(1)</script>' in page.text
        assert "\u202e" not in response.text
    bench.records.close()


def test_a_note_is_cut_at_its_limit_and_may_hold_anything(bench):
    assert bench.post(who="0", note="\x00\x1b[31m" + "ü" * 2000).status_code == 303
    (action,) = bench.records.pending_actions()
    assert len(action.note) <= LONGEST_NOTE
    assert action.note.startswith("[31mü")


def test_a_unit_that_the_files_no_longer_know_still_has_its_page(bench):
    bench.board.pages = Pages([], MailRenderer([], FAULTS))
    text = text_of(bench.get())
    assert "quay-cold-store / ac-1" in text
    assert "09:28 UTC" in text
    assert bench.post(who="0").status_code == 303
