"""The figures: how much was found, how soon, how rightly named, and how often nothing was there.

After S. Frank and others, "A performance evaluation framework for building fault detection and
diagnosis algorithms", Energy and Buildings 192 (2019) 84-92, and "Metrics and methods to assess
building fault detection and diagnosis tools", NREL/TP-5500-72801 (2019); the formulas from memory.
That framework asks two questions before anything is counted. *What is a fault?* Here a condition
that somebody labelled with start and end. *What is an input sample?* For detection and diagnosis
the labelled fault as one case; for the false positive rate the fault-free day of one unit.

- detected: an alarm told rightly of the fault, by its own name or its first cause;
- noticed: any alarm told of it (see :mod:`rules.evaluation.matching`);
- diagnosis: that of the first alarm that told rightly, else of the first that told at all. Of the
  noticed faults the shares correct, misdiagnosed and without diagnosis add up to 1;
- time to detect: first right alarm minus the fault's start;
- missed (false negative rate): 1 minus the share detected.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median
from typing import Any, Final

from rules.evaluation.bearing import without_signals
from rules.evaluation.cases import Alarm, Exposure, Label, Ticket
from rules.evaluation.intervals import Rate, Share
from rules.evaluation.matching import DEFAULT_GRACE_MS, LabelBook, Told, Verdict
from rules.events import Severity
from rules.faults.base import Fault

__all__ = ["NONE", "CaseResult", "Confusion", "Delays", "Outcome", "Scores", "score"]

NONE: Final = "none"
"""In the confusion matrix: no fault was there (row), or nothing was said (column)."""

SCREEN: Final = "pump-screen-clogging"
AT_ONCE_MS: Final = 3_600_000

_DAY_MS: Final = 86_400_000


class Outcome(StrEnum):
    """How a labelled fault fared. The first three add up to the noticed ones."""

    CORRECT = "correct diagnosis"
    MISDIAGNOSED = "misdiagnosed"
    NO_DIAGNOSIS = "no diagnosis"
    MISSED = "missed"


@dataclass(frozen=True)
class CaseResult:
    """One labelled fault and what became of it. Delays are None where there is nothing to tell.

    ``first`` is the first announcement of any kind, ``named`` the first right one. ``tickets``
    counts those opened about it, misdiagnosed ones included.
    """

    label: Label
    first: Told | None
    named: Told | None
    tickets: int

    @property
    def detected(self) -> bool:
        """An alarm named it, by its own fault or by its first cause."""
        return self.named is not None

    @property
    def noticed(self) -> bool:
        """Any alarm told of it."""
        return self.first is not None

    @property
    def diagnosed(self) -> str:
        """What the deciding alarm said was wrong; :data:`NONE` where nothing was said."""
        deciding = self.named or self.first
        return deciding.announcement.diagnosis if deciding else NONE

    @property
    def outcome(self) -> Outcome:
        """Correct, misdiagnosed, without diagnosis, or missed."""
        deciding = self.named or self.first
        if deciding is None:
            return Outcome.MISSED
        if self.diagnosed in self.label.names:
            return Outcome.CORRECT
        causes = deciding.announcement.causes
        if not deciding.right and not any(not cause.ruled_out for cause in causes):
            return Outcome.NO_DIAGNOSIS
        return Outcome.MISDIAGNOSED

    @property
    def delay_s(self) -> float | None:
        """From the fault's start to the first right alarm."""
        return self._since(self.label.start_ms)

    @property
    def delay_from_medium_s(self) -> float | None:
        """The same from when it reached medium severity; negative if it was found before."""
        return self._since(self.label.onset_ms.get(Severity.MEDIUM))

    def _since(self, from_ms: int | None) -> float | None:
        if self.named is None or from_ms is None:
            return None
        return (self.named.announcement.time_ms - from_ms) / 1000.0

    @property
    def before_flow_65(self) -> bool | None:
        """Whether it was found before the flow fell below 65 %; None where that is not labelled."""
        limit_ms = self.label.flow_below_65_ms
        if limit_ms is None:
            return None
        return self.named is not None and self.named.announcement.time_ms < limit_ms


@dataclass(frozen=True)
class Delays:
    """Times to detect, in seconds; the three are None where ``count`` is 0."""

    count: int
    median_s: float | None
    p90_s: float | None
    longest_s: float | None

    @classmethod
    def of(cls, delays: Iterable[float | None]) -> Delays:
        """Of the known ones. The 90th percentile is the smallest that 90 % do not exceed."""
        known = sorted(d for d in delays if d is not None)
        if not known:
            return cls(0, None, None, None)
        at = -(-9 * len(known) // 10) - 1
        return cls(len(known), median(known), known[at], known[-1])

    def to_json(self) -> dict[str, Any]:
        """As plain JSON data."""
        return dict(vars(self))


@dataclass(frozen=True)
class Confusion:
    """Labelled fault (row) against diagnosis (column); ``counts[row][column]``.

    A row's sum is the number of its labels. The row :data:`NONE` holds the false tickets; nothing
    said where nothing was there is not counted, so its own column in that row is empty.
    """

    rows: tuple[str, ...]
    columns: tuple[str, ...]
    counts: tuple[tuple[int, ...], ...]

    @classmethod
    def of(cls, pairs: Iterable[tuple[str, str]], order: Sequence[str]) -> Confusion:
        """From (labelled, diagnosed); ``order`` is that of the catalogue."""
        counted = Counter(pairs)
        place = {name: i for i, name in enumerate(order)}

        def by_place(name: str) -> tuple[bool, int, str]:
            return name == NONE, place.get(name, len(place)), name

        rows = tuple(sorted({row for row, _ in counted}, key=by_place))
        columns = tuple(sorted({column for _, column in counted}, key=by_place))
        return cls(rows, columns, tuple(tuple(counted[r, c] for c in columns) for r in rows))

    def to_json(self) -> dict[str, Any]:
        """As plain JSON data."""
        return {"rows": self.rows, "columns": self.columns, "counts": self.counts}


@dataclass(frozen=True)
class Scores:
    """Everything counted. ``alarm_verdicts`` and ``ticket_verdicts`` go with the given lists."""

    grace_ms: int
    exposure: Exposure
    cases: tuple[CaseResult, ...]
    alarm_verdicts: tuple[Verdict, ...]
    ticket_verdicts: tuple[Verdict, ...]
    ticket_labels: tuple[tuple[int, ...], ...]
    """By ticket, the numbers of the labels that it tells of."""
    confusion: Confusion
    without_signals: Mapping[int, tuple[str, ...]]
    """By number of the label, the signals that its fault needs and its unit never sent."""
    fault_free_days: Share
    """Unit-days without any fault (total), and those of them on which an alarm was raised."""

    # ------------------------------------------------------------------ shares of cases

    def share(
        self,
        hit: Callable[[CaseResult], bool],
        of: Callable[[CaseResult], bool] = lambda _case: True,
    ) -> Share:
        """The share of cases that are ``hit`` among those ``of`` which it is asked."""
        asked = [case for case in self.cases if of(case)]
        return Share(sum(hit(case) for case in asked), len(asked))

    @property
    def detection(self) -> Share:
        """Detected, of all labelled faults."""
        return self.share(_detected)

    @property
    def detection_medium_up(self) -> Share:
        """Detected, of those of medium severity and up."""
        return self.share(_detected, _medium_up)

    @property
    def unseen_medium_up(self) -> Share:
        """Of those of medium severity and up: faults that no signal of their unit bears on.

        They stay in all other figures (:mod:`rules.evaluation.bearing`).
        """
        return self.share(lambda case: case.label.number in self.without_signals, _medium_up)

    @property
    def noticed(self) -> Share:
        """Told of by any alarm, of all."""
        return self.share(_noticed)

    def by_severity(self, hit: Callable[[CaseResult], bool]) -> dict[Severity, Share]:
        """A share for each severity that occurs, low to high."""
        grades = sorted({case.label.severity for case in self.cases})

        def of_grade(grade: Severity) -> Callable[[CaseResult], bool]:
            return lambda case: case.label.severity is grade

        return {grade: self.share(hit, of_grade(grade)) for grade in grades}

    @property
    def diagnosis(self) -> dict[Outcome, Share]:
        """Of the noticed faults: correct, misdiagnosed, without diagnosis."""

        def is_outcome(outcome: Outcome) -> Callable[[CaseResult], bool]:
            return lambda case: case.outcome is outcome

        told = (Outcome.CORRECT, Outcome.MISDIAGNOSED, Outcome.NO_DIAGNOSIS)
        return {outcome: self.share(is_outcome(outcome), _noticed) for outcome in told}

    @property
    def correct_of_detected(self) -> Share:
        """Right first cause, of the detected faults."""
        return self.share(lambda c: c.outcome is Outcome.CORRECT, _detected)

    @property
    def correct_of_detected_medium_up(self) -> Share:
        """Right first cause, of the detected faults of medium severity and up."""
        return self.share(
            lambda c: c.outcome is Outcome.CORRECT, lambda c: c.detected and _medium_up(c)
        )

    @property
    def screen_before_65(self) -> Share:
        """Screen clogging found before the flow fell below 65 %, of those that came so far."""
        return self.share(
            lambda c: bool(c.before_flow_65),
            lambda c: c.label.fault == SCREEN and c.before_flow_65 is not None,
        )

    @property
    def screen_at_once(self) -> Share:
        """Those of :attr:`screen_before_65` that were that far within an hour of their start.

        No rule can tell these before; they count all the same.
        """
        return self.share(
            lambda c: (c.label.flow_below_65_ms or 0) - c.label.start_ms < AT_ONCE_MS,
            lambda c: c.label.fault == SCREEN and c.before_flow_65 is not None,
        )

    def by_fault(self) -> dict[str, tuple[CaseResult, ...]]:
        """The cases of each labelled fault, in order of the confusion matrix's rows."""
        return {
            fault: cases
            for fault in self.confusion.rows
            if (cases := tuple(c for c in self.cases if c.label.fault == fault))
        }

    # ------------------------------------------------------------------ times, false ones

    @property
    def delays(self) -> Delays:
        """Time to detect from the fault's start."""
        return Delays.of(case.delay_s for case in self.cases)

    @property
    def delays_from_medium(self) -> Delays:
        """Time to detect from when it reached medium severity, where that is labelled."""
        return Delays.of(case.delay_from_medium_s for case in self.cases)

    @property
    def false_alarms(self) -> Rate:
        """False alarms per unit-month."""
        return Rate(self.alarm_verdicts.count(Verdict.FALSE), self.exposure.unit_months)

    @property
    def false_tickets(self) -> Rate:
        """False tickets per unit-month."""
        return Rate(self.ticket_verdicts.count(Verdict.FALSE), self.exposure.unit_months)

    @property
    def tickets_per_fault(self) -> float | None:
        """Tickets about each detected or noticed fault, in the mean."""
        told = [case.tickets for case in self.cases if case.noticed]
        return sum(told) / len(told) if told else None


def score(
    labels: Sequence[Label],
    alarms: Sequence[Alarm],
    tickets: Sequence[Ticket],
    exposure: Exposure,
    *,
    order: Sequence[str],
    grace_ms: int = DEFAULT_GRACE_MS,
    catalogue: Mapping[str, Fault] | None = None,
    sent: Mapping[tuple[str, str], Collection[str]] | None = None,
) -> Scores:
    """Count everything.

    Parameters
    ----------
    labels, alarms, tickets
        What was there and what was said. Labels have distinct numbers; those that follow from
        another fault are no cases.
    exposure
        What was watched.
    order
        The catalogue's faults, in the order in which tables name them. Other alarms are not judged.
    grace_ms
        How long after its end a fault still counts as there.
    catalogue, sent
        The faults by slug, and the signals that each (site, unit) ever sent: for the count of
        faults that no signal bears on. Left out, nothing is said of that.
    """
    book = LabelBook(labels, grace_ms, order)
    judged_tickets = [book.judge_ticket(ticket) for ticket in tickets]
    about: Counter[int] = Counter(
        label.number
        for verdict, found in judged_tickets
        if verdict is not Verdict.FALSE
        for label in found
    )
    cases = tuple(
        CaseResult(
            label,
            said[0] if said else None,
            next((told for told in said if told.right), None),
            about[label.number],
        )
        for label, said in _with_said(labels, book.told(alarms))
        if not label.follows
    )
    false = [
        (NONE, ticket.diagnosis)
        for ticket, (verdict, _) in zip(tickets, judged_tickets, strict=True)
        if verdict is Verdict.FALSE
    ]
    return Scores(
        grace_ms=grace_ms,
        exposure=exposure,
        cases=cases,
        alarm_verdicts=tuple(book.judge_alarm(alarm)[0] for alarm in alarms),
        ticket_verdicts=tuple(verdict for verdict, _ in judged_tickets),
        ticket_labels=tuple(tuple(x.number for x in found) for _, found in judged_tickets),
        confusion=Confusion.of([(c.label.fault, _said(c)) for c in cases] + false, order),
        without_signals=without_signals(labels, sent or {}, catalogue or {}),
        fault_free_days=_fault_free_days(book, alarms, exposure),
    )


def _said(case: CaseResult) -> str:
    """What was said of a case; another name that is as right counts as its own."""
    return case.label.fault if case.outcome is Outcome.CORRECT else case.diagnosed


def _with_said(
    labels: Sequence[Label], told: Mapping[int, list[Told]]
) -> Iterable[tuple[Label, list[Told]]]:
    return ((label, told[label.number]) for label in labels)


def _fault_free_days(book: LabelBook, alarms: Sequence[Alarm], exposure: Exposure) -> Share:
    """Days of 24 hours of each unit from its first sample on, whole ones only."""
    raised: dict[tuple[str, str], list[int]] = {}
    for alarm in alarms:
        raised.setdefault((alarm.site, alarm.unit), []).append(alarm.raised_ms)
    alarmed = total = 0
    for (site, unit), (first_ms, last_ms) in exposure.watched_ms.items():
        days = (last_ms - first_ms) // _DAY_MS
        bad = {(time_ms - first_ms) // _DAY_MS for time_ms in raised.get((site, unit), ())}
        for day in range(days):
            start_ms = first_ms + day * _DAY_MS
            if not book.overlapping(site, unit, start_ms, start_ms + _DAY_MS - 1):
                total += 1
                alarmed += day in bad
    return Share(alarmed, total)


def _detected(case: CaseResult) -> bool:
    return case.detected


def _noticed(case: CaseResult) -> bool:
    return case.noticed


def _medium_up(case: CaseResult) -> bool:
    return case.label.severity >= Severity.MEDIUM
