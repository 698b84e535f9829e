"""What readings are worth: raised on their signs, silent on what is healthy."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from importlib import resources
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.beside import Taped, beside
from support.fleet import HEALTHY, T0_MS, engine_of, row_of_values, site, unit_data
from support.raised import only, raised

from rules.engine import Engine
from rules.events import AlarmEvent, Change, Refusal, RefusalKind, Severity
from rules.refused import ZERO_ERROR, checked
from rules.signals import INDEX, SIGNALS

HOUR_S = 3600.0
DAY_S = 86_400.0
NOISE: Mapping[str, float] = {
    "basin_level": 0.8, "conductivity": 4.0, "pump_current": 0.03, "supply_voltage": 1.5,
    "spray_pressure": 0.4, "head_pressure": 6.0, "ambient_temperature": 0.08,
    "relative_humidity": 0.5, "basin_temperature": 0.05,
}  # fmt: skip
STOPPED: Mapping[str, float] = {
    "pump_current": 0.0, "spray_pressure": 0.0, "pump_command": 0.0, "wet_mode": 0.0,
    "fan_speed": 0.0, "fan_run": 0.0,
}  # fmt: skip


class Machine:
    """What one unit reads: noise on every reading, and a day's course of the weather."""

    def __init__(self, *, step_s: float = 60.0, seed: int = 3) -> None:
        self.step_s = step_s
        self.now_ms = T0_MS
        self.rng = np.random.default_rng(seed)
        self.steps: Mapping[str, float] = {}
        """Resolution of the sensors that are coarse."""

    def frame(self, changes: Mapping[str, float | None]) -> np.ndarray:
        hours = (self.now_ms / 3_600_000.0) % 24.0
        course = np.sin((hours - 9.0) / 24.0 * 2.0 * np.pi)
        values = {**HEALTHY, "basin_temperature": 22.0 + 2.0 * course}
        values["ambient_temperature"] = 27.0 + 5.0 * course
        values["relative_humidity"] = 50.0 - 15.0 * course
        for name in STOPPED if "pump_current" in changes and not changes["pump_current"] else ():
            values[name] = STOPPED[name]
        for name, sd in NOISE.items():
            if values[name]:
                values[name] += self.rng.normal(0.0, sd)
        for name, step in self.steps.items():
            values[name] = round(values[name] / step) * step
        out = values | dict(changes)
        return row_of_values({k: v for k, v in out.items() if v is not None})


class PlayedPlant(Machine):
    """A machine of a script that is played beside others."""

    def __init__(self, unit: Mapping[str, Any] | None = None, *, step_s: float = 60.0) -> None:
        super().__init__(step_s=step_s)
        self.feed = Taped(unit)

    @property
    def events(self) -> list[AlarmEvent]:
        return self.feed.events

    def run(self, duration_s: float, **changes: float | None) -> list[AlarmEvent]:
        """What comes of all that is sent up to the next yield."""
        for _ in range(round(duration_s / self.step_s)):
            self.now_ms += int(self.step_s * 1000)
            self.feed.send(0, self.now_ms, self.frame(changes))
        return self.feed.news


class Plant(Machine):
    """A machine with an engine, for itself or with others, and a clock."""

    def __init__(
        self, engine: Engine | None = None, *, step_s: float = 60.0, seed: int = 3
    ) -> None:
        super().__init__(step_s=step_s, seed=seed)
        self.engine = engine or engine_of()
        self.events: list[AlarmEvent] = []
        self.ticking = False

    def run(self, duration_s: float, **changes: float | None) -> list[AlarmEvent]:
        events: list[AlarmEvent] = []
        for _ in range(round(duration_s / self.step_s)):
            self.now_ms += int(self.step_s * 1000)
            if self.ticking:
                events += self.engine.clock(self.now_ms).events
            events += self.send(self.frame(changes)).events
        self.events += events
        return events

    def send(self, frame: np.ndarray, *, time_ms: int = 0, received_ms: int = 0, row: int = 0):
        time_ms = time_ms or self.now_ms
        return self.engine.samples(
            received_ms, np.array([row], np.int32), np.array([time_ms], np.int64), frame[None, :]
        )


# ---------------------------------------------------------------- reading out of range


def test_a_value_a_little_beyond_the_range_is_the_ranges_end():
    values = row_of_values({"relative_humidity": 101.2, "pump_current": -0.03, "spray_flow": -0.4})
    usable, refused = checked(values[None, :])
    assert refused is None
    assert usable[0, INDEX["relative_humidity"]] == 100.0
    assert usable[0, INDEX["pump_current"]] == 0.0
    assert values[INDEX["relative_humidity"]] == 101.2, "the array given is not changed"


@given(st.data())
def test_whatever_comes_only_what_is_possible_is_used(data):
    values = np.array([data.draw(st.floats(allow_nan=True, allow_infinity=True)) for _ in SIGNALS])[
        None, :
    ]
    usable, refused = checked(values)
    low, high = np.array([s.low for s in SIGNALS]), np.array([s.high for s in SIGNALS])
    error = np.array([ZERO_ERROR.get(s.name, 0.0) for s in SIGNALS])
    known = ~np.isnan(usable)
    assert ((usable >= low) & (usable <= high))[known].all()
    far = (values < low - error) | (values > high + error)
    assert (np.isnan(usable) == np.isnan(values) | far).all()
    assert (refused is not None) == far.any()
    if refused is not None:
        np.testing.assert_array_equal(refused, far)


@beside
def test_a_level_refused_again_and_again_is_one_ticket_with_its_value():
    plant = PlayedPlant()
    plant.run(HOUR_S)
    events = plant.run(2 * HOUR_S, basin_level=-750.0)
    yield
    evidence = only(events, "reading-out-of-range")
    reading = evidence.readings[0]
    assert (reading.quantity, reading.measured, reading.low) == ("Basin level", -750.0, 0.0)
    assert evidence.signals == ("basin_level",)
    assert evidence.causes[0].slug == "open-circuit"
    assert plant.events[0].severity is Severity.MEDIUM
    onset_s = (plant.events[0].onset_ms - T0_MS) / 1000.0
    assert HOUR_S <= onset_s <= HOUR_S + 900.0
    back = plant.run(2 * HOUR_S)
    yield
    assert [e.change for e in back] == [Change.RETURNED]


@beside
def test_a_level_whose_wire_breaks_now_and_then_is_no_low_basin():
    """Three of five readings lie a quarter of the span below the floor: 0 mA of 4 to 20."""
    plant = PlayedPlant()
    plant.run(HOUR_S)
    for i in range(120):
        plant.run(120.0, **({"basin_level": -42.5} if i % 5 in {0, 2, 4} else {}))
    yield
    assert {e.fault for e in plant.events} == {"reading-out-of-range"}


@beside
def test_several_at_once_point_to_the_card():
    plant = PlayedPlant()
    plant.run(HOUR_S)
    events = plant.run(
        2 * HOUR_S, basin_level=-750.0, conductivity=-12_500.0, spray_pressure=-150.0
    )
    yield
    evidence = raised(events)["reading-out-of-range"]
    assert {r.quantity for r in evidence.readings} == {
        "Basin level", "Conductivity", "Spray pressure",
    }  # fmt: skip
    assert evidence.causes[0].slug in {"open-circuit", "input-card"}
    assert next(c for c in evidence.causes if c.slug == "input-card").fits


@beside
def test_a_broken_resistance_thermometer_reads_the_top():
    plant = PlayedPlant()
    events = plant.run(2 * HOUR_S, ambient_temperature=850.0)
    yield
    evidence = only(events, "reading-out-of-range")
    assert evidence.causes[0].slug == "open-circuit"
    assert plant.events[0].severity is Severity.LOW


@beside
@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("basin_level", 900.0),  # the basin is 300 mm deep
        ("pump_current", 60.0),  # 15 times the rated current
        ("supply_voltage", 900.0),
        ("supply_voltage", 12.0),  # while the pump runs
        ("spray_pressure", 400.0),
        ("head_pressure", 5200.0),
        ("head_pressure", 3.0),
        ("relative_humidity", 0.0),
    ],
)
def test_what_the_nameplate_makes_impossible_is_out_of_range_and_nothing_else(name, value):
    plant = PlayedPlant()
    plant.run(8 * HOUR_S)
    events = plant.run(3 * HOUR_S, **{name: value})
    yield
    evidence = only(events, "reading-out-of-range")
    reading = evidence.readings[0]
    assert reading.quantity == SIGNALS[INDEX[name]].title
    assert reading.measured == value
    assert not (
        (reading.low is None or reading.low <= value)
        and (reading.high is None or value <= reading.high)
    )


@beside
def test_spikes_and_a_pinned_sensor_in_fog_are_no_fault():
    plant = PlayedPlant()
    plant.run(6 * HOUR_S)
    for _ in range(6):
        plant.run(120.0, basin_level=-750.0)
        plant.run(2 * HOUR_S)
    plant.run(8 * HOUR_S, relative_humidity=103.0)
    yield
    assert raised(plant.events) == {}


def test_a_unit_whose_every_reading_is_refused_is_out_of_range_and_not_silent():
    plant = Plant()
    plant.ticking = True
    plant.run(HOUR_S)
    events = []
    for _ in range(120):
        plant.now_ms += 60_000
        at = plant.now_ms
        events += plant.engine.clock(at).events
        refusal = Refusal(RefusalKind.RANGE, at, "north-hall", "ac-1", at, "basin_level", -750.0)
        events += plant.engine.refused(at, [refusal]).events
    assert list(raised(events)) == ["reading-out-of-range"]


# ---------------------------------------------------------------- reading frozen


@beside
@pytest.mark.parametrize(
    ("name", "value", "within_h", "step_s"),
    [
        ("spray_pressure", 58.137, 5, 20.0),
        ("spray_pressure", 58.137, 5, 300.0),
        ("head_pressure", 1003.7, 7, 60.0),
        ("pump_current", 3.6123, 5, 300.0),
    ],
)
def test_a_reading_that_stands_still_while_the_machine_works(name, value, within_h, step_s):
    plant = PlayedPlant(step_s=step_s)
    plant.run(5 * HOUR_S)
    events = plant.run(within_h * HOUR_S, **{name: value})
    yield
    evidence = only(events, "reading-frozen")
    assert evidence.signals == (name,)
    assert evidence.readings[0].measured == value
    assert "moved" in evidence.summary
    assert evidence.causes[0].slug == "transmitter"
    assert plant.events[0].severity is Severity.MEDIUM
    back = plant.run(HOUR_S)
    yield
    assert [e.change for e in back] == [Change.RETURNED]


@beside
@pytest.mark.parametrize(("resolution", "found"), [(0.1, True), (0.5, False)])
def test_a_round_value_is_no_coarse_sensor_where_the_reading_was_seen_to_move(resolution, found):
    """An air temperature that stops at 21.0 °C, after two days in steps of 0.1 °C or of 0.5 °C."""
    plant = PlayedPlant(step_s=300.0)
    plant.steps = {"ambient_temperature": resolution}
    plant.run(48 * HOUR_S)
    yield
    assert plant.events == []
    plant.run(30 * HOUR_S, ambient_temperature=21.0)
    yield
    assert (list(raised(plant.events)) == ["reading-frozen"]) is found


@beside
def test_a_frozen_pressure_is_not_known_to_the_other_rules():
    """The screen clogs while the pressure stands still: the current alone must not contradict."""
    plant = PlayedPlant()
    plant.run(10 * HOUR_S)
    plant.run(6 * HOUR_S, spray_pressure=58.137)
    yield
    assert list(raised(plant.events)) == ["reading-frozen"]
    events = plant.run(4 * HOUR_S, spray_pressure=58.137, pump_current=2.7)
    yield
    assert not any("distribution" in fault for fault in raised(events))


@beside
def test_everything_at_once_is_the_controller_within_hours():
    plant = PlayedPlant()
    plant.run(6 * HOUR_S)
    frame = plant.frame({})
    frozen = {s.name: float(frame[i]) for i, s in enumerate(SIGNALS) if not np.isnan(frame[i])}
    events = plant.run(14 * HOUR_S, **frozen)
    yield
    evidence = only(events, "reading-frozen")
    assert evidence.causes[0].slug == "frozen-signal"
    assert "nothing at all" in evidence.summary
    hours = (plant.events[0].time_ms - T0_MS) / 3_600_000.0 - 6.0
    assert hours < 3.0


HEALTHY_LIVES: Mapping[str, tuple[Mapping[str, float], int, Mapping[str, float | None]]] = {
    # name: (resolution of coarse sensors, from which day on what is different in this life)
    "coarse sensors": (
        {
            "ambient_temperature": 1.0, "relative_humidity": 1.0, "basin_temperature": 0.5,
            "head_pressure": 10.0, "spray_pressure": 1.0, "pump_current": 0.1,
            "supply_voltage": 1.0, "conductivity": 10.0,
        },
        0, {},
    ),
    "a spray pressure shown in whole psi that hardly moves": ({"spray_pressure": 6.894757}, 0, {}),
    "constants by design": (
        {}, 0, {"supply_voltage": 401.3, "heat_load": 240.0, "fan_speed": 100.0, "fan_fault": 0.0},
    ),
    "fog for days": ({}, 2, {"relative_humidity": 100.0}),
    "few signals": (
        {}, 0, {"supply_voltage": None, "ambient_temperature": None, "relative_humidity": None,
                "basin_temperature": None, "spray_pressure": None, "conductivity": None},
    ),
    "stopped for days": (
        {}, 2, {**STOPPED, "conductivity": 903.0, "head_pressure": 780.0, "makeup_flow": 0.0,
                "bleed_flow": 0.0, "heat_load": 0.0},
    ),
}  # fmt: skip


def test_healthy_lives_of_many_kinds_raise_nothing_of_this_family():
    """Nine days each, side by side, stopped for ten hours of every day; two days of dropouts."""
    lives = list(HEALTHY_LIVES.values())
    engine = engine_of(site(units=[unit_data(f"ac-{i}") for i in range(len(lives))]))
    plants = [Plant(engine, step_s=300.0, seed=i) for i in range(len(lives))]
    rows = np.arange(len(lives), dtype=np.int32)
    events: list[AlarmEvent] = []
    for bin_of_life in range(9 * 288):
        hour, day = bin_of_life // 12 % 24, bin_of_life // 288
        if bin_of_life == 5 * 288:
            for plant in plants:
                plant.now_ms += int(7 * DAY_S * 1000)  # a week of silence
        frames = []
        for plant, (steps, from_day, changes) in zip(plants, lives, strict=True):
            plant.now_ms += 300_000
            plant.steps = steps
            now = {**(STOPPED if hour >= 14 else {}), **(changes if day >= from_day else {})}
            now |= {"spray_pressure": None} if day in (3, 4) and hour < 9 else {}
            frames.append(plant.frame(now))
        times = np.full(len(lives), plants[0].now_ms, np.int64)
        events += engine.samples(0, rows, times, np.array(frames)).events
    ours = [(e.unit_row, e.fault) for e in events if e.fault.startswith("reading-")]
    assert ours == []


def recorded_flow_l_s() -> list[float]:
    """Hourly flow of a real water main, March to May 2022: the series that `river` ships."""
    with (resources.files("river.datasets") / "water-flow.csv").open(encoding="utf-8") as file:
        return [float(row["Water flow [l/s]"]) for row in csv.DictReader(file)]


@beside
def test_a_recorded_flow_of_a_real_main_is_never_frozen_until_it_is():
    """1268 hourly values with three dips and a peak, played a value in five minutes.

    It moves in all but a few of them, five equal ones are its longest rest, and none is called
    frozen; held from its middle on it is, after the time set. The site's pump is scaled to it.
    """
    flow = recorded_flow_l_s()
    assert len(flow) == 1268
    unit = unit_data(pump__rated_flow_l_min=6000)
    plants = as_is, held = [PlayedPlant(unit, step_s=300.0) for _ in range(2)]
    for plant, held_from in ((as_is, len(flow)), (held, 900)):
        for i in range(len(flow)):
            plant.run(300.0, spray_flow=60.0 * flow[min(i, held_from)])
    yield
    assert [e for e in as_is.events if e.fault == "reading-frozen"] == []
    (found,) = [e for e in held.events if e.fault == "reading-frozen"]
    assert found.time_ms - T0_MS - 900 * 300_000 <= (4 * HOUR_S + 600) * 1000
    longest = held.feed.engine.state.still_longest_bins
    assert int(longest[[plant.feed.row for plant in plants]].max()) <= 4


# ---------------------------------------------------------------- cut anyhow


def play_in_parts(frames: np.ndarray, times: np.ndarray, ends: list[int]) -> list[AlarmEvent]:
    engine, events, start = engine_of(), [], 0
    for end in ends:
        if end > start:
            rows = np.zeros(end - start, np.int32)
            events += engine.samples(0, rows, times[start:end], frames[start:end]).events
            start = end
    return events


@pytest.fixture(scope="module")
def impossible() -> tuple[np.ndarray, np.ndarray, list[AlarmEvent]]:
    """A level that fails, a pressure beyond the nameplate, a spike: and the events in one batch."""
    plant = Plant()
    frames, times = [], []
    for i in range(420):
        plant.now_ms += 60_000
        changes: dict[str, float | None] = {}
        if 60 <= i < 240:
            changes["basin_level"] = -400.0 if i % 3 else None
        if 150 <= i < 330:
            changes["spray_pressure"] = 500.0
        if i == 20:
            changes["conductivity"] = 1e9
        frames.append(plant.frame(changes))
        times.append(plant.now_ms)
    all_frames, all_times = np.array(frames), np.array(times, np.int64)
    return all_frames, all_times, play_in_parts(all_frames, all_times, [420])


@settings(max_examples=6, deadline=None)
@given(cuts=st.lists(st.integers(1, 420), max_size=8))
def test_cutting_a_history_with_impossible_values_anyhow_gives_the_same_events(impossible, cuts):
    frames, times, expected = impossible
    assert play_in_parts(frames, times, [*sorted(cuts), 420]) == expected
    assert [e.change for e in expected] == [Change.RAISED, Change.RETURNED]


@beside
def test_a_bleed_that_stays_open_is_no_frozen_meter():
    """A coarse meter shows one figure while the line carries the same water for a day."""
    plant = PlayedPlant(step_s=300.0)
    noise = np.random.default_rng(8)
    for hour in range(60):
        for part in range(12):
            salts = 880.0 + noise.normal(0.0, 4.0)
            bleeds = 6.0 + hour % 3 / 2 if part < 3 else 0.0
            plant.run(300.0, bleed_flow=bleeds, conductivity=salts)
    yield
    assert plant.events == []
    for part in range(288):
        salts = 330.0 + 550.0 * np.exp(-part / 40.0) + noise.normal(0.0, 4.0)
        plant.run(300.0, bleed_flow=7.0, conductivity=salts)
    yield
    assert list(raised(plant.events)) == ["bleed-stuck-open"]
