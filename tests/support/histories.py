"""Simulated histories of the demonstration fleet, and the rules run over them."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import simulator
from rules.engine import Engine
from rules.equipment import Overrides, Site
from rules.events import AlarmEvent, StepResult
from rules.plan import FleetPlan
from simulator.history import history
from support.fleet import rows_of

FLEET_DIR = Path(simulator.__file__).parent / "demo_fleet"
END = datetime(2026, 7, 20, 12, tzinfo=UTC)


def demo_sites() -> tuple[Site, ...]:
    """The sites of the demonstration fleet, in order of their files."""
    files = sorted((FLEET_DIR / "sites").glob("*.toml"))
    return tuple(Site.model_validate(tomllib.loads(f.read_text())) for f in files)


def demo_settings() -> Overrides:
    """The fleet-wide settings of the demonstration."""
    settings: Overrides = tomllib.loads((FLEET_DIR / "fleet.toml").read_text()).get("settings", {})
    return settings


@dataclass(frozen=True)
class Recording:
    """Frames in order of time: ``row`` (n,), ``time_ms`` (n,), ``values`` (n, signals)."""

    row: NDArray[np.int32]
    time_ms: NDArray[np.int64]
    values: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.row)

    def part(self, index: Any) -> Recording:
        """Some of the frames."""
        return Recording(self.row[index], self.time_ms[index], self.values[index])


def chunks(
    sites: tuple[Site, ...],
    scenario: Path | Mapping[str, Any] | None,
    *,
    days: float,
    step_s: float,
    seed: int = 1,
    end: datetime = END,
) -> Iterator[Recording]:
    """What the fleet would have measured, chunk by chunk."""
    rows = rows_of(sites)
    for chunk in history(FLEET_DIR, scenario, end - timedelta(days=days), end, step_s, seed):
        keys = zip(chunk.site.tolist(), chunk.unit.tolist(), strict=True)
        row = np.array([rows[key] for key in keys], dtype=np.int32)
        yield Recording(row, chunk.time_ms, chunk.values)


def joined(parts: Iterator[Recording]) -> Recording:
    """All chunks as one recording."""
    kept = list(parts)
    return Recording(
        np.concatenate([p.row for p in kept]),
        np.concatenate([p.time_ms for p in kept]),
        np.concatenate([p.values for p in kept]),
    )


def new_engine(sites: tuple[Site, ...], settings: Overrides | None = None) -> Engine:
    """An engine over the sites, rows in order."""
    return Engine(FleetPlan.build(sites, rows_of(sites), settings or {}))


def feed(engine: Engine, part: Recording) -> StepResult:
    """One batch of frames through an engine."""
    return engine.samples(0, part.row, part.time_ms, part.values)


def in_order(events: list[AlarmEvent]) -> list[AlarmEvent]:
    """Events in one fixed order, for comparing runs that cut time differently."""
    return sorted(events, key=lambda e: (e.unit_row, e.time_ms, e.fault, e.change.value))
