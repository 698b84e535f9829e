"""One recording that holds every fault of the catalogue: a unit each, healthy, ill, healthy again.

Each unit lives a day or two at five minutes. Water lives come from the integrator of
``water_scenes``, heat lives from a coil of constant UA, the others change a reading or two. Delays
and baselines that would take days are shortened by each unit's own settings. Beside the frames
stand what was refused, the ticks of the receiver's clock and the status of a site.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from support.fleet import HEALTHY, T0_MS, rows_of, site, unit_data
from support.histories import Recording
from water_scenes import EVAPORATION_L_MIN, Basin, steady_bleed

from rules.engine import Engine
from rules.equipment import Overrides, Site
from rules.events import AlarmEvent, Refusal, RefusalKind
from rules.signals import INDEX, N_SIGNALS
from simulator import air, refrigerant

F = NDArray[np.float64]
STEP_S: Final = 300
STEP_MS: Final = STEP_S * 1000
MINUTE_MS: Final = 60_000
HOUR_MS: Final = 3_600_000
USUAL_BLEED_L_MIN: Final = EVAPORATION_L_MIN / 2.0  # three cycles
LISTENED_H: Final = (7.9, 11.0)
"""Hours in which the clock ticks each minute: only then does silence count as heard."""
CLOCK_ENDS_H: Final = 18.0

NOISE: Final[Mapping[str, float]] = {
    "pump_current": 0.03, "supply_voltage": 1.5, "spray_pressure": 0.3, "spray_flow": 1.0,
    "head_pressure": 3.0, "ambient_temperature": 0.08, "relative_humidity": 0.3,
    "basin_temperature": 0.05, "makeup_flow": 0.05, "bleed_flow": 0.02, "heat_load": 1.5,
    "pad_pressure_drop": 0.15,
}  # fmt: skip
AT_REST: Final[Mapping[str, float]] = {
    "pump_current": 0.0, "pump_command": 0.0, "wet_mode": 0.0, "spray_pressure": 0.0,
    "fan_speed": 40.0,
}  # fmt: skip
HEAT: Final = {"fleet": {"heat_baseline_bins": 12.0}}

Value = float | None | Callable[[F, np.random.Generator], F]
"""A constant, not sent, or (hours, generator) to values."""


@dataclass(frozen=True)
class Life:
    """One unit. ``ill`` are the hours in which its cause is there."""

    unit: str
    fault: str = ""
    """The fault to be raised; empty for a healthy control."""
    first: tuple[str, ...] = ()
    """Causes that may stand first."""
    ill: tuple[float, float] = (8.0, 12.0)
    hours: float = 18.0
    signs: Mapping[str, Value] = field(default_factory=dict)
    """What its readings are while it is ill."""
    always: Mapping[str, Value] = field(default_factory=dict)
    rest: tuple[tuple[float, float], ...] = ()
    """Hours in which the pump stands."""
    water: Callable[[Basin, float], None] | None = None
    """What happens to the basin, called each minute with the hour."""
    basin: Callable[[], Basin] = lambda: Basin(bleed=steady_bleed(USUAL_BLEED_L_MIN))
    meters: bool = False
    over_k: Callable[[F], F] | None = None
    """Condensing above the air on the coil, by the hour; the head pressure follows from it."""
    pads: Callable[[F], F] = lambda h: np.full_like(h, 0.8)
    """Effectiveness of the pads, by the hour."""
    drop: Callable[[F], F] | None = None
    """Pad pressure drop, by the hour. [Pa]"""
    silent: bool = False
    """Sends no frames while it is ill."""
    refuses: Callable[[Life, int], list[Refusal]] | None = None
    """What is refused of it at a minute in which it is ill."""
    settings: Overrides = field(default_factory=dict)
    site: str = "main-hall"


# ---------------------------------------------------------------- small helpers


def during(life: Life, hours: F) -> NDArray[np.bool_]:
    """Where the life is ill."""
    return (hours > life.ill[0]) & (hours <= life.ill[1])


def ramp(start_h: float, end_h: float, height: float, over_h: float) -> Callable[[F], F]:
    """0, a straight rise from ``start_h`` over some hours, and back to 0 at ``end_h``."""
    return lambda h: height * np.clip((h - start_h) / over_h, 0.0, 1.0) * (h <= end_h)


def within(start_h: float, end_h: float, name: str, value: Any, usual: Any) -> Callable[..., None]:
    """A basin of which one figure is another for some hours."""

    def change(basin: Basin, hour: float) -> None:
        setattr(basin, name, value if start_h <= hour < end_h else usual)

    return change


def starved(basin: Basin, hour: float) -> None:
    """Next to no water for an hour, just enough to stay low for two, then all of it."""
    basin.supply = 0.09 if 8 <= hour < 9 else 0.155 if 9 <= hour < 11 else 1.0


def drained(basin: Basin, hour: float) -> None:
    """Emptied for two hours, then filled again."""
    basin.supply, basin.drain = (0.0, 40.0) if 9 <= hour < 11 else (1.0, 0.0)


def jumping(h: F, rng: np.random.Generator) -> F:
    """The current of a pump with air in it."""
    return rng.uniform(2.55, 3.25, len(h))


def thinned_at_last(h: F, _: np.random.Generator) -> F:
    """Water over its limit, and back within an hour: no basin's water changes at one stroke."""
    return np.interp(h, [11.0, 12.0], [1600.0, 950.0])


def dropping_out(h: F, rng: np.random.Generator) -> F:
    """One fan of four missing from every other frame."""
    return np.where(np.arange(len(h)) % 2 == 0, 7.0, 15.0)


def beyond_range(life: Life, now_ms: int) -> list[Refusal]:
    """A level transmitter with a broken wire, each five minutes."""
    if now_ms % STEP_MS:
        return []
    return [Refusal(RefusalKind.RANGE, now_ms, life.site, life.unit, now_ms, "basin_level", -750.0)]


def ahead(life: Life, now_ms: int) -> list[Refusal]:
    """A clock two hours ahead."""
    return [Refusal(RefusalKind.CLOCK, now_ms, life.site, life.unit, now_ms + 2 * HOUR_MS)]


def stranger(life: Life, now_ms: int) -> list[Refusal]:
    """A unit that is in no file speaks beside the one that is."""
    return [Refusal(RefusalKind.UNREGISTERED, now_ms, life.site, "not-in-any-file")]


# ---------------------------------------------------------------- the lives

LIVES: Final[tuple[Life, ...]] = (
    # main-hall: the ordinary lives
    Life("level-frozen", "level-frozen", ("transmitter", "frozen-signal"), ill=(8, 14),
         signs={"basin_level": 171.3}, rest=((9.0, 10.0),)),
    Life("float-leaking", "float-leaking",
         ("seat-worn", "float-waterlogged", "supply-pressure"), ill=(8, 15), hours=24,
         rest=((9, 14), (17, 23)), water=within(8, 15, "leak", 2.0, 0.0)),
    Life("float-stuck-open", "float-stuck-open", ("float-open",), ill=(8, 12),
         water=within(8, 12, "stuck_open", 20.0, 0.0)),
    Life("float-stuck-shut", "float-stuck-shut", ("float-shut", "supply"), ill=(8, 11),
         water=starved),
    Life("pump-not-running", "pump-not-running", ("tripped", "no-supply"), ill=(8, 9),
         signs={"pump_current": 0.0, "spray_pressure": 0.0}),
    Life("pump-overload", "pump-overload", ("bearing-or-rubbing",),
         signs={"pump_current": 3.6 * 1.3}),
    Life("pump-drawing-air", "pump-drawing-air", ("pump-drawing-air",), ill=(8, 10),
         signs={"pump_current": jumping, "basin_level": 68.0, "spray_pressure": 18.0}),
    Life("pump-screen-clogging", "pump-screen-clogging", ("pump-screen-clogging",),
         signs={"pump_current": 3.2, "spray_pressure": 34.0}),
    Life("distribution-restricted", "distribution-restricted", ("distribution-restricted",),
         signs={"pump_current": 3.3, "spray_pressure": 70.0}),
    Life("conductivity-probe", "conductivity-probe", ("probe-open",), ill=(8, 13),
         signs={"conductivity": 2.0}),
    Life("bleed-blocked", "bleed-blocked", ("line-blocked", "bleed-valve"), ill=(0, 8),
         basin=Basin, water=lambda b, h: setattr(b, "bleed", steady_bleed(0 if h < 8 else 4.0))),
    Life("bleed-stuck-open", "bleed-stuck-open",
         ("bleed-valve", "drain-passing", "basin-leaks"), ill=(8, 14), hours=20, rest=((9, 14),),
         water=within(8, 14, "bleed_at_rest", 2.0, 0.0)),
    Life("makeup-quality-changed", "makeup-quality-changed",
         ("supply-changed", "softener-or-ro"), ill=(8, 16), hours=22, meters=True,
         water=within(8, 16, "makeup_us_cm", 600.0, 300.0)),
    Life("conductivity-high", "conductivity-high", ("bleed-small",),
         signs={"conductivity": thinned_at_last, "bleed_flow": 1.5}),
    Life("fan-fault", "fan-fault", ("motor-protection", "blocked", "supply"), ill=(8, 9),
         signs={"fan_fault": 2.0, "fan_run": 13.0}),
    Life("fan-not-proven", "fan-not-proven", ("contactor", "belt-or-coupling", "supply"),
         ill=(8, 9), signs={"fan_run": 9.0}),
    # Mended, it stands for half an hour before the fans are asked for again: only that shows it.
    Life("fan-not-commanded", "fan-not-commanded", ("hand", "contactor", "proof"), ill=(8, 11),
         always={"fan_speed": lambda h, _: np.where((h > 8.0) & (h <= 11.5), 0.0, 70.0),
                 "fan_run": lambda h, _: np.where((h > 8.0) & (h <= 11.5), 0.0, 15.0)},
         signs={"fan_run": 5.0}),
    Life("fan-capacity-lost", "fan-capacity-lost", ("fan-capacity-lost",), ill=(8, 18), hours=24,
         signs={"fan_run": dropping_out}),
    Life("head-pressure-high", "head-pressure-high", ("hot-weather", "overload", "coil-fouled"),
         ill=(8, 10), signs={"head_pressure": 1600.0}),
    Life("frost-risk", "frost-risk", ("not-drained",),
         ill=(8, 14), hours=20, rest=((8, 14),),
         signs={"ambient_temperature": -2.0, "basin_temperature": 1.5}),
    Life("warm-standing-water", "warm-standing-water", ("left-full",), ill=(8, 16),
         rest=((8, 16),), signs={"basin_temperature": 28.0},
         settings={"warm-standing-water": {"least_standing_s": 10_800.0, "warm_low_s": 10_800.0}}),
    Life("basin-not-drained", "basin-not-drained", ("left-full",), ill=(8, 16), rest=((8, 16),),
         signs={"basin_temperature": 15.0, "ambient_temperature": 16.0},
         settings={"basin-not-drained": {"standing_low_s": 10_800.0}}),
    Life("unit-stale", "unit-stale", ("unit-link",), ill=(8, 10), silent=True),
    Life("reading-out-of-range", "reading-out-of-range", ("open-circuit",), ill=(8, 10),
         signs={"basin_level": None}, refuses=beyond_range),
    Life("reading-frozen", "reading-frozen", ("transmitter",), ill=(8, 14),
         signs={"spray_pressure": 58.137}),
    Life("clock-wrong", "clock-wrong", ("time-zone",), ill=(8, 9.5), silent=True, refuses=ahead),
    # the long lives: what rests on an hourly mean
    Life("pads-clogged", "pads-clogged", ("pads-clogged",), ill=(14, 34), hours=48,
         over_k=lambda h: np.full_like(h, 8.0), settings=HEAT,
         drop=lambda h: 20.0 * (1.0 + ramp(14, 34, 1.0, 8.0)(h))),
    Life("pads-not-wetting", "pads-not-wetting", ("pads-not-wetting",), ill=(14, 34), hours=48,
         over_k=lambda h: np.full_like(h, 8.0), settings=HEAT,
         pads=lambda h: 0.8 - ramp(14, 34, 0.8, 0.01)(h)),
    Life("coil-fouled", "coil-fouled", ("coil-fouled",), ill=(14, 46), hours=66,
         over_k=lambda h: 8.0 * (1.0 + ramp(14, 46, 0.42, 29.0)(h)), settings=HEAT,
         rest=((0, 66),), always={"basin_level": 2.0, "conductivity": 0.0}),
    # far-barn: both units fall silent, the first carries the site's alarm
    Life("site-cut-off", "site-cut-off", ("network", "power", "gateway"), ill=(8, 9.5),
         silent=True, site="far-barn"),
    Life("its-neighbour", ill=(8, 9.5), silent=True, site="far-barn"),
    # annex: somebody speaks whom nobody registered
    Life("unit-unregistered", "unit-unregistered", ("not-in-file",), ill=(8, 8.5),
         refuses=stranger, site="annex",
         settings={"unit-unregistered": {"absent_s": 3600.0}}),
    # healthy lives
    Life("control", hours=24),
    Life("control-at-rest", hours=24, rest=((9, 15), (20, 24))),
    Life("control-drained", hours=20, rest=((9, 13),), water=drained),
    Life("control-with-meters", meters=True, site="annex"),
    Life("control-with-heat", hours=64, over_k=lambda h: np.full_like(h, 8.0), settings=HEAT,
         drop=lambda h: np.full_like(h, 20.0)),
    Life("control-few-signals", always=dict.fromkeys(
        ("supply_voltage", "spray_pressure", "conductivity", "relative_humidity",
         "pump_command"))),
)  # fmt: skip


# ---------------------------------------------------------------- frames


@cache
def _usual_water(hours: float) -> F:
    """Level, conductivity, make-up and bleed of a basin that nothing happens to."""
    return _water(Life("usual", hours=hours))


def _water(life: Life) -> F:
    """Level, conductivity, make-up and bleed at each frame, (n, 4)."""
    basin = life.basin()
    rows = []
    for minute in range(round(life.hours * 60)):
        hour = minute / 60.0
        if life.water is not None:
            life.water(basin, hour)
        basin.minute(hour, running=not any(a <= hour < b for a, b in life.rest))
        if minute % 5 == 4:
            rows.append((basin.level, basin.conductivity, basin.makeup_now, basin.bleed_now))
    return np.array(rows)


def frames_of(life: Life, seed: int) -> tuple[F, F]:
    """Hours (n,) and frames (n, signals) of a life."""
    rng = np.random.default_rng([17, seed])
    n = round(life.hours * 12)
    hours = np.arange(1, n + 1) / 12.0
    made = life.water is not None or life.rest or life.basin is Basin
    water = _water(life) if made else _usual_water(64.0)[:n]
    resting = np.zeros(n, dtype=np.bool_)
    for start, end in life.rest:
        resting |= (hours > start) & (hours <= end)
    values = {name: np.full(n, value) for name, value in HEALTHY.items()}
    values["basin_temperature"] = np.full(n, 21.0)
    for name, value in AT_REST.items():
        values[name][resting] = value
    values["basin_level"], values["conductivity"] = water[:, 0].copy(), water[:, 1].copy()
    if life.meters:
        values["makeup_flow"], values["bleed_flow"] = water[:, 2].copy(), water[:, 3].copy()
    if life.over_k is not None:
        values["fan_speed"] = np.full(n, 70.0)
        values["heat_load"] = np.full(n, 240.0)
        # A day's weather: the air dries as it warms.
        day = np.sin(hours / 24.0 * 2.0 * np.pi)
        values["ambient_temperature"] = 28.0 + 5.0 * day
        values["relative_humidity"] = np.full(n, HEALTHY["relative_humidity"]) - 12.0 * day
        values["head_pressure"] = _head_pressure(life, hours, values)
        if life.drop is not None:
            values["pad_pressure_drop"] = life.drop(hours)
    ill = during(life, hours)
    for changes, where in ((life.always, np.ones(n, dtype=np.bool_)), (life.signs, ill)):
        for name, change in changes.items():
            column = values.setdefault(name, np.full(n, HEALTHY.get(name, np.nan)))
            new = change(hours, rng) if callable(change) else np.nan if change is None else change
            column[where] = np.broadcast_to(new, n)[where]
    frozen = {"level-frozen": "basin_level", "reading-frozen": "spray_pressure"}.get(life.fault)
    for name, sd in NOISE.items():
        if name in values:
            noise = rng.normal(0.0, sd, n) * (values[name] != 0.0)
            values[name] += np.where(ill & (name == frozen), 0.0, noise)
    wave = rng.normal(0.0, 1.0, n) * np.where(resting, 0.4, 1.2)
    still = ill & (frozen == "basin_level")
    values["basin_level"] = np.maximum(values["basin_level"] + np.where(still, 0.0, wave), 0.0)
    values["conductivity"] *= 1.0 + rng.normal(0.0, 0.004, n)
    out = np.full((n, N_SIGNALS), np.nan)
    for name, column in values.items():
        out[:, INDEX[name]] = column
    return hours, out


def _head_pressure(life: Life, hours: F, values: Mapping[str, F]) -> F:
    """R134a at the air on the coil and so many kelvin above it."""
    assert life.over_k is not None
    ambient = values["ambient_temperature"]
    sea_level = np.asarray(air.barometric_kpa(0.0))
    bulb = air.wet_bulb_degc(ambient, values["relative_humidity"], sea_level)
    on_coil = ambient - values["wet_mode"] * life.pads(hours) * (ambient - bulb)
    plate = refrigerant.antoine_columns(["R134a"])
    pressure: F = refrigerant.dew_pressure_kpa_abs(on_coil + life.over_k(hours), plate)
    return pressure


# ---------------------------------------------------------------- the story


@dataclass(frozen=True)
class Moment:
    """What came in at one minute, in this order."""

    time_ms: int
    frames: Recording
    refusals: Sequence[Refusal] = ()
    status: tuple[str, bool] | None = None
    tick: bool = False


@dataclass(frozen=True)
class Story:
    """The fleet and all that came of it."""

    sites: tuple[Site, ...]
    row_of: Mapping[str, int]
    """Rows by unit."""
    frames: Recording
    """All frames, in order of time."""
    moments: Sequence[Moment]


def hour_of(event: AlarmEvent) -> float:
    """Hours since the story began."""
    return (event.time_ms - T0_MS) / HOUR_MS


def every_fault() -> Story:
    """The story, written anew."""
    names = list(dict.fromkeys(life.site for life in LIVES))
    sites = tuple(
        site(name, [
            unit_data(life.unit, settings={s: dict(t) for s, t in life.settings.items()})
            for life in LIVES if life.site == name
        ])
        for name in names
    )  # fmt: skip
    row_of = {unit: row for (_, unit), row in rows_of(sites).items()}
    rows, times, values = [], [], []
    for seed, life in enumerate(LIVES):
        hours, frames = frames_of(life, seed)
        sent = ~(during(life, hours) & life.silent)
        rows.append(np.full(int(sent.sum()), row_of[life.unit], dtype=np.int32))
        times.append((T0_MS + np.round(hours[sent] * HOUR_MS)).astype(np.int64))
        values.append(frames[sent])
    row, time_ms = np.concatenate(rows), np.concatenate(times)
    order = np.lexsort((row, time_ms))
    recording = Recording(row[order], time_ms[order], np.concatenate(values)[order])
    return Story(sites, row_of, recording, _moments(recording))


def _moments(recording: Recording) -> list[Moment]:
    moments = []
    last = int(recording.time_ms[-1])
    for now_ms in range(T0_MS + MINUTE_MS, last + 1, MINUTE_MS):
        hour = (now_ms - T0_MS) / HOUR_MS
        listened = LISTENED_H[0] <= hour < LISTENED_H[1]
        start, end = np.searchsorted(recording.time_ms, (now_ms, now_ms + 1))
        refusals = [
            refusal for life in LIVES
            if life.refuses is not None and life.ill[0] < hour <= life.ill[1]
            for refusal in life.refuses(life, now_ms)
        ]  # fmt: skip
        status = {8.0: ("far-barn", False), 9.5: ("far-barn", True)}.get(hour)
        tick = listened or (now_ms % STEP_MS == 0 and hour <= CLOCK_ENDS_H)
        if end > start or refusals or status or tick:
            part = recording.part(slice(start, end))
            moments.append(Moment(now_ms, part, refusals, status, tick))
    return moments


def take_in(engine: Engine, moment: Moment, cuts: Sequence[int] = ()) -> list[AlarmEvent]:
    """One moment through an engine, its frames in one batch or cut anyhow."""
    events: list[AlarmEvent] = []
    if moment.status is not None:
        events += engine.site_status(moment.time_ms, *moment.status).events
    start = 0
    for end in [*sorted(c for c in cuts if c < len(moment.frames)), len(moment.frames)]:
        part = moment.frames.part(slice(start, end))
        start = end
        if len(part):
            result = engine.samples(moment.time_ms, part.row, part.time_ms, part.values)
            events += result.events
    if moment.refusals:
        events += engine.refused(moment.time_ms, moment.refusals).events
    if moment.tick:
        events += engine.clock(moment.time_ms).events
    return events


def play(engine: Engine, moments: Sequence[Moment]) -> list[AlarmEvent]:
    """Moments through an engine, in order."""
    return [event for moment in moments for event in take_in(engine, moment)]
