"""Reads a configuration directory and reports all that is wrong with it at once.

The directory holds ``fleet.toml``, ``oncall.toml``, ``sites/*.toml`` and perhaps ``crews.toml``. A
configuration with a fault is refused whole; nothing is guessed and nothing is half loaded. The
environment is an argument.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails, to_json

from gateway.config import checks, servers, webhooks
from gateway.config.configuration import Configuration
from gateway.config.crews import CrewsFile, check_crew_teams, visit_settings
from gateway.config.files import Document, why_unreadable
from gateway.config.models import FleetFile
from gateway.config.oncall import OnCallFile, routing_of
from gateway.config.own_rules import check_own_rules
from gateway.config.report import ConfigurationFaults, Level, Problem, has_errors, ordered
from gateway.config.secrets import find_written_secrets
from gateway.config.sentences import translate
from gateway.reports.settings import ReportSettings
from gateway.sparkplug_settings import SparkplugSettings
from rules.equipment import Overrides, OwnRule, Site
from rules.signals import SIGNALS

__all__ = ["Plant", "examine", "examine_plant", "load"]

_Model = TypeVar("_Model", bound=BaseModel)


def load(
    fleet_dir: Path,
    environ: Mapping[str, str],
    *,
    catalogue: checks.Catalogue | None = None,
    wire_units: Mapping[str, Collection[str]] | None = None,
) -> Configuration:
    """The configuration in ``fleet_dir``.

    ``catalogue`` is the table of fault settings (default: the registry's), ``wire_units`` the unit
    symbols that a mapping to a signal may name, by signal (default: the decoder's). Raises
    :class:`ConfigurationFaults` with every problem of every file, and nothing else.
    """
    configuration, problems = examine(
        fleet_dir, environ, catalogue=catalogue, wire_units=wire_units
    )
    if configuration is None:
        raise ConfigurationFaults(problems)
    return configuration


def examine(
    fleet_dir: Path,
    environ: Mapping[str, str],
    *,
    catalogue: checks.Catalogue | None = None,
    wire_units: Mapping[str, Collection[str]] | None = None,
) -> tuple[Configuration | None, tuple[Problem, ...]]:
    """Like :func:`load`, but gives all problems; the configuration is None if one is an error."""
    if catalogue is None:
        catalogue = _catalogue()
    if wire_units is None:
        wire_units = _wire_units()
    if unusable := _unusable(fleet_dir):
        return None, (Problem(str(fleet_dir), "", unusable, todo="Give the right --fleet DIR."),)

    fleet = _Checked(Document.read(fleet_dir / "fleet.toml", "fleet.toml"))
    fleet_model = fleet.validate(FleetFile)
    fleet.add(checks.check_settings(fleet.document, catalogue))
    fleet.add(check_own_rules(fleet.document))
    built = servers.build(fleet.document, fleet_model, fleet_dir, environ)
    fleet.add(built.problems)

    oncall = _Checked(Document.read(fleet_dir / "oncall.toml", "oncall.toml"))
    oncall_model = oncall.validate(OnCallFile)
    hooks, hook_problems = webhooks.build(oncall.document, oncall_model, fleet_dir, environ)
    oncall.add(hook_problems)

    crews_path = fleet_dir / "crews.toml"
    crews = _Checked(Document.read(crews_path, "crews.toml")) if crews_path.exists() else None
    crews_model = crews.validate(CrewsFile) if crews is not None else None

    paths, problems = _site_paths(fleet_dir / "sites")
    sites = [_Checked(Document.read(path, f"sites/{path.name}")) for path in paths]
    models = [site.validate(Site) for site in sites]
    teams = (oncall.document.data or {}).get("teams")
    for site, path in zip(sites, paths, strict=True):
        document = site.document
        site.add(checks.check_unit_ids(document))
        site.add(checks.check_isolation(document))
        site.add(checks.check_settings(document, catalogue))
        site.add(check_own_rules(document))
        site.add(checks.check_wire_units(document, wire_units))
        site.add(checks.check_sparkplug_devices(document))
        site.add(checks.file_name_differs(document, path.stem))
        if isinstance(teams, Mapping):
            site.add(checks.check_teams(document, teams))
    problems += checks.duplicate_sites([s.document for s in sites])
    problems += checks.duplicate_edge_nodes([s.document for s in sites])
    if crews is not None and isinstance(teams, Mapping):
        placed = {m.team for m in models if m is not None and m.visit is not None}
        # A site that cannot be read may be the one that the crew goes to.
        placed |= set(teams) if None in models else set()
        crews.add(check_crew_teams(crews.document, crews_model, teams, placed))
    for checked in (fleet, oncall, *sites, *([crews] if crews is not None else [])):
        problems += checked.all_problems()

    found = ordered(problems)
    if has_errors(found) or fleet_model is None or oncall_model is None:
        return None, found
    good_sites = tuple(model for model in models if model is not None)
    if built.broker is None or built.store is None or built.mail is None:
        return None, found
    return (
        Configuration(
            directory=fleet_dir,
            name=fleet_model.fleet.name,
            from_name=fleet_model.fleet.from_name,
            sites=good_sites,
            settings=fleet_model.settings,
            rules=fleet_model.rules,
            sparkplug=SparkplugSettings(**fleet_model.sparkplug.model_dump()),
            broker=built.broker,
            store=built.store,
            mail=built.mail,
            records=built.records,
            journal_budget_mb=fleet_model.journal.budget_mb,
            routing=routing_of(oncall_model, good_sites),
            webhooks=hooks,
            watch=servers.watch_settings(fleet_model.watch),
            life=fleet_model.tickets.settings(),
            board=built.board,
            visits=visit_settings(crews_model),
            reports=fleet_model.reports.settings() if fleet_model.reports else ReportSettings(),
            warnings=tuple(p for p in found if p.level is Level.WARNING),
        ),
        found,
    )


@dataclass(frozen=True)
class Plant:
    """The machines and the rules' settings, without servers and people."""

    sites: tuple[Site, ...]
    settings: Overrides
    rules: tuple[OwnRule, ...] = ()


def examine_plant(
    folder: Path, *, catalogue: checks.Catalogue | None = None
) -> tuple[Plant | None, tuple[Problem, ...]]:
    """Site files, and of ``fleet.toml`` (which may be missing) what the rules are set by.

    For histories that are judged away from any gateway: no server, no team needs to be there.
    """
    catalogue = catalogue if catalogue is not None else _catalogue()
    if unusable := _unusable(folder):
        return None, (Problem(str(folder), "", unusable, todo="Name the folder to read."),)
    settings: Overrides = {}
    rules: tuple[OwnRule, ...] = ()
    checked: list[_Checked] = []
    if (folder / "fleet.toml").exists():
        fleet = _Checked(Document.read(folder / "fleet.toml", "fleet.toml"))
        fleet.add(checks.check_settings(fleet.document, catalogue))
        fleet.add(check_own_rules(fleet.document))
        model = fleet.validate(_RulesPart)
        if model is not None:
            settings, rules = model.settings, model.rules
        checked.append(fleet)
    paths, problems = _site_paths(folder / "sites")
    sites = [_Checked(Document.read(path, f"sites/{path.name}")) for path in paths]
    models = [site.validate(Site) for site in sites]
    for site, path in zip(sites, paths, strict=True):
        site.add(checks.check_unit_ids(site.document))
        site.add(checks.check_sparkplug_devices(site.document))
        site.add(checks.check_isolation(site.document))
        site.add(checks.check_settings(site.document, catalogue))
        site.add(check_own_rules(site.document))
        site.add(checks.file_name_differs(site.document, path.stem))
    problems += checks.duplicate_sites([s.document for s in sites])
    for one in (*checked, *sites):
        problems += one.all_problems()
    found = ordered(problems)
    if has_errors(found):
        return None, found
    return Plant(tuple(m for m in models if m is not None), settings, rules), found


class _RulesPart(BaseModel):
    """Of ``fleet.toml``, what the rules are set by; the rest is for the gateway."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    settings: Overrides = {}
    rules: tuple[OwnRule, ...] = ()


def _catalogue() -> checks.Catalogue:
    from rules.faults.registry import SETTINGS  # noqa: PLC0415 - the rules take a while to import

    return SETTINGS


def _wire_units() -> Mapping[str, Collection[str]]:
    from gateway.wire.units import accepted  # noqa: PLC0415 - as above

    return {signal.name: accepted(signal) for signal in SIGNALS}


def _unusable(fleet_dir: Path) -> str:
    """Why the directory cannot be a configuration directory at all; empty if it can."""
    try:
        if not fleet_dir.exists():
            return "the configuration directory does not exist."
        if not fleet_dir.is_dir():
            return "this is a file, not a configuration directory."
        next(fleet_dir.iterdir(), None)
    except OSError as error:
        return f"the configuration directory cannot be read: {why_unreadable(error)}."
    return ""


def _site_paths(folder: Path) -> tuple[list[Path], list[Problem]]:
    """The site files, in order of name, and what is wrong with the folder."""
    todo = "Write one file a site: sites/<site id>.toml."
    try:
        entries = sorted(folder.iterdir())
    except OSError as error:
        why = why_unreadable(error)
        return [], [Problem("sites/", "", f"the folder cannot be read: {why}.", todo=todo)]
    visible = [e for e in entries if not e.name.startswith(".")]
    paths = [e for e in visible if e.suffix == ".toml"]
    problems = [
        Problem(
            f"sites/{e.name}", "", "the file is ignored: its name does not end in .toml.",
            todo="Rename it if it is a site; otherwise keep it elsewhere.", level=Level.WARNING,
        )
        for e in visible
        if e.suffix != ".toml"
    ]  # fmt: skip
    if not paths:
        problems.append(Problem("sites/", "", "the folder holds no site file.", todo=todo))
    return paths, problems


class _Checked:
    """A document and the problems found in it so far."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = list(document.problems)
        self._secrets = list(find_written_secrets(document.data or {}))
        self._left_to_checks: list[Problem] = []
        self.add(checks.check_written_secrets(document, self._secrets))

    def add(self, problems: Iterable[Problem]) -> None:
        self.problems += problems

    def all_problems(self) -> list[Problem]:
        """What was found; a finding of the model that the checks did not tell after all, too."""
        return self.problems if has_errors(self.problems) else self.problems + self._left_to_checks

    def validate(self, model: type[_Model]) -> _Model | None:
        """The model of the document, or None with its problems noted."""
        if self.document.data is None:
            return None
        try:
            # Strict, in JSON mode: "12" is not a number, true is not 1, a list may be a tuple.
            return model.model_validate_json(
                to_json(self.document.data, inf_nan_mode="constants"), strict=True
            )
        except ValidationError as error:
            secret = {path for path, _ in self._secrets}
            told = [e for e in error.errors(include_url=False) if e["loc"] not in secret]
            left = [e for e in told if _told_better(e)]
            here = [e for e in told if not _told_better(e)]
            self.add(translate(here, model, self.document))
            self._left_to_checks += translate(left, model, self.document)
            return None


def _told_better(error: ErrorDetails) -> bool:
    """Whether one of the checks on the data as read says the same in better words."""
    loc, kind, text = error["loc"], error["type"], error["msg"]
    if kind == "extra_forbidden":
        return False
    if kind == "value_error":
        return "appears twice" in text or "no isolation point" in text
    if loc[:1] == ("units",) and loc[-1:] == ("isolation",) and kind in {"missing", "too_short"}:
        return True
    return loc[0] == "settings" or (loc[0] == "units" and loc[2:3] == ("settings",))
