"""Which notices go out one by one, and which are gathered into a mail that lists them.

Pure decisions. Two kinds are gathered: those of low priority, where the team wants a digest; and
those of an outage, when site after site goes silent, as when a mobile network fails. The first
few of an outage go out at once, since one silent site is a trouble of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from gateway.tickets.notice import NoticeKind, Priority
from gateway.tickets.routing import Routing

__all__ = ["OUTAGE_FAULTS", "OVER", "Draft", "Purpose", "gathered", "purpose"]

OUTAGE_FAULTS: Final = frozenset({"site-cut-off", "unit-stale"})
"""Faults that a failing network raises at many sites at once."""

OVER: Final = frozenset({NoticeKind.RETURNED, NoticeKind.PASSED})
"""Notices that something is over; they are counted apart from those that something stands."""

_URGENT: Final = frozenset({NoticeKind.REOPENED, NoticeKind.OVERSTAYED, NoticeKind.NOT_PROVEN})
"""Told while somebody may still be at the machine, so never held back."""


class Purpose(StrEnum):
    """What a gathered notice waits for."""

    DIGEST = "digest"
    OUTAGE = "outage"


@dataclass(frozen=True)
class Draft:
    """A notice about to be written."""

    site_id: str
    fault: str
    priority: Priority
    kind: NoticeKind


def purpose(site_id: str, priority: Priority, routing: Routing) -> Purpose:
    """What a notice that is gathered waits for, by the present configuration."""
    return Purpose.DIGEST if routing.has_digest(site_id, priority) else Purpose.OUTAGE


def gathered(
    drafts: Sequence[Draft], lately: Collection[tuple[str, bool]], routing: Routing
) -> list[bool]:
    """For each draft whether it is gathered.

    ``lately`` are the sites, each with whether it is about an end, of which notices of an outage
    were written within the time that counts.
    """
    sites: dict[tuple[str, bool], set[str]] = {}
    outage = [(d.site_id, d.kind in OVER) for d in drafts if d.fault in OUTAGE_FAULTS]
    for site_id, over in (*lately, *outage):
        sites.setdefault((routing.team_of_site.get(site_id, ""), over), set()).add(site_id)

    def is_gathered(draft: Draft) -> bool:
        if draft.kind in _URGENT:
            return False
        if routing.has_digest(draft.site_id, draft.priority):
            return True
        team = routing.team(draft.site_id)
        if team is None or draft.fault not in OUTAGE_FAULTS:
            return False
        there = sites[routing.team_of_site[draft.site_id], draft.kind in OVER]
        return len(there) >= team.outage.sites

    return [is_gathered(draft) for draft in drafts]
