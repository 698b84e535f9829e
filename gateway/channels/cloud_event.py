"""A ticket's notice as a CloudEvents 1.0 event in JSON, for another system such as maintenance.

Structured mode: one JSON object with the context attributes and, under ``data``, the ticket. The
isolation block is always in it: whoever turns the event into a work order has it at hand.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import Any, Final
from urllib.parse import quote

from gateway.tickets.notice import NoticeKind, TicketNotice
from gateway.tickets.ticket import Ticket
from rules.safety import IsolationBlock

__all__ = ["CONTENT_TYPE", "EVENT_NAMES", "TYPE_PREFIX", "cloud_event"]

CONTENT_TYPE: Final = "application/cloudevents+json; charset=utf-8"
TYPE_PREFIX: Final = "example.basinward.ticket."
"""Before the kind of notice. A name in reverse order under a domain that RFC 2606 gives nobody, so
that it is the same at every installation and nobody else's."""

_OF_NONE_OR_SEVERAL: Final = {
    NoticeKind.DIGEST, NoticeKind.HAND_OVER, NoticeKind.OUTAGE, NoticeKind.LETTER
}  # fmt: skip
EVENT_NAMES: Final = {
    kind: kind.value.replace(" ", "-") for kind in NoticeKind if kind not in _OF_NONE_OR_SEVERAL
}
"""What follows the prefix, and what oncall.toml calls each kind. Lists of several tickets are mails
only: another system is told of each ticket by itself."""

_DATA_VERSION: Final = 1
_LATEST_MS: Final = 253_402_300_799_000  # end of the year 9999, the last that a date can hold


def cloud_event(ticket: Ticket, notice: TicketNotice, installation: str) -> bytes:
    """The event's JSON. The same notice gives the same bytes, and the same ``id`` at each attempt.

    ``source`` and ``id`` together are unique: ``installation`` is the id of the records.
    """
    event = {
        "specversion": "1.0",
        "id": f"{ticket.number}.{notice.event_seq}",
        "source": f"/basinward/{quote(installation, safe='')}/sites/{quote(notice.site_id, '')}",
        "type": f"{TYPE_PREFIX}{EVENT_NAMES[notice.kind]}",
        "subject": ticket.number,
        "time": _time(notice.time_ms),
        "datacontenttype": "application/json",
        "data": _data(ticket, notice),
    }
    return json.dumps(event, ensure_ascii=False, allow_nan=False).encode("utf-8", "replace")


def _data(ticket: Ticket, notice: TicketNotice) -> dict[str, Any]:
    evidence = notice.evidence
    return {
        "data_version": _DATA_VERSION,
        "ticket": {
            "number": ticket.number,
            "priority": notice.priority,
            "respond": ticket.respond,
            "is_over": ticket.is_over,
            "onset": _time(notice.onset_ms),
            "opened": _time(notice.opened_ms),
            "returned": None if notice.returned_ms is None else _time(notice.returned_ms),
        },
        "site": {
            "id": notice.site_id,
            "name": ticket.site_name,
            "address": ticket.address,
            "access": ticket.access,
            "time_zone": ticket.time_zone,
        },
        "unit": {"id": notice.unit_id, "name": ticket.unit_name, "location": ticket.location},
        "fault": {
            "slug": notice.fault,
            "title": ticket.title,
            "meaning": ticket.meaning,
            "consequence": ticket.consequence,
            "action": ticket.action,
        },
        "evidence": {
            "summary": ticket.summary,
            "confidence_frac": _number(evidence.confidence),
            "readings": [
                {
                    "quantity": reading.quantity,
                    "unit": reading.unit,
                    "measured": _number(reading.measured),
                    "expected": _number(reading.expected),
                }
                for reading in evidence.readings
            ],
            "causes": [
                {
                    "slug": cause.slug,
                    "title": cause.title,
                    "agreement_frac": _number(cause.agreement),
                    "ruled_out": cause.ruled_out,
                    "to_decide": cause.to_decide,
                }
                for cause in evidence.causes
            ],
            "limits": list(ticket.limits),
        },
        "isolation": _isolation(ticket.isolation),
        "job": {
            "slug": ticket.plan.slug,
            "title": ticket.plan.title,
            "skills": ticket.plan.skills,
            "work_min": ticket.plan.work_min,
            "tools": list(ticket.plan.tools),
            "parts": list(ticket.plan.parts),
            "look_first": list(ticket.plan.look_first),
            "steps": list(ticket.plan.steps),
            "return_to_service": list(ticket.plan.return_to_service),
        },
    }


def _isolation(block: IsolationBlock) -> dict[str, Any]:
    return {
        "reminder": block.reminder,
        "defers": block.defers,
        "not_isolation": block.not_isolation,
        "who": block.who,
        "procedure": block.procedure,
        "points": [
            {
                "label": point.label,
                "energy": point.energy,
                "isolates": point.isolates,
                "location": point.location,
                "method": point.method,
                "verify": point.verify,
            }
            for point in block.points
        ],
        "gaps": list(block.gaps),
        "steps": [
            {"number": int(step.part), "title": step.title, "actions": list(step.actions)}
            for step in block.steps
        ],
        "testing": block.testing,
        "release": [
            {"number": int(step.part), "title": step.title, "actions": list(step.actions)}
            for step in block.release
        ],
        "cautions": [
            {"word": str(caution.word.value), "title": caution.title, "text": caution.text}
            for caution in block.cautions
        ],
    }


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _time(time_ms: int) -> str:
    """RFC 3339, UTC, to the millisecond."""
    moment = datetime.fromtimestamp(min(max(time_ms, 0), _LATEST_MS) / 1000, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
