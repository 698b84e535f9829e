"""How well the alarms serve the people: the performance figures of ISA-18.2 / IEC 62682.

Worked out over the alarm journal of a period, for so many operators. An *announcement* is what asks
a person for attention: an alarm that is raised, that worsens, or that is announced again. The
figures' targets stand in :data:`TARGETS`, with what is known of their source.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any, Final, NamedTuple

from rules.alarms import ACTIVE
from rules.events import AlarmEvent, AlarmState, Change, Severity

__all__ = [
    "TARGETS",
    "AlarmFigures",
    "AlarmTally",
    "Counted",
    "Flood",
    "Frequent",
    "Limits",
    "Repeating",
    "Stale",
    "alarm_figures",
    "floods",
]

_Key = tuple[int, str]
"""One alarm: the unit's row and the fault."""

MINUTE_MS: Final = 60_000
BIN_MS: Final = 10 * MINUTE_MS
HOUR_MS: Final = 60 * MINUTE_MS
DAY_MS: Final = 24 * HOUR_MS

ANNOUNCING: Final = frozenset({Change.RAISED, Change.WORSENED, Change.ANNOUNCED_AGAIN})


@dataclass(frozen=True)
class Limits:
    """From where on a thing counts. Defaults are the standard's own figures (from memory).

    A flood starts with a ten-minute period of more than ``flood_starts_above`` announcements an
    operator and ends with one of fewer than ``flood_ends_below``. An alarm chatters that is raised
    ``chatter_count`` times within ``chatter_window_s``; it is fleeting if it returns within
    ``fleeting_s``, too soon for any response; it is stale once it stood for ``stale_s``.
    """

    flood_starts_above: int = 10
    flood_ends_below: int = 5
    busy_hour_above: int = 30
    chatter_count: int = 3
    chatter_window_s: float = 60.0
    fleeting_s: float = 60.0
    stale_s: float = 86_400.0


class Flood(NamedTuple):
    """A flood: from the start of its first ten-minute period to the start of the one that ends it
    (or the end of the time looked at), and what was announced in it."""

    start_ms: int
    end_ms: int
    announcements: int


class Frequent(NamedTuple):
    """One alarm and how often it was announced."""

    unit_row: int
    fault: str
    announcements: int


class Repeating(NamedTuple):
    """One alarm that chatters or is fleeting: how often, and when first."""

    unit_row: int
    fault: str
    times: int
    first_ms: int


class Stale(NamedTuple):
    """One alarm that stands for longer than the limit, and for how many whole days."""

    unit_row: int
    fault: str
    days: int


class Counted(NamedTuple):
    """What of an :class:`rules.events.AlarmEvent` the figures need, where there are millions."""

    unit_row: int
    fault: str
    time_ms: int
    change: Change
    state: AlarmState
    severity: Severity


class Target(NamedTuple):
    """What a figure should be, in words, and where that comes from."""

    text: str
    source: str


_STANDARD: Final = "ISA-18.2 / IEC 62682, from memory"
TARGETS: Final[Mapping[str, Target]] = {
    "per_ten_minutes": Target("about 1, at most 2", f"HSE Chemicals Sheet 6; {_STANDARD}"),
    "per_day": Target("about 144, at most 288", _STANDARD),
    "busy_hours_pct": Target("under 1 %", _STANDARD),
    "busy_periods_pct": Target("under 1 %", _STANDARD),
    "peak_ten_minutes": Target("at most 10", _STANDARD),
    "flood_time_pct": Target("under 1 %", _STANDARD),
    "top_ten_pct": Target("1 to 5 %", _STANDARD + "; of large systems with many alarms a day"),
    "chattering": Target("0", _STANDARD),
    "stale_most": Target("fewer than 5 on any day", _STANDARD),
    "priority_pct": Target("about 80 low, 15 medium, 5 high", _STANDARD),
}  # fmt: skip


@dataclass(frozen=True)
class AlarmFigures:
    """The figures of a period. Rates are for each operator; shares are in per cent, None where
    nothing was announced."""

    start_ms: int
    end_ms: int
    operators: int
    announcements: int
    raised: int
    per_day: float
    per_hour: float
    per_ten_minutes: float
    peak_ten_minutes: float
    peak_ms: int | None
    busy_periods_pct: float
    busy_hours_pct: float
    floods: tuple[Flood, ...]
    flood_time_pct: float
    chattering: tuple[Repeating, ...]
    fleeting: tuple[Repeating, ...]
    stale: tuple[Stale, ...]
    """Alarms standing at the end for longer than the limit."""
    stale_most: int
    """The most that were stale at once."""
    top_ten: tuple[Frequent, ...]
    top_ten_pct: float | None
    priority_pct: Mapping[str, float]
    acknowledged_median_s: Mapping[str, float]
    """By priority: median time from raising to acknowledgement, of those acknowledged."""
    shelved: int
    suppressed: int
    out_of_service: int

    def to_json(self) -> dict[str, Any]:
        """The figures as plain JSON data."""
        data = dict(vars(self))
        for name in ("floods", "chattering", "fleeting", "stale", "top_ten"):
            data[name] = [item._asdict() for item in data[name]]
        data["priority_pct"] = dict(self.priority_pct)
        data["acknowledged_median_s"] = dict(self.acknowledged_median_s)
        return data


def floods(counts: Sequence[float], start_ms: int, limits: Limits | None = None) -> list[Flood]:
    """The floods in ten-minute counts of one operator, beginning at ``start_ms``."""
    limits = limits or Limits()
    found: list[Flood] = []
    began: int | None = None
    inside = 0.0
    for i, count in enumerate([*counts, -1.0]):
        over = count < limits.flood_ends_below
        if began is None:
            if count > limits.flood_starts_above:
                began, inside = i, count
        elif over:
            found.append(Flood(start_ms + began * BIN_MS, start_ms + i * BIN_MS, round(inside)))
            began = None
        else:
            inside += count
    return found


def alarm_figures(
    events: Iterable[AlarmEvent],
    start_ms: int,
    end_ms: int,
    operators: int = 1,
    limits: Limits | None = None,
) -> AlarmFigures:
    """The performance figures of the events with ``start_ms <= time < end_ms``.

    Parameters
    ----------
    events
        Alarm events in order of time; earlier ones tell what already stood at the start.
    start_ms, end_ms
        The period, UTC, ms since 1970. Ten-minute periods are counted from its start.
    operators
        People who share the announcements evenly, 1 or more.
    limits
        From where on a thing counts.

    Raises
    ------
    ValueError
        For a period that is empty, or no operators.

    References
    ----------
    ANSI/ISA-18.2, IEC 62682: alarm system performance metrics (from memory). Floods: more than ten
    alarms in ten minutes, until fewer than five.
    """
    tally = AlarmTally(start_ms, end_ms, limits)
    if operators < 1:
        raise ValueError(_few(operators))
    for event in events:
        tally.add(event)
    return tally.figures(operators)


class AlarmTally:
    """Counts the events of a period one by one, in order of time, and keeps no event.

    What it holds grows with the alarms that stood for long, chattered or were raised, not with
    what is written about them. :meth:`figures` may be asked for any number of operators.
    """

    def __init__(self, start_ms: int, end_ms: int, limits: Limits | None = None) -> None:
        """Nothing is counted yet; ValueError for a period that is empty."""
        if end_ms <= start_ms:
            msg = "the period is empty: its end must lie after its start"
            raise ValueError(msg)
        self.start_ms, self.end_ms = start_ms, end_ms
        self._limits = limits or Limits()
        self._bins: Counter[int] = Counter()
        self._hours: Counter[int] = Counter()
        self._told: Counter[_Key] = Counter()
        self._raised: dict[_Key, list[int]] = defaultdict(list)
        self._by_priority: Counter[Severity] = Counter()
        self._by_change: Counter[Change] = Counter()
        self._since: dict[_Key, int] = {}
        self._long: list[tuple[int, int]] = []
        """Of alarms that stood for longer than the limit and ended: from and to."""
        self._short: dict[_Key, list[int]] = defaultdict(list)
        self._asked: dict[_Key, tuple[int, Severity]] = {}
        self._took_s: dict[str, list[float]] = defaultdict(list)

    def add(self, event: AlarmEvent | Counted) -> None:
        """Count one event; those before the period tell what stood at its start."""
        time_ms, key = event.time_ms, (event.unit_row, event.fault)
        if time_ms >= self.end_ms:
            return
        if event.state in ACTIVE:
            self._since.setdefault(key, time_ms)
        elif key in self._since:
            self._ended(key, self._since.pop(key), time_ms, event.change)
        if event.change is Change.ACKNOWLEDGED and key in self._asked:
            first_ms, severity = self._asked.pop(key)
            self._took_s[severity.name.lower()].append((time_ms - first_ms) / 1000.0)
        if time_ms < self.start_ms:
            return
        self._by_change[event.change] += 1
        if event.change in ANNOUNCING:
            self._bins[(time_ms - self.start_ms) // BIN_MS] += 1
            self._hours[(time_ms - self.start_ms) // HOUR_MS] += 1
            self._told[key] += 1
        if event.change is Change.RAISED:
            self._asked[key] = (time_ms, event.severity)
            self._raised[key].append(time_ms)
            self._by_priority[event.severity] += 1

    def _ended(self, key: _Key, begun_ms: int, time_ms: int, how: Change) -> None:
        if time_ms - begun_ms > self._stale_ms:
            self._long.append((begun_ms, time_ms))
        # What a person shelved or took out of service did not go away by itself.
        fleeting = time_ms - begun_ms <= self._limits.fleeting_s * 1000.0
        if fleeting and how is Change.RETURNED and begun_ms >= self.start_ms:
            self._short[key].append(begun_ms)

    @property
    def _stale_ms(self) -> int:
        return int(self._limits.stale_s * 1000)

    def figures(self, operators: int = 1) -> AlarmFigures:
        """The figures for so many operators; ValueError for none."""
        if operators < 1:
            raise ValueError(_few(operators))
        start_ms, end_ms, limits = self.start_ms, self.end_ms, self._limits
        length_ms = end_ms - start_ms
        n_bins, n_hours = -(-length_ms // BIN_MS), -(-length_ms // HOUR_MS)
        told, raised = self._told.total(), self._by_priority.total()
        counts = [self._bins[i] / operators for i in range(n_bins)]
        peak = max(counts)
        found = floods(counts, start_ms, limits)
        in_flood_ms = sum(min(f.end_ms, end_ms) - f.start_ms for f in found)
        frequent = self._told.most_common(10)
        return AlarmFigures(
            start_ms=start_ms,
            end_ms=end_ms,
            operators=operators,
            announcements=told,
            raised=raised,
            per_day=told / operators / (length_ms / DAY_MS),
            per_hour=told / operators / (length_ms / HOUR_MS),
            per_ten_minutes=told / operators / (length_ms / BIN_MS),
            peak_ten_minutes=peak,
            peak_ms=start_ms + counts.index(peak) * BIN_MS if told else None,
            busy_periods_pct=_pct(sum(c > limits.flood_starts_above for c in counts), n_bins),
            busy_hours_pct=_pct(
                sum(c / operators > limits.busy_hour_above for c in self._hours.values()), n_hours
            ),
            floods=tuple(found),
            flood_time_pct=_pct(in_flood_ms, length_ms),
            chattering=_repeating(self._raised, self._bursts),
            fleeting=_repeating(self._short, min),
            stale=tuple(
                Stale(row, fault, (end_ms - since) // DAY_MS)
                for (row, fault), since in self._since.items()
                if end_ms - since > self._stale_ms
            ),
            stale_most=self._most_stale(),
            top_ten=tuple(Frequent(row, fault, n) for (row, fault), n in frequent),
            top_ten_pct=_pct(sum(n for _, n in frequent), told) if told else None,
            priority_pct={
                s.name.lower(): _pct(self._by_priority[s], raised)
                for s in (Severity.LOW, Severity.MEDIUM, Severity.HIGH)
            }
            if raised
            else {},
            acknowledged_median_s={p: median(seconds) for p, seconds in self._took_s.items()},
            shelved=self._by_change[Change.SHELVED],
            suppressed=self._by_change[Change.SUPPRESSED],
            out_of_service=self._by_change[Change.OUT_OF_SERVICE],
        )

    def _bursts(self, at: Sequence[int]) -> int | None:
        """When an alarm that was raised at these times first chattered; None if it did not."""
        window_ms, n = self._limits.chatter_window_s * 1000.0, self._limits.chatter_count
        bursts = (a for a, b in zip(at, at[n - 1 :], strict=False) if b - a <= window_ms)
        return next(bursts, None)

    def _most_stale(self) -> int:
        spans = [*self._long, *((begun, self.end_ms) for begun in self._since.values())]
        steps: list[tuple[int, int]] = []
        for begun, to_ms in spans:
            from_ms = max(begun + self._stale_ms, self.start_ms)
            if from_ms < to_ms:
                steps += [(from_ms, 1), (to_ms, -1)]
        most = now = 0
        for _, step in sorted(steps):
            now += step
            most = max(most, now)
        return most


def _few(operators: int) -> str:
    return f"operators is {operators}, must be 1 or more"


def _repeating(
    times: Mapping[_Key, list[int]], first: Callable[[list[int]], int | None]
) -> tuple[Repeating, ...]:
    """The alarms for which there is a first time, the most frequent first."""
    found = []
    for (row, fault), at in times.items():
        first_ms = first(at)
        if first_ms is not None:
            found.append(Repeating(row, fault, len(at), first_ms))
    return tuple(sorted(found, key=lambda r: -r.times))


def _pct(part: float, whole: float) -> float:
    return 100.0 * part / whole if whole else 0.0
