"""How fast a basin fills from empty, and what is said where it takes far longer than it used to.

The basin of ``water_scenes`` has 2 m², and a valve of 30 L/min that is wide open below 140 mm. All
scenes are one fleet.
"""

from __future__ import annotations

import numpy as np
import pytest
from lives import life_of, live
from support.fleet import engine_of
from water_scenes import Basin, Day, controlled_bleed, of_this_family

from rules.engine import Engine
from rules.events import ActionKind, AlarmEvent, Change, Severity
from rules.fill_flow import (
    LEAST_FILLS,
    MEMORY_BINS,
    close_fill_flow,
    fill_flow_l_min,
    fills_slower,
    learn_fills,
    note_wide_open,
    usual_fill_flow_l_min,
)
from rules.state import STEADY, TRACE, TRACE_BINS

FAULT = "float-stuck-shut"
TD_WET = [q.name for q in STEADY].index("td_wet")
USUAL = 0.5
"""Share of the valve's flow that the supply gives as a rule: 15 L/min, 20 minutes for a fill."""


def filled_days(day: Day, *supplies: float, hours: float = 1.0) -> Day:
    """Days that begin with an empty basin and a fill with such a supply each, then run."""
    for supply in supplies:
        day.emptied_and_filled(5.0, 165.0, drain=60.0, empty_h=0.5, supply=supply)
        day.run(hours)
    return day


def a_day(every: int = 5, **plate: float) -> Day:
    """A unit that has filled five times as it is used to."""
    day = life_of(Basin(bleed=controlled_bleed(4.0, 900.0)), every=every, **plate)
    filled_days(day, *[USUAL] * (LEAST_FILLS + 1))
    mark(day, "as ever")
    return day


def mark(day: Day, name: str) -> None:
    """Remember this moment, the newest fill and the usual one [L/min], and the means of the TD."""

    def look(engine: Engine, row: int) -> None:
        rows = np.array([row])
        newest = float(fill_flow_l_min(engine.state, rows)[0])
        day.flows[name] = (newest, float(usual_fill_flow_l_min(engine.state, rows)[0]))
        day.td_means[name] = int(engine.state.steady_count[row, TD_WET])

    if not hasattr(day, "flows"):
        day.flows, day.td_means = {}, {}
    day.feed.mark(name)
    day.feed.then(look)


def two_slow_fills(*, mended: bool = False) -> Day:
    day = filled_days(a_day(), 0.5 * USUAL)
    mark(day, "one")
    filled_days(day, 0.5 * USUAL)
    mark(day, "two")
    return filled_days(day, USUAL) if mended else day


def visited() -> Day:
    day = two_slow_fills()
    for kind in (ActionKind.OUT_OF_SERVICE, ActionKind.IN_SERVICE):
        day.feed.act(kind)
        day.run(2.0, running=False)
    mark(day, "visited")
    return filled_days(day, *[0.5 * USUAL] * 2)


def bleed_blocks() -> Day:
    """The slow fills stand, low; then the bleed blocks."""
    day = two_slow_fills()
    day.basin.bleed = lambda _b, _t: 0.0
    return day.run(16.0)


def bleed_opens(supply: float) -> Day:
    day = filled_days(a_day(), supply, supply)
    mark(day, "filled")
    day.basin.supply, day.basin.bleed = 1.0, lambda _b, _t: 14.0
    return day.run(4.0)


def clogs() -> Day:
    """A fiftieth less with each fill: after thirty there comes little more than half of it."""
    day = filled_days(a_day(), *(USUAL * 0.98**k for k in range(1, 31)), hours=0.0)
    mark(day, "end")
    return day


def by_a_hose() -> Day:
    day = a_day()
    day.feed.act(ActionKind.OUT_OF_SERVICE)
    filled_days(day, 0.2, 0.2)
    mark(day, "by a hose")
    day.feed.act(ActionKind.RESET_BASELINE)
    mark(day, "reset")
    return day


def comes_back() -> Day:
    """160 mm in one step are 64 L/min, twice the valve's flow."""
    day = a_day()
    day.run(0.5, basin_level=0.0)
    day.run(0.5)
    mark(day, "back")
    return day


def fills_within_two_means() -> Day:
    """45 L/min fill the 140 mm of 2 m² in six minutes: what means show of it hangs on the clock."""
    day = a_day()

    def fills_fast(engine: Engine, row: int) -> None:
        engine.state.fill_flow[row] = (45.0, 45.0, 0.01)

    day.feed.then(fills_fast)
    filled_days(day, 0.8, 0.8)
    mark(day, "end")
    return day


def not_drained() -> Day:
    """Two slow fills, and two weeks without any, of which only their ends are played."""
    day = two_slow_fills()
    day.basin.supply = 1.0
    day.run(6.0)

    def days_pass(engine: Engine, row: int) -> None:
        state = engine.state
        state.fill_flow_bin[row] = state.trace_bin[row] - MEMORY_BINS + 6 * 12

    day.feed.then(days_pass)
    day.run(5.0)
    mark(day, "two weeks less an hour")
    return day.run(3.0)


def loaded() -> Day:
    day = two_slow_fills()
    day.basin.supply = 1.0
    day.run(6.0, heat_load=200.0)
    mark(day, "end")
    return day


@pytest.fixture(scope="module")
def lived() -> dict[str, Day]:
    days = {
        "each minute": a_day(every=1),
        "mended": two_slow_fills(mended=True),
        "visited": visited(),
        "hot": filled_days(a_day(fans__rated_airflow_m3_s=60), *[0.25] * 2),
        "a fifth": filled_days(a_day(), 0.8 * USUAL, USUAL, 0.8 * USUAL, 0.8 * USUAL),
        "clogs": clogs(),
        "bleed blocks": bleed_blocks(),
        "bleed opens": bleed_opens(USUAL),
        "bleed opens, slow": bleed_opens(0.5 * USUAL),
        "by a hose": by_a_hose(),
        "comes back": comes_back(),
        "fast": fills_within_two_means(),
        "not drained": not_drained(),
        "loaded": loaded(),
    }
    live(days.values())
    for day in days.values():
        assert raised(day.feed.until("as ever")) == []
    return days


def raised(events: list[AlarmEvent]) -> list[str]:
    """The faults of this family that were raised."""
    return of_this_family(e.fault for e in events if e.change is Change.RAISED)


@pytest.mark.parametrize("name", ["each minute", "a fifth"])
def test_a_fill_shows_what_the_supply_gives(lived, name):
    """Read each minute, and in five."""
    assert lived[name].flows["as ever"] == pytest.approx((15.0, 15.0), rel=0.12)


def test_two_fills_with_half_the_flow_tell_of_a_starved_supply(lived):
    feed = lived["mended"].feed
    assert FAULT not in raised(feed.until("one")), "others may have drawn on it once"
    assert FAULT in raised(feed.until("two"))
    first = next(e for e in feed.events if e.fault == FAULT and e.change is Change.RAISED)
    assert first.severity is Severity.LOW
    assert first.evidence.causes[0].slug in ("float-shut", "supply")
    assert {c.slug for c in first.evidence.causes if c.ruled_out}.isdisjoint(
        ("float-shut", "supply")
    )
    assert "% of the flow" in first.evidence.summary
    # A fill as ever proves that it is mended.
    assert not [e for e in feed.until("two") if e.change is Change.RETURNED]
    assert [e.change for e in feed.events if e.fault == FAULT][-1] is Change.RETURNED


def test_after_a_visit_two_new_fills_must_be_slow(lived):
    day = lived["visited"]
    before = raised(day.feed.until("two")).count(FAULT)
    assert before == 1
    assert raised(day.feed.until("visited")).count(FAULT) == before
    assert day.raised().count(FAULT) == before + 1


def test_a_supply_that_gives_less_than_a_hot_day_asks_for_is_more_than_a_sign(lived):
    """Thrice the airflow asks for about 20 L/min; a quarter of the valve's flow is 7.5."""
    events = lived["hot"].feed.events
    assert next(e for e in events if e.fault == FAULT).severity is Severity.MEDIUM


def test_pressure_that_varies_by_a_fifth_is_nothing(lived):
    assert FAULT not in lived["a fifth"].raised()


def test_a_strainer_that_clogs_over_weeks_does_not_teach_its_own_remnant(lived):
    assert lived["clogs"].flows["end"][1] > 0.8 * 15.0
    assert FAULT in lived["clogs"].raised()


def test_an_early_sign_mutes_no_alarm_of_the_water(lived):
    day = lived["bleed blocks"]
    assert raised(day.feed.until("two")) == [FAULT]
    assert day.basin.conductivity > 1600.0
    assert {"bleed-blocked", "conductivity-high"} & set(day.raised())


def test_a_hose_and_a_visit_teach_nothing_and_a_reset_forgets(lived):
    flows = lived["by a hose"].flows
    assert flows["by a hose"] == flows["as ever"]
    assert np.isnan(flows["reset"]).all()


def test_a_reading_that_comes_back_is_no_fill(lived):
    flows = lived["comes back"].flows
    assert flows["back"] == flows["as ever"]


NAN = float("nan")
REST, RUN = TRACE.index("level_at_rest"), TRACE.index("level_running")


@pytest.mark.parametrize(
    ("means", "flow"),
    [
        # It starts within the third mean. What pads take, 20 mm by the site file, is rough.
        ([(20.0, NAN), (57.5, NAN), (66.0, 105.0), (NAN, 112.5), (NAN, 150.0)], 15.0),
        # The mean in which it starts is left out.
        ([(20.0, NAN), (57.5, NAN), (95.0, NAN), (NAN, NAN), (NAN, 150.0)], 15.0),
        # It starts and stops within all of them: nothing can be told.
        ([(20.0, 22.0), (40.0, 60.0), (80.0, 100.0), (120.0, 135.0)], NAN),
    ],
)
def test_a_pump_that_starts_while_it_fills_makes_no_rise(means, flow):
    """Means of five minutes, at rest and running: 37.5 mm in each are 15 L/min on 2 m²."""
    engine = engine_of()
    state, row = engine.state, np.array([0])
    levels = (
        [(5.0, 5.0 if np.isnan(flow) else NAN)] * 4
        + means
        + [(NAN, 172.0)] * (3 if np.isnan(flow) else 2)
    )
    for at, (at_rest, running) in enumerate(levels, start=1000):
        state.trace[0, REST, at % TRACE_BINS] = at_rest
        state.trace[0, RUN, at % TRACE_BINS] = running
        state.trace_bin[0] = at
    state.empty_bins[0] = 4
    close_fill_flow(engine.plan, state, row, state.trace_bin[row], np.array([172.0]))
    assert fill_flow_l_min(state, row)[0] == pytest.approx(flow, nan_ok=True)


@pytest.mark.parametrize(("after_bins", "slower"), [(MEMORY_BINS - 1, True), (MEMORY_BINS, False)])
def test_slow_looks_of_weeks_ago_do_not_count_with_a_slow_fill_of_today(after_bins, slower):
    """One look by the meter at a wide open valve, and later one fill, both at half the usual."""
    engine = engine_of()
    state, row = engine.state, np.array([0])
    state.fill_flows[0], state.fill_flow[0] = LEAST_FILLS + 1, [28.0, 28.0, 0.02]
    look = np.array([600_000])
    state.fill_flow_bin[0] = look[0] - 1
    note_wide_open(engine.plan, state, row, look, np.array([12.0]))
    today = look + after_bins
    learn_fills(engine.plan, state, row, today, np.array([14.0]))
    state.trace_bin[0] = today[0]
    assert fills_slower(state, row)[0] == slower


def test_of_a_basin_that_fills_within_two_means_nothing_is_said(lived):
    newest, usual = lived["fast"].flows["end"]
    assert newest < 0.65 * usual
    assert FAULT not in lived["fast"].raised()


@pytest.mark.parametrize(("name", "slow"), [("bleed opens", False), ("bleed opens, slow", True)])
def test_a_float_that_only_fills_slowly_keeps_back_no_open_bleed(lived, name, slow):
    day = lived[name]
    assert (FAULT in raised(day.feed.until("filled"))) is slow
    assert "bleed-stuck-open" in day.raised()


def test_it_is_not_known_any_more_how_a_basin_fills_that_is_not_drained(lived):
    feed = lived["not drained"].feed
    told = [e.change for e in feed.until("two weeks less an hour") if e.fault == FAULT]
    assert told == [Change.RAISED]
    assert [e.change for e in feed.events if e.fault == FAULT] == [*told, Change.RETURNED]


def test_a_float_that_only_fills_slowly_leaves_the_pads_their_means(lived):
    td_means = lived["loaded"].td_means
    assert td_means["end"] > td_means["two"]
