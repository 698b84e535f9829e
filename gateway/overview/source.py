"""What views are made of: records, telemetry, configuration, and how the gateway is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, tzinfo
from functools import cached_property
from pathlib import Path
from typing import Any

from gateway.config.configuration import Configuration
from gateway.data_directory import STATUS_FILE
from gateway.records.records import Records
from gateway.status import read_status
from gateway.telemetry.base import TelemetryStore
from gateway.tickets.document import clean
from rules.equipment import Site, Unit
from rules.faults.base import Fault
from rules.faults.registry import FAULT_INDEX, FAULTS, unit_concerned
from rules.own_rules.catalogue import own_fault
from rules.settings import fleet_setting

__all__ = ["GatewayNow", "Names", "Source", "gateway_now"]

STALE_AFTER_MS = 60_000
"""The gateway says every few seconds how it is: silent for so long, it does not run."""


class Names:
    """Names and texts of sites, units and faults; what is not known goes by its id."""

    def __init__(self, configuration: Configuration) -> None:
        """Know this configuration's sites and own rules."""
        self.sites: Mapping[str, Site] = {site.id: site for site in configuration.sites}
        self.units: Mapping[tuple[str, str], Unit] = {
            (site.id, unit.id): unit for site in configuration.sites for unit in site.units
        }
        self._site_names = {one: clean(site.name, 80) for one, site in self.sites.items()}
        self._unit_names = {key: clean(unit.name, 60) for key, unit in self.units.items()}
        self.search_text: Mapping[str, str] = {
            one: " ".join(
                (self._site_names[one], one, site.address, site.team,
                 *(f"{self._unit_names[one, u.id]} {u.id}" for u in site.units))
            ).casefold()
            for one, site in self.sites.items()
        }  # fmt: skip
        """What a search for a site looks into."""
        self._rules = configuration.rules
        self._settings = configuration.settings
        self._own: dict[tuple[str, str, str], Fault | None] = {}

    def site(self, site_id: str) -> str:
        """The site's name."""
        return self._site_names.get(site_id) or clean(site_id, 80)

    def unit(self, site_id: str, unit_id: str) -> str:
        """The unit's name; '' for what concerns a whole site."""
        return self._unit_names.get((site_id, unit_id)) or clean(unit_id, 60)

    def unit_concerned(self, site_id: str, unit_id: str, slug: str) -> str:
        """The name of the unit that an alarm is about; '' where it is about the whole site."""
        return self.unit(site_id, unit_concerned(slug, unit_id))

    def zone(self, site_id: str) -> tzinfo:
        """The site's time zone; UTC where it is not known."""
        site = self.sites.get(site_id)
        return site.zone if site else UTC

    def has(self, site_id: str, unit_id: str = "") -> bool:
        """Whether the unit, or without one the site, is in the fleet's files: it has a page."""
        return (site_id, unit_id) in self.units if unit_id else site_id in self.sites

    def longest_shelf_ms(self, site_id: str, unit_id: str) -> int:
        """For how long an alarm of the unit can be shelved, as the rules end a shelf."""
        site, unit = self.sites.get(site_id), self.units.get((site_id, unit_id))
        of_site, of_unit = site.settings if site else {}, unit.settings if unit else {}
        return int(fleet_setting("longest_shelf_s", self._settings, of_site, of_unit) * 1000.0)

    def fault(self, site_id: str, unit_id: str, slug: str) -> Fault | None:
        """The fault's entry in the catalogue or among own rules; None where there is none."""
        column = FAULT_INDEX.get(slug)
        if column is not None:
            return FAULTS[column]
        key = (site_id, unit_id, slug)
        if key not in self._own:
            site, unit = self.sites.get(site_id), self.units.get((site_id, unit_id))
            found = own_fault(self._rules, site, unit, slug) if site and unit else None
            self._own[key] = found
        return self._own[key]

    def fault_title(self, site_id: str, unit_id: str, slug: str) -> str:
        """The fault's title; in its words where nobody knows it any more."""
        fault = self.fault(site_id, unit_id, slug)
        return clean(fault.title, 100) if fault else clean(slug.replace("-", " ").capitalize(), 100)


@dataclass(frozen=True)
class Source:
    """Where views come from. ``data_dir`` holds the file in which the gateway says how it is."""

    records: Records
    store: TelemetryStore
    configuration: Configuration
    data_dir: Path

    @cached_property
    def names(self) -> Names:
        """Names of the configuration's sites and units."""
        return Names(self.configuration)


@dataclass(frozen=True)
class GatewayNow:
    """Whether the gateway is at work, and what troubles it.

    ``written_ms`` is when it last said so, None where it never did. ``is_silent`` tells that what a
    page shows may be old. ``troubles`` are sentences with what to do.
    """

    written_ms: int | None
    is_silent: bool
    troubles: tuple[str, ...]
    behind_s: float = 0.0

    @property
    def is_well(self) -> bool:
        """Nothing is to be said."""
        return not (self.is_silent or self.troubles)


def gateway_now(source: Source, now_ms: int) -> GatewayNow:
    """How the gateway is, by the file that it writes every few seconds."""
    status: dict[str, Any] | None = read_status(source.data_dir / STATUS_FILE)
    written = status.get("now_ms") if status else None
    if status is None or not isinstance(written, int):
        return GatewayNow(None, True, ())
    troubles = status.get("troubles")
    texts = troubles if isinstance(troubles, list) else []
    rules = status.get("rules")
    behind = rules.get("lag_s") if isinstance(rules, dict) else 0.0
    return GatewayNow(
        written,
        now_ms - written > STALE_AFTER_MS,
        tuple(clean(str(text), 300) for text in texts[:10]),
        float(behind) if isinstance(behind, int | float) else 0.0,
    )
