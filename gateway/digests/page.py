"""How a mail that lists tickets reads: subject, sections and lines, in the team's time.

Owns the words and the order; the layout is in the templates. A list names no work: it says where to
find each ticket's own sheet, which begins with the isolation of the machine.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from gateway.digests.listing import Listing, ListingItem, outage_sites
from gateway.tickets.document import clean, lasting, site_time
from gateway.tickets.notice import NoticeKind, subject_lead
from rules.equipment import Site

__all__ = ["ListPage", "ListRow", "ListSection", "list_page"]

_KINDS: Final = {
    NoticeKind.DIGEST: "Tickets of low priority",
    NoticeKind.HAND_OVER: "Shift hand-over",
    NoticeKind.OUTAGE: "Many at once",
}


@dataclass(frozen=True)
class ListRow:
    """One ticket: ``about`` are the lines below its name."""

    number: str
    priority: str
    place: str
    title: str
    about: tuple[str, ...]


@dataclass(frozen=True)
class ListSection:
    """Tickets in the same case."""

    title: str
    rows: tuple[ListRow, ...]


@dataclass(frozen=True)
class ListPage:
    """A mail that lists tickets, ready to lay out."""

    kind_title: str
    headline: str
    intro: tuple[str, ...]
    sections: tuple[ListSection, ...]
    time_zone: str
    made: str
    subject: str


def list_page(
    kind: NoticeKind,
    listing: Listing,
    sites: Mapping[str, Site],
    fault_title: Callable[[ListingItem], str],
) -> ListPage:
    """The page of a listing; a site or unit that is not known any more goes by its id."""
    zone = _zone(listing.time_zone)
    team = clean(listing.team, 80) or "A team"
    items = sorted(listing.items, key=lambda item: item.rank)

    def rows(some: Iterable[ListingItem]) -> tuple[ListRow, ...]:
        return tuple(
            _row(item, kind, sites, fault_title(item), (zone, listing.made_ms)) for item in some
        )

    cases = _cases(kind, items)
    sections = tuple(ListSection(f"{title} ({len(some)})", rows(some)) for title, some in cases)
    counts = ", ".join(f"{len(some)} {word}" for word, some in _counts(kind, items) if some)
    headline, intro = _words(kind, listing, team, counts)
    made = f"Made {site_time(listing.made_ms, zone)}"
    if listing.since_ms is not None:
        made += f"; the last one was made {site_time(listing.since_ms, zone)}"
    return ListPage(
        kind_title=_KINDS[kind],
        headline=headline,
        intro=intro,
        sections=sections,
        time_zone=listing.time_zone,
        made=f"{made}.",
        subject=_subject(kind, team, counts, items),
    )


def _subject(kind: NoticeKind, team: str, counts: str, items: list[ListingItem]) -> str:
    if kind is NoticeKind.OUTAGE:
        lead = subject_lead(items[0].priority)
        return f"{lead} - {team}: {counts} at once ({items[0].number} and on)"
    tag = "DIGEST" if kind is NoticeKind.DIGEST else "HAND-OVER"
    return f"[{tag}] {team}: {counts}"


def _words(
    kind: NoticeKind, listing: Listing, team: str, counts: str
) -> tuple[str, tuple[str, ...]]:
    if kind is NoticeKind.DIGEST:
        return f"{team}: {counts}", (
            "For planned work. None of these needs anybody to set out today; what gets worse comes "
            "as a mail of its own.",
        )
    if kind is NoticeKind.HAND_OVER:
        return f"{team}: {counts}", (
            "What the coming shift takes over. Each high and medium ticket has been told to who is "
            "on call; this sums up where they stand.",
        )
    silent = [item for item in listing.items if item.returned_ms is None]
    if not silent:
        return f"{team}: {counts}", (
            "What went silent is heard again. The tickets stay open until a person closes them.",
        )
    first, last = min(i.opened_ms for i in silent), max(i.opened_ms for i in silent)
    return f"{team}: {counts}", (
        f"{_sites(outage_sites(listing))} within {lasting((last - first) / 1000)}. When many "
        "go at once, what they share is likelier to have failed than each by itself: the mobile "
        "network, the way to the broker, the broker. Look there before anybody sets out.",
        "While a site is silent nobody sees its machines from afar, and no other fault of it can "
        "be told.",
    )


def _sites(count: int) -> str:
    return f"{count} sites are concerned" if count != 1 else "One site is concerned"


def _cases(kind: NoticeKind, items: list[ListingItem]) -> list[tuple[str, list[ListingItem]]]:
    """The sections with their tickets, without empty ones."""
    closed = [i for i in items if i.closed_ms is not None]
    still = [i for i in items if i.closed_ms is None]
    standing = [i for i in still if i.returned_ms is None]
    normal = [i for i in still if i.returned_ms is not None]
    if kind is NoticeKind.HAND_OVER:
        cases = [
            ("Nobody has taken it on", [i for i in standing if i.phase == "open"]),
            ("Taken on", [i for i in standing if i.phase != "open"]),
            ("Back to normal, to be looked at and closed", normal),
            ("Closed since the last hand-over", closed),
        ]
    elif kind is NoticeKind.OUTAGE:
        cases = [("Silent", standing), ("Heard again", normal), ("Closed", closed)]
    else:
        cases = [
            ("It stands", standing),
            ("Back to normal, to be looked at and closed", normal),
            ("Closed", closed),
        ]
    return [(title, some) for title, some in cases if some]


def _counts(kind: NoticeKind, items: list[ListingItem]) -> list[tuple[str, list[ListingItem]]]:
    if kind is NoticeKind.HAND_OVER:
        still = [i for i in items if i.closed_ms is None]
        closed = [i for i in items if i.closed_ms is not None]
        by = [(p, [i for i in still if i.priority == p]) for p in ("high", "medium", "low")]
        return [*by, ("closed", closed)]
    if kind is NoticeKind.OUTAGE:
        silent = [i for i in items if i.returned_ms is None]
        back = [i for i in items if i.returned_ms is not None]
        return [("silent", silent), ("back", back)]
    return [("ticket" if len(items) == 1 else "tickets", items)]


def _row(
    item: ListingItem,
    kind: NoticeKind,
    sites: Mapping[str, Site],
    title: str,
    when: tuple[tzinfo, int],
) -> ListRow:
    zone, made_ms = when
    site = sites.get(item.site_id)
    unit = next((u for u in site.units if u.id == item.unit_id), None) if site else None
    place = clean(site.name if site else item.site_id, 80)
    if item.unit_id:
        place += f" / {clean(unit.name if unit else item.unit_id, 60)}"
    onset = site_time(item.onset_ms, zone)
    about = []
    if item.returned_ms is None:
        lasted = lasting(max(made_ms - item.onset_ms, 0) / 1000)
        about.append(f"Since {onset} ({lasted})")
    else:
        about.append(f"From {onset} to {site_time(item.returned_ms, zone)}")
    if kind is not NoticeKind.OUTAGE and item.summary:
        told = clean(item.summary, 240)
        if item.told_ms is not None:
            its = site.zone if site else UTC
            told += f" (By the readings of {site_time(item.told_ms, its)}, the site's time.)"
        about.append(told)
    if item.closed_ms is not None:
        about.append(f"Closed by {clean(item.by, 80)}: {clean(item.finding, 240)}")
    elif item.phase not in {"open", "acknowledged"}:
        about.append(item.phase.capitalize())
    elif item.by:
        about.append(f"Acknowledged by {clean(item.by, 80)}")
    return ListRow(item.number, item.priority.upper(), place, title, tuple(about))


def _zone(name: str) -> tzinfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return UTC
