"""How the gateway is: counters, offsets and troubles, as one plain value.

The gateway writes it to the data directory every few seconds, so that the board and the command
line can show it without asking the gateway. Metrics and the gateway's own alarms are made of it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from gateway.journal import JournalState
from gateway.watching.freshness import SiteAges
from gateway.watching.step_times import NO_STEPS, StepTimesSoFar

__all__ = [
    "AlarmCount",
    "GatewayStatus",
    "OutboxStatus",
    "ReaderStatus",
    "read_status",
    "write_status",
]


@dataclass(frozen=True)
class ReaderStatus:
    """How far a reader of the journal has come.

    ``behind`` counts entries, ``behind_frames`` the frames in them; ``lag_s`` is how long the
    oldest of them has waited, 0 where nothing waits.
    """

    offset: int
    behind: int
    frames: int
    set_aside: int
    behind_frames: int = 0
    lag_s: float = 0.0


@dataclass(frozen=True)
class OutboxStatus:
    """Mails by state in words, when the oldest that waits was written, and refused recipients."""

    by_state: Mapping[str, int]
    oldest_waiting_ms: int | None
    refused_recipients: int


@dataclass(frozen=True)
class AlarmCount:
    """So many alarms have this priority and this state, in words; those that are normal not."""

    priority: str
    state: str
    count: int


@dataclass(frozen=True)
class GatewayStatus:
    """The gateway at one moment.

    Times are UTC, ms since 1970; counts are since the start. ``troubles`` are the standing ones,
    in words, each with what to do; empty is good. ``frames_not_charted`` were left out of the
    telemetry store to keep the alarms going when the journal was full. ``outbox`` and ``alarms``
    are None while the records cannot be read, ``journal`` while that cannot.
    """

    now_ms: int
    started_ms: int
    pid: int
    sites: int
    units: int
    broker_connected: bool
    broker: str
    messages: int
    messages_waiting: int
    messages_dropped: int
    last_message_ms: int
    frames: int
    rejects: int
    actions: int
    late_frames: int
    alarm_events: int
    journal: JournalState | None
    rules: ReaderStatus
    store: ReaderStatus
    frames_not_charted: int
    mail_waiting: int | None
    troubles: tuple[str, ...]
    samples: int = 0
    rejects_by_reason: Mapping[str, int] = field(default_factory=dict)
    site_ages: SiteAges = field(default_factory=SiteAges)
    outbox: OutboxStatus | None = None
    alarms: tuple[AlarmCount, ...] | None = None
    store_up: bool = True
    mail_up: bool = True
    rules_steps: StepTimesSoFar = NO_STEPS

    def to_json(self) -> dict[str, Any]:
        """Plain JSON data."""
        return asdict(self)


def write_status(path: Path, status: GatewayStatus) -> None:
    """Replace the file whole; ``OSError`` if the disk does not allow it."""
    partial = path.with_suffix(".part")
    partial.write_text(json.dumps(status.to_json(), indent=1), encoding="utf-8")
    partial.replace(path)


def read_status(path: Path) -> dict[str, Any] | None:
    """What was written last, None if there is none or it cannot be read."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return data if isinstance(data, dict) else None
