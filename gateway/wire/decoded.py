"""What a message said: samples, refusals, a site's status; and how refusals are put together.

Every format of the wire ends here. Whatever comes becomes samples, quarantine entries with a
reason a person can act on, or both, and the counts add up (see :class:`Decoded`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from gateway.batch import Frame, Reason, RefusedReading, Reject, SiteStatus
from gateway.wire.advice import excerpt, explain, printable
from gateway.wire.targets import Refusal
from gateway.wire.unit_wire import UnitWire

__all__ = [
    "MAX_PAYLOAD_BYTES",
    "MAX_RECORDS",
    "Decoded",
    "Refusals",
    "frames_of",
    "merged",
    "of_unit",
    "refused",
    "too_large",
]

MAX_PAYLOAD_BYTES: Final = 256 * 1024
MAX_RECORDS: Final = 10_000
"""Records of a SenML pack, or metrics of a Sparkplug message, that are read."""

_SUBJECTS_TOLD: Final = 5


@dataclass(frozen=True)
class Decoded:
    """What one message said.

    ``frames`` are in order of time, one an instant and unit. ``records`` counts the records
    (Sparkplug: metrics) of a message that was read, ``samples`` those that became a value of a
    frame, ``carriers`` those that held no reading: base fields only, a null, a control metric.
    Unless the message was refused whole (then ``records`` is 0 and there is one reject),
    ``records == samples + carriers + sum(r.count for r in rejects)``. A signal that came twice for
    an instant counts as two samples and one value, the later.

    ``lost`` are rejects beside that sum: messages that were never seen.
    """

    frames: tuple[Frame, ...] = ()
    rejects: tuple[Reject, ...] = ()
    status: SiteStatus | None = None
    records: int = 0
    samples: int = 0
    carriers: int = 0
    lost: tuple[Reject, ...] = ()


def merged(parts: Sequence[Decoded]) -> Decoded:
    """What several messages said, as if they were one; the last status counts."""
    if len(parts) == 1:
        return parts[0]
    statuses = [p.status for p in parts if p.status is not None]
    return Decoded(
        frames=tuple(f for p in parts for f in p.frames),
        rejects=tuple(r for p in parts for r in p.rejects),
        status=statuses[-1] if statuses else None,
        records=sum(p.records for p in parts),
        samples=sum(p.samples for p in parts),
        carriers=sum(p.carriers for p in parts),
        lost=tuple(r for p in parts for r in p.lost),
    )


class Refusals:
    """The refused records of one message, gathered by reason."""

    def __init__(self, items: Sequence[object]) -> None:
        """``items`` are the records, for the excerpts."""
        self._items = items
        self._first: dict[Reason, tuple[int, Refusal]] = {}
        self._counts: dict[Reason, int] = {}
        self._subjects: dict[Reason, dict[str, None]] = {}
        self._readings: dict[Reason, dict[str, RefusedReading]] = {}
        self.count = 0

    def add(self, index: int, refusal: Refusal) -> None:
        """The record at ``index`` is refused."""
        reason = refusal.reason
        self.count += 1
        self._counts[reason] = self._counts.get(reason, 0) + 1
        self._first.setdefault(reason, (index, refusal))
        subjects = self._subjects.setdefault(reason, {})
        if refusal.subject and len(subjects) <= _SUBJECTS_TOLD:
            subjects[refusal.subject] = None
        if (reading := refusal.reading) is not None:
            newest = self._readings.setdefault(reason, {})
            if reading.signal not in newest or reading.time_ms >= newest[reading.signal].time_ms:
                newest[reading.signal] = reading

    def rejects(
        self, topic: str, received_ms: int, *, site: str = "", unit: str = ""
    ) -> tuple[Reject, ...]:
        """One reject a reason."""
        return tuple(
            Reject(
                received_ms=received_ms,
                topic=printable(topic),
                reason=reason,
                detail=printable(explain(reason, refusal.what + self._more(reason)), 1000),
                excerpt=excerpt(self._items[index]),
                site=site,
                unit=unit,
                count=self._counts[reason],
                readings=tuple(self._readings.get(reason, {}).values()),
            )
            for reason, (index, refusal) in self._first.items()
        )

    def _more(self, reason: Reason) -> str:
        """How many other records there were, and of what."""
        others = self._counts[reason] - 1
        if not others:
            return ""
        subjects = [s[:40] for s in self._subjects[reason]][1:]
        about = ""
        if subjects:
            told = ", ".join(subjects[: _SUBJECTS_TOLD - 1])
            about = f" ({told}{', …' if len(subjects) >= _SUBJECTS_TOLD else ''})"
        return f" The same holds for {others} more record{'s' * (others > 1)}{about}."


def refused(
    topic: str,
    payload: bytes,
    received_ms: int,
    reason: Reason,
    what: str,
    *,
    site: str = "",
    unit: str = "",
) -> Decoded:
    """A message refused whole."""
    reject = Reject(
        received_ms=received_ms,
        topic=printable(topic),
        reason=reason,
        detail=printable(explain(reason, what), 1000),
        excerpt=excerpt(payload),
        site=site,
        unit=unit,
    )
    return Decoded(rejects=(reject,))


def too_large(
    topic: str, payload: bytes, received_ms: int, *, site: str = "", unit: str = ""
) -> Decoded:
    """A message beyond :data:`MAX_PAYLOAD_BYTES`, refused whole."""
    what = f"The message has {len(payload)} bytes; the limit is {MAX_PAYLOAD_BYTES}."
    return refused(topic, payload, received_ms, Reason.TOO_LARGE, what, site=site, unit=unit)


def of_unit(wire: UnitWire) -> dict[str, str]:
    """The site and unit of a refusal."""
    return {"site": wire.site, "unit": wire.unit}


def frames_of(wire: UnitWire, by_time: Mapping[int, dict[int, float]]) -> tuple[Frame, ...]:
    """One frame an instant, in order of time."""
    return tuple(Frame(wire.row, time_ms, by_time[time_ms]) for time_ms in sorted(by_time))
