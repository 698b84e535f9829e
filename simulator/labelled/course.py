"""What happens to which unit, and when: faults at several severities, and healthy traps.

A unit begins with six to eight healthy days and then takes, in turns of about sixteen days, a
fault, its mending and healthy days after it. A fault is only put where the weather to come and the
unit's instruments give it a chance to show; what severity it reached is judged afterwards, from the
plant's true state (:mod:`simulator.labelled.truth`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from simulator.faults import FAN_COLUMNS, KINDS, Entry
from simulator.labelled.fleet import LabelledFleet
from simulator.weather import weather

__all__ = ["DAY_S", "TEMPLATES", "Case", "Course", "Template", "plan_course"]

DAY_S: Final = 86_400.0
_TURN_DAYS: Final = 16.3
_HEALTHY_START_DAYS: Final = (6.0, 8.0)
_HEALTHY_END_DAYS: Final = 0.5

Need = Literal["any", "wet", "turns", "hot", "warm-idle", "cool-idle", "frost-idle"]
"""What a fault needs: wet running every day; both wet running and rest every day; the hottest
climate; an idle unit with warm water; weeks without wet mode; frost."""


@dataclass(frozen=True)
class Template:
    """A kind of fault as histories use it.

    ``knobs`` are severities of the plant that are aimed at low, medium and high; ``days`` how long
    each lasts; ``values`` what a reading or clock is wrong by. ``bleed`` restricts it to units with
    that control of the bleed.
    """

    kind: str
    knobs: tuple[float, float, float] = (1.0, 1.0, 1.0)
    need: Need = "any"
    days: tuple[float, float, float] = (8.0, 10.0, 11.0)
    gradual: bool = False
    sudden: bool = True
    signals: tuple[str, ...] = ()
    reading: tuple[tuple[str, float], ...] = ()
    values: tuple[float, float, float] = (0.0, 0.0, 0.0)
    bleed: tuple[int, ...] = (0, 1, 2)
    idle_hours: float = 0.0
    """The unit is switched off this long from some hours after the onset, as at a weekend."""


_HEAT: Final = ("ambient_temperature", "relative_humidity")

TEMPLATES: Final[dict[str, Template]] = {
    t.kind: t
    for t in (
        Template("float-stuck-open", (0.12, 0.3, 1.0), "turns", (3.0, 3.0, 5.0)),
        Template("float-stuck-shut", (0.76, 0.84, 1.0), "wet", (2.0, 3.0, 3.0), gradual=True),
        Template("supply-starved", (0.78, 0.86, 1.0), "wet", (2.0, 3.0, 3.0)),
        Template("leak-by", (0.22, 0.5, 0.9), "turns", (9.0, 9.0, 9.0), gradual=True),
        Template("level-frozen", need="wet", days=(2.0, 5.0, 9.0)),
        Template("pump-screen-clogging", (0.29, 0.5, 0.8), "wet", (12.0, 12.0, 12.0), gradual=True),
        Template("distribution-restricted", (0.34, 0.58, 0.9), "wet", (12.0, 12.0, 12.0),
                 gradual=True),
        Template("pump-draws-air", (0.32, 0.48, 0.7), "wet", (2.0, 4.0, 6.0), gradual=True),
        Template("pump-trip", need="wet", days=(0.15, 1.0, 3.0)),
        Template("pump-overload", (0.33, 0.45, 0.85), "wet", (9.0, 8.0, 3.0), gradual=True),
        Template("pump-locked-rotor", need="wet", days=(1.0, 2.0, 3.0)),
        Template("bleed-blocked", (0.65, 0.8, 1.0), "wet", (6.0, 8.0, 12.0), gradual=True),
        Template("bleed-set-too-high", (0.2, 0.4, 1.0), "wet", (12.0, 12.0, 12.0), bleed=(2,),
                 signals=("bleed_flow",)),
        Template("bleed-stuck-open", (0.15, 0.3, 1.0), "turns", (8.0, 9.0, 10.0)),
        Template("makeup-quality", (0.4, 0.75, 1.3), "wet", (11.0, 11.0, 11.0), gradual=True),
        Template("probe-fouled", (0.32, 0.6, 1.1), "wet", (12.0, 12.0, 12.0), gradual=True,
                 sudden=False),
        Template("probe-open", need="wet", days=(2.0, 3.0, 4.0)),
        Template("fan-fault", days=(3.0, 5.0, 8.0)),
        Template("fan-not-proven", days=(3.0, 5.0, 8.0)),
        Template("fan-runs-on", days=(4.0, 6.0, 8.0), idle_hours=40.0),
        Template("fan-slipping", need="wet", days=(9.0, 10.0, 11.0), signals=_HEAT),
        Template("coil-fouled", (0.35, 0.6, 0.95), "wet", (12.0, 12.0, 12.0), gradual=True,
                 signals=_HEAT),
        Template("non-condensables", (1.1, 1.5, 2.0), "hot", (10.0, 10.0, 10.0), signals=_HEAT),
        Template("pads-not-wetting", (0.24, 0.42, 0.75), "wet", (11.0, 11.0, 11.0), gradual=True,
                 signals=_HEAT),
        Template("pads-clogged", (0.2, 0.45, 0.9), "wet", (12.0, 12.0, 12.0), gradual=True,
                 signals=_HEAT),
        Template("warm-water-left", need="warm-idle", days=(5.0, 9.0, 13.0),
                 signals=_HEAT),
        Template("basin-left-full", need="cool-idle", days=(10.0, 18.0, 38.0), signals=_HEAT),
        Template("frost-water-left", need="frost-idle", days=(4.0, 9.0, 14.0), signals=_HEAT),
        Template("unit-stale", days=(0.06, 0.3, 1.5)),
        Template("sensor-frozen", need="wet", days=(3.0, 6.0, 9.0), reading=(
            ("ambient_temperature", 0.0), ("conductivity", 0.0), ("pump_current", 0.0),
            ("head_pressure", 0.0), ("spray_pressure", 0.0))),
        Template("sensor-out-of-range", days=(2.0, 4.0, 6.0), reading=(
            ("relative_humidity", 143.0), ("conductivity", -12.0), ("basin_level", 9999.0),
            ("head_pressure", -250.0), ("pump_current", 655.35))),
        Template("clock-wrong", days=(2.0, 3.0, 4.0), values=(300.0, -1500.0, 7200.0)),
    )
}  # fmt: skip

# Pairs that a unit can have at once without the one hiding all of the other.
_PAIRS: Final = (
    ("pump-screen-clogging", "fan-fault"),
    ("bleed-blocked", "coil-fouled"),
    ("leak-by", "fan-not-proven"),
    ("makeup-quality", "pads-clogged"),
    ("distribution-restricted", "level-frozen"),
    ("bleed-stuck-open", "fan-slipping"),
    ("pads-not-wetting", "probe-open"),
    ("coil-fouled", "pump-draws-air"),
)

_NEED_ORDER: Final[tuple[Need, ...]] = (
    "frost-idle", "cool-idle", "warm-idle", "hot", "turns", "wet", "any",
)  # fmt: skip
"""Rarest first, so that what can go anywhere does not take the places of what cannot."""

_RARE: Final = ("frost-idle", "cool-idle", "warm-idle", "hot")

# Level aimed at (0 low, 1 medium, 2 high) in the order in which places are given away: however
# small the fleet, every kind is there at medium before any is there twice.
_LEVEL_ORDER: Final = (1, 2, 0)


@dataclass(frozen=True)
class Case:
    """One planned fault: the plant's entry, its row (-1 for a whole site), and what goes with it.

    ``with_it`` are healthy events that the fault needs to show, such as a unit switched off.
    """

    entry: Entry
    row: int
    with_it: tuple[Entry, ...] = ()


@dataclass(frozen=True)
class Course:
    """All faults and all healthy traps; ``placeless`` names kinds that found no unit."""

    cases: tuple[Case, ...]
    traps: tuple[Entry, ...]
    placeless: tuple[str, ...]

    @property
    def entries(self) -> tuple[Entry, ...]:
        """What the plant and its sensors are given."""
        cases = [e for c in self.cases for e in (c.entry, *c.with_it)]
        return (*cases, *self.traps)


class _Outlook:
    """The hours of wet running and frost to come, by unit and day, from the weather alone."""

    def __init__(self, made: LabelledFleet, seed: int, start_s: float, days: int) -> None:
        hours = start_s + 3600.0 * np.arange(24 * days, dtype=np.float64)
        sites = made.fleet.sites
        spell = np.zeros((len(hours), len(sites)))
        block = weather(sites, made.scenario.climates, hours, seed, spell)
        dry = block.dry_degc[:, made.fleet.site_of_unit].reshape(days, 24, -1)
        on = np.array([c.wet_on_degc or 0.0 for c in made.scenario.controls])
        self.wet_h = (dry > on).sum(axis=1)
        self.rest_h = (dry < on - 3.0).sum(axis=1)
        self.frost_h = (dry < -0.5).sum(axis=1)

    def allows(self, need: Need, climate: str, row: int, first: int, last: int) -> bool:
        """Whether days ``first`` to ``last`` of the unit offer what a fault needs."""
        days = slice(first, max(last, first + 1))
        wet, rest = self.wet_h[days, row], self.rest_h[days, row]
        if need == "any":
            return True
        if need == "cool-idle":
            return climate == "cool" and not wet.any()
        if need == "frost-idle":
            return climate == "frost" and self.frost_h[days, row].sum() >= 6 and not wet.any()
        if need in ("hot", "warm-idle"):
            return climate == "hot"
        enough = bool((wet >= 3).mean() >= 0.7 and wet[0] >= 2)
        return enough and (need == "wet" or bool((rest >= 4).mean() >= 0.6))


class _Planner:
    def __init__(self, made: LabelledFleet, seed: int, start_s: float, days: int) -> None:
        self.made = made
        self.rng = np.random.default_rng([seed, 0xC0])
        self.start_s = start_s
        self.days = days
        self.outlook = _Outlook(made, seed, start_s, days)
        self.turns = max(1, int((days - 7.5) / _TURN_DAYS + 0.1))
        n = len(made.fleet.units)
        self.free = np.ones((n, self.turns), dtype=bool)
        self.free[list(made.unregistered)] = False
        self.free[4::5] = False  # one unit in five stays without fault
        self.begin_day = self.rng.uniform(*_HEALTHY_START_DAYS, n)

    def turn_days(self, row: int, turn: int, turns: int) -> tuple[float, float]:
        """First and last day of the turns that a fault may fill."""
        begin = self.begin_day[row] + turn * _TURN_DAYS
        end = min(begin + turns * _TURN_DAYS - 3.5, self.days - _HEALTHY_END_DAYS)
        return float(begin), float(end)

    def span(self, first_day: float, length_days: float) -> tuple[float, float]:
        """Start and end on whole hours, inside the history. [s since 1970]"""
        first = min(first_day, self.days - length_days - 0.5)
        start_s = self.start_s + float(np.floor(24.0 * first)) * 3600.0
        return start_s, start_s + length_days * DAY_S

    def _fits(self, template: Template, row: int) -> bool:
        signals = self.made.scenario.signals[row]
        bleed = self.made.scenario.controls[row].bleed
        if not set(template.signals) <= signals or bleed not in template.bleed:
            return False
        if template.need == "turns" and self.made.scenario.controls[row].night_drain:
            return False
        return not template.reading or any(name in signals for name, _ in template.reading)

    def place(self, template: Template, level: int) -> tuple[int, float, float] | None:
        """A unit's row with first and last day for the fault, now taken; None if there is none."""
        length = template.days[level]
        wanted = max(1, int(np.ceil((length + 3.5) / _TURN_DAYS)))
        wanted = min(wanted, self.turns)
        places = [(row, turn) for row in range(len(self.free)) if self._fits(template, row)
                  for turn in range(self.turns - wanted + 1)
                  if self.free[row, turn : turn + wanted].all()]  # fmt: skip
        self.rng.shuffle(places)
        # Units without wet weather are for what needs none, or the others would find no place.
        dry = ("cool", "frost")
        if template.need == "any":
            places.sort(key=lambda p: self.made.climate_of_unit[p[0]] not in dry)
        for row, turn in places:
            begin, end = self.turn_days(row, turn, wanted)
            begin += float(self.rng.uniform(0.0, min(2.0, max(end - begin - length, 0.0))))
            last = min(begin + length, end)
            climate = self.made.climate_of_unit[row]
            for later in (0.0, 1.0, 2.0, 3.0, 5.0):
                if later and last + later > end:
                    break
                first_day, last_day = int(begin + later), int(np.ceil(last + later))
                if self.outlook.allows(template.need, climate, row, first_day, last_day):
                    self.free[row, turn : turn + wanted] = False
                    return int(row), begin + later, last + later
        return None

    def case(self, template: Template, level: int, row: int, span: tuple[float, float],
             *, gradual: bool) -> Case:  # fmt: skip
        """The case of a fault on a unit between two days."""
        start_s, end_s = (self.start_s + round(288.0 * day) * 300.0 for day in span)
        kind = KINDS[template.kind]
        fans: tuple[int, ...] = ()
        if kind.column in FAN_COLUMNS:
            count = int(self.made.fleet.units[row].plate["fans"]["count"])
            share = (0.1, 0.25, 0.45)[level]
            number = int(np.clip(np.ceil(share * count), 1, max(1, count - 1)))
            first = int(self.rng.integers(1, count - number + 2))
            fans = tuple(range(first, first + number))
        signal, value = "", template.values[level]
        if kind.name == "level-frozen":
            signal = "basin_level"
        if template.reading:
            have = [r for r in template.reading if r[0] in self.made.scenario.signals[row]]
            helpful = [r for r in have if r[0] in ("ambient_temperature", "relative_humidity")]
            core = [r for r in have if r not in helpful] or have
            chosen = helpful if level == 0 and helpful else core
            signal, value = chosen[int(self.rng.integers(len(chosen)))]
        entry = Entry(
            kind=kind, rows=(row,), start_s=start_s, end_s=end_s,
            ramp_s=0.7 * (end_s - start_s) if gradual else 0.0,
            severity=template.knobs[level], fans=fans, signal=signal, value=value,
        )  # fmt: skip
        with_it: list[Entry] = []
        if template.idle_hours:
            off_s = start_s + 3600.0 * 9.0
            with_it.append(_event("week-off", (row,), off_s, off_s + 3600.0 * template.idle_hours))
        if template.need == "warm-idle":
            with_it.append(_event("week-off", (row,), start_s, end_s))
        return Case(entry, row, tuple(with_it))


def _event(kind: str, rows: Sequence[int], start_s: float, end_s: float, *, severity: float = 1.0,
           value: float = 0.0, signal: str = "", site: str = "") -> Entry:  # fmt: skip
    return Entry(
        KINDS[kind], tuple(rows), start_s, 0.0, end_s, severity, value=value, signal=signal,
        site=site,
    )  # fmt: skip


def _unit_cases(planner: _Planner) -> Iterator[Case | str]:
    """Cases on single units until no place is left; names of kinds that found none at first."""
    ordered = sorted(TEMPLATES.values(), key=lambda t: _NEED_ORDER.index(t.need))
    yield from _pair_cases(planner)
    rounds = 0
    placed = True
    while placed:
        placed = False
        rare = [(t, level) for t in ordered if t.need in _RARE for level in _LEVEL_ORDER]
        others = [(t, level) for level in _LEVEL_ORDER for t in ordered if t.need not in _RARE]
        for number, (template, level) in enumerate(rare + others):
            place = planner.place(template, level)
            if place is None:
                yield template.kind
                continue
            placed = True
            gradual = template.gradual and (not template.sudden or (number + rounds) % 2 == 0)
            yield planner.case(template, level, place[0], place[1:], gradual=gradual)
        rounds += 1


def _pair_cases(planner: _Planner) -> Iterator[Case]:
    for number, names in enumerate(_PAIRS):
        first, second = (TEMPLATES[name] for name in names)
        level = 1 + number % 2
        place = planner.place(first, level)
        if place is None:
            continue
        row, begin, end = place
        later = begin + float(planner.rng.uniform(1.5, 0.45 * (end - begin)))
        until = min(end, later + second.days[level])
        if not set(second.signals) <= planner.made.scenario.signals[row]:
            second = TEMPLATES["fan-fault"]
        yield planner.case(first, level, row, (begin, end), gradual=first.gradual)
        yield planner.case(second, level, row, (later, until), gradual=False)


def _stranger_cases(planner: _Planner) -> Iterator[Case]:
    for row in sorted(planner.made.unregistered):
        start_s = planner.start_s + 9.0 * DAY_S
        end_s = planner.start_s + min(25.0, planner.days - 1.0) * DAY_S
        yield Case(_event("unit-unregistered", (row,), start_s, end_s), row)


def _cut_off_cases(planner: _Planner) -> Iterator[Case]:
    """Three cut-offs of sites, short to long, one of which keeps its readings for afterwards."""
    sites = planner.made.fleet.sites
    of_unit = planner.made.fleet.site_of_unit
    for number, hours in enumerate((0.6, 4.0, 14.0)):
        site = (3 * number + 1) % len(sites)
        day = 8.5 + (number + 0.5) * (planner.days - 10.0) / 3.0
        start_s = planner.start_s + np.floor(24.0 * day) * 3600.0
        rows = tuple(int(r) for r in np.flatnonzero(of_unit == site))
        entry = Entry(
            KINDS["site-cut-off"], rows, start_s, 0.0, start_s + 3600.0 * hours, 1.0,
            keeps_backlog=number == 1, site=sites[site].site,
        )  # fmt: skip
        yield Case(entry, -1)


def _unit_traps(planner: _Planner, number: int, row: int) -> Iterator[Entry]:
    """The healthy events of one sound unit, of six sorts dealt in turn."""
    day = 8.0 + float(planner.rng.uniform(0.0, max(planner.days - 20.0, 1.0)))
    climate = planner.made.climate_of_unit[row]
    rows, span = (row,), planner.span
    sort = number % 6
    if sort == 0:
        yield _event("week-off", rows, *span(day, 7.0))
    elif sort == 1:
        kind = "signal-dropout" if climate in ("cool", "frost") else "mode-flips"
        yield _event(kind, rows, *span(day, 1.0), value=3000.0, signal="basin_level")
    elif sort == 2:
        for night in range(5):  # 21 h to 5 h UTC
            yield _event("drained", rows, *span(np.floor(day) + night + 0.875, 8 / 24))
    elif sort == 3:
        for pause in (0.0, 6.0):
            begin_s, end_s = span(np.floor(day + pause) + 0.3, 4 / 24)
            yield _event("technician", rows, begin_s, end_s)
            # The unit is off by its own switch before anyone isolates it, and after.
            yield _event("week-off", rows, begin_s - 900.0, end_s + 900.0)
    elif sort == 4:
        yield _event("sensor-dropout", rows, *span(day, 1.0), severity=0.2)
        yield _event("signal-dropout", rows, *span(day + 3.0, 1.0), signal="conductivity")
    elif climate != "hot":
        yield _event("dry-days", rows, *span(day, 4.0))


def _traps(planner: _Planner, sound: NDArray[np.intp]) -> Iterator[Entry]:
    """Healthy events, on the units that stay without fault and on whole sites."""
    for number, row in enumerate(sound.tolist()):
        yield from _unit_traps(planner, number, row)
    for number, site in enumerate(planner.made.fleet.sites):
        rows = tuple(int(r) for r in np.flatnonzero(planner.made.fleet.site_of_unit == number))
        day = 8.0 + float(planner.rng.uniform(0.0, max(planner.days - 14.0, 1.0)))
        if number % 3 == 0:
            times = planner.span(day, 3.0)
            yield _event("hot-spell", rows, *times, severity=0.5, site=site.site)
        elif number % 3 == 1:
            for hour in (0.0, 30.0, 80.0):
                times = planner.span(day + hour / 24, 2 / 24)
                yield _event("voltage-sag", rows, *times, severity=0.5, site=site.site)


def plan_course(made: LabelledFleet, seed: int, start_s: float, weeks: int) -> Course:
    """The course of a labelled history, the same for the same arguments."""
    planner = _Planner(made, seed, start_s, 7 * weeks)
    cases: list[Case] = [*_stranger_cases(planner), *_cut_off_cases(planner)]
    placeless: list[str] = []
    for item in _unit_cases(planner):
        if isinstance(item, Case):
            cases.append(item)
        else:
            placeless.append(item)
    touched = {c.row for c in cases if c.row >= 0}
    sound = np.array([r for r in range(len(made.fleet.units)) if r not in touched], dtype=np.intp)
    placed = {c.entry.kind.name for c in cases}
    missing = tuple(sorted({name for name in placeless if name not in placed}))
    return Course(tuple(cases), tuple(_traps(planner, sound)), missing)
