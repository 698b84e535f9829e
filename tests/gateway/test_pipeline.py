"""The pipeline: nothing is acknowledged before it is durable, and nothing ends the thread."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings

from gateway import pipeline as module
from gateway.batch import Batch, Frame, Reason, Reject, SiteStatus
from gateway.intake import Message
from gateway.journal import Clock, Entry, JournalFull, Notes, Rejects, SqliteJournal
from gateway.outage import Outage
from gateway.pipeline import Pipeline
from gateway.records.session import RecordsUnavailable
from gateway.wire import Decoded, Decoder, UnitWire
from gateway.worker import Stopped
from rules.events import Action, ActionKind
from rules.signals import INDEX

T0 = 1_767_225_600_000


def message(mid: int, topic: str = "level", payload: bytes = b"0 50") -> Message:
    return Message(topic, payload, T0 + mid, mid, 1)


class WordDecoder:
    """Understands 'row level ...' under the topic 'level', and fails under 'fail'."""

    def __init__(self, scale: float = 1.0) -> None:
        self.scale = scale
        self.late = Decoded()
        self.noted: dict[str, bytes | None] = {}
        self.asked: list[tuple[str, bytes]] = []

    def overdue(self, now_ms: int) -> Decoded:
        late, self.late = self.late, Decoded()
        return late

    def notes(self) -> Notes:
        noted, self.noted = self.noted, {}
        return noted

    def requests(self, now_ms: int) -> list[tuple[str, bytes]]:
        asked, self.asked = self.asked, []
        return asked

    def decode(self, topic: str, payload: bytes, received_ms: int) -> Decoded:
        words = payload.decode().split()
        match topic:
            case "level":
                pairs = zip(words[::2], words[1::2], strict=True)
                return Decoded(
                    tuple(Frame(int(r), received_ms, {0: self.scale * float(v)}) for r, v in pairs)
                )
            case "status":
                return Decoded(status=SiteStatus(received_ms, words[0], words[1] == "online"))
            case "fail":
                msg = "no idea"
                raise KeyError(msg)
        reject = Reject(received_ms, topic, Reason.TOPIC, "Write level.", count=3)
        return Decoded(rejects=(reject,))


@dataclass
class Postbox:
    """A source of messages that keeps what was acknowledged, and when."""

    drains: list[list[Message]] = field(default_factory=list)
    acknowledged: list[int] = field(default_factory=list)
    waits_s: list[float] = field(default_factory=list)
    journal: SqliteJournal | None = None
    offsets_at_ack: list[int] = field(default_factory=list)
    published: list[tuple[str, bytes]] = field(default_factory=list)

    def publish(self, topic: str, payload: bytes) -> None:
        self.published.append((topic, payload))

    def drain(self, max_wait_s: float, max_messages: int) -> list[Message]:
        self.waits_s.append(max_wait_s)
        if not self.drains:
            return []
        taken, left = self.drains[0][:max_messages], self.drains[0][max_messages:]
        self.drains[:1] = [left] if left else []
        return taken

    def acknowledge(self, messages: Iterable[Message]) -> None:
        for m in messages:
            self.acknowledged.append(m.mid)
            if self.journal is not None:
                self.offsets_at_ack.append(self.journal.last_offset)


@dataclass
class Desk:
    """Requests of people, with troubles on order for reading and marking."""

    pending: list[Action] = field(default_factory=list)
    marked: list[tuple[list[int], int]] = field(default_factory=list)
    away_reading: int = 0
    away_marking: int = 0

    def pending_actions(self) -> list[Action]:
        if self.away_reading:
            self.away_reading -= 1
            msg = "The records cannot be read now."
            raise RecordsUnavailable(msg)
        return list(self.pending)

    def mark_journalled(self, ids: Sequence[int], offset: int) -> None:
        if self.away_marking:
            self.away_marking -= 1
            msg = "The records cannot be written now."
            raise RecordsUnavailable(msg)
        self.marked.append((list(ids), offset))
        self.pending = [a for a in self.pending if a.id not in ids]


class FailingJournal(SqliteJournal):
    """Refuses as many appends as are on order."""

    refusals = 0

    def append(self, entries: Sequence[Entry], received_ms: int, notes: Notes | None = None) -> int:
        if self.refusals:
            self.refusals -= 1
            msg = "The journal is full."
            raise JournalFull(msg)
        return super().append(entries, received_ms, notes)


@dataclass
class Rig:
    """A pipeline with a clock that goes when told."""

    journal: FailingJournal
    post: Postbox = field(default_factory=Postbox)
    desk: Desk = field(default_factory=Desk)
    now_s: float = 0.0
    listening: bool = True

    def __post_init__(self) -> None:
        self.post.journal = self.journal
        self.pipeline = Pipeline(
            self.post, WordDecoder(), self.journal, self.desk,
            lambda: T0 + round(self.now_s * 1000),
            clock_interval_s=5.0, action_interval_s=1.0,
            listening=lambda: self.listening, monotonic_s=lambda: self.now_s,
        )  # fmt: skip
        self.pipeline.journal_outage = Outage(
            logging.getLogger("test.journal"), "The journal is back.",
            first_pause_s=0, longest_pause_s=0,
        )  # fmt: skip

    def step(self, *messages: Message) -> None:
        if messages:
            self.post.drains.append(list(messages))
        self.pipeline.step()

    def entries(self) -> list[Entry]:
        return [s.entry for s in self.journal.read_from(0).entries]

    def without_clock(self) -> list[Entry]:
        return [e for e in self.entries() if not isinstance(e, Clock)]


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(FailingJournal(tmp_path / "journal.sqlite"))
    yield rig
    rig.journal.close()


def levels(entries: Iterable[Entry]) -> list[tuple[int, float]]:
    """Unit row and level of all frames, in order."""
    return [
        (int(row), float(level))
        for e in entries
        if isinstance(e, Batch)
        for row, level in zip(e.unit_row, e.values[:, 0], strict=True)
    ]


def test_one_drain_becomes_one_entry_of_each_kind_and_is_then_acknowledged(rig: Rig) -> None:
    rig.step(
        message(1, "status", b"quay offline"),
        message(2, payload=b"0 50 1 60"),
        message(3, "nonsense"),
        message(4, payload=b"2 70"),
        message(5, "status", b"quay online"),
    )
    samples, rejects, offline, online, clock = rig.entries()
    assert levels([samples]) == [(0, 50), (1, 60), (2, 70)]
    assert isinstance(rejects, Rejects)
    assert [(r.topic, r.count) for r in rejects.items] == [("nonsense", 3)]
    assert (offline, online) == (
        SiteStatus(T0 + 1, "quay", online=False),
        SiteStatus(T0 + 5, "quay", online=True),
    )
    assert clock == Clock(T0)
    assert rig.post.acknowledged == [1, 2, 3, 4, 5]
    assert rig.post.offsets_at_ack == [5] * 5, "durable before the first acknowledgement"
    counts = rig.pipeline.counts
    assert (counts.messages, counts.frames, counts.rejects) == (5, 3, 3)


def test_what_the_decoder_must_remember_is_durable_before_the_acknowledgement(rig: Rig) -> None:
    decoder = WordDecoder()
    rig.pipeline.use(decoder)
    decoder.noted, decoder.asked = {"births": b"1"}, [("ask/edge", b"again")]
    rig.journal.refusals = 1
    rig.step(message(1))
    assert rig.journal.notes() == {"births": b"1"}
    assert rig.post.acknowledged == [1]
    assert rig.post.published == [("ask/edge", b"again")]
    decoder.noted = {"births": b"2"}
    rig.step(message(2, payload=b""))
    assert rig.journal.notes() == {"births": b"2"}, "with a message that says nothing else too"


def test_messages_that_did_not_come_are_told_without_any_message(rig: Rig) -> None:
    decoder = WordDecoder()
    rig.pipeline.use(decoder)
    lost = Reject(T0, "edge", Reason.MISSING, "2 did not come.", count=2)
    decoder.late = Decoded((Frame(3, T0, {0: 7.0}),), lost=(lost,))
    rig.step()
    samples, rejects = rig.without_clock()
    assert levels([samples]) == [(3, 7.0)]
    assert rejects == Rejects((lost,))
    assert rig.pipeline.counts.rejects == 2


def test_a_message_that_says_nothing_is_acknowledged_too(rig: Rig) -> None:
    rig.step(message(1, payload=b""))
    assert rig.post.acknowledged == [1]
    assert rig.without_clock() == []


def test_nothing_is_acknowledged_or_drained_while_the_journal_is_away(
    rig: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    rig.journal.refusals = 4
    rig.step(message(1), message(2))
    assert len(rig.post.waits_s) == 1
    assert rig.post.acknowledged == [1, 2]
    assert levels(rig.entries()) == [(0, 50), (0, 50)]
    assert [r.levelname for r in caplog.records] == ["ERROR", "WARNING"], "told once, and its end"
    assert "The journal is full. Nothing is acknowledged until it can be written." in caplog.text
    assert "The journal is back." in caplog.text


def test_stopped_while_the_journal_is_away_the_broker_keeps_the_messages(rig: Rig) -> None:
    rig.journal.refusals = 10
    rig.post.drains.append([message(1)])
    rig.pipeline.stop()
    with pytest.raises(Stopped):
        rig.pipeline.step()
    assert rig.post.acknowledged == []
    assert rig.entries() == []


def test_a_message_on_which_the_decoder_fails_is_put_in_quarantine_alone(rig: Rig) -> None:
    rig.step(message(1), message(2, "fail", b"\xff\x00 odd"), message(3))
    # b'\xff' is not UTF-8: the failure is the decoder's, whatever its kind.
    samples, rejects = rig.without_clock()
    assert levels([samples]) == [(0, 50), (0, 50)]
    assert isinstance(rejects, Rejects)
    [reject] = rejects.items
    assert reject.reason is Reason.RECORD
    assert "UnicodeDecodeError" in reject.detail
    assert "report this defect" in reject.detail
    assert rig.post.acknowledged == [1, 2, 3]


def test_the_clock_is_written_in_silence_too(rig: Rig) -> None:
    for second in range(12):
        rig.now_s = float(second)
        rig.listening = second < 8
        rig.step()
    assert rig.entries() == [
        Clock(T0, listening=True),
        Clock(T0 + 5000, listening=True),
        Clock(T0 + 10_000, listening=False),
    ]


def test_it_waits_no_longer_than_until_something_is_due(rig: Rig) -> None:
    rig.step()
    rig.now_s = 0.25
    rig.step()
    assert rig.post.waits_s == [0.0, 0.75]


def action(number: int) -> Action:
    return Action(number, ActionKind.ACKNOWLEDGE, 0, "fan-fault", T0, "R. Okafor")


def test_each_request_enters_the_journal_once(rig: Rig) -> None:
    rig.desk.pending = [action(1), action(2)]
    rig.step(message(1))
    assert rig.without_clock()[1:] == [action(1), action(2)]
    assert rig.desk.marked == [([1, 2], 4)], "up to the last offset of the same transaction"
    rig.now_s = 2
    rig.step()
    assert rig.without_clock()[1:] == [action(1), action(2)]


def test_a_request_that_could_not_be_marked_does_not_enter_twice(rig: Rig) -> None:
    rig.desk.pending = [action(1)]
    rig.desk.away_marking = 1
    rig.step()
    assert rig.desk.marked == []
    rig.desk.pending.append(action(2))
    rig.now_s = 30
    rig.step()
    assert rig.without_clock() == [action(1), action(2)]
    assert [ids for ids, _ in rig.desk.marked] == [[1], [2]]


def test_samples_go_on_while_requests_cannot_be_read(
    rig: Rig, caplog: pytest.LogCaptureFixture
) -> None:
    rig.desk.pending = [action(1)]
    rig.desk.away_reading = 3
    for second in range(40):
        rig.now_s = float(second)
        rig.step(message(second))
    assert len(levels(rig.entries())) == 40
    assert [e for e in rig.entries() if isinstance(e, Action)] == [action(1)]
    assert caplog.text.count("Operators' actions wait meanwhile.") == 1
    assert caplog.text.count("operators' actions go on.") == 1


def test_a_flood_becomes_durable_in_steps(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MAX_FRAMES", 10)
    monkeypatch.setattr(module, "MAX_MESSAGES", 8)
    rig.post.drains.append([message(n, payload=b"0 1 1 1 2 1") for n in range(12)])
    rig.step()
    rig.step()
    sizes = [len(e) for e in rig.without_clock() if isinstance(e, Batch)]
    assert sizes == [12, 12, 12]
    assert rig.post.acknowledged == list(range(12))


def test_another_decoder_serves_from_the_next_drain_on(rig: Rig) -> None:
    rig.step(message(1))
    rig.pipeline.use(WordDecoder(scale=2.0))
    rig.step(message(2))
    assert levels(rig.entries()) == [(0, 50), (0, 100)]


def test_with_the_true_decoder_a_pack_becomes_a_frame(rig: Rig) -> None:
    """A pack in the form of RFC 8428, section 5.1.3 (several records under one base name)."""
    key = ("quay", "ac-1")
    rig.pipeline.use(Decoder({key: UnitWire(*key, row=6)}))
    pack = [
        {"bn": "ac-1:", "bt": T0 / 1000, "n": "basin_level", "u": "m", "v": 0.15},
        {"n": "pump_current", "u": "A", "v": 3.25},
    ]
    rig.step(message(1, "sites/quay/ac-1/senml", json.dumps(pack).encode()))
    [batch] = rig.without_clock()
    assert isinstance(batch, Batch)
    assert (batch.unit_row.tolist(), batch.time_ms.tolist()) == ([6], [T0])
    assert batch.values[0, INDEX["basin_level"]] == pytest.approx(150.0)
    assert batch.values[0, INDEX["pump_current"]] == 3.25


@given(
    drains=st.lists(st.integers(0, 5), max_size=8),
    refusals=st.lists(st.integers(0, 2), min_size=8, max_size=8),
)
@settings(
    max_examples=30,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_acknowledged_means_durable_and_once(
    drains: list[int], refusals: list[int], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """At every acknowledgement another reader of the file sees the message's frame, just once."""
    folder = tmp_path_factory.mktemp("pipeline")
    rig = Rig(FailingJournal(folder / "journal.sqlite"))
    mid = 0
    for size, refused in zip(drains, refusals, strict=False):
        rig.journal.refusals = refused
        rig.step(*(message(mid + n, payload=b"%d 1" % (mid + n)) for n in range(size)))
        mid += size
        other = SqliteJournal(folder / "journal.sqlite")
        seen = [row for row, _ in levels(s.entry for s in other.read_from(0).entries)]
        other.close()
        assert seen == rig.post.acknowledged == list(range(mid))
    rig.journal.close()


def test_the_thread_drains_a_last_time_when_it_is_stopped(rig: Rig) -> None:
    gate, entered = threading.Event(), threading.Event()
    drain = rig.post.drain

    def gated(max_wait_s: float, max_messages: int) -> list[Message]:
        entered.set()
        assert gate.wait(120)
        return drain(max_wait_s, max_messages)

    rig.post.drain = gated  # type: ignore[method-assign]
    rig.pipeline.start()
    assert entered.wait(120)
    rig.post.drains = [[message(1)], [message(2)]]
    rig.pipeline.stop()
    gate.set()
    assert rig.pipeline.join(120)
    assert rig.post.acknowledged == [1, 2]
