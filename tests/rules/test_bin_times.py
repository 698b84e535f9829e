"""When bins begin and end: by site, whatever else is in the fleet, and spread over five minutes."""

from __future__ import annotations

import numpy as np
import pytest
from support.fleet import T0_MS, Feed, engine_of, row_of_values, rows_of, site, unit_data

from rules.arrays import span
from rules.bin_times import bin_end_ms, bin_of, bin_start_ms, phase_ms
from rules.engine import Engine
from rules.frames import rounds
from rules.plan import FleetPlan
from rules.signals import N_SIGNALS
from rules.site_weather import SERVED_AT
from rules.state import BIN_MS, TRACE, FleetState

MINUTE = 60_000
LEVEL_AT_REST = TRACE.index("level_at_rest")


def plan_of(*site_ids: str, units: int = 2) -> FleetPlan:
    sites = [site(s, [unit_data(f"u{i}") for i in range(units)]) for s in site_ids]
    return FleetPlan.build(sites, rows_of(sites), {})


def nothing_yet(plan: FleetPlan) -> FleetState:
    return FleetState.empty(plan.n_rows, 0)


def test_a_bin_holds_the_times_from_its_start_to_before_its_end():
    plan = plan_of("east", "west", "north")
    rows = np.arange(6)
    for time_ms in range(T0_MS, T0_MS + 2 * BIN_MS, 7_000):
        ids = bin_of(plan, rows, time_ms)
        start, end = bin_start_ms(plan, rows, ids), bin_end_ms(plan, rows, ids)
        assert ((start <= time_ms) & (time_ms < end)).all()
        assert (end - start == BIN_MS).all()
        np.testing.assert_array_equal(bin_of(plan, rows, start), ids)
        np.testing.assert_array_equal(bin_of(plan, rows, end), ids + 1)


def test_the_units_of_a_site_close_together_whatever_row_they_have():
    alone, among = plan_of("west"), plan_of("east", "north", "west")
    assert set(alone.bin_phase_ms.tolist()) == set(among.bin_phase_ms[4:].tolist())
    assert len(set(among.bin_phase_ms.tolist())) == 3


def test_a_large_fleet_closes_about_a_fifth_of_its_sites_in_each_minute():
    minute = np.array([phase_ms(f"site-{k}") // MINUTE for k in range(2000)])
    share = np.bincount(minute, minlength=5) / len(minute)
    # Five standard deviations of a fair draw of 2000.
    np.testing.assert_allclose(share, 0.2, atol=5 * np.sqrt(0.2 * 0.8 / 2000))


def test_a_mean_holds_the_frames_of_its_own_bin_and_no_others():
    """The level at rest is the number of the bin in which it was measured."""
    engine = engine_of()
    plan, row = engine.plan, np.array([0])
    first = int(bin_of(plan, row, T0_MS)[0])
    start_ms = int(bin_start_ms(plan, row, np.array([first]))[0])
    feed = Feed(engine)
    for k in range(12 * 30):
        time_ms = start_ms + k * 10_000
        level = 100.0 + (int(bin_of(plan, row, time_ms)[0]) - first)
        values = {"basin_level": level, "pump_current": 0.0, "pump_command": 0.0}
        feed.send(0, time_ms, row_of_values(values))
    newest = int(engine.state.trace_bin[0])
    assert newest == first + 10
    # The pump has to have stood for ten minutes first.
    for back in range(8):
        at = (newest - back) % engine.state.trace.shape[-1]
        assert engine.state.trace[0, LEVEL_AT_REST, at] == 110.0 - back


def test_units_of_a_site_close_their_bins_in_one_round_at_any_rate():
    """One unit reports each minute, the other every ten seconds."""
    plan = plan_of("east")
    times = [(0, k * MINUTE) for k in range(5)] + [(1, k * 10_000) for k in range(30)]
    unit_row = np.array([r for r, _ in times], np.int32)
    time_ms = np.array([t for _, t in times], np.int64) + T0_MS
    crossing = {}
    for i, index in enumerate(rounds(plan, nothing_yet(plan), unit_row, time_ms)):
        assert len(set(unit_row[index].tolist())) == len(index)
        for j in index.tolist():
            key = (int(unit_row[j]), int(bin_of(plan, unit_row[j], time_ms[j])))
            crossing.setdefault(key, i)
    second = {key: i for key, i in crossing.items() if key[1] == max(b for _, b in crossing)}
    assert len(second) == 2
    assert len(set(second.values())) == 1


def test_units_of_all_sites_close_their_open_bins_in_one_round():
    """Their bins end at other times, and some have no frame left before the end."""
    plan = plan_of("east", "west", "north")
    state = nothing_yet(plan)
    rows = np.arange(plan.n_rows)
    assert len(set(plan.bin_phase_ms.tolist())) == 3
    begin_ms = T0_MS + 90_000
    state.bin_id[:] = bin_of(plan, rows, begin_ms - 1)
    unit_row = np.repeat(rows, 5).astype(np.int32)
    time_ms = np.tile(begin_ms + MINUTE * np.arange(5), len(rows))
    closing_rounds = {}
    for i, index in enumerate(rounds(plan, state, unit_row, time_ms)):
        for j in index.tolist():
            row = int(unit_row[j])
            if bin_of(plan, row, int(time_ms[j])) != state.bin_id[row]:
                closing_rounds.setdefault(row, i)
    assert set(closing_rounds) == set(rows.tolist())
    assert len(set(closing_rounds.values())) == 1


def test_each_unit_has_its_frames_in_order_whatever_its_site():
    plan = plan_of("east", "west", "north")
    rng = np.random.default_rng(3)
    unit_row = rng.integers(0, 6, 400).astype(np.int32)
    time_ms = T0_MS + rng.integers(0, 5 * BIN_MS, 400)
    seen: dict[int, int] = {}
    taken: list[int] = []
    for index in rounds(plan, nothing_yet(plan), unit_row, time_ms):
        assert (np.diff(unit_row[index]) > 0).all()
        for j in index.tolist():
            assert time_ms[j] >= seen.get(int(unit_row[j]), 0)
            seen[int(unit_row[j])] = int(time_ms[j])
        taken += index.tolist()
    assert sorted(taken) == list(range(400))


@pytest.mark.parametrize(
    ("rows", "expected"), [([3, 4, 5], slice(3, 6)), ([7], slice(7, 8)), ([3, 5], None), ([], None)]
)
def test_rows_in_a_row_are_a_slice(rows, expected):
    index = np.array(rows, np.int64)
    found = span(index)
    if expected is None:
        assert found is index
    else:
        assert found == expected


def test_a_unit_is_judged_alike_in_a_row_of_neighbours_and_between_gaps():
    """Columns are read in place where rows follow each other, and through an index elsewhere."""
    sites = [site("east", [unit_data(f"u{i}") for i in range(6)])]
    plan = FleetPlan.build(sites, rows_of(sites), {})
    together, apart = Engine(plan), Engine(plan)
    rng = np.random.default_rng(5)
    for k in range(40):
        values = np.where(rng.random((6, N_SIGNALS)) < 0.3, np.nan, rng.uniform(1.0, 90.0, (6, 1)))
        if k == 0:  # with air of their own from the start, they have nothing from each other
            values[:, SERVED_AT] = 20.0
        time_ms = np.full(6, T0_MS + k * MINUTE)
        events = together.samples(0, np.arange(6, dtype=np.int32), time_ms, values).events
        halves: list[object] = []
        for part in (slice(0, 6, 2), slice(1, 6, 2)):
            rows = np.arange(6, dtype=np.int32)[part]
            halves += apart.samples(0, rows, time_ms[part], values[part]).events
        assert sorted(events, key=repr) == sorted(halves, key=repr)
    assert together.snapshot() == apart.snapshot()


def test_what_a_unit_does_once_an_hour_hangs_on_its_id_and_not_on_its_row():
    """The same unit alone, and behind five others that were registered before it."""
    alone = engine_of(site("east", [unit_data("u9")]))
    among = engine_of(site("east", [unit_data(f"u{k}") for k in (0, 1, 2, 3, 4, 9)]))
    feeds = [Feed(alone), Feed(among)]
    for feed, row in zip(feeds, (0, 5), strict=True):
        feed.run(7 * 3600, step_s=300.0, row=row, heat_load=200.0)
    for name in ("steady_count", "heat_bins", "heat_since_bin", "td_last_bin", "water_looks"):
        own, other = getattr(alone.state, name)[0], getattr(among.state, name)[5]
        np.testing.assert_array_equal(own, other, err_msg=name)
    assert not np.isnan(alone.state.water_looks[0]).all()
