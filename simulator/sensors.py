"""What the instruments make of the true state: noise, resolution, freezing, gaps, wrong clocks.

Figures of noise are what ordinary industrial instruments show (common practice); small motors carry
several per cent on their current.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rules.signals import INDEX, N_SIGNALS, SIGNALS
from simulator.faults import Entry, severity_at
from simulator.fleet import Fleet
from simulator.noise import uniform_of
from simulator.plant import Plant, PlantBlock
from simulator.scenario import Scenario

__all__ = ["Frames", "Sensors"]

FloatArray = NDArray[np.float64]

_MESSAGE_LOSS = 0.0005
_READING_LOSS = 0.0002

# Resolution in the catalogue's unit.
_RESOLUTION: Final[dict[str, float]] = {
    "basin_level": 1.0,
    "conductivity": 1.0,
    "basin_temperature": 0.1,
    "pump_current": 0.01,
    "supply_voltage": 0.5,
    "spray_pressure": 0.1,
    "spray_flow": 0.5,
    "head_pressure": 1.0,
    "ambient_temperature": 0.1,
    "relative_humidity": 0.5,
    "fan_speed": 0.5,
    "makeup_flow": 0.1,
    "bleed_flow": 0.05,
    "pad_pressure_drop": 0.5,
    "heat_load": 1.0,
}


@dataclass(frozen=True)
class Frames:
    """What arrived, or would: (m,) rows, times and flags, values (m, N_SIGNALS), NaN where absent.

    ``sample`` is the number of the instant within the block, from 0, whatever the clock says.
    ``kept_back`` marks frames measured while the site was cut off and able to keep its readings:
    they are published when the connection is back.
    """

    unit_row: NDArray[np.int32]
    time_ms: NDArray[np.int64]
    values: FloatArray
    sample: NDArray[np.int64]
    kept_back: NDArray[np.bool_]

    def __len__(self) -> int:
        """The number of frames."""
        return len(self.unit_row)


class Sensors:
    """The instruments of a fleet, with their random numbers and the readings they are stuck at."""

    def __init__(self, fleet: Fleet, scenario: Scenario, plant: Plant, seed: int) -> None:
        """Draw from the seed how each instrument differs from its kin."""
        self._fleet = fleet
        self._plant = plant
        n = len(fleet.units)
        self._present = np.zeros((n, N_SIGNALS), dtype=bool)
        for row, names in enumerate(scenario.signals):
            self._present[row, [INDEX[name] for name in names]] = True
        self._rng = np.random.default_rng([seed, 0x5E])
        self._loss_rng = np.random.default_rng([seed, 0x10])
        self._phase = np.array([uniform_of(seed, "phase", u.key, 0.0, 0.8) for u in fleet.units])
        rated = plant.plates.rated_current_a
        base = np.where(rated < 2.0, 0.035, np.where(rated < 5.0, 0.022, 0.012))
        spread = [uniform_of(seed, "current noise", u.key, 0.7, 1.3) for u in fleet.units]
        self._current_noise = base * np.array(spread)
        offsets = [uniform_of(seed, "pressure offset", u.key, -8.0, 8.0) for u in fleet.units]
        self._pressure_offset = np.array(offsets)
        self._noise_factor = scenario.nature.noise
        self.last_true = np.empty((0, n, N_SIGNALS))
        """Noise-free readings of the block read last, (k, n, N_SIGNALS)."""
        self._stuck: dict[tuple[float, str, int], float] = {}

    def _true(self, block: PlantBlock) -> FloatArray:
        """Noise-free readings, (k, n, N_SIGNALS)."""
        plates = self._plant.plates
        values = np.full((*block.level_mm.shape, N_SIGNALS), np.nan)
        for name, column in (
            ("basin_level", block.level_mm),
            # A probe that the water has left shows next to nothing.
            ("conductivity", block.probe_us_cm * np.clip((block.level_mm - 12) / 15, 0, 1)),
            ("basin_temperature", block.basin_degc),
            ("pump_current", block.current_a),
            ("supply_voltage", block.voltage_v),
            ("spray_pressure", block.discharge_kpa),
            ("spray_flow", block.flow_frac * plates.rated_flow_l_min),
            ("head_pressure", block.head_kpa_abs + self._pressure_offset),
            ("ambient_temperature", block.ambient_degc),
            ("relative_humidity", block.rh_pct),
            ("fan_speed", 100.0 * block.fan_speed_frac),
            ("fan_run", block.fan_run),
            ("fan_fault", block.fan_fault),
            ("pump_command", block.pump_command),
            ("wet_mode", block.wet_mode),
            ("makeup_flow", block.makeup_l_min),
            ("bleed_flow", block.bleed_l_min),
            (
                "pad_pressure_drop",
                55.0
                * block.airflow_frac**1.8
                * (1.0 + 0.15 * block.wetness)
                * block.pad_resistance,
            ),
            ("heat_load", block.load_kw),
        ):
            values[:, :, INDEX[name]] = column
        return values

    def _noise(self, block: PlantBlock, values: FloatArray) -> FloatArray:
        """Standard normals scaled to each instrument, (k, n, N_SIGNALS)."""
        scale = np.zeros_like(values)
        rough = 1.0 + 5.0 * block.air_frac * block.running  # air in the water shakes everything
        running = block.running

        def put(name: str, spread: NDArray[np.floating[Any]] | float) -> None:
            scale[:, :, INDEX[name]] = spread

        put("basin_level", 0.4 + 1.0 * running * rough)
        put("conductivity", 3.0 + 0.004 * block.probe_us_cm)
        put("basin_temperature", 0.08)
        put("pump_current", block.current_a * self._current_noise * np.minimum(rough, 4.0))
        put("supply_voltage", 0.003 * block.voltage_v)
        put("spray_pressure", running * (0.2 + 0.018 * block.discharge_kpa * rough))
        put("spray_flow", running * 0.012 * self._plant.plates.rated_flow_l_min * rough)
        put("head_pressure", 2.0 + 0.0015 * block.head_kpa_abs)
        put("ambient_temperature", 0.1)
        put("relative_humidity", 0.8)
        put("fan_speed", 0.6 * (block.fan_speed_frac > 0.0))
        put("makeup_flow", 0.02 * block.makeup_l_min)
        put("bleed_flow", 0.02 * block.bleed_l_min)
        put("pad_pressure_drop", 1.5 * (block.airflow_frac > 0.0))
        put("heat_load", 0.015 * block.load_kw)
        return np.asarray(self._noise_factor * scale * self._rng.standard_normal(values.shape))

    def _finish(self, values: FloatArray) -> FloatArray:
        """Quantise, hold inside what an instrument can show, and blank what is not installed."""
        for name, step in _RESOLUTION.items():
            column = values[:, :, INDEX[name]]
            values[:, :, INDEX[name]] = np.round(np.round(column / step) * step, 3)
        low = np.array([s.low for s in SIGNALS])
        high = np.array([min(s.high, 100.0) if s.name == "fan_speed" else s.high for s in SIGNALS])
        values = np.minimum(np.maximum(values, low), high)
        return np.where(self._present, values, np.nan)

    def _spoil(self, entries: Sequence[Entry], block: PlantBlock, values: FloatArray) -> None:
        """Frozen and impossible readings, in place."""
        for entry in entries:
            if entry.kind.target != "sensor":
                continue
            active = severity_at(entry, block.time_s) > 0.0
            column = INDEX[entry.signal]
            for row in entry.rows:
                if entry.kind.column in ("out_of_range", "blank"):
                    blank = entry.kind.column == "blank"
                    values[active, row, column] = np.nan if blank else entry.value
                    continue
                key = (entry.start_s, entry.signal, row)
                if active.any():
                    first = values[int(np.argmax(active)), row, column]
                    values[active, row, column] = self._stuck.setdefault(key, float(first))

    def read(self, entries: Sequence[Entry], block: PlantBlock, sample_step_s: float) -> Frames:
        """The frames that the units measured in a block, in order of time then unit."""
        self.last_true = self._true(block)
        values = self.last_true + self._noise(block, self.last_true)
        values = self._finish(values)
        self._spoil(entries, block, values)

        k, n = block.level_mm.shape
        losses = self._loss_rng.random((k, n, N_SIGNALS + 2))
        values[losses[:, :, :N_SIGNALS] < _READING_LOSS] = np.nan
        lost_share = np.full((k, n), _MESSAGE_LOSS)
        silent = np.zeros((k, n), dtype=bool)
        kept = np.zeros((k, n), dtype=bool)
        clock_s = np.zeros((k, n))
        for entry in entries:
            if entry.kind.target != "telemetry":
                continue
            severity = severity_at(entry, block.time_s)
            active = severity > 0.0
            rows = list(entry.rows)
            if entry.kind.column == "dropout":
                lost_share[:, rows] = np.maximum(lost_share[:, rows], severity[:, None])
            elif entry.kind.column == "unregistered":
                silent[:, rows] |= ~active[:, None]
            elif entry.kind.column == "clock":
                clock_s[:, rows] += np.where(active, entry.value, 0.0)[:, None]
            elif entry.keeps_backlog:
                kept[:, rows] |= active[:, None]
            else:
                silent[:, rows] |= active[:, None]
        silent |= losses[:, :, N_SIGNALS] < lost_share

        span_s = min(sample_step_s, 10.0)
        jitter_s = 0.15 * losses[:, :, N_SIGNALS + 1]
        offset_s = (0.8 * self._phase + jitter_s) * span_s
        time_ms = np.floor((block.time_s[:, None] + offset_s + clock_s) * 1000.0).astype(np.int64)
        present = ~silent & np.isfinite(values).any(axis=2)
        rows_of = np.broadcast_to(np.arange(n, dtype=np.int32), (k, n))
        samples = np.broadcast_to(np.arange(k)[:, None], (k, n))
        return Frames(
            rows_of[present], time_ms[present], values[present], samples[present], kept[present]
        )
