"""The desk: one ticket for one trouble, few mails, and no trouble untold."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.records import (
    HOUR_MS,
    NOW_MS,
    PLANNER,
    ROUTING,
    RUI,
    WATCH,
    acknowledged,
    raised,
    returned,
    worsened,
)

from gateway.tickets.desk import (
    DeskSettings,
    Tell,
    TicketPhase,
    TicketState,
    Told,
    decide,
    tell,
)
from gateway.tickets.notice import NoticeKind, TicketEventKind
from gateway.tickets.routing import Routing, TeamRoute
from rules.events import AlarmEvent, AlarmState, Change, Severity

SITE = "quay-cold-store"
MINUTE_MS = 60_000


@dataclass
class Desk:
    """A ticket of one unit and fault, as the records would carry the decisions out."""

    routing: Routing = ROUTING
    settings: DeskSettings = field(default_factory=DeskSettings)
    ticket: TicketState | None = None
    kinds: list[TicketEventKind] = field(default_factory=list)
    held: Tell | None = None
    withdrawn: int = 0
    sent: int = 0

    def commit(self, now_ms: int, *events: AlarmEvent) -> Tell | None:
        if self.held is not None and self.held.not_before_ms <= now_ms:
            self.send_held()
        touched = False
        for event in events:
            decision = decide(event, self.ticket)
            if decision is not None:
                touched = True
                self.ticket = decision.ticket
                self.kinds.append(decision.entry.kind)
        if not touched or self.ticket is None:
            return None
        verdict = tell(
            self.ticket,
            events[-1].state,
            now_ms=now_ms,
            site_id=SITE,
            routing=self.routing,
            settings=self.settings,
        )
        self.ticket = verdict.ticket
        if verdict.withdraw:
            self.withdrawn += 1
            self.held = None
        if verdict.tell is not None:
            if verdict.tell.not_before_ms > now_ms:
                self.held = verdict.tell
            else:
                self.sent += 1
        return verdict.tell

    def send_held(self) -> None:
        assert self.held is not None
        assert self.ticket is not None
        self.ticket = replace(
            self.ticket, told=Told.STANDING, repeat_told_ms=self.held.not_before_ms, held=False
        )
        self.held = None
        self.sent += 1


def suppressed(time_ms: int, change: Change, state: AlarmState) -> AlarmEvent:
    return replace(raised(time_ms), change=change, state=state, evidence=None)


def test_a_raise_opens_a_ticket_and_tells() -> None:
    desk = Desk()
    notice = desk.commit(NOW_MS, raised(NOW_MS - 5))
    assert notice == Tell(NoticeKind.OPENED, (RUI,), (WATCH,), NOW_MS)
    assert desk.ticket is not None
    assert desk.ticket.opened_ms == NOW_MS - 5
    assert desk.ticket.onset_ms == NOW_MS - 5 - MINUTE_MS


@pytest.mark.parametrize(
    ("severity", "to", "cc"),
    [
        (Severity.LOW, (PLANNER,), ()),
        (Severity.MEDIUM, (RUI,), (WATCH,)),
        (Severity.HIGH, (RUI,), (WATCH,)),
    ],
)
def test_recipients_follow_the_priority(
    severity: Severity, to: tuple[object, ...], cc: tuple[object, ...]
) -> None:
    notice = Desk().commit(NOW_MS, raised(NOW_MS, severity))
    assert notice is not None
    assert (notice.to, notice.cc) == (to, cc)


def test_who_was_told_first_stays_in_copy_when_it_worsens_and_when_it_returns() -> None:
    desk = Desk()
    desk.commit(NOW_MS, raised(NOW_MS, Severity.LOW))
    worse = desk.commit(NOW_MS + 1, worsened(NOW_MS + 1))
    over = desk.commit(NOW_MS + 2, returned(NOW_MS + 2))
    assert worse == Tell(NoticeKind.WORSENED, (RUI,), (WATCH, PLANNER), NOW_MS + 1)
    assert over == Tell(NoticeKind.RETURNED, (RUI,), (WATCH, PLANNER), NOW_MS + 2)


def test_one_address_in_several_duties_gets_one_mail() -> None:
    shouting = replace(RUI, email="RUI@north.example")
    route = TeamRoute(on_call=(RUI,), planner=(shouting,), monitoring=(RUI, WATCH))
    desk = Desk(Routing({"n": route}, {SITE: "n"}))
    desk.commit(NOW_MS, raised(NOW_MS, Severity.LOW))
    worse = desk.commit(NOW_MS, worsened(NOW_MS))
    assert worse is not None
    assert (worse.to, worse.cc) == ((RUI,), (WATCH,))


def test_a_team_without_a_planner_sends_low_tickets_to_those_on_call() -> None:
    desk = Desk(Routing({"n": TeamRoute(on_call=(RUI,))}, {SITE: "n"}))
    notice = desk.commit(NOW_MS, raised(NOW_MS, Severity.LOW))
    assert notice is not None
    assert notice.to == (RUI,)


def test_where_nobody_is_named_the_next_change_tells_the_whole_story() -> None:
    desk = Desk(Routing())
    first = desk.commit(NOW_MS, raised(NOW_MS))
    assert first is not None
    assert first.to == ()
    desk.routing = ROUTING
    again = desk.commit(NOW_MS + 1, worsened(NOW_MS + 1))
    assert again == Tell(NoticeKind.OPENED, (RUI,), (WATCH,), NOW_MS + 1)


def test_priority_only_rises_over_the_life_of_a_ticket() -> None:
    desk = Desk()
    desk.commit(NOW_MS, raised(NOW_MS, Severity.HIGH))
    desk.commit(NOW_MS, returned(NOW_MS))
    desk.commit(NOW_MS, raised(NOW_MS, Severity.LOW))
    assert desk.ticket is not None
    assert desk.ticket.priority == "high"


def test_several_changes_at_once_make_one_notice_of_the_last() -> None:
    t = NOW_MS
    assert Desk().commit(t, raised(t, Severity.LOW), worsened(t)) == Tell(
        NoticeKind.OPENED, (RUI,), (WATCH, PLANNER), t
    )
    passed = Desk().commit(t, raised(t), worsened(t), returned(t))
    assert passed is not None
    assert passed.kind is NoticeKind.PASSED
    desk = Desk()
    desk.commit(t, raised(t))
    assert desk.commit(t, returned(t), raised(t)) is None  # it stands, as was told
    assert desk.kinds == ["opened", "returned", "repeated"]


def test_acknowledging_tells_nobody_and_marks_the_ticket() -> None:
    desk = Desk()
    desk.commit(NOW_MS, raised(NOW_MS))
    assert desk.commit(NOW_MS, acknowledged(NOW_MS + 3, by="Rui Prata")) is None
    assert desk.ticket is not None
    assert (desk.ticket.phase, desk.ticket.acknowledged_by, desk.ticket.acknowledged_ms) == (
        TicketPhase.ACKNOWLEDGED, "Rui Prata", NOW_MS + 3,
    )  # fmt: skip
    desk.commit(NOW_MS, worsened(NOW_MS))
    assert desk.ticket.phase is TicketPhase.OPEN  # a worse trouble asks for a fresh answer


def test_the_first_repeat_is_told_at_once_and_the_next_only_after_the_interval() -> None:
    t = NOW_MS
    desk = Desk()
    desk.commit(t, raised(t))
    desk.commit(t + 1, returned(t + 1))
    first = desk.commit(t + 2, raised(t + 2))
    assert first is not None
    assert (first.kind, first.not_before_ms) == (NoticeKind.REPEATED, t + 2)
    assert desk.commit(t + 3, returned(t + 3)) is not None
    held = desk.commit(t + HOUR_MS, raised(t + HOUR_MS))
    assert held is not None
    assert (held.kind, held.not_before_ms) == (NoticeKind.REPEATED, t + 2 + 4 * HOUR_MS)
    assert desk.commit(t + 2 * HOUR_MS, acknowledged(t + 2 * HOUR_MS)) is None
    assert desk.commit(t + 3 * HOUR_MS, returned(t + 3 * HOUR_MS)) is None
    assert desk.withdrawn == 1


def test_a_held_repeat_gives_way_to_news_that_cannot_wait() -> None:
    t = NOW_MS
    desk = Desk()
    for i, each in enumerate([raised(t), returned(t), raised(t), returned(t), raised(t)]):
        desk.commit(t + i, each)
    assert desk.held is not None
    worse = desk.commit(t + 10, worsened(t + 10))
    assert worse is not None
    assert (worse.kind, worse.not_before_ms) == (NoticeKind.REPEATED, t + 10)
    assert (desk.withdrawn, desk.held) == (1, None)


def test_a_clock_that_was_set_back_delays_a_repeat_by_one_interval_at_most() -> None:
    t = NOW_MS
    desk = Desk()
    for i, each in enumerate([raised(t), returned(t), raised(t), returned(t)]):
        desk.commit(t + i, each)
    held = desk.commit(t - 90 * 24 * HOUR_MS, raised(t))
    assert held is not None
    assert held.not_before_ms == t - 90 * 24 * HOUR_MS + 4 * HOUR_MS


@pytest.mark.parametrize(
    ("change", "state"),
    [
        (Change.SHELVED, AlarmState.SHELVED),
        (Change.SUPPRESSED, AlarmState.SUPPRESSED),
        (Change.OUT_OF_SERVICE, AlarmState.OUT_OF_SERVICE),
    ],
)
def test_what_is_shelved_suppressed_or_out_of_service_is_recorded_and_tells_nobody(
    change: Change, state: AlarmState
) -> None:
    desk = Desk()
    assert decide(suppressed(NOW_MS, change, state), None) is None
    assert decide(replace(raised(NOW_MS), state=state), None) is None
    desk.commit(NOW_MS, raised(NOW_MS))
    assert desk.commit(NOW_MS, suppressed(NOW_MS, change, state)) is None
    assert desk.kinds == ["opened", "note"]
    # Raised and taken out at one go: nobody is told until it stands again.
    desk = Desk()
    assert desk.commit(NOW_MS, raised(NOW_MS), suppressed(NOW_MS, change, state)) is None
    again = desk.commit(NOW_MS, raised(NOW_MS))
    assert again is not None
    assert again.kind is NoticeKind.OPENED


def test_what_was_acknowledged_and_still_stands_is_told_once_more() -> None:
    desk = Desk()
    desk.commit(NOW_MS, raised(NOW_MS))
    desk.commit(NOW_MS, acknowledged(NOW_MS))
    again = suppressed(NOW_MS + HOUR_MS, Change.ANNOUNCED_AGAIN, AlarmState.UNACKNOWLEDGED)
    notice = desk.commit(NOW_MS + HOUR_MS, again)
    assert notice == Tell(NoticeKind.REMINDED, (RUI,), (WATCH,), NOW_MS + HOUR_MS)
    assert desk.ticket is not None
    assert (desk.ticket.phase, desk.ticket.told) == (TicketPhase.OPEN, Told.STANDING)
    assert desk.commit(NOW_MS + HOUR_MS, acknowledged(NOW_MS + HOUR_MS)) is None
    over = desk.commit(NOW_MS + HOUR_MS, returned(NOW_MS + HOUR_MS))
    assert over is not None
    assert over.kind is NoticeKind.RETURNED


def test_a_second_call_that_finds_nobody_told_is_the_first_mail() -> None:
    desk = Desk(routing=Routing({}, {}))
    desk.commit(NOW_MS, raised(NOW_MS))
    desk.commit(NOW_MS, acknowledged(NOW_MS))
    desk.routing = ROUTING
    again = suppressed(NOW_MS + HOUR_MS, Change.ANNOUNCED_AGAIN, AlarmState.UNACKNOWLEDGED)
    notice = desk.commit(NOW_MS + HOUR_MS, again)
    assert notice is not None
    assert notice.kind is NoticeKind.OPENED


def test_a_trouble_that_worsens_without_an_open_ticket_opens_one() -> None:
    notice = Desk().commit(NOW_MS, worsened(NOW_MS))
    assert notice is not None
    assert notice.kind is NoticeKind.OPENED


EVENTS = st.lists(
    st.tuples(
        st.sampled_from(Change),
        st.sampled_from(AlarmState),
        st.sampled_from(Severity),
        st.integers(0, 3 * HOUR_MS),
        st.booleans(),
    ),
    max_size=30,
)
ACTIVE = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}


@settings(max_examples=300, deadline=None)
@given(EVENTS)
def test_any_sequence_of_events_keeps_the_desks_promises(
    sequence: list[tuple[Change, AlarmState, Severity, int, bool]],
) -> None:
    """At most one notice a commit; seqs without gaps; what stands is told, or held with a date."""
    desk, now_ms, pending = Desk(), NOW_MS, []
    for change, state, severity, pause_ms, ends_commit in sequence:
        now_ms += pause_ms
        pending.append(AlarmEvent(0, "fan-fault", now_ms, change, state, severity, now_ms))
        if not ends_commit:
            continue
        before = desk.ticket
        notice = desk.commit(now_ms, *pending)
        last, ticket = pending[-1], desk.ticket
        pending = []
        if last.change is Change.RAISED and last.state in ACTIVE:
            assert ticket is not None
            assert ticket.returned_ms is None
            assert ticket.told is Told.STANDING or desk.held is not None
            if desk.held is not None:
                assert desk.held.not_before_ms <= now_ms + 4 * HOUR_MS
            order = ["low", "medium", "high"]
            assert order.index(ticket.priority) >= max(int(last.severity) - 1, 0)
        if ticket is not None:
            assert ticket.last_seq == len(desk.kinds)
            assert (desk.held is not None) == ticket.held
            if before is not None:
                assert (ticket.unit_row, ticket.fault, ticket.opened_ms) == (
                    before.unit_row, before.fault, before.opened_ms,
                )  # fmt: skip
        if notice is not None and before is not None and before.told is not Told.NOTHING:
            assert notice.kind not in {NoticeKind.OPENED, NoticeKind.PASSED}
    assert desk.kinds.count(TicketEventKind.OPENED) <= 1


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 200), st.integers(1, 8 * HOUR_MS))
def test_a_flapping_alarm_costs_few_mails(cycles: int, period_ms: int) -> None:
    """Besides opening and its end, at most a repeat and its end in each interval."""
    desk, now_ms = Desk(), NOW_MS
    for _ in range(cycles):
        for each in (raised(now_ms), returned(now_ms)):
            desk.commit(now_ms, each)
            now_ms += period_ms
    intervals = (now_ms - NOW_MS) // (4 * HOUR_MS)
    assert desk.sent <= 2 + 2 * (1 + intervals)
    assert desk.ticket is not None
    assert desk.ticket.told is Told.RETURNED
