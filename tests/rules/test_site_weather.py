"""Weather that one unit of a site sends: whom it serves, whose it is, and for how long."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.fleet import HEALTHY, T0_MS, Feed, engine_of, row_of_values, rows_of, site, unit_data

from rules.engine import Engine
from rules.events import Action, ActionKind, Change
from rules.plan import FleetPlan
from rules.signals import INDEX, N_SIGNALS
from rules.site_weather import SERVED, SERVES_MS, STILL_MS, SiteWeather
from rules.state import ACCUMULATED

AIR, HUMIDITY = (INDEX[name] for name in SERVED)
MINUTE_MS = 60_000
UNTOLD = {"ambient_temperature": None, "relative_humidity": None}


def engine() -> Engine:
    """Two sites: the first with three units, the second with one."""
    return engine_of(
        site("north-hall", [unit_data(f"ac-{i}") for i in (1, 2, 3)]),
        site("south-hall", [unit_data("ac-1")]),
    )


def frame(air: float | None = None, humidity: float | None = None, **other: float) -> np.ndarray:
    """A frame with weather, or without."""
    values = {k: v for k, v in HEALTHY.items() if k not in SERVED} | other
    if air is not None:
        values["ambient_temperature"] = air
    if humidity is not None:
        values["relative_humidity"] = humidity
    return row_of_values(values)


def air_of(feed: Feed, row: int) -> float | None:
    """The air of a unit, as its explanations would tell it."""
    look = feed.engine.look(row)
    assert look is not None
    return look.value("ambient_temperature")


def test_weather_of_one_unit_serves_those_of_its_site_that_send_none() -> None:
    feed = Feed(engine())
    feed.send(0, T0_MS, frame(31.0, 45.0))
    for row in (1, 3):
        feed.send(row, T0_MS + MINUTE_MS, frame())
    served, elsewhere = feed.engine.look(1), feed.engine.look(3)
    assert served is not None
    assert elsewhere is not None
    assert served.value("ambient_temperature") == 31.0
    # Against psychrolib, ASHRAE Handbook - Fundamentals (2017), chapter 1.
    psychrolib.SetUnitSystem(psychrolib.SI)
    bulb = psychrolib.GetTWetBulbFromRelHum(31.0, 0.45, 101_325.0)
    assert served.wet_bulb_degc() == pytest.approx(bulb, abs=0.05)
    assert served.reading("ambient_temperature").note == "sent by ac-1"
    assert served.reading("ambient_temperature", note="now").note == "now; sent by ac-1"
    assert elsewhere.value("ambient_temperature") is None
    assert not elsewhere.has("ambient_temperature")


def test_what_is_learned_with_the_site_s_air_is_what_own_air_would_teach() -> None:
    feed = Feed(engine())
    dry = {"pump_command": 0.0, "wet_mode": 0.0, "pump_current": 0.0, "heat_load": 200.0}
    for minute in range(9 * 60):
        for row, air in ((0, (24.0 + minute / 100, 45.0)), (1, ())):
            feed.send(row, T0_MS + minute * MINUTE_MS, frame(*air, **dry))
    own, served = feed.engine.look(0), feed.engine.look(1)
    assert own is not None
    assert served is not None
    # Hours end at a minute of each unit's own, so the means are of like hours, not of the same.
    assert len(own.steady_means("td_dry")) >= 6
    assert len(served.steady_means("td_dry")) >= 6
    assert served.steady("td_dry", 4) == pytest.approx(own.steady("td_dry", 4), rel=0.05)


def test_a_sensor_that_comes_and_goes_costs_bins_and_not_hours() -> None:
    """Air every half hour stands for half of the time: hours are made of the bins that have it."""
    feed = Feed(engine())
    dry = {"pump_command": 0.0, "wet_mode": 0.0, "pump_current": 0.0, "heat_load": 200.0}
    for minute in range(12 * 60):
        air = (24.0 + minute / 100, 45.0) if minute % 30 == 0 else ()
        for row, sent in ((0, air), (1, ())):
            feed.send(row, T0_MS + minute * MINUTE_MS, frame(*sent, **dry))
    look = feed.engine.look(1)
    assert look is not None
    means = look.steady_means("td_dry")
    assert len(means) >= 8
    assert not np.isnan(means).any()


def test_a_second_frame_of_the_same_instant_brings_no_second_reading_of_the_air() -> None:
    feed = Feed(engine())
    feed.send(0, T0_MS, frame(30.0))
    for _ in range(3):
        feed.send(1, T0_MS, frame())
    column = ACCUMULATED.index("ambient_temperature")
    assert feed.engine.state.bin_count[1, column] == pytest.approx(1.0, abs=1e-3)


def test_what_a_unit_sends_itself_is_never_replaced() -> None:
    feed = Feed(engine())
    feed.send(0, T0_MS, frame(31.0))
    feed.send(1, T0_MS, frame(29.0))
    feed.send(0, T0_MS + SERVES_MS + MINUTE_MS, frame(33.0))
    feed.send(1, T0_MS + SERVES_MS + 2 * MINUTE_MS, frame())
    assert air_of(feed, 1) is None  # its own is too old by now
    look = feed.engine.look(1)
    assert look is not None
    assert look.sent_by("ambient_temperature") == ""


def test_old_weather_is_not_taken_for_that_of_now() -> None:
    feed = Feed(engine())
    feed.send(0, T0_MS, frame(31.0))
    feed.send(1, T0_MS + SERVES_MS, frame())
    assert air_of(feed, 1) == 31.0
    feed.send(1, T0_MS + SERVES_MS + 1, frame())
    assert air_of(feed, 1) is None
    look = feed.engine.look(1)
    assert look is not None
    assert look.has("ambient_temperature")  # as a sensor that is silent for a while


def test_of_two_sensors_the_first_serves_until_it_falls_silent() -> None:
    feed = Feed(engine())
    feed.send(1, T0_MS, frame(29.0))
    feed.send(2, T0_MS, frame())
    assert air_of(feed, 2) == 29.0
    feed.send(0, T0_MS + MINUTE_MS, frame(31.0))
    feed.send(1, T0_MS + 2 * MINUTE_MS, frame(29.5))
    feed.send(2, T0_MS + 2 * MINUTE_MS, frame())
    assert air_of(feed, 2) == 31.0
    later_ms = T0_MS + MINUTE_MS + SERVES_MS + 1
    feed.send(1, later_ms, frame(30.0))
    feed.send(2, later_ms, frame())
    assert air_of(feed, 2) == 30.0


def test_a_sensor_that_stands_still_serves_no_longer() -> None:
    feed = Feed(engine())
    steps = STILL_MS // (10 * MINUTE_MS) + 2
    for step in range(steps):
        now_ms = T0_MS + step * 10 * MINUTE_MS
        feed.send(0, now_ms, frame(31.0, 99.0))
        feed.send(2, now_ms, frame())
    assert air_of(feed, 2) is None
    look = feed.engine.look(2)
    assert look is not None
    assert look.value("relative_humidity") == 99.0  # fog may last
    now_ms += MINUTE_MS
    feed.send(1, now_ms, frame(24.0))
    feed.send(0, now_ms, frame(31.0))  # the one that stands does not come back by talking on
    feed.send(2, now_ms, frame())
    assert air_of(feed, 2) == 24.0
    feed.send(0, now_ms + MINUTE_MS, frame(25.0))
    feed.send(2, now_ms + MINUTE_MS, frame())
    assert air_of(feed, 2) == 25.0


def test_frost_by_the_sites_air_is_told_with_the_unit_that_sent_it() -> None:
    feed = Feed(engine())
    rest = {"pump_current": 0.0, "pump_command": 0.0, "wet_mode": 0.0, "basin_temperature": 0.4}
    for minute in range(240):
        now_ms = T0_MS + minute * MINUTE_MS
        feed.send(0, now_ms, frame(-5.0 - 0.01 * minute, 80.0, basin_level=0.0, **rest))
        feed.send(1, now_ms, frame(basin_level=165.0 + minute % 3, **rest))
    (event,) = [e for e in feed.events if e.fault == "frost-risk" and e.change is Change.RAISED]
    assert event.unit_row == 1
    air = next(r for r in event.evidence.readings if r.quantity == "Ambient temperature")
    assert air.measured is not None
    assert air.measured < -5.0
    assert "sent by ac-1" in air.note


def test_a_sensor_of_the_site_is_not_checked_again_at_every_unit_it_serves() -> None:
    """One frozen thermometer is one alarm, at the unit that has it."""
    feed = Feed(engine())
    for step in range(3 * 288):
        now_ms = T0_MS + step * 5 * MINUTE_MS
        for row in (0, 1):
            wave = float(10 * np.sin(step / 12.0) + step % 7)
            degc = 27.0 + wave / 3 if step < 288 else 31.234
            air = frame(degc, 45.0 + wave) if row == 0 else frame()
            air[INDEX["basin_level"]] += wave / 4
            for name in ("pump_current", "spray_pressure", "head_pressure", "conductivity"):
                air[INDEX[name]] *= 1.0 + 0.002 * wave
            feed.send(row, now_ms, air)
    frozen = [e.unit_row for e in feed.events if e.fault == "reading-frozen"]
    assert set(frozen) == {0}


def test_memory_of_the_weather_outlives_a_restart() -> None:
    before, after = Feed(engine()), Feed(engine())
    before.send(0, T0_MS, frame(31.0, 45.0))
    after.engine.restore(before.engine.snapshot())
    for feed in (before, after):
        feed.send(1, T0_MS + MINUTE_MS, frame())
        assert air_of(feed, 1) == 31.0
    # A unit that is gone serves nobody.
    gone = site("north-hall", [unit_data("ac-2"), unit_data("ac-3")])
    rows = {("north-hall", "ac-2"): 1, ("north-hall", "ac-3"): 2}
    left = Feed(Engine(FleetPlan.build((gone,), rows, {})))
    left.engine.restore(before.engine.snapshot())
    left.send(1, T0_MS + 2 * MINUTE_MS, frame())
    assert air_of(left, 1) is None


def test_a_reading_of_which_the_source_has_changed_since_is_laid_to_nobody() -> None:
    """All in one batch: when the frame of the third is judged the first has taken over."""
    feed = Feed(engine())
    rows = np.array([1, 2, 0], np.int32)
    times = np.full(3, T0_MS)
    frames = np.stack([frame(29.0), frame(), frame(31.0)])
    feed.engine.samples(T0_MS, rows, times, frames)
    look = feed.engine.look(2)
    assert look is not None
    assert look.value("ambient_temperature") == 29.0
    assert look.sent_by("ambient_temperature") == "another unit of the site"


def test_pads_are_watched_by_their_gauge_though_the_site_s_humidity_is_gone_for_good() -> None:
    feed = Feed(engine())
    wet = {"pad_pressure_drop": 60.0, "heat_load": 200.0}
    for minute in range(20 * 60):
        air = (24.0 + minute % 7, 45.0 + minute % 5) if minute < 60 else ()
        feed.send(0, T0_MS + minute * MINUTE_MS, frame(*air, **wet))
        feed.send(1, T0_MS + minute * MINUTE_MS, frame(**wet))
    look = feed.engine.look(1)
    assert look is not None
    assert look.has("relative_humidity")
    assert len(look.steady_means("pad_pressure_drop")) >= 12


def test_work_on_the_unit_with_the_sensor_leaves_its_weather_to_the_others() -> None:
    feed = Feed(engine())
    feed.send(0, T0_MS, frame(31.0))
    feed.engine.act(Action(1, ActionKind.OUT_OF_SERVICE, 0, "", T0_MS, "a technician"))
    feed.send(0, T0_MS + MINUTE_MS, frame(32.0))
    feed.send(1, T0_MS + MINUTE_MS, frame())
    assert air_of(feed, 1) == 32.0


READINGS = st.lists(
    st.tuples(
        st.integers(0, 3),  # unit
        st.integers(0, 40) | st.sampled_from([700, 1500]),  # minutes: some go back, some jump
        st.sampled_from([None, 20.0, 25.0, 30.0]),
        st.sampled_from([None, 40.0, 98.0]),
    ),
    min_size=1,
    max_size=40,
)


@given(READINGS, st.sets(st.integers(1, 39)))
def test_it_is_the_same_however_the_readings_are_cut_into_batches(readings, cuts) -> None:
    plan = engine().plan
    lacking = np.zeros((plan.n_rows, len(SERVED)), dtype=np.bool_)
    lacking[1:] = True
    rows = np.array([r[0] for r in readings], np.int32)
    times = T0_MS + np.cumsum([r[1] - 10 for r in readings]) * MINUTE_MS
    values = np.full((len(readings), N_SIGNALS), np.nan)
    for i, (_row, _time, air, humidity) in enumerate(readings):
        values[i, AIR] = np.nan if air is None else air
        values[i, HUMIDITY] = np.nan if humidity is None else humidity
    whole, parts = SiteWeather(), SiteWeather()
    at_once = whole.serve(plan, lacking, rows, times, values)
    edges = sorted({0, len(rows)} | {c for c in cuts if c < len(rows)})
    cut = []
    for a, b in pairwise(edges):
        got = parts.serve(plan, lacking, rows[a:b], times[a:b], values[a:b])
        cut.append(np.full((b - a, len(SERVED)), np.nan) if got is None else got)
        parts = SiteWeather.from_bytes(parts.to_bytes())  # and through a restart at each
    if at_once is None:
        at_once = np.full((len(rows), len(SERVED)), np.nan)
    np.testing.assert_array_equal(at_once, np.concatenate(cut))
    assert whole == parts


def test_rows_of_units_do_not_matter() -> None:
    """The sensor with the lowest id serves, whatever its row."""
    units = [unit_data(f"ac-{i}") for i in (1, 2, 3)]
    for order in ([0, 1, 2], [2, 1, 0]):
        fleet = site("north-hall", [units[i] for i in order])
        feed = Feed(engine_of(fleet))
        row = {unit: rows_of([fleet])["north-hall", unit] for unit in ("ac-1", "ac-2", "ac-3")}
        feed.send(row["ac-3"], T0_MS, frame(29.0))
        feed.send(row["ac-1"], T0_MS, frame(31.0))
        feed.send(row["ac-2"], T0_MS, frame())
        assert air_of(feed, row["ac-2"]) == 31.0
