"""What an evaluation compares: faults that were there, and what the rules said.

Times are UTC in ms since 1970. ``unit`` is empty where a whole site is meant.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from rules.events import Cause, Severity

__all__ = [
    "LINK_FAULTS",
    "MONTH_MS",
    "SITE_FAULTS",
    "Alarm",
    "Announcement",
    "Exposure",
    "Label",
    "Ticket",
    "diagnosis",
]

LINK_FAULTS: Final = frozenset({"site-cut-off", "unit-stale", "clock-wrong", "unit-unregistered"})
"""Faults of the way from machine to gateway: never the consequence of a fault of the machine."""

SITE_FAULTS: Final = frozenset({"site-cut-off", "unit-unregistered"})
"""Faults of a site as a whole: their alarms are carried by whichever unit stands for the site."""

MONTH_MS: Final = 30.4375 * 86_400_000
"""A twelfth of 365.25 days."""


def diagnosis(fault: str, causes: tuple[Cause, ...], catalogue: Collection[str]) -> str:
    """What an alarm says is wrong: its first cause if that is a catalogue fault, else itself.

    A cause that is ruled out is no diagnosis.
    """
    if causes and not causes[0].ruled_out and causes[0].slug in catalogue:
        return causes[0].slug
    return fault


@dataclass(frozen=True)
class Label:
    """One fault that was really there.

    ``number`` is its place in the file, from 1. ``end_ms`` is None where it lasts beyond the data.
    ``onset_ms`` says when it reached a severity, where that is known; ``flow_below_65_ms`` when
    the water over the pads fell below 65 % of the clean flow. ``accepts`` names other faults that
    are as right a diagnosis, where one state of the machine has two names. ``follows`` names the
    fault that brought this state about, where one did: it is no case of its own, since one trouble
    asks for one ticket; who speaks of it while it is there is right.
    """

    number: int
    site: str
    unit: str
    fault: str
    start_ms: int
    end_ms: int | None
    severity: Severity
    onset_ms: Mapping[Severity, int] = field(default_factory=dict)
    flow_below_65_ms: int | None = None
    accepts: frozenset[str] = frozenset()
    follows: str = ""

    @property
    def names(self) -> frozenset[str]:
        """The faults that are a right diagnosis."""
        return self.accepts | {self.fault}

    @property
    def whole_site(self) -> bool:
        """Whether an alarm of any unit of the site may tell of it."""
        return not self.unit or self.fault in SITE_FAULTS

    def concerns(self, site: str, unit: str) -> bool:
        """Whether the unit is one that the fault touches."""
        return site == self.site and (self.whole_site or unit == self.unit)

    def active(self, time_ms: int, grace_ms: int) -> bool:
        """Whether an alarm raised at this time may be about it: until the grace after its end."""
        return self.start_ms <= time_ms and (
            self.end_ms is None or time_ms <= self.end_ms + grace_ms
        )


@dataclass(frozen=True)
class Announcement:
    """One time that an alarm spoke: raised, or worse than before.

    ``diagnosis`` is what it then said was wrong; ``causes`` are ranked, as in the evidence.
    """

    time_ms: int
    severity: Severity
    diagnosis: str
    causes: tuple[Cause, ...] = ()
    summary: str = ""
    confidence: float | None = None
    worse: bool = False


@dataclass
class Alarm:
    """One alarm from its raise until its condition went away (None: it stands at the end)."""

    site: str
    unit: str
    fault: str
    onset_ms: int
    announcements: list[Announcement]
    returned_ms: int | None = None
    ended_by: str = ""

    @property
    def raised_ms(self) -> int:
        """When it was raised."""
        return self.announcements[0].time_ms

    @property
    def severity(self) -> Severity:
        """The worst that it said."""
        return max(a.severity for a in self.announcements)


@dataclass
class Ticket:
    """One ticket: opened by the first alarm, kept while the trouble comes and goes.

    ``closed_ms`` is when the person whom the evaluation plays closed it; ``repeats`` counts how
    often the trouble came back before that.
    """

    number: int
    site: str
    unit: str
    fault: str
    opened_ms: int
    onset_ms: int
    priority: str
    diagnosis: str
    causes: tuple[Cause, ...] = ()
    summary: str = ""
    returned_ms: int | None = None
    closed_ms: int | None = None
    repeats: int = 0


@dataclass(frozen=True)
class Exposure:
    """What was watched: by (site, unit), the first and the last moment that data was there."""

    watched_ms: Mapping[tuple[str, str], tuple[int, int]]

    @property
    def unit_months(self) -> float:
        """Watched time over all units, in months of 30.4375 days."""
        return sum(end - start for start, end in self.watched_ms.values()) / MONTH_MS

    def to_json(self) -> dict[str, Any]:
        """As plain JSON data."""
        return {"units": len(self.watched_ms), "unit_months": self.unit_months}
