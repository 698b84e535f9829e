"""The work pack as one PDF: the day on the first pages, then the job sheet of each job.

The job sheets are those of the tickets, isolation first; the front adds what they share.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final, Literal

from gateway.tickets.jobsheet import write_sheet
from gateway.tickets.jobsheet_paper import Paper
from gateway.visits.pack import Pack, PackStop

__all__ = ["pack_paper"]

_WIDTHS: Final = (15, 40, 45)


def pack_paper(pack: Pack, *, made_ms: int, page: Literal["A4", "Letter"] = "A4") -> bytes:
    """The pack as PDF; the same pack gives the same bytes. ``made_ms`` is UTC, ms since 1970."""
    made = datetime.fromtimestamp(max(made_ms, 0) / 1000, UTC)
    footer = (
        f"{pack.number} · {pack.crew_name} · {pack.day} · This pack reminds; it does not "
        "authorise work, and it is no permit."
    )
    paper = Paper(page, f"Work pack {pack.number}", made, footer=footer)
    paper.kicker(f"WORK PACK · {pack.number} · VERSION {pack.sequence + 1}")
    paper.title(pack.places)
    paper.subtitle(f"{pack.crew_name}, {pack.day}")
    paper.facts(
        [
            ("Leave", f"{pack.leaves}; back at {pack.home}"),
            ("Time", f"{pack.work} at the sites, {pack.drive} on the road"),
            ("As of", f"{pack.made}: tickets as they stood then, dates by the readings named"),
            ("Times", f"are those of the first site ({pack.time_zone}) and of each site at it"),
        ]
    )
    if pack.why:
        paper.paragraph(pack.why)
    _safety(paper, pack)
    paper.heading("The day in order")
    for number, stop in enumerate(pack.stops, start=1):
        _stop(paper, number, stop)
    paper.heading("Bring for all jobs")
    paper.small_heading("Tools")
    paper.checks(pack.tools)
    paper.small_heading("Parts")
    paper.checks(pack.parts)
    paper.small_heading("Who is needed")
    paper.bullets(pack.skills)
    for job in pack.jobs:
        paper.new_page()
        write_sheet(paper, job.document)
    return paper.bytes()


def _safety(paper: Paper, pack: Pack) -> None:
    block = pack.block
    paper.box([block.reminder, block.defers, block.who, block.not_isolation])
    paper.paragraph(
        "Each machine is isolated, locked, tagged and verified by itself, for each job anew, as "
        "the job's own sheet says in its section 1."
    )


def _stop(paper: Paper, number: int, stop: PackStop) -> None:
    paper.small_heading(f"{number}. {stop.site_name}, {stop.arrive} to {stop.leave}")
    contacts = "; ".join(
        ", ".join(part for part in (c.name, c.role, c.phone) if part) for c in stop.contacts
    )
    paper.facts(
        [
            ("Drive", stop.drive),
            ("Where", stop.address),
            ("Access", stop.access),
            ("Contact", contacts),
            ("Why", stop.why),
            ("Pads", stop.dry),
            ("Weather", stop.weather),
        ]
    )
    paper.table(
        ("Time", "Job", "Because"),
        [
            (
                f"{job.minutes} min",
                f"{job.document.unit_name or 'Panel'}: {job.document.plan.title}\n"
                f"Sheet {job.document.number}",
                job.why,
            )
            for job in stop.jobs
        ],
        _WIDTHS,
    )
