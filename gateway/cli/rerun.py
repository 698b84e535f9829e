"""Feeding recorded samples through the rules and gathering the alarms that they would have raised.

The receiver's clock is part of the rules' input (silence is judged by it), so it is played along:
once in ten seconds of recorded time, and once an hour in what goes beyond two days without any
sample (the engine does not count so long a step as time spent listening).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np

from gateway.batch import Batch
from rules.engine import Engine
from rules.events import AlarmEvent, Cause, Change, Severity, StepResult

__all__ = ["Episode", "Rerun"]

_CLOCK_STEP_MS: Final = 10_000
"""Silence is judged to within one step; the running gateway's clock ticks every few seconds too."""

_LONG_GAP_MS: Final = 48 * 3_600_000  # longer than any silence that a setting may allow
_GAP_STEP_MS: Final = 3_600_000


@dataclass
class Episode:
    """One alarm from its raise until its condition went away."""

    site: str
    unit: str
    fault: str
    raised_ms: int
    onset_ms: int
    severity: Severity
    summary: str = ""
    confidence: float | None = None
    causes: tuple[Cause, ...] = ()
    returned_ms: int | None = None

    @property
    def cause(self) -> Cause | None:
        """The cause that fits best and is not ruled out."""
        fitting = [c for c in self.causes if not c.ruled_out]
        return max(fitting, key=lambda c: c.agreement) if fitting else None

    def to_json(self) -> dict[str, Any]:
        """The episode as plain JSON data; times in ms since 1970, UTC."""
        return {
            "site": self.site,
            "unit": self.unit,
            "fault": self.fault,
            "severity": self.severity.name.lower(),
            "onset_ms": self.onset_ms,
            "raised_ms": self.raised_ms,
            "returned_ms": self.returned_ms,
            "summary": self.summary,
            "confidence": self.confidence,
            "causes": [
                {
                    "slug": c.slug,
                    "title": c.title,
                    "agreement": c.agreement,
                    "ruled_out": c.ruled_out,
                }
                for c in self.causes
            ],
        }


class Rerun:
    """One pass of recorded samples through an engine."""

    def __init__(self, engine: Engine, units: Mapping[int, tuple[str, str]]) -> None:
        """``units`` names site and unit of each of the engine's rows."""
        self._engine = engine
        self._units = units
        self._clock_ms: int | None = None
        self._open: dict[tuple[int, str], Episode] = {}
        self.episodes: list[Episode] = []
        self.late_frames = 0
        self.samples = 0
        self.first_ms: int | None = None
        self.last_ms: int | None = None

    def feed(self, batch: Batch) -> None:
        """Samples in order of time, none older than those fed before."""
        if not len(batch):
            return
        self.samples += len(batch)
        if self.first_ms is None:
            self.first_ms = int(batch.time_ms[0])
        self.last_ms = int(batch.time_ms[-1])
        step = batch.time_ms // _CLOCK_STEP_MS
        cuts = [0, *(np.flatnonzero(np.diff(step)) + 1).tolist(), len(batch)]
        for start, end in pairwise(cuts):
            self._tick_to(int(step[start]) * _CLOCK_STEP_MS)
            self._take(
                self._engine.samples(
                    int(batch.time_ms[end - 1]),
                    batch.unit_row[start:end],
                    batch.time_ms[start:end],
                    batch.values[start:end],
                )
            )

    def finish(self) -> None:
        """The clock once more, at the step after the last sample."""
        if self.last_ms is not None:
            self._tick_to((self.last_ms // _CLOCK_STEP_MS + 1) * _CLOCK_STEP_MS)

    def _tick_to(self, until_ms: int) -> None:
        if self._clock_ms is None:
            self._clock_ms = until_ms
            self._take(self._engine.clock(until_ms))
            return
        gap_from_ms = self._clock_ms
        while self._clock_ms < until_ms:
            in_long_gap = self._clock_ms - gap_from_ms >= _LONG_GAP_MS
            step_ms = _GAP_STEP_MS if in_long_gap else _CLOCK_STEP_MS
            self._clock_ms = min(self._clock_ms + step_ms, until_ms)
            self._take(self._engine.clock(self._clock_ms))

    def _take(self, result: StepResult) -> None:
        self.late_frames += result.late_frames
        self._gather(result.events)

    def _gather(self, events: Iterable[AlarmEvent]) -> None:
        for event in events:
            key = (event.unit_row, event.fault)
            episode = self._open.get(key)
            if event.change is Change.RAISED and episode is None:
                site, unit = self._units[event.unit_row]
                episode = Episode(
                    site, unit, event.fault, event.time_ms, event.onset_ms, event.severity
                )
                self._open[key] = episode
                self.episodes.append(episode)
            if episode is None:
                continue
            episode.severity = max(episode.severity, event.severity)
            if event.evidence is not None:
                episode.summary = event.evidence.summary
                episode.confidence = event.evidence.confidence
                episode.causes = event.evidence.causes
            if event.change in {Change.RETURNED, Change.SUPPRESSED, Change.RESET}:
                episode.returned_ms = event.time_ms
                del self._open[key]
