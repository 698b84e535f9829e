"""One site: its units, each in a line, and what a visitor needs to know."""

from __future__ import annotations

from dataclasses import dataclass

from gateway.overview.alarms import AlarmItem, alarm_items
from gateway.overview.source import GatewayNow, Source, gateway_now
from gateway.overview.tickets import TicketLine, ticket_line
from gateway.records import unit_looks
from gateway.records.queries import Where
from gateway.tickets.life import STANDING
from rules.equipment import Site, Unit

__all__ = ["SiteView", "UnitLine", "site_view"]


@dataclass(frozen=True)
class UnitLine:
    """One unit. ``alarms`` are those that are not normal, the gravest first; ``priority`` is the
    gravest of those that stand, '' for none. ``heard_ms``: UTC, ms since 1970, None for never.
    """

    unit: Unit
    priority: str
    alarms: tuple[AlarmItem, ...]
    heard_ms: int | None

    @property
    def unacknowledged(self) -> int:
        """How many wait for an answer."""
        return sum(a.is_unacknowledged for a in self.alarms)


@dataclass(frozen=True)
class SiteView:
    """One site; ``units`` in the order of its file, ``tickets`` those that nobody has closed."""

    site: Site
    made_ms: int
    gateway: GatewayNow
    units: tuple[UnitLine, ...]
    alarms: tuple[AlarmItem, ...]
    tickets: tuple[TicketLine, ...]


def site_view(source: Source, site_id: str, now_ms: int) -> SiteView | None:
    """The site as it is; None where the configuration has none of that id."""
    site = source.names.sites.get(site_id)
    if site is None:
        return None
    alarms = alarm_items(source, site_id)
    with source.records.reading() as connection:
        heard = unit_looks.heard(connection, site_id)
    tickets = source.records.tickets(Where(site_id), phases=STANDING, limit=200)
    units = []
    for unit in site.units:
        own = tuple(a for a in alarms if a.unit == unit.id)
        standing = [a.priority for a in own if a.stands]
        units.append(UnitLine(unit, standing[0] if standing else "", own, heard.get(unit.id)))
    return SiteView(
        site, now_ms, gateway_now(source, now_ms), tuple(units), alarms,
        tuple(ticket_line(source.names, t) for t in tickets),
    )  # fmt: skip
