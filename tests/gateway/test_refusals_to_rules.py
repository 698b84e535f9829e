"""From a refused record to its alarm, by decoder, journal, rules reader and engine; replayed."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import hypothesis.strategies as st
import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from support.fleet import HEALTHY, T0_MS, rows_of, site, unit_data

from gateway.batch import Batch, Reason, RefusedReading, Reject
from gateway.journal import Clock, Entry, Rejects, SqliteJournal
from gateway.journal.codec import decode, encode
from gateway.rules_reader import RulesReader
from gateway.rules_step import refusals_of
from gateway.snapshot import SnapshotFiles
from gateway.wire import Decoder, UnitWire
from gateway.wire.readings import MAX_AHEAD_MS
from rules.engine import Engine
from rules.events import AlarmEvent, Change, RefusalKind, StepResult
from rules.plan import FleetPlan
from rules.signals import signal
from rules.stamps import MAX_AHEAD_MS as RULES_MAX_AHEAD_MS

SITE = site("quay", [unit_data("ac-1"), unit_data("ac-2")])
ROWS = rows_of([SITE])
UNITS = {key: UnitWire(*key, row) for key, row in ROWS.items()}
UNIT_OF = {"µS/cm": "uS/cm", "°C": "Cel", "%": "%RH"}


def new_engine() -> Engine:
    return Engine(FleetPlan.build([SITE], ROWS, {}))


@dataclass
class Story:
    """Records in memory; ``plug`` ends the process at that commit."""

    plug: int = -1
    offset: int = 0
    commits: int = 0
    events: list[AlarmEvent] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)

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
        self.commits += 1
        if self.commits == self.plug:
            raise KeyboardInterrupt
        self.offset = offset
        self.events += result.events
        self.rejects += rejects
        return True


def message(time_ms: int, **changes: float) -> bytes:
    values = {k: v for k, v in {**HEALTHY, **changes}.items() if k not in ("fan_run", "fan_fault")}
    records: list[dict[str, object]] = [{"bt": time_ms / 1000.0}]
    for name, value in values.items():
        unit = signal(name).unit
        record: dict[str, object] = {"n": name, "v": value}
        if name == "fan_speed":
            record["u"] = "/100"
        elif unit:
            record["u"] = UNIT_OF.get(unit, unit)
        records.append(record)
    return json.dumps(records).encode()


def drains(minutes: int) -> list[list[Entry]]:
    """What the pipeline would write: a drain a minute, the clock every ten seconds.

    ac-1's level transmitter breaks after ten minutes; ac-2's clock is two hours ahead; a unit that
    nobody knows publishes too.
    """
    decoder = Decoder(UNITS)
    rng = np.random.default_rng(4)
    out: list[list[Entry]] = []
    for minute in range(minutes):
        now_ms = T0_MS + minute * 60_000
        level = -250.0 if minute >= 10 else 165.0 + float(rng.normal(0.0, 0.8))
        found = [
            decoder.decode("sites/quay/ac-1/senml", message(now_ms, basin_level=level), now_ms),
            decoder.decode("sites/quay/ac-2/senml", message(now_ms + 7_200_000), now_ms),
            decoder.decode("sites/quay/ac-7/senml", message(now_ms), now_ms),
            decoder.decode("sites/nowhere/ac-1/senml", message(now_ms), now_ms),
        ]
        entries: list[Entry] = [Batch.of([f for d in found for f in d.frames])]
        entries.append(Rejects(tuple(r for d in found for r in d.rejects)))
        entries += [Clock(now_ms + second * 1000) for second in range(0, 60, 10)]
        out.append(entries)
    return out


def filled(path: Path, groups: Sequence[Sequence[Entry]]) -> SqliteJournal:
    journal = SqliteJournal(path)
    for i, entries in enumerate(groups):
        journal.append(entries, T0_MS + i * 60_000 + 50_000)
    return journal


def read_all(journal: SqliteJournal, story: Story, folder: Path, chunk_frames: int = 10) -> None:
    reader = RulesReader(
        journal, story, new_engine, SnapshotFiles(folder), min_interval_s=0.0,
        chunk_frames=chunk_frames,
    )  # fmt: skip
    reader.recover()
    steps = 0
    while reader.step():
        steps += 1
        if steps % 3 == 0:
            reader.save_snapshot()


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[SqliteJournal, Story]:
    """The whole story, undisturbed."""
    folder = tmp_path_factory.mktemp("refusals")
    journal, story = filled(folder / "journal.sqlite", drains(90)), Story()
    read_all(journal, story, folder)
    return journal, story


def test_each_refusal_that_says_something_of_a_unit_becomes_its_alarm(told) -> None:
    raised = {(e.unit_row, e.fault): e for e in told[1].events if e.change is Change.RAISED}
    assert set(raised) == {
        (0, "reading-out-of-range"), (1, "clock-wrong"), (0, "unit-unregistered"),
    }  # fmt: skip
    level = raised[0, "reading-out-of-range"].evidence
    assert level is not None
    assert (level.readings[0].quantity, level.readings[0].measured) == ("Basin level", -250.0)
    assert raised[0, "reading-out-of-range"].onset_ms >= T0_MS + 10 * 60_000
    clock = raised[1, "clock-wrong"].evidence
    assert clock is not None
    assert clock.readings[0].measured == pytest.approx(120.0)
    strange = raised[0, "unit-unregistered"].evidence
    assert strange is not None
    assert "'ac-7'" in strange.summary
    assert "nowhere" not in str(strange.to_json())


def test_they_are_counted_in_the_quarantine_all_the_same(told) -> None:
    counts = {r: sum(x.count for x in told[1].rejects if x.reason is r) for r in Reason}
    assert counts[Reason.OUT_OF_RANGE] == 80
    assert counts[Reason.CLOCK_AHEAD] == 90 * 11
    assert counts[Reason.UNREGISTERED] == 180


@settings(max_examples=12, deadline=None)
@given(plug=st.integers(1, 60), before=st.integers(3, 400), after=st.integers(3, 400))
def test_killed_at_any_commit_the_story_is_the_same(
    told, tmp_path_factory: pytest.TempPathFactory, plug: int, before: int, after: int
) -> None:
    """However the journal is cut into steps, with the plug pulled in between."""
    journal, whole = told
    folder = tmp_path_factory.mktemp("killed")
    story = Story(plug)
    try:
        read_all(journal, story, folder, before)
    except KeyboardInterrupt:
        story.plug = -1
        read_all(journal, story, folder, after)
    assert sorted(story.events, key=repr) == sorted(whole.events, key=repr)
    assert story.rejects == whole.rejects


def test_a_redelivery_changes_nothing_but_the_counts(told, tmp_path: Path) -> None:
    """After a crash the broker sends again what was not acknowledged."""
    groups = [g for i, g in enumerate(drains(90)) for g in ([g, g[:2]] if i % 7 == 3 else [g])]
    story = Story()
    journal = filled(tmp_path / "journal.sqlite", groups)
    read_all(journal, story, tmp_path)
    journal.close()
    key = [(e.unit_row, e.fault, e.change, e.time_ms) for e in story.events]
    assert key == [(e.unit_row, e.fault, e.change, e.time_ms) for e in told[1].events]


def test_a_refused_record_keeps_what_it_said() -> None:
    decoder = Decoder(UNITS)
    records = [
        {"bt": T0_MS / 1000.0, "n": "basin_level", "u": "m", "v": 9.5},
        {"n": "basin_level", "u": "m", "v": 9.9, "t": -60},
        {"n": "pump_current", "u": "A", "v": 3.6, "t": 3600},
    ]
    topic = "sites/quay/ac-1/senml"
    found = decoder.decode(topic, json.dumps(records).encode(), T0_MS)
    by_reason = {r.reason: r for r in found.rejects}
    assert by_reason[Reason.OUT_OF_RANGE].readings == (
        RefusedReading("basin_level", 9500.0, T0_MS),
    )
    assert by_reason[Reason.OUT_OF_RANGE].count == 2
    assert by_reason[Reason.CLOCK_AHEAD].readings == (
        RefusedReading("pump_current", 3.6, T0_MS + 3_600_000),
    )
    kinds = [(r.kind, r.site, r.unit, r.signal) for r in refusals_of(found.rejects)]
    assert kinds == [
        (RefusalKind.RANGE, "quay", "ac-1", "basin_level"),
        (RefusalKind.CLOCK, "quay", "ac-1", "pump_current"),
    ]


def test_an_entry_written_before_refusals_carried_readings_is_read_and_says_nothing() -> None:
    """The journal's form is a map by name, so what older versions wrote lacks the field."""
    old = {
        "received_ms": T0_MS, "topic": "sites/quay/ac-1/senml", "reason": "out of range",
        "detail": "d", "excerpt": "", "site": "quay", "unit": "ac-1", "count": 1,
    }  # fmt: skip
    (reject,) = msgspec.msgpack.decode(msgspec.msgpack.encode([old]), type=tuple[Reject, ...])
    assert reject.readings == ()
    assert refusals_of([reject]) == []
    entry = Rejects((reject,))
    assert decode(encode(entry).payload) == entry


@given(value=st.floats(allow_nan=False), time_ms=st.integers(-(10**15), 10**15))
def test_any_refused_reading_survives_the_journal_and_the_engine(value, time_ms) -> None:
    reading = RefusedReading("head_pressure", value, time_ms)
    entry = Rejects(
        tuple(
            Reject(T0_MS, "t", reason, "d", site="quay", unit="ac-1", readings=(reading,))
            for reason in (Reason.OUT_OF_RANGE, Reason.CLOCK_AHEAD, Reason.TOO_OLD)
        )
    )
    back = decode(encode(entry).payload)
    assert back == entry
    assert isinstance(back, Rejects)
    engine = new_engine()
    engine.refused(T0_MS, refusals_of(back.items))
    engine.clock(T0_MS)
    engine.snapshot()


def test_decoder_and_rules_refuse_the_same_stamps() -> None:
    assert MAX_AHEAD_MS == RULES_MAX_AHEAD_MS
