"""The evaluation as JSON data: the figures, every labelled fault, every alarm, every ticket.

Times are ISO 8601 in UTC, durations are in seconds, shares 0 to 1.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import Any

from gateway.evaluation.folder import Folder
from gateway.evaluation.run import Run
from rules.alarm_figures import AlarmFigures, alarm_figures
from rules.evaluation.cases import Alarm, Ticket
from rules.evaluation.scoring import CaseResult, Outcome, Scores
from rules.events import Cause

__all__ = ["alarm_performance", "figures", "iso", "to_json"]


def iso(time_ms: int | None) -> str | None:
    """A time as '2026-03-01T12:00:00Z', with milliseconds where it has any."""
    if time_ms is None:
        return None
    moment = datetime.fromtimestamp(time_ms / 1000, UTC)
    spec = "milliseconds" if time_ms % 1000 else "seconds"
    return moment.isoformat(timespec=spec).replace("+00:00", "Z")


def to_json(folder: Folder, run: Run, scores: Scores) -> dict[str, Any]:
    """Everything, as plain data."""
    samples = folder.samples
    names = {row: key for key, row in folder.rows.items()}
    return {
        "folder": str(folder.path),
        "from": iso(int(samples.arrived_ms[0])),
        "to": iso(int(samples.arrived_ms[-1])),
        "grace_s": scores.grace_ms / 1000,
        "samples": {
            "rows": samples.rows,
            "judged": len(samples),
            "empty": samples.empty_rows,
            "late": run.late_frames,
            "values_refused": [
                {"site": names[row][0], "unit": names[row][1], "signal": signal, "count": count}
                for (row, signal), count in sorted(samples.refused.items())
            ],
            "unregistered": [
                {"site": site, "unit": unit, "rows": len(came)}
                for (site, unit), came in sorted(samples.strangers.items())
            ],
        },
        "exposure": scores.exposure.to_json(),
        "figures": figures(scores),
        "alarm_performance": alarm_performance(run, folder).to_json(),
        "confusion": scores.confusion.to_json(),
        "faults": [_case(case, scores) for case in scores.cases],
        "alarms": [
            {**_alarm(alarm), "verdict": verdict.value}
            for alarm, verdict in zip(run.alarms, scores.alarm_verdicts, strict=True)
        ],
        "tickets": [
            {**_ticket(ticket), "verdict": verdict.value, "labels": labels}
            for ticket, verdict, labels in zip(
                run.tickets, scores.ticket_verdicts, scores.ticket_labels, strict=True
            )
        ],
        "warnings": [problem.to_json() for problem in folder.warnings],
    }


def alarm_performance(run: Run, folder: Folder) -> AlarmFigures:
    """The standard's figures over the whole history, for one operator; times in ms since 1970."""
    samples = folder.samples
    first_ms, last_ms = int(samples.arrived_ms[0]), int(samples.arrived_ms[-1])
    return alarm_figures(run.events, first_ms, last_ms + 1)


def figures(scores: Scores) -> dict[str, Any]:
    """The figures alone."""

    def by_severity(hit: Callable[[CaseResult], bool]) -> dict[str, Any]:
        return {g.name.lower(): s.to_json() for g, s in scores.by_severity(hit).items()}

    return {
        "detected": scores.detection.to_json(),
        "detected_medium_up": scores.detection_medium_up.to_json(),
        "no_signal_bears_on_it_medium_up": scores.unseen_medium_up.to_json(),
        "noticed": scores.noticed.to_json(),
        "detected_by_severity": by_severity(lambda case: case.detected),
        "correct_of_detected": scores.correct_of_detected.to_json(),
        "correct_of_detected_medium_up": scores.correct_of_detected_medium_up.to_json(),
        "of_noticed": {o.value: share.to_json() for o, share in scores.diagnosis.items()},
        "time_to_detect": scores.delays.to_json(),
        "time_to_detect_from_medium": scores.delays_from_medium.to_json(),
        "screen_found_before_flow_65": scores.screen_before_65.to_json(),
        "screen_below_65_at_once": scores.screen_at_once.to_json(),
        "false_tickets_per_unit_month": scores.false_tickets.to_json(),
        "false_alarms_per_unit_month": scores.false_alarms.to_json(),
        "fault_free_days_with_alarm": scores.fault_free_days.to_json(),
        "tickets_per_noticed_fault": scores.tickets_per_fault,
        "by_fault": {
            fault: {
                "labels": len(cases),
                "detected": sum(c.detected for c in cases),
                "noticed": sum(c.noticed for c in cases),
                "correct": sum(c.outcome is Outcome.CORRECT for c in cases),
            }
            for fault, cases in scores.by_fault().items()
        },
    }


def _case(case: CaseResult, scores: Scores) -> dict[str, Any]:
    label = case.label
    return {
        "number": label.number,
        "site": label.site,
        "unit": label.unit,
        "fault": label.fault,
        "severity": label.severity.name.lower(),
        "start": iso(label.start_ms),
        "end": iso(label.end_ms),
        "outcome": case.outcome.value,
        "detected": case.detected,
        "diagnosed": case.diagnosed,
        "first_alarm": iso(case.first.announcement.time_ms if case.first else None),
        "first_right_alarm": iso(case.named.announcement.time_ms if case.named else None),
        "time_to_detect_s": case.delay_s,
        "time_to_detect_from_medium_s": case.delay_from_medium_s,
        "before_flow_65": case.before_flow_65,
        "tickets": case.tickets,
        "signals_lacking": list(scores.without_signals.get(label.number, ())),
    }


def _alarm(alarm: Alarm) -> dict[str, Any]:
    first = alarm.announcements[0]
    return {
        "site": alarm.site,
        "unit": alarm.unit,
        "fault": alarm.fault,
        "diagnosis": first.diagnosis,
        "first_cause": _first_cause(first.causes),
        "severity": alarm.severity.name.lower(),
        "onset": iso(alarm.onset_ms),
        "raised": iso(alarm.raised_ms),
        "worsened": [iso(a.time_ms) for a in alarm.announcements if a.worse],
        "returned": iso(alarm.returned_ms),
        "ended_by": alarm.ended_by,
        "announcements": [
            {
                "time": iso(a.time_ms),
                "severity": a.severity.name.lower(),
                "diagnosis": a.diagnosis,
                "summary": a.summary,
                "confidence": a.confidence,
                "causes": _causes(a.causes),
            }
            for a in alarm.announcements
        ],
    }


def _ticket(ticket: Ticket) -> dict[str, Any]:
    return {
        "number": ticket.number,
        "site": ticket.site,
        "unit": ticket.unit,
        "fault": ticket.fault,
        "diagnosis": ticket.diagnosis,
        "first_cause": _first_cause(ticket.causes),
        "priority": ticket.priority,
        "onset": iso(ticket.onset_ms),
        "opened": iso(ticket.opened_ms),
        "returned": iso(ticket.returned_ms),
        "closed": iso(ticket.closed_ms),
        "repeats": ticket.repeats,
        "summary": ticket.summary,
        "causes": _causes(ticket.causes),
    }


def _first_cause(causes: tuple[Cause, ...]) -> str | None:
    return causes[0].slug if causes and not causes[0].ruled_out else None


def _causes(causes: Iterable[Cause]) -> list[dict[str, Any]]:
    return [
        {"slug": c.slug, "title": c.title, "agreement": c.agreement, "ruled_out": c.ruled_out}
        for c in causes
    ]
