"""Low tickets in a digest, the shift's summary, and an outage in one mail: what is written when."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy.engine import URL
from support.outbox import outbox_for
from support.records import HOUR_MS, NOW_MS, acknowledged, raised, returned, step, worsened
from support.smtp import MailCatcher

from gateway.digests.gathering import OUTAGE_FAULTS
from gateway.digests.listing import Listing, ListingItem
from gateway.digests.timetable import Timetable
from gateway.records import Records
from gateway.records.rows import OutboxRow, OutboxState
from gateway.tickets.notice import NoticeKind, Recipient, TicketNotice
from gateway.tickets.render import MailRenderer
from gateway.tickets.routing import OutageRule, Routing, TeamRoute
from rules.events import AlarmEvent, Change, Evidence, Severity
from rules.faults.registry import FAULTS

MINUTE_MS = 60_000
LISBON = ZoneInfo("Europe/Lisbon")
RUI = Recipient("Rui Prata", "rui@north.example")
PLANNER = Recipient("Planning", "planning@north.example")
WATCH = Recipient("Control room", "watch@centre.example")
SITES = [f"site-{n:02d}" for n in range(40)]
UNITS = {(site, ""): n for n, site in enumerate(SITES)} | {("quay-cold-store", "ac-1"): 100}


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


MONDAY_7 = ms("2026-03-02T07:00")  # Lisbon keeps UTC in winter


def routing(**changes: object) -> Routing:
    values = {
        "digest": Timetable((time(7),), frozenset(range(5)), LISBON),
        "outage": OutageRule(sites=3, within_ms=10 * MINUTE_MS, wait_ms=2 * MINUTE_MS),
    } | changes
    team = TeamRoute(
        on_call=(RUI,), planner=(PLANNER,), monitoring=(WATCH,), name="North crew",
        time_zone="Europe/Lisbon", **values,
    )  # fmt: skip
    return Routing({"north": team}, dict.fromkeys([*SITES, "quay-cold-store"], "north"))


def opened(url: URL, **changes: object) -> Records:
    records = Records(url, routing=routing(**changes))
    records.sync_units(UNITS)
    return records


@pytest.fixture
def records(records_url: URL) -> Iterator[Records]:
    records = opened(records_url)
    yield records
    records.close()


def commit(records: Records, now_ms: int, *events: AlarmEvent) -> None:
    records.commit(records.committed_offset() + 1, step(*events), [], now_ms)


def low(now_ms: int, fault: str = "fan-fault") -> AlarmEvent:
    return replace(raised(now_ms, Severity.LOW, row=100), fault=fault)


def silent(row: int, now_ms: int) -> AlarmEvent:
    said = Evidence("Nothing has come from this site for 25 minutes.", 0.99)
    return replace(raised(now_ms, row=row), fault="site-cut-off", evidence=said)


def heard(row: int, now_ms: int) -> AlarmEvent:
    return replace(returned(now_ms, row=row), fault="site-cut-off")


def rows(records: Records, kind: NoticeKind) -> list[OutboxRow]:
    return [r for r in reversed(records.outbox()) if r.kind is kind]


def states(records: Records) -> dict[OutboxState, int]:
    return dict(records.outbox_counts().by_state)


def emails(row: OutboxRow) -> list[str]:
    return [d.recipient.email for d in row.deliveries]


def test_the_faults_of_an_outage_are_in_the_catalogue() -> None:
    assert {f.slug for f in FAULTS} >= OUTAGE_FAULTS


# --- the digest -------------------------------------------------------------------------------


def test_low_tickets_wait_for_the_digest_and_others_do_not(records: Records) -> None:
    assert records.make_lists(MONDAY_7 - HOUR_MS) == 0
    commit(records, MONDAY_7 - 2000, low(MONDAY_7 - 2000), low(MONDAY_7 - 2000, "pump-failed"))
    commit(records, MONDAY_7 - 2000, raised(MONDAY_7 - 2000, Severity.MEDIUM, row=0))
    assert states(records) == {OutboxState.GATHERED: 2, OutboxState.PENDING: 1}
    assert records.make_lists(MONDAY_7 - 1) == 0
    assert records.make_lists(MONDAY_7) == 1
    (digest,) = rows(records, NoticeKind.DIGEST)
    assert emails(digest) == [PLANNER.email]
    assert digest.state is OutboxState.PENDING
    assert states(records) == {OutboxState.LISTED: 2, OutboxState.PENDING: 2}
    listed = [r for r in records.outbox() if r.state is OutboxState.LISTED]
    assert {r.last_reply for r in listed} == {f"Listed in mail {digest.message_id}."}
    assert records.make_lists(MONDAY_7 + HOUR_MS) == 0


def test_an_empty_digest_is_no_mail(records: Records) -> None:
    records.make_lists(MONDAY_7 - HOUR_MS)
    assert records.make_lists(MONDAY_7) == 0
    assert records.outbox() == []


def test_what_happened_twice_is_listed_once_as_it_is_now(
    records: Records, server: MailCatcher
) -> None:
    records.make_lists(MONDAY_7 - 9 * HOUR_MS)
    at = MONDAY_7 - 8 * HOUR_MS
    commit(records, at, low(at))
    commit(records, at + HOUR_MS, returned(at + HOUR_MS, row=100))
    commit(records, at + 2 * HOUR_MS, low(at + 2 * HOUR_MS))  # within the interval of repeats
    assert states(records) == {OutboxState.GATHERED: 3}
    (item,) = sent_list(records, server, MONDAY_7).items
    assert (item.number, item.returned_ms) == ("BW-000001", None)


def test_what_got_worse_is_told_by_itself_and_leaves_the_digest(records: Records) -> None:
    records.make_lists(MONDAY_7 - 9 * HOUR_MS)
    at = MONDAY_7 - HOUR_MS
    commit(records, at, low(at))
    commit(records, at + 1000, worsened(at + 1000, row=100))
    (mail,) = rows(records, NoticeKind.WORSENED)
    assert mail.state is OutboxState.PENDING
    assert records.make_lists(MONDAY_7) == 0
    (first,) = rows(records, NoticeKind.OPENED)
    assert first.state is OutboxState.WITHDRAWN


def test_a_thread_begins_with_a_mail_that_went_out(records: Records, server: MailCatcher) -> None:
    at = MONDAY_7 - HOUR_MS
    commit(records, at, low(at))
    commit(records, at + 1000, worsened(at + 1000, row=100))
    outbox_for(records, server).pump(at + 2000)
    (mail,) = server.received
    assert mail.message["In-Reply-To"] is None


def test_a_restart_loses_no_digest_and_repeats_none(records_url: URL) -> None:
    """Down over Monday and Tuesday at seven: one digest is made good for both."""
    first = opened(records_url)
    first.make_lists(MONDAY_7 - HOUR_MS)
    commit(first, MONDAY_7 - 2000, low(MONDAY_7 - 2000))
    first.close()
    second = opened(records_url)
    assert second.make_lists(MONDAY_7 + 30 * HOUR_MS) == 1
    second.close()
    third = opened(records_url)
    assert third.make_lists(MONDAY_7 + 30 * HOUR_MS) == 0
    assert third.make_lists(MONDAY_7 + 48 * HOUR_MS) == 0
    third.close()


def test_a_clock_that_was_ahead_does_not_stop_the_digest(records: Records) -> None:
    records.make_lists(MONDAY_7 + 1000 * HOUR_MS)
    records.make_lists(MONDAY_7 - HOUR_MS)
    commit(records, MONDAY_7 - 2000, low(MONDAY_7 - 2000))
    assert records.make_lists(MONDAY_7) == 1


def test_without_a_digest_each_goes_by_itself(records_url: URL) -> None:
    records = opened(records_url, digest=None)
    commit(records, NOW_MS, low(NOW_MS))
    assert states(records) == {OutboxState.PENDING: 1}
    records.close()


def test_a_digest_that_is_given_up_leaves_nothing_behind(records: Records) -> None:
    commit(records, NOW_MS, low(NOW_MS))
    records.route(routing(digest=None))
    assert records.make_lists(NOW_MS + 3 * MINUTE_MS) == 1
    assert states(records) == {OutboxState.LISTED: 1, OutboxState.PENDING: 1}


# --- the hand-over ----------------------------------------------------------------------------


def test_the_shift_gets_what_is_open_and_what_was_closed(
    records: Records, server: MailCatcher
) -> None:
    shifts = Timetable((time(6), time(18)), frozenset(range(7)), LISBON)
    records.route(routing(hand_over=shifts))
    at = MONDAY_7 - 5 * HOUR_MS
    records.make_lists(at)
    commit(records, at, raised(at, Severity.HIGH, row=100), silent(0, at))
    commit(records, at + 1, acknowledged(at + 1, row=100))
    commit(records, at + 2, raised(at + 2, Severity.MEDIUM, row=1))
    records.close_ticket("BW-000003", by="Eva", finding="Breaker was off.", now_ms=at + 3)
    outbox_for(records, server).pump(at + 4)
    listing = sent_list(records, server, MONDAY_7 - HOUR_MS, NoticeKind.HAND_OVER)
    assert [(i.number, i.priority, i.phase, i.by) for i in listing.items] == [
        ("BW-000001", "high", "acknowledged", "Rui Prata"),
        ("BW-000002", "medium", "open", ""),
        ("BW-000003", "medium", "closed", "Eva"),
    ]
    # Each says of when its readings are: of the alarm, not of the list.
    assert [i.told_ms for i in listing.items] == [at, at, at + 2]
    plain = server.received[-1].message.get_body(("plain",))
    assert plain is not None
    told = " ".join(plain.get_content().split())
    assert told.count("(By the readings of ") == sum(bool(i.summary) for i in listing.items) > 0
    # The next summary does not tell of the closed one again.
    later = sent_list(records, server, MONDAY_7 + 11 * HOUR_MS, NoticeKind.HAND_OVER)
    assert [i.number for i in later.items] == ["BW-000001", "BW-000002"]
    assert later.since_ms == MONDAY_7 - HOUR_MS


# --- an outage --------------------------------------------------------------------------------


def test_the_first_sites_are_told_at_once_and_the_rest_in_one_mail(
    records: Records, server: MailCatcher
) -> None:
    for row in range(12):
        at = NOW_MS + row * 10_000
        commit(records, at, silent(row, at))
    assert states(records) == {OutboxState.PENDING: 2, OutboxState.GATHERED: 10}
    first_ms = NOW_MS + 20_000
    assert records.make_lists(first_ms + 2 * MINUTE_MS - 1) == 0
    listing = sent_list(records, server, first_ms + 2 * MINUTE_MS, NoticeKind.OUTAGE)
    assert [i.site_id for i in listing.items] == SITES[2:12]
    (mail,) = rows(records, NoticeKind.OUTAGE)
    assert emails(mail) == [RUI.email, WATCH.email]


def test_all_at_once_are_one_mail_and_their_return_another(records: Records) -> None:
    commit(records, NOW_MS, *(silent(row, NOW_MS) for row in range(40)))
    assert states(records) == {OutboxState.GATHERED: 40}
    assert records.make_lists(NOW_MS + 2 * MINUTE_MS) == 1
    back_ms = NOW_MS + 30 * MINUTE_MS
    commit(records, back_ms, *(heard(row, back_ms) for row in range(40)))
    assert records.make_lists(back_ms + 2 * MINUTE_MS) == 1
    counts = states(records)
    assert counts == {OutboxState.LISTED: 80, OutboxState.PENDING: 2}


def test_sites_that_go_one_by_one_over_a_day_are_told_one_by_one(records: Records) -> None:
    for row in range(6):
        at = NOW_MS + row * HOUR_MS
        commit(records, at, silent(row, at))
    assert states(records) == {OutboxState.PENDING: 6}


def test_a_fault_that_no_network_raises_is_never_held_back(records: Records) -> None:
    commit(records, NOW_MS, *(silent(row, NOW_MS) for row in range(40)))
    commit(records, NOW_MS, raised(NOW_MS, Severity.HIGH, row=100))
    assert states(records)[OutboxState.PENDING] == 1


def test_a_fleet_in_one_mail_is_split_where_it_grows_too_long(records_url: URL) -> None:
    records = Records(records_url)
    sites = [f"s{n:04d}" for n in range(1100)]
    team = TeamRoute(on_call=(RUI,), name="North")
    records.route(Routing({"north": team}, dict.fromkeys(sites, "north")))
    records.sync_units({(site, ""): n for n, site in enumerate(sites)})
    commit(records, NOW_MS, *(silent(row, NOW_MS) for row in range(1100)))
    assert records.make_lists(NOW_MS + 10 * MINUTE_MS) == 3
    records.close()


# --- what is sent -----------------------------------------------------------------------------


@pytest.fixture
def server() -> Iterator[MailCatcher]:
    with MailCatcher() as server:
        yield server


def sent_list(
    records: Records, server: MailCatcher, now_ms: int, kind: NoticeKind = NoticeKind.DIGEST
) -> Listing:
    """Make what is due, send it through a real server, and give what the mail was made of."""
    seen: list[TicketNotice] = []
    renderer = MailRenderer([], FAULTS)

    def render(notice: TicketNotice):
        seen.append(notice)
        return renderer(notice)

    records.make_lists(now_ms)
    outbox_for(records, server, render=render).pump(now_ms)
    (notice,) = [n for n in seen if n.kind is kind]
    (mail,) = [m.message for m in server.received if m.message["Message-ID"] == notice.message_id]
    assert mail["Auto-Submitted"] == "auto-generated"
    assert notice.listing is not None
    for item in notice.listing.items:
        assert item.number in mail.get_body(("plain",)).get_content()
        assert item.number in mail.get_body(("html",)).get_content()
    return notice.listing


def test_a_listing_is_read_back_as_it_was_written() -> None:
    item = ListingItem("BW-000001", "quay", "ac-1", "fan-fault", "low", "open", 1, 2, 3, None, "É")
    listing = Listing("North", "Europe/Lisbon", 9, None, (item,))
    assert Listing.from_json(json.loads(json.dumps(listing.to_json()))) == listing


def test_events_of_people_write_no_mail(records: Records) -> None:
    commit(records, NOW_MS, low(NOW_MS))
    commit(records, NOW_MS, replace(low(NOW_MS), change=Change.SHELVED))
    assert states(records) == {OutboxState.GATHERED: 1}
