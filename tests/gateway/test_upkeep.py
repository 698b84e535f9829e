"""The journal's upkeep: it trims what nobody needs, and when there is no room charts give way."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from gateway.batch import Batch, Frame
from gateway.journal import Fill, JournalFull, JournalUnavailable, SqliteJournal
from gateway.snapshot import Snapshot, SnapshotFiles
from gateway.store_reader import STORE_READER
from gateway.upkeep import Upkeep

T0 = 1_767_225_600_000
BUDGET_BYTES = 1_500_000


def noise(seed: int) -> Batch:
    """200 frames that do not compress, some 30 kB."""
    batch = Batch.of([Frame(i, T0, {}) for i in range(200)])
    batch.values[:] = np.random.default_rng(seed).random(batch.values.shape)
    return batch


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[SqliteJournal]:
    journal = SqliteJournal(tmp_path / "journal.sqlite", BUDGET_BYTES)
    yield journal
    journal.close()


def fill_up(journal: SqliteJournal) -> int:
    """Append until the journal refuses; the last offset."""
    for seed in range(1000):
        try:
            journal.append([noise(seed)], T0)
        except JournalFull:
            return journal.last_offset
    pytest.fail("the journal never refuses")


def test_it_trims_behind_the_store_and_the_older_snapshot(
    journal: SqliteJournal, tmp_path: Path
) -> None:
    snapshots = SnapshotFiles(tmp_path)
    upkeep = Upkeep(journal, snapshots, lambda: None)
    for seed in range(10):
        journal.append([noise(seed)], T0)
    journal.advance(STORE_READER, 9)
    upkeep.run()
    assert journal.state().first_offset == 1, "no snapshot yet: a restart needs all of it"
    snapshots.save(Snapshot(4, b"one"))
    upkeep.run()
    assert journal.state().first_offset == 1, "only one snapshot: should it be unreadable..."
    snapshots.save(Snapshot(8, b"two"))
    upkeep.run()
    assert journal.state().first_offset == 5
    snapshots.save(Snapshot(10, b"three"))
    snapshots.save(Snapshot(10, b"four"))
    upkeep.run()
    assert journal.state().first_offset == 10, "the store has not got the last entry"
    assert upkeep.frames_not_charted == 0


def test_near_the_budget_it_tells_and_asks_for_a_snapshot(
    journal: SqliteJournal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    asked: list[int] = []
    upkeep = Upkeep(journal, SnapshotFiles(tmp_path), lambda: asked.append(1))
    upkeep.run()
    assert (asked, upkeep.near.standing) == ([], False)
    seed = 0
    while journal.state().fill is Fill.OK:
        journal.append([noise(seed)], T0)
        seed += 1
    upkeep.run()
    upkeep.run()
    assert asked == [1, 1]
    assert upkeep.near.standing
    assert not upkeep.full.standing
    assert caplog.text.count("of its budget of 2 MB: the telemetry store is") == 1


def test_when_it_is_full_charts_give_way_to_alarms_and_it_is_told(
    journal: SqliteJournal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Only what the rules have judged gives way; its extent is in the log and the count."""
    snapshots = SnapshotFiles(tmp_path)
    upkeep = Upkeep(journal, snapshots, lambda: None)
    last = fill_up(journal)
    journal.advance(STORE_READER, 3)
    snapshots.save(Snapshot(last - 10, b""))
    snapshots.save(Snapshot(last - 2, b""))
    upkeep.run()
    left_out = last - 10 - 3
    assert upkeep.frames_not_charted == 200 * left_out
    assert journal.reader_offset(STORE_READER) == last - 10
    assert f"{200 * left_out} frames (journal offsets 4 to {last - 10}) are left out" in caplog.text
    assert journal.append([noise(1)], T0) == last + 1
    assert journal.state().fill is Fill.OK


def test_what_the_rules_have_not_judged_is_never_dropped(
    journal: SqliteJournal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    upkeep = Upkeep(journal, SnapshotFiles(tmp_path), lambda: None)
    last = fill_up(journal)
    upkeep.run()
    assert journal.state().first_offset == 1
    with pytest.raises(JournalFull):
        journal.append([noise(1)], T0)
    assert upkeep.full.standing
    assert "it refuses more: the telemetry store is" in caplog.text
    snapshots = SnapshotFiles(tmp_path)
    upkeep = Upkeep(journal, snapshots, lambda: None)
    for _ in range(2):
        snapshots.save(Snapshot(last, b""))
    journal.advance(STORE_READER, last)
    upkeep.run()
    assert journal.append([noise(1)], T0) == last + 1


def test_a_journal_that_cannot_be_trimmed_is_told_once(
    journal: SqliteJournal,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    upkeep = Upkeep(journal, SnapshotFiles(tmp_path), lambda: None)

    def away(_up_to: int) -> int:
        msg = "The journal is locked."
        raise JournalUnavailable(msg)

    with monkeypatch.context() as patch:
        patch.setattr(journal, "trim", away)
        upkeep.run()
        upkeep.run()
    assert caplog.text.count("The journal is locked. It grows meanwhile.") == 1
    upkeep.run()
    assert "The journal can be trimmed again." in caplog.text
