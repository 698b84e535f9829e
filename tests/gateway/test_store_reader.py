"""The store reader: every sample reaches the store, or stays where a person finds it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import cast

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings

from gateway.batch import Batch, Frame
from gateway.journal import Clock, SqliteJournal
from gateway.outage import Outage
from gateway.store_reader import STORE_READER, StoreReader
from gateway.telemetry import EmbeddedStore, StoreRefused, StoreUnavailable, TelemetryStore
from gateway.worker import Stopped

T0 = 1_767_225_600_000


def frames(*levels: float, row: int = 0) -> Batch:
    """Frames of one unit, one a second, beginning at the first level's own value in seconds."""
    return Batch.of([Frame(row, T0 + round(1000 * v), {0: v}) for v in levels])


@dataclass
class Shelf:
    """A store in memory. ``troubles`` come first; then it refuses batches with a bad level."""

    troubles: list[Exception] = field(default_factory=list)
    refused_above: float = 1e9
    writes: list[list[float]] = field(default_factory=list)
    attempts: int = 0
    maintained: list[int] = field(default_factory=list)
    threads: set[str] = field(default_factory=set)

    def write(self, batch: Batch) -> None:
        self.threads.add(threading.current_thread().name)
        self.attempts += 1
        if self.troubles:
            raise self.troubles.pop(0)
        levels = batch.values[:, 0].tolist()
        if max(levels) > self.refused_above:
            msg = "the store refuses a level."
            raise StoreRefused(msg)
        self.writes.append(levels)

    def maintain(self, now_ms: int) -> None:
        self.threads.add(threading.current_thread().name)
        if self.troubles:
            raise self.troubles.pop(0)
        self.maintained.append(now_ms)

    @property
    def stored(self) -> list[float]:
        return [v for levels in self.writes for v in levels]


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[SqliteJournal]:
    journal = SqliteJournal(tmp_path / "journal.sqlite")
    yield journal
    journal.close()


def reader_of(
    journal: SqliteJournal, store: object, rows_a_write: int = 10_000, pause_s: float = 0
) -> StoreReader:
    reader = StoreReader(
        journal, cast("TelemetryStore", store), lambda: T0,
        min_interval_s=0, rows_a_write=rows_a_write,
    )  # fmt: skip
    reader.outage = Outage(
        logging.getLogger("test.store"), "The store is back.",
        first_pause_s=pause_s, longest_pause_s=pause_s,
    )  # fmt: skip
    return reader


def run_to_end(reader: StoreReader, at_most: int = 100) -> None:
    for _ in range(at_most):
        if not reader.step():
            return
    pytest.fail("the store reader does not come to the end")


def test_small_entries_become_one_write_and_the_offset_moves_past_all(
    journal: SqliteJournal,
) -> None:
    for level in range(5):
        journal.append([frames(level), Clock(T0)], T0)
    shelf = Shelf()
    reader = reader_of(journal, shelf)
    run_to_end(reader)
    assert shelf.writes == [[0, 1, 2, 3, 4]]
    assert journal.reader_offset(STORE_READER) == reader.offset == 10
    assert (reader.counts.frames, reader.counts.writes) == (5, 1)


def test_a_backlog_is_written_in_bounded_writes(journal: SqliteJournal) -> None:
    for level in range(0, 40, 4):
        journal.append([frames(level, level + 1, level + 2, level + 3)], T0)
    shelf = Shelf()
    run_to_end(reader_of(journal, shelf, rows_a_write=10))
    assert [len(w) for w in shelf.writes] == [8, 8, 8, 8, 8]
    assert shelf.stored == list(range(40))


def test_clock_entries_alone_are_passed_without_a_write(journal: SqliteJournal) -> None:
    journal.append([Clock(T0), frames()], T0)
    shelf = Shelf()
    run_to_end(reader_of(journal, shelf))
    assert shelf.attempts == 0
    assert journal.reader_offset(STORE_READER) == 2


def test_an_outage_delays_and_loses_nothing_and_is_told_once(
    journal: SqliteJournal, caplog: pytest.LogCaptureFixture
) -> None:
    journal.append([frames(1), frames(2)], T0)
    shelf = Shelf([StoreUnavailable("The store cannot be reached.") for _ in range(5)])
    reader = reader_of(journal, shelf)
    for _ in range(5):
        reader.step()
        assert journal.reader_offset(STORE_READER) == 0
    run_to_end(reader)
    assert shelf.stored == [1, 2]
    assert [r.message.split(" It was")[0] for r in caplog.records] == [
        "The store cannot be reached.",
        "The store is back.",
    ]


def test_the_pause_that_the_server_asks_for_is_kept() -> None:
    outage = Outage(logging.getLogger("test"), "back", first_pause_s=1, longest_pause_s=60)
    assert outage.failed("busy", 20.0) == 20.0
    assert outage.failed("busy") == 2.0
    assert outage.failed("busy", 1e9) == 600.0, "within reason"


def test_samples_that_are_refused_alone_are_set_aside_and_the_rest_is_stored(
    journal: SqliteJournal, caplog: pytest.LogCaptureFixture
) -> None:
    journal.append([frames(1), frames(2, 900), frames(3), frames(4)], T0)
    shelf = Shelf(refused_above=500)
    reader = reader_of(journal, shelf)
    run_to_end(reader)
    assert sorted(set(shelf.stored)) == [1, 3, 4]
    assert journal.offsets_set_aside(STORE_READER) == {2}
    assert journal.reader_offset(STORE_READER) == 4
    assert reader.counts.set_aside == 1
    assert "entry at offset 2, while it takes others: the store refuses a level." in caplog.text
    journal.trim(4)
    assert journal.state().set_aside == 1, "kept when the journal is trimmed"


def test_a_store_that_refuses_everything_is_waited_for(journal: SqliteJournal) -> None:
    """A wrong token is not the samples' fault."""
    journal.append([frames(1), frames(2)], T0)
    shelf = Shelf(refused_above=-1)
    reader = reader_of(journal, shelf)
    for _ in range(3):
        reader.step()
    assert journal.reader_offset(STORE_READER) == 0
    assert journal.offsets_set_aside(STORE_READER) == set()
    assert reader.outage.why == "the store refuses a level."
    shelf.refused_above = 500
    run_to_end(reader)
    assert shelf.stored == [1, 2]


def test_refused_samples_do_not_hold_up_newer_ones_for_ever(journal: SqliteJournal) -> None:
    """A chunk of nothing but refused samples is known by the store taking a newer batch."""
    journal.append([frames(900), frames(901)], T0)
    shelf = Shelf(refused_above=500)
    reader = reader_of(journal, shelf, rows_a_write=2)
    reader.step()
    assert journal.reader_offset(STORE_READER) == 0
    journal.append([frames(1)], T0)
    run_to_end(reader)
    assert journal.offsets_set_aside(STORE_READER) == {1, 2}
    assert set(shelf.stored) == {1}


def test_where_the_journal_was_moved_on_to_make_room_it_goes_on_from_there(
    journal: SqliteJournal,
) -> None:
    journal.append([frames(1), frames(2), frames(3)], T0)
    shelf = Shelf([StoreUnavailable("away")])
    reader = reader_of(journal, shelf)
    reader.step()
    journal.advance(STORE_READER, 2)
    journal.trim(2)
    run_to_end(reader)
    assert shelf.stored == [3]


def test_upkeep_is_done_by_the_thread_that_writes(journal: SqliteJournal) -> None:
    shelf = Shelf()
    done = threading.Event()
    maintain = shelf.maintain
    shelf.maintain = lambda now_ms: (maintain(now_ms), done.set())[0]  # type: ignore[method-assign]
    reader = reader_of(journal, shelf)
    reader.start()
    journal.append([frames(1)], T0)
    reader.request_maintenance()
    assert done.wait(120)
    reader.stop()
    assert reader.join(120)
    assert shelf.maintained == [T0]
    assert shelf.stored == [1]
    assert shelf.threads == {"store reader"}


def test_upkeep_that_fails_is_told_once_and_stops_nothing(
    journal: SqliteJournal, caplog: pytest.LogCaptureFixture
) -> None:
    reader = reader_of(journal, Shelf([StoreUnavailable("disk full."), StoreRefused("disk full.")]))
    for _ in range(3):
        reader.maintain()
    assert caplog.text.count("disk full. Rollups and retention wait.") == 1
    assert "upkeep works again" in caplog.text


def test_it_stops_at_once_while_the_store_is_away(journal: SqliteJournal) -> None:
    journal.append([frames(1)], T0)
    tried = threading.Event()

    @dataclass
    class Away(Shelf):
        def write(self, batch: Batch) -> None:
            tried.set()
            msg = "away"
            raise StoreUnavailable(msg, retry_after_s=3600)

    reader = reader_of(journal, Away(), pause_s=3600)
    reader.start()
    assert tried.wait(120)
    reader.stop()
    assert reader.join(120)
    assert journal.reader_offset(STORE_READER) == 0


class PulledPlugError(BaseException):
    """The process ends here."""


@given(data=st.data())
@settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_killed_at_any_point_the_store_holds_each_sample_once(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """The plug is pulled before a write, after it, or after the offset has moved."""
    folder = tmp_path_factory.mktemp("store")
    journal = SqliteJournal(folder / "journal.sqlite")
    sizes = data.draw(st.lists(st.integers(1, 4), min_size=1, max_size=12))
    level = 0
    for size in sizes:
        journal.append([frames(*range(level, level + size))], T0)
        level += size
    store = EmbeddedStore(
        folder / "telemetry.sqlite", {0: ("quay", "ac-1")},
        retention_days=36_500, rollup_retention_days=36_500,
    )  # fmt: skip

    def pulled(work: Callable[..., None]) -> Callable[..., None]:
        def perhaps(*args: object) -> None:
            when = data.draw(st.sampled_from(["", "", "", "before", "after"]))
            if when == "before":
                raise PulledPlugError
            work(*args)
            if when == "after":
                raise PulledPlugError

        return perhaps

    write, advance = store.write, journal.advance
    for _life in range(200):
        store.write = pulled(write)  # type: ignore[method-assign]
        journal.advance = pulled(advance)  # type: ignore[method-assign]
        reader = reader_of(journal, store, rows_a_write=data.draw(st.integers(1, 6)))
        try:
            run_to_end(reader)
        except PulledPlugError:
            continue
        break
    series = store.read("quay", "ac-1", ["basin_level"], 0, 2**50)
    assert series.values[:, 0].tolist() == list(range(level))
    assert series.time_ms.tolist() == [T0 + 1000 * n for n in range(level)]
    store.close()
    journal.close()


def test_stopping_between_attempts_leaves_the_rest_for_the_next_start(
    journal: SqliteJournal,
) -> None:
    journal.append([frames(1)], T0)
    reader = reader_of(journal, Shelf([StoreUnavailable("away")]))
    reader.stop()
    with pytest.raises(Stopped):
        reader.step()
    again = Shelf()
    run_to_end(reader_of(journal, again))
    assert again.stored == [1]
