"""Puts a report together: what stands at its head, what to do next, and its sections in order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from gateway.batch import Reason
from gateway.display_units import DisplaySystem
from gateway.reports.figures import SiteMonth, amount_of, response_over
from gateway.reports.model import Fact, Report, Section
from gateway.reports.next_steps import next_steps
from gateway.reports.quantities import amount_text
from gateway.reports.sections import (
    alarms_section,
    cleanings_section,
    condition_section,
    tickets_section,
)
from gateway.reports.settings import ReportSettings
from gateway.reports.use_sections import groups_of, heard_of, telemetry_section, use_section
from gateway.reports.words import counted, hours_text, share_text
from gateway.tickets.document import clean
from rules.events import Severity

__all__ = ["fleet_report", "site_report"]

_MOST_STEPS: Final = 12


def site_report(
    month: SiteMonth, title: Callable[[str], str], prices: ReportSettings, made_ms: int
) -> Report:
    """The report of one site, in its own time and units."""
    site = month.site
    return _report(
        [month],
        title,
        prices,
        made_ms,
        scope=f"site {site.id}",
        place=clean(site.name, 80),
        zone=site.zone,
        time_zone=site.time_zone,
        system=site.display_units,
    )


def fleet_report(
    months: Sequence[SiteMonth],
    name: str,
    title: Callable[[str], str],
    prices: ReportSettings,
    made_ms: int,
) -> Report:
    """The report of all sites, in the fleet's time; in US units where all sites have them."""
    systems = {month.site.display_units for month in months}
    return _report(
        list(months),
        title,
        prices,
        made_ms,
        scope="fleet",
        place=clean(name, 80),
        zone=ZoneInfo(prices.time_zone),
        time_zone=prices.time_zone,
        system="us" if systems == {"us"} else "metric",
    )


def _report(
    months: list[SiteMonth],
    title: Callable[[str], str],
    prices: ReportSettings,
    made_ms: int,
    *,
    scope: str,
    place: str,
    zone: ZoneInfo,
    time_zone: str,
    system: DisplaySystem,
) -> Report:
    by_site = scope == "fleet"
    month = months[0].month
    groups = groups_of(months, by_site=by_site)
    made = datetime.fromtimestamp(made_ms / 1000, UTC).astimezone(zone)
    sections: list[Section] = [
        alarms_section(months, title),
        condition_section(months, with_site=by_site),
        cleanings_section(months, with_site=by_site),
        use_section(groups, system, prices, title),
        tickets_section(months, title, with_site=by_site),
        telemetry_section(groups, months, _reason),
    ]
    running = not all(m.over for m in months)
    return Report(
        scope=scope,
        period=str(month),
        place=place,
        month_title=month.title + (" so far" if running else ""),
        made_ms=made_ms,
        made=f"{made:%Y-%m-%d %H:%M} ({time_zone})",
        time_zone=time_zone,
        page="Letter" if system == "us" else "A4",
        facts=_facts(months, system),
        summary=_summary(months, by_site=by_site),
        next_steps=tuple(next_steps(months, title, _MOST_STEPS)),
        sections=tuple(sections),
    )


def _facts(months: Sequence[SiteMonth], system: DisplaySystem) -> tuple[Fact, ...]:
    raised = [r for month in months for r in month.raised]
    high = sum(r.severity is Severity.HIGH for r in raised)
    response = response_over(months)
    rows = [row for month in months for row in month.uses]
    makeup, beyond = amount_of(rows, "makeup"), amount_of(rows, "beyond_target")
    heard = heard_of(rows)
    units = sum(len(month.site.units) for month in months)
    quiet = units - len({(m.site.id, r.unit) for m in months for r in m.raised if r.unit})
    known = sum(row.use.amounts["makeup"].value is not None for row in rows)
    return (
        Fact(str(len(raised)), "alarms raised", f"{high} of high priority"),
        Fact(
            hours_text(response.acknowledge_h), "to acknowledge",
            f"median of {response.acknowledged} of {response.opened} tickets",
        ),
        Fact(
            hours_text(response.repair_h), "to repair",
            f"{response.still_open} still open",
        ),
        Fact(
            amount_text(makeup, "makeup", system).partition(" ±")[0]
            + ("" if makeup.value is None else _unit(system)),
            "make-up water",
            f"of {known} of {units} units" if known < units else "all units",
        ),
        Fact(
            amount_text(beyond, "beyond_target", system).partition(" ±")[0]
            + ("" if beyond.value is None else _unit(system)),
            "more than needed",
            "" if not makeup.value or beyond.value is None
            else f"{share_text(min(beyond.value / makeup.value, 1.0))} of the make-up",
        ),
        Fact(
            share_text(sum(heard) / len(heard)) if heard else "–", "of the time heard",
            f"{quiet} of {units} units without an alarm",
        ),
    )  # fmt: skip


def _unit(system: DisplaySystem) -> str:
    return " gal" if system == "us" else " m³"


def _summary(months: Sequence[SiteMonth], *, by_site: bool) -> tuple[str, ...]:
    """Two or three sentences that say how the month was."""
    raised = [r for month in months for r in month.raised]
    units = sum(len(month.site.units) for month in months)
    response = response_over(months)
    where = (
        f"{counted(len(months), 'site')} with {counted(units, 'unit')}"
        if by_site
        else (counted(units, "unit"))
    )
    alarms, tickets = counted(len(raised), "alarm"), counted(response.opened, "ticket")
    sentences = [
        f"{where}: {alarms} raised, {tickets} opened, {response.still_open or 'none'} open at the "
        "end."
    ]
    cleanings = [c for month in months for c in month.cleanings]
    if cleanings:
        helped = sum(c.verdict == "helped" for c in cleanings)
        sentences.append(
            f"{counted(len(cleanings), 'cleaning')} closed out; the readings show of {helped} that "
            "it helped."
        )
    if not all(month.over for month in months):
        sentences.append("The month still runs: these are its figures so far.")
    return tuple(sentences)


_REASONS: Final = {reason.value: reason.value.replace("-", " ") for reason in Reason}


def _reason(slug: str) -> str:
    text = _REASONS.get(slug, clean(slug.replace("-", " "), 60))
    return text.capitalize()
