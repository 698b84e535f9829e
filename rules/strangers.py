"""Unit ids that were heard and that no site file knows, by site: a short list, kept in bounds."""

from __future__ import annotations

import json
from collections.abc import Container, Mapping
from dataclasses import dataclass, field
from typing import Final, Self

__all__ = ["MAX_NAMED", "Stranger", "Strangers"]

MAX_NAMED: Final = 20
"""Ids named for each site; the topic is chosen by whoever publishes, so there must be an end."""


@dataclass
class Stranger:
    """An id: when it was first and last heard (receiver's time, ms since 1970), how often."""

    first_ms: int
    last_ms: int
    count: int


@dataclass
class Strangers:
    """Unknown ids by site and id. Where a site has too many, the longest unheard gives way."""

    by_site: dict[str, dict[str, Stranger]] = field(default_factory=dict)

    def note(self, site: str, unit: str, received_ms: int) -> None:
        """A message of an unknown unit of a known site came."""
        known = self.by_site.setdefault(site, {})
        found = known.get(unit)
        if found is None:
            if len(known) >= MAX_NAMED:
                del known[min(known, key=lambda u: (known[u].last_ms, u))]
            known[unit] = Stranger(received_ms, received_ms, 1)
            return
        found.first_ms = min(found.first_ms, received_ms)
        found.last_ms = max(found.last_ms, received_ms)
        found.count += 1

    def of(self, site: str) -> Mapping[str, Stranger]:
        """The unknown ids of a site."""
        return self.by_site.get(site, {})

    def forget_before(self, time_ms: int) -> None:
        """Drop what was last heard before."""
        for site, known in list(self.by_site.items()):
            kept = {u: s for u, s in known.items() if s.last_ms >= time_ms}
            if kept:
                self.by_site[site] = kept
            else:
                del self.by_site[site]

    def forget_known(self, units: Container[tuple[str, str]], sites: Container[str]) -> None:
        """Drop what the site files know by now, and sites that they do not know any more."""
        for site, known in list(self.by_site.items()):
            kept = {u: s for u, s in known.items() if (site, u) not in units}
            if kept and site in sites:
                self.by_site[site] = kept
            else:
                del self.by_site[site]

    def to_bytes(self) -> bytes:
        """As JSON."""
        data = {
            site: {u: [s.first_ms, s.last_ms, s.count] for u, s in known.items()}
            for site, known in self.by_site.items()
        }
        return json.dumps(data).encode()

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Back from :meth:`to_bytes`."""
        read = json.loads(data)
        return cls({s: {u: Stranger(*t) for u, t in known.items()} for s, known in read.items()})
