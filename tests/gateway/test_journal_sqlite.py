"""The embedded journal: a list that survives, with trimming, readers, budget, plain failures."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import settings
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from gateway.batch import Batch, Frame, Reason, Reject, SiteStatus
from gateway.journal import (
    Clock,
    Entry,
    Fill,
    Journal,
    JournalError,
    JournalFull,
    JournalUnavailable,
    Rejects,
    SqliteJournal,
)
from rules.events import Action, ActionKind

MS = 1_767_225_600_000


def samples(*rows: int, value: float = 1.0) -> Batch:
    """One frame for each of these units."""
    return Batch.of([Frame(row, MS + row, {0: value, 3: 2.5}) for row in rows])


def noise(n: int, seed: int) -> Batch:
    """Frames that do not compress."""
    rng = np.random.default_rng(seed)
    batch = Batch.of([Frame(i, MS, {}) for i in range(n)])
    batch.values[:] = rng.random(batch.values.shape)
    return batch


def action(number: int) -> Action:
    return Action(number, ActionKind.ACKNOWLEDGE, 0, "fan-fault", MS, "R. Okafor")


def plain(entry: Entry) -> object:
    """Something that compares by value."""
    if isinstance(entry, Batch):
        return (entry.unit_row.tolist(), entry.time_ms.tolist(), repr(entry.values.tolist()))
    return entry


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


@pytest.fixture
def journal(path: Path) -> Iterator[SqliteJournal]:
    journal = SqliteJournal(path)
    yield journal
    journal.close()


def test_it_is_a_journal(journal: SqliteJournal) -> None:
    as_protocol: Journal = journal
    assert as_protocol.last_offset == 0
    assert as_protocol.read_from(0).entries == ()
    assert as_protocol.state().first_offset == 1


ENTRIES = st.one_of(
    st.integers(0, 2**40).map(Clock),
    st.builds(SiteStatus, st.integers(0, 9), st.sampled_from(["quay", "mill"]), st.booleans()),
    st.lists(st.integers(0, 50), max_size=5).map(lambda rows: samples(*rows)),
    st.lists(st.text(max_size=9), max_size=3).map(
        lambda texts: Rejects(tuple(Reject(MS, t, Reason.RECORD, "look", t) for t in texts))
    ),
    st.integers(1, 40).map(action),
)


class JournalIsAList(RuleBasedStateMachine):
    """Whatever is done to it, and however often it is reopened, it reads as a list would."""

    readers = Bundle("readers")

    @initialize()
    def create(self) -> None:
        self.folder = Path(tempfile.mkdtemp())
        self.path = self.folder / "journal.sqlite"
        self.journal = SqliteJournal(self.path)
        self.model: list[tuple[int, int, object, int]] = []
        self.last = 0
        self.offsets: dict[str, int] = {}
        self.damaged: set[int] = set()

    @rule(entries=st.lists(ENTRIES, min_size=1, max_size=4), received_ms=st.integers(0, 2**41))
    def append(self, entries: list[Entry], received_ms: int) -> None:
        before = self.last
        self.last = self.journal.append(entries, received_ms)
        assert self.last == before + len(entries)
        for i, entry in enumerate(entries):
            weight = (
                len(entry)
                if isinstance(entry, Batch)
                else len(entry.items)
                if isinstance(entry, Rejects)
                else 1
            )
            self.model.append((before + 1 + i, received_ms, plain(entry), max(1, weight)))

    @rule(
        start=st.integers(0, 60),
        limit_weight=st.integers(1, 12),
        limit_entries=st.integers(1, 6),
    )
    def read(self, start: int, limit_weight: int, limit_entries: int) -> None:
        """A walk in steps sees everything once, each step within its limits."""
        seen: list[tuple[int, int, object]] = []
        at = start
        while True:
            chunk = self.journal.read_from(
                at, limit_weight=limit_weight, limit_entries=limit_entries
            )
            weights = {o: w for o, _, _, w in self.model}
            assert len(chunk.entries) <= limit_entries
            if len(chunk.entries) > 1:
                assert sum(weights[s.offset] for s in chunk.entries) <= limit_weight
            seen += [(s.offset, s.received_ms, plain(s.entry)) for s in chunk.entries]
            assert chunk.end >= at
            at = chunk.end
            if not chunk.limited:
                break
        assert seen == [(o, r, e) for o, r, e, _ in self.model if o > start]
        assert at == max(start, self.last)

    @rule(up_to=st.integers(0, 60), keep_free_bytes=st.sampled_from([0, 8192]))
    def trim(self, up_to: int, keep_free_bytes: int) -> None:
        gone = [row for row in self.model if row[0] <= up_to]
        assert self.journal.trim(up_to, keep_free_bytes) == len(gone)
        self.model = [row for row in self.model if row[0] > up_to]

    @rule(reader=st.sampled_from(["store", "other"]), offset=st.integers(0, 60))
    def advance(self, reader: str, offset: int) -> None:
        self.journal.advance(reader, offset)
        self.offsets[reader] = max(offset, self.offsets.get(reader, 0))

    @precondition(lambda self: self.model)
    @rule(data=st.data())
    def damage(self, data: st.DataObject) -> None:
        """A byte of an entry changes on the disk: the entry is set aside, all others stay."""
        offset, *_ = data.draw(st.sampled_from(self.model))
        with sqlite3.connect(self.path) as db:
            (payload,) = db.execute(
                "SELECT payload FROM entries WHERE offset = ?", (offset,)
            ).fetchone()
            at = data.draw(st.integers(0, len(payload) - 1))
            bad = payload[:at] + bytes([payload[at] ^ 0x55]) + payload[at + 1 :]
            db.execute("UPDATE entries SET payload = ? WHERE offset = ?", (bad, offset))
        db.close()
        self.model = [row for row in self.model if row[0] != offset]
        self.damaged.add(offset)
        self.journal.read_from(0)

    @rule()
    def reopen(self) -> None:
        self.journal.close()
        self.journal = SqliteJournal(self.path)

    @rule(offset=st.integers(0, 60))
    def begin_after(self, offset: int) -> None:
        self.journal.begin_after(offset)
        self.last = max(self.last, offset)

    @invariant()
    def reach(self) -> None:
        state = self.journal.state()
        assert state.last_offset == self.journal.last_offset == self.last
        assert state.first_offset == (self.model[0][0] if self.model else self.last + 1)
        assert state.set_aside == len(self.damaged)
        assert state.fill is Fill.OK
        for reader in ("store", "other"):
            assert self.journal.reader_offset(reader) == self.offsets.get(reader, 0)

    def teardown(self) -> None:
        self.journal.close()
        shutil.rmtree(self.folder)


TestJournalIsAList = JournalIsAList.TestCase
TestJournalIsAList.settings = settings(max_examples=25, stateful_step_count=20, deadline=None)


def test_what_was_appended_is_there_for_another_process(
    journal: SqliteJournal, path: Path, tmp_path: Path
) -> None:
    """A copy of the files as they lie on the disk, with nothing closed, holds every entry."""
    journal.append([samples(1, 2), Clock(MS)], MS)
    for name in ("journal.sqlite", "journal.sqlite-wal"):
        (tmp_path / "copy").mkdir(exist_ok=True)
        shutil.copy(tmp_path / name, tmp_path / "copy" / name)
    survivor = SqliteJournal(tmp_path / "copy" / "journal.sqlite")
    assert [plain(s.entry) for s in survivor.read_from(0).entries] == [
        plain(samples(1, 2)),
        Clock(MS),
    ]
    survivor.close()


def test_every_commit_waits_for_the_disk(journal: SqliteJournal) -> None:
    """synchronous = 2 is FULL, journal_mode WAL (SQLite documentation, 'Pragma statements')."""
    with journal.transaction("read") as db:
        assert db.execute("PRAGMA synchronous").fetchone() == (2,)
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_an_append_is_all_or_none(journal: SqliteJournal) -> None:
    with journal.transaction("prepared") as db:
        db.execute(
            "CREATE TRIGGER second BEFORE INSERT ON entries WHEN NEW.kind = 4"
            " BEGIN SELECT RAISE(ABORT, 'refused by the test'); END"
        )
    with pytest.raises(JournalUnavailable, match="refused by the test"):
        journal.append([Clock(MS), SiteStatus(MS, "quay", online=True)], MS)
    assert journal.read_from(0).entries == ()
    assert journal.last_offset == 0
    assert journal.append([Clock(MS)], MS) == 1


def test_an_action_is_known_by_its_id(journal: SqliteJournal) -> None:
    journal.append([Clock(MS), action(4), action(9)], MS)
    assert journal.actions_present([3, 4, 9, 12]) == {4, 9}
    journal.trim(2)
    assert journal.actions_present([4, 9]) == {9}


def test_trimming_gives_room_back_to_the_disk(journal: SqliteJournal, path: Path) -> None:
    for seed in range(20):
        journal.append([noise(500, seed)], MS)
    journal.trim(0)
    full = path.stat().st_size
    assert journal.trim(19, keep_free_bytes=0) == 19
    assert path.stat().st_size < full / 4
    assert journal.state().used_bytes <= path.stat().st_size
    assert [s.offset for s in journal.read_from(0).entries] == [20]


def test_the_budget_is_told_before_it_is_used_up_and_then_kept(path: Path) -> None:
    """Near at 80 %; an append that would go beyond is refused whole; trimming makes room again."""
    journal = SqliteJournal(path, budget_bytes=1_500_000)
    fills: list[Fill] = []

    def fill_up() -> None:
        for seed in range(100):
            journal.append([noise(500, seed)], MS)
            fills.append(journal.state().fill)

    with pytest.raises(JournalFull, match=r"of its budget of 1\.5 MB.*budget_mb"):
        fill_up()
    assert set(fills) == {Fill.OK, Fill.NEAR}
    assert fills == sorted(fills, key=[Fill.OK, Fill.NEAR].index)
    state = journal.state()
    assert state.fill is Fill.FULL
    assert state.used_bytes <= 1_500_000
    assert state.last_offset == len(fills)
    journal.trim(len(fills) - 2)
    assert journal.append([noise(500, 1)], MS) == len(fills) + 1
    assert journal.state().fill is Fill.OK
    journal.close()


def test_a_full_disk_loses_nothing_that_was_durable(journal: SqliteJournal) -> None:
    """SQLite's own page limit stands for the disk; its error is the same, SQLITE_FULL."""
    journal.append([noise(100, 0)], MS)
    with journal.transaction("prepared") as db:
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        db.execute(f"PRAGMA max_page_count={pages + 4}").fetchone()
    with pytest.raises(JournalFull, match="the disk is full"):
        journal.append([Clock(MS), noise(500, 1)], MS)
    assert journal.state().fill is Fill.FULL
    assert [s.offset for s in journal.read_from(0).entries] == [1]
    with journal.transaction("prepared") as db:
        db.execute("PRAGMA max_page_count=100000").fetchone()
    assert journal.append([noise(500, 1)], MS) == 2
    assert journal.state().fill is Fill.OK


def test_a_lock_held_by_another_process_is_waited_for_and_then_told(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gateway.journal.sqlite._TIMEOUT_S", 0.05)
    journal = SqliteJournal(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(JournalUnavailable, match="only one gateway runs on this directory"):
        journal.append([Clock(MS)], MS)
    assert journal.read_from(0).entries == ()
    other.execute("ROLLBACK")
    other.close()
    assert journal.append([Clock(MS)], MS) == 1
    journal.close()


def test_a_damaged_entry_is_set_aside_and_reported_with_its_offset(
    journal: SqliteJournal, path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    journal.append([Clock(1), samples(1), Clock(3)], MS)
    with sqlite3.connect(path) as db:
        db.execute("UPDATE entries SET payload = zeroblob(40) WHERE offset = 2")
    db.close()
    assert [s.offset for s in journal.read_from(0).entries] == [1, 3]
    assert "entry at offset 2 (samples) is damaged" in caplog.text
    assert journal.state().set_aside == 1
    caplog.clear()
    assert [s.offset for s in journal.read_from(0).entries] == [1, 3]
    assert not caplog.text, "reported once"


def test_damaged_entries_at_the_end_do_not_make_a_reader_turn_in_place(
    journal: SqliteJournal, path: Path
) -> None:
    journal.append([Clock(1), Clock(2)], MS)
    with sqlite3.connect(path) as db:
        db.execute("UPDATE entries SET payload = x'00' WHERE offset = 2")
    db.close()
    chunk = journal.read_from(1)
    assert chunk.entries == ()
    assert not journal.wait_beyond(chunk.end, timeout_s=0)


def test_what_a_reader_sets_aside_outlives_the_trimming(journal: SqliteJournal) -> None:
    journal.append([samples(1), samples(2)], MS)
    journal.set_aside("store", 2, "refused: too old")
    journal.set_aside("store", 2, "again")
    journal.trim(2)
    assert journal.offsets_set_aside("store") == {2}
    assert journal.offsets_set_aside("rules") == set()
    assert journal.state().set_aside == 1


def test_a_waiting_reader_wakes_for_news_and_for_an_interruption(journal: SqliteJournal) -> None:
    woke: list[bool] = []
    waiting = threading.Thread(target=lambda: woke.append(journal.wait_beyond(0, 30)))
    waiting.start()
    journal.append([Clock(1)], MS)
    waiting.join(120)
    assert woke == [True]

    stop = threading.Event()
    waiting = threading.Thread(target=lambda: woke.append(journal.wait_beyond(1, 30, stop.is_set)))
    waiting.start()
    stop.set()
    journal.wake()
    waiting.join(120)
    assert woke == [True, False]


def test_readers_and_the_writer_work_at_the_same_time(journal: SqliteJournal) -> None:
    """Two readers follow a writer and a trimmer; each sees every offset once, in order."""
    total = 300
    seen: dict[str, list[int]] = {"a": [], "b": []}

    def follow(name: str) -> None:
        at = 0
        while at < total:
            assert journal.wait_beyond(at, 30)
            chunk = journal.read_from(at, limit_entries=7)
            seen[name] += [s.offset for s in chunk.entries]
            at = chunk.end
            journal.advance(name, at)

    threads = [threading.Thread(target=follow, args=(name,)) for name in seen]
    for thread in threads:
        thread.start()
    for number in range(total):
        journal.append([samples(number)], MS)
        if number % 50 == 0:
            journal.trim(min(journal.reader_offset("a"), journal.reader_offset("b")))
    for thread in threads:
        thread.join(120)
    assert seen == {"a": list(range(1, total + 1)), "b": list(range(1, total + 1))}


def test_a_file_of_something_else_is_refused_untouched(path: Path) -> None:
    path.write_text("this is not a database, but long enough to look at" * 20)
    with pytest.raises(JournalError, match="not a journal: move it away"):
        SqliteJournal(path)
    path.unlink()
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE guests (name TEXT)")
    db.close()
    with pytest.raises(JournalError, match="database of something else"):
        SqliteJournal(path)


def test_a_journal_of_a_newer_version_is_refused_untouched(path: Path) -> None:
    SqliteJournal(path).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version=99")
    db.close()
    with pytest.raises(JournalError, match=r"form 99.*newer one wrote it"):
        SqliteJournal(path)


def test_notes_are_kept_with_entries_all_or_none(journal: SqliteJournal, path: Path) -> None:
    assert journal.append([samples(1)], MS, {"a": b"1", "b": b"2"}) == 1
    assert journal.append([], MS, {"a": b"3", "b": None, "c": None}) == 1, "notes are no entries"
    assert journal.notes() == {"a": b"3"}
    with pytest.raises(JournalUnavailable):
        journal.append([samples(2)], MS, {"a": b"4", "d": object()})  # type: ignore[dict-item]
    assert journal.last_offset == 1
    journal.trim(1)
    journal.close()
    again = SqliteJournal(path)
    assert again.notes() == {"a": b"3"}
    again.close()


def test_a_journal_of_the_first_form_is_brought_forward(path: Path) -> None:
    """Its entries, readers and units stay."""
    old = SqliteJournal(path)
    old.append([samples(1), samples(2)], MS)
    old.advance("store", 1)
    old.close()
    with sqlite3.connect(path) as db:
        db.execute("DROP TABLE notes")
        db.execute("PRAGMA user_version=1")
    db.close()
    journal = SqliteJournal(path)
    journal.append([], MS, {"a": b"1"})
    assert journal.notes() == {"a": b"1"}
    assert len(journal.read_from(0).entries) == 2
    assert journal.reader_offset("store") == 1
    journal.close()


def test_a_missing_directory_is_told(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="See that the directory exists"):
        SqliteJournal(tmp_path / "absent" / "journal.sqlite")
