"""A ticket as lines of text and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gateway.records.rows import TicketDetail, TicketRow

__all__ = ["hand_back_told", "row_json", "told", "work_json"]


def row_json(row: TicketRow) -> dict[str, Any]:
    """A ticket without its history, as plain JSON data."""
    return {
        "number": row.number,
        "site": row.site,
        "unit": row.unit,
        "fault": row.fault,
        "priority": row.priority,
        "state": row.state.value,
        "onset_ms": row.onset_ms,
        "opened_ms": row.opened_ms,
        "updated_ms": row.updated_ms,
        "returned_ms": row.returned_ms,
        "acknowledged_ms": row.acknowledged_ms,
        "acknowledged_by": row.acknowledged_by,
        "closed_ms": row.closed_ms,
        "closed_by": row.closed_by,
        "finding": row.finding,
        "assignee": row.assignee,
        "on_site": [{"by": one.by, "since_ms": one.since_ms} for one in row.on_site],
        "stay_until_ms": row.stay_until_ms,
        "work_done_ms": row.work_done_ms,
        "work_done_by": row.work_done_by,
        "verified_ms": row.verified_ms,
    }


def work_json(detail: TicketDetail) -> dict[str, Any]:
    """What was found, what is attached, and what the readings said after the work."""
    check = detail.ticket.hand_back
    return {
        "findings": [
            {
                "part": f.finding.part,
                "found": f.finding.found,
                "verdict": f.finding.verdict.value if f.finding.verdict is not None else None,
                "done": f.finding.done,
                "parts_used": f.finding.parts_used,
                "by": f.by,
                "time_ms": f.time_ms,
                **(f.finding.readings_json() or {"readings": []}),
            }
            for f in detail.findings
        ],
        "attachments": [dict(vars(a)) for a in detail.attachments],
        "hand_back": None
        if check is None
        else {
            "from_ms": check.from_ms,
            "ended_ms": check.ended_ms,
            "proven": check.proven,
            "items": [item.to_json() for item in check.items],
        },
    }


def told(detail: TicketDetail) -> Iterator[str]:
    """The ticket on lines of text, control characters taken out."""
    from gateway.cli.output import clean, utc  # noqa: PLC0415 - lazy

    row = detail.ticket
    place = f"{row.site} / {row.unit}" if row.unit else row.site
    yield clean(f"{row.number}  {row.priority}  {row.state.value}  {place}  {row.fault}")
    yield f"  since {utc(row.onset_ms)}, opened {utc(row.opened_ms)}"
    if row.returned_ms is not None:
        yield f"  readings normal again {utc(row.returned_ms)}"
    if row.acknowledged_ms is not None:
        yield clean(f"  acknowledged {utc(row.acknowledged_ms)} by {row.acknowledged_by}")
    yield from _stages(row)
    yield from _work_told(detail)
    evidence = next((e.evidence for e in reversed(detail.entries) if e.evidence), None)
    if evidence is not None:
        yield ""
        yield clean(f"  {evidence.summary} (confidence {evidence.confidence:.0%})")
        for reading in evidence.readings:
            measured = "not known" if reading.measured is None else f"{reading.measured:g}"
            expected = f", expected {reading.expected:g}" if reading.expected is not None else ""
            note = f" ({reading.note})" if reading.note else ""
            yield clean(f"    {reading.quantity}: {measured} {reading.unit}{expected}{note}")
        for cause in evidence.causes:
            how = "ruled out" if cause.ruled_out else f"fits {cause.agreement:.0%}"
            yield clean(f"    cause: {cause.title} ({how})")
    yield ""
    yield "  history"
    for entry in detail.entries:
        by = f" by {entry.by}" if entry.by else ""
        note = f": {entry.note}" if entry.note else ""
        yield clean(f"    {utc(entry.time_ms)}  {entry.kind.value}{by}{note}")
    for mail in detail.mails:
        to = ", ".join(f"{d.recipient.email} ({d.state.value})" for d in mail.deliveries)
        what = f"{mail.channel.value}, {mail.kind.value}: {mail.state.value}"
        yield clean(f"    {utc(mail.created_ms)}  {what} {to}")
    yield ""
    yield "  Work on the machine begins with the site's own energy-control procedure."


def _stages(row: TicketRow) -> Iterator[str]:
    from gateway.cli.output import clean, utc  # noqa: PLC0415 - lazy

    if row.assignee:
        yield clean(f"  assigned to {row.assignee}")
    for one in row.on_site:
        yield clean(f"  on site, locked out: {one.by} since {utc(one.since_ms)}")
    if row.on_site:
        yield "  The unit's alarms are out of service. That stops no machine and is no isolation."
    if row.work_done_ms is not None:
        yield clean(f"  work done {utc(row.work_done_ms)} by {row.work_done_by}")
    if row.closed_ms is not None:
        yield clean(f"  closed {utc(row.closed_ms)} by {row.closed_by}: {row.finding}")
    if row.verified_ms is not None:
        yield f"  verified by the data {utc(row.verified_ms)}"


def _work_told(detail: TicketDetail) -> Iterator[str]:
    from gateway.cli.output import clean  # noqa: PLC0415 - lazy

    for one in detail.findings:
        f = one.finding
        done = f"; {f.done}" if f.done else ""
        used = f"; used: {f.parts_used}" if f.parts_used else ""
        verdict = f" ({f.verdict.value})" if f.verdict is not None else ""
        yield clean(f"  {f.part}: {f.found}{verdict}{done}{used}")
        for r in f.readings:
            before = f" before {r.before:g} {r.unit}" if r.before is not None else ""
            after = f" after {r.after:g} {r.unit}" if r.after is not None else ""
            yield clean(f"    {r.what}:{before}{after}")
    for a in detail.attachments:
        size = f"{a.size_bytes / 1024:.0f} kB"
        yield clean(f"  attachment {a.position}: {a.name} ({a.media_type}, {size}) by {a.by}")
    yield from hand_back_told(detail)


def hand_back_told(detail: TicketDetail) -> Iterator[str]:
    """What the readings say since the unit was handed back; nothing where it was not."""
    from gateway.aftercare import told_as  # noqa: PLC0415 - lazy
    from gateway.cli.output import clean, utc  # noqa: PLC0415 - lazy

    check = detail.ticket.hand_back
    if check is None:
        return
    if check.ended_ms is None:
        how = "still being checked"
    elif check.proven:
        how = f"proven {utc(check.ended_ms)}"
    else:
        how = f"NOT all proven, {utc(check.ended_ms)}"
    yield f"  hand-back since {utc(check.from_ms)}: {how}"
    for item in check.items:
        yield clean(f"    {told_as(item)}")
