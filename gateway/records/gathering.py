"""Gathers notices in the outbox, and makes the mails that list them.

All functions work inside the caller's transaction. A gathered notice stays in the outbox with its
recipients until a mail lists it; then it says which. A list is written with its mail and with the
note of when it was made, so that a crash loses none and repeats none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple, TypeVar, cast

from sqlalchemy import Connection, Table, func, insert, select, update

from gateway.digests.gathering import OUTAGE_FAULTS, OVER, Draft, Purpose, gathered, purpose
from gateway.digests.listing import Listing, ListingItem
from gateway.digests.timetable import Timetable
from gateway.records.models import OutboxListRecord as Lists
from gateway.records.models import OutboxRecipientRecord as Recipients
from gateway.records.models import OutboxRecord as Outbox
from gateway.records.models import TeamListRecord as Made
from gateway.records.models import TicketEventRecord as Entries
from gateway.records.models import TicketRecord as Tickets
from gateway.records.models import UnitRecord as Units
from gateway.records.postmark import Postmark
from gateway.records.rows import DeliveryState, OutboxState, evidence_of
from gateway.records.upsert import insert_into
from gateway.tickets.life import ENDED
from gateway.tickets.notice import NoticeKind, Recipient
from gateway.tickets.routing import Routing, TeamRoute
from rules.faults.registry import unit_concerned

__all__ = ["gather", "make_lists"]

_TICKETS = cast("Table", Tickets.__table__)
_OVER: Final = frozenset(kind.value for kind in OVER)
_MOST_ITEMS: Final = 500  # a longer list is made of several mails
_CHUNK: Final = 500
_T = TypeVar("_T")
_Addressees = tuple[tuple[str, str, str], ...]


class _Waiting(NamedTuple):
    """A gathered notice."""

    id: int
    ticket_id: int
    site: str
    priority: Any
    ticket_priority: str
    created_ms: int


@dataclass(frozen=True)
class _List:
    """A mail to write: for whom, of which team, about which tickets."""

    kind: NoticeKind
    team: TeamRoute | None
    addressees: _Addressees
    ticket_ids: tuple[int, ...]
    since_ms: int | None
    waiting: tuple[int, ...] = ()


def gather(
    connection: Connection, drafts: Sequence[Draft], routing: Routing, now_ms: int
) -> list[bool]:
    """For each notice about to be written whether it is gathered."""
    lately: list[tuple[str, bool]] = []
    teams = [routing.team(d.site_id) for d in drafts if d.fault in OUTAGE_FAULTS]
    within_ms = max((team.outage.within_ms for team in teams if team is not None), default=0)
    if within_ms:
        query = (
            select(Units.site, Outbox.kind, func.max(Outbox.created_ms))
            .join(Tickets, Tickets.id == Outbox.ticket_id)
            .join(Units, Units.row == Tickets.unit_row)
            .where(
                Tickets.fault.in_(OUTAGE_FAULTS),
                Outbox.created_ms > now_ms - within_ms,
                Outbox.created_ms <= now_ms,
                Outbox.state != OutboxState.WITHDRAWN.value,
            )
            .group_by(Units.site, Outbox.kind)
        )
        for site, kind, created_ms in connection.execute(query):
            team = routing.team(site)
            if team is not None and created_ms > now_ms - team.outage.within_ms:
                lately.append((site, kind in _OVER))
    return gathered(drafts, lately, routing)


def make_lists(connection: Connection, *, now_ms: int, routing: Routing, postmark: Postmark) -> int:
    """Write the mails that are due now, and note that they were made; how many mails."""
    made = _made(connection)
    due_digests = _due(connection, made, "digest", routing, now_ms)
    due_summaries = _due(connection, made, "hand-over", routing, now_ms)
    lists = _of_waiting(connection, due_digests, made, routing, now_ms)
    for team_id in due_summaries:
        summary = _summary(connection, team_id, made.get((team_id, "hand-over")), routing)
        lists += [summary] if summary is not None else []
    for team_id, kind in [
        *((team_id, "digest") for team_id in due_digests),
        *((team_id, "hand-over") for team_id in due_summaries),
    ]:
        _note_made(connection, team_id, kind, now_ms)
    for one in lists:
        _write(connection, one, now_ms, postmark)
    return len(lists)


def _made(connection: Connection) -> dict[tuple[str, str], int]:
    rows = connection.execute(select(Made.team, Made.kind, Made.made_ms))
    return {(row.team, row.kind): row.made_ms for row in rows}


def _due(
    connection: Connection,
    made: Mapping[tuple[str, str], int],
    kind: str,
    routing: Routing,
    now_ms: int,
) -> list[str]:
    """The teams whose list of this kind is due. A team's first is due at its next time."""
    found = []
    for team_id, team in routing.teams.items():
        timetable: Timetable | None = team.digest if kind == "digest" else team.hand_over
        if timetable is None:
            continue
        last_ms = made.get((team_id, kind))
        # One made in the future was made while the clock was wrong: it starts anew.
        if last_ms is None or last_ms > now_ms:
            _note_made(connection, team_id, kind, now_ms)
            continue
        due_ms = timetable.next_after_ms(last_ms)
        if due_ms is not None and due_ms <= now_ms:
            found.append(team_id)
    return found


def _note_made(connection: Connection, team_id: str, kind: str, now_ms: int) -> None:
    statement = insert_into(connection, Made).values(team=team_id, kind=kind, made_ms=now_ms)
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["team", "kind"], set_={"made_ms": statement.excluded.made_ms}
        )
    )


# --- what is gathered ---------------------------------------------------------------------------


def _of_waiting(
    connection: Connection,
    due_digests: Sequence[str],
    made: Mapping[tuple[str, str], int],
    routing: Routing,
    now_ms: int,
) -> list[_List]:
    """The lists made of gathered notices: due digests, and outages that have been waited for."""
    waiting = _waiting(connection)
    if not waiting:
        return []
    addressees = _addressees(connection, [w.id for w in waiting])
    groups: dict[tuple[Purpose, str, _Addressees], list[_Waiting]] = {}
    outdated: list[int] = []
    for one in waiting:
        why = purpose(one.site, one.priority, routing)
        if why is Purpose.DIGEST and one.ticket_priority != one.priority:
            outdated.append(one.id)  # it got worse since, which was told by itself
            continue
        team_id = routing.team_of_site.get(one.site, "")
        groups.setdefault((why, team_id, addressees[one.id]), []).append(one)
    _settle(connection, outdated, OutboxState.WITHDRAWN, "Told by a mail of its own since.", now_ms)
    lists = []
    for (why, team_id, people), members in groups.items():
        team = routing.teams.get(team_id)
        wait_ms = team.outage.wait_ms if team is not None else 0
        oldest_ms = min(one.created_ms for one in members)
        over = now_ms - oldest_ms >= wait_ms or oldest_ms > now_ms
        if (team_id not in due_digests) if why is Purpose.DIGEST else not over:
            continue
        for start in range(0, len(members), _MOST_ITEMS):
            part = members[start : start + _MOST_ITEMS]
            lists.append(
                _List(
                    kind=NoticeKind.DIGEST if why is Purpose.DIGEST else NoticeKind.OUTAGE,
                    team=team,
                    addressees=people,
                    ticket_ids=tuple(dict.fromkeys(one.ticket_id for one in part)),
                    since_ms=made.get((team_id, "digest")) if why is Purpose.DIGEST else None,
                    waiting=tuple(one.id for one in part),
                )
            )
    return lists


def _waiting(connection: Connection) -> list[_Waiting]:
    query = (
        select(
            Outbox.id, Tickets.id, Units.site, Outbox.priority,
            Tickets.priority.label("ticket_priority"), Outbox.created_ms,
        )
        .join(Tickets, Tickets.id == Outbox.ticket_id)
        .join(Units, Units.row == Tickets.unit_row)
        .where(Outbox.state == OutboxState.GATHERED.value)
        .order_by(Outbox.id)
    )  # fmt: skip
    return [_Waiting(*row) for row in connection.execute(query)]


def _addressees(connection: Connection, ids: Sequence[int]) -> dict[int, _Addressees]:
    found: dict[int, list[tuple[str, str, str]]] = {i: [] for i in ids}
    for some in _chunks(ids):
        for row in connection.execute(
            select(Recipients.__table__)
            .where(Recipients.outbox_id.in_(some))
            .order_by(Recipients.outbox_id, Recipients.position)
        ):
            found[row.outbox_id].append((row.role, row.name, row.email))
    return {outbox_id: tuple(people) for outbox_id, people in found.items()}


# --- the hand-over ------------------------------------------------------------------------------


def _summary(
    connection: Connection, team_id: str, since_ms: int | None, routing: Routing
) -> _List | None:
    """What is open at the team's sites, and what was closed since the last summary, if anything."""
    team = routing.teams[team_id]
    sites = [site for site, its_team in routing.team_of_site.items() if its_team == team_id]
    ids: list[int] = []
    for some in _chunks(sites):
        query = (
            select(Tickets.id)
            .join(Units, Units.row == Tickets.unit_row)
            .where(
                Units.site.in_(some),
                Tickets.state.not_in([phase.value for phase in ENDED])
                | (Tickets.closed_ms > (since_ms or 0)),
            )
        )
        ids += connection.scalars(query)
    if not ids or not team.monitoring:
        return None
    people = tuple(("to", person.name, person.email) for person in _unique(team.monitoring))
    return _List(NoticeKind.HAND_OVER, team, people, tuple(ids), since_ms)


def _unique(people: Iterable[Recipient]) -> list[Recipient]:
    return list({person.email.lower(): person for person in people}.values())


# --- writing ------------------------------------------------------------------------------------


def _write(connection: Connection, one: _List, now_ms: int, postmark: Postmark) -> None:
    items = sorted(_items(connection, one.ticket_ids), key=lambda pair: pair[1].rank)
    lead_id, lead = items[0]
    outbox_id = 1 + (connection.scalar(select(func.max(Outbox.id))) or 0)
    listing = Listing(
        team=one.team.name if one.team else "",
        time_zone=one.team.time_zone if one.team else "UTC",
        made_ms=now_ms,
        since_ms=one.since_ms,
        items=tuple(item for _, item in items),
    )
    message_id = postmark.message_id(one.kind.value, outbox_id)
    row = {
        "id": outbox_id, "ticket_id": lead_id, "event_seq": -outbox_id, "kind": one.kind.value,
        "priority": lead.priority, "state": OutboxState.PENDING.value, "message_id": message_id,
        "in_reply_to": "", "onset_ms": lead.onset_ms, "created_ms": now_ms, "date_ms": now_ms,
        "next_attempt_ms": now_ms, "attempts": 0, "done_ms": None, "last_reply": "",
        "possibly_duplicate": False,
    }  # fmt: skip
    connection.execute(insert(Outbox), [row])
    connection.execute(
        insert(Recipients),
        [
            {
                "outbox_id": outbox_id, "position": position, "role": role, "name": name,
                "email": email, "state": DeliveryState.PENDING.value, "reply": "",
            }
            for position, (role, name, email) in enumerate(one.addressees)
        ],
    )  # fmt: skip
    connection.execute(insert(Lists), [{"outbox_id": outbox_id, "listing": listing.to_json()}])
    _settle(connection, one.waiting, OutboxState.LISTED, f"Listed in mail {message_id}.", now_ms)


def _settle(
    connection: Connection, ids: Sequence[int], state: OutboxState, reply: str, now_ms: int
) -> None:
    for some in _chunks(ids):
        connection.execute(
            update(Outbox)
            .where(Outbox.id.in_(some))
            .values(state=state.value, last_reply=reply, done_ms=now_ms)
        )


def _items(connection: Connection, ids: Sequence[int]) -> list[tuple[int, ListingItem]]:
    """Each ticket as it is now, with its id."""
    found = []
    for some in _chunks(ids):
        summaries = _summaries(connection, some)
        query = (
            select(_TICKETS, Units.site, Units.unit)
            .join(Units, Units.row == _TICKETS.c.unit_row)
            .where(_TICKETS.c.id.in_(some))
        )
        for t in connection.execute(query):
            item = ListingItem(
                number=t.number,
                site_id=t.site,
                unit_id=unit_concerned(t.fault, t.unit),
                fault=t.fault,
                priority=t.priority,
                phase=t.state,
                onset_ms=t.onset_ms,
                opened_ms=t.opened_ms,
                returned_ms=t.returned_ms,
                closed_ms=t.closed_ms,
                by=t.closed_by or t.acknowledged_by,
                summary=summaries.get(t.id, ("", None))[0],
                finding=t.finding,
                told_ms=summaries.get(t.id, ("", None))[1],
            )
            found.append((t.id, item))
    return found


def _summaries(connection: Connection, ids: Sequence[int]) -> dict[int, tuple[str, int]]:
    """The sentence of each ticket's newest evidence, and when that was told."""
    query = (
        select(Entries.ticket_id, Entries.evidence, Entries.time_ms)
        .where(Entries.ticket_id.in_(ids), Entries.evidence.is_not(None))
        .order_by(Entries.ticket_id, Entries.seq)
    )
    found = {}
    for ticket_id, data, time_ms in connection.execute(query):
        evidence = evidence_of(data)
        if evidence is not None:
            found[ticket_id] = evidence.summary, time_ms
    return found


def _chunks(all_of_them: Sequence[_T]) -> Iterable[Sequence[_T]]:
    for start in range(0, len(all_of_them), _CHUNK):
        yield all_of_them[start : start + _CHUNK]
