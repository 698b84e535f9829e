"""Gathering the alarms that recorded samples would have raised."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from gateway.batch import Batch
from gateway.playback import Playback
from rules.engine import Engine
from rules.events import AlarmEvent, Cause, Change, Severity, StepResult

__all__ = ["Episode", "Rerun"]


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
        self._playback = Playback(engine, self._take)
        self._units = units
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
        self._playback.feed(batch)

    def finish(self) -> None:
        """The clock once more, at the step after the last sample."""
        self._playback.finish()

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
