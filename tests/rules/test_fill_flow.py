"""How fast a basin fills from empty, and what is said where it takes far longer than it used to.

The basin of ``water_scenes`` has 2 m², and a valve of 30 L/min that is wide open below 140 mm.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.fleet import Feed, engine_of, site, unit_data
from water_scenes import Basin, Day, controlled_bleed

from rules.baselines import act_on_baselines
from rules.events import Action, ActionKind, Change, Severity
from rules.fill_flow import (
    LEAST_FILLS,
    close_fill_flow,
    fill_flow_l_min,
    usual_fill_flow_l_min,
)
from rules.state import STEADY, TRACE, TRACE_BINS

FAULT = "float-stuck-shut"
USUAL = 0.5
"""Share of the valve's flow that the supply gives as a rule: 15 L/min, 20 minutes for a fill."""


def filled_days(day: Day, *supplies: float, hours: float = 1.0) -> Day:
    """Days that begin with an empty basin and a fill with such a supply each, then run."""
    for supply in supplies:
        day.emptied_and_filled(5.0, 165.0, drain=60.0, empty_h=0.5, supply=supply)
        day.run(hours)
    return day


def a_day(every: int = 1, **plate: float) -> Day:
    """A unit that has filled five times as it is used to."""
    day = Day(Basin(bleed=controlled_bleed(4.0, 900.0)))
    day.feed = Feed(engine_of(site(units=[unit_data(**plate)])))
    day.every = every
    filled_days(day, *[USUAL] * (LEAST_FILLS + 1))
    assert day.raised() == []
    return day


def flows(day: Day) -> tuple[float, float]:
    """Of the newest fill, and the usual one. [L/min]"""
    state, row = day.feed.engine.state, np.array([0])
    return float(fill_flow_l_min(state, row)[0]), float(usual_fill_flow_l_min(state, row)[0])


@pytest.mark.parametrize("every", [1, 5])
def test_a_fill_shows_what_the_supply_gives(every):
    day = a_day(every)
    assert flows(day) == pytest.approx((15.0, 15.0), rel=0.12)


def test_two_fills_with_half_the_flow_tell_of_a_starved_supply():
    day = filled_days(a_day(), 0.5 * USUAL)
    assert FAULT not in day.raised(), "others may have drawn on it once"
    filled_days(day, 0.5 * USUAL)
    assert FAULT in day.raised()
    first = next(e for e in day.feed.events if e.fault == FAULT and e.change is Change.RAISED)
    assert first.severity is Severity.LOW
    assert first.evidence.causes[0].slug in ("float-shut", "supply")
    assert {c.slug for c in first.evidence.causes if c.ruled_out}.isdisjoint(
        ("float-shut", "supply")
    )
    assert "% of the flow" in first.evidence.summary
    # A fill as ever proves that it is mended.
    filled_days(day, USUAL)
    assert [e.change for e in day.feed.events if e.fault == FAULT][-1] is Change.RETURNED


def test_after_a_visit_two_new_fills_must_be_slow():
    day = filled_days(a_day(), *[0.5 * USUAL] * 2)
    raised = day.raised().count(FAULT)
    for kind in (ActionKind.OUT_OF_SERVICE, ActionKind.IN_SERVICE):
        day.feed.engine.act(Action(1, kind, 0, "", day.feed.now_ms, "R. Marsh", "Strainer"))
        day.run(2.0, running=False)
    assert day.raised().count(FAULT) == raised
    filled_days(day, *[0.5 * USUAL] * 2)
    assert day.raised().count(FAULT) == raised + 1


def test_a_supply_that_gives_less_than_a_hot_day_asks_for_is_more_than_a_sign():
    """Thrice the airflow asks for about 20 L/min; a quarter of the valve's flow is 7.5."""
    day = filled_days(a_day(fans__rated_airflow_m3_s=60), *[0.25] * 2)
    assert next(e for e in day.feed.events if e.fault == FAULT).severity is Severity.MEDIUM


def test_pressure_that_varies_by_a_fifth_is_nothing():
    day = filled_days(a_day(), 0.8 * USUAL, USUAL, 0.8 * USUAL, 0.8 * USUAL)
    assert FAULT not in day.raised()


def test_a_strainer_that_clogs_over_weeks_does_not_teach_its_own_remnant():
    """A fiftieth less with each fill: after thirty there comes little more than half of it."""
    day = a_day()
    filled_days(day, *(USUAL * 0.98**k for k in range(1, 31)), hours=0.0)
    assert flows(day)[1] > 0.8 * 15.0
    assert FAULT in day.raised()


def test_an_early_sign_mutes_no_alarm_of_the_water():
    """The slow fills stand, low; then the bleed blocks."""
    day = filled_days(a_day(), *[0.5 * USUAL] * 2)
    assert day.raised() == [FAULT]
    day.basin.bleed = lambda _b, _t: 0.0
    day.run(16.0)
    assert day.basin.conductivity > 1600.0
    assert {"bleed-blocked", "conductivity-high"} & set(day.raised())


def test_a_hose_and_a_visit_teach_nothing_and_a_reset_forgets():
    day = a_day()
    before = flows(day)
    day.feed.engine.act(
        Action(1, ActionKind.OUT_OF_SERVICE, 0, "", day.feed.now_ms, "R. Marsh", "Cleaning")
    )
    filled_days(day, 0.2, 0.2)
    assert flows(day) == before
    state = day.feed.engine.state
    act_on_baselines(
        state, 0, Action(2, ActionKind.RESET_BASELINE, 0, "", day.feed.now_ms, "a technician")
    )
    assert np.isnan(flows(day)).all()


def test_a_reading_that_comes_back_is_no_fill():
    """160 mm in one step are 64 L/min, twice the valve's flow."""
    day = a_day(every=5)
    before = flows(day)
    day.run(0.5, basin_level=0.0)
    day.run(0.5)
    assert flows(day) == before


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


def test_of_a_basin_that_fills_within_two_means_nothing_is_said():
    """45 L/min fill the 140 mm of 2 m² in six minutes: what means show of it hangs on the clock."""
    day = a_day()
    day.feed.engine.state.fill_flow[0] = (45.0, 45.0, 0.01)
    filled_days(day, 0.8, 0.8)
    assert flows(day)[0] < 0.65 * flows(day)[1]
    assert FAULT not in day.raised()


@pytest.mark.parametrize("supply", [USUAL, 0.5 * USUAL])
def test_a_float_that_only_fills_slowly_keeps_back_no_open_bleed(supply):
    day = filled_days(a_day(), supply, supply)
    assert (FAULT in day.raised()) is (supply < USUAL)
    day.basin.supply, day.basin.bleed = 1.0, lambda _b, _t: 14.0
    day.run(4.0)
    assert "bleed-stuck-open" in day.raised()


def test_it_is_not_known_any_more_how_a_basin_fills_that_is_not_drained():
    day = filled_days(a_day(), 0.5 * USUAL, 0.5 * USUAL)
    day.every, day.basin.supply = 5, 1.0
    day.run(15 * 24.0)
    assert [e.change for e in day.feed.events if e.fault == FAULT][-1] is Change.RETURNED


def test_a_float_that_only_fills_slowly_leaves_the_pads_their_means():
    day = filled_days(a_day(), 0.5 * USUAL, 0.5 * USUAL)
    state, q = day.feed.engine.state, [q.name for q in STEADY].index("td_wet")
    before = int(state.steady_count[0, q])
    day.basin.supply = 1.0
    day.run(6.0, heat_load=200.0)
    assert int(state.steady_count[0, q]) > before
