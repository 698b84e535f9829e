"""The planner's rooms over real records: visits, wishes, confirmations, reports and lessons."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from io import BytesIO

import pytest
from board_bench import Page
from pypdf import PdfReader
from support.shown_board import ANA, board_of, client
from support.shown_fleet import NOW_MS, ShownFleet
from support.shown_visits import DAY_MS, visited_fleet, wear_down

from gateway.board.acts import visits
from gateway.board.visitor import Role, Visitor
from gateway.month import Month
from gateway.overview.source import Source
from gateway.overview.visits import visits_view
from gateway.records.visit_rows import VisitState
from gateway.records.wear import Settled
from gateway.tickets.closeout import PartFinding
from gateway.visits import telling
from gateway.visits.proposing import propose
from rules.events import Cause, Evidence, Severity
from rules.proof import Proof, ProofVerdict
from rules.visits.wishes import WishKind

PLANNER = Visitor("Pia Lane", frozenset({Role.VIEW, Role.PLAN}), form_token="t0ken-of-pia")
OPERATOR = Visitor("Olo", frozenset({Role.VIEW, Role.OPERATE}), form_token="t0ken-of-olo")


@pytest.fixture
def fleet(tmp_path) -> Iterator[ShownFleet]:
    made = visited_fleet(tmp_path)
    wear_down(made, 0, "pads", 12.0, 1.2)
    wear_down(made, 1, "coil", 20.0, 1.4)
    propose(made.records, made.configuration, made.now_ms, 5)
    yield made
    made.close()


def first(fleet: ShownFleet):
    return fleet.records.visits([VisitState.PROPOSED, VisitState.CONFIRMED])[0]


def post(fleet: ShownFleet, path: str, visitor: Visitor = PLANNER, **fields: object):
    browser = client(board_of(fleet, visitor))
    page = Page(browser.get(path).text)
    given = {"form_token": visitor.form_token, **page.fields(), **fields}
    return browser.post(path, data=given)


def trail(fleet: ShownFleet) -> list[tuple[str, str, str]]:
    return [(e.actor.shown_name, e.action, e.subject) for e in fleet.records.audit.entries()]


def test_the_plan_shows_each_visit_with_its_sentence_jobs_and_hours_and_what_is_due(fleet):
    row = first(fleet)
    text = Page(client(board_of(fleet)).get("/plan").text).text
    assert f"{row.number};" in text
    assert "Van North" in text
    assert "Week of " in text
    for stop in row.course.stops:
        assert stop.why in text
    for one in fleet.records.due_ranges(now_ms=NOW_MS):
        assert one.due.early_ms is not None
        assert f"{one.due.part.capitalize()} Condenser" in text
    assert "Parts by condition 2" in text
    south = Page(client(board_of(fleet)).get("/plan?team=south").text).text
    assert row.number not in south
    assert "Parts by condition 0" in south


def test_a_part_with_a_ticket_for_its_job_is_told_with_the_ticket(fleet):
    fleet.commit(fleet.alarm(0, fault="pads-clogged", severity=Severity.MEDIUM))
    page = Page(client(board_of(fleet)).get("/plan").text)
    (ticket,) = fleet.records.tickets()
    assert ticket.fault == "pads-clogged"
    assert "Parts by condition 1" in page.text, "the coil of the other unit"
    parts, _, tickets = page.text.partition("Parts that a ticket asks for")
    assert "Pads" not in parts.partition("What is due")[2]
    assert tickets.count("Pads by condition:") == 1
    assert ticket.number in tickets


def test_a_visits_page_and_its_work_pack_name_every_job_and_how_to_make_it_safe(fleet):
    row = first(fleet)
    browser = client(board_of(fleet, OPERATOR))
    page = Page(browser.get(f"/plan/{row.number}").text)
    for stop in row.course.stops:
        assert stop.why in page.text
        for job in stop.jobs:
            assert job.why in page.text
    assert not page.all("button"), "who does not plan gets no form"
    pack = browser.get(f"/plan/{row.number}/pack.pdf")
    assert pack.headers["content-type"] == "application/pdf"
    words = " ".join(p.extract_text() for p in PdfReader(BytesIO(pack.content)).pages)
    assert row.number in words
    assert "lock" in words.lower()
    assert browser.get("/plan/V-999999").status_code == 404
    assert browser.get("/plan/V-999999/pack.pdf").status_code == 404


def test_pin_move_split_and_refuse_are_wishes_with_an_entry_in_the_trail(fleet):
    row = first(fleet)
    keys = sorted(row.course.needs)
    path = f"/plan/{row.number}"
    assert len(keys) > 1
    assert post(fleet, path, act="pin", note="Keep").status_code == 303
    assert post(fleet, path, act="move", day="2026-07-09", crew="van-north").status_code == 303
    assert post(fleet, path, act="split", job=keys[:1]).status_code == 303
    assert post(fleet, path, act="refuse", until="2026-07-10").status_code == 303
    pin, move, split, refuse = fleet.records.visit_wishes()
    assert (pin.kind, pin.day, pin.crew, pin.by, pin.note) == (
        WishKind.PIN, row.day, row.crew, "Pia Lane", "Keep",
    )  # fmt: skip
    assert (move.kind, move.day, move.crew) == (WishKind.MOVE, "2026-07-09", "van-north")
    assert (split.needs, split.apart) == (tuple(keys[:1]), tuple(keys[1:]))
    assert (refuse.day, refuse.until_day) == ("", "2026-07-10")
    said = [("Pia Lane", f"visit: {a}", row.number) for a in ("pin", "move", "split", "refuse")]
    assert sorted(trail(fleet)) == sorted(said)
    # The same once more, as over a bad line, is no second wish that would outlive the first's end.
    again = post(fleet, path, act="pin", note="Keep")
    assert again.status_code == 409
    assert "Wish 1, by Pia Lane, says just that" in Page(again.text).text
    assert len(fleet.records.visit_wishes()) == len(trail(fleet)) == 4


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"act": "move"}, "Say where to"),
        ({"act": "move", "day": "9 July"}, "is no date"),
        ({"act": "move", "crew": "van-9"}, "There is no crew 'van-9'"),
        ({"act": "move", "day": "2020-01-01"}, "A plan begins tomorrow"),
        ({"act": "refuse", "until": "2020-01-01"}, "A plan begins tomorrow"),
        ({"act": "split"}, "Tick the jobs to take out"),
        ({"act": "pin", "job": "no/such/job"}, "has other jobs by now"),
        ({"act": "confirm", "seen": "older"}, "was changed meanwhile"),
        ({"act": "cancel"}, "No crew was told"),
        ({"act": "dance"}, "Choose what is to be done"),
    ],
)
def test_what_cannot_be_is_said_and_changes_nothing(fleet, fields, says):
    row = first(fleet)
    response = post(fleet, f"/plan/{row.number}", **fields)
    assert response.status_code == 409
    assert says in Page(response.text).text
    assert (first(fleet), fleet.records.visit_wishes(), trail(fleet)) == (row, [], [])


@pytest.mark.parametrize("act", ["confirm", "cancel", "pin", "move", "split", "refuse"])
def test_nobody_decides_about_jobs_that_came_after_the_page_was_opened(fleet, act):
    row = first(fleet)
    path = f"/plan/{row.number}"
    browser = client(board_of(fleet, PLANNER))
    old = Page(browser.get(path).text).fields() | {"form_token": PLANNER.form_token}
    for part in ("basin", "coil"):
        wear_down(fleet, 0, part, 15.0, 1.5)
    propose(fleet.records, fleet.configuration, fleet.now_ms, 5)
    now = fleet.records.visit(row.number)
    assert now.state is VisitState.PROPOSED
    assert now.course.needs - row.course.needs
    job = sorted(now.course.needs)[:1] if act == "split" else []
    more = {"day": "2026-07-09", "until": "2026-07-10", "job": job, "act": act}
    response = browser.post(path, data=old | more)
    assert response.status_code == 409
    assert "was changed meanwhile" in Page(response.text).text
    assert fleet.records.visit_wishes() == []
    assert trail(fleet) == []


def opened(fleet: ShownFleet, path: str):
    """A planner's page as he has it open: sends what he decides later by what he saw then."""
    browser = client(board_of(fleet, PLANNER))
    old = Page(browser.get(path).text).fields() | {"form_token": PLANNER.form_token}
    return lambda **fields: browser.post(path, data=old | fields)


def test_of_two_decisions_on_what_both_have_seen_the_second_is_refused(fleet):
    path = f"/plan/{first(fleet).number}"
    one, other = opened(fleet, path), opened(fleet, path)
    assert one(act="refuse", until="9999-12-31", note="Closed").status_code == 303
    for fields in (
        {"act": "pin"}, {"act": "move", "day": "9999-12-31"}, {"act": "confirm"},
    ):  # fmt: skip
        told = other(**fields)
        assert told.status_code == 409
        page = Page(told.text).text
        assert "was changed meanwhile" in page
        assert "Wishes that hold 1. Refuse" in page
        assert "Pia Lane: Closed" in page
    assert [w.kind for w in fleet.records.visit_wishes()] == [WishKind.REFUSE]
    assert [action for _, action, _ in trail(fleet)] == ["visit: refuse"]
    assert post(fleet, path, act="confirm").status_code == 303, "who has seen it may decide so"


def test_a_wish_that_comes_while_the_letter_is_made_refuses_the_confirmation(fleet, monkeypatch):
    path = f"/plan/{first(fleet).number}"
    one, other = opened(fleet, path), opened(fleet, path)
    make = visits.confirmation

    def meanwhile(*given, **more):
        assert other(act="refuse", until="2026-07-10").status_code == 303
        return make(*given, **more)

    monkeypatch.setattr(visits, "confirmation", meanwhile)
    assert one(act="confirm").status_code == 409
    assert first(fleet).state is VisitState.PROPOSED
    assert [action for _, action, _ in trail(fleet)] == ["visit: refuse"]


def test_programs_decide_on_a_visit_only_as_they_have_seen_it(fleet):
    number = first(fleet).number
    browser = client(board_of(fleet, replace(PLANNER, form_token="")))
    path = f"/api/1/visits/{number}"
    tag = browser.get(path).headers["etag"]
    pin, refuse = {"act": "pin"}, {"act": "refuse", "until": "2026-07-10"}
    done = browser.post(f"{path}/acts", json=pin, headers={"If-Match": tag})
    assert (done.status_code, done.json()["wishes"]) == (200, [1])
    late = browser.post(f"{path}/acts", json=refuse, headers={"If-Match": tag})
    assert late.status_code == 412
    assert browser.get(path).headers["etag"] == done.headers["etag"]
    assert len(fleet.records.visit_wishes()) == 1


@pytest.mark.parametrize(
    ("zone", "hours", "is_shown"),
    [
        # Hours from Monday 00:00 UTC. New York is 4 h behind in July, Tokyo 9 h ahead.
        ("America/New_York", 3.0, True),
        ("America/New_York", 5.0, False),
        ("Asia/Tokyo", -10.0, True),
        ("Asia/Tokyo", -8.0, False),
        ("UTC", -1.0, True),
        ("UTC", 0.0, False),
    ],
)
def test_a_week_is_over_when_it_is_at_the_site(tmp_path, zone, hours, is_shown):
    fleet = visited_fleet(tmp_path, time_zone=zone)
    wear_down(fleet, 0, "pads", 12.0, 1.2)
    propose(fleet.records, fleet.configuration, fleet.now_ms, 5)
    day = date.fromisoformat(first(fleet).day)
    monday = datetime.combine(day + timedelta(days=7 - day.weekday()), time(0), UTC)
    fleet.now_ms = round((monday.timestamp() + hours * 3600) * 1000)
    weeks = visits_view(fleet.source, fleet.now_ms).weeks
    assert [v.number for week in weeks for v in week.visits] == ([first(fleet).number] * is_shown)
    fleet.close()


def test_an_open_page_hears_of_what_another_planner_does(fleet):
    row = first(fleet)
    path = f"/plan/{row.number}"
    for page in ("/plan", path):
        (live,) = [a for a in Page(client(board_of(fleet)).get(page).text).all("div")
                   if a.get("id") == "live"]  # fmt: skip
        assert "visits" in (live.get("data-kinds") or "").split()
    marks = [fleet.records.change_mark().visits]
    fleet.now_ms += 1_000
    for act in ({"act": "pin"}, {"act": "confirm"}, {"act": "cancel"}):
        assert post(fleet, path, **act).status_code == 303
        marks.append(fleet.records.change_mark().visits)
        fleet.now_ms += 1_000
    assert post(fleet, "/plan", act="unwish", wish="1").status_code == 303
    marks.append(fleet.records.change_mark().visits)
    assert len(set(marks)) == len(marks)
    assert "Cancelled" in client(board_of(fleet)).get(f"{path}?part=live").text


def test_only_planners_decide(fleet):
    row = first(fleet)
    for path in ("/plan", f"/plan/{row.number}"):
        response = client(board_of(fleet, OPERATOR)).post(
            path, data={"form_token": OPERATOR.form_token, "act": "confirm"}
        )
        assert response.status_code == 403
    sealed = client(board_of(fleet, PLANNER)).post("/plan", data={"act": "anew"})
    assert sealed.status_code in {400, 403}
    assert first(fleet) == row


def test_a_visit_is_confirmed_moved_planned_anew_confirmed_and_cancelled(fleet):
    row = first(fleet)
    path = f"/plan/{row.number}"
    assert post(fleet, path, act="confirm").status_code == 303
    assert fleet.records.visit(row.number).state is VisitState.CONFIRMED
    assert "van-north@north.example" in str(
        [e.after for e in fleet.records.audit.entries() if e.action == "visit: confirm"]
    )
    assert post(fleet, path, act="move", day="2026-07-09").status_code == 303
    assert fleet.records.visit(row.number).state is VisitState.REOPENED
    page = Page(client(board_of(fleet, PLANNER)).get(path).text)
    assert "Reopened, to plan anew" in page.text
    assert "Confirm and tell the crew" not in page.text
    refused = post(fleet, path, act="confirm")
    assert refused.status_code == 409
    assert "Plan anew" in Page(refused.text).text
    assert post(fleet, "/plan", act="anew").status_code == 303
    text = Page(client(board_of(fleet)).get(path).text).text
    assert "Changed, to confirm" in text
    again = fleet.records.visit(row.number)
    assert (again.state, again.day, again.sequence) == (VisitState.PROPOSED, "2026-07-09", 0)
    assert post(fleet, path, act="confirm").status_code == 303
    assert post(fleet, path, act="cancel", note="Roof closed").status_code == 303
    off = fleet.records.visit(row.number)
    assert (off.state, off.note, off.changed_by) == (
        VisitState.CANCELLED,
        "Roof closed",
        "Pia Lane",
    )
    assert post(fleet, "/plan", act="unwish", wish="1").status_code == 303
    assert fleet.records.visit_wishes() == []
    missing = post(fleet, "/plan", act="unwish", wish="1")
    assert missing.status_code == 409
    assert "no wish 1 that holds" in Page(missing.text).text


def test_a_visit_of_a_crew_that_was_taken_away_stays_on_the_page_and_is_cancelled_there(fleet):
    row = first(fleet)
    path = f"/plan/{row.number}"
    assert post(fleet, path, act="confirm").status_code == 303
    visits = replace(fleet.configuration.visits, crews=fleet.configuration.visits.crews[1:])
    fleet.configuration = replace(fleet.configuration, visits=visits)
    fleet.source = Source(fleet.records, fleet.store, fleet.configuration, fleet.where)
    for team, is_there in (("", True), ("north", True), ("south", False)):
        text = Page(client(board_of(fleet)).get(f"/plan?team={team}").text).text
        assert (f"{row.number};" in text) is is_there
    assert post(fleet, path, act="cancel").status_code == 303
    assert fleet.records.visit(row.number).state is VisitState.CANCELLED
    (told,) = [e.after["told"] for e in fleet.records.audit.entries() if "cancel" in e.action]
    assert told == ["van-north@north.example"]


def test_nobody_waits_while_a_work_pack_is_laid_out_and_the_first_who_decides_counts(
    fleet, monkeypatch
):
    row = first(fleet)
    laid_out = telling.pack_letter
    others: list[object] = []

    def meanwhile(*given, **more):
        letter = laid_out(*given, **more)
        if not others:
            others.append(None)

            def decide() -> None:
                others.append(
                    telling.confirmation(
                        fleet.records, fleet.configuration, row, by="R. Marsh", note="",
                        now_ms=NOW_MS,
                    ).write(fleet.records)
                )  # fmt: skip

            other = threading.Thread(target=decide)
            other.start()
            other.join(120)
        return letter

    monkeypatch.setattr(telling, "pack_letter", meanwhile)
    response = post(fleet, f"/plan/{row.number}", act="confirm")
    assert len(others) == 2, "the other planner was held up"
    assert response.status_code == 409
    assert "was changed meanwhile" in Page(response.text).text
    kept = fleet.records.visit(row.number)
    assert (kept.changed_by, kept.sequence) == ("R. Marsh", 0)
    assert trail(fleet) == []


def test_a_unit_shows_when_its_parts_are_due_and_what_cleaning_did(fleet):
    site, unit = next(iter(fleet.rows))
    text = Page(client(board_of(fleet)).get(f"/sites/{site}/{unit}").text).text
    (due,) = fleet.records.due_ranges(site, unit, now_ms=NOW_MS)
    assert due.due.reason in text
    assert "Effect of cleanings" not in text
    fleet.commit(fleet.alarm(0))
    number = fleet.records.tickets()[0].number
    fleet.records.close_ticket(
        number, by="Ana", finding="Leaves", findings=[PartFinding("pads", "scale", "cleaned")],
        cleaned=["pads"], now_ms=NOW_MS - DAY_MS,
    )  # fmt: skip
    (cleaning,) = fleet.records.cleanings(site, unit)
    text = Page(client(board_of(fleet)).get(f"/sites/{site}/{unit}").text).text
    assert "Effect of cleanings" in text
    assert cleaning.said in text
    assert "Not known yet" in text
    proof = Proof(
        ProofVerdict.DID_NOT, "Pressure drop is as it was.", "pad_pressure_drop", "Pa", 40.0,
        39.6, 1.0, -4.0, 6.0, 97.0, 30, 28,
    )  # fmt: skip
    fleet.records.settle_cleanings([Settled(cleaning, proof, final=True)], NOW_MS)
    text = Page(client(board_of(fleet)).get(f"/sites/{site}/{unit}").text).text
    assert "Not known yet" not in text
    assert "Did not help Pressure drop is as it was. +1 % -4 to +6" in text


def test_what_close_outs_teach_is_shown_with_how_it_is_judged(fleet):
    browser = client(board_of(fleet))
    assert "No ticket was closed" in Page(browser.get("/learned").text).text
    screen = Cause("pump-screen-clogging", "Pump suction screen clogged", 0.9)
    fleet.commit(fleet.alarm(0, why=Evidence("Pressure is down.", 0.8, causes=(screen,))))
    number = fleet.records.tickets()[0].number
    fleet.records.close_ticket(
        number, by="Ana", finding="Leaves", findings=[PartFinding("pump", "worn", "changed")],
        now_ms=NOW_MS - 1000,
    )  # fmt: skip
    text = Page(browser.get("/learned").text).text
    assert "The first cause was right in 0 of 1 that can be judged" in text
    assert "Suggestions are never applied" in text
    assert number in text
    assert number not in Page(browser.get(f"/learned?site={fleet.sites[2].id}").text).text


def test_a_sites_report_comes_as_pdf_and_as_a_page_to_keep(fleet):
    browser, site = client(board_of(fleet)), fleet.sites[0]
    page = Page(browser.get(f"/sites/{site.id}").text)
    running = Month.of(NOW_MS, site.zone)
    assert str(running.before) in {a.get("value") for a in page.all("option")}
    pdf = browser.get(f"/reports/{site.id}?month={running}")
    words = " ".join(p.extract_text() for p in PdfReader(BytesIO(pdf.content)).pages)
    assert site.name in words
    kept = browser.get(f"/reports/{site.id}?month={running}&as_=html")
    assert kept.headers["content-disposition"].startswith("attachment")
    assert site.name in Page(kept.text).text
    assert browser.get(f"/reports/{site.id}?month={running.after}").status_code == 400
    assert browser.get(f"/reports/{site.id}?month=soon").status_code == 400
    assert browser.get("/reports/nowhere").status_code == 404
    assert ANA.form_token not in kept.text


def test_the_fleets_report_is_on_the_board_for_whoever_may_look(fleet):
    browser = client(board_of(fleet, Visitor("Vic", frozenset({Role.VIEW}))))
    page = Page(browser.get("/reports").text)
    running = Month.of(NOW_MS, UTC)
    offered = {option.get("value") for option in page.all("option")}
    assert {"", str(running), str(running.before)} <= offered
    assert {site.id for site in fleet.sites} <= offered
    pdf = browser.get(f"/report?site=&month={running}&as_=pdf")
    assert pdf.headers["content-disposition"] == f'inline; filename="fleet {running}.pdf"'
    words = " ".join(p.extract_text() for p in PdfReader(BytesIO(pdf.content)).pages)
    assert all(site.name in words for site in fleet.sites)
    kept = browser.get(f"/report?month={running}&as_=html")
    assert kept.headers["content-disposition"].startswith("attachment")
    assert fleet.sites[0].name in Page(kept.text).text
    one = browser.get(f"/report?site={fleet.sites[0].id}&month={running}&as_=html")
    assert fleet.sites[1].name not in Page(one.text).text
    assert browser.get(f"/report?month={running.after}").status_code == 400
    assert browser.get("/report?site=nowhere").status_code == 404
    nobody = client(board_of(fleet, Visitor("Noa", frozenset())))
    assert nobody.get("/reports").status_code == 403
    assert nobody.get("/report").status_code == 403
