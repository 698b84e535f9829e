"""A list of tickets as plain data: what a digest, a hand-over or an outage mail tells of each.

It is decided once, when the list is made, and kept with the mail in the records: a mail that is
tried again tomorrow still lists what was true today.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

__all__ = ["Listing", "ListingItem", "outage_sites"]

_RANK: Final = {"high": 0, "medium": 1, "low": 2}


@dataclass(frozen=True)
class ListingItem:
    """One ticket as it was when the list was made. Times are UTC, ms since 1970.

    ``phase`` is the ticket's ('open', 'acknowledged', …). ``returned_ms`` is None while the trouble
    stands, ``closed_ms`` while nobody has closed it. ``by`` acknowledged or, once closed, closed
    it. ``summary`` is the evidence's sentence, of the readings at ``told_ms``; ``finding`` what was
    found at the close.
    """

    number: str
    site_id: str
    unit_id: str
    fault: str
    priority: Literal["low", "medium", "high"]
    phase: str
    onset_ms: int
    opened_ms: int
    returned_ms: int | None = None
    closed_ms: int | None = None
    by: str = ""
    summary: str = ""
    finding: str = ""
    told_ms: int | None = None

    @property
    def rank(self) -> tuple[int, str, str, str]:
        """To sort by: priority, site, unit, number."""
        return _RANK.get(self.priority, 3), self.site_id, self.unit_id, self.number


@dataclass(frozen=True)
class Listing:
    """The tickets of one mail, the gravest first.

    ``since_ms`` is when the team's last such list was made, None for the first and for an outage;
    ``made_ms`` when this one was.
    """

    team: str
    time_zone: str
    made_ms: int
    since_ms: int | None
    items: tuple[ListingItem, ...]

    def to_json(self) -> dict[str, Any]:
        """As plain JSON data."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Listing:
        """Read back from :meth:`to_json`."""
        items = tuple(ListingItem(**item) for item in data["items"])
        return cls(**(data | {"items": items}))


def outage_sites(listing: Listing) -> int:
    """How many sites a list names."""
    return len({item.site_id for item in listing.items})
