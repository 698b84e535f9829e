"""Water that moves, or stands, as it is meant to: what plants do each day, beside the fault it
resembles.

The nameplate of the tests: 2 m², float shut 180 mm, band 40, overflow 240, make-up 300 µS/cm and at
most 30 L/min.
"""

from __future__ import annotations

import numpy as np
import pytest
from lives import life_of, live
from side_by_side import Columns, play, times_ms
from water_scenes import Basin, Day, controlled_bleed, steady_bleed

from rules.events import AlarmEvent, Change

STEP_S = 300
N = 2 * 86_400 // STEP_S
H = np.arange(1, N + 1) * STEP_S / 3600.0
RUNS = (H > 8.0) & (H <= 20.0) | (H > 32.0) & (H <= 44.0)
STOPS_H = 44.0


def at_the_lip(conductivity: np.ndarray, *, mm_h: float = np.inf, **more: np.ndarray) -> Columns:
    """In the second night the level stands 3 mm above the overflow, or climbs there."""
    rng = np.random.default_rng(5)
    high = 243.0 if mm_h == np.inf else np.minimum(185.0 + mm_h * (H - STOPS_H), 243.0)
    level = np.where(RUNS, 165.0, np.where(H > STOPS_H, high, 185.0))
    return {
        "basin_level": level + np.where(RUNS, 1.2, 0.3) * rng.standard_normal(N),
        "pump_current": np.where(RUNS, 3.6 + 0.02 * rng.standard_normal(N), 0.0),
        "conductivity": conductivity + 3.0 * rng.standard_normal(N),
        **more,
    }


def thinned(l_min: float) -> np.ndarray:
    """900 µS/cm, through which make-up runs from the second stop on (480 L, stirred)."""
    minutes = np.maximum(H - STOPS_H, 0.0) * 60.0
    return 300.0 + 600.0 * np.exp(-l_min * minutes / 480.0)


def rain_after_a_fill() -> Columns:
    """The supply comes back after an hour: the float lets the basin fill from 120 mm within a
    quarter of an hour. Then it rains in."""
    columns = at_the_lip(thinned(3.0), mm_h=20.0)
    since = H - STOPS_H - 1.0
    filling = (since > 0.0) & (since <= 0.25)
    filled = np.clip(120.0 + 240.0 * since, 120.0, 180.0)
    rained = np.minimum(20.0 * np.maximum(since - 0.25, 0.0), 63.0)
    level = np.where(since > -1.0, filled + rained, columns["basin_level"])
    makeup = np.where(RUNS, 4.0, np.where(filling, 8.0, 0.0))
    return {**columns, "basin_level": level, "makeup_flow": makeup}


HELD = np.full(N, 900.0)
GAPS = np.where(np.arange(N) % 5 == 0, np.nan, HELD)


@pytest.fixture(scope="module")
def lip() -> dict[str, list[AlarmEvent]]:
    scenes = {
        "holds": at_the_lip(HELD),
        "holds, with gaps": at_the_lip(GAPS),
        "a probe that stands apart": at_the_lip(
            HELD, makeup_flow=np.where(RUNS, 4.0, np.where(H > STOPS_H, 20.0, 0.0))
        ),
        "rain": at_the_lip(thinned(3.0), mm_h=20.0, makeup_flow=np.where(RUNS, 4.0, 0.0)),
        "heavy rain": at_the_lip(thinned(6.0), mm_h=80.0, makeup_flow=np.where(RUNS, 4.0, 0.0)),
        "rain after a fill": rain_after_a_fill(),
        "a dead meter": at_the_lip(thinned(25.0), mm_h=300.0, makeup_flow=np.zeros(N)),
        "thins by a trickle": at_the_lip(thinned(0.6)),
        "thins slowly": at_the_lip(thinned(3.0)),
        "thins": at_the_lip(thinned(25.0)),
        "is make-up": at_the_lip(np.full(N, 310.0)),
    }
    return play(scenes, times_ms(N, STEP_S)).of("float-stuck-open")


@pytest.mark.parametrize("scene", ["rain", "heavy rain", "rain after a fill"])
def test_rain_that_a_make_up_meter_knows_nothing_of_is_no_stuck_float(lip, scene):
    assert lip[scene] == []


def test_what_rises_faster_than_any_rain_is_told_beside_a_meter_that_shows_nothing(lip):
    assert [e.change for e in lip["a dead meter"]][:1] == [Change.RAISED]


@pytest.mark.parametrize("scene", ["holds", "holds, with gaps"])
def test_water_above_the_lip_that_keeps_its_salt_does_not_run_over(lip, scene):
    """A transmitter that reads high, or a float set high: nothing comes in."""
    assert lip[scene] == []


@pytest.mark.parametrize(
    "scene",
    ["thins by a trickle", "thins slowly", "thins", "is make-up", "a probe that stands apart"],
)
def test_water_above_the_lip_is_told_where_it_thins_or_cannot(lip, scene):
    raised = [e for e in lip[scene] if e.change is Change.RAISED]
    assert len(raised) == 1


def by_its_meter(*open_h: tuple[float, float]) -> Columns:
    """A unit that sends nothing of its water but the bleed's meter, which is open at rest so long,
    by the hour at which it opens."""
    is_open = np.zeros(N, dtype=bool)
    for begins, lasts in open_h:
        is_open |= (begins < H) & (begins + lasts >= H)
    noise = 1.0 + 0.02 * np.random.default_rng(6).standard_normal(N)
    return {
        "pump_current": np.where(RUNS, 3.6 * noise, 0.0),
        "bleed_flow": np.where(is_open, 12.0 * noise, 0.0),
    }


def with_gaps(columns: Columns) -> Columns:
    """The bleed's meter is silent for twenty minutes of each hour."""
    lost = np.arange(N) % 12 < 4
    return {**columns, "bleed_flow": np.where(lost, np.nan, columns["bleed_flow"])}


def leaking_level() -> Columns:
    """At rest the level falls by 12 mm an hour, past a bleed meter that shows nothing, and is not
    sent any more after six hours."""
    falls = np.where((H > 20.0) & (H <= 32.0), 185.0 - 12.0 * (H - 20.0), 185.0)
    level = np.where(RUNS, 165.0, falls) + 0.3 * np.random.default_rng(7).standard_normal(N)
    return {**by_its_meter(), "basin_level": np.where(H > 26.0, np.nan, level)}


@pytest.fixture(scope="module")
def metered() -> dict[str, list[AlarmEvent]]:
    scenes = {
        "flushed for minutes on two days": by_its_meter((7.7, 0.3), (31.7, 0.3)),
        "emptied": by_its_meter((24.0, 1.5)),
        "stays open": by_its_meter((24.0, 4.0)),
        "stays open, with gaps": with_gaps(by_its_meter((24.0, 4.0))),
        "leaks, then its level falls silent": leaking_level(),
    }
    return play(scenes, times_ms(N, STEP_S)).of("bleed-stuck-open")


def flushed(hours: float, *, drops_out: bool = False) -> Day:
    """Filled from empty, and its bleed opened by time; the level may read 0 three times an hour."""
    day = life_of(Basin(bleed=controlled_bleed(4.0, 900.0)), meters=True)
    day.run(8.0)
    day.emptied_and_filled(15.0, 160.0, drain=40.0, empty_h=3.0, supply=1.0)
    day.basin.bleed_at_rest = 5.0
    for _ in range(round(hours * 12)):
        gone = drops_out and day.minutes % 20 < 5
        day.run(1.0 / 12.0, running=False, **({"basin_level": 0.0} if gone else {}))
    day.basin.bleed_at_rest = 0.0
    return day.run(2.0, running=False)


def on_a_hot_day(hours: float) -> Day:
    """A bleed by time passes a third of what these hours want; then they are over."""
    day = life_of(Basin(bleed=controlled_bleed(4.0, 900.0))).run(48.0)
    day.basin.bleed = steady_bleed(0.48)
    day.run(hours)
    day.feed.mark("cooler")
    day.basin.bleed = steady_bleed(3.0)
    return day.run(6.0)


def dosed() -> Day:
    """A dose of chemicals lifts the reading by a fifth; little evaporates, little is bled."""
    basin = Basin(evaporation=1.0, bleed=steady_bleed(0.5))
    day = life_of(basin, meters=True, basin__makeup_max_l_min=10).run(14.0)
    day.basin.solids *= 1.2
    return day.run(3.0)


def filled_on_a_hot_day() -> Day:
    """12 L/min evaporate from 360 L of make-up while it fills and after: 10 µS/cm a minute."""
    day = life_of(Basin(bleed=controlled_bleed(8.0, 900.0), evaporation=12.0))
    day.run(8.0)
    basin = day.basin
    basin.supply, basin.drain = 0.0, 40.0
    day.run(1.0, running=False)
    basin.drain = 0.0
    day.run(2.0, running=False)
    basin.supply = 1.0
    return day.run(4.0)


@pytest.fixture(scope="module")
def lived() -> dict[str, Day]:
    days = {
        "a flush": flushed(0.9), "a bleed that stays open": flushed(4.0), "a dose": dosed(),
        "a hot day": filled_on_a_hot_day(), "a level that drops out": flushed(8.0, drops_out=True),
        "hot hours": on_a_hot_day(4.0), "for good": on_a_hot_day(30.0),
    }  # fmt: skip
    live(days.values())
    return days


def test_a_basin_is_flushed_after_a_fill(lived):
    assert "bleed-stuck-open" not in lived["a flush"].raised()


@pytest.mark.parametrize("name", ["a bleed that stays open", "a level that drops out"])
def test_a_bleed_that_stays_open_after_a_fill_is_told(lived, name):
    assert "bleed-stuck-open" in lived[name].raised()


def test_a_bleed_by_time_is_not_blocked_in_the_hot_hours(lived):
    assert "bleed-blocked" not in lived["hot hours"].raised()


def test_one_that_carries_too_little_for_good_is_told_near_the_limit(lived):
    """Or with the limit, as water that passes it."""
    told = [e.fault for e in lived["for good"].feed.until("cooler")]
    assert {"bleed-blocked", "conductivity-high"} & set(told)


def test_a_dose_is_no_harder_make_up(lived):
    assert "makeup-quality-changed" not in lived["a dose"].raised()


def test_make_up_that_concentrates_on_a_hot_day_is_no_harder_make_up(lived):
    assert "makeup-quality-changed" not in lived["a hot day"].raised()


@pytest.mark.parametrize("scene", ["flushed for minutes on two days", "emptied"])
def test_what_a_bleed_lets_out_at_rest_for_an_hour_is_meant_to_where_no_level_is_sent(
    metered, scene
):
    assert metered[scene] == []


def test_a_bleed_that_stays_open_at_rest_is_told_by_its_meter_alone_which_it_shows(metered):
    raised, returned = metered["stays open"]
    assert (raised.change, returned.change) == (Change.RAISED, Change.RETURNED)
    assert returned.time_ms < times_ms(N, STEP_S)[H <= 32.0][-1], "before the pump runs again"
    shown = {r.quantity: r.measured for r in raised.evidence.readings}
    assert shown["Bleed, by its meter, pump at rest"] == pytest.approx(12.0, rel=0.05)
    assert raised.evidence.causes[0].slug == "bleed-valve"


def test_a_mean_that_is_lost_shows_no_bleed_shut(metered):
    assert metered["stays open, with gaps"][0].change is Change.RAISED


def test_a_level_that_falls_silent_mends_no_leak(metered):
    told = metered["leaks, then its level falls silent"]
    rest_ends_ms = times_ms(N, STEP_S)[H <= 32.0][-1]
    assert [e.change for e in told if e.time_ms <= rest_ends_ms] == [Change.RAISED]
