"""How the gateway is: counters, offsets and troubles, as one plain value.

The gateway writes it to the data directory every few seconds, so that the board and the command
line can show it without asking the gateway.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from gateway.journal import JournalState

__all__ = ["GatewayStatus", "ReaderStatus", "read_status", "write_status"]


@dataclass(frozen=True)
class ReaderStatus:
    """How far a reader of the journal has come; ``behind`` counts entries."""

    offset: int
    behind: int
    frames: int
    set_aside: int


@dataclass(frozen=True)
class GatewayStatus:
    """The gateway at one moment.

    Times are UTC, ms since 1970; counts are since the start. ``troubles`` are the standing ones,
    in words, each with what to do; empty is good. ``frames_not_charted`` were left out of the
    telemetry store to keep the alarms going when the journal was full.
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
