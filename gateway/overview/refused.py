"""What arrived and was not taken, and who sends under names that no site file has."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from pydantic import BaseModel

from gateway.batch import Reason
from gateway.overview.source import Source
from gateway.records.rows import QuarantineRow
from rules.equipment import ID_PATTERN, Site, Unit

__all__ = ["RefusedView", "Unregistered", "lines_for", "refused_view"]

_SKIPPED: Final = {"signals", "settings", "rules", "units", "contacts", "isolation"}
_ISOLATION: Final = (
    "[[units.isolation]]",
    'label = ""  # as it is marked on the device',
    'energy = "electrical"',
    'isolates = ""',
    'location = ""',
    'method = ""  # how to isolate and lock it',
    'verify = ""  # how to prove that it is isolated',
)
_CONTACT: Final = ("[[contacts]]", 'name = ""', 'role = ""')


@dataclass(frozen=True)
class Unregistered:
    """A unit that is heard and that no site file knows. Times are UTC, ms since 1970.

    ``knows_site`` tells whether there is a file for its site. ``lines`` are what the file needs,
    with the figures left to be filled in from the nameplate; '' where the name is no possible id.
    """

    site: str
    unit: str
    topic: str
    count: int
    first_ms: int
    last_ms: int
    knows_site: bool
    lines: str


@dataclass(frozen=True)
class RefusedView:
    """Refusals of the last days, newest first; ``is_cut`` where there are more."""

    rows: tuple[QuarantineRow, ...]
    unregistered: tuple[Unregistered, ...]
    is_cut: bool


def refused_view(
    source: Source, now_ms: int, *, days: int = 7, site: str = "", limit: int = 300
) -> RefusedView:
    """What was refused in the last ``days`` days."""
    first = datetime.fromtimestamp(now_ms / 1000, UTC) - timedelta(days=days - 1)
    rows = source.records.quarantine(
        site=site, first_day=first.strftime("%Y-%m-%d"), limit=limit + 1
    )
    strangers: dict[tuple[str, str], list[QuarantineRow]] = {}
    for row in rows:
        if row.reason == Reason.UNREGISTERED.value and row.site and row.unit:
            strangers.setdefault((row.site, row.unit), []).append(row)
    found = [
        _unregistered(source, key, some)
        for key, some in strangers.items()
        if key not in source.names.units
    ]
    return RefusedView(
        tuple(rows[:limit]),
        tuple(sorted(found, key=lambda u: (-u.last_ms, u.site, u.unit))),
        len(rows) > limit,
    )


def _unregistered(source: Source, key: tuple[str, str], rows: list[QuarantineRow]) -> Unregistered:
    site, unit = key
    newest = max(rows, key=lambda r: r.last_ms)
    knows = site in source.names.sites
    return Unregistered(
        site, unit, newest.topic, sum(r.count for r in rows), min(r.first_ms for r in rows),
        newest.last_ms, knows, lines_for(site, unit, knows_site=knows),
    )  # fmt: skip


def lines_for(site: str, unit: str, *, knows_site: bool) -> str:
    """What to write into the site's file; '' where the ids are none that a file can have.

    No figure is guessed: each is left out for the nameplate's, and checking the file says so until
    it is filled in.
    """
    if not (ID_PATTERN.fullmatch(site) and ID_PATTERN.fullmatch(unit)):
        return ""
    lines = [] if knows_site else [*_keys(Site, {"id": site}), "", *_CONTACT, ""]
    lines += ["[[units]]", *_keys(Unit, {"id": unit, "name": unit.upper()}), ""]
    for name, field in Unit.model_fields.items():
        kind: Any = field.annotation
        if isinstance(kind, type) and issubclass(kind, BaseModel) and field.is_required():
            lines += [f"[units.{name}]", *_keys(kind, {}), ""]
    return "\n".join([*lines, *_ISOLATION]) + "\n"


def _keys(model: type[BaseModel], given: dict[str, str]) -> list[str]:
    lines = []
    for name, field in model.model_fields.items():
        kind: Any = field.annotation
        is_table = isinstance(kind, type) and issubclass(kind, BaseModel)
        if not field.is_required() or is_table or name in _SKIPPED:
            continue
        value = json.dumps(given[name]) if name in given else '""' if kind is str else ""
        about = f"  # {field.description}" if field.description else ""
        lines.append(f"{name} = {value}{about}".rstrip())
    return lines
