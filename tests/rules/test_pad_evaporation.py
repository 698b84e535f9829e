"""Pads judged by what they evaporate: both meters, an always wet unit, and no heat load.

The plant of ``heat_scenes`` gives weather, fans and head pressure; water is added here by an energy
balance of its own: what cools the air, 1.006 kJ/(kg K), evaporates water at 2440 kJ/kg (latent heat
at 25 °C, handbook value). The float follows the level, the bleed runs with the pump.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pytest
from heat_scenes import AIRFLOW_M3_S, CAPACITY_KW, TD_K, Scene, measured, ramp
from numpy.typing import NDArray
from support.fleet import engine_of, site, unit_data

from rules.engine import Engine
from rules.events import Action, ActionKind, AlarmEvent, Change
from rules.pad_evaporation import LEARNED_HOURS, evaporated_share
from rules.signals import INDEX
from simulator import air

DAYS, FAILS_ON = 10.0, 6.0
EFFECT, AREA_M2, BLEED_L_MIN, MAKEUP_L_MIN = 0.8, 4.0, 3.0, 30.0
STEP_S = 300
START_MS = 1_780_272_000_000
DAY_MS = 86_400_000
WET = Scene("", mode=lambda d, a: 0.0 * d + 1.0, mean_degc=27.0, without=("heat_load",))
SCENES = {
    "clean": WET,
    "clean, in a hot spell": replace(WET, warmer_k=lambda d: 8.0 * (d > FAILS_ON)),
    "more load": replace(WET, more_load=lambda d: 0.3 * (d > FAILS_ON)),
    "pads half dry": replace(WET, effect_loss=ramp(FAILS_ON, 1, 0.6)),
    "coil": replace(WET, coil_loss=ramp(FAILS_ON, 1, 0.5)),
    "a meter that reads half": WET,
    "a meter that reads half, and more load": replace(
        WET, more_load=lambda d: 0.15 * (d > FAILS_ON)
    ),
}
IN_HAND = {
    "nobody's": None, "out of service": ActionKind.OUT_OF_SERVICE,
    "frozen": ActionKind.FREEZE_BASELINE, "shelved": ActionKind.SHELVE,
}  # fmt: skip
"""What is done with clean pads before they have sent anything, for six days."""
LOOKED_AT_BINS = 3 * 288
NAMES = list(SCENES)
PLATE: Final = {
    "fans": {"count": 5, "rated_airflow_m3_s": AIRFLOW_M3_S},
    "condenser": {"refrigerant": "R134a", "rated_capacity_kw": CAPACITY_KW, "rated_td_k": TD_K,
                  "cut_out_kpa_abs": 2000},
    "basin": {"area_m2": AREA_M2, "depth_mm": 350, "float_shut_mm": 172, "float_band_mm": 25,
              "overflow_mm": 260, "pump_minimum_mm": 60, "makeup_max_l_min": MAKEUP_L_MIN},
}  # fmt: skip


def with_water(name: str, seed: int) -> NDArray[np.float64]:
    """The scene's frames every five minutes, with level and meters."""
    scene = replace(SCENES[name], seed=21, without=("heat_load", "pad_pressure_drop"))
    frames = np.repeat(measured(scene, DAYS), 2, axis=0)
    rng = np.random.default_rng(seed)
    days = np.arange(len(frames)) * STEP_S / 86_400.0
    ambient = frames[:, INDEX["ambient_temperature"]]
    bulb = air.wet_bulb_degc(
        ambient, frames[:, INDEX["relative_humidity"]], np.asarray(air.barometric_kpa(0.0))
    )
    effect = EFFECT * (1.0 - scene.effect_loss(days))
    moved_kg_s = 1.16 * AIRFLOW_M3_S * frames[:, INDEX["fan_speed"]] / 100.0
    evaporated = 60.0 * moved_kg_s * 1.006 * effect * (ambient - bulb) / 2440.0
    level = 165.0
    for i, gone in enumerate(evaporated.tolist()):
        made_up = MAKEUP_L_MIN * min(max((172.0 - level) / 25.0, 0.0), 1.0)
        frames[i, INDEX["basin_level"]] = level + 0.4 * rng.standard_normal()
        frames[i, INDEX["makeup_flow"]] = made_up
        frames[i, INDEX["bleed_flow"]] = BLEED_L_MIN
        level += (made_up - gone - BLEED_L_MIN) * STEP_S / 60.0 / AREA_M2
    if name.startswith("a meter that reads half"):
        frames[days > FAILS_ON, INDEX["makeup_flow"]] *= 0.5
    return frames


@pytest.fixture(scope="module")
def lived() -> tuple[Engine, dict[str, list[AlarmEvent]]]:
    """Ten days of the scenes; beside them three days of clean pads that are in people's hands."""
    lives = [with_water(name, seed) for seed, name in enumerate(NAMES)]
    lives += [lives[NAMES.index("clean")][:LOOKED_AT_BINS]] * len(IN_HAND)
    engine = engine_of(site(units=[unit_data(f"ac-{i}", **PLATE) for i in range(len(lives))]))
    for row, act in enumerate(IN_HAND.values(), len(NAMES)):
        if act:
            fault, until_ms = "fan-fault" if act is ActionKind.SHELVE else "", START_MS + 6 * DAY_MS
            engine.act(Action(1, act, row, fault, START_MS, "R. Marsh", "Trial", until_ms))
    counts = [len(frames) for frames in lives]
    time_ms = np.concatenate([np.arange(n, dtype=np.int64) for n in counts]) * STEP_S * 1000
    rows = np.repeat(np.arange(len(lives), dtype=np.int32), counts)
    events: dict[str, list[AlarmEvent]] = {name: [] for name in NAMES}
    for event in engine.samples(0, rows, START_MS + time_ms, np.concatenate(lives)).events:
        if event.unit_row < len(NAMES):
            events[NAMES[event.unit_row]].append(event)
    return engine, events


def of_heat(events: list[AlarmEvent]) -> list[str]:
    return [
        e.fault for e in events
        if e.change is Change.RAISED and e.fault in ("pads-not-wetting", "coil-fouled")
    ]  # fmt: skip


def test_what_clean_pads_evaporate_is_learned_and_stays_what_it_was(lived):
    engine, _ = lived
    assert (engine.state.evaporation_hours[: len(NAMES)] >= LEARNED_HOURS).all()
    share = evaporated_share(engine.state, np.arange(len(NAMES)))
    for name in ("clean", "more load", "coil", "clean, in a hot spell"):
        assert share[NAMES.index(name)] == pytest.approx(1.0, abs=0.15), name
    assert share[NAMES.index("pads half dry")] == pytest.approx(0.4, abs=0.1)


def test_pads_that_evaporate_less_and_cool_less_are_found_without_a_load(lived):
    events = lived[1]["pads half dry"]
    assert of_heat(events) == ["pads-not-wetting"]
    first = next(e for e in events if e.fault == "pads-not-wetting")
    assert first.evidence is not None
    assert "by the meters" in first.evidence.summary
    assert first.evidence.causes[0].slug == "pads-not-wetting"


@pytest.mark.parametrize("who", IN_HAND)
def test_pads_in_peoples_hands_teach_nothing(lived, who):
    row = len(NAMES) + list(IN_HAND).index(who)
    assert (lived[0].state.evaporation_hours[row] > 0) == (who == "nobody's")


@pytest.mark.parametrize(
    ("act", "part", "forgets"),
    [
        (ActionKind.RESET_BASELINE, "pads", True),
        (ActionKind.PROVEN, "pads", True),
        (ActionKind.CLEANED, "pads", False),
        (ActionKind.RESET_BASELINE, "coil", False),
    ],
)
def test_what_pads_brought_when_clean_is_learned_anew_as_a_baseline_is(act, part, forgets):
    engine = engine_of()
    state = engine.state
    state.evaporation_clean[0], state.evaporation_hours[0] = 1.2, LEARNED_HOURS
    state.step_clean[0] = 0.75
    engine.act(Action(1, act, 0, "", START_MS, "R. Marsh", "New pads", parts=(part,)))
    assert (state.evaporation_hours[0] == 0) == forgets
    assert bool(np.isnan([state.evaporation_clean[0], state.step_clean[0]]).all()) == forgets


@pytest.mark.parametrize("name", ["clean", "clean, in a hot spell", "more load", "coil",
                                  "a meter that reads half",
                                  "a meter that reads half, and more load"])  # fmt: skip
def test_nothing_else_is_laid_to_the_pads(lived, name):
    assert "pads-not-wetting" not in of_heat(lived[1][name])
