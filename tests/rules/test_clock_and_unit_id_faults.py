"""What clocks and ids are worth: raised on their signs, silent on what is healthy."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.fleet import HEALTHY, T0_MS, engine_of, row_of_values, site, unit_data
from support.raised import only, raised

from rules.engine import Engine
from rules.events import AlarmEvent, Change, Refusal, RefusalKind, Severity
from rules.faults.registry import SLUGS
from rules.signals import INDEX
from rules.state import FleetState
from rules.strangers import MAX_NAMED, Strangers

# ---------------------------------------------------------------- clock wrong


def two_units() -> Engine:
    return engine_of(site(units=[unit_data("ac-1"), unit_data("ac-2")]))


def live(
    engine: Engine, minutes: int, lag_s: Mapping[int, float], start_ms: int = T0_MS
) -> Iterator[AlarmEvent]:
    """A message of each unit a minute, with stamps behind by their lag, checked as on the wire."""
    rng = np.random.default_rng(5)
    for minute in range(minutes):
        for second in (0, 10, 20, 30, 40, 50):
            now_ms = start_ms + minute * 60_000 + second * 1000
            yield from engine.clock(now_ms).events
            if second:
                continue
            for row, lag in lag_s.items():
                time_ms = now_ms - int(lag * 1000) + int(rng.integers(-3000, 0))
                frame = row_of_values({**HEALTHY, "basin_level": 165.0 + rng.normal(0.0, 0.8)})
                yield from engine.samples(
                    now_ms, np.array([row], np.int32), np.array([time_ms], np.int64),
                    frame[None, :],
                ).events  # fmt: skip


def test_stamps_ahead_are_refused_and_told_once_for_the_site():
    engine = two_units()
    evidence = only(list(live(engine, 60, {0: -7200.0, 1: -7200.0})), "clock-wrong")
    assert "120 min ahead" in evidence.summary
    assert "not watched" in evidence.summary
    assert evidence.readings[0].measured == pytest.approx(120.0, abs=0.2)
    assert evidence.readings[1].measured == 2.0
    assert evidence.causes[0].slug == "time-zone"
    events = list(live(engine, 60, {0: 0.0, 1: 0.0}, T0_MS + 3_600_000))
    assert [e.change for e in events] == [Change.RETURNED]


def test_a_constant_lag_is_a_clock_behind():
    engine = two_units()
    evidence = only(list(live(engine, 120, {0: 0.0, 1: 5035.0})), "clock-wrong")
    assert "84 min behind" in evidence.summary
    assert "comes late" in evidence.summary
    assert evidence.causes[0].slug == "clock-reset"
    assert evidence.limits


def test_so_is_that_of_a_sender_each_three_minutes_that_is_looked_at_each_five():
    engine, events = engine_of(), []
    for minute in range(180):
        now_ms = T0_MS + minute * 60_000
        if minute % 3 == 0:
            frame = row_of_values({**HEALTHY, "basin_level": 165.0 + minute % 7 * 0.3})
            time_ms = np.array([now_ms - 5_035_000], np.int64)
            events += engine.samples(now_ms, np.array([0], np.int32), time_ms, frame[None]).events
        if minute % 5 == 4:
            events += engine.clock(now_ms).events
    assert "85 min behind" in only(events, "clock-wrong").summary


def test_a_clock_put_back_makes_readings_late():
    engine = two_units()
    assert list(live(engine, 30, {0: 0.0, 1: 0.0})) == []
    events = list(live(engine, 120, {0: 0.0, 1: 3 * 3600.0}, T0_MS + 1_800_000))
    evidence = only(events, "clock-wrong")
    assert "not judged until its time has caught up" in evidence.summary
    assert events[0].severity is Severity.MEDIUM


@pytest.mark.parametrize("frames_a_tick", [1, 3])
def test_a_backlog_is_no_wrong_clock(frames_a_tick):
    """Twelve hours of backlog, sent within three hours or one, and an hour of newest readings."""
    engine = engine_of()
    events, sent_ms, now_ms = [], T0_MS, T0_MS + 12 * 3_600_000
    rng = np.random.default_rng(5)
    caught_up_ms = now_ms + 12 * 3_600_000
    while now_ms < caught_up_ms + 3_600_000:
        now_ms += 10_000
        events += engine.clock(now_ms).events
        count = min(frames_a_tick, (now_ms - sent_ms) // 60_000)
        for _ in range(count):
            sent_ms += 60_000
            frame = row_of_values({**HEALTHY, "basin_level": 165.0 + rng.normal(0.0, 0.8)})
            events += engine.samples(
                now_ms, np.array([0], np.int32), np.array([sent_ms], np.int64), frame[None, :]
            ).events
        if now_ms - sent_ms < 60_000:
            caught_up_ms = min(caught_up_ms, now_ms)
    assert caught_up_ms - T0_MS < 15 * 3_600_000
    assert "clock-wrong" not in raised(events)


def test_an_upload_every_quarter_of_an_hour_is_no_wrong_clock():
    engine = engine_of()
    events, now_ms = [], T0_MS
    rng = np.random.default_rng(5)
    for minute in range(6 * 60):
        now_ms += 60_000
        events += engine.clock(now_ms).events
        if minute % 15 == 14:
            times = now_ms - np.arange(14, -1, -1) * 60_000
            frames = np.tile(row_of_values(HEALTHY), (15, 1))
            frames[:, INDEX["basin_level"]] += rng.normal(0.0, 0.8, 15)
            events += engine.samples(now_ms, np.zeros(15, np.int32), times, frames).events
    assert "clock-wrong" not in raised(events)


def test_years_behind_is_a_clock_that_lost_its_time():
    engine = engine_of()
    events = []
    for minute in range(30):
        now_ms = T0_MS + minute * 60_000
        refusal = Refusal(
            RefusalKind.CLOCK, now_ms, "north-hall", "ac-1", 946_684_800_000 + minute * 60_000
        )
        events += engine.refused(now_ms, [refusal]).events
        events += engine.clock(now_ms).events
    assert only(events, "clock-wrong").causes[0].slug == "clock-reset"


@settings(max_examples=20, deadline=None)
@given(st.data())
def test_the_order_and_grouping_between_two_clock_readings_do_not_matter(data):
    lags = data.draw(
        st.lists(st.tuples(st.integers(0, 60), st.integers(0, 7200)), min_size=1, max_size=60)
    )
    order = data.draw(st.permutations(range(len(lags))))
    states = []
    for indices in (range(len(lags)), order):
        engine = engine_of()
        for tick in range(61):
            engine.clock(T0_MS + tick * 60_000)
            group = [i for i in indices if lags[i][0] == tick]
            for part in np.array_split(group, data.draw(st.integers(1, 3))):
                if len(part):
                    times = np.array([T0_MS + tick * 60_000 - 1000 * lags[int(i)][1] for i in part])
                    engine.samples(
                        0, np.zeros(len(part), np.int32), times, np.full((len(part), 19), np.nan)
                    )
        engine.clock(T0_MS + 61 * 60_000)
        s = engine.state
        states.append([s.lag_s[0], s.lag_count[0], s.lag_since_ms[0], s.lag_last_ms[0]])
    assert states[0] == states[1]


# ---------------------------------------------------------------- unit unregistered


def strange(now_ms: int, unit: str = "ac-9", site_id: str = "north-hall") -> Refusal:
    return Refusal(RefusalKind.UNREGISTERED, now_ms, site_id, unit)


def hear(engine: Engine, minutes: range, *units: str) -> list[AlarmEvent]:
    events: list[AlarmEvent] = []
    for minute in minutes:
        now_ms = T0_MS + minute * 60_000
        events += engine.refused(now_ms, [strange(now_ms, u) for u in units]).events
        events += engine.clock(now_ms).events
    return events


def test_an_unknown_unit_is_told_on_the_sites_first_unit_and_forgotten_after_a_day():
    engine = two_units()
    events = hear(engine, range(15), "ac-9")
    evidence = only(events, "unit-unregistered")
    assert events[0].unit_row == 0
    assert "'ac-9'" in evidence.summary
    assert evidence.readings[0].measured >= 3
    later = [e for m in range(15, 26 * 60) for e in engine.clock(T0_MS + m * 60_000).events]
    assert [(e.fault, e.change) for e in later] == [("unit-unregistered", Change.RETURNED)]


def test_a_slip_is_no_unit_and_an_unknown_site_is_nobodys_ticket():
    engine = two_units()
    assert hear(engine, range(2), "ac-9") == []
    for minute in range(60):
        now_ms = T0_MS + minute * 60_000
        assert engine.refused(now_ms, [strange(now_ms, "ac-1", "no-such-site")]).events == ()
        assert engine.clock(now_ms).events == ()
    assert list(engine.state.strangers.by_site) == ["north-hall"]


def test_once_registered_it_is_forgotten():
    engine = two_units()
    hear(engine, range(15), "ac-9")
    engine_after = engine_of(site(units=[unit_data(u) for u in ("ac-1", "ac-2", "ac-9")]))
    engine_after.restore(engine.snapshot())
    events = engine_after.clock(T0_MS + 16 * 60_000).events
    assert [(e.fault, e.change) for e in events] == [("unit-unregistered", Change.RETURNED)]


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 1_000_000)), max_size=200))
def test_strangers_stay_within_bounds_and_survive_their_bytes(heard):
    strangers = Strangers()
    for unit, at in heard:
        strangers.note("s", f"u{unit}", at)
    assert len(strangers.of("s")) == min(MAX_NAMED, len({u for u, _ in heard})) or heard
    assert len(strangers.of("s")) <= MAX_NAMED
    assert Strangers.from_bytes(strangers.to_bytes()) == strangers


def test_a_snapshot_keeps_what_was_refused_and_who_was_strange():
    engine = two_units()
    hear(engine, range(15), "ac-9")
    refusal = Refusal(RefusalKind.RANGE, T0_MS, "north-hall", "ac-2", T0_MS, "basin_level", -9e30)
    engine.refused(T0_MS, [refusal])
    state, _ = FleetState.from_bytes(engine.snapshot(), engine.plan.n_rows, SLUGS)
    assert state.strangers == engine.state.strangers
    assert state.refused_count.tolist() == [0, 1]
    assert state.refused_signal[1] == INDEX["basin_level"]


def test_what_one_unit_sends_or_is_refused_touches_no_other():
    engine = two_units()
    list(live(engine, 90, {0: 0.0, 1: -9000.0}))
    s = engine.state
    assert s.stamp_count[0] == s.refused_count[0] == 0
    assert s.lag_s[0] < 60.0
    assert s.stamp_count[1] > 0
