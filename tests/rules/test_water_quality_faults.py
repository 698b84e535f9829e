"""The faults of water and float by its balance: found, told apart, and quiet on healthy days.

The readings come from an integrator written for these tests (``water_scenes``), which counts litres
and solids by itself, and are played together. What the rules do on the simulated fleet is tested
beside it.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from support.beside import beside
from support.fleet import unit_data
from water_scenes import (
    EVAPORATION_L_MIN,
    WANTED_L_MIN,
    Basin,
    Day,
    a_day,
    controlled_bleed,
    steady_bleed,
    timed_bleed,
)

from rules.balance import MakeupSource, balance_of_look, water_balance
from rules.equipment import Water
from rules.events import Change, Severity
from rules.look import UnitLook
from rules.water_windows import Windows

FLEET = "water"


def look_at(day: Day) -> UnitLook:
    return UnitLook(day.feed.engine.plan, day.feed.engine.state, day.feed.row, day.feed.now_ms)


# ---------------------------------------------------------------- the observer


@beside
@pytest.mark.parametrize("bleed", [0.0, 0.8, WANTED_L_MIN, 3.0])
@pytest.mark.parametrize("meters", [False, True])
def test_the_observer_finds_the_bleed_of_the_integrator(bleed, meters):
    day = a_day(Basin(bleed=steady_bleed(bleed)), meters=meters).run(3.0)
    yield
    w = balance_of_look(look_at(day))
    assert w.running[0]
    assert w.evaporation_l_min[0] == pytest.approx(EVAPORATION_L_MIN, rel=0.06)
    assert abs(w.bleed_l_min[0] - bleed) < 2.0 * w.bleed_sd[0]
    assert w.bleed_l_min[0] == pytest.approx(bleed, abs=0.25)
    assert w.bleed_low_l_min[0] < bleed + 0.02
    source = MakeupSource.METER if meters else MakeupSource.BALANCE
    assert w.makeup_from[0] == source
    assert w.makeup_l_min[0] == pytest.approx(EVAPORATION_L_MIN + bleed, abs=0.4)
    if meters:
        assert w.makeup_us_cm[0] == pytest.approx(300.0, rel=0.1)


@beside
def test_without_weather_and_meters_only_the_float_tells_the_makeup_and_nothing_the_bleed():
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN)), weather=False).run(3.0)
    yield
    w = balance_of_look(look_at(day))
    assert np.isnan(w.bleed_l_min[0])
    assert w.makeup_from[0] == MakeupSource.FLOAT
    assert w.makeup_l_min[0] == pytest.approx(EVAPORATION_L_MIN + WANTED_L_MIN, abs=1.0)


@beside
def test_a_level_reading_that_leaps_once_is_no_water():
    """One minute in five at 400 mm; with it the make-up would seem to be twice as hard."""
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN)), meters=True).run(3.0)
    day.run(1.0 / 60.0, basin_level=400.0).run(0.4)
    yield
    assert balance_of_look(look_at(day)).makeup_us_cm[0] == pytest.approx(300.0, rel=0.1)


@beside
def test_a_pump_that_comes_and_goes_draws_up_no_balance():
    day = a_day(Basin())
    for _ in range(6):
        day.run(0.25).run(0.25, running=False)
    yield
    assert not balance_of_look(look_at(day)).running[0]


@beside
def test_water_that_only_dries_in_says_nothing_of_the_make_up():
    """With the make-up off the basin concentrates by its own solids, of which it has plenty."""
    day = a_day(Basin(level=235.0, conductivity=1150.0, supply=0.0)).run(1.0)
    harder = a_day(Basin(conductivity=1150.0, makeup_us_cm=900.0)).run(3.0)
    yield
    w = balance_of_look(look_at(day))
    assert w.slope_us_cm_h[0] > 2.0 * w.no_bleed_slope_us_cm_h[0]
    assert not w.makeup_low_us_cm[0] > 300.0
    low = balance_of_look(look_at(harder)).makeup_low_us_cm[0]
    assert 600.0 < low < 900.0  # held back by the uncertainty of the humidity, a tenth at 40 %


@beside
def test_in_damp_air_evaporation_is_a_rough_guess():
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN), makeup_us_cm=900.0)).run(3.0)
    yield
    look = look_at(day)
    names = ("level_running", "conductivity", "evaporation", "makeup_flow", "bleed_flow")
    traces = [look.trace(name, 24)[None, :] for name in names]
    dry, damp = (
        water_balance(look.plan, np.array([0]), Windows(*traces, humidity_pct=np.array([rh])))
        for rh in (40.0, 94.0)
    )
    assert damp.bleed_sd[0] > dry.bleed_sd[0]
    assert damp.bleed_low_l_min[0] < dry.bleed_low_l_min[0]
    # 3 % of 6 % that are missing to saturation: it may be half as much again or half of it.
    assert damp.makeup_low_us_cm[0] < 0.65 * dry.makeup_low_us_cm[0]


# ---------------------------------------------------------------- bleed blocked


@beside
def test_a_bleed_that_waits_for_a_high_setpoint_is_not_blocked():
    """Four cycles where three are intended: for hours the water climbs as with the bleed shut."""
    day = a_day(Basin(bleed=controlled_bleed(20.0, 1250.0, hysteresis=0.35))).run(72.0)
    yield
    assert day.raised() == []
    day.basin.bleed = steady_bleed(0.0)
    day.run(6.0)
    yield
    assert day.raised()[0] == "bleed-blocked"


@beside
def test_a_bleed_that_never_worked_is_blocked_at_the_limit():
    """Where no habit is known yet, nothing is overdue before the limit."""
    day = a_day(Basin())
    while day.basin.conductivity < 1450.0:
        day.run(0.5)
    yield
    assert day.raised() == []
    day.run(2.0)
    yield
    assert day.raised()[0] == "bleed-blocked"


@beside
@pytest.mark.parametrize("meters", [False, True])
def test_a_bleed_that_is_blocked_in_part_is_told_with_what_it_still_carries(meters):
    """0.45 of the 1.55 L/min that three cycles want: 29 %. It would settle at
    300 (1 + 3.1 / 0.45) µS/cm."""
    day = a_day(Basin(bleed=controlled_bleed(8.0, 1000.0)), meters=meters).run(40.0)
    day.basin.bleed = steady_bleed(0.45)
    day.run(8.0)
    yield
    assert day.raised()[0] == "bleed-blocked"
    found = day.evidence("bleed-blocked")
    first = found.causes[0]
    assert (first.slug, first.agreement) == ("line-blocked", 1.0)
    told = re.search(
        r"carries away (\S+) of the (\S+) L/min that it should, (\d+) %", found.summary
    )
    carried, wanted, share_pct = (float(x) for x in told.groups())
    assert carried == pytest.approx(0.45, abs=0.12)
    assert wanted == pytest.approx(WANTED_L_MIN, rel=0.06)
    assert share_pct == pytest.approx(100.0 * carried / wanted, abs=1.0)


@beside
def test_a_blocked_bleed_is_found_before_the_limit():
    day = a_day(Basin(bleed=controlled_bleed(8.0, 1000.0))).run(40.0)
    day.basin.bleed = steady_bleed(0.0)
    day.run(6.0)
    yield
    event = next(e for e in day.feed.events if e.change is Change.RAISED)
    assert event.fault == "bleed-blocked"
    assert event.severity is Severity.LOW
    found = event.evidence
    assert found.causes[0].slug == "line-blocked"
    at = next(r for r in found.readings if r.quantity.startswith("Conductivity"))
    assert at.measured < 1500.0
    assert found.time_left_to == "conductivity reaches its limit"
    # 900 to 1500 at 3.1 L/min * 300 / 370 L = 151 µS/cm an hour
    assert found.time_left_s == pytest.approx((1500.0 - at.measured) / 151.0 * 3600.0, rel=0.15)
    assert any("No bleed meter" in x for x in found.limits)
    day.run(10.0)
    yield
    assert [(e.change, e.severity) for e in day.feed.events[:3]] == [
        (Change.RAISED, Severity.LOW),
        (Change.WORSENED, Severity.MEDIUM),
        (Change.WORSENED, Severity.HIGH),
    ]
    assert set(day.raised()) == {"bleed-blocked"}, "conductivity-high is the same problem"


@beside
def test_a_cleared_bleed_returns():
    day = a_day(Basin()).run(8.0)
    day.basin.bleed = steady_bleed(4.0)
    day.run(8.0)
    yield
    assert day.feed.events[-1].change is Change.RETURNED
    assert day.raised() == ["bleed-blocked"]


@beside
def test_the_meter_alone_finds_it_where_no_weather_is_sent():
    day = a_day(Basin(conductivity=950.0), weather=False)
    for _ in range(8):
        day.run(1.0, bleed_flow=0.0)
    yield
    assert day.raised()[0] == "bleed-blocked"
    assert any("No balance" in x for x in day.evidence("bleed-blocked").limits)


OWN_WAYS = {
    "steady": lambda: steady_bleed(WANTED_L_MIN),
    "generous": lambda: steady_bleed(2.5 * WANTED_L_MIN),
    "timed": lambda: timed_bleed(WANTED_L_MIN, 0.3),
    "controlled": lambda: controlled_bleed(2.5 * WANTED_L_MIN, 900.0),
    "controlled-high": lambda: controlled_bleed(2.5 * WANTED_L_MIN, 1050.0),
}
"""Controlled bleeds remember whether they are open, so each basin has one of its own."""


@beside
def test_a_bleed_that_works_in_its_own_way_raises_nothing():
    """Two days of each, with meters and without."""
    keys = [(way, meters) for way in OWN_WAYS for meters in (False, True)]
    days = [a_day(Basin(bleed=OWN_WAYS[way](), conductivity=700.0), meters=m) for way, m in keys]
    for day in days:
        for _ in range(2):
            day.run(14.0).run(10.0, running=False)
    yield
    raised = [day.raised() for day in days]
    assert dict(zip(keys, raised, strict=True)) == {key: [] for key in keys}


@beside
def test_a_hot_spell_over_a_fixed_bleed_is_not_a_blocked_one():
    """Half as much again evaporates: the basin goes to four cycles, by and by, and its limit."""
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(6.0)
    day.basin.evaporation = 1.3 * EVAPORATION_L_MIN
    day.run(10.0, fan_speed=91.0)
    yield
    assert day.raised() == []


@beside
def test_a_bleed_set_too_small_is_conductivity_high_in_the_end():
    day = a_day(Basin(bleed=steady_bleed(0.6 * WANTED_L_MIN), conductivity=1250.0)).run(24.0)
    yield
    assert "bleed-blocked" not in day.raised()


# ---------------------------------------------------------------- bleed stuck open


@beside
def test_water_that_leaves_at_rest_is_seen_without_any_meter():
    day = a_day(Basin(bleed=steady_bleed(2.0), bleed_at_rest=2.0)).run(5.0)
    day.run(5.0, running=False)
    yield
    assert day.raised() == ["bleed-stuck-open"]
    found = day.evidence("bleed-stuck-open")
    assert any("No bleed meter" in x for x in found.limits)
    assert {c.slug for c in found.causes} >= {"bleed-valve", "drain-passing", "basin-leaks"}


@beside
@pytest.mark.parametrize("goes_on", [True, False])
def test_water_that_leaves_at_rest_as_fast_as_it_comes_holds_the_level_low(goes_on):
    """The run left it almost as thin as the make-up, so that no hour of the rest shows much.

    Where the bleed shuts with the pump, and a valve the make-up, the level stands as low.
    """
    basin = Basin(evaporation=2.5, conductivity=335.0, level=160.0, bleed=steady_bleed(24.0))
    basin.supply = 0.9
    day = a_day(basin, weather=False).run(2.0)
    basin.bleed_at_rest, basin.supply = (24.0, 0.9) if goes_on else (0.0, 0.0)
    day.run(3.0, running=False)
    assert basin.level < 164.0
    yield
    assert day.raised() == (["bleed-stuck-open"] if goes_on else [])
    if goes_on:
        found = day.evidence("bleed-stuck-open")
        assert any(r.quantity.startswith("Make-up at rest") for r in found.readings)


@beside
def test_water_that_a_slow_valve_fills_in_at_rest_thins_a_basin_that_loses_none():
    """Half a litre a minute lifts it by 15 mm and thins it by seven per cent an hour."""
    basin = Basin(conductivity=1400.0, level=138.0, supply=0.01, leak=50.0)
    day = a_day(basin).run(2.75, running=False)
    yield
    assert "bleed-stuck-open" not in day.raised()


@beside
def test_a_pump_that_runs_while_its_current_reads_nothing_loses_no_water_at_rest():
    """What the pads take at its start is no water that leaves a basin at rest."""
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(3.0, running=False)
    day.run(2.0, pump_current=0.0)
    yield
    assert day.raised() == ["pump-not-running"]


@beside
def test_the_bleed_meter_tells_it_from_a_leaking_basin():
    bleeds = a_day(Basin(bleed=steady_bleed(2.0), bleed_at_rest=2.0), meters=True)
    leaks = a_day(Basin(bleed=steady_bleed(1.5), drain=2.0), meters=True)
    for day in (bleeds, leaks):
        day.run(3.0).run(4.0, running=False)
    yield
    assert bleeds.raised() == ["bleed-stuck-open"]
    assert bleeds.evidence("bleed-stuck-open").causes[0].slug == "bleed-valve"

    assert leaks.raised() == ["bleed-stuck-open"]
    causes = leaks.evidence("bleed-stuck-open").causes
    assert causes[0].slug in {"drain-passing", "basin-leaks"}
    assert next(c for c in causes if c.slug == "bleed-valve").ruled_out


@beside
def test_running_only_a_bleed_far_beyond_the_design_day_is_called_waste():
    day = a_day(Basin(bleed=steady_bleed(9.0), conductivity=900.0)).run(12.0)
    yield
    assert day.raised() == ["bleed-stuck-open"]
    assert any("set far too large" in x for x in day.evidence("bleed-stuck-open").limits)


def water_of_limit(us_cm: float, **water: float) -> Water:
    return Water(makeup_conductivity_us_cm=300.0, conductivity_limit_us_cm=us_cm, **water)


def test_cycles_that_are_not_stated_leave_room_below_the_limit():
    """``1 + 0.75 (limit / make-up - 1)``, and three where the limit allows them."""
    assert water_of_limit(750.0).target_cycles == pytest.approx(2.125)
    assert water_of_limit(310.0).target_cycles == 1.1
    assert water_of_limit(1500.0).target_cycles == 3.0
    assert water_of_limit(750.0, target_cycles=2.4).target_cycles == 2.4


@beside
@pytest.mark.parametrize(("limit_us_cm", "told"), [(750.0, []), (1500.0, ["bleed-stuck-open"])])
def test_a_bleed_set_for_a_low_limit_wastes_nothing(limit_us_cm, told):
    """Water that may stand at two and a half times the make-up is bled at one and a third."""
    water = {"makeup_conductivity_us_cm": 300, "conductivity_limit_us_cm": limit_us_cm}
    basin = Basin(bleed=steady_bleed(8.5), conductivity=450.0)
    day = a_day(basin, unit=unit_data(water=water)).run(12.0)
    yield
    assert day.raised() == told


@beside
@pytest.mark.parametrize(
    ("supply", "told"), [(1.0, "bleed-stuck-open"), (0.31, "float-stuck-shut")]
)
def test_where_nothing_replaces_what_leaves_it_is_the_floats_ticket(supply, told):
    """Both leave by the same bleed; three tenths of the valve's flow do not keep up."""
    basin = Basin(conductivity=450.0, bleed=steady_bleed(3.0))
    day = a_day(basin, meters=True).run(4.0)
    yield
    assert day.raised() == []
    basin.bleed, basin.supply = steady_bleed(8.0), supply
    day.run(2.0)
    yield
    assert day.raised() == [told]


@beside
def test_a_basin_drained_for_the_night_loses_no_water():
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(4.0)
    day.basin.supply, day.basin.drain = 0.0, 25.0
    day.run(9.0, running=False)
    day.basin.supply, day.basin.drain = 1.0, 0.0
    day.run(0.5, running=False).run(6.0)
    yield
    assert day.raised() == []


@beside
def test_one_drained_night_after_another_does_not_add_up():
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(4.0)
    for _ in range(3):
        day.run(3.0, running=False)
        day.basin.supply, day.basin.drain = 0.0, 5.0
        day.run(3.0, running=False)
        day.basin.supply, day.basin.drain = 1.0, 0.0
        day.run(0.5, running=False).run(4.0)
    yield
    assert day.raised() == []


# ---------------------------------------------------------------- float


@beside
@pytest.mark.parametrize("leak", [0.6, 2.0, 5.0])
@pytest.mark.parametrize("meters", [False, True])
def test_a_leaking_float_is_told_from_a_stuck_one(leak, meters):
    """2 to 17 % of the valve's 30 L/min."""
    bleed = steady_bleed(WANTED_L_MIN)
    day = a_day(Basin(bleed=bleed, leak=leak), meters=meters).run(5.0)
    day.run(8.0, running=False).run(5.0).run(8.0, running=False)
    yield
    assert day.raised() == ["float-leaking"]
    flow = next(r for r in day.evidence("float-leaking").readings if "float up" in r.quantity)
    assert flow.measured == pytest.approx(leak, rel=0.25)


@beside
@pytest.mark.parametrize("opening", [0.4, 0.7, 1.0])
@pytest.mark.parametrize("meters", [False, True])
def test_a_stuck_open_float_is_told_from_a_leaking_one(opening, meters):
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN)), meters=meters).run(5.0)
    day.basin.stuck_open = 30.0 * opening
    day.run(5.0).run(6.0, running=False).run(3.0)
    yield
    assert day.raised() == ["float-stuck-open"]
    assert day.evidence("float-stuck-open").causes[0].slug == "float-open"


@beside
@pytest.mark.parametrize("opening", [0.4, 1.0])
def test_a_float_that_sticks_open_at_rest_is_no_leak(opening):
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(5.0)
    day.run(2.0, running=False)
    day.basin.stuck_open = 30.0 * opening
    day.run(4.0, running=False)
    yield
    assert day.raised() == ["float-stuck-open"]


@beside
def test_a_level_that_froze_at_rest_accuses_neither_float_nor_probe():
    """The level of the water that came back from the pads, told on while the pump runs."""
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(5.0)
    day.run(2.0, running=False).run(1.0, running=False, basin_level=196.0)
    day.run(12.0, basin_level=196.0)
    yield
    assert day.raised() == ["level-frozen"]


@beside
def test_a_shower_of_rain_is_no_leak():
    day = a_day(Basin(bleed=steady_bleed(WANTED_L_MIN))).run(4.0)
    day.run(3.0, running=False)
    day.basin.rain_mm_h, day.humidity = 6.0, 97.0
    day.run(4.0, running=False)
    day.basin.rain_mm_h, day.humidity = 0.0, 60.0
    day.run(6.0, running=False)
    yield
    assert day.raised() == []


# ---------------------------------------------------------------- a bleed's habit


def days_of_habit(bleed, hours: float, **frame: float) -> tuple[Basin, Day]:
    """A unit with a bleed meter that has run wet for days."""
    basin = Basin(bleed=bleed)
    return basin, a_day(basin, meters=True, every=5).run(hours, **frame)


@beside
@pytest.mark.parametrize(
    ("used_to", "now"),
    [
        (controlled_bleed(4.0, 900.0), 2.6),
        (timed_bleed(WANTED_L_MIN, 0.4), 3.0),
        (steady_bleed(1.3), 2.9),
    ],
    ids=["by conductivity", "by timer", "with the pump"],
)
def test_a_bleed_meter_beside_thin_water_tells_of_a_valve_that_no_longer_shuts(used_to, now):
    basin, day = days_of_habit(used_to, 75.0)
    yield
    assert day.raised() == []
    basin.bleed = steady_bleed(now)
    day.run(16.0)
    yield
    assert day.raised() == ["bleed-stuck-open"]
    found = day.evidence("bleed-stuck-open")
    assert found.causes[0].slug == "bleed-valve"
    assert "no longer shuts" in found.summary
    basin.bleed = used_to
    day.run(12.0)
    yield
    assert [e.change for e in day.feed.events if e.fault == "bleed-stuck-open"][-1] is (
        Change.RETURNED
    )


@beside
@pytest.mark.parametrize(("now", "told"), [(6.0, ["bleed-stuck-open"]), (1.5, [])])
def test_without_a_probe_so_much_leaves_that_the_water_must_be_thin(now, told):
    """1.5 L/min hold three cycles on the mean day: nobody can say that they are not wanted."""
    basin, day = days_of_habit(timed_bleed(0.8, 0.2), 60.0, conductivity=np.nan)
    basin.bleed = steady_bleed(now)
    day.run(12.0, conductivity=np.nan)
    yield
    assert day.raised() == told
    if told:
        found = day.evidence("bleed-stuck-open")
        assert found.causes[0].slug == "bleed-valve"
        assert "no longer shuts" in found.summary
        basin.bleed = steady_bleed(0.0)
        day.run(4.0, running=False, conductivity=np.nan)
        yield
        assert [e.change for e in day.feed.events][-1] is Change.RETURNED


@beside
def test_a_bleed_that_runs_on_at_full_concentration_is_at_work():
    """Make-up twice as hard keeps a bleed by conductivity open day and night."""
    basin, day = days_of_habit(controlled_bleed(3.4, 900.0), 75.0)
    basin.makeup_us_cm = 520.0
    day.run(24.0)
    yield
    assert day.feed.engine.state.bleed_open_bins[day.feed.row] > 72
    assert "bleed-stuck-open" not in day.raised()


@beside
def test_a_line_blocked_for_days_is_no_habit_of_shutting():
    basin, day = days_of_habit(steady_bleed(1.3), 50.0)
    basin.bleed = steady_bleed(0.0)
    day.run(30.0)
    yield
    basin.bleed = steady_bleed(1.3)
    day.run(40.0)
    yield
    assert "bleed-stuck-open" not in day.raised()


def held_for_days() -> tuple[Basin, Day]:
    """A unit without meters whose bleed has held its water at 870 to 920 for four days."""
    basin = Basin(bleed=controlled_bleed(4.0, 900.0))
    return basin, a_day(basin, every=5).run(90.0)


@beside
def test_water_that_left_its_usual_range_and_stays_thin_tells_of_a_bleed_stuck_open():
    """At 3.6 L/min 300 (1 + 3.1 / 3.6) = 558 µS/cm is the balance: too little for the nameplate."""
    basin, day = held_for_days()
    yield
    assert day.raised() == []
    basin.bleed = steady_bleed(3.6)
    day.run(6.0)
    yield
    assert day.raised() == [], "it might still come back"
    day.run(10.0)
    assert basin.conductivity == pytest.approx(558.0, rel=0.02)
    yield
    assert day.raised() == ["bleed-stuck-open"]
    found = day.evidence("bleed-stuck-open")
    assert found.causes[0].slug == "bleed-valve"
    assert "thinner than it is used to be" in found.summary
    basin.bleed = controlled_bleed(4.0, 900.0)
    day.run(14.0)
    yield
    assert [e.change for e in day.feed.events if e.fault == "bleed-stuck-open"][-1] is (
        Change.RETURNED
    )


@beside
def test_water_that_is_thin_for_good_reason_is_no_bleed_stuck_open():
    """Half of the water let out by hand, then damp days; a drain, a fill and a day off; softer
    make-up, which a bleed by conductivity makes up for."""
    basin, day = held_for_days()
    yield
    assert day.raised() == []
    basin.drain = 28.0
    day.run(0.4, running=False)
    basin.drain, basin.evaporation, day.humidity = 0.0, 0.35, 92.0
    assert basin.conductivity < 600.0
    day.run(0.4, running=False).run(24.0)
    basin.evaporation, day.humidity = EVAPORATION_L_MIN, 40.0
    day.run(12.0)
    basin.supply, basin.drain = 0.0, 60.0
    day.run(20.0, running=False)
    basin.supply, basin.drain = 1.0, 0.0
    day.run(1.0, running=False).run(14.0)
    basin.makeup_us_cm = 210.0
    day.run(24.0)
    yield
    assert "bleed-stuck-open" not in day.raised()
