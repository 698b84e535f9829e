"""Histories in process: what a fleet would have measured between two times, in chunks or as CSV."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

import numpy as np
from numpy.typing import NDArray

from rules.signals import SIGNALS
from simulator.faults import Entry
from simulator.fleet import Fleet, FleetError, read_fleet
from simulator.plant import Plant
from simulator.scenario import Scenario, read_scenario
from simulator.sensors import Frames, Sensors

__all__ = ["HistoryChunk", "Source", "history", "open_source", "truth", "write_csv"]

_CHUNK_SAMPLES = 360
_SPIN_UP_S = 4 * 3600.0
_SPIN_UP_STEP_S = 30.0


@dataclass(frozen=True)
class HistoryChunk:
    """Some frames, in order of time: ``site``, ``unit`` (m,) strings, ``time_ms`` (m,) int64 UTC.

    ``values`` is (m, N_SIGNALS) in catalogue order and units, NaN where not measured; ``unit_row``
    is the unit's place in :attr:`simulator.fleet.Fleet.units`.
    """

    site: NDArray[np.str_]
    unit: NDArray[np.str_]
    time_ms: NDArray[np.int64]
    values: NDArray[np.float64]
    unit_row: NDArray[np.int32]

    def __len__(self) -> int:
        """The number of frames."""
        return len(self.time_ms)


class Source:
    """A running simulation: plant and sensors, asked for one stretch of time after another."""

    def __init__(self, fleet: Fleet, scenario: Scenario, seed: int) -> None:
        """A plant that has not run yet; see :meth:`spin_up`."""
        self.fleet = fleet
        self.scenario = scenario
        self.plant = Plant(fleet, scenario, seed)
        self.sensors = Sensors(fleet, scenario, self.plant, seed)

    def spin_up(self, start_s: float, entries: tuple[Entry, ...] = ()) -> None:
        """Run the plant for some hours before ``start_s`` so that it starts in its daily course."""
        samples = int(_SPIN_UP_S / _SPIN_UP_STEP_S)
        self.plant.run(entries, start_s - samples * _SPIN_UP_STEP_S, _SPIN_UP_STEP_S, samples)

    def measure(
        self, entries: tuple[Entry, ...], start_s: float, step_s: float, samples: int
    ) -> Frames:
        """The frames of ``samples`` instants from ``start_s`` on, ``step_s`` apart."""
        block = self.plant.run(entries, start_s, step_s, samples)
        return self.sensors.read(entries, block, step_s)


def open_source(
    fleet_dir: Path, scenario: Path | Mapping[str, Any] | Scenario | None, seed: int
) -> Source:
    """A simulation of a fleet directory under a scenario (file, its data, or none)."""
    fleet = read_fleet(fleet_dir)
    read = scenario if isinstance(scenario, Scenario) else read_scenario(scenario, fleet)
    return Source(fleet, read, seed)


def history(
    fleet_dir: Path,
    scenario: Path | Mapping[str, Any] | Scenario | None,
    start: datetime,
    end: datetime,
    step_s: float = 60.0,
    seed: int = 1,
    *,
    now: datetime | None = None,
) -> Iterator[HistoryChunk]:
    """What the fleet measures from ``start`` (included) to ``end`` (excluded).

    Parameters
    ----------
    fleet_dir : Path
        Directory with ``sites/*.toml``.
    scenario : Path, mapping, Scenario or None
        A scenario file, its data, one already read, or none: a healthy fleet.
    start, end : datetime
        With time zone.
    step_s : float
        Time between samples. [s, 1 to 3600]
    seed : int
        The same seed and arguments give identical chunks.
    now : datetime, optional
        What the scenario's relative times count from, ``end`` if left out.

    Raises
    ------
    FleetError
        Fleet, scenario or times cannot be used; the text says what to correct.

    """
    if start.tzinfo is None or end.tzinfo is None or start >= end:
        msg = "start and end must carry a time zone, and start must be before end"
        raise FleetError(msg)
    if not 1.0 <= step_s <= 3600.0:
        msg = f"step_s = {step_s:g} must be from 1 to 3600 s"
        raise FleetError(msg)
    source = open_source(fleet_dir, scenario, seed)
    now_s = (now or end).timestamp()
    entries = source.scenario.entries(now_s, now_s)
    return _chunks(source, entries, start.timestamp(), end.timestamp(), step_s)


def _chunks(
    source: Source, entries: tuple[Entry, ...], start_s: float, end_s: float, step_s: float
) -> Iterator[HistoryChunk]:
    sites = np.array([u.site for u in source.fleet.units])
    units = np.array([u.unit for u in source.fleet.units])
    source.spin_up(start_s, entries)
    total = int(np.ceil((end_s - start_s) / step_s))
    for first in range(0, total, _CHUNK_SAMPLES):
        samples = min(_CHUNK_SAMPLES, total - first)
        frames = source.measure(entries, start_s + first * step_s, step_s, samples)
        order = np.argsort(frames.time_ms, kind="stable")
        rows = frames.unit_row[order]
        yield HistoryChunk(
            sites[rows], units[rows], frames.time_ms[order], frames.values[order], rows
        )


def truth(
    fleet_dir: Path, scenario: Path | Mapping[str, Any] | None, now: datetime
) -> list[tuple[str, str, str, str, datetime, datetime | None, float]]:
    """What a watcher ought to find: (site, unit, kind, shows as, start, end or None, severity).

    One row a unit and scenario entry, healthy events included (their "shows as" is empty).
    """
    fleet = read_fleet(fleet_dir)
    now_s = now.timestamp()
    rows = []
    for entry in read_scenario(scenario, fleet).entries(now_s, now_s):
        start = datetime.fromtimestamp(entry.start_s, UTC)
        end = datetime.fromtimestamp(entry.end_s, UTC) if np.isfinite(entry.end_s) else None
        for row in entry.rows:
            unit = fleet.units[row]
            kind = entry.kind
            rows.append(
                (unit.site, unit.unit, kind.name, kind.shows_as, start, end, entry.severity)
            )
    return rows


def write_csv(chunks: Iterator[HistoryChunk], file: TextIO) -> int:
    """Write chunks as CSV with a header (``time``, ``site``, ``unit``, signal names); returns rows.

    Times are UTC in ISO 8601 with milliseconds; an empty cell means not measured.
    """
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(["time", "site", "unit", *(s.name for s in SIGNALS)])
    count = 0
    for chunk in chunks:
        for i in range(len(chunk)):
            moment = datetime.fromtimestamp(int(chunk.time_ms[i]) / 1000.0, UTC)
            cells = ["" if v != v else f"{v:.10g}" for v in chunk.values[i].tolist()]  # noqa: PLR0124  # NaN
            stamp = moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
            writer.writerow([stamp, chunk.site[i], chunk.unit[i], *cells])
        count += len(chunk)
    return count
