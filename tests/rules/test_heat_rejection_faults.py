"""Coil, pads and airflow: weeks of a little plant with its own laws, healthy and faulty.

Scenes are one fleet and one pass, so each test looks at its own unit's events. Frames come every
ten minutes. What a clean unit may do (hot spells, seasons, weekends, a week off, mode switching,
added load that nobody measures) must raise nothing.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heat_fleet import (
    BLOCKED_WHILE_WET,
    FAULTY_SCENES,
    FOUR_WEEKS_SITES,
    GAS_LET_OUT,
    GAS_SCENES,
    GAS_WITHOUT_LOAD,
    HEALTHY_SCENES,
    LOAD_LATER,
    MORE_AIR_THAN_FANS,
    NO_AIRFLOW,
    played,
)
from heat_scenes import T0_S
from support.beside import Taped, beside
from support.fleet import HEALTHY, Feed, engine_of, row_of_values

from rules.alarms import UNKNOWN, is_active
from rules.bin_times import bin_of
from rules.bins import BinView
from rules.events import Action, ActionKind, AlarmEvent, AlarmState, Change, Severity
from rules.faults.airflow import _air_lost_by_leap
from rules.faults.pads import judge_dry
from rules.faults.registry import FAULT_INDEX, FAULTS
from rules.heat_compared import heat_rejection
from rules.signals import INDEX
from rules.staging import TOGETHER
from rules.state import STEADY

HOUR = 3600.0
DAY_MS = 86_400_000
Q = {q.name: i for i, q in enumerate(STEADY)}


@pytest.fixture(scope="module")
def four_weeks():
    return played()["four weeks"]


def raised(events: list[AlarmEvent]) -> list[str]:
    return [e.fault for e in events if e.change is Change.RAISED]


def day_of(event: AlarmEvent) -> float:
    return (event.time_ms / 1000 - T0_S) / 86_400.0


@pytest.mark.parametrize("site", FOUR_WEEKS_SITES)
@pytest.mark.parametrize("scene", [*HEALTHY_SCENES, *NO_AIRFLOW], ids=lambda s: s.name)
def test_a_clean_unit_raises_nothing_in_four_weeks(site, scene):
    assert played()[site].raised(scene.name) == []


@pytest.mark.parametrize("site", FOUR_WEEKS_SITES)
@pytest.mark.parametrize("scene", FAULTY_SCENES, ids=lambda s: s.name)
def test_a_fault_is_one_alarm_with_itself_as_first_cause(site, scene):
    events = played()[site].events[scene.name]
    assert raised(events) == [scene.shows]
    first = next(e for e in events if e.change is Change.RAISED)
    assert first.evidence is not None
    assert first.evidence.causes[0].slug == scene.shows
    assert day_of(first) > 12.0


@pytest.mark.parametrize("site", FOUR_WEEKS_SITES)
@pytest.mark.parametrize("scene", [*GAS_SCENES[:-1], GAS_LET_OUT], ids=lambda s: s.name)
def test_gas_is_told_from_a_coil_by_what_it_adds_at_a_small_load(site, scene):
    """By Dalton's law in the plant; within a day, though the cut-out is far."""
    events = played()[site].events[scene.name]
    assert raised(events) == ["head-pressure-high"]
    first = next(e for e in events if e.change is Change.RAISED)
    assert first.severity == Severity.MEDIUM
    assert first.evidence is not None
    assert first.evidence.causes[0].slug == "non-condensables"
    assert "at a small load as at a large one" in first.evidence.summary
    assert "cut-out" not in first.evidence.summary
    assert 14.0 < day_of(first) < 15.0


def test_gas_that_comes_by_and_by_is_told_in_the_end(four_weeks):
    """While it grows it looks like fans or coil: then these give way to it."""
    events = four_weeks.events[GAS_SCENES[-1].name]
    last = [e for e in events if e.change is Change.RAISED][-1]
    assert last.fault == "head-pressure-high"
    assert last.evidence is not None
    assert last.evidence.causes[0].slug == "non-condensables"
    stands = four_weeks.engine.state.alarm_state[four_weeks.rows[GAS_SCENES[-1].name]]
    assert not is_active(stands[FAULT_INDEX["coil-fouled"]])


def test_gas_that_is_let_out_ends_it_and_leaves_no_coil_behind(four_weeks):
    events = four_weeks.events[GAS_LET_OUT.name]
    assert [e.change for e in events][-1] is Change.RETURNED
    assert 20.0 < day_of(events[-1]) < 20.5


def test_gas_without_a_load_is_taken_for_a_coil_and_says_so(four_weeks):
    """Nothing tells them apart there: gas stands among the causes."""
    (first,) = (e for e in four_weeks.events[GAS_WITHOUT_LOAD.name] if e.change is Change.RAISED)
    assert first.fault == "coil-fouled"
    assert first.evidence is not None
    assert "non-condensables" in {c.slug for c in first.evidence.causes if not c.ruled_out}


def test_dry_running_of_before_does_not_lay_a_blocked_coil_to_the_pads(four_weeks):
    seen = four_weeks.raised(BLOCKED_WHILE_WET.name)
    assert seen
    assert "pads-not-wetting" not in seen


def test_air_that_no_number_of_proven_fans_carries_is_asked_of_the_coil_first(four_weeks):
    *_, told = (e.evidence for e in four_weeks.events[MORE_AIR_THAN_FANS.name] if e.evidence)
    assert told.causes[0].slug == "coil-fouled"


def test_healthy_scenes_have_something_to_be_wrong_about(four_weeks):
    """A unit that has learned nothing is quiet for the wrong reason."""
    state = four_weeks.engine.state
    for name, quantities in {
        "load sent": ("td_dry", "td_wet"), "no load sent": ("td_dry", "td_wet"),
        "all sent": ("td_dry", "td_wet", "pad_pressure_drop"), "hot spell": ("td_dry", "td_wet"),
        "always dry": ("td_dry",), "always wet": ("td_wet", "pad_pressure_drop"),
        "load up by 30 %, not sent": ("td_dry",), "a week off": ("td_dry", "td_wet"),
    }.items():  # fmt: skip
        learned = state.baseline[four_weeks.rows[name]]
        assert not np.isnan(learned[[Q[q] for q in quantities]]).any(), name


def test_the_resistance_of_a_clean_unit_stays_within_a_tenth(four_weeks):
    """Load by 2, airflow by 4 and air by 25 K leave the normalised TD where it was."""
    engine = four_weeks.engine
    rows = np.array([four_weeks.rows[s.name] for s in HEALTHY_SCENES])
    heat = heat_rejection(engine.plan, engine.state, rows, engine.state.bin_id[rows])
    known = heat.load_known
    for ratio in (heat.dry.long, heat.wet.long):
        there = known & ~np.isnan(ratio)
        assert there.sum() >= 6
        np.testing.assert_allclose(ratio[there], 1.0, atol=0.1)


def test_the_effect_of_healthy_pads_is_found_within_the_error_of_the_sensors(four_weeks):
    """The plant draws effectiveness from 0.72 to 0.86; the error rule of P27 gives 0.06 at 8 K."""
    engine = four_weeks.engine
    rows = np.array([four_weeks.rows[s.name] for s in HEALTHY_SCENES])
    heat = heat_rejection(engine.plan, engine.state, rows, engine.state.bin_id[rows])
    both = heat.effect_by == 1
    assert both.sum() >= 4
    assert (heat.effect[both] > 0.62).all()
    assert (heat.effect[both] < 0.96).all()


def test_the_loss_that_is_told_is_the_loss_there_is(four_weeks):
    """40 % of the UA taken: the last evidence of the slow coil says so, give or take a tenth."""
    events = four_weeks.events["coil, slowly"]
    last = [e for e in events if e.change in (Change.RAISED, Change.WORSENED)][-1]
    assert last.severity is Severity.MEDIUM
    percent = float(last.evidence.summary.split("about ")[1].split(" %")[0])
    assert 25.0 <= percent <= 50.0


def test_less_air_is_said_only_where_the_pads_show_it(four_weeks):
    """A pressure drop that is hardly lower is no word of it."""
    events = four_weeks.events["coil blocked at once, its pads measured"]
    summary = next(e.evidence.summary for e in events if e.fault == "fan-capacity-lost")
    assert summary.startswith("Condensing in dry running rose within hours")


def test_more_is_said_openly_with_fewer_signals(four_weeks):
    def limits(name):
        event = next(e for e in four_weeks.events[name] if e.change is Change.RAISED)
        return " ".join(event.evidence.limits)

    assert "No heat load" in limits("coil, no load sent")
    assert "No dry running" in limits("coil, always wet")
    assert "No pressure drop" in limits("coil, slowly")
    assert "No proof of fans" in limits("two fans, unproven")
    assert "No heat load" not in limits("coil, slowly")


def test_a_unit_that_begins_to_send_its_load_is_learned_anew(four_weeks):
    """TDs at rated load and TDs as they came are not to be compared."""
    name = LOAD_LATER.name
    assert four_weeks.raised(name) == []
    values = [c.value for c in four_weeks.baselines[name] if c.quantity == "td_dry"]
    before, lost, after = values
    assert lost is None
    # Half load on the average: at rated load the TD is about twice as large.
    assert after / before == pytest.approx(2.0, rel=0.25)


# ---------------------------------------------------------------- one root, one ticket


@pytest.fixture(scope="module")
def nineteen_days():
    """Two units near their cut-out and one far from it."""
    return played()["nineteen days"]


def test_means_of_before_a_visit_are_not_held_against_the_unit_after_it():
    """Nor is what the gauge over the pads showed: they may have been rinsed."""
    engine = engine_of()
    state = engine.state
    known, learning = [Q["td_wet"], Q["pad_pressure_drop"]], Q["td_dry"]
    state.steady[0, [*known, learning], :20] = 9.0
    state.steady_count[0, [*known, learning]] = 20
    state.baseline[0, known] = 6.0
    state.wet_td_k[0], state.heat_bins[0] = 9.0, 5
    for kind in (ActionKind.OUT_OF_SERVICE, ActionKind.IN_SERVICE):
        engine.act(Action(0, kind, 0, "", 1_000, "", ""))
    assert (state.steady_count[0, known] == 0).all()
    assert np.isnan(state.steady[0, known]).all()
    assert np.isnan(state.wet_td_k[0])
    assert state.heat_bins[0] == 0
    assert (state.baseline[0, known] == 6.0).all()
    # What is not learned yet goes on being learned.
    assert state.steady_count[0, learning] == 20


def test_near_the_cut_out_the_root_carries_the_news(nineteen_days):
    """A fouled coil that stands worsens to HIGH within the hour; head pressure adds no ticket."""
    events = nineteen_days.events["coil near cut-out"]
    assert raised(events) == ["coil-fouled"]
    high = [e for e in events if e.severity is Severity.HIGH]
    assert [e.change for e in high] == [Change.WORSENED]
    assert 16.0 < day_of(high[0]) < 17.5


def test_a_clean_unit_near_the_cut_out_is_head_pressure_itself(nineteen_days):
    events = nineteen_days.events["hot"]
    assert set(raised(events)) == {"head-pressure-high"}
    causes = next(e for e in events if e.change is Change.RAISED).evidence.causes
    assert causes[0].slug == "hot-weather"


@pytest.mark.parametrize("fault", [f for f in FAULTS if f.family in ("fans", "heat rejection")],
                         ids=lambda f: f.slug)  # fmt: skip
def test_what_explains_high_head_pressure_suppresses_it(fault):
    head = next(f for f in FAULTS if f.slug == "head-pressure-high")
    harmless = {"fan-not-commanded", "head-pressure-high"}
    assert (fault.slug in head.suppressed_by) == (fault.slug not in harmless)


@beside
def test_a_standing_screen_leads_the_causes_of_high_head_pressure():
    feed = Taped()
    feed.run(8 * HOUR)
    feed.run(4 * HOUR, pump_current=3.35, spray_pressure=40.0)
    yield
    assert feed.raised() == ["pump-screen-clogging"]
    feed.run(HOUR, pump_current=3.35, spray_pressure=40.0, head_pressure=1640.0)
    yield
    head = [e for e in feed.events if e.fault == "head-pressure-high"]
    assert head[0].evidence.causes[0].slug == "pump-screen-clogging"
    assert "stands as an alarm of its own" in head[0].evidence.causes[0].fits


# ---------------------------------------------------------------- fans by status


@beside
def test_fans_that_run_without_a_command_are_reported_after_an_hour():
    feed = Taped()
    feed.run(2 * HOUR)
    start = feed.now_ms
    feed.run(3 * HOUR, fan_speed=0.0, fan_run=5.0, wet_mode=0.0, pump_command=0.0,
             pump_current=0.0, spray_pressure=0.0)  # fmt: skip
    yield
    events = [e for e in feed.events if e.fault == "fan-not-commanded"]
    assert [e.change for e in events] == [Change.RAISED]
    assert (events[0].time_ms - start) / 1000 == pytest.approx(3600 + 60, abs=61)
    assert events[0].severity is Severity.MEDIUM
    assert "Fans 1 and 3" in events[0].evidence.summary
    feed.run(HOUR)
    # All fans are asked for: no word of the two that nobody asked for.
    yield
    stands = feed.engine.state.alarm_state[feed.row, FAULT_INDEX["fan-not-commanded"]]
    assert stands == AlarmState.UNACKNOWLEDGED
    feed.run(0.5 * HOUR, fan_speed=0.0, fan_run=0.0)
    yield
    assert feed.engine.state.alarm_state[feed.row, FAULT_INDEX["fan-not-commanded"]] in (
        AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.NORMAL,
    )  # fmt: skip


@beside
@pytest.mark.parametrize("speed", [None, 0.0])
def test_a_site_that_never_sends_a_speed_is_not_judged_by_it(speed):
    """Pressure switches run the fans; the command column is missing, or a zero that never moves."""
    feed = Taped()
    feed.run(6 * HOUR, fan_speed=speed)
    yield
    assert "fan-not-commanded" not in feed.raised()


@beside
def test_run_down_and_work_in_hand_within_the_hour_are_no_fault():
    feed = Taped()
    feed.run(2 * HOUR)
    feed.run(0.8 * HOUR, fan_speed=0.0)
    feed.run(2 * HOUR, fan_speed=0.0, fan_run=0.0)
    yield
    assert "fan-not-commanded" not in feed.raised()


def _drop_outs(feed: Feed, hours: float, out_s: float, every_s: float, run: int = 7) -> None:
    step = 30.0
    for _ in range(int(hours * HOUR / step)):
        out = (feed.now_ms / 1000) % every_s < out_s
        feed.run(step, step, fan_run=float(run if out else 15))


@beside
def test_drop_outs_too_short_for_not_proven_add_up():
    """One fan of four out for 90 s of every 180 s: an eighth of the airflow."""
    feed = Taped()
    feed.run(2 * HOUR)
    _drop_outs(feed, 10.0, 90.0, 180.0)
    yield
    events = [e for e in feed.events if e.change is Change.RAISED]
    assert [e.fault for e in events] == ["fan-capacity-lost"]
    assert events[0].severity is Severity.LOW
    assert events[0].evidence.causes[0].slug == "fan-capacity-lost"
    assert "were not proven for" in events[0].evidence.summary


@beside
@pytest.mark.parametrize("step_s", [90.0, 120.0])
def test_fans_that_cycle_lose_no_air_while_commands_are_lost(step_s):
    """Every second frame the fans stand; of every fourth the command did not arrive."""
    feed = Taped()
    feed.run(2 * HOUR, step_s)
    for i in range(int(24 * HOUR / step_s)):
        on = i % 2 == 0
        speed = None if i % 8 == 3 else 12.0 * on
        feed.run(step_s, step_s, fan_run=15.0 * on, fan_speed=speed)
    yield
    assert feed.raised() == []


@beside
def test_a_flutter_of_the_proof_is_no_loss_of_air():
    """30 s in ten minutes on one fan of four: one per cent."""
    feed = Taped()
    feed.run(2 * HOUR)
    _drop_outs(feed, 8.0, 30.0, 600.0)
    yield
    assert feed.raised() == []


@beside
def test_a_fan_that_stood_and_was_mended_leaves_no_second_ticket():
    """Its hours are not counted again as lost capacity once it is back."""
    feed = Taped()
    feed.run(2 * HOUR)
    feed.run(10 * HOUR, fan_run=3.0)
    feed.run(8 * HOUR)
    yield
    assert feed.raised() == ["fan-not-proven"]


def test_what_is_not_measured_is_unknown_not_healthy(nineteen_days):
    """A standing alarm of the coil survives hours in which nothing of it is known."""
    engine, row = nineteen_days.engine, nineteen_days.rows["coil"]
    assert nineteen_days.raised("coil") == ["coil-fouled"]
    state = engine.state.alarm_state[row].copy()
    bare = row_of_values({k: v for k, v in HEALTHY.items() if k in ("wet_mode", "basin_level")})
    start = int(engine.state.frame_ms[row])
    for minute in range(10, 1200, 10):
        bare[INDEX["basin_level"]] = 150.0 + minute % 7
        time_ms = np.array([start + minute * 60_000])
        engine.samples(0, np.array([row], np.int32), time_ms, bare[None])
    np.testing.assert_array_equal(engine.state.alarm_state[row], state)


def pads_judged(effect: float, sd: float = 0.05, by: int = 1, *, wet_news: bool = True) -> int:
    """What is judged of pads of 0.8 when clean, whose effect is found so."""
    feed = Feed(engine_of())
    feed.run(1800.0)
    state, plan, rows = feed.engine.state, feed.engine.plan, np.array([0])
    one, no = np.ones(1), np.zeros(1, dtype=np.bool_)
    view = BinView(plan, state, rows, np.array([feed.now_ms]), no, np.ones((1, len(STEADY)), bool))
    heat = replace(
        heat_rejection(plan, state, rows, bin_of(plan, rows, feed.now_ms)),
        effect=effect * one, effect_clean=0.8 * one, effect_sd=sd * one, held_effect=np.nan * one,
        effect_by=np.array([by]), wet_news=np.array([wet_news]),
    )  # fmt: skip
    view.__dict__["heat"] = (rows, heat, np.zeros(0, dtype=np.int64))
    return int(judge_dry(view, np.zeros(1, dtype=np.int8))[0])


@pytest.mark.parametrize(("wet_news", "severity"), [(True, Severity.MEDIUM), (False, UNKNOWN)])
def test_pads_are_accused_on_news_of_wet_running_only(wet_news, severity):
    """Dry running alone can change, as when other fans take over; the pads have no part in it."""
    assert pads_judged(0.3, wet_news=wet_news) == int(severity)


@pytest.mark.parametrize(
    ("effect", "sd", "by", "severity"),
    [(0.57, 0.06, 1, Severity.LOW), (0.57, 0.08, 1, 0), (0.57, 0.06, 3, 0), (0.57, 0.06, 4, 0),
     (0.62, 0.05, 1, 0)],
)  # fmt: skip
def test_a_quarter_of_dry_pads_is_told_by_both_modes_at_a_known_load(effect, sd, by, severity):
    """0.23 of 0.8 is 29 %: more than three errors of 0.06, less than three of 0.08."""
    assert pads_judged(effect, sd, by) == severity


@pytest.mark.parametrize("together", [True, False], ids=["common speed", "in stages"])
@pytest.mark.parametrize(("ratio", "share_lost"), [(1.0, 0.0), (1.21, 25.0), (1.67, 50.0)])
def test_a_leap_in_stages_must_be_more_than_the_law_of_airflow_errs(together, ratio, share_lost):
    """Learned in nights with one fan, looked at with all: the law is off by up to a fifth."""
    engine = engine_of()
    row = np.zeros(1, dtype=np.int64)
    engine.state.together_ms[0] = TOGETHER if together else 0
    engine.state.value_ms[0, INDEX["fan_run"]] = 1
    heat = heat_rejection(engine.plan, engine.state, row, engine.state.bin_id[row])
    yes = np.array([True])
    dry = replace(heat.dry, newest=np.array([ratio]), older=np.ones(1), between=row, top=np.ones(1))
    heat = replace(heat, load_known=yes, dry_recent=yes, dry_often=yes, dry=dry)
    fresh = np.zeros((1, len(STEADY)), dtype=np.bool_)
    view = BinView(engine.plan, engine.state, row, row + DAY_MS, ~yes, fresh)
    engine.state.td_last_bin[0, 0] = bin_of(engine.plan, row, row + DAY_MS)[0]
    new, standing = (_air_lost_by_leap(view, row, heat, np.array([s], np.int8)) for s in (0, 2))
    # In stages a night with few fans leaps as well, and is over in the morning.
    assert new[0] == (share_lost if together and ratio >= 1.25 else 0.0)
    assert standing[0] == share_lost
    as_before = replace(heat, dry=replace(dry, top=np.array([ratio])))
    assert _air_lost_by_leap(view, row, as_before, np.zeros(1, np.int8))[0] == 0.0
    clogged = replace(heat, pads_last=np.array([1.4]))
    assert _air_lost_by_leap(view, row, clogged, np.zeros(1, np.int8))[0] == 0.0
    engine.state.td_last_bin[0, 0] = bin_of(engine.plan, row, row + 2 * DAY_MS)[0]
    next_day = _air_lost_by_leap(view, row, heat, np.zeros(1, np.int8))
    assert next_day[0] == (share_lost if ratio >= 1.25 else 0.0)
    # A small leap at a common speed must outlast the wind.
    view = BinView(engine.plan, engine.state, row, row + 4 * DAY_MS, ~yes, fresh)
    # Nor does it by the clock alone, without dry means.
    waiting = _air_lost_by_leap(view, row, heat, np.zeros(1, np.int8))
    assert waiting[0] == next_day[0]
    engine.state.td_last_bin[0, 0] = bin_of(engine.plan, row, row + 4 * DAY_MS)[0]
    lasting = _air_lost_by_leap(view, row, heat, np.zeros(1, np.int8))
    assert lasting[0] == (0.0 if ratio < 1.25 and not together else share_lost)
