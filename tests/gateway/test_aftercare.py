"""After the work: hand-backs checked, close-outs verified or reopened, each told once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.engine import URL
from support.fleet import Feed, engine_of, site, unit_data
from support.records import HOUR_MS, ROUTING, RUI, UNITS, WATCH

from gateway.aftercare import Aftercare, told_as
from gateway.records import Records, RecordsError
from gateway.records.rows import TicketDetail
from gateway.tickets.life import ENDED, STANDING, LifeSettings, TicketPhase
from gateway.tickets.notice import NoticeKind, Recipient, TicketEventKind
from rules.events import Change, StepResult
from rules.handback import Answer, HandBackItem

MINUTE_MS = 60_000
ONE = "BW-000001"
ANA = Recipient("Ana Lima", "ana@north.example")
SITES = (
    site("quay-cold-store", [unit_data("ac-1"), unit_data("ac-2")]),
    site("hill-dairy", [unit_data("ac-1")]),
)


@pytest.fixture(scope="module")
def memory() -> tuple[bytes, int]:
    """What the rules remember after eight healthy hours, and the time then."""
    feed = Feed(engine_of(*SITES))
    feed.run(8 * 3600)
    return feed.engine.snapshot(), feed.now_ms


@dataclass
class Gateway:
    """Rules, records and aftercare, driven by hand through one clock."""

    records: Records
    feed: Feed
    settings: LifeSettings = field(default_factory=LifeSettings)
    offset: int = 0
    busy: bool = False

    def __post_init__(self) -> None:
        self.aftercare = Aftercare(self.records, self.ask, lambda: self.now_ms, self.settings)

    @property
    def now_ms(self) -> int:
        return self.feed.now_ms

    def ask(self, what: Callable[[Any], Any], /) -> Future[Any]:
        done: Future[Any] = Future()
        if self.busy:
            done.set_exception(TimeoutError())
        else:
            done.set_result(what(self.feed.engine))
        return done

    def restart(self) -> None:
        """A new process: what it knows is in the records and the rules' snapshot."""
        self.feed.engine.restore(self.feed.engine.snapshot())
        self.__post_init__()

    def run(self, minutes: int, every: int = 1, **changes: float | None) -> None:
        """Samples every minute; with each ``every`` of them all the rest has its turn."""
        for _ in range(minutes // every):
            before = len(self.feed.events)
            actions = self.records.pending_actions()
            for action in actions:
                self.feed.events += self.feed.engine.act(action).events
            self.records.mark_journalled([a.id for a in actions], 1)
            self.feed.run(60 * every, **changes)
            self.feed.events += self.feed.engine.clock(self.now_ms).events
            self.offset += 1
            result = StepResult(tuple(self.feed.events[before:]))
            ids = [action.id for action in actions]
            assert self.records.commit(self.offset, result, [], self.now_ms, ids)
            self.aftercare.run()

    def detail(self, number: str = ONE) -> TicketDetail:
        found = self.records.ticket(number)
        assert found is not None
        return found

    def kinds(self) -> list[TicketEventKind]:
        return [e.kind for e in self.detail().entries if e.kind is not TicketEventKind.NOTE]

    def mails(self) -> list[NoticeKind]:
        return [m.kind for m in self.detail().mails]


@pytest.fixture
def new_gateway(memory: tuple[bytes, int]) -> Iterator[Callable[[URL], Gateway]]:
    made: list[Records] = []

    def new(url: URL) -> Gateway:
        feed = Feed(engine_of(*SITES), start_ms=memory[1])
        feed.engine.restore(memory[0])
        team = replace(ROUTING.teams["north"], people={"ana": ANA})
        routing = replace(ROUTING, teams={"north": team})
        records = Records(url, routing=routing)
        records.sync_units(UNITS)
        made.append(records)
        return Gateway(records, feed)

    yield new
    for records in made:
        records.close()


@pytest.fixture
def gateway(new_gateway: Callable[[URL], Gateway], records_url: URL) -> Gateway:
    """A gateway whose first unit has had a fan fault for five minutes: one ticket, one mail."""
    gateway = new_gateway(records_url)
    gateway.run(5, fan_fault=2.0)
    assert gateway.mails() == [NoticeKind.OPENED]
    return gateway


def test_a_repair_is_proven_before_the_technician_leaves_and_then_verified(
    gateway: Gateway,
) -> None:
    gateway.records.arrive(ONE, by="Ana Lima", now_ms=gateway.now_ms)
    # Taken apart: what would be half a dozen alarms makes no ticket.
    gateway.run(30, 5, fan_fault=15.0, fan_run=0.0, pump_current=0.0, basin_level=20.0)
    assert len(gateway.records.tickets()) == 1
    assert gateway.mails() == [NoticeKind.OPENED]
    gateway.records.finish(ONE, by="Ana Lima", now_ms=gateway.now_ms)
    gateway.run(3)
    check = gateway.detail().ticket.hand_back
    assert check is not None
    assert (check.ended_ms, check.proven) == (None, False)
    assert {i.what: i.answer for i in check.items}["Fans proven"] is Answer.OK
    gateway.run(3)
    check = gateway.detail().ticket.hand_back
    assert check is not None
    assert check.proven
    assert check.ended_ms == check.from_ms + 5 * MINUTE_MS
    note = gateway.detail().entries[-1].note
    assert note.startswith("The readings show that it works: Fans proven: ok, 4 (4 expected); Pump")
    gateway.records.close_ticket(ONE, by="Ana Lima", finding="Bearing.", now_ms=gateway.now_ms)
    gateway.run(120, every=5)
    gateway.restart()
    assert gateway.detail().ticket.state is TicketPhase.CLOSED
    gateway.run(5, every=5)
    row = gateway.detail().ticket
    assert (row.state, row.normal_ms) == (TicketPhase.VERIFIED, 2 * HOUR_MS)
    assert gateway.kinds() == [
        TicketEventKind.OPENED, TicketEventKind.ARRIVED, TicketEventKind.ACKNOWLEDGED,
        TicketEventKind.WORK_DONE, TicketEventKind.HANDED_BACK, TicketEventKind.CLOSED,
        TicketEventKind.VERIFIED,
    ]  # fmt: skip
    assert gateway.mails() == [NoticeKind.OPENED], "nobody is disturbed by good news"


def test_what_is_not_proven_in_time_is_told_once_to_who_did_the_work(gateway: Gateway) -> None:
    gateway.records.arrive(ONE, by="ana lima", now_ms=gateway.now_ms)
    gateway.run(5, fan_fault=2.0)
    gateway.records.finish(ONE, by="ana lima", now_ms=gateway.now_ms)
    done_ms = gateway.now_ms
    gateway.run(10, fan_run=7.0, conductivity=None)
    gateway.restart()
    gateway.run(15, fan_run=7.0, conductivity=None)
    last = gateway.detail()
    assert last.ticket.hand_back is not None
    assert last.ticket.hand_back.ended_ms == done_ms + 20 * MINUTE_MS
    assert not last.ticket.hand_back.proven
    told = [m for m in last.mails if m.kind is NoticeKind.NOT_PROVEN]
    assert len(told) == 1
    assert [d.recipient for d in told[0].deliveries] == [ANA, RUI, WATCH]
    assert told[0].next_attempt_ms == told[0].created_ms, "it waits for nobody's hours"
    (note,) = [e.note for e in last.entries if e.kind is TicketEventKind.HANDED_BACK]
    assert note.startswith("Before you leave: Fans proven: not ok, 3 (4 exp")
    assert "Conductivity: not known; no reading since the hand-back" in note
    assert "1 are missing" in note


def test_a_basin_that_is_filling_counts_by_what_was_lowest(gateway: Gateway) -> None:
    gateway.records.arrive(ONE, by="Ana", now_ms=gateway.now_ms)
    gateway.run(2)
    gateway.records.finish(ONE, by="Ana", now_ms=gateway.now_ms)
    for level in range(90, 100, 2):
        gateway.run(1, basin_level=float(level))
    check = gateway.detail().ticket.hand_back
    assert check is not None
    assert [i.why for i in check.items if i.what == "Basin level"] == [
        "below the float's band, and rising"
    ]


def test_the_rules_being_busy_costs_nothing_but_time(gateway: Gateway) -> None:
    gateway.records.arrive(ONE, by="Ana", now_ms=gateway.now_ms)
    gateway.records.finish(ONE, by="Ana", now_ms=gateway.now_ms)
    gateway.busy = True
    gateway.run(8)
    check = gateway.detail().ticket.hand_back
    assert check is not None
    assert (check.items, check.ended_ms) == ((), None)
    gateway.busy = False
    gateway.run(1)
    check = gateway.detail().ticket.hand_back
    assert check is not None
    assert check.proven


def close(gateway: Gateway) -> None:
    gateway.records.close_ticket(ONE, by="Ana", finding="Wire.", now_ms=gateway.now_ms)


def test_only_data_of_a_machine_that_works_count(gateway: Gateway) -> None:
    gateway.run(30, every=10)
    close(gateway)
    gateway.run(60, every=5)
    so_far = gateway.detail().ticket.normal_ms
    assert 55 * MINUTE_MS <= so_far <= 60 * MINUTE_MS
    gateway.run(60, 5, fan_speed=0.0, fan_run=0.0)  # not wanted: proves nothing
    gateway.feed.now_ms += 3 * HOUR_MS  # not heard: proves nothing
    gateway.run(2)
    assert gateway.detail().ticket.normal_ms - so_far <= 2 * MINUTE_MS
    gateway.run(1, fan_fault=2.0)  # a sign of the fault: all over again
    assert gateway.detail().ticket.normal_ms == 0
    gateway.run(115, every=5)
    assert gateway.detail().ticket.state is TicketPhase.CLOSED


def test_a_verified_ticket_is_opened_again_by_the_same_alarm(gateway: Gateway) -> None:
    gateway.run(30, every=10)
    close(gateway)
    gateway.run(125, every=5)
    assert gateway.detail().ticket.state is TicketPhase.VERIFIED
    gateway.run(5, fan_fault=2.0)
    row = gateway.detail().ticket
    assert (row.state, row.verified_ms, row.normal_ms) == (TicketPhase.OPEN, None, 0)
    assert gateway.mails()[-1] is NoticeKind.REOPENED
    assert gateway.kinds()[-1] is TicketEventKind.REOPENED


def test_other_times_count_from_the_next_look_on(gateway: Gateway) -> None:
    """As after a reload: half an hour of data verifies where two hours were asked for before."""
    gateway.run(30, every=10)
    close(gateway)
    gateway.run(35, every=5)
    assert gateway.detail().ticket.state is TicketPhase.CLOSED
    shorter = LifeSettings(verify_ms=HOUR_MS // 2, reopen_within_ms=HOUR_MS)
    gateway.aftercare.use(shorter)
    gateway.records.route(ROUTING, shorter)
    gateway.run(5)
    assert gateway.detail().ticket.state is TicketPhase.VERIFIED
    gateway.feed.now_ms += HOUR_MS
    gateway.run(5, fan_fault=2.0)  # later than the hour: another ticket
    assert gateway.detail().ticket.state is TicketPhase.VERIFIED
    assert gateway.detail("BW-000002").ticket.state is TicketPhase.OPEN


def test_an_alarm_that_never_went_reopens_the_ticket_when_the_time_is_over(
    gateway: Gateway,
) -> None:
    close(gateway)
    gateway.run(2, fan_fault=2.0)
    assert gateway.detail().ticket.state is TicketPhase.CLOSED
    gateway.feed.now_ms += 72 * HOUR_MS
    gateway.run(2, fan_fault=2.0)
    last = gateway.detail()
    assert last.ticket.state is TicketPhase.OPEN
    assert last.entries[-1].note == (
        "The data disagree: 72 h after the close-out the alarm still stands."
    )
    assert gateway.mails() == [NoticeKind.OPENED, NoticeKind.REOPENED]


def test_too_little_data_is_said_once_and_left_at_that(gateway: Gateway) -> None:
    gateway.run(30, every=10)
    close(gateway)
    gateway.run(35, every=5)
    gateway.feed.now_ms += 72 * HOUR_MS
    gateway.run(5)
    last = gateway.detail()
    assert last.ticket.state is TicketPhase.CLOSED
    (note,) = [e.note for e in last.entries if e.kind is TicketEventKind.NOT_VERIFIED]
    assert "there are no more than 0.5 h of data that could show it; 2 h are asked for" in note
    assert gateway.records.under_care() == []


def test_answers_are_told_in_words() -> None:
    item = HandBackItem("Fans proven", Answer.NOT_KNOWN, "signal not sent", None, sent=False)
    assert told_as(item) == "Fans proven: not known (signal not sent)"


@settings(
    max_examples=6,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    course=st.lists(
        st.sampled_from(
            ["ill", "well", "well", "long", "ack", "assign", "arrive", "leave", "done", "close",
             "restart", "remind"]
        ),
        min_size=8, max_size=25,
    )
)  # fmt: skip
def test_any_course_keeps_one_open_ticket_a_whole_history_and_tells_nothing_twice(
    new_gateway: Callable[[URL], Gateway], new_records_url: Callable[[], URL], course: list[str]
) -> None:
    gateway = new_gateway(new_records_url())
    gateway.run(3, fan_fault=2.0)
    ill = True
    for act in course:
        now = gateway.now_ms
        standing = gateway.records.tickets(phases=STANDING)
        number = standing[0].number if standing else ONE
        do: dict[str, Callable[[], object]] = {
            "ack": lambda n=number, t=now: gateway.records.add_note(n, by="A", note="!", now_ms=t),
            "assign": lambda n=number, t=now: gateway.records.assign(n, by="A", to="B", now_ms=t),
            "arrive": lambda n=number, t=now: gateway.records.arrive(n, by="A", now_ms=t),
            "leave": lambda n=number, t=now: gateway.records.leave(n, by="A", now_ms=t),
            "done": lambda n=number, t=now: gateway.records.finish(n, by="A", now_ms=t),
            "close": lambda n=number, t=now: gateway.records.close_ticket(
                n, by="A", finding="x", now_ms=t
            ),
            "restart": gateway.restart,
            "remind": lambda t=now: gateway.records.remind(t),
        }
        if act in {"ill", "well"}:
            ill = act == "ill"
        elif act == "long":
            gateway.feed.now_ms += 5 * HOUR_MS
        else:
            try:
                do[act]()
            except RecordsError as refused:
                assert str(refused).endswith("Nothing was changed.")  # noqa: PT017
        signs = {"fan_fault": 2.0} if ill else {}
        gateway.run(8 if act in {"ill", "well"} else 1, 8 if act in {"ill", "well"} else 1, **signs)
        rows = gateway.records.tickets()
        assert len([r for r in rows if r.state not in ENDED]) <= 1
        for row in rows:
            whole = gateway.detail(row.number)
            assert [e.seq for e in whole.entries] == list(range(1, len(whole.entries) + 1))
            seqs = [m.event_seq for m in whole.mails]
            assert len(seqs) == len(set(seqs)), "one mail for one line of the history"
            assert all(
                e.note != "" or e.kind is not TicketEventKind.REOPENED for e in whole.entries
            )
            # Reopened, not proven, still out of service: as often as the history says so.
            for kind, line in (
                (NoticeKind.OVERSTAYED, TicketEventKind.OVERSTAYED),
                (NoticeKind.REOPENED, TicketEventKind.REOPENED),
                (NoticeKind.NOT_PROVEN, TicketEventKind.HANDED_BACK),
            ):
                told = [m for m in whole.mails if m.kind is kind]
                assert len(told) <= len([e for e in whole.entries if e.kind is line])
            assert bool(row.on_site) == (row.state is TicketPhase.ON_SITE)
    stands = [a for a in gateway.records.standing_alarms() if a.fault == "fan-fault"]
    raised = [e.event for e in gateway.records.alarm_events(0, 2**60) if
              e.event.change is Change.RAISED and e.event.fault == "fan-fault"]  # fmt: skip
    assert raised
    assert len(stands) <= 1
