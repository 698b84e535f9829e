"""The sections about alarms, tickets, cleanings and condition, of one site or of several."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, tzinfo
from typing import Final

from gateway.reports.charts import Gauge, Series, days, gauges
from gateway.reports.figures import SiteMonth, response_over
from gateway.reports.model import Block, Section, Table
from gateway.reports.words import (
    PART_TITLE,
    counted,
    date_text,
    hours_text,
    prose,
)
from gateway.tickets.document import clean
from rules.events import Severity
from rules.forecast import DueRange, Verdict

__all__ = [
    "alarms_by_day",
    "alarms_section",
    "cleanings_section",
    "condition_section",
    "place_of",
    "tickets_section",
]

_DAY_MS: Final = 86_400_000
_PRIORITIES: Final = (
    (Severity.HIGH, Series("high", "#9b1c1c")),
    (Severity.MEDIUM, Series("medium", "#e0992f")),
    (Severity.LOW, Series("low", "#b9c6d3")),
)
_MOST_TICKETS: Final = 30
_UNDATED: Final = (Verdict.NO_TREND.value, Verdict.TOO_LITTLE.value)
_MOST_GAUGES: Final = 24


def place_of(month: SiteMonth, unit: str, *, with_site: bool) -> str:
    """A unit's name, behind its site's where several sites are told of."""
    known = next((u for u in month.site.units if u.id == unit), None)
    name = clean(known.name if known else unit, 40) if unit else "the whole site"
    return f"{clean(month.site.name, 40)} / {name}" if with_site else name


def alarms_section(months: Sequence[SiteMonth], title: Callable[[str], str]) -> Section:
    """Alarms by day, each site's by its own clock, and by fault; how soon people answered."""
    raised = [r for month in months for r in month.raised]
    if not raised:
        return Section("Alarms and response", (Block("No alarm was raised."),))
    labels, counts = alarms_by_day(months)
    chart = days(
        "alarms-by-day", "Alarms raised by day", labels, counts, [s for _, s in _PRIORITIES]
    )
    faults = Counter(r.fault for r in raised)
    rows = []
    for fault, count in faults.most_common(12):
        mine = response_over(months, fault)
        units = len({(m.site.id, r.unit) for m in months for r in m.raised if r.fault == fault})
        rows.append(
            (
                title(fault), str(count), str(units), hours_text(mine.acknowledge_h),
                hours_text(mine.repair_h), str(mine.still_open),
            )
        )  # fmt: skip
    everything = response_over(months)
    rows.append(
        (
            "All", str(len(raised)),
            str(len({(m.site.id, r.unit) for m in months for r in m.raised})),
            hours_text(everything.acknowledge_h), hours_text(everything.repair_h),
            str(everything.still_open),
        )
    )  # fmt: skip
    said = (
        f"{counted(everything.opened, 'ticket')} opened; {everything.acknowledged} acknowledged, "
        f"{everything.repaired} repaired within the month. Times are medians from the ticket to "
        "its acknowledgement, and to the work done or its close-out."
    )
    table = Table(
        ("Fault", "Alarms", "Units", "To acknowledge", "To repair", "Still open"),
        tuple(rows), (8, 2, 2, 3, 3, 2), frozenset({1, 2, 3, 4, 5}), total=True,
    )  # fmt: skip
    return Section("Alarms and response", (Block(picture=chart), Block(said, table=table)))


def alarms_by_day(months: Sequence[SiteMonth]) -> tuple[list[str], list[list[int]]]:
    """Labels of the days that the month has gone at any site, and counts by priority of each."""

    def local(time_ms: int, zone: tzinfo) -> date:
        return datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone).date()

    last = max(local(max(m.start_ms, m.until_ms - 1), m.site.zone) for m in months)
    column = {severity: k for k, (severity, _) in enumerate(_PRIORITIES)}
    counts = [[0] * len(_PRIORITIES) for _ in range(last.day)]
    for month in months:
        for one in month.raised:
            day = local(one.time_ms, month.site.zone)
            if one.severity in column and day.day <= last.day:
                counts[day.day - 1][column[one.severity]] += 1
    return [str(day + 1) for day in range(last.day)], counts


def tickets_section(
    months: Sequence[SiteMonth], title: Callable[[str], str], *, with_site: bool
) -> Section:
    """The tickets, those that are still open first."""
    rows = []
    for month in months:
        for t in month.tickets:
            is_open = t.closed_ms is None or t.closed_ms >= month.until_ms
            year = month.month.year
            opened = date_text(t.opened_ms, month.site.zone, year_of=year)
            if is_open:
                end = "back to normal" if t.returned_ms is not None else t.state.value
            else:
                closed = date_text(t.closed_ms or 0, month.site.zone, year_of=year)
                end = f"closed {closed}"
            found = prose(t.finding, month.site.display_units, 120) if not is_open else ""
            rank = {"high": 0, "medium": 1, "low": 2}[t.priority]
            rows.append(
                (
                    (not is_open, rank, -t.opened_ms),
                    (
                        t.number, t.priority, place_of(month, t.unit, with_site=with_site),
                        title(t.fault), opened, f"{end}{': ' if found else ''}{found}",
                    ),
                )
            )  # fmt: skip
    if not rows:
        return Section("Tickets", (Block("No ticket was open."),))
    rows.sort(key=lambda pair: pair[0])
    shown = tuple(row for _, row in rows[:_MOST_TICKETS])
    rest = len(rows) - len(shown)
    said = f"The first {len(shown)} of {len(rows)}; basinward tickets lists all." if rest else ""
    table = Table(
        ("Ticket", "Priority", "Unit", "Trouble", "Opened", "Now"), shown, (3, 2, 4, 5, 2, 6)
    )
    return Section("Tickets", (Block(said, table=table),))


def cleanings_section(months: Sequence[SiteMonth], *, with_site: bool) -> Section:
    """What was cleaned, and what the readings say that it did."""
    found = [(month, row) for month in months for row in month.cleanings]
    if not found:
        return Section("Cleanings and their effect", (Block("No cleaning was closed out."),))
    verdicts = Counter(row.verdict or "awaited" for _, row in found)
    counts = ", ".join(f"{n} {word}" for word, n in verdicts.most_common())
    rows = tuple(
        (
            date_text(row.cleaned_ms, month.site.zone, year_of=month.month.year),
            place_of(month, row.unit, with_site=with_site),
            PART_TITLE.get(row.part, row.part),
            row.verdict or "awaited",
            _effect(row.effect_pct, row.low_pct, row.high_pct),
            prose(row.said, month.site.display_units, 160),
        )
        for month, row in sorted(found, key=lambda pair: pair[1].cleaned_ms)
    )
    table = Table(
        ("Day", "Unit", "Part", "Effect", "Gain", "What the readings say"), rows, (2, 4, 3, 3, 4, 7)
    )
    return Section("Cleanings and their effect", (Block(f"{counts}.", table=table),))


def _effect(effect: float | None, low: float | None, high: float | None) -> str:
    if effect is None:
        return "–"
    span = f" ({low:+.0f} to {high:+.0f} %)" if low is not None and high is not None else ""
    return f"{effect:+.0f} %{span}"


def condition_section(months: Sequence[SiteMonth], *, with_site: bool) -> Section:
    """How far each part is from its limit, and when it gets there."""
    due = {(m.site.id, d.unit, d.due.part): d.due for m in months for d in m.due}
    rows = []
    unknown = 0
    for month in months:
        zone, year = month.site.zone, month.month.year
        for c in month.conditions:
            if c.condition_pct is None:
                unknown += 1
                continue
            one = due.get((month.site.id, c.unit, c.part))
            when = _when(one, zone, year)
            part = PART_TITLE.get(c.part, c.part)
            where = (
                f"{clean(month.site.name, 26)}, {c.unit}"
                if with_site
                else place_of(month, c.unit, with_site=False)
            )
            name = f"{where}: {part.lower()}"
            rows.append((c.condition_pct, name, c.uncertainty_pct or 0.0, when, c.in_words))
    title = "Condition and forecast"
    if not rows:
        why = "No part's condition is known yet: its baseline has to be learned first."
        return Section(title, (Block(why),))
    rows.sort(key=lambda row: (row[0], row[1]))
    shown = rows[:_MOST_GAUGES]
    chart = gauges(
        "condition", "Condition, the worst first",
        [Gauge(name, pct, give, f"{pct:.0f} %") for pct, name, give, _, _ in shown],
        low=25.0, ends=("0 %: a visit this week", "100 %: as when clean"),
    )  # fmt: skip
    said = "The bar is the condition; the fine line its standard deviation either way."
    if len(rows) > len(shown):
        said += f" The worst {len(shown)} of {len(rows)} parts."
    if unknown:
        said += f" Of {counted(unknown, 'part')} nothing is known."
    dated = [row for row in rows if row[3] and row[3] not in _UNDATED][:_MOST_GAUGES]
    undated = Counter(row[3] for row in rows if row[3] in _UNDATED)
    if undated:
        counts = ", ".join(f"{what} ({n})" for what, n in undated.most_common())
        said += f" Of {counted(sum(undated.values()), 'part')} no date can be told: {counts}."
    table = Table(
        ("Part", "Condition", "Reaches its limit (80 % range)"),
        tuple((name, words, when) for _, name, _, when, words in dated),
        (6, 2, 6),
    )  # fmt: skip
    blocks = [Block(said, picture=chart)]
    if dated:
        blocks.append(Block(table=table))
    return Section(title, tuple(blocks))


def _when(due: DueRange | None, zone: tzinfo, year: int) -> str:
    if due is None:
        return ""
    if due.verdict is Verdict.THERE:
        return "it is there"
    if due.verdict is Verdict.DUE and due.early_ms is not None:
        early = date_text(due.early_ms, zone, year_of=year)
        late = date_text(due.late_ms, zone, year_of=year) if due.late_ms else "no end to tell"
        likely = date_text(due.likely_ms, zone, year_of=year) if due.likely_ms else ""
        return f"{early} to {late}" + (f", likely {likely}" if likely else "")
    return str(due.verdict.value)
