"""One unit: how it runs, each reading against what is expected, and what was done to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from gateway.overview.alarms import AlarmItem, alarm_items
from gateway.overview.source import GatewayNow, Source, gateway_now
from gateway.overview.tickets import TicketLine, ticket_line
from gateway.records import summaries
from gateway.records.queries import Where
from gateway.records.rows import BaselineRow
from gateway.records.summaries import Cleaning
from gateway.records.unit_looks import UnitLookRow
from gateway.records.wear_rows import CleaningRow, ConditionRow
from rules.equipment import Site, Unit
from rules.events import Reading
from rules.expected import LiveReading, RunningState
from rules.forecast import DueRange
from rules.signals import INDEX, SIGNALS

__all__ = ["UnitView", "UnitWear", "readings_now", "unit_view", "unit_wear"]

MOST_CLEANINGS: Final = 20


@dataclass(frozen=True)
class UnitView:
    """One unit. Times are UTC, ms since 1970.

    ``heard_ms`` is the time of its newest reading (None: it was never heard). ``readings`` are the
    newest there are, with what the rules expected when they looked last (``looked_ms``); ``state``
    is of that look, None before the first. ``baselines`` are what was learned as normal.
    """

    site: Site
    unit: Unit
    made_ms: int
    gateway: GatewayNow
    heard_ms: int | None
    looked_ms: int | None
    state: RunningState | None
    readings: tuple[LiveReading, ...]
    alarms: tuple[AlarmItem, ...]
    tickets: tuple[TicketLine, ...]
    baselines: tuple[BaselineRow, ...]
    cleanings: tuple[Cleaning, ...]
    conditions: tuple[ConditionRow, ...]
    """How far each part is from clean and whole, where the rules can tell."""
    is_out_of_service: bool
    people: tuple[str, ...]

    @property
    def deviating(self) -> int:
        """How many readings are outside what is expected."""
        return sum(bool(r.verdict) for r in self.readings)


@dataclass(frozen=True)
class UnitWear:
    """What is known of the wear of one unit.

    ``due`` says by part when it reaches its limit; ``is_awaited`` that some date is not worked out
    yet. ``cleanings`` are the newest, with what the readings say of their effect.
    """

    due: Mapping[str, DueRange]
    is_awaited: bool
    cleanings: tuple[CleaningRow, ...]


def unit_wear(source: Source, site_id: str, unit_id: str, now_ms: int) -> UnitWear:
    """When the unit's parts are due, and what cleaning them did."""
    due = source.records.due_known(site_id, unit_id, now_ms=now_ms)
    cleaned = source.records.cleanings(site_id, unit_id)
    return UnitWear(
        {one.due.part: one.due for one in due.ranges}, bool(due.awaited),
        tuple(cleaned[:MOST_CLEANINGS]),
    )  # fmt: skip


def unit_view(source: Source, site_id: str, unit_id: str, now_ms: int) -> UnitView | None:
    """The unit as it is; None where the configuration has none of that id.

    Raises :class:`gateway.telemetry.base.StoreError` where the readings cannot be had.
    """
    site, unit = source.names.sites.get(site_id), source.names.units.get((site_id, unit_id))
    if site is None or unit is None:
        return None
    look = source.records.unit_look(site_id, unit_id)
    readings = readings_now(look, source.store.latest(site_id, unit_id), now_ms)
    alarms = alarm_items(source, site_id, unit_id)
    where = Where(site_id, unit_id)
    tickets = source.records.tickets(where, limit=20)
    with source.records.reading() as connection:
        cleaned = summaries.cleanings(connection, site_id, unit_id, limit=20)
        open_now = summaries.open_tickets(connection, site_id, unit_id)
    newest = max((r.measured_ms for r in readings), default=0)
    heard_ms = max(newest, look.heard_ms if look else 0)
    return UnitView(
        site=site,
        unit=unit,
        made_ms=now_ms,
        gateway=gateway_now(source, now_ms),
        heard_ms=heard_ms or None,
        looked_ms=look.looked_ms if look and look.state else None,
        state=look.state if look else None,
        readings=readings,
        alarms=alarms,
        tickets=tuple(ticket_line(source.names, t) for t in tickets),
        baselines=tuple(source.records.baselines(site_id, unit_id)),
        cleanings=tuple(cleaned),
        conditions=tuple(source.records.conditions(site_id, unit_id)),
        is_out_of_service=any(t.people for t in open_now)
        or any(a.state.name == "OUT_OF_SERVICE" for a in alarms),
        people=tuple(dict.fromkeys(p for t in open_now for p in t.people)),
    )


def readings_now(
    look: UnitLookRow | None, latest: dict[str, tuple[int, float]], now_ms: int
) -> tuple[LiveReading, ...]:
    """The newest value of each signal, with the last look's expectation where it is the same kind.

    A value that came after the look takes its place, but where the look shows something worked out
    of it (a current referred to rated voltage, a count of fans).
    """
    seen = {r.signal: r for r in look.readings} if look else {}
    limit_ms = look.state.value_age_limit_s * 1000.0 if look and look.state else None
    found = []
    for entry in SIGNALS:
        known, newest = seen.get(entry.name), latest.get(entry.name)
        if known is None and newest is None:
            continue
        if known is None:
            assert newest is not None  # noqa: S101 - one of them is there
            value = newest[1]
            if entry.kind == "mask":  # how many fans; which of them a number would not tell
                value = float(int(value).bit_count())
            reading = Reading(entry.title, value, entry.unit, derived=entry.kind == "mask")
            known = LiveReading(entry.name, reading, newest[0], stale=False)
        elif newest is not None and newest[0] > known.measured_ms and not known.reading.derived:
            fresh = replace(known.reading, measured=newest[1])
            known = LiveReading(entry.name, fresh, newest[0], stale=False)
        if limit_ms is not None:
            known = replace(known, stale=now_ms - known.measured_ms > limit_ms)
        found.append(known)
    return tuple(sorted(found, key=lambda r: INDEX[r.signal]))
