"""How well the alarms serve the people: the standard's figures, each beside its target."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from gateway.overview.source import Names, Source
from gateway.records import queries, summaries
from rules.alarm_figures import TARGETS, AlarmFigures, AlarmTally

__all__ = ["FigureLine", "FiguresView", "OftenLine", "figures_of", "figures_view", "tally_of"]

DAY_MS: Final = 86_400_000
_ABOUT: Final[tuple[tuple[str, str, str], ...]] = (
    ("per_day", "Announcements a day", "per_day"),
    ("", "Announcements an hour", "per_hour"),
    ("per_ten_minutes", "Announcements in ten minutes, mean", "per_ten_minutes"),
    ("peak_ten_minutes", "Announcements in ten minutes, peak", "peak_ten_minutes"),
    ("busy_periods_pct", "Ten-minute periods above 10", "busy_periods_pct"),
    ("busy_hours_pct", "Hours above 30", "busy_hours_pct"),
    ("flood_time_pct", "Time in flood", "flood_time_pct"),
    ("chattering", "Chattering alarms", "chattering"),
    ("", "Fleeting alarms", "fleeting"),
    ("stale_most", "Stood over a day, most at once", "stale_most"),
    ("top_ten_pct", "Share of the ten most frequent", "top_ten_pct"),
    ("priority_pct", "Raised as low / medium / high", "priority_pct"),
)


@dataclass(frozen=True)
class FigureLine:
    """One figure in words, with its target and where that comes from ('' for none)."""

    title: str
    value: str
    target: str
    source: str


@dataclass(frozen=True)
class OftenLine:
    """An alarm to look at: the unit, the fault, and how often or for how many days."""

    site: str
    unit: str
    unit_name: str
    fault: str
    title: str
    count: int


@dataclass(frozen=True)
class FiguresView:
    """The figures of a period (UTC, ms since 1970)."""

    figures: AlarmFigures
    lines: tuple[FigureLine, ...]
    frequent: tuple[OftenLine, ...]
    chattering: tuple[OftenLine, ...]
    fleeting: tuple[OftenLine, ...]
    stale: tuple[OftenLine, ...]


def figures_view(
    source: Source, now_ms: int, *, days: float = 30.0, operators: int = 1, site: str = ""
) -> FiguresView:
    """The figures of the last days, for so many operators; of the fleet or of a site."""
    return figures_of(source, tally_of(source, now_ms, days=days, site=site), operators)


def tally_of(source: Source, now_ms: int, *, days: float = 30.0, site: str = "") -> AlarmTally:
    """What the figures of the last days are made of; reads the period, and what stood before it."""
    start_ms = now_ms - int(days * DAY_MS)
    tally = AlarmTally(start_ms, now_ms)
    with source.records.reading() as connection:
        for event in summaries.standing_at(connection, start_ms, site):
            tally.add(event)
        for event in summaries.counted(connection, start_ms, now_ms, site):
            tally.add(event)
    return tally


def figures_of(source: Source, tally: AlarmTally, operators: int) -> FiguresView:
    """The figures that were tallied, for so many operators."""
    with source.records.reading() as connection:
        places = queries.units(connection)
    found = tally.figures(operators)

    def often(rows: list[tuple[int, str, int]]) -> tuple[OftenLine, ...]:
        return tuple(_often(source.names, places, *row) for row in rows)

    return FiguresView(
        found,
        tuple(_line(found, *about) for about in _ABOUT),
        often([(f.unit_row, f.fault, f.announcements) for f in found.top_ten]),
        often([(r.unit_row, r.fault, r.times) for r in found.chattering[:20]]),
        often([(r.unit_row, r.fault, r.times) for r in found.fleeting[:20]]),
        often([(s.unit_row, s.fault, s.days) for s in found.stale[:50]]),
    )


def _often(
    names: Names, places: dict[int, tuple[str, str]], row: int, fault: str, count: int
) -> OftenLine:
    site, unit = places.get(row, ("", ""))
    name = f"{names.site(site)} / {names.unit(site, unit)}".strip(" /")
    return OftenLine(site, unit, name, fault, names.fault_title(site, unit, fault), count)


def _line(figures: AlarmFigures, key: str, title: str, attribute: str) -> FigureLine:
    target = TARGETS.get(key)
    return FigureLine(
        title, _shown(attribute, getattr(figures, attribute)),
        target.text if target else "", target.source if target else "",
    )  # fmt: skip


def _shown(attribute: str, value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, tuple):
        return str(len(value))
    if isinstance(value, dict):
        return " / ".join(f"{v:.0f}" for v in value.values()) + " %" if value else "none"
    if attribute.endswith("_pct"):
        return f"{value:.2f} %"
    if isinstance(value, float):
        return f"{value:.3g}" if value < 1 else f"{value:.1f}"
    return str(value)
