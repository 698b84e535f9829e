"""What was raised, with its evidence."""

from __future__ import annotations

from rules.events import AlarmEvent, Change, Evidence

__all__ = ["only", "raised"]


def raised(events: list[AlarmEvent]) -> dict[str, Evidence]:
    """By fault, the evidence with which it was raised."""
    return {e.fault: e.evidence for e in events if e.change is Change.RAISED and e.evidence}


def only(events: list[AlarmEvent], fault: str) -> Evidence:
    """The evidence of this fault, which is all that was raised."""
    found = raised(events)
    assert list(found) == [fault]
    return found[fault]
