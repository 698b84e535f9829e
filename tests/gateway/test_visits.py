"""Visits from what is due to the crew's calendar: real records, a real mail server and parser."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from email.message import EmailMessage
from io import BytesIO
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import pytest
from pypdf import PdfReader
from sqlalchemy.engine import URL
from support.outbox import outbox_for
from support.records import open_records
from support.smtp import MailCatcher
from test_crews_config import CREWS
from visit_rig import NOW_MS, VISIT, configured, wear, worn_records

from gateway.config import Configuration
from gateway.due_keeper import DueKeeper
from gateway.records import Records, RecordsError
from gateway.records.visit_rows import VisitRow, VisitState
from gateway.records.visits import NewWish
from gateway.visits.proposing import planned as plan_unwritten
from gateway.visits.proposing import propose
from gateway.visits.question import Question, question
from gateway.visits.telling import VisitError, cancellation, confirmation
from rules.events import StepResult
from rules.visits.wishes import WishKind

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
PADS = "quay-cold-store/ac-1/pads"
FLOAT = "quay-cold-store/ac-1/float-stuck-shut"


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = worn_records(records_url)
    yield records
    records.close()


@pytest.fixture
def fleet(tmp_path: Path) -> Configuration:
    return configured(tmp_path / "fleet")


@pytest.fixture
def server() -> Iterator[MailCatcher]:
    with MailCatcher() as server:
        yield server


def confirm_visit(records, fleet, row, **said):
    """The visit as it is then, and who was told."""
    ready = confirmation(records, fleet, row, **said)
    return ready.write(records), ready.to


def cancel_visit(records, fleet, row, **said):
    """The same of a cancellation."""
    ready = cancellation(records, fleet, row, **said)
    return ready.write(records), ready.to


def planned(records: Records, fleet: Configuration, now_ms: int = NOW_MS) -> list[VisitRow]:
    rows, _ = propose(records, fleet, now_ms, 5)
    return [row for row in rows if row.state is VisitState.PROPOSED]


def with_need(rows: list[VisitRow], key: str) -> VisitRow:
    (row,) = [row for row in rows if key in row.course.needs]
    return row


def sent(records: Records, server: MailCatcher, now_ms: int) -> EmailMessage:
    """The one letter that is waiting, from the server that took it; the ticket's mail goes too."""
    before = len(letters(server))
    outbox_for(records, server).pump(now_ms)
    found = letters(server)
    assert len(found) == before + 1
    return found[-1]


def letters(server: MailCatcher) -> list[EmailMessage]:
    mails = [received.message for received in server.received]
    return [mail for mail in mails if mail["Message-ID"].startswith("<V-")]


def entry(mail: EmailMessage) -> tuple[str, icalendar.cal.Component]:
    (part,) = [p for p in mail.iter_attachments() if p.get_content_type() == "text/calendar"]
    file = icalendar.Calendar.from_ical(part.get_payload(decode=True))
    (event,) = file.walk("VEVENT")
    assert part.get_param("method") == str(file["METHOD"])
    return str(file["METHOD"]), event


def test_what_is_due_and_asked_for_becomes_one_visit(
    records: Records, fleet: Configuration
) -> None:
    (row,) = planned(records, fleet)
    assert row.number == "V-000001"
    assert row.course.needs == {PADS, "quay-cold-store/ac-1/coil", FLOAT}
    (stop,) = row.course.stops
    by_key = {job.key: job for job in stop.jobs}
    assert by_key[FLOAT].tickets == ("BW-000001",)
    assert by_key[FLOAT].job == "float-valve"
    assert by_key[PADS].likely_ms is not None
    # Pads fall 1.2 % a day from 12 %: at their limit in ten days, give or take the noise.
    assert abs(by_key[PADS].likely_ms - NOW_MS - 10 * DAY_MS) < 1.5 * DAY_MS
    assert stop.jobs[-1].key == FLOAT, "what wants dry pads comes first in the heat"
    assert stop.wet_off_ms == stop.begins_ms - 10 * HOUR_MS
    plan = records.visit_plan()
    assert plan is not None
    assert (plan.outcome.left, plan.outcome.conflicts) == ((), ())
    assert 0 <= plan.outcome.gap < 0.05


def test_a_high_ticket_and_a_healthy_part_make_no_visit(
    records_url: URL, fleet: Configuration
) -> None:
    records = open_records(records_url)
    records.commit(1, StepResult((), conditions=wear("pads", 90.0, 0.0)), [], NOW_MS)
    assert planned(records, fleet) == []
    records.close()


def test_a_site_without_coordinates_is_named(records: Records, tmp_path: Path) -> None:
    _, plan = propose(records, configured(tmp_path / "bare", visit=""), NOW_MS, 5)
    assert plan.outcome.not_planned == ("quay-cold-store",)


def test_wishes_are_kept_with_who_when_and_why(records: Records, fleet: Configuration) -> None:
    (row,) = planned(records, fleet)
    wish = NewWish(WishKind.MOVE, [FLOAT], day="2026-07-15")
    number = records.wish_visit(wish, by="P.  Lane ", note="audit", now_ms=NOW_MS)
    (kept,) = records.visit_wishes()
    assert (kept.by, kept.note, kept.made_ms, kept.day) == (
        "P. Lane",
        "audit",
        NOW_MS,
        "2026-07-15",
    )
    rows = planned(records, fleet)
    assert with_need(rows, FLOAT).day == "2026-07-15"
    records.end_visit_wish(number, by="P. Lane", now_ms=NOW_MS + 1)
    assert records.visit_wishes() == []
    (ended,) = records.visit_wishes(ended_too=True)
    assert (ended.ended_ms, ended.ended_by) == (NOW_MS + 1, "P. Lane")
    assert with_need(planned(records, fleet), FLOAT).day == row.day
    with pytest.raises(RecordsError, match="no wish 1 that holds"):
        records.end_visit_wish(number, by="P. Lane", now_ms=NOW_MS)
    with pytest.raises(RecordsError, match="Say who you are"):
        records.wish_visit(wish, by=" ", note="", now_ms=NOW_MS)


def test_a_wish_that_cannot_be_kept_is_in_the_plans_outcome(
    records: Records, fleet: Configuration
) -> None:
    planned(records, fleet)
    friday = NewWish(WishKind.MOVE, [PADS], day="2026-07-10")  # the crew works until Thursday
    records.wish_visit(friday, by="P. Lane", note="", now_ms=NOW_MS)
    _, plan = propose(records, fleet, NOW_MS, 5)
    (said,) = plan.outcome.conflicts
    assert said.startswith("Wish 1 (move, by P. Lane) cannot be kept")
    assert "does not work on that day" in said


def test_a_confirmed_visit_reaches_the_crew_with_pack_and_calendar_entry(
    records: Records, fleet: Configuration, server: MailCatcher
) -> None:
    (row,) = planned(records, fleet)
    done, to = confirm_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS)
    assert (done.state, done.sequence, done.changed_by) == (VisitState.CONFIRMED, 0, "P. Lane")
    assert [person.email for person in to] == ["van-1@north.example"]
    mail = sent(records, server, NOW_MS)
    assert mail["To"] == "Van 1 <van-1@north.example>"
    assert mail["Subject"] == "Visit: Quay Cold Store: 3 jobs on Tue 7 Jul 2026 (V-000001)"
    text = mail.get_body(("plain",)).get_content()
    assert max(map(len, text.splitlines())) <= 72
    for said in ("end", "wet running", "BW-000001", "Key at the gate", "+351 555 0100"):
        assert said in text
    (pdf,) = [p for p in mail.iter_attachments() if p.get_content_type() == "application/pdf"]
    pages = " ".join(p.extract_text() for p in PdfReader(BytesIO(pdf.get_content())).pages)
    for said in ("V-000001.1", "V-000001.2", "BW-000001", "fin comb", "folding rule"):
        assert said in pages
    method, event = entry(mail)
    assert method == "REQUEST"
    assert event["SEQUENCE"] == 0
    assert str(event["STATUS"]) == "CONFIRMED"
    assert event.decoded("DTSTART") == datetime(2026, 7, 7, 6, 30, tzinfo=UTC)  # 07:30 WEST
    assert str(event["ORGANIZER"]) == "mailto:desk@centre.example"
    assert str(event["ATTENDEE"]) == "mailto:van-1@north.example"
    assert "LOCK OUT BEFORE WORK" in str(event["DESCRIPTION"])
    assert planned(records, fleet) == [], "what is confirmed is not planned again"
    with pytest.raises(VisitError, match="confirmed already, by P"):
        confirm_visit(records, fleet, done, by="P. Lane", note="", now_ms=NOW_MS)


def test_a_change_and_a_cancellation_reach_the_same_entry(
    records: Records, fleet: Configuration, server: MailCatcher
) -> None:
    (row,) = planned(records, fleet)
    done, _ = confirm_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS)
    first = sent(records, server, NOW_MS)
    uid = str(entry(first)[1]["UID"])
    move = NewWish(WishKind.MOVE, sorted(done.course.needs), day="2026-07-09")
    records.wish_visit(move, by="P. Lane", note="", now_ms=NOW_MS, reopens=done.number)
    (again,) = planned(records, fleet)
    assert (again.number, again.day, again.sequence) == (done.number, "2026-07-09", 0)
    changed, _ = confirm_visit(records, fleet, again, by="R. Marsh", note="", now_ms=NOW_MS)
    second = sent(records, server, NOW_MS)
    method, event = entry(second)
    assert (method, event["SEQUENCE"], str(event["UID"])) == ("REQUEST", 1, uid)
    assert event.decoded("DTSTART").day == 9
    assert second["In-Reply-To"] == first["Message-ID"]
    assert second["Subject"].startswith("Changed visit: ")
    off, _ = cancel_visit(
        records, fleet, changed, by="R. Marsh", note="Roof closed.", now_ms=NOW_MS
    )
    assert off.state is VisitState.CANCELLED
    third = sent(records, server, NOW_MS)
    method, event = entry(third)
    assert (method, event["SEQUENCE"], str(event["UID"])) == ("CANCEL", 2, uid)
    assert str(event["STATUS"]) == "CANCELLED"
    assert "Roof closed." in third.get_body(("plain",)).get_content()
    (new,) = planned(records, fleet)
    assert new.number != off.number, "its work is planned anew, under a number of its own"
    with pytest.raises(VisitError, match="is cancelled already"):
        cancel_visit(records, fleet, off, by="R. Marsh", note="", now_ms=NOW_MS)


def test_what_the_plan_does_not_want_any_more_waits_to_be_cancelled(
    records: Records, fleet: Configuration
) -> None:
    (row,) = planned(records, fleet)
    done, _ = confirm_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS)
    refuse = NewWish(WishKind.REFUSE, sorted(done.course.needs), until_day="2026-12-31")
    records.wish_visit(refuse, by="P. Lane", note="", now_ms=NOW_MS, reopens=done.number)
    rows, plan = propose(records, fleet, NOW_MS, 5)
    (left,) = rows
    assert (left.number, left.state) == (done.number, VisitState.WITHDRAWN)
    assert len(plan.outcome.left) == 3
    assert all("rules it out" in one.why for one in plan.outcome.left)
    with pytest.raises(VisitError, match="cancel V-000001"):
        confirm_visit(records, fleet, left, by="P. Lane", note="", now_ms=NOW_MS)


def test_a_visit_that_changed_meanwhile_is_not_confirmed(
    records: Records, fleet: Configuration
) -> None:
    (row,) = planned(records, fleet)
    planned(records, fleet, NOW_MS + DAY_MS)
    with pytest.raises(RecordsError, match="changed meanwhile"):
        confirm_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS)
    assert records.outbox() == [
        mail for mail in records.outbox() if mail.channel.value != "letter"
    ], "no letter without a confirmation"


def test_a_crew_that_is_gone_and_a_day_that_is_over_are_refused(
    records: Records, fleet: Configuration, tmp_path: Path
) -> None:
    (row,) = planned(records, fleet)
    other = configured(tmp_path / "other", CREWS.replace("van-1]", "van-9]"))
    with pytest.raises(VisitError, match="Crew 'van-1' of V-000001 is not in"):
        confirm_visit(records, other, row, by="P. Lane", note="", now_ms=NOW_MS)
    with pytest.raises(VisitError, match="would have begun by now"):
        confirm_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS + 9 * DAY_MS)
    with pytest.raises(VisitError, match="No crew was told"):
        cancel_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS)


def test_whoever_was_told_hears_of_the_cancellation_also_of_a_crew_that_is_gone(
    records: Records, fleet: Configuration, server: MailCatcher, tmp_path: Path
) -> None:
    (row,) = planned(records, fleet)
    done, told = confirm_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS)
    first = sent(records, server, NOW_MS)
    other = configured(tmp_path / "other", CREWS.replace("van-1]", "van-9]"))
    with pytest.raises(VisitError, match=r"not in crews\.toml any more"):
        confirm_visit(
            records, other, replace(done, state=VisitState.PROPOSED), by="P. Lane", note="",
            now_ms=NOW_MS,
        )  # fmt: skip
    off, heard = cancel_visit(records, other, done, by="P. Lane", note="", now_ms=NOW_MS)
    assert off.state is VisitState.CANCELLED
    assert [one.email for one in heard] == [one.email for one in told] == ["van-1@north.example"]
    second = sent(records, server, NOW_MS)
    assert second["In-Reply-To"] == first["Message-ID"]
    assert entry(second)[0] == "CANCEL"


def test_a_member_who_left_and_one_who_came_both_hear_of_the_cancellation(
    records: Records, fleet: Configuration, tmp_path: Path
) -> None:
    (row,) = planned(records, fleet)
    done, _ = confirm_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS)
    other = configured(tmp_path / "other", CREWS.replace("van-1@", "new-1@"))
    _, heard = cancel_visit(records, other, done, by="P. Lane", note="", now_ms=NOW_MS)
    assert [one.email for one in heard] == ["van-1@north.example", "new-1@north.example"]


def test_what_was_opened_or_wished_about_is_confirmed_only_after_a_new_plan(
    records: Records, fleet: Configuration
) -> None:
    (row,) = planned(records, fleet)
    done, _ = confirm_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS)
    jobs = sorted(done.course.needs)
    move = NewWish(WishKind.MOVE, jobs, day="2026-07-09")
    records.wish_visit(move, by="R. Marsh", note="", now_ms=NOW_MS + 1, reopens=done.number)
    opened = records.visit(done.number)
    assert opened is not None
    assert opened.state is VisitState.REOPENED
    with pytest.raises(VisitError, match=r"opened by a wish of R. Marsh .* Plan anew"):
        confirm_visit(records, fleet, opened, by="P. Lane", note="", now_ms=NOW_MS + 1)
    (again,) = planned(records, fleet, NOW_MS + 2)
    refuse = NewWish(WishKind.REFUSE, jobs[:1], until_day="2026-07-20")
    records.wish_visit(refuse, by="R. Marsh", note="", now_ms=NOW_MS + 3)
    with pytest.raises(VisitError, match=r"Wish 2, by .* is about V-000001"):
        confirm_visit(records, fleet, again, by="P. Lane", note="", now_ms=NOW_MS + 3)
    records.end_visit_wish(2, by="R. Marsh", now_ms=NOW_MS + 4)
    pin = NewWish(WishKind.PIN, jobs, day=again.day, crew=again.crew)
    records.wish_visit(pin, by="R. Marsh", note="", now_ms=NOW_MS + 4)
    sure, _ = confirm_visit(records, fleet, again, by="P. Lane", note="", now_ms=NOW_MS + 5)
    assert (sure.state, sure.day) == (VisitState.CONFIRMED, "2026-07-09")


def test_a_plan_says_of_how_many_units_a_date_is_not_known_yet(
    records: Records, fleet: Configuration
) -> None:
    with records._database.write() as connection:
        connection.exec_driver_sql("DELETE FROM due_dates")
    rows, plan = propose(records, fleet, NOW_MS, 5)
    assert plan.outcome.awaited == 1
    assert records.visit_plan() == plan
    assert {key for row in rows for key in row.course.needs} == {FLOAT}, "the ticket's job alone"
    DueKeeper(records, lambda: NOW_MS).run()
    rows, plan = propose(records, fleet, NOW_MS, 5)
    assert plan.outcome.awaited == 0
    assert PADS in {key for row in rows for key in row.course.needs}


def test_numbers_are_never_given_twice(records: Records, fleet: Configuration) -> None:
    planned(records, fleet)
    all_of_it = [PADS, FLOAT, "quay-cold-store/ac-1/coil"]
    refuse = NewWish(WishKind.REFUSE, all_of_it, until_day="2026-12-31")
    records.wish_visit(refuse, by="P. Lane", note="", now_ms=NOW_MS)
    assert planned(records, fleet) == []
    records.end_visit_wish(1, by="P. Lane", now_ms=NOW_MS)
    assert [row.number for row in planned(records, fleet)] == ["V-000002"]


def test_a_plan_is_not_written_over_what_another_planner_decided_while_it_was_made(
    records: Records, fleet: Configuration
) -> None:
    (row,) = planned(records, fleet)
    made = plan_unwritten(records, fleet, NOW_MS, 5)
    done, _ = confirm_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS)
    with pytest.raises(RecordsError, match="changed meanwhile"):
        made.write(records, NOW_MS)
    assert records.visits() == [done], "a second crew would have been sent for the same work"
    made = plan_unwritten(records, fleet, NOW_MS, 5)
    refuse = NewWish(WishKind.REFUSE, [PADS], until_day="2026-12-31")
    records.wish_visit(refuse, by="R. Marsh", note="", now_ms=NOW_MS)
    with pytest.raises(RecordsError, match="changed meanwhile"):
        made.write(records, NOW_MS)
    assert records.visits() == [done]


def test_of_two_planners_who_confirm_at_once_one_is_told_of_the_other(
    records: Records, fleet: Configuration
) -> None:
    (row,) = planned(records, fleet)
    ready = threading.Barrier(2)
    done: list[str] = []
    refused: list[str] = []

    def confirm(by: str) -> None:
        ready.wait(120)
        try:
            confirm_visit(records, fleet, row, by=by, note="", now_ms=NOW_MS)
        except RecordsError as error:
            refused.append(str(error))
        else:
            done.append(by)

    both = [threading.Thread(target=confirm, args=(by,)) for by in ("P. Lane", "R. Marsh")]
    for one in both:
        one.start()
    for one in both:
        one.join(120)
    assert len(done) == len(refused) == 1
    assert "was changed meanwhile" in refused[0]
    kept = records.visit(row.number)
    assert kept is not None
    assert (kept.changed_by, kept.sequence) == (done[0], 0)
    assert sum(mail.channel.value == "letter" for mail in records.outbox()) == 1


def test_what_is_over_cannot_be_cancelled(records: Records, fleet: Configuration) -> None:
    (row,) = planned(records, fleet)
    done, _ = confirm_visit(records, fleet, row, by="P. Lane", note="", now_ms=NOW_MS)
    with pytest.raises(VisitError, match="is over"):
        cancel_visit(records, fleet, done, by="P. Lane", note="", now_ms=done.ends_ms)


def test_a_visit_to_what_is_gone_from_the_files_is_not_confirmed(
    records: Records, fleet: Configuration
) -> None:
    (row,) = planned(records, fleet)
    gone = replace(fleet, sites=())
    with pytest.raises(
        VisitError, match="quay-cold-store/ac-1 of V-000001 is not in the fleet's files"
    ):
        confirm_visit(records, gone, row, by="P. Lane", note="", now_ms=NOW_MS)


def test_a_wish_that_cannot_be_kept_costs_nobody_ten_thousand_hours(
    records: Records, fleet: Configuration
) -> None:
    (row,) = planned(records, fleet)
    sunday = NewWish(WishKind.MOVE, sorted(row.course.needs), day="2026-07-12")
    records.wish_visit(sunday, by="P. Lane", note="", now_ms=NOW_MS)
    _, plan = propose(records, fleet, NOW_MS, 5)
    out = plan.outcome
    assert out.conflicts
    assert out.left
    assert out.cost_h < 1_000.0
    assert 0.0 <= out.bound_h <= out.cost_h + 1e-6
    assert 0.0 <= out.gap <= 1.0


def test_pads_dry_their_hours_in_the_night_in_which_the_clock_goes_on(tmp_path: Path) -> None:
    """Lisbon's clock went from 1:00 to 2:00 on 29 March 2026 (IANA tz database)."""
    now_ms = int(datetime(2026, 3, 27, 9, tzinfo=UTC).timestamp() * 1000)
    sunday = VISIT.replace("access = [{", 'access = [{ days = ["sun"],')
    fleet = configured(
        tmp_path / "fleet",
        CREWS.replace('days = ["mon", "tue", "wed", "thu"]', 'days = ["sun"]'),
        sunday.replace("[6, 7, 8]", "[3, 4]"),
    )
    records = worn_records(tmp_path, now_ms)
    row = with_need(planned(records, fleet, now_ms), PADS)
    assert row.day == "2026-03-29"
    (stop,) = row.course.stops
    assert stop.wet_off_ms is not None
    assert stop.begins_ms - stop.wet_off_ms == 10 * 3_600_000
    lisbon = ZoneInfo("Europe/Lisbon")
    off, on = (datetime.fromtimestamp(t / 1000, lisbon) for t in (stop.wet_off_ms, stop.begins_ms))
    # Units can run dry from 20:00 on, so their pads are dry at 7:00 by the new time.
    assert (off.day, on.day) == (28, 29)
    assert off.hour + off.minute / 60 >= 20.0
    assert on.hour >= 7
    records.close()


def test_sites_of_other_clocks_make_no_tour(tmp_path: Path) -> None:
    """Across a border of time zones one hour of the day is not that of the other site."""
    asked = {
        zone: question_of(tmp_path / zone.replace("/", "-"), zone)
        for zone in ("Europe/Lisbon", "Europe/London", "Europe/Madrid")
    }
    clocks = {zone: one.problem.places[0].clock for zone, one in asked.items()}
    assert clocks["Europe/Lisbon"] == clocks["Europe/London"] != clocks["Europe/Madrid"]


def question_of(folder: Path, zone: str) -> Question:
    fleet = configured(folder / "fleet")
    sites = [site.model_copy(update={"time_zone": zone}) for site in fleet.sites]
    return question(
        fleet.visits, sites, (), due=(), tickets=(), wishes=(), confirmed=(), now_ms=NOW_MS
    )
