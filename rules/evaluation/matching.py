"""Which alarm belongs to which fault, said openly, since every figure hangs on it.

An alarm **tells of** a labelled fault if it speaks (is raised, or gets worse) on the fault's unit
from the fault's start until the grace after its end. What it says is then

- *right* if the alarm's own fault or its diagnosis is the labelled one, or one that the label
  accepts as another name of the same state;
- a *misdiagnosis* if neither is: a consequence of the fault that was taken for something else. It
  is no false alarm, because something was wrong with the machine and a person would have found it;
- *false* if no labelled fault was there, or only one that cannot be its reason: a fault of the
  link (:data:`rules.evaluation.cases.LINK_FAULTS`) never makes the machine ill, nor the reverse.

An alarm of a site's own rule is not judged, unless the labels know its name: what its author meant
cannot be told from them.

Where several faults overlap, what is right for one of them is not held against the others.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from rules.evaluation.cases import LINK_FAULTS, Alarm, Announcement, Label, Ticket

__all__ = ["DEFAULT_GRACE_MS", "LabelBook", "Told", "Verdict"]

DEFAULT_GRACE_MS: Final = 3_600_000
"""One hour: longer than most delays of alarms, shorter than what would hide a false one."""


class Verdict(StrEnum):
    """What an alarm or a ticket was worth."""

    RIGHT = "right"
    MISDIAGNOSIS = "misdiagnosis"
    FALSE = "false"
    NOT_JUDGED = "not judged"


@dataclass(frozen=True)
class Told:
    """An announcement that tells of a label. ``right``: it names the labelled fault."""

    alarm: Alarm
    announcement: Announcement
    right: bool


class LabelBook:
    """The labelled faults, found by unit and time."""

    def __init__(
        self,
        labels: Iterable[Label],
        grace_ms: int = DEFAULT_GRACE_MS,
        catalogue: Collection[str] | None = None,
    ) -> None:
        """``grace_ms`` after its end a fault still counts as there.

        ``catalogue`` holds the faults whose alarms are judged beside those that the labels name;
        None: all are.
        """
        self.labels = tuple(labels)
        self._judged = None if catalogue is None else {*catalogue, *(x.fault for x in self.labels)}
        self.grace_ms = grace_ms
        self._by_site: dict[str, list[Label]] = defaultdict(list)
        for label in self.labels:
            self._by_site[label.site].append(label)

    def active(self, site: str, unit: str, time_ms: int) -> list[Label]:
        """The faults of a unit, or of its site, that are there at a time."""
        return [
            label
            for label in self._by_site.get(site, ())
            if label.concerns(site, unit) and label.active(time_ms, self.grace_ms)
        ]

    def overlapping(self, site: str, unit: str, start_ms: int, end_ms: int) -> bool:
        """Whether any fault of the unit, grace included, touches a stretch of time."""
        return any(
            label.concerns(site, unit)
            and label.start_ms <= end_ms
            and (label.end_ms is None or label.end_ms + self.grace_ms >= start_ms)
            for label in self._by_site.get(site, ())
        )

    def judge(
        self, site: str, unit: str, time_ms: int, fault: str, diagnosis: str
    ) -> tuple[Verdict, tuple[Label, ...]]:
        """What was said of a unit at a time, and the labels that it tells of."""
        if self._judged is not None and fault not in self._judged:
            return Verdict.NOT_JUDGED, ()
        there = self.active(site, unit, time_ms)
        right = tuple(label for label in there if not label.names.isdisjoint((fault, diagnosis)))
        if right:
            return Verdict.RIGHT, right
        link = fault in LINK_FAULTS
        possible = tuple(label for label in there if (label.fault in LINK_FAULTS) is link)
        return (Verdict.MISDIAGNOSIS if possible else Verdict.FALSE), possible

    def judge_alarm(self, alarm: Alarm) -> tuple[Verdict, tuple[Label, ...]]:
        """The verdict on an alarm, at the moment it was raised."""
        first = alarm.announcements[0]
        return self.judge(alarm.site, alarm.unit, first.time_ms, alarm.fault, first.diagnosis)

    def judge_ticket(self, ticket: Ticket) -> tuple[Verdict, tuple[Label, ...]]:
        """The verdict on a ticket, at the moment it was opened."""
        return self.judge(
            ticket.site, ticket.unit, ticket.opened_ms, ticket.fault, ticket.diagnosis
        )

    def told(self, alarms: Sequence[Alarm]) -> dict[int, list[Told]]:
        """By label number, what was said of it, in order of time."""
        found: dict[int, list[Told]] = {label.number: [] for label in self.labels}
        for alarm in alarms:
            for announcement in alarm.announcements:
                for number, right in self._labels_of(alarm, announcement):
                    found[number].append(Told(alarm, announcement, right))
        for said in found.values():
            said.sort(key=lambda t: t.announcement.time_ms)
        return found

    def _labels_of(self, alarm: Alarm, announcement: Announcement) -> Iterator[tuple[int, bool]]:
        verdict, labels = self.judge(
            alarm.site, alarm.unit, announcement.time_ms, alarm.fault, announcement.diagnosis
        )
        for label in () if verdict is Verdict.FALSE else labels:
            yield label.number, verdict is Verdict.RIGHT
