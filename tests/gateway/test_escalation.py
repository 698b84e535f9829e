"""Who is told next while nobody acknowledges: each step once, at its time, over any restarts.

Also the hours of a priority: a notice that may not disturb anybody now waits for when it may.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.engine import URL
from support.gateway_fleet import configuration
from support.ports import free_port
from support.records import acknowledged, open_records, raised, returned, step, worsened
from support.smtp import MailCatcher

from gateway.oncall.roster import Hours, Roster, Step
from gateway.oncall.rotation import Rotation
from gateway.periodic import Pace
from gateway.records import Records
from gateway.records.rows import OutboxRow
from gateway.service import Service
from gateway.tickets.notice import Recipient
from gateway.tickets.routing import Routing, TeamRoute
from rules.events import AlarmEvent, Severity

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
LISBON = ZoneInfo("Europe/Lisbon")
PEOPLE = {key: Recipient(key.title(), f"{key}@north.example") for key in ("ana", "rui", "eva")}


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


MONDAY_MS = ms("2026-03-02T10:00")


def routing(**hours: Hours) -> Routing:
    """Ana and Rui in turn by the week from 5 January, Eva as the one behind them."""
    roster = Roster(
        LISBON,
        rotations={"first": Rotation("first", ("ana", "rui"), LISBON, date(2026, 1, 5), time(8))},
        steps={
            "high": (Step(0, ("first",)), Step(15, ("first", "eva")), Step(60, ("rui",))),
            "medium": (Step(0, ("first",)), Step(120, ("eva",))),
        },
        hours=hours,  # type: ignore[arg-type]
    )
    team = TeamRoute(
        planner=(Recipient("Planning", "planning@north.example"),),
        monitoring=(Recipient("Centre", "centre@north.example"),),
        roster=roster,
        people=PEOPLE,
    )
    return Routing({"north": team}, {"quay-cold-store": "north", "hill-dairy": "north"})


WORKDAY = Hours(frozenset(range(5)), time(7), time(18))


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = open_records(records_url, routing=routing())
    yield records
    records.close()


def commit(records: Records, now_ms: int, *events: AlarmEvent) -> None:
    records.commit(records.committed_offset() + 1, step(*events), [], now_ms)


def mails(records: Records) -> list[OutboxRow]:
    return sorted(records.outbox(), key=lambda row: row.id)


def addressees(records: Records) -> list[tuple[str, list[str]]]:
    """Kind and "to" of each mail, in order."""
    return [
        (row.kind, [d.recipient.email.partition("@")[0] for d in row.deliveries if d.role == "to"])
        for row in mails(records)
    ]


def test_the_chain_goes_on_until_its_end_and_each_step_is_told_once(records: Records):
    commit(records, MONDAY_MS, raised(MONDAY_MS, Severity.HIGH))
    assert records.escalate(MONDAY_MS + 15 * MINUTE_MS - 1) == 0
    assert records.escalate(MONDAY_MS + 15 * MINUTE_MS) == 1
    assert records.escalate(MONDAY_MS + 15 * MINUTE_MS) == 0
    assert records.escalate(MONDAY_MS + 60 * MINUTE_MS) == 1
    assert records.escalate(MONDAY_MS + 48 * HOUR_MS) == 0
    assert addressees(records) == [
        ("opened", ["ana"]), ("escalated", ["ana", "eva"]), ("escalated", ["rui"]),
    ]  # fmt: skip
    ticket = records.ticket("BW-000001")
    assert ticket is not None
    assert [e.note for e in ticket.entries if e.kind == "escalated"] == [
        "Nobody has acknowledged it for 15 min; told: Ana, Eva.",
        "Nobody has acknowledged it for 60 min; told: Rui.",
    ]


def test_steps_missed_while_the_gateway_was_down_are_made_good_in_one_mail(records: Records):
    commit(records, MONDAY_MS, raised(MONDAY_MS, Severity.HIGH))
    assert records.escalate(MONDAY_MS + 3 * HOUR_MS) == 1
    assert addressees(records)[1:] == [("escalated", ["ana", "eva", "rui"])]
    assert records.escalate(MONDAY_MS + 4 * HOUR_MS) == 0


@pytest.mark.parametrize("ended", [acknowledged, returned])
def test_an_answer_or_the_end_of_the_trouble_ends_the_chain(records: Records, ended):
    commit(records, MONDAY_MS, raised(MONDAY_MS, Severity.HIGH))
    commit(records, MONDAY_MS + MINUTE_MS, ended(MONDAY_MS + MINUTE_MS))
    assert records.escalate(MONDAY_MS + 5 * HOUR_MS) == 0


def test_a_closed_ticket_is_nobodys_any_more(records: Records):
    commit(records, MONDAY_MS, raised(MONDAY_MS, Severity.HIGH))
    records.close_ticket("BW-000001", by="Ana", finding="Fan 2", now_ms=MONDAY_MS + MINUTE_MS)
    assert records.escalate(MONDAY_MS + 5 * HOUR_MS) == 0


def test_who_is_on_duty_at_the_time_of_the_step_is_told(records: Records):
    """The duty goes from Ana to Rui on Monday at eight."""
    opened = ms("2026-03-09T07:50")
    commit(records, opened, raised(opened, Severity.HIGH))
    records.escalate(opened + 15 * MINUTE_MS)
    assert addressees(records) == [("opened", ["ana"]), ("escalated", ["rui", "eva"])]


def test_a_trouble_that_gets_worse_starts_the_chain_of_its_new_priority(records: Records):
    commit(records, MONDAY_MS, raised(MONDAY_MS, Severity.MEDIUM))
    later = MONDAY_MS + 110 * MINUTE_MS
    commit(records, later, worsened(later))
    assert records.escalate(later + 14 * MINUTE_MS) == 0
    assert records.escalate(later + 15 * MINUTE_MS) == 1
    assert addressees(records) == [
        ("opened", ["ana"]), ("worsened", ["ana"]), ("escalated", ["ana", "eva"]),
    ]  # fmt: skip


def test_medium_waits_for_working_hours_and_so_does_its_chain(records: Records):
    records.route(routing(medium=WORKDAY))
    night = ms("2026-03-06T22:00")  # a Friday
    commit(records, night, raised(night, Severity.MEDIUM))
    (mail,) = mails(records)
    assert (mail.state, mail.next_attempt_ms) == ("held", ms("2026-03-09T07:00"))
    assert addressees(records) == [("opened", ["ana"])]
    assert records.escalate(ms("2026-03-08T12:00")) == 0
    assert records.escalate(ms("2026-03-09T09:00")) == 1


def test_high_does_not_wait_and_takes_the_place_of_what_does(records: Records):
    records.route(routing(medium=WORKDAY))
    night = ms("2026-03-06T22:00")
    commit(records, night, raised(night, Severity.MEDIUM))
    commit(records, night + HOUR_MS, worsened(night + HOUR_MS))
    assert [(row.kind, row.state) for row in mails(records)] == [
        ("opened", "withdrawn"), ("opened", "pending"),
    ]  # fmt: skip


def test_what_is_over_before_anybody_could_be_told_is_one_mail_in_the_morning(records: Records):
    records.route(routing(medium=WORKDAY))
    night = ms("2026-03-06T22:00")
    commit(records, night, raised(night, Severity.MEDIUM))
    commit(records, night + HOUR_MS, returned(night + HOUR_MS))
    states = [(row.kind, row.state) for row in mails(records)]
    assert states == [("opened", "withdrawn"), ("passed", "held")]
    # It comes again: the standing trouble is what they hear of.
    commit(records, night + 2 * HOUR_MS, raised(night + 2 * HOUR_MS, Severity.MEDIUM))
    states = [(row.kind, row.state) for row in mails(records)]
    assert states[1:] == [("passed", "withdrawn"), ("opened", "held")]


def test_a_return_that_waited_is_not_told_when_the_trouble_is_back_before(records: Records):
    records.route(routing(medium=WORKDAY))
    evening = ms("2026-03-06T17:00")
    commit(records, evening, raised(evening, Severity.MEDIUM))
    commit(records, evening + 2 * HOUR_MS, returned(evening + 2 * HOUR_MS))
    commit(records, evening + 3 * HOUR_MS, raised(evening + 3 * HOUR_MS, Severity.MEDIUM))
    assert [(row.kind, row.state) for row in mails(records)] == [
        ("opened", "pending"), ("returned", "withdrawn"),
    ]  # fmt: skip


@settings(
    max_examples=25,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(st.lists(st.tuples(st.integers(0, 40), st.booleans()), max_size=12))
def test_any_rhythm_and_any_restarts_tell_each_step_once(tmp_path_factory, rhythm):
    folder = tmp_path_factory.mktemp("records")
    records = open_records(folder, routing=routing())
    commit(records, MONDAY_MS, raised(MONDAY_MS, Severity.HIGH))
    now_ms = MONDAY_MS
    for minutes, restarted in [*rhythm, (60, True)]:
        now_ms += minutes * MINUTE_MS
        if restarted:
            records.close()
            records = open_records(folder, routing=routing())
        records.escalate(now_ms)
    told = [name for kind, names in addressees(records) if kind == "escalated" for name in names]
    records.close()
    # Eva and Rui once each; Ana once, at the step that tells her again.
    assert sorted(told) == ["ana", "eva", "rui"]


def test_the_running_gateway_takes_the_steps_by_its_own_clock(tmp_path: Path):
    """A ticket from before the start; then the clock goes on by twenty minutes."""
    records = open_records(tmp_path, routing=routing())
    commit(records, MONDAY_MS, raised(MONDAY_MS, Severity.HIGH))
    records.close()
    now_ms = [MONDAY_MS + MINUTE_MS]
    with MailCatcher() as mail:
        settings = configuration(free_port(), mail.port, routing=routing())
        service = Service(
            settings, tmp_path, clock_ms=lambda: now_ms[0],
            pace=Pace(clock_s=0.1, escalation_s=0.05),
        )  # fmt: skip
        service.start()
        try:
            assert [r.recipients[0] for r in mail.wait_for(1)] == ["ana@north.example"]
            now_ms[0] += 20 * MINUTE_MS
            told = mail.wait_for(2)[1:]
            # The gateway also mails that its clock was set ahead; either may come first.
            if not any("In-Reply-To" in m.message for m in told):
                told = mail.wait_for(3)[1:]
        finally:
            assert service.stop()
    (second,) = [m for m in told if "In-Reply-To" in m.message]
    assert set(second.recipients) == {
        "ana@north.example", "eva@north.example", "centre@north.example",
    }  # fmt: skip
