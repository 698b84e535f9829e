"""The board's rooms over real records: what is shown, what is done, and what is refused."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from board_bench import Page
from support.fleet import site_data, unit_data
from support.shown_board import ANA, board_of, client
from support.shown_fleet import NOW_MS, ShownFleet, fleet_of
from support.shown_visits import wear_down

from gateway.batch import Reason
from gateway.board.visitor import Role, Visitor
from gateway.overview.source import Source
from rules.equipment import Site
from rules.events import ActionKind, AlarmState, BaselineChange, Change, Severity
from rules.float_rest import FLOAT_LEVEL
from rules.lessons import PartVerdict
from rules.state import STEADY

HOUR_MS = 3_600_000
VIEWER = Visitor("Vic", frozenset({Role.VIEW}), form_token="t0ken-of-vic")
BEN = Visitor("Ben Vaz", ANA.roles, form_token="t0ken-of-ben")
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"


@pytest.fixture
def fleet(tmp_path) -> Iterator[ShownFleet]:
    made = ShownFleet(tmp_path, fleet_of(4, 2))
    yield made
    made.close()


def pages_of(fleet: ShownFleet) -> list[str]:
    site, unit = next(iter(fleet.rows))
    numbers = [t.number for t in fleet.records.tickets()[:1]]
    return [
        "/", f"/sites/{site}", f"/sites/{site}/{unit}", "/alarms", "/alarms?show=all", "/tickets",
        *(f"/tickets/{n}" for n in numbers), "/plan", "/hand-over", "/refused", "/figures",
        "/learned",
    ]  # fmt: skip


def keys(fleet: ShownFleet) -> list[str]:
    """What the boxes of all alarms stand for, as the page has them."""
    page = Page(client(board_of(fleet)).get("/alarms?show=all").text)
    return [a["value"] or "" for a in page.all("input") if a.get("name") == "pick"]


def post(fleet: ShownFleet, path: str = "/alarms", visitor: Visitor = ANA, **fields: object):
    """What a page sends that was opened just now, but for what ``fields`` say."""
    browser = client(board_of(fleet, visitor))
    data: dict[str, object] = {"form_token": visitor.form_token}
    if path.startswith("/tickets/"):
        data |= {"seen": seen_of(fleet, path)}
    return browser.post(path, data=data | fields)


def seen_of(fleet: ShownFleet, path: str) -> str:
    """What a ticket's page stands for, as its forms have it."""
    return Page(client(board_of(fleet)).get(path).text).fields()["seen"]


# ---------------------------------------------------------------- showing


def test_who_has_left_and_cannot_say_so_is_reported_by_another_who_confirms_it(fleet):
    fleet.commit(fleet.alarm(0))
    number = fleet.records.tickets()[0].number
    path = f"/tickets/{number}"
    assert "cannot report it" not in client(board_of(fleet)).get(path).text, "nobody is there"
    fleet.records.arrive(number, by="Tom", now_ms=fleet.now_ms)
    fleet.records.arrive(number, by=ANA.name, now_ms=fleet.now_ms)
    page = Page(client(board_of(fleet)).get(path).text)
    assert "It takes off nobody's lock" in page.text
    assert {"Tom", ANA.name} <= {a.get("value") for a in page.all("option")}
    unsaid = post(fleet, path, act="left", whom="", clear="yes")
    assert "Say who has left" in Page(unsaid.text).text
    unsure = post(fleet, path, act="left", whom="Tom")
    assert unsure.status_code == 409
    assert "Confirm that Tom is clear of the machine" in Page(unsure.text).text
    done = post(fleet, path, act="left", whom="Tom", clear="yes")
    assert done.headers["location"] == f"{number}?done=left"
    assert [one.by for one in fleet.records.tickets()[0].on_site] == [ANA.name]
    last = fleet.records.audit.entries()[0]
    assert (last.actor.shown_name, last.action) == (ANA.name, "ticket: leave")
    assert (last.after["whom"], last.after["is_clear"]) == ("Tom", True)


def test_what_is_about_a_whole_site_names_no_unit_that_carries_it(fleet):
    fleet.commit(fleet.alarm(0, "site-cut-off"), fleet.alarm(1))
    site, unit = fleet.sites[0], fleet.sites[0].units[0]
    number = next(t.number for t in fleet.records.tickets() if t.fault == "site-cut-off")
    browser = client(board_of(fleet))
    for path in ("/alarms", "/tickets", "/plan", f"/tickets/{number}"):
        page = Page(browser.get(path).text).text
        assert site.name in page, path
        assert f"{site.name} / {unit.name}" not in page, path
    assert f"{site.name} / {site.units[1].name}" in Page(browser.get("/alarms").text).text


def test_what_was_learned_is_named_in_words(fleet):
    names = [*((q.name, q.mode, q.unit) for q in STEADY), (FLOAT_LEVEL, "at rest", "mm")]
    fleet.commit(
        baselines=[BaselineChange(0, n, mode, 9.5, 0.1, 72, NOW_MS, u) for n, mode, u in names]
    )
    site, unit = next(iter(fleet.rows))
    page = Page(client(board_of(fleet)).get(f"/sites/{site}/{unit}").text).text
    for words in ("Condensing temperature above air on coil", "the float holds the water"):
        assert words in page
    assert not [name for name, _, _ in names if name in page]


def test_what_has_left_the_fleets_files_is_shown_without_links_that_lead_nowhere(fleet):
    fleet.commit(fleet.alarm(0), fleet.alarm(2))
    wear_down(fleet, 0, "pads", 12.0, 1.2)
    wear_down(fleet, 2, "coil", 20.0, 1.4)
    gone, kept, *_ = fleet.sites
    unit = gone.units[0].id
    fleet.records.request_action(
        ActionKind.OUT_OF_SERVICE, gone.id, unit, by="Rui", note="Sold", now_ms=fleet.now_ms
    )
    fleet.configuration = replace(fleet.configuration, sites=fleet.sites[1:])
    fleet.source = Source(fleet.records, fleet.store, fleet.configuration, fleet.where)
    browser = client(board_of(fleet))
    number = next(t.number for t in fleet.records.tickets() if t.site == gone.id)
    for path in ("/alarms?show=all", "/tickets", f"/tickets/{number}", "/plan", "/hand-over"):
        page = Page(browser.get(path).text)
        links = [a.get("href") or "" for a in page.all("a")]
        assert not [link for link in links if f"sites/{gone.id}" in link], path
    assert "no longer in the fleet's files" in Page(browser.get("/alarms?show=all").text).text
    plan = Page(browser.get("/plan").text).text
    assert "Coil Condenser 1" in plan
    assert "Pads" not in plan
    back = {"act": "in-service"}
    seal = {"X-Form-Token": ANA.form_token}
    for which, status in ((unit, 200), ("none", 404)):
        path = f"/api/1/sites/{gone.id}/units/{which}/acts"
        assert browser.post(path, json=back, headers=seal).status_code == status
    assert fleet.records.held_out(gone.id, unit, fleet.now_ms) is None
    assert kept.id in browser.get("/alarms?show=all").text


@pytest.mark.parametrize(
    "path",
    [
        "/alarms?first=" + "9" * 5_000, "/alarms?first=-1", "/alarms?first=x",
        "/tickets?before=" + "9" * 5_000, "/?page=x", "/hand-over?hours=x",
        "/tickets/BW-000001/files/" + "9" * 30, "/?q=" + "a" * 300, "/figures?operators=0",
    ],
)  # fmt: skip
def test_an_address_that_cannot_be_meant_is_told_what_to_do(fleet, path):
    fleet.commit(fleet.alarm(0))
    response = client(board_of(fleet)).get(path)
    assert response.status_code == 422
    assert response.headers["content-type"] == "text/html; charset=utf-8"
    text = Page(response.text).text
    assert "This address cannot be understood" in text
    assert "Open the page again by the links" in text
    assert "9" * 50 not in text


def test_only_what_a_page_asks_for_makes_another_part_to_share(fleet):
    board = board_of(fleet)
    browser = client(board)
    for k in range(20):
        path = f"/alarms?part=live&made-up={k}&done=acknowledge-{k}&show=all"
        assert browser.get(path).status_code == 200
    assert board.house is not None
    assert len(board.house.live.shared._kept) == 1
    browser.get("/alarms?part=live&show=held")
    browser.get("/alarms?part=live&show=held&site=x")
    assert len(board.house.live.shared._kept) == 3


def test_what_a_refused_form_shows_is_not_shared(fleet):
    fleet.commit(fleet.alarm(0))
    board = board_of(fleet)
    browser = client(board)
    before = client(board_of(fleet)).get("/alarms?part=live").text
    data = {"form_token": ANA.form_token, "act": "shelve", "pick": keys(fleet)[0]}
    assert browser.post("/alarms?part=live", data=data).status_code == 422
    assert browser.get("/alarms?part=live").text == before


def test_every_page_opens_with_nothing_there_at_all(fleet):
    for path in pages_of(fleet):
        response = client(board_of(fleet)).get(path)
        assert response.status_code == 200, path
        assert "default-src 'none'" in response.headers["content-security-policy"]


def test_every_page_opens_on_a_busy_fleet_and_says_the_same_in_its_changing_part(fleet):
    events = [fleet.alarm(row, severity=Severity(1 + row % 3)) for row in range(8)]
    fleet.commit(*events)
    fleet.commit(
        fleet.changed(events[0], Change.SHELVED, AlarmState.SHELVED, by="Ana"),
        fleet.changed(events[1], Change.RETURNED, AlarmState.RETURNED_UNACKNOWLEDGED,
                      severity=Severity.NONE),
        fleet.changed(events[2], Change.OUT_OF_SERVICE, AlarmState.OUT_OF_SERVICE, by="Ana"),
    )  # fmt: skip
    fleet.look(0)
    fleet.samples(0)
    browser = client(board_of(fleet))
    for path in pages_of(fleet):
        whole = browser.get(path)
        part = browser.get(path + ("&" if "?" in path else "?") + "part=live")
        assert (whole.status_code, part.status_code) == (200, 200), path
        assert Page(part.text).text in Page(whole.text).text
        # It is shared by all who look, so nothing of the visitor may be in it.
        assert ANA.form_token not in part.text
        assert ANA.name not in part.text or path.startswith(("/alarms", "/hand-over", "/sites"))


def test_no_script_no_style_and_nothing_remote_stands_in_a_page(fleet):
    fleet.commit(fleet.alarm(0))
    fleet.look(0)
    for path in pages_of(fleet):
        page = Page(client(board_of(fleet)).get(path).text)
        for tag, attributes in page.tags:
            assert tag != "style"
            assert not any(name == "style" or name.startswith("on") for name in attributes)
            for name in ("src", "href", "action"):
                target = attributes.get(name) or ""
                assert not re.match(r"(https?:)?//|javascript:", target), (path, target)
        assert all(a.get("src") for a in page.all("script"))


def test_hostile_names_and_notes_are_shown_as_what_they_are(tmp_path):
    hostile = {"name": HOSTILE, "address": HOSTILE, "access": HOSTILE}
    unit = unit_data(name=HOSTILE, location=HOSTILE)
    fleet = ShownFleet(tmp_path, [Site.model_validate(site_data(units=[unit]) | hostile)])
    try:
        event = fleet.alarm(0)
        fleet.commit(event)
        fleet.commit(
            fleet.changed(
                event, Change.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, by=HOSTILE, note=HOSTILE
            )
        )
        fleet.records.add_note(
            fleet.records.tickets()[0].number, by="Ana", note=HOSTILE, now_ms=NOW_MS
        )
        fleet.refuse(HOSTILE, HOSTILE, Reason.UNREGISTERED, HOSTILE)
        fleet.look(0)
        for path in (*pages_of(fleet), f"/?q={HOSTILE}", f"/alarms?q={HOSTILE}&site={HOSTILE}"):
            text = client(board_of(fleet)).get(path).text
            assert "<script>alert" not in text, path
            assert "<img" not in text, path
            page = Page(text)
            assert len(page.all("script")) == len([a for a in page.all("script") if a.get("src")])
        assert "<script>alert(1)</script>" in Page(client(board_of(fleet)).get("/alarms").text).text
    finally:
        fleet.close()


def test_a_silent_gateway_and_its_troubles_are_told_on_the_front_page(fleet):
    assert "The gateway is silent" not in client(board_of(fleet)).get("/").text
    fleet.gateway_says("The disk is full. Free some space.", ago_ms=600_000)
    text = Page(client(board_of(fleet)).get("/").text).text
    assert "The gateway is silent. It last said how it is 10 min ago" in text
    assert "The disk is full. Free some space." in text


def test_rules_that_are_behind_are_told(fleet):
    fleet.gateway_says(behind_s=600.0)
    text = Page(client(board_of(fleet)).get("/").text).text
    assert "The rules are behind. What came in the last 10 min is not judged yet." in text


def test_what_there_is_not_is_not_found(fleet):
    for path in ("/sites/none", "/sites/none/ac-1", "/sites/none/ac-1/trend.json",
                 "/tickets/BW-999999", "/tickets/BW-999999/sheet.pdf",
                 "/tickets/BW-999999/files/1"):  # fmt: skip
        assert client(board_of(fleet)).get(path).status_code == 404, path


@pytest.mark.parametrize(
    "query", ["?page=0", "?page=99999999999", "?is_=x&team=y", "?q=" + "x" * 200]
)
def test_odd_questions_get_an_answer(fleet, query):
    assert client(board_of(fleet)).get("/" + query).status_code == 200


def test_odd_numbers_are_no_defect(fleet):
    site, unit = next(iter(fleet.rows))
    for path in ("/alarms?first=99999999999999999999", "/tickets?before=999999999999999999999",
                 f"/sites/{site}/{unit}?to=99999999999999999999&span=x&s=nothing",
                 f"/sites/{site}/{unit}/trend.json?to=-5&s=fan_run", "/hand-over?hours=0",
                 "/figures?days=-1"):  # fmt: skip
        assert client(board_of(fleet)).get(path).status_code in {200, 422}, path


def test_the_trend_is_what_the_store_has(fleet):
    fleet.samples(0, hours=24)
    site, unit = next(iter(fleet.rows))
    data = json.loads(
        client(board_of(fleet)).get(f"/sites/{site}/{unit}/trend.json?span=24h&s=basin_level").text
    )
    (line,) = data["lines"]
    outline = fleet.store.outline(site, unit, ["basin_level"], NOW_MS - 86_400_000, NOW_MS, 300_000)
    assert line["values"] == pytest.approx(outline.mean[:, 0].tolist(), abs=0.06)
    assert data["width"] == 300


# ---------------------------------------------------------------- alarms


def test_many_alarms_are_acknowledged_at_once_and_the_page_is_seen_by_a_get(fleet):
    fleet.commit(*(fleet.alarm(row) for row in range(4)))
    response = post(fleet, act="acknowledge", pick=keys(fleet)[:3], note="Seen")
    assert response.status_code == 303
    assert response.headers["location"] == "alarms?done=acknowledge-3"
    actions = fleet.records.pending_actions()
    assert [(a.kind, a.by, a.note) for a in actions] == [
        (ActionKind.ACKNOWLEDGE, "Ana Reis", "Seen")
    ] * 3
    text = Page(client(board_of(fleet)).get("/" + response.headers["location"]).text).text
    assert "Recorded: 3 alarms to be acknowledged." in text
    assert text.count("Ana Reis: acknowledge, on its way") == 3
    fleet.apply()
    text = Page(client(board_of(fleet)).get("/alarms").text).text
    assert text.count("Acknowledged by Ana Reis") == 3
    trail = fleet.records.audit.entries()
    assert [(e.action, e.actor.shown_name) for e in trail] == [
        ("alarm: acknowledge", "Ana Reis")
    ] * 3
    assert trail[0].before == {"state": "Unacknowledged", "by": "", "note": ""}
    assert trail[0].after["note"] == "Seen"


def test_the_second_of_two_operators_is_told_what_the_first_did(fleet):
    fleet.commit(fleet.alarm(0, severity=Severity.HIGH), fleet.alarm(1))
    seen_by_both = keys(fleet)
    bea = replace(ANA, name="Bea Costa", form_token="t0ken-of-bea")
    assert post(fleet, act="acknowledge", pick=seen_by_both[:1]).status_code == 303
    response = post(fleet, visitor=bea, act="acknowledge", pick=seen_by_both)
    assert response.status_code == 409
    text = Page(response.text).text
    assert "1 recorded. 1 left as it was:" in text
    assert "Ana Reis has just asked for it." in text
    fleet.apply()
    response = post(
        fleet, visitor=bea, act="shelve", pick=seen_by_both[:1], note="x", **{"for": "8h"}
    )
    assert response.status_code == 409
    assert (
        "it has changed since you looked; it is now acknowledged by Ana Reis"
        in Page(response.text).text
    )
    assert fleet.records.pending_actions() == []


def test_an_alarm_that_went_away_meanwhile_is_told(fleet):
    event = fleet.alarm(0)
    fleet.commit(event)
    picks = keys(fleet)
    fleet.commit(fleet.changed(event, Change.RETURNED, AlarmState.NORMAL, severity=Severity.NONE))
    response = post(fleet, act="acknowledge", pick=picks)
    assert response.status_code == 409
    assert "it is normal by now" in response.text


def test_shelving_needs_a_reason_and_an_end_and_keeps_what_was_written(fleet):
    fleet.commit(fleet.alarm(0))
    picks = keys(fleet)
    response = post(fleet, act="shelve", pick=picks, note="", **{"for": "8h"})
    assert response.status_code == 422
    assert "Give a reason" in response.text
    response = post(fleet, act="shelve", pick=picks, note="On order")
    assert "Say for how long" in response.text
    page = Page(response.text)
    assert [a["value"] for a in page.all("input") if a.get("name") == "note"] == ["On order"]
    assert [a for a in page.all("input") if a.get("name") == "pick" and "checked" in a]
    assert (
        post(fleet, act="shelve", pick=picks, note="On order", **{"for": "3d"}).status_code == 303
    )
    (action,) = fleet.records.pending_actions()
    assert (action.kind, action.note) == (ActionKind.SHELVE, "On order")
    assert action.until_ms == NOW_MS + 72 * HOUR_MS


def test_a_unit_is_taken_out_of_service_once_however_many_of_its_alarms_are_chosen(fleet):
    fleet.commit(fleet.alarm(0), fleet.alarm(0, "fan-fault"), fleet.alarm(3))
    response = post(fleet, act="out-of-service", pick=keys(fleet), note="Work", **{"for": "4h"})
    assert response.headers["location"].endswith("done=out%20of%20service-2")
    assert len(fleet.records.pending_actions()) == 2
    site, unit = next(iter(fleet.rows))
    back = post(fleet, act="in-service", pick=f"{site}/{unit}", to=f"sites/{site}/{unit}")
    assert back.headers["location"] == f"./sites/{site}/{unit}"
    ended, first, _ = fleet.records.audit.entries()
    assert (ended.action, ended.subject) == ("unit: return to service", f"{site}/{unit}")
    assert ended.before == {
        "out_of_service": {"by": "Ana Reis", "note": "Work", "until_ms": NOW_MS + 4 * HOUR_MS}
    }
    assert first.before == {"out_of_service": None}


def test_nothing_chosen_and_nothing_known_is_said(fleet):
    assert "No alarm was chosen" in post(fleet, act="acknowledge").text
    assert "Choose what is to be done" in post(fleet, act="launch", pick="a/b/c/1").text
    assert "No alarm was chosen" in post(fleet, act="acknowledge", pick="a").text


def test_who_may_only_look_sees_no_form_and_can_do_nothing(fleet):
    fleet.commit(fleet.alarm(0))
    number = fleet.records.tickets()[0].number
    site, unit = next(iter(fleet.rows))
    for path in ("/alarms", f"/tickets/{number}", f"/sites/{site}/{unit}"):
        page = Page(client(board_of(fleet, VIEWER)).get(path).text)
        assert [f for f in page.all("form") if f.get("method") == "post"] == []
        assert [i for i in page.all("input") if i.get("name") == "pick"] == []
    assert post(fleet, visitor=VIEWER, act="acknowledge", pick=keys(fleet)).status_code == 403
    assert post(fleet, f"/tickets/{number}", VIEWER, act="note", note="x").status_code == 403
    assert fleet.records.pending_actions() == []


def test_a_form_of_another_visit_does_nothing(fleet):
    fleet.commit(fleet.alarm(0))
    response = client(board_of(fleet)).post(
        "/alarms", data={"form_token": "other", "act": "acknowledge", "pick": keys(fleet)}
    )
    assert response.status_code == 403
    assert fleet.records.pending_actions() == []


# ---------------------------------------------------------------- tickets


def test_a_ticket_lives_from_its_page(fleet):
    fleet.commit(fleet.alarm(0, severity=Severity.HIGH))
    number = fleet.records.tickets()[0].number
    path = f"/tickets/{number}"

    def state() -> str:
        return fleet.records.tickets()[0].state.value

    assert post(fleet, path, act="assign", to="Rui Prata").headers["location"] == (
        f"{number}?done=assign"
    )
    assert state() == "assigned"
    assert "Report the arrival first" in post(fleet, path, act="done").text
    post(fleet, path, act="arrive", **{"for": "6"})
    ticket = fleet.records.tickets()[0]
    assert (ticket.state.value, ticket.stay_until_ms) == ("on site", NOW_MS + 6 * HOUR_MS)
    text = client(board_of(fleet)).get(f"{path}?done=arrive").text
    assert "isolates nothing" in Page(text).text
    post(fleet, path, act="done")
    assert state() == "work done"
    response = post(
        fleet, path, act="close", found="Screen full of leaves", part0="pump-screen",
        found0="leaves", did0="cleaned", used0="", verdict0="as said", cleaned=["pump-screen"],
    )  # fmt: skip
    assert response.status_code == 303
    ticket = fleet.records.ticket(number)
    assert (ticket.ticket.state.value, ticket.ticket.closed_by) == ("closed", "Ana Reis")
    assert [(f.finding.part, f.finding.verdict) for f in ticket.findings] == [
        ("pump-screen", PartVerdict.AS_SAID)
    ]
    (entry,) = fleet.records.audit.entries(subject=number, limit=1)
    assert (entry.action, entry.before["phase"], entry.after["phase"]) == (
        "ticket: close", "work done", "closed",
    )  # fmt: skip
    assert "Pump screen" in Page(client(board_of(fleet)).get(path).text).text


def test_a_close_out_that_is_refused_keeps_what_was_written(fleet):
    fleet.commit(fleet.alarm(0))
    number = fleet.records.tickets()[0].number
    response = post(fleet, f"/tickets/{number}", act="close", found="Leaves", found0="in the pump")
    assert response.status_code == 409
    page = Page(response.text)
    assert "Say at which part" in page.text
    assert "Leaves" in page.text
    assert fleet.records.tickets()[0].state.value == "open"


def test_the_ticket_page_puts_isolation_before_the_job_and_has_a_sheet(fleet):
    fleet.commit(fleet.alarm(0))
    number = fleet.records.tickets()[0].number
    text = Page(client(board_of(fleet)).get(f"/tickets/{number}").text).text
    assert text.index("Make it safe first") < text.index("Then, only with the machine made safe")
    assert re.search(
        r"below the clean pump's\. By the readings of \w{3} \d+ \w{3} 20\d\d, \d\d:\d\d", text
    )
    sheet = client(board_of(fleet)).get(f"/tickets/{number}/sheet.pdf")
    assert sheet.headers["content-type"] == "application/pdf"
    assert sheet.content.startswith(b"%PDF-")


def test_an_attachment_is_handed_out_as_what_it_is(fleet):
    png = b"\x89PNG\r\n\x1a\n" + b"\0" * 32
    fleet.commit(fleet.alarm(0))
    number = fleet.records.tickets()[0].number
    fleet.records.attach(number, by="Rui", name="sc\u00e9ne.png", content=png, now_ms=NOW_MS)
    response = client(board_of(fleet)).get(f"/tickets/{number}/files/1")
    assert response.content == png
    assert response.headers["content-type"] == "image/png"
    assert response.headers["x-content-type-options"] == "nosniff"


def test_the_acknowledgement_of_a_ticket_is_asked_for_once(fleet):
    fleet.commit(fleet.alarm(0))
    number = fleet.records.tickets()[0].number
    assert post(fleet, f"/tickets/{number}", act="acknowledge").status_code == 303
    assert len(fleet.records.pending_actions()) == 1
    # Whoever comes second is told who was first, and the audit trail says nothing of him.
    again = post(fleet, f"/tickets/{number}", BEN, act="acknowledge", note="Mine")
    assert again.status_code == 409
    assert "Ana Reis has just acknowledged it" in Page(again.text).text
    assert "Recorded" not in again.text
    assert len(fleet.records.pending_actions()) == 1
    assert [e.actor.shown_name for e in fleet.records.audit.entries()] == ["Ana Reis"]


@pytest.mark.parametrize(
    ("state", "says"),
    [
        (AlarmState.ACKNOWLEDGED, "Rui Prata has acknowledged it already"),
        (AlarmState.SHELVED, "shelved, suppressed or out of service"),
        (AlarmState.NORMAL, "Its alarm is over or was answered"),
    ],
)
def test_a_ticket_that_awaits_nothing_says_why(fleet, state, says):
    event = fleet.alarm(0)
    fleet.commit(event)
    change = {
        AlarmState.ACKNOWLEDGED: Change.ACKNOWLEDGED, AlarmState.SHELVED: Change.SHELVED,
        AlarmState.NORMAL: Change.RETURNED,
    }[state]  # fmt: skip
    fleet.commit(fleet.changed(event, change, state, by="Rui Prata"))
    number = fleet.records.tickets()[0].number
    response = post(fleet, f"/tickets/{number}", act="acknowledge")
    assert response.status_code == 409
    assert says in Page(response.text).text
    assert fleet.records.pending_actions() == []
    assert fleet.records.audit.entries() == []


@pytest.mark.parametrize(
    "fields",
    [
        {"act": "assign", "to": "Dino"}, {"act": "acknowledge"}, {"act": "arrive"},
        {"act": "leave"}, {"act": "done"}, {"act": "close", "found": "Leaves"},
        {"act": "note", "note": "Seen from the road"},
    ],
)  # fmt: skip
def test_nobody_acts_on_a_ticket_that_has_changed_since_its_page_was_opened(fleet, fields):
    fleet.commit(fleet.alarm(0))
    path = f"/tickets/{fleet.records.tickets()[0].number}"
    old = seen_of(fleet, path)
    assert post(fleet, path, act="assign", to="Carla").status_code == 303
    before = fleet.records.ticket(path.rpartition("/")[2]), fleet.records.pending_actions()
    for seen in (old, ""):
        response = post(fleet, path, BEN, seen=seen, **fields)
        assert response.status_code == 409
        page = Page(response.text)
        assert "has changed since you opened its page" in page.text
        assert "assigned to Carla" in page.text
        assert fields.get("note", "") in [a.get("value") or "" for a in page.all("input")]
    after = fleet.records.ticket(path.rpartition("/")[2]), fleet.records.pending_actions()
    assert after == before
    assert len(fleet.records.audit.entries()) == 1


def test_the_board_brings_no_unit_back_on_which_somebody_works(fleet):
    fleet.commit(fleet.alarm(0))
    site, unit = next(iter(fleet.rows))
    number = fleet.records.tickets()[0].number
    assert post(fleet, f"/tickets/{number}", act="arrive", **{"for": "8"}).status_code == 303
    before, trail = fleet.records.pending_actions(), len(fleet.records.audit.entries())
    response = post(fleet, "/alarms", BEN, act="in-service", pick=f"{site}/{unit}")
    assert response.status_code == 409
    assert f"Ana Reis has been on site for ticket {number} since" in Page(response.text).text
    shorter = {"act": "out-of-service", "pick": f"{site}/{unit}", "note": "x", "for": "1h"}
    response = post(fleet, "/alarms", BEN, **shorter)
    assert response.status_code == 409
    assert "Ana Reis has taken it out of service until" in Page(response.text).text
    assert fleet.records.pending_actions() == before
    assert len(fleet.records.audit.entries()) == trail


def test_lines_for_the_site_file_are_offered(fleet):
    fleet.refuse(fleet.sites[0].id, "ac-9", Reason.UNREGISTERED, "No such unit.", 12)
    text = client(board_of(fleet)).get("/refused").text
    assert "id = &#34;ac-9&#34;" in text
