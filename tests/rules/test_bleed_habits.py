"""What a bleed is used to do, and when breaking that habit says something of the bleed.

The basin of these tests counts litres and solids by itself (``water_scenes``); balances beside the
scenes are worked out by hand from V dC/dt = E C_m - B C, a solids balance as in any textbook. All
scenes are one fleet.
"""

from __future__ import annotations

import numpy as np
import pytest
from lives import life_of, live
from support.fleet import engine_of, site, unit_data
from water_scenes import (
    EVAPORATION_L_MIN,
    Basin,
    Day,
    controlled_bleed,
    of_this_family,
    steady_bleed,
    timed_bleed,
)

from rules.engine import Engine
from rules.events import ActionKind, AlarmEvent, AlarmState, Change, Severity
from rules.faults.bleed_stuck_open import BLEED_STUCK_OPEN
from rules.faults.registry import FAULT_INDEX
from rules.look import UnitLook
from rules.state import STEADY
from rules.usual_bottom import close_bottom, usual_bottom_us_cm
from rules.usual_top import LEAST_RUN_BINS, close_top, usual_top_us_cm

TD_WET = [q.name for q in STEADY].index("td_wet")
DAMP = 0.38
"""Evaporation at 92 % and 28 °C: an eighth of that at 40 %. [L/min]"""


def water(conductivity: float, **others: float) -> dict[str, np.ndarray]:
    """The means of one bin of one unit that runs wet, unless others are said."""
    means = {
        "pump_running": 1.0, "conductivity": conductivity, "evaporation": EVAPORATION_L_MIN,
        "level_running": 172.0, "level_at_rest": np.nan, **others,
    }  # fmt: skip
    return {name: np.array([value]) for name, value in means.items()}


class Learner:
    """One unit, taught bin by bin."""

    def __init__(self) -> None:
        engine = engine_of(site(units=[unit_data()]))
        self.plan, self.state, self.row = engine.plan, engine.state, np.array([0])

    def bins(self, count: int, *us_cm: float, **means: float) -> Learner:
        """So many bins, going through these values in turn."""
        for k in range(count):
            bin_means = water(us_cm[k % len(us_cm)], **means)
            close_top(self.plan, self.state, self.row, bin_means)
            close_bottom(self.plan, self.state, self.row, bin_means, np.array([1]))
        return self

    @property
    def top(self) -> float:
        return float(usual_top_us_cm(self.state, self.row)[0])

    @property
    def bottom(self) -> float:
        return float(usual_bottom_us_cm(self.state, self.row)[0])


# ---------------------------------------------------------------- the range itself


def test_the_top_is_known_once_it_has_not_been_passed_for_a_day_and_a_half():
    unit = Learner().bins(LEAST_RUN_BINS, 900.0, 850.0)
    assert np.isnan(unit.top)
    assert unit.bins(1, 900.0).top == 900.0


def test_water_on_its_way_up_has_no_top():
    """A tenth a day for four days: the old top is passed each time before it has become one."""
    unit = Learner()
    for day in range(4):
        unit.bins(288, 500.0 * 1.1**day)
        assert np.isnan(unit.top)
    assert unit.bins(LEAST_RUN_BINS, 660.0).top == pytest.approx(500.0 * 1.1**3, rel=0.01)


def test_hours_in_which_nothing_evaporates_show_no_top():
    unit = Learner().bins(3 * LEAST_RUN_BINS, 900.0, evaporation=0.02)
    assert np.isnan(unit.top)
    assert unit.bins(LEAST_RUN_BINS, 900.0).top == 900.0
    # Without weather each hour of running counts.
    assert Learner().bins(LEAST_RUN_BINS + 1, 900.0, evaporation=np.nan).top == 900.0


@pytest.mark.parametrize("empty", [{"level_at_rest": 3.0}, {"level_at_rest": np.nan}])
def test_a_basin_that_is_drained_each_night_shows_no_top(empty):
    """Its bleed may act far above what fourteen hours make of fresh water."""
    unit = Learner()
    drained = {"pump_running": 0.0, "level_running": np.nan, **empty}
    for _ in range(5):
        unit.bins(168, 300.0, 500.0, 650.0).bins(1, 6.0, **drained)
    assert np.isnan(unit.top)
    # Once it is known, the bleed acts there, whatever becomes of the basin.
    top = unit.bins(LEAST_RUN_BINS + 1, 650.0).bins(1, 6.0, **drained).top
    assert top == pytest.approx(650.0, rel=0.01)


def test_a_range_learned_below_an_older_top_is_forgotten():
    """Half a week of rising water, then a bleed that holds it within a tenth."""
    unit = Learner()
    for step in range(12):
        unit.bins(150, 400.0 * 1.08**step)
    top = 400.0 * 1.08**11
    unit.bins(720, top, 0.95 * top, 0.9 * top, 0.95 * top)
    assert 0.88 * top < unit.bottom < 0.97 * top


# ---------------------------------------------------------------- the scenes


def mark(day: Day, name: str) -> None:
    """Remember this moment, and how concentrated the water is."""
    day.feed.mark(name)
    day.us_cm = {**getattr(day, "us_cm", {}), name: day.basin.conductivity}


def raised(events: list[AlarmEvent]) -> list[str]:
    """The faults of this family that were raised."""
    return of_this_family(e.fault for e in events if e.change is Change.RAISED)


def first_climb() -> Day:
    """Two damp days take fresh water to three cycles, the next dry hours to a setpoint of four.

    (E C_m) / V = 0.38 * 300 / 380 = 0.3 µS/cm a minute in the damp, 2.4 in dry air.
    """
    day = life_of(Basin(bleed=controlled_bleed(20.0, 1250.0, hysteresis=0.3), conductivity=320.0,
                        evaporation=DAMP))  # fmt: skip
    day.humidity = 92.0
    day.run(38.0)
    mark(day, "dry")
    day.basin.evaporation, day.humidity = EVAPORATION_L_MIN, 40.0
    day.run(70.0)
    mark(day, "blocks")
    day.basin.bleed = steady_bleed(0.0)
    return day.run(8.0)


def timed(passes: float) -> Day:
    """Six minutes an hour, 0.46 L/min on the mean: enough in damp weather, 0.3 of it in dry.

    In dry weather 300 (1 + 3.1 / 0.46) = 2320 µS/cm is the balance. From then on the line passes a
    share of what it used to: at two fifths it is blocked in part, although water comes.
    """
    basin = Basin(bleed=timed_bleed(0.46, 0.1), conductivity=600.0, evaporation=DAMP)
    day = life_of(basin, every=2, meters=True)
    day.humidity = 92.0
    day.run(49.0)
    mark(day, "dry")
    basin.evaporation, day.humidity = EVAPORATION_L_MIN, 40.0
    basin.bleed = timed_bleed(0.46 * passes, 0.1)
    day.run(14.0)
    mark(day, "end")
    return day


def blocks_over_the_limit(shelved: bool) -> Day:
    """At 0.72 L/min 300 (1 + 3.1 / 0.72) = 1590 µS/cm is the balance, 6 % over the limit.

    The water that wets the pads first takes a tenth of 1790 away.
    """
    day = life_of(Basin(bleed=steady_bleed(0.72), conductivity=1790.0))
    day.run(4.0)
    mark(day, "blocks")
    if shelved:
        day.feed.act(ActionKind.SHELVE, "conductivity-high", day.feed.now_ms + 86_400_000)
    day.basin.bleed = steady_bleed(0.0)
    day.run(9.0)
    mark(day, "bleeds")
    if not shelved:
        day.basin.bleed = controlled_bleed(6.0, 900.0)
        day.run(8.0)
    return day


def on_its_way_back() -> Day:
    """Cleared at 2400 µS/cm, 1.3 L/min take it to 300 (1 + 3.1 / 1.3) = 1015 with a time constant
    of 380 / 1.3 min, 4.9 hours: it is over the limit for 4.7 hours more."""
    day = life_of(Basin(conductivity=1400.0))
    while day.basin.conductivity < 2400.0:
        day.run(0.5)
    mark(day, "cleared")
    day.basin.bleed = steady_bleed(1.3)
    day.run(4.0)
    mark(day, "still over")
    return day.run(4.0)


def takes_turns_above() -> Day:
    """It opens at 1700 and shuts at 1560 µS/cm: it falls for an hour, and climbs for another."""
    bleed = controlled_bleed(4.0, 1700.0, hysteresis=0.08)
    return life_of(Basin(bleed=bleed, conductivity=1800.0)).run(8.0)


def slow_fall() -> Day:
    """A bleed of half an hour in each hour thins the water from 2100 µS/cm to below the limit."""
    return life_of(Basin(bleed=timed_bleed(1.35, 0.5), conductivity=2330.0)).run(9.0)


def held_for_days(bleed=None, *, weather: bool = True) -> Day:
    """A unit without meters whose bleed has held its water for four days.

    The bleed by conductivity holds it at 870 to 920 µS/cm.
    """
    day = life_of(Basin(bleed=bleed or controlled_bleed(4.0, 900.0)), weather=weather)
    day.run(90.0)
    mark(day, "held")
    return day


def unwetted() -> Day:
    """A bleed that follows the pump runs on while nothing evaporates: towards 300 µS/cm, with a
    time constant of 380 / 2 min. The float lets in those 2 L/min, not the 3.1 more that the weather
    would take from wet pads."""
    day = held_for_days(steady_bleed(2.0))
    day.basin.evaporation = 0.0
    day.run(34.0)
    mark(day, "wet again")
    day.basin.evaporation = EVAPORATION_L_MIN
    return day.run(10.0)


def unwetted_with_a_ticket(held: AlarmState) -> Day:
    """The same where no level tells it; the temperatures of these days know nothing of it."""
    day = held_for_days(steady_bleed(2.0))
    pads = FAULT_INDEX["pads-not-wetting"]

    def put(state_of_it: AlarmState) -> None:
        def do(engine: Engine, row: int) -> None:
            engine.state.alarm_state[row, pads] = state_of_it
            engine.state.alarm_severity[row, pads] = Severity.MEDIUM

        day.feed.then(do)

    day.basin.evaporation = 0.0
    for _ in range(24):
        put(held)
        day.run(1.0, basin_level=np.nan)
    mark(day, "ticket over")
    put(AlarmState.NORMAL)
    return day.run(2.0, basin_level=np.nan)


def thin_without_a_level() -> Day:
    day = held_for_days(steady_bleed(2.0))
    day.basin.evaporation = 0.0
    return day.run(24.0, basin_level=np.nan)


def ran_over(hours: float = 14.0, *, weather: bool = True) -> Day:
    """At 12 L/min through the stuck float 300 (1 + 3.1 / 8.9) = 404 µS/cm is the balance."""
    day = held_for_days(weather=weather)
    day.basin.stuck_open = 12.0
    day.run(hours)
    mark(day, "mended")
    day.basin.stuck_open = 0.0
    # Damper air: 1.05 * 300 / 380 = 0.8 µS/cm a minute, so the way back takes ten hours.
    day.basin.evaporation, day.humidity = 1.05, 78.0
    day.run(24.0)
    mark(day, "end")
    return day


def set_to(us_cm: float, hours: float, kind: ActionKind) -> Day:
    """Somebody sets it lower, and says so."""
    day = held_for_days()
    day.feed.act(kind, parts=("bleed",))
    day.basin.bleed = controlled_bleed(6.0, us_cm)
    return day.run(hours)


def set_lower_then_rain() -> Day:
    day = set_to(670.0, 36.0, ActionKind.RESET_BASELINE)
    day.basin.solids *= 0.85
    return day.run(8.0)


@pytest.fixture(scope="module")
def lived() -> dict[str, Day]:
    days = {
        "first climb": first_climb(),
        "timed": timed(1.0),
        "timed, at less pressure": timed(0.6),
        "timed, blocked in part": timed(0.4),
        "blocks over the limit": blocks_over_the_limit(shelved=False),
        "blocks over the limit, shelved": blocks_over_the_limit(shelved=True),
        "on its way back": on_its_way_back(),
        "takes turns above": takes_turns_above(),
        "slow fall": slow_fall(),
        "unwetted": unwetted(),
        "ticket": unwetted_with_a_ticket(AlarmState.UNACKNOWLEDGED),
        "ticket, shelved": unwetted_with_a_ticket(AlarmState.SHELVED),
        "thin without a level": thin_without_a_level(),
        "ran over": ran_over(),
        "set lower, reset": set_to(570.0, 16.0, ActionKind.RESET_BASELINE),
        "set lower, proven": set_to(570.0, 16.0, ActionKind.PROVEN),
        "set lower, cleaned": set_to(570.0, 16.0, ActionKind.CLEANED),
        "set lower, then rain": set_lower_then_rain(),
    }
    live(days.values())
    return days


# ---------------------------------------------------------------- bleed blocked


def test_a_first_climb_from_fresh_water_is_no_blocked_bleed(lived):
    day = lived["first climb"]
    assert 900.0 < day.us_cm["dry"] < 1150.0
    assert raised(day.feed.until("blocks")) == []
    assert day.raised()[0] == "bleed-blocked", "now the bleed was seen to work"
    first = next(e for e in day.feed.events if e.change is Change.RAISED)
    assert first.severity is Severity.LOW
    assert first.evidence.readings[0].measured < 1500.0, "and it is told before the limit"


def test_a_timed_bleed_that_passes_its_usual_flow_is_too_small_and_not_blocked(lived):
    told = {
        "timed": "conductivity-high", "timed, at less pressure": "conductivity-high",
        "timed, blocked in part": "bleed-blocked",
    }  # fmt: skip
    for name, fault in told.items():
        day = lived[name]
        assert raised(day.feed.until("dry")) == []
        assert day.us_cm["end"] > 1600.0
        assert day.raised() == [fault]
    for name in ("timed", "timed, at less pressure"):
        causes = {c.slug: c for c in lived[name].evidence("conductivity-high").causes}
        assert causes["bleed-blocked"].ruled_out


# ---------------------------------------------------------------- one trouble, one ticket


def test_a_bleed_that_blocks_while_the_water_is_over_its_limit_makes_no_second_alarm(lived):
    day = lived["blocks over the limit"]
    assert raised(day.feed.until("blocks")) == ["conductivity-high"]
    assert day.us_cm["bleeds"] > 2600.0
    told = [(e.fault, e.change, e.severity) for e in day.feed.until("bleeds")]
    assert told == [
        ("conductivity-high", Change.RAISED, Severity.LOW),
        ("conductivity-high", Change.WORSENED, Severity.MEDIUM),
        ("conductivity-high", Change.WORSENED, Severity.HIGH),
    ]
    assert [e.change for e in day.feed.since("bleeds")] == [Change.RETURNED]


def test_nor_does_one_that_blocks_while_that_alarm_is_shelved(lived):
    day = lived["blocks over the limit, shelved"]
    assert day.us_cm["bleeds"] > 2600.0
    assert raised(day.feed.until("blocks")) == ["conductivity-high"]
    assert day.raised() == ["conductivity-high"]


def test_water_on_its_way_back_after_a_blocked_bleed_is_no_new_alarm(lived):
    day = lived["on its way back"]
    assert raised(day.feed.until("cleared")) == ["bleed-blocked"]
    assert day.us_cm["still over"] > 1545.0
    assert day.feed.until("still over")[-1].change is Change.RETURNED
    assert day.raised() == ["bleed-blocked"]


def test_a_bleed_that_takes_turns_above_the_limit_is_told(lived):
    day = lived["takes turns above"]
    assert 1500.0 < day.basin.conductivity < 1720.0
    assert day.raised() == ["conductivity-high"]


def test_a_slow_fall_that_lasts_raises_nothing(lived):
    day = lived["slow fall"]
    assert day.basin.conductivity < 1450.0
    assert "conductivity-high" not in day.raised()


# ---------------------------------------------------------------- thin water


def test_pads_that_no_longer_wet_thin_the_water_and_are_no_open_bleed(lived):
    day = lived["unwetted"]
    assert raised(day.feed.until("held")) == []
    assert day.us_cm["wet again"] < 320.0
    assert "bleed-stuck-open" not in day.raised()


@pytest.mark.parametrize("name", ["ticket", "ticket, shelved"])
def test_where_no_level_tells_it_a_ticket_for_the_pads_holds_the_one_for_the_bleed(lived, name):
    day = lived[name]
    assert "bleed-stuck-open" not in raised(day.feed.until("ticket over"))
    assert "bleed-stuck-open" in day.raised()


def test_warm_condensing_puts_the_pads_first_among_the_causes_of_thin_water(lived):
    day = lived["thin without a level"]
    assert day.evidence("bleed-stuck-open").causes[0].slug == "bleed-valve"
    engine, row = day.feed.engine, day.feed.row
    state = engine.state
    state.baseline[row, TD_WET], state.baseline_spread[row, TD_WET] = 6.0, 0.2
    state.baseline_count[row, TD_WET] = 24
    for td_k, first in ((9.0, "pads-not-wetting"), (6.1, "bleed-valve"), (7.2, None)):
        state.steady[row, TD_WET, :], state.steady_count[row, TD_WET] = td_k, 24
        look = UnitLook(engine.plan, state, row, day.feed.now_ms)
        found = BLEED_STUCK_OPEN.explain(look, Severity.MEDIUM)
        agreement = {c.slug: c.agreement for c in found.causes}
        if first is None:  # a fifth more may be the load, which is not sent
            assert agreement["pads-not-wetting"] == agreement["bleed-valve"]
        else:
            assert found.causes[0].slug == first
            assert agreement["pads-not-wetting"] != agreement["bleed-valve"]


def test_water_that_ran_over_for_a_day_is_given_time_to_concentrate_again(lived):
    day = lived["ran over"]
    assert raised(day.feed.until("held")) == []
    assert day.us_cm["mended"] < 430.0
    assert raised(day.feed.until("mended")) == ["float-stuck-open"]
    assert day.us_cm["end"] > 800.0
    assert day.raised() == ["float-stuck-open"]


def test_so_is_water_of_which_only_the_level_tells_that_it_ran_over():
    """Without weather a day of running stands for the way back: that begins below the lip."""
    day = ran_over(28.0, weather=False)
    live([day])
    assert day.us_cm["mended"] < 430.0
    assert day.us_cm["end"] > 800.0
    assert day.raised() == ["float-stuck-open"]


# ---------------------------------------------------------------- a bleed that is set anew


@pytest.mark.parametrize(
    ("name", "faults"),
    [
        ("set lower, reset", []),
        ("set lower, proven", []),
        ("set lower, cleaned", ["bleed-stuck-open"]),
    ],
)
def test_water_that_is_thinner_on_purpose_is_told_to_be_so(lived, name, faults):
    """300 µS/cm come in. Set from 900 to 570, it leaves its usual range for good. A cleaning alone
    forgets nothing: one that did not help would teach the waste."""
    assert lived[name].raised() == faults
    assert raised(lived[name].feed.until("held")) == []


def test_a_bleed_that_was_set_lower_accuses_no_probe(lived):
    """From 900 to 670 µS/cm, and after a day and a half of it a downpour thins the water."""
    assert lived["set lower, then rain"].raised() == []
