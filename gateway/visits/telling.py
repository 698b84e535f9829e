"""Confirms and cancels visits: makes the letter of what the records hold, and commits both."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Literal

from gateway.config.configuration import Configuration
from gateway.mail.letter import Letter
from gateway.records import Records
from gateway.records.rows import TicketDetail
from gateway.records.visit_rows import VisitRow, VisitState, WishRow
from gateway.tickets.notice import Recipient
from gateway.visits.pack import Pack, build_pack
from gateway.visits.pack_mail import Sender, cancel_letter, pack_letter
from rules.equipment import Site
from rules.faults.base import Fault
from rules.faults.registry import FAULTS
from rules.own_rules.catalogue import own_fault
from rules.visits.wishes import WishKind

__all__ = [
    "Settling",
    "VisitError",
    "cancellation",
    "confirmation",
    "pack_of",
    "page_of",
]


class VisitError(Exception):
    """It cannot be done as the visit stands; the message says what to do."""


@dataclass(frozen=True)
class Settling:
    """A confirmation or cancellation that is ready to be written, its letter with it.

    Making it takes long (a PDF is laid out), so it is made before the transaction;
    :meth:`write` looks whether the visit is still as it was.
    """

    row: VisitRow
    state: VisitState
    letter: Letter
    to: tuple[Recipient, ...]
    by: str
    note: str
    now_ms: int

    def write(self, records: Records) -> VisitRow:
        """Write it; RecordsError where the visit was changed meanwhile, and nothing is written."""
        return records.settle_visit(
            self.row, self.state, self.letter, self.to, by=self.by, note=self.note,
            now_ms=self.now_ms,
        )  # fmt: skip


def confirmation(
    records: Records,
    configuration: Configuration,
    row: VisitRow,
    *,
    by: str,
    note: str,
    now_ms: int,
) -> Settling:
    """Make ready to confirm a proposed visit and to send its work pack; nothing is written yet."""
    if row.state is VisitState.CONFIRMED:
        msg = f"{row.number} is confirmed already, by {row.changed_by}; its crew has the pack."
        raise VisitError(msg)
    if row.state is VisitState.REOPENED:
        msg = (
            f"{row.number} was opened by a wish of {row.changed_by} and not planned since, so what "
            "it would be is not known. Plan anew (`basinward visits propose`), look at it, then "
            "confirm it."
        )
        raise VisitError(msg)
    if row.state is VisitState.WITHDRAWN:
        msg = (
            f"The plan does not want {row.number} any more. Tell its crew with `basinward visits "
            f"cancel {row.number}`, or wish it back with move and propose."
        )
        raise VisitError(msg)
    if row.state is VisitState.CANCELLED:
        msg = f"{row.number} was cancelled. `basinward visits propose` plans its work anew."
        raise VisitError(msg)
    if row.begins_ms <= now_ms:
        msg = f"{row.number} would have begun by now. `basinward visits propose` plans anew."
        raise VisitError(msg)
    wish = _wished_since(records, row)
    if wish is not None:
        msg = (
            f"Wish {wish.number}, by {wish.by}, is about {row.number} and was made after the plan. "
            "Plan anew (`basinward visits propose`), or end the wish, then confirm."
        )
        raise VisitError(msg)
    to = _members(configuration, row)
    gone = _gone(configuration, row)
    if gone:
        msg = (
            f"{gone[0]} of {row.number} is not in the fleet's files any more. `basinward visits "
            "propose` plans without it."
        )
        raise VisitError(msg)
    pack = pack_of(records, configuration, row, now_ms=now_ms)
    letter = pack_letter(
        pack, row, to, _sender(records, configuration), now_ms=now_ms,
        page=page_of(configuration, row),
    )  # fmt: skip
    return Settling(row, VisitState.CONFIRMED, letter, to, by, note, now_ms)


def cancellation(
    records: Records,
    configuration: Configuration,
    row: VisitRow,
    *,
    by: str,
    note: str,
    now_ms: int,
) -> Settling:
    """Make ready to cancel a visit that its crew knows of; nothing is written yet.

    All who were told of it are told, also where crew or member are not in the files any more.
    """
    if row.state is VisitState.CANCELLED:
        msg = f"{row.number} is cancelled already, by {row.changed_by}."
        raise VisitError(msg)
    if row.sequence < 0:
        msg = (
            f"No crew was told of {row.number}, so there is nothing to cancel. `basinward visits "
            f"refuse {row.number}` keeps it out of the plan."
        )
        raise VisitError(msg)
    if row.ends_ms <= now_ms:
        msg = f"{row.number} is over, so there is nothing to cancel."
        raise VisitError(msg)
    to = _told(records, configuration, row)
    site = _site(configuration, row)
    zone: tzinfo = site.zone if site else UTC
    letter = cancel_letter(
        row, to, _sender(records, configuration), by=by, note=note, zone=zone, now_ms=now_ms
    )
    return Settling(row, VisitState.CANCELLED, letter, to, by, note, now_ms)


def pack_of(records: Records, configuration: Configuration, row: VisitRow, *, now_ms: int) -> Pack:
    """The work pack of a visit as it stands."""
    details: dict[str, TicketDetail] = {}
    faults: dict[str, Fault] = {fault.slug: fault for fault in FAULTS}
    by_id = {site.id: site for site in configuration.sites}
    for stop in row.course.stops:
        for job in stop.jobs:
            for number in job.tickets:
                detail = records.ticket(number)
                if detail is None:
                    continue
                details[number] = detail
                site = by_id.get(stop.site)
                unit = next((u for u in site.units if u.id == job.unit), None) if site else None
                slug = detail.ticket.fault
                if slug not in faults and site is not None and unit is not None:
                    own = own_fault(configuration.rules, site, unit, slug)
                    if own is not None:
                        faults[slug] = own
    told_before = row.sequence > 0 if row.state is VisitState.CONFIRMED else row.sequence >= 0
    kind = "changed" if told_before else "new"
    return build_pack(row, configuration.sites, faults, details, kind=kind, now_ms=now_ms)


def page_of(configuration: Configuration, row: VisitRow) -> Literal["A4", "Letter"]:
    """The paper that is used where the first site is."""
    site = _site(configuration, row)
    return "Letter" if site is not None and site.display_units == "us" else "A4"


def _site(configuration: Configuration, row: VisitRow) -> Site | None:
    first = row.course.stops[0].site if row.course.stops else ""
    return next((site for site in configuration.sites if site.id == first), None)


def _gone(configuration: Configuration, row: VisitRow) -> list[str]:
    """The places of its jobs that no crew can be sent to: nothing says how they are made safe."""
    known = {site.id: {unit.id for unit in site.units} | {""} for site in configuration.sites}
    return [
        f"{stop.site}/{job.unit}" if job.unit else stop.site
        for stop in row.course.stops
        for job in stop.jobs
        if job.unit not in known.get(stop.site, set())
    ]


def _wished_since(records: Records, row: VisitRow) -> WishRow | None:
    """A wish about its jobs that no plan has kept yet; a pin to its own day and crew says nothing
    new."""
    plan = records.visit_plan()
    for wish in records.visit_wishes():
        if plan is not None and wish.made_ms <= plan.made_ms:
            continue
        if not row.course.needs.intersection(wish.needs):
            continue
        if wish.kind is WishKind.PIN and (wish.day, wish.crew) == (row.day, row.crew):
            continue
        return wish
    return None


def _members(configuration: Configuration, row: VisitRow) -> tuple[Recipient, ...]:
    crew = configuration.visits.crew(row.crew)
    if crew is None:
        msg = (
            f"Crew '{row.crew}' of {row.number} is not in crews.toml any more, so nobody would get "
            "the mail. Put it back, or plan anew."
            + (" Its members know of the visit: cancel it." if row.sequence >= 0 else "")
        )
        raise VisitError(msg)
    return crew.members


def _told(records: Records, configuration: Configuration, row: VisitRow) -> tuple[Recipient, ...]:
    """Who has the visit in the calendar, and the crew's members of today; each once."""
    crew = configuration.visits.crew(row.crew)
    people = {person.email.lower(): person for person in records.told_of_visit(row)}
    for person in crew.members if crew is not None else ():
        people.setdefault(person.email.lower(), person)
    return tuple(people.values())


def _sender(records: Records, configuration: Configuration) -> Sender:
    mail = configuration.mail
    return Sender(mail.reply_to or mail.from_address, records.installation)
