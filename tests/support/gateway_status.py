"""A status of the gateway in which each figure can be told from every other."""

from __future__ import annotations

from typing import Final

from gateway.journal import Fill, JournalState
from gateway.status import AlarmCount, GatewayStatus, OutboxStatus, ReaderStatus
from gateway.watching.freshness import SiteAges

__all__ = ["STATUS"]

STATUS: Final = GatewayStatus(
    now_ms=1_760_000_060_000, started_ms=1_760_000_000_000, pid=7, sites=3, units=5,
    broker_connected=True, broker="Connected.", messages=120, messages_waiting=2,
    messages_dropped=0, last_message_ms=1_760_000_059_500, frames=240, rejects=4, actions=1,
    late_frames=0, alarm_events=3, journal=JournalState(Fill.OK, 25_000_000, 500_000_000, 1, 90, 0),
    rules=ReaderStatus(88, 2, 236, 0, 4, 1.5), store=ReaderStatus(40, 50, 140, 1, 100, 61.25),
    frames_not_charted=0, mail_waiting=2, troubles=("The store is away.",), samples=960,
    rejects_by_reason={"wrong unit": 3, "topic": 1},
    site_ages=SiteAges(2, 1, 1, (4.0, 9.5, 9.5, 9.5)),
    outbox=OutboxStatus({"pending": 2, "accepted": 8}, 1_760_000_050_000, 1),
    alarms=(AlarmCount("high", "unacknowledged", 2),), store_up=False, mail_up=True,
)  # fmt: skip
