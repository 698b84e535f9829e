"""All plants whose coil, pads and fans the tests look at, played as one fleet.

A fleet costs what its longest life costs, however many units it has, so the weeks of each group of
scenes are played beside those of all others. A group is a site of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from heat_scenes import PLATE, Scene, measured, near_cut_out, ramp, times_ms
from numpy.typing import NDArray
from stepped_plants import Sent, cycling_fans, few_of_many_fans, stepped_fans
from support.fleet import engine_of, site, unit_data

from rules.engine import Engine
from rules.events import AlarmEvent, BaselineChange, Change

LOAD = ("pad_pressure_drop",)
NO_WORD = ("wet_mode", "pump_command")
NOTHING_MORE = ("heat_load", "pad_pressure_drop")


# ---------------------------------------------------------------- four weeks, clean and faulty


def spell(d):
    """10 K hotter for five days."""
    return 10.0 * ((d > 18) & (d < 23))


def windy(d):
    """The wind turns, and lays own warm air before the intake for two days."""
    return 1.4 * np.interp(d, [17.8, 18.4, 20.2, 20.5], [0.0, 1.0, 1.0, 0.0])


def busy(d):
    """Monday to Friday."""
    return np.floor(d) % 7 < 5


HEALTHY_SCENES = [
    Scene("load sent", without=LOAD, seed=1),
    Scene("no load sent", without=NOTHING_MORE, seed=2),
    Scene("all sent", without=(), seed=3),
    Scene("hot spell", without=LOAD, seed=4, warmer_k=spell),
    Scene("hot spell, no load sent", without=NOTHING_MORE, seed=5, warmer_k=spell),
    Scene("load up by 30 %, not sent", seed=6, more_load=lambda d: 0.3 * (d > 14)),
    Scene("load up by 30 %, sent", without=LOAD, seed=36, more_load=lambda d: 0.3 * (d > 14)),
    Scene("spring to summer, no load sent", seed=7, warmer_k=ramp(0, 28, 8)),
    Scene("summer to autumn", without=(), seed=8, warmer_k=ramp(0, 28, -8)),
    Scene("mode every two hours", without=(), seed=9, mode=lambda d, a: 1.0 * ((d * 24) % 4 < 2)),
    Scene("always dry", without=LOAD, seed=10, mode=lambda d, a: 0.0 * d),
    Scene("always wet", without=(), seed=26, mode=lambda d, a: 0.0 * d + 1.0, mean_degc=26.0),
    Scene("always wet, no pressure drop", without=LOAD, seed=45, mean_degc=26.0,
          mode=lambda d, a: 0.0 * d + 1.0),
    *(Scene(f"dry for two weeks, then wet, {rise} more", without=(), seed=47, wetted_rise=rise,
            mode=lambda d, a: 1.0 * (d > 14) * (a > 20)) for rise in (0.0, 0.15, 0.4)),
    *(Scene(f"wet for two weeks, then dry, {rise} more", without=(), seed=48, wetted_rise=rise,
            mode=lambda d, a: 1.0 * (d < 14) * (a > 20)) for rise in (0.0, 0.15, 0.4)),
    Scene("a week off", without=(), seed=11, off=lambda d: 1.0 * ((d > 12) & (d < 19))),
    Scene("no humidity", without=("relative_humidity", "pad_pressure_drop"), seed=12),
    Scene("dry on idle days first, then on busy ones", seed=40, mean_degc=23.0,
          mode=lambda d, a: 1.0 * (busy(d) & ~((d > 15) & (np.floor(d) % 7 < 2))),
          more_load=lambda d: 0.7 * busy(d)),
    Scene("no word of the mode", without=("pad_pressure_drop", *NO_WORD), seed=41),
    *(Scene(f"own warm air for two days, {n}", without=LOAD, seed=50 + n, intake_k=windy)
      for n in range(3)),
    Scene("own warm air for two days, always dry", without=LOAD, seed=53, intake_k=windy,
          mode=lambda d, a: 0.0 * d),
    Scene("no proof of fans", without=("fan_run", "fan_fault"), seed=13, warmer_k=spell),
]  # fmt: skip
WET = lambda d, a: 0.0 * d + 1.0  # noqa: E731  # short beside the scenes
DRY = lambda d, a: 0.0 * d  # noqa: E731
FAULTY_SCENES = [
    Scene("coil, slowly", without=LOAD, seed=11, coil_loss=ramp(12, 6, 0.4), shows="coil-fouled"),
    Scene("coil, over ten days", without=LOAD, seed=12, coil_loss=ramp(12, 10, 0.45),
          shows="coil-fouled"),
    Scene("coil blocked at once", without=LOAD, seed=12, coil_loss=ramp(12, 0, 0.5),
          shows="fan-capacity-lost"),
    Scene("coil blocked at once, its pads measured", without=(), seed=12,
          coil_loss=ramp(12, 0, 0.5), shows="fan-capacity-lost"),
    Scene("more at once than half the proven fans carry", without=LOAD, seed=12,
          coil_loss=ramp(12, 0, 0.63), shows="coil-fouled"),
    Scene("coil blocked, its fans hold the temperature", without=LOAD, seed=12, held_k=14.0,
          coil_loss=ramp(14, 0, 0.7), mode=DRY, mean_degc=20.0, more_load=lambda d: -0.2 + 0.0 * d,
          shows="coil-fouled"),
    Scene("coil, always dry", without=LOAD, seed=14, coil_loss=ramp(12, 6, 0.35), mode=DRY,
          shows="coil-fouled"),
    Scene("coil, always wet", without=LOAD, seed=15, coil_loss=ramp(14, 6, 0.4), mode=WET,
          mean_degc=26.0, shows="coil-fouled"),
    Scene("coil, no load sent", seed=13, coil_loss=ramp(12, 4, 0.6), shows="coil-fouled"),
    Scene("coil in a hot spell", without=LOAD, seed=27, coil_loss=ramp(12, 6, 0.4),
          warmer_k=spell, shows="coil-fouled"),
    Scene("coil, no word of the mode", without=("pad_pressure_drop", *NO_WORD), seed=42,
          coil_loss=ramp(12, 6, 0.4), shows="coil-fouled"),
    Scene("dry pads, no word of the mode", without=("pad_pressure_drop", *NO_WORD), seed=43,
          effect_loss=ramp(12, 0, 1), shows="pads-not-wetting"),
    Scene("dry pads", without=LOAD, seed=16, effect_loss=ramp(12, 0, 1), shows="pads-not-wetting"),
    Scene("pads wet in part", without=LOAD, seed=17, effect_loss=ramp(12, 5, 0.7),
          shows="pads-not-wetting"),
    Scene("dry pads, no load sent", seed=18, effect_loss=ramp(12, 0, 1), shows="pads-not-wetting"),
    Scene("dry pads, always wet", without=LOAD, seed=19, effect_loss=ramp(12, 0, 1), mode=WET,
          mean_degc=26.0, shows="pads-not-wetting"),
    Scene("pads half dry, always wet", without=LOAD, seed=44, effect_loss=ramp(12, 2, 0.55),
          mode=WET, mean_degc=26.0, shows="pads-not-wetting"),
    Scene("coil fouled a little", without=LOAD, seed=54, coil_loss=ramp(12, 5, 0.27),
          shows="coil-fouled"),
    Scene("coil fouled a little, always dry", without=LOAD, seed=55, coil_loss=ramp(12, 5, 0.27),
          mode=DRY, shows="coil-fouled"),
    Scene("coil fouled a little, now more, now less", without=LOAD, seed=58,
          coil_loss=lambda d: ramp(12, 4, 0.26)(d) - 0.1 * ((d > 20) & (d < 23)),
          shows="coil-fouled"),
    Scene("the air's way behind the pads fills up, no load sent", without=("heat_load",), seed=56,
          fans_lost=ramp(13, 8, 1.4), shows="coil-fouled"),
    Scene("the same, always wet", without=("heat_load",), seed=57, fans_lost=ramp(13, 8, 1.4),
          mode=WET, mean_degc=26.0, shows="coil-fouled"),
    Scene("dusty pads, always dry", without=("heat_load",), seed=46, pads_shut=ramp(12, 6, 1.5),
          mode=DRY, shows="pads-clogged"),
    Scene("scaled pads", without=(), seed=20, pads_shut=ramp(12, 6, 1.5), shows="pads-clogged"),
    Scene("two fans, unproven", without=("fan_run", "fan_fault", "pad_pressure_drop"), seed=21,
          fans_lost=ramp(12, 0, 2), shows="fan-capacity-lost"),
    Scene("one fan, by pressure drop", without=("fan_run", "fan_fault"), seed=22,
          fans_lost=ramp(12, 0, 1), shows="fan-capacity-lost"),
    Scene("one fan and a half slip though proven", without=("fan_fault",), seed=28,
          fans_lost=ramp(12, 0, 1.5), shows="fan-capacity-lost"),
    Scene("two fans slip, proven, no pressure drop", without=LOAD, seed=29,
          fans_lost=ramp(12, 0, 2), shows="fan-capacity-lost"),
]  # fmt: skip


GAS_SCENES = [
    Scene("gas", without=LOAD, seed=70, gas_kpa=ramp(14, 0, 220.0)),
    Scene("gas, all sent", without=(), seed=71, gas_kpa=ramp(14, 0, 220.0)),
    Scene("gas, always dry", without=LOAD, seed=72, gas_kpa=ramp(14, 0, 180.0), mode=DRY),
    Scene("gas, always wet", without=LOAD, seed=73, gas_kpa=ramp(14, 0, 260.0), mode=WET,
          mean_degc=26.0),
    Scene("gas, over a week", without=LOAD, seed=74, gas_kpa=ramp(14, 7, 260.0)),
]  # fmt: skip
GAS_LET_OUT = Scene(
    "gas let out after six days", without=LOAD, seed=75,
    gas_kpa=lambda d: 220.0 * ((d > 14) & (d < 20)),
)  # fmt: skip
GAS_WITHOUT_LOAD = Scene("gas, no load sent", seed=76, gas_kpa=ramp(14, 0, 220.0))
BLOCKED_WHILE_WET = Scene(
    "coil blocked at once, days before it runs dry", without=LOAD, seed=46,
    coil_loss=ramp(14.6, 0, 0.45), mode=lambda d, a: 1.0 * ((d > 14.0) & (d < 17.0)),
)  # fmt: skip
MORE_AIR_THAN_FANS = Scene(
    "more air at once than half the proven fans carry", without=("heat_load", "fan_fault"),
    seed=59, fans_lost=ramp(12, 0, 3.2),
)  # fmt: skip
LOAD_LATER = Scene("load from day 14", without=LOAD, load_from_d=14.0, seed=31)
NO_AIRFLOW = [
    Scene(f"all or nothing, no proof of fans, {n}", seed=60 + n, only_whether=True,
          without=("fan_run", "fan_fault"), warmer_k=spell)
    for n in range(3)
]  # fmt: skip
FOUR_WEEKS = [
    *HEALTHY_SCENES, *FAULTY_SCENES, LOAD_LATER, BLOCKED_WHILE_WET, MORE_AIR_THAN_FANS, *NO_AIRFLOW,
    *GAS_SCENES, GAS_LET_OUT, GAS_WITHOUT_LOAD,
]  # fmt: skip

# ---------------------------------------------------------------- near the cut-out

NINETEEN_DAYS = [
    Scene("coil near cut-out", without=LOAD, seed=11, coil_loss=ramp(8, 6, 0.45),
          warmer_k=lambda d: 16.0 * (d > 16)),
    Scene("hot", without=LOAD, seed=11, warmer_k=lambda d: 20.0 * (d > 10)),
    Scene("coil", without=LOAD, seed=11, coil_loss=ramp(8, 6, 0.45)),
]  # fmt: skip
HOT_EVENINGS = [
    Scene("dry pads", seed=18, mean_degc=27.0, effect_loss=ramp(12, 0, 1)),
    Scene("clean", seed=18, mean_degc=27.0),
]

# ---------------------------------------------------------------- wind, and what comes after it

BEGIN_D, GUST_D = 13.0, 8.0 / 24.0


def gust(kelvin, days):
    """Own warm air before the intake for a while; then the wind turns back."""
    return lambda d: kelvin * ((d >= BEGIN_D) & (d < BEGIN_D + days))


def wet_after_the_gust(d, a):
    return np.where(d < BEGIN_D - 1.0, 1.0 * ((d * 24) % 4 < 2), 1.0 * (d >= BEGIN_D + GUST_D))


# Two kelvin make a leap of a quarter in some, and that is believed at once.
SEEDS = range(200, 206)
WET_AFTER = [
    Scene(f"then wet {kelvin} {seed % 200}", without=LOAD, seed=seed, intake_k=gust(kelvin, GUST_D),
          mode=wet_after_the_gust)
    for kelvin in (1.3, 1.5) for seed in SEEDS
]  # fmt: skip
OFF_AFTER = [
    Scene(f"off {seed % 200}", without=LOAD, seed=seed, intake_k=gust(2.0, GUST_D), mode=DRY,
          off=lambda d: 1.0 * ((d > BEGIN_D + GUST_D) & (d < BEGIN_D + GUST_D + 6.0)))
    for seed in SEEDS
]  # fmt: skip
A_DAY = [
    Scene(f"a day {seed % 200}", without=LOAD, seed=seed, intake_k=gust(1.4, 1.0), mode=DRY)
    for seed in SEEDS
]
AT_NIGHT = Scene(
    "one fan slips, dry at night", without=LOAD, seed=207,
    fans_lost=lambda d: 1.0 * (d > BEGIN_D), mode=lambda d, a: 1.0 * (d * 24 % 24 > 11),
)  # fmt: skip

# ---------------------------------------------------------------- wet by the clock


def by_the_clock(d: NDArray[np.float64], ambient: NDArray[np.float64]) -> NDArray[np.float64]:
    hour = (d * 24.0) % 24.0
    return ((hour >= 10.0) & (hour < 19.0)).astype(np.float64)


FOUR_WEEKS_SITES = ["four weeks", "four weeks again", "four weeks once more"]
STEPPED_SITES = [f"stepped fans {k}" for k in range(8)]
"""When a unit's hours turn hangs on its site: the same readings at as many phases of the hour."""

# ---------------------------------------------------------------- the play


@dataclass(frozen=True)
class Lived:
    """What became of a group, by the names of its units."""

    engine: Engine
    rows: Mapping[str, int]
    events: Mapping[str, list[AlarmEvent]]
    baselines: Mapping[str, list[BaselineChange]]

    def raised(self, name: str) -> list[str]:
        """The faults raised of a unit, in order."""
        return [e.fault for e in self.events[name] if e.change is Change.RAISED]


def _sent(scenes: Sequence[Scene], days: float) -> Sent:
    frames = np.stack([measured(s, days) for s in scenes], axis=1)
    n, k, signals = frames.shape
    return Sent([s.name for s in scenes], times_ms(days), frames.reshape(n * k, signals))


@cache
def played() -> dict[str, Lived]:
    """All groups, played once; a test that goes on with a unit leaves the others alone."""
    groups = {
        **dict.fromkeys(FOUR_WEEKS_SITES, _sent(FOUR_WEEKS, 28.0)),
        "nineteen days": _sent(NINETEEN_DAYS, 19.0),
        "hot evenings": _sent(HOT_EVENINGS, 17.0),
        "wind": _sent([*WET_AFTER, *OFF_AFTER, *A_DAY, AT_NIGHT], 21.0),
        "by the clock": _sent([Scene("clean", seed=3, mode=by_the_clock)], 12.0),
        "few of many fans": few_of_many_fans(),
        **dict.fromkeys(STEPPED_SITES, stepped_fans()),
        "cycling fans": cycling_fans(),
    }
    plates: dict[tuple[str, str], dict[str, Any]] = {
        ("nineteen days", "coil near cut-out"): near_cut_out(1020.0),
        ("nineteen days", "hot"): near_cut_out(1020.0),
        ("hot evenings", "dry pads"): near_cut_out(1120.0),
        ("hot evenings", "clean"): near_cut_out(1120.0),
    }
    sites, rows, row, time_ms = [], {}, [], []
    at = 0
    for group, sent in groups.items():
        k, n = len(sent.names), len(sent.times_ms)
        units = [
            unit_data(f"ac-{u}", **{**PLATE, **plates.get((group, name), {})})
            for u, name in enumerate(sent.names)
        ]
        sites.append(site(group.replace(" ", "-"), units))
        rows[group] = dict(zip(sent.names, range(at, at + k), strict=True))
        row.append(np.tile(np.arange(at, at + k, dtype=np.int32), n))
        time_ms.append(np.repeat(sent.times_ms, k))
        at += k
    engine = engine_of(*sites)
    frames = np.concatenate([sent.frames for sent in groups.values()])
    result = engine.samples(0, np.concatenate(row), np.concatenate(time_ms), frames)
    events: list[list[AlarmEvent]] = [[] for _ in range(at)]
    for event in result.events:
        events[event.unit_row].append(event)
    baselines: list[list[BaselineChange]] = [[] for _ in range(at)]
    for change in result.baselines:
        baselines[change.unit_row].append(change)
    return {
        group: Lived(
            engine,
            of,
            {name: events[r] for name, r in of.items()},
            {name: baselines[r] for name, r in of.items()},
        )
        for group, of in rows.items()
    }
