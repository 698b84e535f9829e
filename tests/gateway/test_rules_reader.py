"""The rules reader: whatever happens to it, the records tell the same story, once."""

from __future__ import annotations

import logging
import shutil
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from support.examples import examples
from support.gateway_fleet import SITES, UNITS
from support.ledger_engine import HIGH_MM, POISON_MM, LedgerEngine

from gateway.batch import Batch, Frame, Reason, Reject, SiteStatus
from gateway.journal import Clock, Entry, Rejects, SqliteJournal
from gateway.outage import Outage
from gateway.records.session import RecordsUnavailable
from gateway.rules_reader import MAX_SET_ASIDE, RulesReader
from gateway.snapshot import NAMES, SnapshotFiles
from gateway.worker import Stopped
from rules.engine import Engine
from rules.events import Action, ActionKind, AlarmEvent, BaselineChange, StepResult
from rules.plan import FleetPlan
from rules.signals import INDEX

T0 = 1_767_225_600_000
REJECT = Reject(T0, "sites/x", Reason.TOPIC, "Write sites/<site>/<unit>.")


class PulledPlugError(BaseException):
    """The process ends here."""


@dataclass
class Ledger:
    """Records in memory, with troubles on order: 'away', 'plug before' or 'plug after' a commit."""

    offset: int = 0
    events: list[AlarmEvent] = field(default_factory=list)
    baselines: list[BaselineChange] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    action_ids: list[int] = field(default_factory=list)
    commits: list[tuple[int, int]] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)

    def committed_offset(self) -> int:
        return self.offset

    def commit(
        self,
        offset: int,
        result: StepResult,
        rejects: Sequence[Reject],
        now_ms: int,
        action_ids: Sequence[int] = (),
    ) -> bool:
        trouble = self.troubles.pop(0) if self.troubles else ""
        if trouble == "away":
            msg = "The records cannot be written now: locked."
            raise RecordsUnavailable(msg)
        if trouble == "plug before":
            raise PulledPlugError
        assert offset > self.offset
        self.offset = offset
        self.events += result.events
        self.baselines += result.baselines
        self.rejects += rejects
        self.action_ids += action_ids
        self.commits.append((offset, now_ms))
        if trouble == "plug after":
            raise PulledPlugError
        return True

    @property
    def story(self) -> tuple[object, ...]:
        """What was said of each unit, in order; units may interleave differently."""
        return (
            sorted(self.events, key=lambda e: (e.unit_row, e.time_ms, e.fault, e.change)),
            sorted(self.baselines, key=lambda b: (b.unit_row, b.time_ms)),
            self.rejects,
            self.action_ids,
        )


def frames(*spec: tuple[int, int, float]) -> Batch:
    """Frames of (unit row, seconds after T0, level)."""
    return Batch.of([Frame(row, T0 + 1000 * at, {0: level}) for row, at, level in spec])


def action(number: int) -> Action:
    return Action(number, ActionKind.ACKNOWLEDGE, 1, "level-frozen", T0, "R. Okafor", str(number))


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[SqliteJournal]:
    journal = SqliteJournal(tmp_path / "journal.sqlite")
    yield journal
    journal.close()


def reader_of(
    journal: SqliteJournal,
    ledger: Ledger,
    directory: Path,
    make_engine: Callable[[], LedgerEngine] = LedgerEngine,
    **options: float,
) -> RulesReader:
    reader = RulesReader(
        journal,
        ledger,
        make_engine,
        SnapshotFiles(directory),
        min_interval_s=0,
        **options,  # type: ignore[arg-type]
    )
    reader.records_outage = Outage(
        logging.getLogger("test.records"), "Records are back.", first_pause_s=0, longest_pause_s=0
    )
    return reader


def run_to_end(reader: RulesReader) -> None:
    reader.recover()
    while reader.step():
        pass


def test_each_kind_of_entry_has_its_effect_in_order(journal: SqliteJournal, tmp_path: Path) -> None:
    journal.append([Clock(T0), frames((0, 1, 50.0), (1, 1, 150.0)), Rejects((REJECT,))], T0 + 1)
    journal.append([SiteStatus(T0, "quay", online=True), action(7), Clock(T0 + 5000)], T0 + 2)
    journal.append([Clock(T0 + 9000, listening=False), frames((1, 9, 90.0))], T0 + 3)
    ledger, engine = Ledger(), LedgerEngine()
    reader = reader_of(journal, ledger, tmp_path, lambda: engine)
    run_to_end(reader)
    assert engine.calls == [
        "clock", "samples 2", "status quay True", "act 7", "clock", "clock", "samples 1"
    ]  # fmt: skip
    assert [(e.unit_row, e.change.value, e.note) for e in ledger.events] == [
        (1, "raised", "frame 1"),
        (1, "acknowledged", "7"),
        (1, "returned to normal", "frame 2"),
    ]
    assert ledger.rejects == [REJECT]
    assert ledger.action_ids == [7]
    assert ledger.commits == [(8, T0 + 3)], "one transaction for all that had come"
    assert reader.offset == reader.committed_offset == 8


def test_frames_that_follow_each_other_are_taken_in_one_call(
    journal: SqliteJournal, tmp_path: Path
) -> None:
    for at in range(5):
        journal.append([frames((0, at, 1.0), (1, at, 1.0)), Rejects((REJECT,))], T0)
    journal.append([Clock(T0)], T0)
    journal.append([frames((0, 9, 1.0))], T0)
    engine = LedgerEngine()
    run_to_end(reader_of(journal, Ledger(), tmp_path, lambda: engine))
    assert engine.calls == ["samples 10", "clock", "samples 1"]


def test_a_late_frame_stays_late_when_frames_are_taken_together(
    journal: SqliteJournal, tmp_path: Path
) -> None:
    """One entry at a time it would be late; sorted among the others it would be judged."""
    for at, level in ((10, 1.0), (5, 200.0), (11, 1.0)):
        journal.append([frames((0, at, level))], T0)
    ledger = Ledger()
    reader = reader_of(journal, ledger, tmp_path)
    run_to_end(reader)
    assert ledger.events == []


def test_a_backlog_is_taken_in_steps_of_bounded_size(
    journal: SqliteJournal, tmp_path: Path
) -> None:
    for at in range(40):
        journal.append([frames(*((row, at, 1.0) for row in range(10)))], T0)
    engine = LedgerEngine()
    run_to_end(reader_of(journal, Ledger(), tmp_path, lambda: engine, chunk_frames=50))
    assert engine.calls == ["samples 50"] * 8


def test_a_step_is_committed_again_and_not_evaluated_again_while_the_records_are_away(
    journal: SqliteJournal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    journal.append([frames((0, 1, 150.0))], T0)
    ledger, engine = Ledger(troubles=["away"] * 4), LedgerEngine()
    reader = reader_of(journal, ledger, tmp_path, lambda: engine)
    run_to_end(reader)
    assert engine.calls == ["samples 1"]
    assert len(ledger.events) == 1
    assert [r.levelname for r in caplog.records] == ["ERROR", "WARNING"]
    assert "The records cannot be written now: locked. Alarms and tickets wait" in caplog.text
    assert "Records are back. It was away for" in caplog.text
    assert not reader.records_outage.standing


def test_stopped_while_the_records_are_away_it_saves_no_snapshot_ahead_of_them(
    journal: SqliteJournal, tmp_path: Path
) -> None:
    journal.append([frames((0, 1, 150.0))], T0)
    reader = reader_of(journal, Ledger(troubles=["away"] * 1000), tmp_path)
    reader.recover()
    reader.stop()
    with pytest.raises(Stopped):
        reader.step()
    reader.save_snapshot()
    assert SnapshotFiles(tmp_path).load() == []


ENTRIES = st.one_of(
    st.lists(
        st.tuples(st.integers(0, 3), st.integers(0, 200), st.sampled_from([50.0, 150.0])),
        min_size=1,
        max_size=6,
    ).map(lambda spec: frames(*spec)),
    st.integers(0, 40).map(lambda n: Clock(T0 + n * 10_000)),
    st.booleans().map(lambda online: SiteStatus(T0, "quay", online)),
    st.just(Rejects((REJECT,))),
)


@given(
    stream=st.lists(ENTRIES, min_size=1, max_size=40),
    cuts=st.lists(st.integers(1, 6), min_size=8, max_size=8),
    troubles=st.lists(st.sampled_from(["", "", "away", "plug before", "plug after"]), max_size=12),
    snapshots=st.lists(st.booleans(), min_size=60, max_size=60),
    damage=st.lists(st.sampled_from(["", "", "", *NAMES]), min_size=13, max_size=13),
)
@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_killed_at_any_point_the_records_tell_what_an_undisturbed_run_tells(
    stream: list[Entry],
    cuts: list[int],
    troubles: list[str],
    snapshots: list[bool],
    damage: list[str],
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """Plug pulled before or after a commit, records away, snapshots taken or not, damaged or not.

    The undisturbed run takes the journal one entry at a time.
    """
    folder = tmp_path_factory.mktemp("kill")
    journal = SqliteJournal(folder / "journal.sqlite")
    with_actions = [*stream, action(1), *stream[:3], action(2)]
    for i, entry in enumerate(with_actions):
        journal.append([entry], T0 + i)
    plain = Ledger()
    run_to_end(reader_of(journal, plain, folder / "plain", chunk_frames=1))
    assert plain.offset == len(with_actions)

    ledger = Ledger(troubles=list(troubles))
    take_snapshot = iter(snapshots * 10)
    for life in range(len(troubles) + 1):
        if damage[life] and (folder / damage[life]).exists():
            (folder / damage[life]).write_bytes(b"torn")
        reader = reader_of(journal, ledger, folder, chunk_frames=cuts[life % len(cuts)])
        try:
            reader.recover()
            while reader.step():
                if next(take_snapshot):
                    reader.save_snapshot()
        except PulledPlugError:
            continue
        break
    assert ledger.offset == len(with_actions)
    assert ledger.story == plain.story
    journal.close()
    shutil.rmtree(folder)


def test_without_any_snapshot_the_whole_journal_is_replayed_with_a_warning(
    journal: SqliteJournal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    journal.append([frames((0, 1, 150.0))], T0)
    ledger, first = Ledger(), LedgerEngine()
    run_to_end(reader_of(journal, ledger, tmp_path, lambda: first))
    again = LedgerEngine()
    reader = reader_of(journal, ledger, tmp_path, lambda: again)
    run_to_end(reader)
    assert again.snapshot() == first.snapshot()
    assert len(ledger.commits) == 1
    assert "no usable snapshot: the rules read the journal from its start, offset 1" in caplog.text
    assert "learned anew" not in caplog.text


def test_it_says_what_a_trimmed_journal_means_when_no_snapshot_is_usable(
    journal: SqliteJournal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    journal.append([frames((0, 1, 150.0)), frames((0, 2, 150.0)), frames((0, 3, 1.0))], T0)
    ledger = Ledger()
    run_to_end(reader_of(journal, ledger, tmp_path))
    journal.trim(1)
    for name in NAMES:
        (tmp_path / name).write_bytes(b"torn")
    run_to_end(reader_of(journal, ledger, tmp_path))
    assert "from its start, offset 2. What was learned before it" in caplog.text


def test_a_snapshot_of_another_layout_is_passed_over(
    journal: SqliteJournal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    journal.append([frames((0, 1, 150.0))], T0)
    ledger = Ledger()
    reader = reader_of(journal, ledger, tmp_path)
    run_to_end(reader)
    reader.save_snapshot()
    engine = LedgerEngine(layout="b")
    run_to_end(reader_of(journal, ledger, tmp_path, lambda: LedgerEngine(layout="b")))
    reader = reader_of(journal, ledger, tmp_path, lambda: engine)
    assert "does not fit this version or configuration (layout a, now b)" in caplog.text
    assert len(ledger.events) == 1


def test_records_put_back_from_a_backup_are_caught_up_from_the_journal(
    journal: SqliteJournal, tmp_path: Path
) -> None:
    """While the journal still holds everything, nothing is missing in the end."""
    ledger = Ledger()
    reader = reader_of(journal, ledger, tmp_path)
    for at in range(6):
        journal.append([frames((0, at, 150.0 if at % 2 else 50.0))], T0)
        run_to_end(reader)
        reader.save_snapshot()
    backup = Ledger(offset=2, events=ledger.events[:1])
    run_to_end(reader_of(journal, backup, tmp_path))
    assert backup.events == ledger.events


def test_records_put_back_from_before_the_journal_are_told_and_the_memory_is_kept(
    journal: SqliteJournal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    ledger = Ledger()
    reader = reader_of(journal, ledger, tmp_path)
    for at in range(6):
        journal.append([frames((0, at, 50.0))], T0)
        run_to_end(reader)
        reader.save_snapshot()
    journal.trim(4)
    journal.append([frames((0, 9, 150.0))], T0)
    engine = LedgerEngine()
    backup = Ledger(offset=2)
    run_to_end(reader_of(journal, backup, tmp_path, lambda: engine))
    assert "were the records put back from a backup?" in caplog.text
    assert engine.count == {0: 7}
    assert [e.note for e in backup.events] == ["frame 7"]
    assert backup.offset == 7


def test_a_replaced_journal_is_told(
    tmp_path: Path, journal: SqliteJournal, caplog: pytest.LogCaptureFixture
) -> None:
    ledger = Ledger()
    reader = reader_of(journal, ledger, tmp_path)
    journal.append([frames((0, 1, 50.0))], T0)
    run_to_end(reader)
    reader.save_snapshot()
    journal.append([frames((0, 2, 50.0))], T0)
    run_to_end(reader)
    other = SqliteJournal(tmp_path / "other.sqlite")
    other.begin_after(ledger.offset)
    other.append([frames((0, 3, 150.0))], T0)
    run_to_end(reader_of(other, ledger, tmp_path))
    assert "does not hold the entries 2 to 2 any more" in caplog.text
    assert [e.note for e in ledger.events] == ["frame 2"]
    other.close()


def test_damaged_entries_at_the_end_are_passed(journal: SqliteJournal, tmp_path: Path) -> None:
    journal.append([frames((0, 1, 150.0)), Clock(T0)], T0)
    with sqlite3.connect(journal.path) as db:
        db.execute("UPDATE entries SET payload = x'00' WHERE offset = 2")
    db.close()
    ledger = Ledger()
    run_to_end(reader_of(journal, ledger, tmp_path))
    assert ledger.offset == 2


def poisoned(journal: SqliteJournal, number: int) -> None:
    for at in range(1, number + 1):
        journal.append([frames((0, 3 * at, 50.0))], T0)
        journal.append([frames((5, 3 * at, POISON_MM), (0, 3 * at + 1, 50.0))], T0)
        journal.append([frames((0, 3 * at + 2, 150.0 if at % 2 else 50.0))], T0)


def test_an_entry_on_which_the_rules_fail_is_passed_over_and_the_others_count(
    journal: SqliteJournal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The memory is that of a run that never saw the entry, also after a restart."""
    poisoned(journal, 2)
    ledger = Ledger()
    reader = reader_of(journal, ledger, tmp_path)
    run_to_end(reader)
    assert [e.change.value for e in ledger.events] == ["raised", "returned to normal"]
    assert [e.note for e in ledger.events] == ["frame 2", "frame 3"]
    assert journal.offsets_set_aside("rules") == {2, 5}
    assert "failed on the journal's entry at offset 2: ArithmeticError" in caplog.text
    assert reader.counts.set_aside == 2
    assert len(journal.read_from(0).entries) == 6, "the store reader needs them still"

    engine = LedgerEngine()
    run_to_end(reader_of(journal, ledger, tmp_path, lambda: engine))
    assert engine.count == {0: 4}


def test_rules_that_fail_all_the_time_end_the_thread(
    journal: SqliteJournal, tmp_path: Path
) -> None:
    poisoned(journal, MAX_SET_ASIDE + 1)
    reader = reader_of(journal, Ledger(), tmp_path)
    deaths: list[tuple[str, BaseException]] = []
    reader.on_death = lambda name, error: deaths.append((name, error))
    reader.start()
    assert reader.join(120)
    [(name, error)] = deaths
    assert name == "rules reader"
    assert "cannot think about this level" in str(error)


def test_the_thread_follows_the_journal_and_saves_a_snapshot_at_the_end(
    journal: SqliteJournal, tmp_path: Path
) -> None:
    ledger = Ledger()
    committed = threading.Event()
    commit = ledger.commit

    def watched(*args: object, **options: object) -> bool:
        done = commit(*args, **options)  # type: ignore[arg-type]
        committed.set()
        return done

    ledger.commit = watched  # type: ignore[method-assign,assignment]
    reader = reader_of(journal, ledger, tmp_path)
    reader.start()
    for at in range(3):
        committed.clear()
        journal.append([frames((0, at, 150.0))], T0)
        assert committed.wait(120)
    journal.append([frames((0, 4, HIGH_MM))], T0)
    reader.stop()
    assert reader.join(120)
    assert ledger.offset == 4
    assert [s.offset for s in SnapshotFiles(tmp_path).load()] == [4]


def test_another_engine_takes_over_the_memory_between_two_steps(
    journal: SqliteJournal, tmp_path: Path
) -> None:
    journal.append([frames((0, 1, 150.0))], T0)
    reader = reader_of(journal, Ledger(), tmp_path)
    reader.start()
    new = LedgerEngine()
    reader.replace_engine(lambda: new).result(30)
    refused = reader.replace_engine(lambda: LedgerEngine(layout="b"))
    with pytest.raises(ValueError, match="layout a, now b"):
        refused.result(30)
    journal.append([frames((0, 2, 50.0))], T0)
    reader.stop()
    assert reader.join(120)
    assert new.count == {0: 2}
    assert new.calls[-1] == "samples 1"


def test_a_snapshot_that_cannot_be_written_is_told_once_and_stops_nothing(
    journal: SqliteJournal, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    ledger = Ledger()
    blocked = tmp_path / "absent"
    reader = reader_of(journal, ledger, blocked)
    reader.recover()
    for at in range(3):
        journal.append([frames((0, at, 50.0))], T0)
        reader.step()
        reader.save_snapshot()
    assert ledger.offset == 3
    assert caplog.text.count("cannot be written") == 1
    blocked.mkdir()
    journal.append([Clock(T0)], T0)
    reader.step()
    reader.save_snapshot()
    assert "Snapshots can be written again." in caplog.text


def true_engine() -> Engine:
    rows = {key: row for row, key in enumerate(UNITS)}
    return Engine(FleetPlan.build(SITES, rows, {}))


@given(seed=st.integers(0, 2**32), cut=st.integers(2, 60))
@settings(
    max_examples=examples(2),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_with_the_true_rules_it_does_not_matter_how_the_journal_is_cut_into_steps(
    seed: int, cut: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Two days of four units with faults, late frames and repeats: one entry at a time, or many."""
    rng = np.random.default_rng(seed)
    folder = tmp_path_factory.mktemp("cut")
    journal = SqliteJournal(folder / "journal.sqlite")
    entries: list[Entry] = []
    faulty = np.zeros(4, dtype=np.int64)
    for instant in range(300):
        faulty ^= (rng.random(4) < 0.06).astype(np.int64)
        at_ms = T0 + instant * 600_000
        values = {INDEX["fan_speed"]: 70.0, INDEX["wet_mode"]: 1.0, INDEX["fan_run"]: 63.0}
        reports = [
            Frame(
                row,
                at_ms - 600_000 * int(rng.choice([0, 0, 0, 0, 1, 3])),
                values
                | {INDEX["fan_fault"]: float(faulty[row])}
                | {INDEX["conductivity"]: 900.0 + 1500.0 * bool(faulty[row])},
            )
            for row in range(4)
        ]
        arrived: list[Entry] = [Batch.of(reports[:2]), Batch.of(reports[2:])]
        if rng.random() < 0.3:
            arrived.append(Clock(at_ms))
        journal.append(arrived, at_ms)
        entries += arrived
    singly, together = Ledger(), Ledger()
    one = reader_of(journal, singly, folder / "a", true_engine, chunk_frames=1)  # type: ignore[arg-type]
    run_to_end(one)
    many = reader_of(journal, together, folder / "b", true_engine, chunk_frames=cut)  # type: ignore[arg-type]
    run_to_end(many)
    assert len(singly.events) > 10
    assert together.story == singly.story
    assert together.offset == singly.offset == len(entries)
    journal.close()
