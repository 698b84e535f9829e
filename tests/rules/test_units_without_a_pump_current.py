"""Units that send the pump's command and no current: the command says when the pads are wet."""

from __future__ import annotations

import pytest
from support.fleet import Feed, engine_of

from rules.physics.moist_air import wet_bulb_degc
from rules.physics.pads import evaporation_l_min
from rules.state import TRACE


def lived(hours: float, **changes: float | None) -> Feed:
    feed = Feed(engine_of())
    feed.run(hours * 3600.0, step_s=300.0, pump_current=None, **changes)
    return feed


def newest(feed: Feed, name: str) -> float:
    state = feed.engine.state
    return float(state.trace[0, TRACE.index(name), int(state.trace_bin[0]) % state.trace.shape[2]])


def test_evaporation_is_worked_out_while_the_pump_is_commanded():
    """20 m³/s at 70 % through clean pads at 28 °C and 40 %: a few litres a minute."""
    feed = lived(2.0)
    plan = feed.engine.plan
    bulb = wet_bulb_degc(28.0, 40.0, plan.barometric_kpa[0])
    expected = evaporation_l_min(
        0.7 * 20.0, 28.0, bulb, plan.pad_effectiveness_frac[0], plan.barometric_kpa[0]
    )
    assert newest(feed, "evaporation") == pytest.approx(float(expected), rel=2e-3)


def test_nothing_evaporates_while_it_is_not():
    assert newest(lived(2.0, pump_command=0.0, wet_mode=0.0), "evaporation") == 0.0


def test_its_running_hours_teach_how_concentrated_the_water_becomes():
    assert lived(3.0).engine.state.top_run_bins[0] >= 30
