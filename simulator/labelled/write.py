"""Writes a labelled history to a folder, in pieces that bound the memory it takes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from simulator.faults import Entry
from simulator.fleet import FleetError
from simulator.history import Source
from simulator.labelled.course import DAY_S, Case, Course, plan_course
from simulator.labelled.files import Form, iso_utc, open_samples, write_json
from simulator.labelled.fleet import LabelledFleet, PlateSet, build_fleet, site_toml
from simulator.labelled.truth import Tracker
from simulator.sensors import Frames

__all__ = ["START", "LabelledPlan", "Written", "write_labelled"]

START: Final = datetime(2026, 6, 1, tzinfo=UTC)
"""When every labelled history begins: summer in the north, winter in the south."""

_AT_WORK: Final = "technician"
_CHUNK_SAMPLES = 288
_STEPS_S: Final = (10.0, 600.0)


@dataclass(frozen=True)
class LabelledPlan:
    """What to write: ``units`` 1 to 2000, ``weeks`` 2 to 52, ``step_s`` 10 to 600."""

    units: int = 60
    weeks: int = 8
    seed: int = 1
    step_s: float = 60.0
    form: Form = "parquet"
    plates: PlateSet = "default"

    def check(self) -> None:
        """Raise ``FleetError`` where a figure is outside its range."""
        for name, value, low, high in (
            ("units", self.units, 1, 2000),
            ("weeks", self.weeks, 2, 52),
            ("step", self.step_s, *_STEPS_S),
            ("seed", self.seed, 0, 2**32 - 1),
        ):
            if not low <= value <= high:
                msg = f"--{name} {value:g} must be from {low:g} to {high:g}"
                raise FleetError(msg)


@dataclass(frozen=True)
class Written:
    """What was written. ``unshown`` names planned faults that never acted."""

    rows: int
    labels: tuple[dict[str, Any], ...]
    unshown: tuple[str, ...]
    placeless: tuple[str, ...]


class _Arrivals:
    """Puts the frames that a cut-off site kept back behind its reconnection."""

    def __init__(self, entries: Sequence[Entry], start_s: float, step_s: float) -> None:
        self._cuts = [e for e in entries if e.kind.name == "site-cut-off" and e.keeps_backlog]
        self._start_s, self._step_s = start_s, step_s
        self._kept: list[tuple[int, Frames]] = []

    def order(self, frames: Frames, first: int, samples: int) -> Frames:
        """The frames that arrive within ``samples`` instants from number ``first`` on, in order."""
        arrives = first + frames.sample
        for cut in self._cuts:
            back = int(np.ceil((cut.end_s - self._start_s) / self._step_s))
            mine = frames.kept_back & np.isin(frames.unit_row, cut.rows)
            mine &= (frames.time_ms >= cut.start_s * 1000) & (frames.time_ms < cut.end_s * 1000)
            if mine.any():
                self._kept.append((back, _part(frames, mine)))
                arrives = np.where(mine, -1, arrives)
        parts = [(arrives[arrives >= 0], _part(frames, arrives >= 0))]
        due = [(back, kept) for back, kept in self._kept if back < first + samples]
        self._kept = [(back, kept) for back, kept in self._kept if back >= first + samples]
        parts = [(np.full(len(kept), back), kept) for back, kept in due] + parts
        order = np.argsort(np.concatenate([when for when, _ in parts]), kind="stable")
        return Frames(
            *(np.concatenate([getattr(part, name) for _, part in parts])[order] for name in _PARTS)
        )


_PARTS: Final = ("unit_row", "time_ms", "values", "sample", "kept_back")


def _part(frames: Frames, chosen: np.ndarray[Any, np.dtype[np.bool_]]) -> Frames:
    return Frames(*(getattr(frames, name)[chosen] for name in _PARTS))


def _trackers(case: Case) -> Iterator[Tracker]:
    """What may become the case's labels."""
    row = case.entry.rows[0]
    yield Tracker(case, row, case.entry.kind.shows_as)
    if case.entry.kind.shows_as == "pump-overload":
        # Once its protection has opened for good, all there is to see is a pump that stands.
        yield Tracker(case, row, "pump-not-running")


def _labels(
    trackers: Sequence[Tracker], made: LabelledFleet, until_s: float
) -> Iterator[dict[str, Any]]:
    labelled: set[int] = set()
    for tracker in trackers:
        label = tracker.label(until_s)
        if label is None:
            continue
        unit, case = made.fleet.units[tracker.row], tracker.case
        shown = case.entry.kind.shows_as
        # A pump that its protection has stopped for good: one trouble, whose name is the overload
        # where that could be seen, and either where it could hardly be.
        after = {"follows": shown} if id(case) in labelled else {"accepts": [shown]}
        labelled.add(id(case))
        yield {
            "site": unit.site,
            "unit": unit.unit if tracker.case.row >= 0 else None,
            "fault": label["fault"],
            "start": iso_utc(label["start"]),
            "end": iso_utc(label["end"]),
            "severity": label["severity"],
            "onsets": {name: iso_utc(time_s) for name, time_s in label["onsets"].items()},
            **(after if label["fault"] != shown else {}),
        }


def _healthy(course: Course, made: LabelledFleet) -> Iterator[dict[str, Any]]:
    events = [e for e in course.entries if e.kind.healthy]
    for entry in sorted(events, key=lambda e: (e.start_s, e.rows)):
        for row in entry.rows:
            yield {
                "site": made.fleet.units[row].site,
                "unit": made.fleet.units[row].unit,
                "event": entry.kind.name,
                "start": iso_utc(entry.start_s),
                "end": iso_utc(entry.end_s),
            }


def write_labelled(
    out: Path, plan: LabelledPlan, progress: Callable[[float], None] | None = None
) -> Written:
    """Write the folder ``out``, the same for the same plan.

    Parameters
    ----------
    out : Path
        A directory that does not exist yet or is empty.
    plan : LabelledPlan
        How much of what.
    progress : callable, optional
        Told the share done, 0 to 1, now and then.

    Raises
    ------
    FleetError
        The plan or the folder cannot be used; the text says what to correct.

    """
    plan.check()
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        msg = f"{out} is not an empty directory; choose a new one, nothing has been written"
        raise FleetError(msg)
    made = build_fleet(plan.units, plan.seed, plan.plates)
    start_s = START.timestamp()
    course = plan_course(made, plan.seed, start_s, plan.weeks)
    (out / "sites").mkdir(parents=True, exist_ok=True)
    for data in made.site_files:
        path = out / "sites" / f"{data['id']}.toml"
        path.write_text(site_toml(data), encoding="utf-8")

    trackers = [t for case in course.cases for t in _trackers(case)]
    source = Source(made.fleet, made.scenario, plan.seed)
    source.spin_up(start_s)
    entries = course.entries
    arrivals = _Arrivals(entries, start_s, plan.step_s)
    total = int(plan.weeks * 7 * DAY_S / plan.step_s)
    writer = open_samples(out, plan.form, [(u.site, u.unit) for u in made.fleet.units])
    rows = 0
    try:
        for first in range(0, total, _CHUNK_SAMPLES):
            samples = min(_CHUNK_SAMPLES, total - first)
            begin_s = start_s + first * plan.step_s
            until_s = begin_s + samples * plan.step_s
            now = tuple(e for e in entries if e.start_s < until_s and e.end_s > begin_s)
            now += tuple(e for e in entries if e.kind.column == "unregistered" and e not in now)
            block = source.plant.run(now, begin_s, plan.step_s, samples)
            frames = source.sensors.read(now, block, plan.step_s)
            for tracker in trackers:
                tracker.take(block, source.sensors.last_true, source.plant.plates, plan.step_s)
            arrived = arrivals.order(frames, first, samples)
            writer.write(arrived.time_ms, arrived.unit_row, arrived.values)
            rows += len(arrived)
            if progress is not None:
                progress((first + samples) / total)
    finally:
        writer.close()

    end_s = start_s + total * plan.step_s
    labels = sorted(
        _labels(trackers, made, end_s), key=lambda w: (w["start"], w["site"], str(w["unit"]))
    )
    write_json(out / "faults.json", labels)
    events = list(_healthy(course, made))
    write_json(out / "healthy.json", events)
    away = ({k: v for k, v in e.items() if k != "event"} for e in events if e["event"] == _AT_WORK)
    write_json(out / "out_of_service.json", list(away))
    shown = {id(t.case) for t in trackers if t.label(end_s) is not None}
    unshown = tuple(c.entry.kind.name for c in course.cases if id(c) not in shown)
    return Written(rows, tuple(labels), unshown, course.placeless)
