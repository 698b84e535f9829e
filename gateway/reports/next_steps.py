"""What to do next, ranked, each with its reason. It names what stands; it is no order to work.

A ticket that nobody has closed comes before what is to come, what is grave before what costs, and
what costs before what is merely not seen.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Final, Literal

from gateway.records.rows import TicketRow
from gateway.records.visit_rows import VisitRow, VisitState
from gateway.records.wear_rows import UnitDueRange
from gateway.reports.figures import SiteMonth
from gateway.reports.model import Next
from gateway.reports.quantities import amount_text, water_text
from gateway.reports.words import (
    PART_TITLE,
    counted,
    date_text,
    hours_text,
    listed,
    prose,
    share_text,
)
from gateway.tickets.document import clean
from gateway.tickets.notice import Priority
from rules.consumption.energy import POWER_RISE_FRAC_PER_K
from rules.forecast import Verdict
from rules.visits.skills import renews

__all__ = ["next_steps"]

_DAY_MS: Final = 86_400_000
_SOON_DAYS: Final = 14
_AHEAD_DAYS: Final = 60
_LEAST_COVERAGE: Final = 0.9
_OFTEN: Final = 3
_GRADE: Final[dict[Priority, Literal["now", "soon", "plan"]]] = {
    "high": "now", "medium": "soon", "low": "plan",
}  # fmt: skip
_GRADES: Final[tuple[Literal["now", "soon", "plan"], ...]] = ("now", "soon", "plan")
_Ranked = tuple[float, Next]


def next_steps(months: Iterable[SiteMonth], title: Callable[[str], str], most: int) -> list[Next]:
    """The ``most`` first things to do at these sites."""
    found: list[_Ranked] = []
    months = list(months)
    for month in months:
        found += [
            *_waiting(month, title),
            *_again(month, title),
            *_cleanings(month),
            *_water(month),
            *_heat(month),
            *_unheard(month),
        ]
    found += _unmeasured(months)
    found.sort(key=lambda pair: (pair[0], pair[1].place, pair[1].what))
    return [step for _, step in found[:most]]


def _place(month: SiteMonth, unit: str) -> str:
    site = clean(month.site.name, 60)
    known = next((u for u in month.site.units if u.id == unit), None)
    return f"{site} / {clean(known.name if known else unit, 40)}" if unit else site


def _waiting(month: SiteMonth, title: Callable[[str], str]) -> Iterable[_Ranked]:
    """Open tickets and parts that are due; a part whose job a ticket asks for is told with it."""
    wear = {(row.unit, row.due.part): found for row, found in _wear(month)}
    tickets = sorted(_open_tickets(month, title), key=lambda pair: pair[1][0])
    for ticket, own in tickets:
        told = own
        mine = [key for key in wear if key[0] == ticket.unit and renews(ticket.fault, key[1])]
        for key in mine:
            told = _with_part(month, ticket, told, key[1], wear.pop(key))
        yield told
    yield from wear.values()


def _with_part(
    month: SiteMonth, ticket: TicketRow, told: _Ranked, part: str, due: _Ranked
) -> _Ranked:
    """The ticket's step with what is known of the part, as pressing as the more pressing one."""
    (rank, step), (due_rank, worn) = told, due
    why = step.why
    visit = _visit_for(month, ticket=ticket.number)
    if visit is not None and _visit_text(month, visit) in worn.why:
        why = why.replace(f" {_visit_text(month, visit)}.", "")
    name = PART_TITLE.get(part, part).lower()
    why = f"{why} By its condition the job is due as well ({name}): {worn.why}"
    grade = min(step.grade, worn.grade, key=_GRADES.index)
    return min(rank, due_rank), replace(step, why=why, grade=grade)


def _open_tickets(
    month: SiteMonth, title: Callable[[str], str]
) -> Iterable[tuple[TicketRow, _Ranked]]:
    for ticket in month.tickets:
        if ticket.closed_ms is not None and ticket.closed_ms < month.until_ms:
            continue
        age_h = (month.until_ms - ticket.opened_ms) / 3_600_000.0
        grade = _GRADE[ticket.priority]
        if ticket.returned_ms is not None:
            state = "Readings are normal again; look at it and close the ticket"
        elif ticket.acknowledged_ms is None:
            state = "Nobody has acknowledged it"
        else:
            state = f"{clean(ticket.assignee or ticket.acknowledged_by, 60)} has it"
        visit = _visit_for(month, ticket=ticket.number)
        if visit is not None:
            state += f". {_visit_text(month, visit)}"
        rank = {"now": 0.0, "soon": 10.0, "plan": 40.0}[grade]
        if ticket.returned_ms is not None:
            rank += 25.0
        step = Next(
            f"{title(ticket.fault)} ({ticket.number})",
            f"{ticket.priority.capitalize()} priority, open for {hours_text(age_h)}. {state}.",
            _place(month, ticket.unit),
            "plan" if ticket.returned_ms is not None else grade,
        )
        yield ticket, (rank - min(age_h / 10_000.0, 1.0), step)


def _visit_for(month: SiteMonth, *, key: str = "", ticket: str = "") -> VisitRow | None:
    """The first visit that does this job."""
    for row in month.visits:
        for stop in row.course.stops:
            if any(job.key == key or ticket in job.tickets for job in stop.jobs):
                return row
    return None


def _visit_text(month: SiteMonth, row: VisitRow) -> str:
    return f"Visit {row.number} on {date_text(row.begins_ms, month.site.zone)} is {row.state.value}"


def _again(month: SiteMonth, title: Callable[[str], str]) -> Iterable[_Ranked]:
    times = Counter((r.unit, r.fault) for r in month.raised)
    for (unit, fault), count in times.items():
        if count >= _OFTEN:
            yield (
                20.0 - min(count, 50) / 100.0,
                Next(
                    f"Find out why it comes back: {title(fault).lower()}",
                    f"Raised {count} times in the month.",
                    _place(month, unit),
                    "soon",
                ),
            )


def _wear(month: SiteMonth) -> Iterable[tuple[UnitDueRange, _Ranked]]:
    zone, system = month.site.zone, month.site.display_units
    for row in month.due:
        due = row.due
        part = PART_TITLE.get(due.part, due.part)
        visit = _visit_for(month, key=f"{month.site.id}/{row.unit}/{due.part}")
        if visit is not None and due.verdict in (Verdict.THERE, Verdict.DUE):
            confirmed = visit.state is VisitState.CONFIRMED
            there = "At its limit. " if due.verdict is Verdict.THERE else ""
            yield (
                row,
                (
                    32.0 if confirmed else 8.5,
                    Next(
                        f"Clean as planned: {part.lower()}"
                        if confirmed
                        else f"Confirm the visit for the cleaning: {part.lower()}",
                        f"{there}{_visit_text(month, visit)}. {prose(due.reason, system)}",
                        _place(month, row.unit),
                        "plan" if confirmed else "soon",
                    ),
                ),
            )
        elif due.verdict is Verdict.THERE:
            yield (
                row,
                (
                    8.0,
                    Next(
                        f"Plan the cleaning now: {part.lower()}",
                        f"At its limit. {prose(due.reason, system)}",
                        _place(month, row.unit),
                        "soon",
                    ),
                ),
            )
        elif due.verdict is Verdict.DUE and due.early_ms is not None:
            ahead = (due.early_ms - month.until_ms) / _DAY_MS
            if ahead > _AHEAD_DAYS:
                continue
            likely = f", likely {date_text(due.likely_ms, zone)}" if due.likely_ms else ""
            late = f" to {date_text(due.late_ms, zone)}" if due.late_ms else " on"
            yield (
                row,
                (
                    15.0 + ahead / 10.0 if ahead <= _SOON_DAYS else 30.0 + ahead / 10.0,
                    Next(
                        f"Plan the cleaning: {part.lower()}",
                        f"Reaches its limit from {date_text(due.early_ms, zone)}{late}{likely}. "
                        f"{prose(due.reason, system)}",
                        _place(month, row.unit),
                        "soon" if ahead <= _SOON_DAYS else "plan",
                    ),
                ),
            )


def _cleanings(month: SiteMonth) -> Iterable[_Ranked]:
    for row in month.cleanings:
        if row.verdict == "did not help":
            part = PART_TITLE.get(row.part, row.part)
            yield (
                18.0,
                Next(
                    f"Look again at what was cleaned: {part.lower()}",
                    f"The cleaning did not help. {prose(row.said, month.site.display_units)}",
                    _place(month, row.unit),
                    "soon",
                ),
            )


def _water(month: SiteMonth) -> Iterable[_Ranked]:
    system = month.site.display_units
    units = {unit.id: unit for unit in month.site.units}
    for row in month.uses:
        beyond, makeup = row.use.amounts["beyond_target"], row.use.amounts["makeup"]
        if beyond.value is None or beyond.sd is None or not makeup.value:
            continue
        share = beyond.value / makeup.value
        # Twice the deviation: a figure that might be nothing sends nobody out.
        if beyond.value < 2.0 * beyond.sd or share < 0.1:
            continue
        target = units[row.unit].water.target_cycles if row.unit in units else 0.0
        cycles = row.use.amounts["cycles"]
        now = f"; it ran at {cycles.value:.1f}" if cycles.value is not None else ""
        yield (
            22.0 - min(beyond.value / 1e6, 2.0),
            Next(
                "Look at bleed, float and drain: too much water leaves",
                f"{amount_text(beyond, 'beyond_target', system)} more than {target:g} cycles of "
                f"concentration need{now}. That is {share_text(share)} of its make-up of "
                f"{water_text(makeup.value, system)}.",
                _place(month, row.unit),
                "soon" if share >= 0.3 else "plan",
            ),
        )


def _heat(month: SiteMonth) -> Iterable[_Ranked]:
    system = month.site.display_units
    for row in month.uses:
        raised = row.use.amounts["raised"]
        if raised.value is None or raised.sd is None or raised.value < 2.0 * raised.sd:
            continue
        pct = 100.0 * POWER_RISE_FRAC_PER_K * raised.value
        yield (
            26.0 - min(raised.value / 10.0, 2.0),
            Next(
                "Look at coil, pads and airflow: it condenses too warm",
                f"{amount_text(raised, 'raised', system)} above the clean unit on the mean of the "
                f"month: about {pct:.0f} % more compressor power.",
                _place(month, row.unit),
                "plan",
            ),
        )


def _unheard(month: SiteMonth) -> Iterable[_Ranked]:
    """One line for all units of the site: they mostly share the way of their telemetry."""
    heard = {
        row.unit: row.use.amounts["heard"].coverage_frac
        for row in month.uses
        if row.use.amounts["heard"].coverage_frac < _LEAST_COVERAGE
        and row.use.end_ms > row.use.start_ms
    }
    if not heard:
        return
    least, most = share_text(min(heard.values())), share_text(max(heard.values()))
    share = least if least == most else f"{least} to {most}"
    one = next(iter(heard)) if len(heard) == 1 else ""
    who = "It was" if one else f"{counted(len(heard), 'unit')} of {len(month.site.units)} were"
    yield (
        50.0 - 10.0 * (1.0 - min(heard.values())),
        Next(
            "Mend the way of the telemetry",
            f"{who} heard in {share} of the month. What goes wrong in silence is told by nobody.",
            _place(month, one),
            "plan",
        ),
    )


def _unmeasured(months: Sequence[SiteMonth]) -> list[_Ranked]:
    """One line for all units whose water cannot be known, or a fleet's list would be full of it."""
    lacking = [
        (month, row)
        for month in months
        for row in month.uses
        if row.use.amounts["heard"].coverage_frac > 0.0
        and row.use.amounts["evaporation"].value is None
    ]
    if not lacking:
        return []
    sites = dict.fromkeys(_place(month, "") for month, _ in lacking)
    reasons = Counter(row.use.amounts["evaporation"].method for _, row in lacking)
    units = listed([f"{_place(month, row.unit)}" for month, row in lacking], 4)
    return [
        (
            60.0,
            Next(
                "Have more signals sent, if the water is to be known",
                f"{units}: {listed([why.rstrip('.') for why, _ in reasons.most_common()], 2)}.",
                next(iter(sites)) if len(sites) == 1 else f"{len(sites)} sites",
                "plan",
            ),
        )
    ]
