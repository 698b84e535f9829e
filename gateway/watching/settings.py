"""Settings of the gateway's watch over itself: where it answers, whom it tells, and its limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["DEFAULT_PORT", "WatchSettings"]

DEFAULT_PORT: Final = 8493
"""Means nothing; another is as good. It is below the range of outgoing connections."""


@dataclass(frozen=True)
class WatchSettings:
    """How the gateway watches itself.

    With ``serve`` it answers ``/health`` and ``/metrics`` at ``address`` and ``port`` (0: any free
    one). ``operators`` are the addresses that its own alarms are mailed to; where there is none,
    the teams' monitoring desks get them. ``syslog_host`` gets them too, as syslog messages over UDP
    (RFC 5424, RFC 5426), also while no mail goes out.

    Limits, beyond which it holds itself for the problem: the broker away for ``broker_away_s``; the
    journal not writable for ``journal_away_s``; an entry waiting for the rules longer than
    ``rules_behind_s``, for the telemetry store longer than ``store_behind_s``, or more than
    ``behind_frames`` waiting for either; a mail waiting for ``mail_waiting_s``; not one message in
    ``all_silent_s`` while the broker is connected; more than ``refused_pct`` of what arrived in ten
    minutes refused; the machine's clock stepped by ``clock_step_s``; a thread that stands still for
    ``stuck_after_s``. What has been in order for ``calm_s`` is over.
    """

    serve: bool = True
    address: str = "127.0.0.1"
    port: int = DEFAULT_PORT
    operators: tuple[str, ...] = ()
    syslog_host: str = ""
    syslog_port: int = 514
    broker_away_s: float = 300.0
    journal_away_s: float = 60.0
    rules_behind_s: float = 300.0
    store_behind_s: float = 1800.0
    behind_frames: int = 2_000_000
    mail_waiting_s: float = 1800.0
    all_silent_s: float = 600.0
    refused_pct: float = 20.0
    clock_step_s: float = 10.0
    stuck_after_s: float = 120.0
    calm_s: float = 300.0

    @property
    def syslog(self) -> tuple[str, int] | None:
        """Host and port of the syslog server, None where there is none."""
        return (self.syslog_host, self.syslog_port) if self.syslog_host else None
