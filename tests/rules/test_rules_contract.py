"""What every rule must keep, walked over the registry and a simulated history with faults."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.histories import (
    FLEET_DIR,
    Recording,
    chunks,
    demo_sites,
    feed,
    in_order,
    joined,
    new_engine,
)

from rules.events import Change, Evidence, Severity
from rules.faults.registry import FAULTS, RULES, SETTINGS, SLUGS
from rules.jobplans import JOB_PLANS
from rules.signals import INDEX
from rules.state import FleetState, SnapshotMismatch

SITES = demo_sites()
PLANS = {plan.slug for plan in JOB_PLANS}


@pytest.fixture(scope="module")
def recording() -> Recording:
    return joined(chunks(SITES, FLEET_DIR / "scenario.toml", days=2.5, step_s=300.0))


@pytest.fixture(scope="module")
def expected(recording):
    """The events of the whole history in one batch."""
    events = in_order(list(feed(new_engine(SITES), recording).events))
    assert len({e.fault for e in events}) >= 6, "a history with too few faults proves little"
    return events


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
        assert re.search(r"_(s|k|mm|pct|frac|ratio|bins|days|v|a)$", name) or name in {
            "staged",
            "pump_changes",
            "least_refusals",
            "least_stamps",
            "least_messages",
        }, f"{slug}.{name} carries no unit"


# ---------------------------------------------------------------- columns


def test_inputs_are_not_changed(recording):
    part = recording.part(slice(0, 4000))
    kept = [part.row.copy(), part.time_ms.copy(), part.values.copy()]
    feed(new_engine(SITES), part)
    for before, after in zip(kept, (part.row, part.time_ms, part.values), strict=True):
        np.testing.assert_array_equal(before, after)


def test_each_unit_alone_gives_what_the_fleet_gives(recording, expected):
    alone = []
    for row in {e.unit_row for e in expected}:
        alone += feed(new_engine(SITES), recording.part(recording.row == row)).events
    assert in_order(alone) == expected


def test_the_order_of_units_does_not_matter(recording, expected):
    order = np.lexsort((-recording.row, recording.time_ms))
    assert in_order(list(feed(new_engine(SITES), recording.part(order)).events)) == expected


@settings(max_examples=6, deadline=None)
@given(cuts=st.lists(st.integers(1, 27_000), max_size=12))
def test_cutting_the_stream_into_batches_anyhow_gives_the_same_events(recording, expected, cuts):
    engine, events, start = new_engine(SITES), [], 0
    for cut in [*sorted(cuts), len(recording)]:
        events += feed(engine, recording.part(slice(start, cut))).events
        start = max(start, cut)
    assert in_order(events) == expected


def test_a_repeated_and_a_late_delivery_changes_nothing(recording, expected):
    """After a crash the broker sends again what was not acknowledged."""
    engine, events, late = new_engine(SITES), [], 0
    for start in range(0, len(recording), 5000):
        again = max(0, start - 1500)
        result = feed(engine, recording.part(slice(again, start + 5000)))
        events += result.events
        late += result.late_frames
    assert in_order(events) == expected
    assert late > 0


def test_one_units_missing_values_touch_no_other(recording, expected):
    spoilt = Recording(recording.row, recording.time_ms, recording.values.copy())
    victim = expected[0].unit_row
    spoilt.values[spoilt.row == victim] = np.nan
    events = in_order(list(feed(new_engine(SITES), spoilt).events))
    assert events == [e for e in expected if e.unit_row != victim]


def test_nothing_known_raises_nothing_and_clears_nothing(recording, expected):
    """Unknown is not healthy: frames without values leave every standing alarm standing."""
    engine = new_engine(SITES)
    feed(engine, recording)
    before = engine.state.alarm_state.copy()
    end = int(recording.time_ms.max())
    rows = np.unique(recording.row)
    for minute in range(1, 600, 5):
        times = np.full(len(rows), end + minute * 60_000, np.int64)
        result = engine.samples(0, rows, times, np.full((len(rows), len(INDEX)), np.nan))
        assert [e for e in result.events if e.change is Change.RAISED] == []
    np.testing.assert_array_equal(engine.state.alarm_state, before)


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9])
def test_a_snapshot_goes_on_as_if_nothing_had_happened(recording, expected, share):
    cut = int(len(recording) * share)
    first = new_engine(SITES)
    events = list(feed(first, recording.part(slice(0, cut))).events)
    second = new_engine(SITES)
    second.restore(first.snapshot())
    events += feed(second, recording.part(slice(cut, None))).events
    assert in_order(events) == expected


def test_a_snapshot_of_another_layout_is_refused():
    engine = new_engine(SITES)
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


# ---------------------------------------------------------------- evidence


def test_every_raised_alarm_carries_evidence_that_survives_json(expected):
    for event in expected:
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


def test_each_rule_belongs_to_one_kind_of_view():
    assert {r.fault.judged_by for r in RULES} == {"frames", "bins", "clock"}
