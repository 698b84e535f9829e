"""How well the alarms serve the people: the performance figures of ISA-18.2 / IEC 62682.

Worked out over the alarm journal of a period, for so many operators. An *announcement* is what asks
a person for attention: an alarm that is raised, that worsens, or that is announced again. The
figures' targets stand in :data:`TARGETS`, with what is known of their source.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any, Final, NamedTuple

from rules.alarms import ACTIVE
from rules.events import AlarmEvent, Change, Severity

__all__ = [
    "TARGETS",
    "AlarmFigures",
    "Flood",
    "Frequent",
    "Limits",
    "Repeating",
    "Stale",
    "alarm_figures",
    "floods",
]

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
    if end_ms <= start_ms:
        msg = "the period is empty: its end must lie after its start"
        raise ValueError(msg)
    if operators < 1:
        msg = f"operators is {operators}, must be 1 or more"
        raise ValueError(msg)
    limits = limits or Limits()
    history = [e for e in events if e.time_ms < end_ms]
    within = [e for e in history if e.time_ms >= start_ms]
    told = [e for e in within if e.change in ANNOUNCING]
    length_ms = end_ms - start_ms
    bins = Counter((e.time_ms - start_ms) // BIN_MS for e in told)
    hours = Counter((e.time_ms - start_ms) // HOUR_MS for e in told)
    n_bins, n_hours = -(-length_ms // BIN_MS), -(-length_ms // HOUR_MS)
    counts = [bins[i] / operators for i in range(n_bins)]
    peak = max(counts)
    found = floods(counts, start_ms, limits)
    in_flood_ms = sum(min(f.end_ms, end_ms) - f.start_ms for f in found)
    frequent = Counter((e.unit_row, e.fault) for e in told).most_common(10)
    raised = [e for e in within if e.change is Change.RAISED]
    by_priority = Counter(e.severity for e in raised)
    spans = _standing(history, end_ms)
    stale_ms = int(limits.stale_s * 1000)
    return AlarmFigures(
        start_ms=start_ms,
        end_ms=end_ms,
        operators=operators,
        announcements=len(told),
        raised=len(raised),
        per_day=len(told) / operators / (length_ms / DAY_MS),
        per_hour=len(told) / operators / (length_ms / HOUR_MS),
        per_ten_minutes=len(told) / operators / (length_ms / BIN_MS),
        peak_ten_minutes=peak,
        peak_ms=start_ms + counts.index(peak) * BIN_MS if told else None,
        busy_periods_pct=_pct(sum(c > limits.flood_starts_above for c in counts), n_bins),
        busy_hours_pct=_pct(
            sum(c / operators > limits.busy_hour_above for c in hours.values()), n_hours
        ),
        floods=tuple(found),
        flood_time_pct=_pct(in_flood_ms, length_ms),
        chattering=_chattering(raised, limits),
        fleeting=_fleeting(spans, start_ms, limits),
        stale=tuple(
            Stale(row, fault, (end_ms - since) // DAY_MS)
            for (row, fault), since, end, _ in spans
            if end is None and end_ms - since > stale_ms
        ),
        stale_most=_most_stale(spans, start_ms, end_ms, stale_ms),
        top_ten=tuple(Frequent(row, fault, n) for (row, fault), n in frequent),
        top_ten_pct=_pct(sum(n for _, n in frequent), len(told)) if told else None,
        priority_pct={
            s.name.lower(): _pct(by_priority[s], len(raised))
            for s in (Severity.LOW, Severity.MEDIUM, Severity.HIGH)
        }
        if raised
        else {},
        acknowledged_median_s=_acknowledged(history, start_ms),
        shelved=sum(e.change is Change.SHELVED for e in within),
        suppressed=sum(e.change is Change.SUPPRESSED for e in within),
        out_of_service=sum(e.change is Change.OUT_OF_SERVICE for e in within),
    )


_Span = tuple[tuple[int, str], int, int | None, Change | None]
"""Alarm, since when it stood, until when, and by what it ended; None: it stands at the end."""


def _standing(events: Iterable[AlarmEvent], end_ms: int) -> list[_Span]:
    since: dict[tuple[int, str], int] = {}
    spans: list[_Span] = []
    for e in events:
        key = (e.unit_row, e.fault)
        if e.state in ACTIVE:
            since.setdefault(key, e.time_ms)
        elif key in since:
            spans.append((key, since.pop(key), e.time_ms, e.change))
    return [*spans, *((key, begun, None, None) for key, begun in since.items() if begun < end_ms)]


def _chattering(raised: Iterable[AlarmEvent], limits: Limits) -> tuple[Repeating, ...]:
    times: dict[tuple[int, str], list[int]] = defaultdict(list)
    for e in raised:
        times[e.unit_row, e.fault].append(e.time_ms)
    window_ms, n = limits.chatter_window_s * 1000.0, limits.chatter_count
    found = []
    for (row, fault), at in times.items():
        bursts = [a for a, b in zip(at, at[n - 1 :], strict=False) if b - a <= window_ms]
        if bursts:
            found.append(Repeating(row, fault, len(at), bursts[0]))
    return tuple(sorted(found, key=lambda r: -r.times))


def _fleeting(spans: Iterable[_Span], start_ms: int, limits: Limits) -> tuple[Repeating, ...]:
    short: dict[tuple[int, str], list[int]] = defaultdict(list)
    for key, begun, end, how in spans:
        # What a person shelved or took out of service did not go away by itself.
        if end is None or how is not Change.RETURNED:
            continue
        if begun >= start_ms and end - begun <= limits.fleeting_s * 1000.0:
            short[key].append(begun)
    found = [Repeating(row, fault, len(at), min(at)) for (row, fault), at in short.items()]
    return tuple(sorted(found, key=lambda r: -r.times))


def _most_stale(spans: Iterable[_Span], start_ms: int, end_ms: int, stale_ms: int) -> int:
    steps: list[tuple[int, int]] = []
    for _, begun, end, _ in spans:
        from_ms, to_ms = max(begun + stale_ms, start_ms), end_ms if end is None else end
        if from_ms < to_ms:
            steps += [(from_ms, 1), (to_ms, -1)]
    most = now = 0
    for _, step in sorted(steps):
        now += step
        most = max(most, now)
    return most


def _acknowledged(events: Iterable[AlarmEvent], start_ms: int) -> dict[str, float]:
    asked: dict[tuple[int, str], AlarmEvent] = {}
    took: dict[str, list[float]] = defaultdict(list)
    for e in events:
        key = (e.unit_row, e.fault)
        if e.change is Change.RAISED and e.time_ms >= start_ms:
            asked[key] = e
        elif e.change is Change.ACKNOWLEDGED and key in asked:
            first = asked.pop(key)
            took[first.severity.name.lower()].append((e.time_ms - first.time_ms) / 1000.0)
    return {priority: median(seconds) for priority, seconds in took.items()}


def _pct(part: float, whole: float) -> float:
    return 100.0 * part / whole if whole else 0.0
