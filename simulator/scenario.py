"""Scenario files: what happens to a fleet, when, how fast and how badly.

A scenario is a TOML file::

    [scenario]
    name = "Two bad weeks"
    season = "calendar"            # or "warm": every site at its warmest season, whatever the date

    [climates.quay-cold-store]     # all keys optional, see simulator.weather.Climate
    mean_degc = 17.0
    season_k = 6.0                 # half of summer to winter
    day_k = 5.0                    # half of day to night
    front_k = 2.5                  # spread from passing fronts
    dew_depression_k = 9.0         # air-mass temperature over dew point
    hottest_day = 205              # day of the year

    [[instruments]]                # later entries win
    units = ["*"]                  # "site/unit", "site/*", "*/unit" or "*"
    signals = ["basin_level", "conductivity"]      # what those units measure and publish

    [[controls]]
    units = ["quay-cold-store/*"]
    wet_on_degc = 22.0
    night_drain = true             # drained after an hour and a half without wet mode
    idle_drain = "36h"             # drained after so long without wet mode
    frost_drain = true             # drained when the air is below 3 °C, until wet mode is due again
    bleed = "conductivity"         # or "with-pump", "timed"

    [[faults]]
    unit = "quay-cold-store/ac-2"  # or site = "quay-cold-store"
    kind = "pump-screen-clogging"  # simulator.faults.KINDS
    start = "-10d"                 # before now; "+90s" after the start of live running; or a date
    ramp = "10d"                   # time to full severity, 0 if left out
    severity = 0.6                 # 0 to 1, 1 if left out; what 1 means is in the catalogue
    end = "-1d"                    # left out: never ends
    fans = [2]                     # fan faults only, counted from 1
    signal = "basin_level"         # sensor faults only
    value = 9999                   # out-of-range reading, clock error [s], period of flips [s]
    keeps_backlog = true           # site-cut-off only: what was measured is published afterwards

    [[events]]                     # healthy events, the same keys
    site = "quay-cold-store"
    kind = "hot-spell"
    start = "-6d"
    end = "-4d"

Relative times are numbers with s, m, h, d or w. "-" counts back from now, "+" forward from the
start of live running (for a history without a live part: from now).
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from rules.signals import INDEX
from simulator.faults import FAN_COLUMNS, KINDS, Entry
from simulator.fleet import Fleet, FleetError
from simulator.weather import CLIMATE_KEYS, Climate

__all__ = ["BASIC_SIGNALS", "Control", "Nature", "Scenario", "parse_span_s", "read_scenario"]

BASIC_SIGNALS: Final = (
    "basin_level", "conductivity", "pump_current", "head_pressure",
    "fan_speed", "fan_run", "fan_fault", "pump_command", "wet_mode",
)  # fmt: skip
"""What a unit measures where a scenario does not say."""

_SPAN: Final = re.compile(r"([+-]?)(\d+(?:\.\d+)?)([smhdw])")
_SECONDS: Final = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86_400.0, "w": 604_800.0}
_ENTRY_KEYS: Final = frozenset(
    ("unit", "site", "kind", "start", "ramp", "severity", "end", "fans", "signal", "value",
     "keeps_backlog", "note")
)  # fmt: skip
_BLEEDS: Final = {"with-pump": 0, "timed": 1, "conductivity": 2}


@dataclass(frozen=True)
class Control:
    """A unit's control settings; None leaves the choice to the simulator, by the seed."""

    wet_on_degc: float | None = None
    night_drain: bool = False
    bleed: int | None = None
    idle_drain_s: float | None = None
    frost_drain: bool = False


@dataclass(frozen=True)
class Nature:
    """What no nameplate tells and all units share; other figures make another plant.

    ``noise`` multiplies every instrument's noise. ``shut_off_rise`` is the pumps' head at zero flow
    above duty head, ``static_share`` the static lift over rated pressure, ``air_exponent`` how the
    coil's NTU falls with airflow (0.4: film coefficient as flow to the power 0.6).
    """

    noise: float = 1.0
    shut_off_rise: float = 0.28
    static_share: float = 0.22
    air_exponent: float = 0.4


@dataclass(frozen=True)
class Scenario:
    """A scenario read against a fleet; times still relative until :meth:`entries` is asked."""

    name: str
    climates: tuple[Climate, ...]
    signals: tuple[frozenset[str], ...]
    controls: tuple[Control, ...]
    raw_entries: tuple[tuple[dict[str, Any], Entry], ...]
    nature: Nature = Nature()

    def entries(self, now_s: float, live_s: float | None) -> tuple[Entry, ...]:
        """What happens, at absolute times.

        ``now_s`` is what "-" counts back from and ``live_s`` what "+" counts from; while that is
        None, entries that start at a "+" time are left out, and "+" ends are never reached.
        """
        resolved = []
        for raw, entry in self.raw_entries:
            start = _moment_s(raw["start"], now_s, live_s)
            if start is None:
                continue
            end = _moment_s(raw["end"], now_s, live_s) if "end" in raw else None
            resolved.append(replace(entry, start_s=start, end_s=math.inf if end is None else end))
        return tuple(resolved)


def parse_span_s(text: str) -> float:
    """A length of time such as '90s', '36h', '21d' in seconds; ``FleetError`` if it is not one."""
    match = _SPAN.fullmatch(text.strip())
    if not match or match[1]:
        msg = f"'{text}' is not a length of time; write a number with s, m, h, d or w, e.g. '36h'"
        raise FleetError(msg)
    return float(match[2]) * _SECONDS[match[3]]


def _moment_s(value: str | datetime, now_s: float, live_s: float | None) -> float | None:
    if isinstance(value, datetime):
        return value.timestamp() if value.tzinfo else value.replace(tzinfo=UTC).timestamp()
    if value == "now":
        return now_s
    match = _SPAN.fullmatch(value)
    if match and match[1]:
        seconds = float(match[2]) * _SECONDS[match[3]]
        if match[1] == "-":
            return now_s - seconds
        return None if live_s is None else live_s + seconds
    moment = datetime.fromisoformat(value)
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _check_number(where: str, raw: Mapping[str, Any], key: str, low: float, high: float) -> float:
    value = raw[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        msg = f"{where}: {key} = {value!r} must be a number from {low:g} to {high:g}"
        raise FleetError(msg)
    return float(value)


def _entry(where: str, raw: dict[str, Any], fleet: Fleet, *, healthy: bool) -> Entry:
    unknown = set(raw) - _ENTRY_KEYS
    if unknown:
        strange, known = ", ".join(sorted(unknown)), ", ".join(sorted(_ENTRY_KEYS))
        msg = f"{where}: unknown key {strange}; known: {known}"
        raise FleetError(msg)
    kind = KINDS.get(str(raw.get("kind")))
    if kind is None or kind.healthy != healthy:
        known = ", ".join(k.name for k in KINDS.values() if k.healthy == healthy)
        msg = f"{where}: kind {raw.get('kind')!r} is unknown here; use one of {known}"
        raise FleetError(msg)
    if ("unit" in raw) == ("site" in raw):
        msg = f"{where}: name either unit = 'site/unit' or site = 'site'"
        raise FleetError(msg)
    site = str(raw.get("site", ""))
    if kind.column in ("hot_spell", "cut_off") and not site:
        msg = f"{where}: {kind.name} happens to a whole site; write site = '…' instead of unit"
        raise FleetError(msg)
    rows = fleet.matching(f"{site}/*" if site else str(raw["unit"]))
    for key in ("start", "end"):
        if key not in raw and key == "end":
            continue
        try:
            _moment_s(raw["start"] if key == "start" else raw["end"], 0.0, 0.0)
        except (KeyError, TypeError, ValueError) as error:
            msg = (
                f"{where}: {key} = {raw.get(key)!r} is not a time; write '-12d', '+90s', 'now' or "
                f"a date such as 2026-07-01T06:00:00Z"
            )
            raise FleetError(msg) from error
    fans = tuple(raw.get("fans", (1,)))
    if kind.column in FAN_COLUMNS:
        count = min(int(fleet.units[r].plate["fans"]["count"]) for r in rows)
        if not fans or not all(isinstance(f, int) and 1 <= f <= count for f in fans):
            msg = f"{where}: fans = {list(fans)} must be fan numbers from 1 to {count}"
            raise FleetError(msg)
    signal = "basin_level" if kind.name == "level-frozen" else str(raw.get("signal", ""))
    if kind.target == "sensor" and signal not in INDEX:
        msg = f"{where}: {kind.name} needs signal = one of {', '.join(INDEX)}"
        raise FleetError(msg)
    value = _check_number(where, raw, "value", -1e9, 1e9) if "value" in raw else 0.0
    if kind.column == "flips" and value <= 0:
        msg = f"{where}: mode-flips needs value = its period in seconds, above 0"
        raise FleetError(msg)
    return Entry(
        kind=kind,
        rows=tuple(rows),
        start_s=math.nan,
        ramp_s=parse_span_s(str(raw["ramp"])) if "ramp" in raw else 0.0,
        end_s=math.inf,
        severity=_check_number(where, raw, "severity", 0.0, 1.0) if "severity" in raw else 1.0,
        fans=fans,
        signal=signal,
        value=value,
        keeps_backlog=bool(raw.get("keeps_backlog", False)),
        site=site,
    )


def _climates(data: Mapping[str, Any], fleet: Fleet, season: str) -> tuple[Climate, ...]:
    table = data.get("climates", {})
    known_sites = {s.site for s in fleet.sites}
    climates = []
    for site in fleet.sites:
        given = dict(table.get(site.site, {}))
        unknown = set(given) - CLIMATE_KEYS
        if unknown:
            msg = f"climates.{site.site}: unknown key {', '.join(sorted(unknown))}"
            raise FleetError(msg)
        for key in given:
            given[key] = _check_number(f"climates.{site.site}", given, key, -60.0, 366.0)
        climate = Climate(**given)
        climates.append(replace(climate, hottest_day=None) if season == "warm" else climate)
    strangers = set(table) - known_sites
    if strangers and len(fleet.sites) > 1:
        msg = f"climates: no site {', '.join(sorted(strangers))} in the fleet"
        raise FleetError(msg)
    return tuple(climates)


def _instruments(data: Mapping[str, Any], fleet: Fleet) -> tuple[frozenset[str], ...]:
    signals = [frozenset(BASIC_SIGNALS)] * len(fleet.units)
    for i, raw in enumerate(data.get("instruments", ())):
        names = frozenset(raw.get("signals", ()))
        unknown = names - set(INDEX)
        if unknown or not names:
            msg = (
                f"instruments entry {i + 1}: signals {sorted(unknown)} are not in the catalogue; "
                f"known: {', '.join(INDEX)}"
            )
            raise FleetError(msg)
        for pattern in raw.get("units", ()):
            for row in fleet.matching(pattern):
                signals[row] = names
    return tuple(signals)


def _controls(data: Mapping[str, Any], fleet: Fleet) -> tuple[Control, ...]:
    controls = [Control()] * len(fleet.units)
    for i, raw in enumerate(data.get("controls", ())):
        where = f"controls entry {i + 1}"
        changes: dict[str, Any] = {}
        if "wet_on_degc" in raw:
            changes["wet_on_degc"] = _check_number(where, raw, "wet_on_degc", -10.0, 50.0)
        if "night_drain" in raw:
            changes["night_drain"] = bool(raw["night_drain"])
        if "idle_drain" in raw:
            changes["idle_drain_s"] = parse_span_s(str(raw["idle_drain"]))
        if "frost_drain" in raw:
            changes["frost_drain"] = bool(raw["frost_drain"])
        if "bleed" in raw:
            if raw["bleed"] not in _BLEEDS:
                msg = f"{where}: bleed = {raw['bleed']!r} must be one of {', '.join(_BLEEDS)}"
                raise FleetError(msg)
            changes["bleed"] = _BLEEDS[raw["bleed"]]
        for pattern in raw.get("units", ()):
            for row in fleet.matching(pattern):
                controls[row] = replace(controls[row], **changes)
    return tuple(controls)


def scenario_from(data: Mapping[str, Any], fleet: Fleet) -> Scenario:
    """A scenario from the data of a scenario file; ``FleetError`` says what is wrong with it."""
    head = data.get("scenario", {})
    season = head.get("season", "calendar")
    if season not in ("calendar", "warm"):
        msg = f"scenario: season = {season!r} must be 'calendar' or 'warm'"
        raise FleetError(msg)
    raw_entries = []
    for table, healthy in (("faults", False), ("events", True)):
        for i, raw in enumerate(data.get(table, ())):
            where = f"{table} entry {i + 1}"
            try:
                entry = _entry(where, raw, fleet, healthy=healthy)
            except FleetError as error:
                text = str(error)
                msg = text if text.startswith(where) else f"{where}: {text}"
                raise FleetError(msg) from error
            raw_entries.append((dict(raw), entry))
    return Scenario(
        name=str(head.get("name", "unnamed")),
        climates=_climates(data, fleet, season),
        signals=_instruments(data, fleet),
        controls=_controls(data, fleet),
        raw_entries=tuple(raw_entries),
    )


def read_scenario(source: Path | Mapping[str, Any] | None, fleet: Fleet) -> Scenario:
    """The scenario of a TOML file, of such a file's data, or (None) one without events."""
    if source is None:
        return scenario_from({}, fleet)
    if isinstance(source, Mapping):
        return scenario_from(source, fleet)
    try:
        data = tomllib.loads(source.read_text(encoding="utf-8"))
        return scenario_from(data, fleet)
    except OSError as error:
        msg = f"{source}: cannot be read ({error.strerror}); give a scenario file"
        raise FleetError(msg) from error
    except (tomllib.TOMLDecodeError, FleetError) as error:
        msg = f"{source.name}: {error}"
        raise FleetError(msg) from error
