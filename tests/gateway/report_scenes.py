"""A site's month as the records would tell it: every kind of thing that a report speaks of."""

from __future__ import annotations

from typing import Any, Final, Literal

from support.basin_means import basin, span, trace
from support.fleet import site, unit_data

from gateway.month import Month
from gateway.records.rows import QuarantineRow, TicketRow
from gateway.records.use_rows import UseRow
from gateway.records.visit_rows import VisitRow, VisitState
from gateway.records.wear_rows import CleaningRow, ConditionRow, UnitDueRange
from gateway.reports.compose import fleet_report, site_report
from gateway.reports.figures import Raised, SiteMonth
from gateway.reports.model import Report
from gateway.reports.settings import ReportSettings
from gateway.reports.words import FaultNames
from gateway.tickets.life import TicketPhase
from gateway.visits.course import Course, CourseJob, CourseStop
from rules.consumption import UnitUse, unit_use
from rules.equipment import OwnRule, Site
from rules.events import Severity
from rules.forecast import DueRange, Verdict

MONTH: Final = Month(2026, 10)
HOUR_MS: Final = 3_600_000
DAY_MS: Final = 24 * HOUR_MS
PRICES: Final = ReportSettings(
    is_on=True, currency="EUR", water_price_per_m3=4.0, energy_price_per_kwh=0.25
)


def a_site(site_id: str = "north-hall", **changes: Any) -> Site:
    return site(site_id, [unit_data("ac-1"), unit_data("ac-2", name="AC <2> & more")]).model_copy(
        update=changes
    )


def a_month(where: Site | None = None, *, over: bool = True) -> SiteMonth:
    """October of a site: an open ticket, a closed one, a cleaning that did not help, a waste."""
    where = where or a_site()
    start_ms, end_ms = MONTH.start_ms(where.zone), MONTH.end_ms(where.zone)
    until_ms = end_ms if over else start_ms + 20 * DAY_MS
    return SiteMonth(
        site=where,
        month=MONTH,
        start_ms=start_ms,
        until_ms=until_ms,
        over=over,
        raised=(
            Raised("ac-1", "pump-screen-clogging", start_ms + 30 * HOUR_MS, Severity.LOW),
            Raised("ac-1", "fan-fault", start_ms + 31 * HOUR_MS, Severity.HIGH),
            *(Raised("ac-2", "float-leaking", start_ms + n * DAY_MS, Severity.MEDIUM)
              for n in range(5, 9)),
        ),
        tickets=(
            _ticket(3, "fan-fault", "high", start_ms + 31 * HOUR_MS, unit="ac-1"),
            _ticket(2, "float-leaking", "medium", start_ms + 5 * DAY_MS, unit="ac-2",
                    acknowledged_ms=start_ms + 5 * DAY_MS + HOUR_MS // 2, by="Ana <A>"),
            _ticket(1, "pump-screen-clogging", "medium", start_ms + 30 * HOUR_MS, unit="ac-1",
                    acknowledged_ms=start_ms + 31 * HOUR_MS, by="Rui",
                    closed_ms=start_ms + 54 * HOUR_MS),
        ),
        cleanings=(
            _cleaning(where, "ac-1", "pump-screen", start_ms + 54 * HOUR_MS, "helped", 31.0),
            _cleaning(where, "ac-2", "coil", start_ms + 9 * DAY_MS, "did not help", 1.0),
            _cleaning(where, "ac-2", "pads", start_ms + 9 * DAY_MS, "", None),
        ),
        conditions=(
            _condition(where, "ac-1", "pump-screen", 92.0),
            _condition(where, "ac-1", "coil", 14.0),
            _condition(where, "ac-2", "pads", None),
        ),
        due=(
            UnitDueRange(0, where.id, "ac-1", DueRange(
                "coil", 14.0, 5.0, until_ms + 9 * DAY_MS, until_ms + 14 * DAY_MS,
                until_ms + 23 * DAY_MS, Verdict.DUE,
                "It loses 1.10 % a day, by 24 daily figures.", -1.1, 24, start_ms)),
            UnitDueRange(0, where.id, "ac-1", DueRange(
                "pump-screen", 92.0, 4.0, None, None, None, Verdict.NO_TREND,
                "It does not fall.", 0.0, 12, start_ms)),
        ),
        uses=(_use(where, "ac-1", 9.0, fault="bleed-stuck-open"), _use(where, "ac-2", 3.0)),
        before=(),
        silent={"ac-2": 7.5},
        refused=(
            QuarantineRow("2026-10-04", where.id, "ac-2", "too large", "x", 12, 1, 2, "d", "e"),
        ),
    )  # fmt: skip


def site_scene(where: Site | None = None, *, over: bool = True) -> Report:
    month = a_month(where, over=over)
    return site_report(
        month, names(month.site), PRICES, MONTH.end_ms(month.site.zone) + 31 * HOUR_MS
    )


def fleet_scene(units: Literal["metric", "us"] = "us") -> Report:
    sites = [a_site(display_units=units), a_site("hill-dairy", display_units="us")]
    months = [a_month(one) for one in sites]
    return fleet_report(
        months, "Test fleet", names(*sites), PRICES, MONTH.end_ms(sites[0].zone) + 31 * HOUR_MS
    )


def names(*sites: Site, rules: tuple[OwnRule, ...] = ()) -> FaultNames:
    return FaultNames(rules, sites)


def _ticket(
    number: int, fault: str, priority: Literal["low", "medium", "high"], at_ms: int, *,
    unit: str, acknowledged_ms: int | None = None, by: str = "", closed_ms: int | None = None,
) -> TicketRow:  # fmt: skip
    phase = TicketPhase.OPEN
    if acknowledged_ms is not None:
        phase = TicketPhase.ACKNOWLEDGED
    if closed_ms is not None:
        phase = TicketPhase.CLOSED
    return TicketRow(
        number, f"BW-{number:06d}", 0, "north-hall", unit, fault, priority, phase, at_ms - 60_000,
        at_ms, at_ms, None, acknowledged_ms, by, closed_ms, by if closed_ms else "",
        "Leaves; <b>cleaned</b>." if closed_ms else "", "",
    )  # fmt: skip


def _cleaning(
    where: Site, unit: str, part: str, at_ms: int, verdict: str, effect: float | None
) -> CleaningRow:
    return CleaningRow(
        0, where.id, unit, part, at_ms, at_ms - HOUR_MS, "BW-000001", "Rui", verdict,
        at_ms if verdict else None, at_ms, 98.0, effect,
        None if effect is None else effect - 9.0, None if effect is None else effect + 9.0,
        "spray_pressure", "kPa", 58.0, 80.0, 24, 24,
        "Spray pressure in like conditions: 58 kPa before, 80 kPa after."
        if verdict else "Readings in like conditions are awaited.",
    )  # fmt: skip


def _condition(where: Site, unit: str, part: str, pct: float | None) -> ConditionRow:
    return ConditionRow(
        0, where.id, unit, part, 0, pct, None if pct is None else 6.0, pct, "spray pressure", 40,
        0, 1, "said",
        (),
    )  # fmt: skip


def _use(where: Site, unit: str, bleed: float, fault: str = "") -> UseRow:
    mean, _ = basin(2, bleed, start_cycles=1.9)
    spans = [span(fault, 0, 288)] if fault else []
    return UseRow(where.id, unit, str(MONTH), 0, True, month_of(unit_use(trace(mean), {}, spans)))


def month_of(use: UnitUse) -> UnitUse:
    """The same, told as if it were of the month."""
    return UnitUse(
        MONTH.start_ms(a_site().zone), MONTH.end_ms(a_site().zone), use.amounts, use.faults,
        use.notes,
    )  # fmt: skip


def a_visit(
    where: Site, state: VisitState, begins_ms: int, unit: str, part: str, tickets: tuple[str, ...]
) -> VisitRow:
    """A visit of one job there."""
    job = CourseJob(f"{where.id}/{unit}/{part}", unit, part, part, 1.5, False, tickets, "Due.")
    stop = CourseStop(where.id, begins_ms, begins_ms + HOUR_MS, 0.5, "Due.", False, None, (job,))
    course = Course("Van", begins_ms, begins_ms + HOUR_MS, 1.0, 5.0, "", (stop,))
    return VisitRow(
        "V-000007",
        state,
        "van-1",
        "2026-11-05",
        begins_ms,
        begins_ms + HOUR_MS,
        -1,
        "",
        course,
        begins_ms,
        "plan",
        "",
    )
