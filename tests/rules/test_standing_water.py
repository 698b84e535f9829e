"""Hygiene and frost: standing water, a basin left full, ice; and the everyday life beside them.

Each life is a unit of its own; all are played as one fleet, a frame every twenty minutes.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from support.fleet import HEALTHY, T0_MS, engine_of, row_of_values, site, unit_data

from rules.events import AlarmEvent, Change, Severity

STEP_MS = 1_200_000
STEPS_AN_HOUR = 3
AT_REST = {
    "pump_current": 0.0, "pump_command": 0.0, "wet_mode": 0.0, "spray_pressure": 0.0,
    "spray_flow": 0.0,
}  # fmt: skip
NOISE = (("basin_level", 0.8), ("pump_current", 0.02), ("spray_pressure", 0.3))

Part = tuple[float, Mapping[str, float | None]]
"""Days, and what is different from a healthy unit in wet running; None is not sent."""


def rest(days: float, **values: float | None) -> Part:
    """A dry unit; the level moves a little as in life."""
    return days, {"basin_level": 170.0, **AT_REST, **values}


def work(days: float, **values: float | None) -> Part:
    """A unit in wet running."""
    return days, values


EMPTY = {"basin_level": 0.0, "conductivity": 0.0}
COOL_FULL = rest(0.4, basin_temperature=14.0, conductivity=320.0)
COOL_EMPTY = rest(0.6, basin_temperature=14.0, **EMPTY)
FROSTY_EMPTY = rest(0.6, basin_temperature=3.0, ambient_temperature=1.0, **EMPTY)
DAY_AT_REST = rest(1, basin_temperature=14.0, conductivity=320.0)
TURNED_OVER = work(1 / 24, pump_command=None, wet_mode=0.0, basin_temperature=14.0)
FULL_BY_PROBE = rest(1 / 36, basin_level=None, basin_temperature=14.0, conductivity=320.0)
TURNED_OVER_SOON = work(1 / 72, basin_level=None, pump_command=None, wet_mode=0.0,
                        basin_temperature=14.0)  # fmt: skip
FROST_BY_PROBE = [
    rest(2, basin_level=None, basin_temperature=8.0, ambient_temperature=7.0),
    rest(2, basin_level=None, basin_temperature=1.5, ambient_temperature=-2.0),
]
SEEN_DRY_BEFORE_FROST = [
    FROST_BY_PROBE[0],
    rest(0.5, basin_level=None, basin_temperature=8.0, ambient_temperature=7.0, conductivity=5.0),
    *FROST_BY_PROBE,
]
MORE_THAN_ARE_COUNTED = 130
"""A byte holds the number of drains, and a bit of that is for something else."""
MILD_DAYS = rest(3.5, basin_temperature=14.0, ambient_temperature=14.0, conductivity=320.0)

LIVES: Mapping[str, list[Part]] = {
    "warm for days": [
        part for _ in range(7)
        for part in (rest(0.5, basin_temperature=27.0, ambient_temperature=28.0),
                     rest(0.5, basin_temperature=18.0, ambient_temperature=17.0))
    ],
    "warm, without a word": [
        rest(3.5, basin_temperature=27.0, pump_command=None, wet_mode=None),
    ],
    "warm, then circulated": [rest(4, basin_temperature=27.0), work(0.125, basin_temperature=27.0)],
    "warm, then drained": [
        rest(4, basin_temperature=27.0), rest(0.125, basin_temperature=27.0, basin_level=0.0),
    ],
    "cool for a week": [rest(7.4, basin_temperature=18.0, ambient_temperature=17.0)],
    "a hot weekend": [rest(1.9, basin_temperature=30.0, ambient_temperature=33.0)],
    "warm by the air": [
        rest(4, basin_temperature=None, ambient_temperature=29.0, relative_humidity=70.0),
    ],
    "warm by the air alone": [
        rest(4, basin_temperature=None, ambient_temperature=24.0, relative_humidity=None),
    ],
    "dry air": [rest(6, basin_temperature=None, ambient_temperature=24.0, relative_humidity=25.0)],
    "warm afternoons, by the air": [
        part for _ in range(8)
        for part in (rest(0.625, basin_temperature=None, ambient_temperature=17.0),
                     rest(0.375, basin_temperature=None, ambient_temperature=28.5))
    ],
    "full for weeks": [rest(8, basin_temperature=12.0, ambient_temperature=11.0)],
    "drained for weeks": [rest(14, basin_temperature=12.0, basin_level=3.0, conductivity=0.0)],
    "frost, then ice": [
        rest(0.5, basin_temperature=1.5, ambient_temperature=-2.0),
        rest(0.5, basin_temperature=0.2, ambient_temperature=-6.0),
    ],
    "unheated in frost": [rest(1, basin_temperature=2.6, ambient_temperature=-4.0)],
    "in frost, without a word": [
        rest(0.5, basin_temperature=1.5, ambient_temperature=-2.0, pump_command=None,
             wet_mode=None, pump_current=None),
    ],
    "as cool, without frost": [rest(1, basin_temperature=2.6, ambient_temperature=1.0)],
    "heated in frost": [rest(3, basin_temperature=6.0, ambient_temperature=-8.0)],
    "drained in frost": [
        rest(3, basin_temperature=-8.0, ambient_temperature=-8.0, basin_level=2.0,
             conductivity=0.0),
    ],
    "in frost for days, by a probe that was never dry": FROST_BY_PROBE,
    "in frost for days, by a probe that was seen dry": SEEN_DRY_BEFORE_FROST,
    "in frost for days, by a probe that is said to dry": FROST_BY_PROBE,
    "in frost for days, by a probe that is said to stay wet": SEEN_DRY_BEFORE_FROST,
    "in frost after wet running, by the probe alone": [
        work(0.5, basin_level=None, basin_temperature=8.0, ambient_temperature=7.0),
        rest(2, basin_level=None, basin_temperature=1.5, ambient_temperature=-2.0),
    ],
    "in frost after wet running, and then ice": [
        work(0.5, basin_level=None, basin_temperature=8.0, ambient_temperature=7.0),
        rest(0.9, basin_level=None, basin_temperature=5.5, ambient_temperature=3.0),
        rest(1, basin_level=None, basin_temperature=1.5, ambient_temperature=-2.0),
        rest(1, basin_level=None, basin_temperature=-0.2, ambient_temperature=-6.0),
    ],
    "in frost from the first hour, by a probe that was never dry": [
        rest(0.5, basin_level=None, basin_temperature=1.5, ambient_temperature=-2.0),
    ],
    "turned over, then in frost, by a probe that was never dry": [
        *[part for _ in range(3) for part in (
            rest(1, basin_level=None, basin_temperature=8.0, ambient_temperature=7.0),
            work(1 / 24, basin_level=None, pump_command=None, wet_mode=0.0,
                 basin_temperature=8.0, ambient_temperature=7.0))],
        rest(2, basin_level=None, basin_temperature=8.0, ambient_temperature=7.0),
        rest(2, basin_level=None, basin_temperature=1.5, ambient_temperature=-2.0),
    ],
    "frost, nothing of the water known": [
        rest(2, basin_temperature=None, ambient_temperature=-9.0, basin_level=None,
             conductivity=None),
    ],
    "drained every night": [*([COOL_FULL, COOL_EMPTY] * 4),
                            rest(3.5, basin_temperature=14.0, conductivity=320.0)],
    "turned over every day, then not": [*[DAY_AT_REST, TURNED_OVER] * 4,
                                        rest(5, basin_temperature=14.0, conductivity=320.0)],
    "wet every day, then not": [*[DAY_AT_REST, work(0.1)] * 4,
                                rest(5, basin_temperature=14.0, conductivity=320.0)],
    "drained in frosty nights": [*[COOL_FULL, FROSTY_EMPTY] * 4, MILD_DAYS],
    "drained now and then, by the probe alone": [
        part for _ in range(3)
        for part in (rest(4.5, basin_level=None, basin_temperature=14.0, conductivity=320.0),
                     rest(0.1, basin_level=None, basin_temperature=14.0, conductivity=6.0))
    ],
    "full for weeks, by the probe alone": [
        rest(12, basin_level=None, basin_temperature=12.0, conductivity=320.0),
    ],
    "full for weeks, with a probe that drops out now and then": [
        part for _ in range(4)
        for part in (rest(3, basin_level=None, basin_temperature=12.0, conductivity=320.0),
                     rest(1 / 72, basin_level=None, basin_temperature=12.0, conductivity=0.0))
    ],
    "full for weeks, with a probe that dies while it runs wet": [
        work(0.5, basin_level=None, basin_temperature=12.0),
        work(0.5, basin_level=None, basin_temperature=12.0, conductivity=0.0),
        rest(6, basin_level=None, basin_temperature=12.0, conductivity=0.0),
        rest(6, basin_level=None, basin_temperature=12.0, conductivity=320.0),
    ],
    "drained more often than is counted": [
        *[rest(1 / 36, basin_temperature=14.0, conductivity=320.0),
          rest(1 / 72, basin_temperature=14.0, **EMPTY)] * MORE_THAN_ARE_COUNTED,
        MILD_DAYS,
    ],
    "turned over more often than is counted": [
        *[FULL_BY_PROBE, TURNED_OVER_SOON] * MORE_THAN_ARE_COUNTED,
        rest(3.5, basin_level=None, basin_temperature=14.0, conductivity=320.0),
        FROST_BY_PROBE[1],
    ],
    "emptied once": [
        rest(1, basin_temperature=14.0, conductivity=320.0),
        rest(0.5, basin_temperature=14.0, **EMPTY),
        rest(7.5, basin_temperature=14.0, conductivity=320.0),
    ],
}  # fmt: skip
SETTINGS: Mapping[str, Mapping[str, Mapping[str, float]]] = {
    "in frost for days, by a probe that is said to dry": {"frost-risk": {"probe_dries": 1.0}},
    "in frost for days, by a probe that is said to stay wet": {"frost-risk": {"probe_dries": 0.0}},
}
"""Of a life: what the site file says of its unit."""


def frames_of(parts: list[Part], seed: int) -> np.ndarray:
    """The frames of a life, with noise; while at rest the level also goes up and down a little."""
    rng = np.random.default_rng(seed)
    frames = []
    for days, changes in parts:
        for step in range(round(days * 24 * STEPS_AN_HOUR)):
            values = {k: v for k, v in {**HEALTHY, **changes}.items() if v is not None}
            if changes.get("pump_command") == 0.0 and "basin_level" in values:
                values["basin_level"] += step // STEPS_AN_HOUR % 3
            for name, sd in NOISE:
                if values.get(name):
                    values[name] += rng.normal(0.0, sd)
            frames.append(row_of_values(values))
    return np.array(frames)


@pytest.fixture(scope="module")
def lived() -> Mapping[str, list[list[AlarmEvent]]]:
    """The events of each life, part by part."""
    units = [unit_data(f"ac-{i}", settings=SETTINGS.get(name, {})) for i, name in enumerate(LIVES)]
    engine = engine_of(site(units=units))
    frames = [frames_of(parts, seed) for seed, parts in enumerate(LIVES.values())]
    row = np.repeat(np.arange(len(LIVES), dtype=np.int32), [len(f) for f in frames])
    step = np.concatenate([np.arange(1, len(f) + 1) for f in frames])
    result = engine.samples(0, row, T0_MS + step * STEP_MS, np.concatenate(frames))
    lives = list(LIVES)
    out: dict[str, list[list[AlarmEvent]]] = {n: [[] for _ in LIVES[n]] for n in lives}
    for event in result.events:
        name = lives[event.unit_row]
        ends = np.cumsum([round(days * 24 * STEPS_AN_HOUR) for days, _ in LIVES[name]])
        part = int(np.searchsorted(T0_MS + ends * STEP_MS, event.time_ms))
        out[name][part].append(event)
    return out


def raised(events):
    return [(e.fault, e.severity) for e in events if e.change is Change.RAISED]


def test_warm_water_that_stands_for_days_is_found_and_grows(lived):
    events = [e for part in lived["warm for days"] for e in part]
    warm = [e for e in events if e.fault == "warm-standing-water"]
    assert [(e.change, e.severity) for e in warm] == [
        (Change.RAISED, Severity.LOW), (Change.WORSENED, Severity.MEDIUM)
    ]  # fmt: skip
    assert warm[0].evidence.causes[0].slug == "left-full"
    assert "only a sample tells" in warm[0].evidence.limits[0]


@pytest.mark.parametrize("life", ["warm, then circulated", "warm, then drained"])
def test_it_ends_when_water_circulates_or_the_basin_is_drained(lived, life):
    _, events = lived[life]
    assert [e.change for e in events if e.fault == "warm-standing-water"] == [Change.RETURNED]


@pytest.mark.parametrize(
    "life",
    [
        "cool for a week",
        "a hot weekend",
        "drained for weeks",
        "heated in frost",
        "as cool, without frost",
        "drained in frost",
    ],
)
def test_everyday_life_raises_nothing(lived, life):
    assert lived[life] == [[]]


def test_dry_air_cools_what_it_stands_over(lived):
    """24 °C at 25 % has its wet bulb at 13 °C: still water lies between them."""
    (events,) = lived["dry air"]
    assert [e for e in events if e.fault == "warm-standing-water"] == []
    (events,) = lived["warm by the air alone"]
    assert [e.fault for e in events if e.change is Change.RAISED] == ["warm-standing-water"]


def test_afternoons_alone_do_not_warm_standing_water(lived):
    """Water lags the air by half a day: at 21 °C in the mean, and 13 of wet bulb, it
    never reaches 20."""
    for events in lived["warm afternoons, by the air"]:
        assert [e for e in events if e.fault == "warm-standing-water"] == []


def test_without_a_basin_temperature_the_air_stands_in_and_it_is_said(lived):
    (events,) = lived["warm by the air"]
    (event,) = [e for e in events if e.change is Change.RAISED]
    assert event.fault == "warm-standing-water"
    assert "estimated from the air" in event.evidence.limits[1]


def test_a_probe_that_hangs_in_air_says_that_the_basin_was_drained(lived):
    """Water that came in since has not stood from before."""
    assert [e for part in lived["drained now and then, by the probe alone"] for e in part] == []
    (events,) = lived["full for weeks, by the probe alone"]
    assert raised(events) == [("basin-not-drained", Severity.LOW)]
    assert "No level here" in events[0].evidence.limits[-1]


def test_a_reading_that_drops_out_drains_no_basin(lived):
    parts = lived["full for weeks, with a probe that drops out now and then"]
    events = [e for part in parts for e in part]
    assert raised([e for e in events if e.fault == "basin-not-drained"]) == [
        ("basin-not-drained", Severity.LOW)
    ]


def test_a_probe_that_is_known_to_be_dead_drains_no_basin(lived):
    """What stood while it was dead is seen to stand once it is plugged in again."""
    healthy, dies, dead, mended = lived["full for weeks, with a probe that dies while it runs wet"]
    assert healthy == []
    assert raised(dies) == [("conductivity-probe", Severity.MEDIUM)]
    assert dead == []
    assert raised(mended) == [("basin-not-drained", Severity.LOW)]


def test_a_basin_left_full_for_weeks_is_found(lived):
    (events,) = lived["full for weeks"]
    assert raised(events) == [("basin-not-drained", Severity.LOW)]
    assert not any("No level" in limit for limit in events[0].evidence.limits)


def test_water_in_frost_is_found_and_ice_is_urgent(lived):
    frost, ice = lived["frost, then ice"]
    assert raised(frost) == [("frost-risk", Severity.MEDIUM)]
    assert frost[0].evidence.causes[0].slug == "not-drained"
    assert [(e.change, e.severity) for e in ice] == [(Change.WORSENED, Severity.HIGH)]


def test_water_that_no_heater_warms_calls_for_draining_while_it_freezes_outside(lived):
    (events,) = lived["unheated in frost"]
    assert raised(events) == [("frost-risk", Severity.MEDIUM)]
    water = events[0].evidence.readings[0]
    assert water.measured < water.low, "shown beside the limit that it was judged by"


@pytest.mark.parametrize(
    ("life", "fault"),
    [("warm, without a word", "warm-standing-water"), ("in frost, without a word", "frost-risk")],
)
def test_what_the_controller_never_said_rules_out_no_cause(lived, life, fault):
    (events,) = lived[life]
    (found,) = [e for e in events if e.fault == fault and e.change is Change.RAISED]
    said = [word for cause in found.evidence.causes for word in (*cause.fits, *cause.against)]
    assert not any("command" in word or "dry" in word for word in said), said
    assert not any(cause.ruled_out for cause in found.evidence.causes)


def test_a_pump_of_which_nothing_is_known_does_not_stand(lived):
    (events,) = lived["in frost, without a word"]
    cause = events[0].evidence.causes[0]
    assert cause.slug == "not-drained"
    assert cause.fits == ("the basin holds water",)


def test_a_probe_that_was_never_dry_may_stand_in_a_wet_pocket(lived):
    """Of a basin that nothing else is known of, it proves no water for longer than a day."""
    for name in ("in frost for days, by a probe that was never dry",
                 "turned over, then in frost, by a probe that was never dry"):  # fmt: skip
        assert [e for part in lived[name] for e in part if e.fault == "frost-risk"] == [], name
    for name in ("in frost for days, by a probe that was seen dry",
                 "in frost from the first hour, by a probe that was never dry",
                 "in frost after wet running, by the probe alone"):  # fmt: skip
        *before, frost = lived[name]
        assert not any(before)
        assert raised(frost) == [("frost-risk", Severity.MEDIUM)]
        assert "stays wet" in frost[0].evidence.limits[-1]
        assert frost[0].evidence.readings[-1].quantity == "Conductivity"


def test_the_site_file_says_better_whether_the_probe_dries(lived):
    """Of one that was never dry it may say that it dries, of one that was that its place is wet."""
    *before, frost = lived["in frost for days, by a probe that is said to dry"]
    assert not any(before)
    assert raised(frost) == [("frost-risk", Severity.MEDIUM)]
    assert not any(lived["in frost for days, by a probe that is said to stay wet"])


def test_frost_that_was_told_in_time_grows_worse_after_the_day(lived):
    *before, frost, ice = lived["in frost after wet running, and then ice"]
    assert not any(before)
    assert raised(frost) == [("frost-risk", Severity.MEDIUM)]
    assert [(e.change, e.severity) for e in ice] == [(Change.WORSENED, Severity.HIGH)]


def test_frost_without_level_or_conductivity_is_not_judged(lived):
    """Unknown is not healthy, and it is not ill either."""
    assert lived["frost, nothing of the water known"] == [[]]


def test_a_basin_that_is_drained_every_night_and_then_is_not_is_found_soon(lived):
    *nights, events = lived["drained every night"]
    assert nights == [[]] * 8
    assert raised(events) == [("basin-not-drained", Severity.LOW)]
    assert "habit" in events[0].evidence.readings[0].note


def test_water_that_is_turned_over_every_day_and_then_is_not_is_found_soon(lived):
    """Days of wet running are another thing: after them a dry week is everyday life."""
    *days, events = lived["turned over every day, then not"]
    assert days == [[]] * 8
    assert raised(events) == [("basin-not-drained", Severity.LOW)]
    assert "turned over" in events[0].evidence.readings[0].note
    assert lived["wet every day, then not"][-1] == []


@pytest.mark.parametrize(
    ("life", "full"),
    [("drained more often than is counted", -1), ("turned over more often than is counted", -2)],
)
def test_a_habit_of_years_is_still_known(lived, life, full):
    assert [raised(part) for part in lived[life][:full]] == [[]] * (2 * MORE_THAN_ARE_COUNTED)
    assert raised(lived[life][full]) == [("basin-not-drained", Severity.LOW)]


def test_turning_over_for_years_tells_nothing_of_the_probe(lived):
    """It hung in no air meanwhile, and may stand in a wet pocket."""
    *_, frost = lived["turned over more often than is counted"]
    assert [e for e in frost if e.fault == "frost-risk"] == []


def test_draining_in_frosty_nights_is_no_habit_of_draining_in_warm_weather(lived):
    *nights, warm_days = lived["drained in frosty nights"]
    assert nights == [[]] * 8
    assert warm_days == []


def test_a_basin_that_was_emptied_once_has_no_habit(lived):
    assert lived["emptied once"] == [[], [], []]
