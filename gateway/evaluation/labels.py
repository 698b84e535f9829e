"""Reads what a person knows of a history: the faults that were there, and work on the units."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from gateway.config.files import why_unreadable
from gateway.config.report import Level, Problem
from gateway.config.sentences import nearest
from rules.evaluation.cases import Label
from rules.events import Severity

__all__ = ["NAME", "SERVICE", "read_labels", "read_service"]

NAME: Final = "faults.json"
SERVICE: Final = "out_of_service.json"
"""May be missing: when a person had taken a unit out of service to work on it."""

_MAX_BYTES: Final = 64 * 1024 * 1024
_REQUIRED: Final = ("site", "unit", "fault", "start", "end", "severity")
_SERVICE_REQUIRED: Final = ("site", "unit", "start", "end")
_WORDS: Final = {"low": Severity.LOW, "medium": Severity.MEDIUM, "high": Severity.HIGH}
_SEVERITY_ALLOWED: Final = (
    '"low", "medium" or "high"; 1, 2 or 3; or in a file whose numbers are shares, 0 to 1 '
    "(below 1/3 low, below 2/3 medium, else high)"
)
_TIME_ALLOWED: Final = "ISO 8601 text, UTC unless it names an offset, such as 2026-03-01T12:00:00Z"


def read_labels(
    path: Path, units: Mapping[str, Collection[str]] | None, catalogue: Sequence[str]
) -> tuple[list[Label], list[Problem]]:
    """The labelled faults of a file, and its problems; no labels if one of them is an error.

    ``units`` are those of the site files, by site (None: not known, so not checked); ``catalogue``
    holds the slugs that are known. A fault that is not among them is a warning: it counts, and
    cannot be named by any alarm.
    """
    data, problems = _list(path, NAME)
    if problems:
        return [], problems
    shares = _are_shares(data)
    labels: list[Label] = []
    for number, entry in enumerate(data, start=1):
        reader = _Entry(NAME, number, entry, units, catalogue, shares=shares)
        label = reader.label()
        problems += reader.problems
        if label is not None:
            labels.append(label)
    if any(p.level is Level.ERROR for p in problems):
        return [], problems
    return labels, problems


def read_service(
    path: Path, units: Mapping[str, Collection[str]] | None
) -> tuple[list[tuple[str, str, int, int | None]], list[Problem]]:
    """Site, unit, start and end of each time out of service, and what is wrong with the file."""
    if not path.exists():
        return [], []
    data, problems = _list(path, SERVICE)
    found = []
    for number, entry in enumerate(data, start=1):
        reader = _Entry(SERVICE, number, entry, units, (), shares=False)
        span = reader.service()
        problems += reader.problems
        if span is not None:
            found.append(span)
    return found, problems


def _list(path: Path, name: str) -> tuple[list[Any], list[Problem]]:
    """What the file holds; nothing, and a problem, if that is no list."""
    try:
        with path.open("rb") as stream:
            raw = stream.read(_MAX_BYTES + 1)
    except OSError as error:
        what = f"the file cannot be read: {why_unreadable(error)}."
        return [], [Problem(name, "", what, todo="Write [] if nothing was wrong.")]
    if len(raw) > _MAX_BYTES:
        return [], [Problem(name, "", "the file is larger than 64 MiB, so it was not read.")]
    return _parsed(raw, name)


def _parsed(raw: bytes, name: str) -> tuple[list[Any], list[Problem]]:
    todo, line = "", None
    try:
        data = json.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError:
        what, todo = "the file is not text in UTF-8.", "Save it as UTF-8."
    except json.JSONDecodeError as error:
        what, line = (
            f"the file is not JSON: {error.msg.lower()}, column {error.colno}.",
            error.lineno,
        )
    except (RecursionError, ValueError):
        what = "the file is not usable JSON: nested too deep, or a number is too long."
    else:
        if isinstance(data, list):
            return data, []
        what = f"the file must hold a list, not {_kind(data)}."
        todo = 'Write [{"site": ..., "unit": ..., "start": ..., ...}, ...].'
    return [], [Problem(name, "", what, todo=todo, line=line)]


def _are_shares(data: Sequence[Any]) -> bool:
    """Whether the file's severities are shares of the worst, as some number says by being one."""
    numbers = [
        entry["severity"]
        for entry in data
        if isinstance(entry, dict) and _is_number(entry.get("severity"))
    ]
    return any(isinstance(n, float) or n == 0 for n in numbers) and all(n <= 1 for n in numbers)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _kind(value: object) -> str:
    names = {dict: "an object", list: "a list", str: "text", bool: "true or false"}
    return "null" if value is None else names.get(type(value), "a number")


@dataclass
class _Entry:
    """One entry of a list, and what is wrong with it."""

    name: str
    number: int
    entry: Any
    units: Mapping[str, Collection[str]] | None
    catalogue: Sequence[str]
    shares: bool

    def __post_init__(self) -> None:
        self.problems: list[Problem] = []

    def _note(
        self, key: str, what: str, given: Any = None, allowed: str = "", todo: str = "",
        level: Level = Level.ERROR,
    ) -> None:  # fmt: skip
        shown = "" if given is None else json.dumps(given, ensure_ascii=False)[:80]
        place = f"entry {self.number}" + (f": {key}" if key else "")
        self.problems.append(Problem(self.name, place, what, shown, allowed, todo, level=level))

    def label(self) -> Label | None:
        """The fault; None if something is wrong with it."""
        if not self._has(_REQUIRED):
            return None
        fault = self._fault()
        site, unit = self._place(fault)
        start_ms, end_ms = self._span()
        severity = self._severity()
        onsets = dict(self._onsets())
        accepts = frozenset(self._accepts())
        follows = self._follows()
        flow_ms = None
        if self.entry.get("flow_below_65") is not None:
            flow_ms = self._time("flow_below_65", self.entry["flow_below_65"])
        if any(p.level is Level.ERROR for p in self.problems):
            return None
        if start_ms is None or severity is None:
            return None
        return Label(
            self.number, site, unit, fault, start_ms, end_ms, severity, onsets, flow_ms, accepts,
            follows,
        )  # fmt: skip

    def service(self) -> tuple[str, str, int, int | None] | None:
        """The time out of service; None if something is wrong with it."""
        if not self._has(_SERVICE_REQUIRED):
            return None
        site, unit = self._place("")
        start_ms, end_ms = self._span()
        if not unit and not self.problems:
            self._note("unit", "is empty: a unit is taken out of service, not a site.")
        return None if self.problems or start_ms is None else (site, unit, start_ms, end_ms)

    def _has(self, keys: Sequence[str]) -> bool:
        if not isinstance(self.entry, dict):
            self._note("", f"must be an object, not {_kind(self.entry)}.")
            return False
        for key in keys:
            if key not in self.entry:
                allowed = 'null or "" for the whole site' if key == "unit" else ""
                allowed = "null if it lasts beyond the data" if key == "end" else allowed
                self._note(key, "is missing.", allowed=allowed)
        return not self.problems

    def _span(self) -> tuple[int | None, int | None]:
        start_ms = self._time("start", self.entry["start"])
        end_ms = None if self.entry["end"] is None else self._time("end", self.entry["end"])
        if start_ms is not None and end_ms is not None and end_ms <= start_ms:
            self._note("end", "is not after its start.", self.entry["end"])
        return start_ms, end_ms

    def _fault(self) -> str:
        given = self.entry["fault"]
        if not isinstance(given, str) or not given.strip():
            self._note("fault", f"must be the name of a fault, not {_kind(given)}.", given)
            return ""
        slug = "-".join(given.strip().lower().replace("_", " ").replace("-", " ").split())
        if slug not in self.catalogue:
            guess = nearest(slug, self.catalogue)
            self._note(
                "fault", "is not a fault of the catalogue, so no alarm can name it; it counts.",
                given, todo=f"Did you mean '{guess}'?" if guess else "See `basinward rules`.",
                level=Level.WARNING,
            )  # fmt: skip
        return slug

    def _place(self, fault: str) -> tuple[str, str]:
        site, unit = self.entry["site"], self.entry["unit"]
        unit = "" if unit is None else unit
        if not isinstance(site, str) or not isinstance(unit, str):
            key = "unit" if isinstance(site, str) else "site"
            self._note(key, "must be text.", self.entry[key])
            return "", ""
        site, unit = site.strip(), unit.strip()
        if self.units is None:
            return site, unit
        if site not in self.units:
            guess = nearest(site, self.units)
            self._note(
                "site", "has no file in sites/.", site, ", ".join(sorted(self.units)),
                f"Did you mean '{guess}'?" if guess else "",
            )  # fmt: skip
        elif unit and unit not in self.units[site] and fault != "unit-unregistered":
            self._note(
                "unit", f"is not in the file of site '{site}'.", unit,
                ", ".join(self.units[site]) + ', or "" for the whole site',
            )  # fmt: skip
        return site, unit

    def _time(self, key: str, value: Any) -> int | None:
        if isinstance(value, str):
            try:
                moment = datetime.fromisoformat(value.strip())
                if moment.tzinfo is None:
                    moment = moment.replace(tzinfo=UTC)
                return round(moment.timestamp() * 1000)
            except (ValueError, OverflowError):
                pass
        self._note(key, "is not a time.", value, _TIME_ALLOWED)
        return None

    def _severity(self) -> Severity | None:
        value = self.entry["severity"]
        if isinstance(value, str) and value.strip().lower() in _WORDS:
            return _WORDS[value.strip().lower()]
        if _is_number(value):
            if self.shares and 0 <= value <= 1:
                return Severity(1 + (value * 3 >= 1) + (value * 3 >= 2))
            if not self.shares and value in (1, 2, 3):
                return Severity(int(value))
        self._note("severity", "is not a severity.", value, _SEVERITY_ALLOWED)
        return None

    def _accepts(self) -> Iterator[str]:
        given = self.entry.get("accepts", [])
        if not isinstance(given, list) or not all(isinstance(name, str) for name in given):
            self._note("accepts", "must be a list of faults.", given)
            return
        for name in given:
            yield name.strip().lower().replace("_", "-")

    def _follows(self) -> str:
        given = self.entry.get("follows")
        if given is None:
            return ""
        if not isinstance(given, str):
            self._note("follows", f"must be the name of a fault, not {_kind(given)}.", given)
            return ""
        return given.strip().lower().replace("_", "-")

    def _onsets(self) -> Iterator[tuple[Severity, int]]:
        given = self.entry.get("onsets")
        if given is None:
            return
        if not isinstance(given, dict):
            self._note("onsets", f"must be an object, not {_kind(given)}.")
            return
        for word, value in given.items():
            grade = _WORDS.get(word.strip().lower())
            if grade is None:
                self._note("onsets", f"has no '{word}'.", allowed="low, medium, high")
            elif value is not None:
                time_ms = self._time(f"onsets.{word}", value)
                if time_ms is not None:
                    yield grade, time_ms
