"""What the gateway is itself the problem of: each condition with its limit and what to do.

Pure judgements of one look at the gateway. A condition that stands already is judged by a smaller
limit, so that a value that hovers at the limit makes one episode and not many.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from gateway.journal import Fill
from gateway.journal.sqlite import NEAR_FRAC
from gateway.status import GatewayStatus, ReaderStatus
from gateway.watching.settings import WatchSettings

__all__ = ["CONDITIONS", "Condition", "Finding", "Sight", "lasting"]

_REFUSED_AT_LEAST: Final = 50
"""So many refused records make a share of them mean something (common practice)."""

_SITES_AT_LEAST: Final = 3
"""From so many sites on, silence of all at once is put down to the gateway's side."""


@dataclass(frozen=True)
class Sight:
    """The gateway at one look, as far as conditions need it. Times are in seconds.

    ``broker_away_s`` and ``journal_away_s`` are 0 while they are there, with the reasons beside
    them. ``unheard_s`` is how long nothing has come from anybody while the broker was connected.
    ``refused`` of ``records`` were refused in the last ten minutes. ``clock_step_s`` is by how much
    the clock has jumped since the last look, negative backwards. ``still`` are the threads that
    stand still, and for how long.
    """

    status: GatewayStatus
    broker_away_s: float = 0.0
    broker_why: str = ""
    journal_away_s: float = 0.0
    journal_why: str = ""
    store_why: str = ""
    records_why: str = ""
    mail_why: str = ""
    unheard_s: float = 0.0
    refused: int = 0
    records: int = 0
    clock_step_s: float = 0.0
    still: Mapping[str, float] = field(default_factory=dict)


class Finding(NamedTuple):
    """A condition is met: the value, its limit, the reason that is known (or empty), how long."""

    value: str
    limit: str
    why: str = ""
    lasted_s: float = 0.0


Judge = Callable[[Sight, WatchSettings, bool], Finding | None]
"""(sight, settings, whether the condition stands already) to a finding, None where in order."""


@dataclass(frozen=True)
class Condition:
    """One thing that makes the gateway itself the problem."""

    slug: str
    title: str
    means: str
    action: str
    judge: Judge


def lasting(seconds: float) -> str:
    """A time as people say it: '40 s', '12 min', '3.5 h'."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"


def _broker(sight: Sight, settings: WatchSettings, standing: bool) -> Finding | None:
    away_s = sight.broker_away_s
    if away_s <= (0.0 if standing else settings.broker_away_s):
        return None
    limit = lasting(settings.broker_away_s)
    return Finding(f"away for {lasting(away_s)}", limit, sight.broker_why, away_s)


def _journal(sight: Sight, settings: WatchSettings, standing: bool) -> Finding | None:
    away_s = sight.journal_away_s
    if away_s <= (0.0 if standing else settings.journal_away_s):
        return None
    limit = lasting(settings.journal_away_s)
    return Finding(f"not written for {lasting(away_s)}", limit, sight.journal_why, away_s)


def _budget(sight: Sight, _settings: WatchSettings, _standing: bool) -> Finding | None:
    journal = sight.status.journal
    if journal is None or journal.fill is Fill.OK:
        return None
    share = 100 * journal.used_bytes / journal.budget_bytes
    budget = f"{100 * NEAR_FRAC:.0f} % of {journal.budget_bytes / 1e6:.0f} MB"
    return Finding(f"{share:.0f} %, {journal.used_bytes / 1e6:.0f} MB", budget)


def _behind(
    reader: ReaderStatus, why: str, limit_s: float, settings: WatchSettings, standing: bool
) -> Finding | None:
    part = 0.5 if standing else 1.0
    frames = f"{reader.behind_frames:,} frames"
    if reader.lag_s > part * limit_s:
        value = f"{lasting(reader.lag_s)}, {frames}"
        return Finding(value, lasting(limit_s), why, reader.lag_s)
    if reader.behind_frames > part * settings.behind_frames:
        return Finding(frames, f"{settings.behind_frames:,} frames", why, reader.lag_s)
    return None


def _rules(sight: Sight, settings: WatchSettings, standing: bool) -> Finding | None:
    limit_s = settings.rules_behind_s
    return _behind(sight.status.rules, sight.records_why, limit_s, settings, standing)


def _store(sight: Sight, settings: WatchSettings, standing: bool) -> Finding | None:
    limit_s = settings.store_behind_s
    return _behind(sight.status.store, sight.store_why, limit_s, settings, standing)


def _mail(sight: Sight, settings: WatchSettings, standing: bool) -> Finding | None:
    outbox = sight.status.outbox
    if outbox is None or outbox.oldest_waiting_ms is None:
        return None
    age_s = (sight.status.now_ms - outbox.oldest_waiting_ms) / 1000
    if age_s <= settings.mail_waiting_s * (0.5 if standing else 1.0):
        return None
    waiting = f"{sight.status.mail_waiting} waiting, the oldest for {lasting(age_s)}"
    return Finding(waiting, lasting(settings.mail_waiting_s), sight.mail_why, age_s)


def _silent(sight: Sight, settings: WatchSettings, standing: bool) -> Finding | None:
    if sight.status.sites < _SITES_AT_LEAST:
        return None
    if sight.unheard_s <= settings.all_silent_s / (3.0 if standing else 1.0):
        return None
    value = f"no message from any of {sight.status.sites} sites for {lasting(sight.unheard_s)}"
    return Finding(value, lasting(settings.all_silent_s), "", sight.unheard_s)


def _refused(sight: Sight, settings: WatchSettings, standing: bool) -> Finding | None:
    if sight.refused < _REFUSED_AT_LEAST:
        return None
    share_pct = 100 * sight.refused / sight.records
    if share_pct <= settings.refused_pct * (0.5 if standing else 1.0):
        return None
    value = f"{share_pct:.0f} % ({sight.refused:,} of {sight.records:,} records in 10 min)"
    return Finding(value, f"{settings.refused_pct:g} %")


def _clock(sight: Sight, settings: WatchSettings, _standing: bool) -> Finding | None:
    step_s = sight.clock_step_s
    if abs(step_s) <= settings.clock_step_s:
        return None
    way = "ahead" if step_s > 0 else "back"
    return Finding(f"set {way} by {lasting(abs(step_s))}", lasting(settings.clock_step_s))


def _still(sight: Sight, settings: WatchSettings, _standing: bool) -> Finding | None:
    stuck = {n: s for n, s in sight.still.items() if s > settings.stuck_after_s}
    if not stuck:
        return None
    longest_s = max(stuck.values())
    value = "; ".join(f"{name} for {lasting(s)}" for name, s in sorted(stuck.items()))
    return Finding(value, lasting(settings.stuck_after_s), "", longest_s)


CONDITIONS: Final[tuple[Condition, ...]] = (
    Condition(
        "thread-stuck", "A part of the gateway stands still",
        "It works no more and will not recover by itself; what waits for it is kept.",
        "Restart the gateway (a service manager with a watchdog does) and keep its log for a "
        "report of the defect.",
        _still,
    ),
    Condition(
        "broker-away", "The broker is away",
        "No sample reaches the gateway, so nothing is judged. The broker keeps messages up to its "
        "limit; beyond it they are lost.",
        "See that the broker runs and can be reached from this machine: its service, its log, host "
        "and port under [broker], the network.",
        _broker,
    ),
    Condition(
        "journal-away", "The journal cannot be written",
        "Messages stay unacknowledged and wait at the broker, which keeps only so many.",
        "Look at the disk of the data directory: is it full, read-only, or failing? Free some, or "
        "give the gateway's user its rights back.",
        _journal,
    ),
    Condition(
        "journal-near-budget", "The journal nears its budget",
        "When it is full, charts get a gap, and then messages wait at the broker.",
        "Find out which reader is behind (basinward_reader_lag_seconds in /metrics) and bring back "
        "what it waits for; or raise budget_mb under [journal] and start again.",
        _budget,
    ),
    Condition(
        "rules-behind", "The rules are behind",
        "Alarms and tickets come late; none is lost.",
        "See that the records can be written (their server, or the disk) and that the machine has "
        "a processor to spare.",
        _rules,
    ),
    Condition(
        "store-behind", "The telemetry store is behind",
        "Charts lack the newest samples, which wait in the journal. Alarms and tickets go on.",
        "See that the telemetry store runs, can be reached, and has room on its disk.",
        _store,
    ),
    Condition(
        "mail-not-going-out", "Mail is not going out",
        "Tickets are opened, and people are not told of them. This notice cannot come by mail "
        "either until the server takes mail again.",
        "Read the tickets with `basinward tickets` and call the people. See that the mail server "
        "runs and takes mail: host, port and password under [mail], its log.",
        _mail,
    ),
    Condition(
        "all-sites-silent", "Every site has fallen silent at once",
        "That is hardly the sites: the gateway hears nobody, though the broker is connected. "
        "Silence is not held against the sites meanwhile, so no ticket says so.",
        "Look on the broker for what the sites publish (mosquitto_sub -t 'sites/#'). If messages "
        "come there: check the gateway's right to read sites/#. If none come: the bridge, the "
        "network or the access list before the broker. If the sites really are all dark, call "
        "them.",
        _silent,
    ),
    Condition(
        "many-refused", "Much of what arrives is refused",
        "Refused readings are in quarantine and are not judged.",
        "Run `basinward arrived`: it lists what was refused, with the reason and what to do. "
        "Often a site's equipment, or its site file, has changed.",
        _refused,
    ),
    Condition(
        "clock-stepped", "The machine's clock was stepped",
        "Samples and alarms around that moment may be dated wrongly, and silence misjudged.",
        "See that this machine's clock is right and kept by network time, which sets it gradually.",
        _clock,
    ),
)  # fmt: skip
"""All of them, the gravest first."""
