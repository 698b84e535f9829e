"""The proof that nothing was lost and nothing was said twice, whatever happened in between.

Three ledgers are compared: what sites published with what the store holds, the alarm journal and
the tickets with those of an undisturbed run, and the mails that the records answer for with what
the mail server accepted.
"""

from __future__ import annotations

import math
import sqlite3
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from gateway.data_directory import JOURNAL_FILE
from gateway.records import Records
from gateway.records.rows import AttemptOutcome, OutboxState
from gateway.telemetry.base import Series
from rules.signals import SIGNALS
from support.smtp import Received
from support.undisturbed import Undisturbed, outline, ticket_keys

__all__ = [
    "all_journalled_is_judged",
    "mailed_once",
    "not_refused",
    "stored_once",
    "told_once",
]

ReadSeries = Callable[[str, str, Sequence[str], int, int], Series]
_NAMES = [s.name for s in SIGNALS]
_MAY_HAVE_BEEN_TAKEN = (AttemptOutcome.ACCEPTED, AttemptOutcome.UNKNOWN)


def stored_once(read: ReadSeries, expected: Undisturbed) -> None:
    """Every published sample is in the store, with its value, once, and nothing else is."""
    for (site, unit), times in expected.samples.items():
        series = read(site, unit, _NAMES, 0, 2**53)
        found = series.time_ms.tolist()
        assert len(found) == len(set(found)), f"{site}/{unit}: an instant is there twice"
        missing, extra = times.keys() - set(found), set(found) - times.keys()
        assert not missing, f"{site}/{unit}: {len(missing)} of {len(times)} instants are missing"
        assert not extra, f"{site}/{unit}: {len(extra)} instants that nobody published"
        for time_ms, values in zip(found, series.values.tolist(), strict=True):
            row = {n: v for n, v in zip(_NAMES, values, strict=True) if not math.isnan(v)}
            assert row == times[time_ms], f"{site}/{unit} at {time_ms}"


def told_once(records: Records, expected: Undisturbed) -> None:
    """Alarm journal and tickets are those of the undisturbed run; no false silence was told."""
    told = [
        (line.site, line.unit, line.event) for line in records.alarm_events(0, 2**60, limit=100_000)
    ]
    lines = outline(told)
    assert lines == expected.lines, (
        f"missing: {expected.lines - lines}\ntoo many: {lines - expected.lines}"
    )
    assert ticket_keys(records) == expected.tickets
    by_clock = [(s, u, e.fault, str(e.change)) for s, u, e in told if len(told) > lines.total()]
    assert len(told) == lines.total(), f"told of the clock: {by_clock}"


def mailed_once(records: Records, received: Sequence[Received]) -> None:
    """Every ticket went out; every mail once for each attempt that the server may have taken."""
    arrived = Counter(str(r.message["Message-ID"]) for r in received)
    # What the gateway says of itself, such as that its disk is full, is nobody's ticket.
    for own in [i for i in arrived if "<watch-" in i]:
        del arrived[own]
    rows = records.outbox(limit=100_000)
    for row in rows:
        if row.state in (OutboxState.WITHDRAWN, OutboxState.HELD):
            assert not arrived[row.message_id]
            continue
        assert row.state is OutboxState.ACCEPTED, row
        outcomes = [a.outcome for a in row.history]
        assert outcomes.count(AttemptOutcome.ACCEPTED) == 1, row
        might = sum(o in _MAY_HAVE_BEEN_TAKEN for o in outcomes)
        assert 1 <= arrived[row.message_id] <= might, (row, arrived[row.message_id])
        assert row.possibly_duplicate == (might > 1), row
    assert arrived.keys() <= {r.message_id for r in rows}, "a mail that the records do not know"
    sent = {r.ticket for r in rows if r.state is OutboxState.ACCEPTED}
    assert sent == {t.number for t in records.tickets(limit=100_000)}


def not_refused(records: Records) -> None:
    """Nothing of what was published went to quarantine."""
    assert records.quarantine(limit=100) == []


def all_journalled_is_judged(data: Path, records: Records) -> Callable[[], bool]:
    """Whether the rules have committed what the journal holds at the time of this call."""
    journal = sqlite3.connect(f"file:{data / JOURNAL_FILE}?mode=ro", uri=True, timeout=120)
    try:
        row = journal.execute("SELECT seq FROM sqlite_sequence WHERE name = 'entries'").fetchone()
    finally:
        journal.close()
    last = int(row[0]) if row else 0
    return lambda: records.committed_offset() >= last
