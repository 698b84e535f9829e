"""The words of a report that several of its parts share: names, times, lengths of time, shares."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, tzinfo
from typing import Final

from gateway.display_units import DisplaySystem, with_us_units
from gateway.tickets.document import clean
from rules.equipment import OwnRule, Site
from rules.faults.registry import FAULTS
from rules.own_rules.catalogue import own_fault

__all__ = [
    "NOT_KNOWN",
    "PART_TITLE",
    "FaultNames",
    "counted",
    "date_text",
    "hours_text",
    "listed",
    "prose",
    "share_text",
]

NOT_KNOWN: Final = "not known"

PART_TITLE: Final = {
    "pump-screen": "Pump screen", "distribution": "Distribution", "pads": "Pads", "coil": "Coil",
    "basin": "Basin", "float": "Float valve", "bleed": "Bleed", "fans": "Fans",
}  # fmt: skip

_TITLES: Final = {fault.slug: fault.title for fault in FAULTS}
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov",
                  "Dec")  # fmt: skip


class FaultNames:
    """Titles of faults, those of the fleet's own rules among them."""

    def __init__(self, rules: Iterable[OwnRule], sites: Iterable[Site]) -> None:
        """``rules`` are the fleet's own."""
        self._rules = tuple(rules)
        self._sites = tuple(sites)

    def __call__(self, slug: str) -> str:
        """The title; a slug that nobody knows any more is shown as words."""
        if slug in _TITLES:
            return _TITLES[slug]
        for site in self._sites:
            for unit in site.units:
                found = own_fault(self._rules, site, unit, slug)
                if found is not None:
                    return clean(found.title, 80)
        return clean(slug.replace("-", " ").capitalize(), 80)


def counted(number: int, one: str, many: str = "") -> str:
    """As '1 ticket', '12 tickets', 'no tickets'."""
    many = many or f"{one}s"
    return f"{number or 'no'} {one if number == 1 else many}"


def listed(words: Iterable[str], most: int = 3) -> str:
    """As 'a, b and c', or 'a, b and 4 more'."""
    words = list(words)
    if len(words) > most:
        words = [*words[: most - 1], f"{len(words) - most + 1} more"]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def date_text(time_ms: int, zone: tzinfo, *, year_of: int | None = None) -> str:
    """As '7 Oct', with the year where it is not ``year_of``'s."""
    local = datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone)
    text = f"{local.day} {_MONTHS[local.month - 1]}"
    return text if local.year == year_of else f"{text} {local.year}"


def hours_text(hours: float | None) -> str:
    """A length of time as people say it: '25 min', '7.5 h', '3.2 days'."""
    if hours is None:
        return "–"
    if hours < 1.0:
        return f"{60.0 * hours:.0f} min"
    if hours < 48.0:
        return f"{hours:.0f} h" if hours >= 10.0 else f"{hours:.1f} h"
    return f"{hours / 24.0:.0f} days" if hours >= 240.0 else f"{hours / 24.0:.1f} days"


def share_text(share: float) -> str:
    """As '97 %'; never 100 % where something is missing, nor 0 % where something is there."""
    pct = 100.0 * share
    if 99.5 <= pct < 100.0:
        return "99 %"
    if 0.0 < pct < 0.5:
        return "under 1 %"
    return f"{pct:.0f} %"


def prose(text: str, system: DisplaySystem, limit: int = 400) -> str:
    """A sentence of the rules as this site reads it."""
    return with_us_units(clean(text, limit)) if system == "us" else clean(text, limit)
