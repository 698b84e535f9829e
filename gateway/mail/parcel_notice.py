"""The notice of a claimed message: what its document is made of."""

from __future__ import annotations

from typing import Final

from gateway.records.outbox import Parcel
from gateway.tickets.notice import NoticeKind, TicketEventKind, TicketNotice
from rules.events import Evidence
from rules.faults.registry import unit_concerned

__all__ = ["notice_of"]

_NO_EVIDENCE: Final = Evidence(
    summary="The alarm came without evidence.",
    confidence=0.0,
    limits=("No readings were recorded with this alarm.",),
)


def notice_of(parcel: Parcel, from_address: str, reply_to: str = "") -> TicketNotice:
    """The notice; the same however often it is made."""
    evidence = [e.evidence for e in parcel.entries if e.evidence is not None]
    standing = [e.time_ms for e in parcel.entries if e.kind is TicketEventKind.RETURNED]
    over = parcel.kind in {NoticeKind.RETURNED, NoticeKind.PASSED}
    return TicketNotice(
        number=parcel.ticket,
        kind=parcel.kind,
        site_id=parcel.site,
        unit_id=unit_concerned(parcel.fault, parcel.unit),
        fault=parcel.fault,
        priority=parcel.priority,
        time_ms=parcel.entries[-1].time_ms if parcel.entries else parcel.date_ms,
        onset_ms=parcel.onset_ms,
        opened_ms=parcel.opened_ms,
        returned_ms=standing[-1] if over and standing else None,
        evidence=evidence[-1] if evidence else _NO_EVIDENCE,
        history=parcel.entries,
        to=parcel.to,
        cc=parcel.cc,
        from_address=from_address,
        reply_to=reply_to,
        message_id=parcel.message_id,
        in_reply_to=parcel.in_reply_to,
        references=(parcel.in_reply_to,) if parcel.in_reply_to else (),
        date_ms=parcel.date_ms,
        event_seq=parcel.event_seq,
        listing=parcel.listing,
    )
