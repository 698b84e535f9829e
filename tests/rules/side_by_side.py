"""Scenes of a test side by side: each is a unit of one site, and the engine is run once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from support.fleet import HEALTHY, T0_MS, engine_of, site, unit_data

from rules.engine import Engine
from rules.events import AlarmEvent, BaselineChange
from rules.signals import INDEX, N_SIGNALS

__all__ = ["Columns", "Played", "hour_of", "play", "times_ms", "without_fan_words"]

Columns = Mapping[str, NDArray[np.float64]]
"""What a unit sends: by signal, one value a frame (n,), NaN for none; a signal left out is none."""


@dataclass(frozen=True)
class Played:
    """What became of the scenes, by their names; their units are in the rows in that order."""

    engine: Engine
    events: dict[str, list[AlarmEvent]]
    baselines: dict[str, list[BaselineChange]]

    def of(self, fault: str) -> dict[str, list[AlarmEvent]]:
        """The events of one fault alone."""
        return {n: [e for e in events if e.fault == fault] for n, events in self.events.items()}


def times_ms(count: int, step_s: float) -> NDArray[np.int64]:
    """So many frames, the first of them one step after the tests' beginning of time."""
    return T0_MS + np.arange(1, count + 1, dtype=np.int64) * int(step_s * 1000)


def without_fan_words(
    fan_run: NDArray[np.float64], rng: np.random.Generator
) -> dict[str, NDArray[np.float64]]:
    """A healthy unit that proves its fans so, and sends neither their command nor fault bits."""
    columns = {
        name: np.full(len(fan_run), value) for name, value in HEALTHY.items()
        if name not in ("fan_speed", "fan_fault")
    } | {"fan_run": fan_run}  # fmt: skip
    for name, sd in (("pump_current", 0.02), ("basin_level", 1.0), ("spray_pressure", 0.3),
                     ("conductivity", 3.0), ("head_pressure", 6.0), ("supply_voltage", 1.0),
                     ("ambient_temperature", 0.2), ("relative_humidity", 0.5)):  # fmt: skip
        columns[name] = columns[name] + sd * rng.standard_normal(len(fan_run))
    return columns


def play(
    scenes: Mapping[str, Columns],
    time_ms: NDArray[np.int64],
    plates: Mapping[str, Mapping[str, Any]] | None = None,
) -> Played:
    """Run the scenes; ``plates`` are what a scene's unit has other than the tests' nameplate."""
    names = list(scenes)
    frames = np.full((len(time_ms), len(names), N_SIGNALS), np.nan)
    for u, columns in enumerate(scenes.values()):
        for signal, column in columns.items():
            frames[:, u, INDEX[signal]] = column
    plates = plates or {}
    units = [unit_data(f"ac-{u}", **plates.get(name, {})) for u, name in enumerate(names)]
    engine = engine_of(site(units=units))
    row = np.tile(np.arange(len(names), dtype=np.int32), len(time_ms))
    frame_ms = np.repeat(time_ms, len(names))
    result = engine.samples(0, row, frame_ms, frames.reshape(-1, N_SIGNALS))
    events: dict[str, list[AlarmEvent]] = {name: [] for name in names}
    baselines: dict[str, list[BaselineChange]] = {name: [] for name in names}
    for event in result.events:
        events[names[event.unit_row]].append(event)
    for change in result.baselines:
        baselines[names[change.unit_row]].append(change)
    return Played(engine, events, baselines)


def hour_of(event: AlarmEvent) -> float:
    """Hours since the tests' beginning of time."""
    return (event.time_ms - T0_MS) / 3_600_000
