"""Checks that span keys or files: ids, teams, settings, units on the wire, isolation points.

They run on the data as read, not on the models, so that a fault in one key never hides another.
Shapes that the models refuse anyway are passed over here.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, Final

from gateway.config.claims import check_claims
from gateway.config.files import Document
from gateway.config.positions import Path
from gateway.config.report import Level, Problem
from gateway.config.secrets import is_secret_key
from gateway.config.sentences import nearest, problem_at, show
from rules.equipment import ID_PATTERN
from rules.faults.base import Setting

__all__ = [
    "Catalogue",
    "check_isolation",
    "check_settings",
    "check_sparkplug_devices",
    "check_teams",
    "check_unit_ids",
    "check_wire_units",
    "check_written_secrets",
    "duplicate_edge_nodes",
    "duplicate_sites",
    "file_name_differs",
    "setting_problems",
]

Catalogue = Mapping[str, Mapping[str, Setting]]
"""Settings by fault slug and name, with the pseudo slug ``fleet`` for those of the engine."""

_NAMES_SHOWN: Final = 12


def check_settings(document: Document, catalogue: Catalogue) -> Iterator[Problem]:
    """Overrides of unknown faults or settings, of the wrong type, or out of range."""
    data = document.data or {}
    yield from setting_problems(document, ("settings",), data.get("settings"), catalogue)
    for index, unit in _tables(data.get("units")):
        path = ("units", index, "settings")
        yield from setting_problems(document, path, unit.get("settings"), catalogue)


def setting_problems(
    document: Document, path: Path, table: Any, catalogue: Catalogue
) -> Iterator[Problem]:
    """The problems of one ``settings`` table."""
    if table is None:
        return
    if not isinstance(table, Mapping):
        yield problem_at(
            document, path, "must be a table of tables.", allowed="[settings.<fault>] headers",
            todo="Write [settings.conductivity-high] and below it name = number.",
        )  # fmt: skip
        return
    for slug, settings in table.items():
        known = catalogue.get(slug)
        if known is None:
            yield _unknown_fault(document, (*path, slug), slug, settings, catalogue)
        elif not isinstance(settings, Mapping):
            yield problem_at(
                document, (*path, slug), "must be a table.", allowed=f"a [settings.{slug}] header",
                todo="Write name = number below the header.",
            )  # fmt: skip
        else:
            for name, value in settings.items():
                yield from _setting(document, (*path, slug, name), value, known, slug)


def _unknown_fault(
    document: Document, path: Path, slug: str, settings: Any, catalogue: Catalogue
) -> Problem:
    guess = nearest(slug, catalogue)
    todo = f"Did you mean '{guess}'?" if guess else "Use one of the faults of `basinward rules`."
    homes = [s for s, known in catalogue.items() if slug in known]
    if homes and not isinstance(settings, Mapping):
        todo = f"A setting stands under its fault: move it below [settings.{homes[0]}]."
    return problem_at(
        document, path, f"there is no fault called '{slug}'.", given="",
        allowed=_names(catalogue), todo=todo,
    )  # fmt: skip


def _setting(
    document: Document, path: Path, value: Any, known: Mapping[str, Setting], slug: str
) -> Iterator[Problem]:
    name = str(path[-1])
    setting = known.get(name)
    if setting is None:
        guess = nearest(name, known)
        todo = f"Did you mean '{guess}'?" if guess else f"See `basinward rules {slug}`."
        allowed = _names(known) or "nothing: this fault has no settings"
        what = f"'{slug}' has no setting called '{name}'."
        yield problem_at(document, path, what, allowed=allowed, todo=todo)
        return
    allowed = f"{show(setting.low)} to {show(setting.high)} {setting.unit}".strip()
    meaning = f"It means: {setting.meaning.rstrip('.')}. "
    default = f"The default is {show(setting.default)} {setting.unit}".strip() + "."
    if isinstance(value, bool) or not isinstance(value, int | float):
        yield problem_at(
            document, path, "must be a number, without quotes.", allowed=allowed,
            todo=meaning + default,
        )  # fmt: skip
    elif not setting.low <= value <= setting.high:  # nan and inf end here too
        if isinstance(value, float) and math.isnan(value):
            what = "not a number is not a figure."
        else:
            side, limit = ("below", setting.low) if value < setting.low else ("above", setting.high)
            what = f"is {side} the limit, {show(limit)} {setting.unit}".strip() + "."
        yield problem_at(document, path, what, allowed=allowed, todo=meaning + default)


def check_wire_units(
    document: Document, accepted: Mapping[str, Collection[str]]
) -> Iterator[Problem]:
    """Signal mappings whose unit the decoder does not accept for that signal."""
    for index, unit in _tables((document.data or {}).get("units")):
        signals = unit.get("signals")
        if not isinstance(signals, Mapping):
            continue
        for name, mapping in signals.items():
            if not isinstance(mapping, Mapping) or not isinstance(mapping.get("unit"), str):
                continue
            symbol = mapping["unit"].strip()
            signal = mapping.get("signal")
            fitting = accepted.get(signal.strip()) if isinstance(signal, str) else None
            known = fitting if fitting is not None else sorted(set().union(*accepted.values()))
            if symbol in known:
                continue
            what = "is not a unit that the decoder knows."
            if fitting is not None:
                what = f"is not a unit that the decoder can convert to {signal}."
            guess = nearest(symbol, known)
            yield problem_at(
                document, ("units", index, "signals", name, "unit"), what,
                allowed=_names(known, 60),
                todo=f"Did you mean '{guess}'?" if guess else "Choose one of those.",
            )  # fmt: skip


def check_unit_ids(document: Document) -> Iterator[Problem]:
    """Unit ids that a site uses twice."""
    first: dict[str, int] = {}
    for index, unit in _tables((document.data or {}).get("units")):
        unit_id = unit.get("id")
        if not isinstance(unit_id, str):
            continue
        unit_id = unit_id.strip()
        if unit_id in first:
            earlier = document.line(("units", first[unit_id], "id"))
            yield problem_at(
                document, ("units", index, "id"),
                f"the id is already used by units[{first[unit_id]}]"
                + (f", line {earlier}." if earlier else "."),
                todo="Give each unit of a site an id of its own.",
            )  # fmt: skip
        first.setdefault(unit_id, index)


def check_isolation(document: Document) -> Iterator[Problem]:
    """Units without isolation points, or with none for the electrical supply; false claims."""
    for index, unit in _tables((document.data or {}).get("units")):
        points = unit.get("isolation")
        for number, point in _tables(points):
            for key in ("isolates", "location", "method", "verify"):
                path = ("units", index, "isolation", number, key)
                yield from check_claims(document, path, point.get(key))
        if points is not None and not isinstance(points, list):
            continue  # the model says that it must be an array
        energies = [p.get("energy") for _, p in _tables(points)]
        todo = (
            "Add [[units.isolation]] with label, energy = 'electrical', isolates, location, "
            "method and verify: every ticket tells where the machine is locked off."
        )
        if not points:
            yield problem_at(
                document, ("units", index, "isolation"), "the unit has no isolation point.",
                given="", todo=todo,
            )  # fmt: skip
        elif all(isinstance(e, str) for e in energies) and "electrical" not in energies:
            yield problem_at(
                document, ("units", index, "isolation"),
                "the unit has no isolation point with energy = 'electrical'.",
                given=", ".join(show(e) for e in energies), todo=todo,
            )  # fmt: skip


def check_teams(document: Document, teams: Collection[str]) -> Iterator[Problem]:
    """A site's team that oncall.toml does not have."""
    team = (document.data or {}).get("team")
    if isinstance(team, str) and ID_PATTERN.fullmatch(team.strip()) and team.strip() not in teams:
        guess = nearest(team, teams)
        yield problem_at(
            document, ("team",), "oncall.toml has no such team, so nobody would get the tickets.",
            allowed=_names(sorted(teams)),
            todo=f"Did you mean '{guess}'?" if guess else f"Add [teams.{team}] to oncall.toml.",
        )  # fmt: skip


def check_written_secrets(
    document: Document, found: Sequence[tuple[Path, str]]
) -> Iterator[Problem]:
    """Secrets written in the file itself."""
    for path, todo in found:
        what = (
            "a secret must not be written in this file."
            if is_secret_key(path[-1])
            else "an address with a name or password in it must not be written in this file."
        )
        yield problem_at(document, path, what, given="(hidden)", todo=todo)


def duplicate_sites(documents: Sequence[Document]) -> Iterator[Problem]:
    """Site ids that two files use."""
    first: dict[str, Document] = {}
    for document in documents:
        site_id = (document.data or {}).get("id")
        if not isinstance(site_id, str):
            continue
        site_id = site_id.strip()
        if site_id in first:
            yield problem_at(
                document, ("id",), f"the site id is already used by {first[site_id].name}.",
                todo="Give each site an id of its own; it is part of the MQTT topic.",
            )  # fmt: skip
        first.setdefault(site_id, document)


def check_sparkplug_devices(document: Document) -> Iterator[Problem]:
    """Devices that no edge node speaks for, or that two units claim."""
    data = document.data or {}
    first: dict[str, int] = {}
    for index, unit in _tables(data.get("units")):
        device = unit.get("sparkplug_device")
        if not isinstance(device, str):
            continue
        device = device.strip()
        path = ("units", index, "sparkplug_device")
        if "sparkplug" not in data:
            yield problem_at(
                document, path, "the site has no edge node that could speak for the device.",
                todo="Add a [sparkplug] table with group and edge before the units, or take it "
                "out.",
            )  # fmt: skip
        elif device in first:
            yield problem_at(
                document, path, f"the device is already that of units[{first[device]}].",
                todo="Give each unit a device of its own; it is part of the MQTT topic.",
            )  # fmt: skip
        first.setdefault(device, index)


def duplicate_edge_nodes(documents: Sequence[Document]) -> Iterator[Problem]:
    """Sparkplug edge nodes that two sites claim."""
    first: dict[tuple[str, str], Document] = {}
    for document in documents:
        table = (document.data or {}).get("sparkplug")
        if not isinstance(table, Mapping):
            continue
        group, edge = table.get("group"), table.get("edge")
        if not isinstance(group, str) or not isinstance(edge, str):
            continue
        key = (group.strip(), edge.strip())
        if key in first:
            yield problem_at(
                document, ("sparkplug", "edge"),
                f"the edge node is already that of {first[key].name}.",
                todo="Give each site an edge node of its own: the topic decides which site it is.",
            )  # fmt: skip
        first.setdefault(key, document)


def file_name_differs(document: Document, stem: str) -> Iterator[Problem]:
    """A site file that is not called after its site."""
    site_id = (document.data or {}).get("id")
    if isinstance(site_id, str) and ID_PATTERN.fullmatch(site_id) and site_id != stem:
        yield problem_at(
            document, ("id",), f"the file is called '{stem}.toml', but its site is '{site_id}'.",
            given="", todo=f"Rename the file to {site_id}.toml, so that it is found by its id.",
            level=Level.WARNING,
        )  # fmt: skip


def _tables(value: Any) -> Iterator[tuple[int, Mapping[str, Any]]]:
    if isinstance(value, list):
        for index, item in enumerate(value):
            if isinstance(item, Mapping):
                yield index, item


def _names(names: Collection[str], shown: int = _NAMES_SHOWN) -> str:
    listed = ", ".join(list(names)[:shown])
    more = len(names) - shown
    return f"{listed} and {more} more" if more > 0 else listed
