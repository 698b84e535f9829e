"""What every rule must keep, walked over the registry and a recording that holds every fault."""

from __future__ import annotations

import io
import os
import re
import threading

import numpy as np
import pytest
from fault_scenes import HOUR_MS, LIVES, Life, Story, every_fault, hour_of, play, take_in
from hypothesis import given, settings
from hypothesis import strategies as st
from support.fleet import T0_MS
from support.histories import Recording, feed, in_order, new_engine

import rules.engine
from rules.engine import Engine
from rules.events import Action, ActionKind, AlarmEvent, AlarmState, Change, Evidence, Severity
from rules.faults.registry import FAULTS, RULES, SETTINGS, SLUGS
from rules.jobplans import JOB_PLANS
from rules.settings import SettingColumns
from rules.signals import INDEX
from rules.state import FleetState, SnapshotMismatch

PLANS = {plan.slug for plan in JOB_PLANS}
BY_THE_CLOCK = {f.slug for f in FAULTS if f.judged_by == "clock"}


@pytest.fixture(scope="module")
def story() -> Story:
    return every_fault()


@pytest.fixture(scope="module")
def engine_after(story) -> tuple[Engine, list[AlarmEvent]]:
    """An engine that lived through the story, and its events."""
    engine = new_engine(story.sites)
    return engine, play(engine, story.moments)


@pytest.fixture(scope="module")
def lived(engine_after) -> list[AlarmEvent]:
    """The events of the story as it came in: frames, refusals, clock and status."""
    return engine_after[1]


@pytest.fixture(scope="module")
def recording(story) -> Recording:
    return story.frames


@pytest.fixture(scope="module")
def expected(story, recording) -> list[AlarmEvent]:
    """The events of all frames in one batch."""
    return in_order(list(feed(new_engine(story.sites), recording).events))


EARLY_H = 26.0
"""By then all but the slowest faults were there."""


@pytest.fixture(scope="module")
def early(recording) -> Recording:
    """What is sent by then: most of what there is to see, in two fifths of the time."""
    return recording.part(recording.time_ms <= T0_MS + EARLY_H * HOUR_MS)


@pytest.fixture(scope="module")
def early_expected(story, early, expected) -> list[AlarmEvent]:
    """The events of the early frames in one batch."""
    events = in_order(list(feed(new_engine(story.sites), early).events))
    assert len({e.fault for e in events}) > 20
    assert all(e in expected for e in events)
    return events


def upto(story: Story, hour: float) -> int:
    """How many moments there are by an hour."""
    return sum(moment.time_ms <= T0_MS + hour * HOUR_MS for moment in story.moments)


# ---------------------------------------------------------------- catalogue


def test_slugs_are_unique_and_suppressors_stand_before_what_they_explain():
    assert len(set(SLUGS)) == len(SLUGS)
    for i, fault in enumerate(FAULTS):
        for slug in fault.suppressed_by:
            assert slug in SLUGS[:i], f"{slug} must stand before {fault.slug}"


@pytest.mark.parametrize("fault", FAULTS, ids=SLUGS)
def test_every_entry_says_what_to_do(fault):
    for text in (fault.title, fault.meaning, fault.consequence, fault.action):
        assert len(text) > 5
    assert fault.causes
    assert all(c.look_at for c in fault.causes)
    assert fault.response
    assert Severity.NONE not in fault.response
    assert fault.job_plan in PLANS
    assert all(c.job_plan in PLANS for c in fault.causes if c.job_plan)
    assert all(s in INDEX for s in (*fault.needs, *fault.helps))


@pytest.mark.parametrize("slug", SETTINGS)
def test_every_setting_has_a_reason_and_its_default_is_within_its_range(slug):
    for name, setting in SETTINGS[slug].items():
        assert name == setting.name
        assert setting.low <= setting.default <= setting.high
        assert len(setting.reason) > 10
        assert len(setting.meaning) > 5
        assert re.search(r"_(s|k|mm|pct|frac|ratio|bins|days|v|a|degc)$", name) or name in {
            "staged",
            "probe_dries",
            "pump_changes",
            "sisters_starts",
            "sisters_stops",
            "lead_stops",
            "habit_drains",
            "latches",
            "least_refusals",
            "least_stamps",
            "least_messages",
        }, f"{slug}.{name} carries no unit"


def test_each_rule_belongs_to_one_kind_of_view():
    assert {r.fault.judged_by for r in RULES} == {"frames", "bins", "clock"}


# ---------------------------------------------------------------- every fault, on its own unit


def test_the_recording_holds_every_fault_of_the_catalogue_once():
    assert sorted(life.fault for life in LIVES if life.fault) == sorted(SLUGS)


@pytest.mark.parametrize("life", [x for x in LIVES if x.fault], ids=lambda x: x.fault)
def test_each_alarm_raises_on_its_fault_and_clears_after_it(story, lived, life: Life):
    own = [e for e in lived if e.unit_row == story.row_of[life.unit] and e.fault == life.fault]
    assert [e.change for e in own if e.change is not Change.WORSENED] == [
        Change.RAISED, Change.RETURNED,
    ]  # fmt: skip
    raised, returned = own[0], own[-1]
    assert life.ill[0] < hour_of(raised) <= life.ill[1]
    assert hour_of(returned) > life.ill[1]
    for event in own[:-1]:
        assert event.evidence is not None
        assert event.evidence.causes[0].slug in life.first


@pytest.mark.parametrize("life", LIVES, ids=lambda x: x.unit)
def test_each_unit_shows_its_own_fault_and_no_other(story, lived, life: Life):
    row = story.row_of[life.unit]
    shown = {e.fault for e in lived if e.unit_row == row}
    assert shown == ({life.fault} if life.fault else set())


def test_nothing_is_left_standing(engine_after):
    state = engine_after[0].state.alarm_state
    assert np.isin(state, (AlarmState.NORMAL, AlarmState.RETURNED_UNACKNOWLEDGED)).all()


def test_every_setting_of_the_catalogue_is_asked_for(story, monkeypatch):
    """A number that no code reads is a promise not kept. A person acts too: that asks for some."""
    asked: set[tuple[str, str]] = set()
    get, one = SettingColumns.get, SettingColumns.one

    def noting_get(self, slug, name, rows):
        asked.add((slug, name))
        return get(self, slug, name, rows)

    def noting_one(self, slug, name, row):
        asked.add((slug, name))
        return one(self, slug, name, row)

    monkeypatch.setattr(SettingColumns, "get", noting_get)
    monkeypatch.setattr(SettingColumns, "one", noting_one)
    engine = new_engine(story.sites)
    acts = (ActionKind.ACKNOWLEDGE, ActionKind.SHELVE)
    for moment in story.moments:
        for event in take_in(engine, moment):
            if event.change in (Change.RAISED, Change.WORSENED):
                shelf_ends_ms = event.time_ms + HOUR_MS
                kind = acts[event.fault == "unit-unregistered"]
                engine.act(Action(1, kind, event.unit_row, event.fault, event.time_ms, "operator",
                                  "", shelf_ends_ms))  # fmt: skip
    assert asked == {(slug, name) for slug, table in SETTINGS.items() for name in table}


# ---------------------------------------------------------------- columns


def test_inputs_are_not_changed(story, recording):
    part = recording.part(slice(0, 6000))
    kept = [part.row.copy(), part.time_ms.copy(), part.values.copy()]
    feed(new_engine(story.sites), part)
    for before, after in zip(kept, (part.row, part.time_ms, part.values), strict=True):
        np.testing.assert_array_equal(before, after)


def test_all_frames_at_once_give_what_they_gave_as_they_came(story, lived, expected):
    """A backlog is judged as the live stream is; what the clock and refusals say is apart."""
    apart = {*BY_THE_CLOCK, "reading-out-of-range"}
    assert in_order([e for e in lived if e.fault not in apart]) == expected


def test_units_alone_give_what_the_fleet_gives(story, recording, expected):
    """Every fifth one: some of each family of faults, in a fifth of the time."""
    rows = np.unique(recording.row)[::5]
    alone = []
    for row in rows:
        part = recording.part(recording.row == row)
        alone += feed(new_engine(story.sites), part).events
    assert in_order(alone) == [e for e in expected if e.unit_row in rows]
    families = {f.family for f in FAULTS if f.slug in {e.fault for e in alone}}
    assert len(families) >= 5


def test_the_order_of_units_does_not_matter(story, early, early_expected):
    order = np.lexsort((-early.row, early.time_ms))
    events = feed(new_engine(story.sites), early.part(order)).events
    assert in_order(list(events)) == early_expected


@settings(max_examples=3, deadline=None)
@given(cuts=st.lists(st.integers(1, 8_900), max_size=12))
def test_cutting_the_stream_into_batches_anyhow_gives_the_same_events(
    story, early, early_expected, cuts
):
    engine, events, start = new_engine(story.sites), [], 0
    for cut in [*sorted(cuts), len(early)]:
        events += feed(engine, early.part(slice(start, cut))).events
        start = max(start, cut)
    assert in_order(events) == early_expected


def test_cutting_what_came_in_a_minute_gives_the_same_events(story, lived):
    """Among refusals and ticks of the clock too."""
    engine = new_engine(story.sites)
    moments = story.moments[: upto(story, EARLY_H)]
    events = [e for moment in moments for e in take_in(engine, moment, cuts=(13,))]
    assert len({e.fault for e in events}) > 25
    assert in_order(events) == in_order(lived[: len(events)])


def test_a_repeated_and_a_late_delivery_changes_nothing(story, early, early_expected):
    """After a crash the broker sends again what was not acknowledged."""
    engine, events, late = new_engine(story.sites), [], 0
    for start in range(0, len(early), 2500):
        again = max(0, start - 700)
        result = feed(engine, early.part(slice(again, start + 2500)))
        events += result.events
        late += result.late_frames
    assert in_order(events) == early_expected
    assert late > 0


def test_missing_values_of_some_units_touch_no_other(story, early, early_expected):
    """Every other unit sends nothing that is known; the rest go on as if alone."""
    spoilt = Recording(early.row, early.time_ms, early.values.copy())
    spoilt.values[spoilt.row % 2 == 0] = np.nan
    events = in_order(list(feed(new_engine(story.sites), spoilt).events))
    kept = [e for e in early_expected if e.unit_row % 2]
    assert events == kept
    assert len({e.fault for e in kept}) > 10


@pytest.mark.parametrize(("cut_h", "least"), [(11.9, 10), (33.0, 2)])
def test_nothing_known_raises_nothing_and_clears_nothing(story, recording, cut_h, least):
    """Unknown is not healthy: frames without values leave every standing alarm standing."""
    engine = new_engine(story.sites)
    end_ms = T0_MS + int(cut_h * HOUR_MS)
    feed(engine, recording.part(recording.time_ms <= end_ms))
    rows = np.unique(recording.row[recording.time_ms > end_ms])
    nothing = np.full((len(rows), len(INDEX)), np.nan)

    def hear_nothing(minutes: range) -> list[AlarmEvent]:
        found: list[AlarmEvent] = []
        for minute in minutes:
            times = np.full(len(rows), end_ms + minute * 60_000, np.int64)
            found += engine.samples(0, rows, times, nothing).events
        return found

    hear_nothing(range(5, 25, 5))  # until the last values are too old to count
    before = engine.state.alarm_state[rows].copy()
    standing = (before == AlarmState.UNACKNOWLEDGED).any(axis=0)
    assert standing.sum() >= least
    assert hear_nothing(range(25, 900, 5)) == []
    np.testing.assert_array_equal(engine.state.alarm_state[rows], before)


def test_several_threads_give_what_one_gives(story, recording, monkeypatch):
    """A large fleet's rounds are cut into blocks; here a block holds ten units."""
    part = recording.part(recording.time_ms <= T0_MS + 14 * HOUR_MS)
    one_thread = feed(new_engine(story.sites), part)
    threads: set[int] = set()
    sizes: set[int] = set()
    whole = Engine._round

    def noted(self, rows, *columns):
        threads.add(threading.get_ident())
        sizes.add(len(rows))
        return whole(self, rows, *columns)

    monkeypatch.setattr(rules.engine, "BLOCK_ROWS", 10)
    monkeypatch.setattr(rules.engine, "BLOCKS_WORTH_THREADS", 2)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(Engine, "_round", noted)
    two_threads = feed(new_engine(story.sites), part)
    assert two_threads == one_thread
    assert len({e.fault for e in two_threads.events}) > 10
    assert max(sizes) == 10
    assert threads
    assert threading.get_ident() not in threads


# ---------------------------------------------------------------- memory


def test_a_snapshot_goes_on_as_if_nothing_had_happened(story, lived):
    """In the midst of silence, wrong clocks, refusals and delays; and of the slow faults."""
    engine, start = new_engine(story.sites), 0
    events = []
    for cut in (upto(story, 8.7), upto(story, 26.0)):
        events += play(engine, story.moments[start:cut])
        assert events == lived[: len(events)]
        after = new_engine(story.sites)
        after.restore(engine.snapshot())
        engine, start = after, cut
    events += play(engine, story.moments[start:])
    assert events == lived


def test_a_snapshot_of_another_layout_is_refused(story):
    engine = new_engine(story.sites)
    with pytest.raises(SnapshotMismatch, match="not a readable snapshot"):
        engine.restore(b"PK\x03\x04 nonsense")
    data = FleetState.empty(3, 2).to_bytes(("level-frozen", "no-such-fault"), {"listened_ms": 0})
    with pytest.raises(SnapshotMismatch):
        FleetState.from_bytes(data[:-200], 3, SLUGS)


def test_a_snapshot_survives_new_units_and_new_faults():
    """Rows stay, new rows start empty, and alarms follow their fault's slug."""
    old = FleetState.empty(2, 2)
    old.alarm_state[1] = (1, 2)
    old.frame_ms[:] = (5, 6)
    data = old.to_bytes(("fan-fault", "gone-fault"), {"listened_ms": 7, "clock_ms": 8})
    new, extra = FleetState.from_bytes(data, 4, SLUGS)
    assert new.frame_ms.tolist() == [5, 6, 0, 0]
    assert new.alarm_state[1, SLUGS.index("fan-fault")] == 1
    assert new.alarm_state.sum() == 1
    assert extra == {"listened_ms": 7, "clock_ms": 8}


def test_a_snapshot_of_an_earlier_version_keeps_when_a_shelf_ends():
    """Times were kept in milliseconds once; a shelf must not end before its time."""
    old = FleetState.empty(1, len(SLUGS))
    with np.load(io.BytesIO(old.to_bytes(SLUGS, {}))) as arrays:
        kept = {name: arrays[name] for name in arrays if name != "alarm_until_s"}
    kept["alarm_until_ms"] = np.zeros((1, len(SLUGS)), dtype=np.int64)
    kept["alarm_until_ms"][0, 3] = 1_783_411_136_001
    out = io.BytesIO()
    np.savez(out, **kept)
    new, _ = FleetState.from_bytes(out.getvalue(), 1, SLUGS)
    assert new.alarm_until_s[0, 3] == 1_783_411_137
    assert np.count_nonzero(new.alarm_until_s) == 1


# ---------------------------------------------------------------- evidence


def test_every_raised_alarm_carries_evidence_that_survives_json(lived):
    for event in lived:
        if event.change not in (Change.RAISED, Change.WORSENED):
            continue
        evidence = event.evidence
        assert evidence is not None
        assert evidence.summary.endswith((".", "!"))
        assert 0.0 < evidence.confidence < 1.0
        assert evidence.readings
        assert evidence.causes
        assert all(s in INDEX for s in evidence.signals)
        assert Evidence.from_json(evidence.to_json()) == evidence
        assert not evidence.causes[0].ruled_out
