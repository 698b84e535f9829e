"""The evaluation as text for a terminal: figures first, then what was missed and what was false."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from gateway.evaluation.document import alarm_performance, iso
from gateway.evaluation.folder import Folder
from gateway.evaluation.run import Run
from rules.alarm_figures import TARGETS
from rules.evaluation.cases import Label, Ticket
from rules.evaluation.intervals import Rate, Share
from rules.evaluation.matching import Verdict
from rules.evaluation.scoring import NONE, CaseResult, Outcome, Scores

__all__ = ["duration", "to_text"]


def to_text(folder: Folder, run: Run, scores: Scores, *, close_after_s: float) -> str:
    """The whole report."""
    sections = [
        _head(folder, run, scores),
        _counted(scores, close_after_s),
        _found(scores),
        _soon(scores),
        _false(run, scores),
        _performance(run, folder),
        _by_fault(scores),
        _confusion(scores),
        _missed(scores),
        _false_tickets(run, scores),
    ]
    return "\n\n".join("\n".join(section) for section in sections if section)


def duration(seconds: float | None) -> str:
    """A duration in the unit that a person would use."""
    if seconds is None:
        return "-"
    size = abs(seconds)
    for unit, length, most in (("s", 1, 120), ("min", 60, 7200), ("h", 3600, 172_800)):
        if size < most:
            return f"{seconds / length:.0f} {unit}"
    return f"{seconds / 86_400:.1f} d"


def columns(rows: Iterable[Sequence[str]], right: frozenset[int] = frozenset()) -> list[str]:
    """Rows of cells, aligned and indented; the columns ``right`` by their right ends."""
    rows = [tuple(row) for row in rows]
    widths = [max(map(len, cells)) for cells in zip(*rows, strict=True)]
    lines = []
    for row in rows:
        cells = [
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append(("  " + "  ".join(cells)).rstrip())
    return lines


def _counts(number: int, one: str) -> str:
    return f"{number:,} {one if number == 1 else one + 's'}"


def _minute(time_ms: int | None) -> str:
    text = iso(time_ms)
    return "" if text is None else f"{text[:10]} {text[11:16]}Z"


# ---------------------------------------------------------------- sections


def _head(folder: Folder, run: Run, scores: Scores) -> Iterator[str]:
    samples = folder.samples
    first, last = int(samples.arrived_ms[0]), int(samples.arrived_ms[-1])
    yield f"Evaluation of {folder.path}"
    yield (
        f"  {_counts(len(scores.exposure.watched_ms), 'unit')} of "
        f"{_counts(len({s for s, _ in scores.exposure.watched_ms}), 'site')}, "
        f"{_counts(len(samples), 'sample')}, {_minute(first)} to {_minute(last)}, "
        f"{scores.exposure.unit_months:.1f} unit-months"
    )
    grades = scores.by_severity(lambda _case: True)
    kinds = ", ".join(f"{share.total} {grade.name.lower()}" for grade, share in grades.items())
    yield f"  {_counts(len(scores.cases), 'labelled fault')}" + (f": {kinds}" if kinds else "")
    strange = sum(map(len, samples.strangers.values()))
    refused = sum(samples.refused.values())
    odd = [
        _counts(count, one) + rest
        for count, one, rest in (
            (refused, "value", " refused as impossible"),
            (samples.empty_rows, "empty row", ""),
            (run.late_frames, "late row", " not judged"),
            (strange, "row", " of units without a site file"),
            (folder.not_scored, "fault", " outside the time of the samples"),
        )
        if count
    ]
    if odd:
        yield "  left out: " + "; ".join(odd)


def _counted(scores: Scores, close_after_s: float) -> Iterator[str]:
    yield "How it is counted"
    yield "  detected: an alarm on the unit named the fault, by its own name or its first cause,"
    yield f"    from its start until {duration(scores.grace_ms / 1000)} after its end"
    yield "  noticed: any alarm told of it then"
    yield "  diagnosis: the alarm's first cause if that is a fault of the catalogue, else the alarm"
    yield "  false: no labelled fault was there that could be the reason; another name for a fault"
    yield "    that was there is a misdiagnosis, not false"
    normal = f"{duration(close_after_s)} after readings came back to normal"
    yield f"  a ticket is taken to be closed {normal}"
    yield "  intervals are at 95 %: Wilson for shares, exact Poisson for rates"


def _found(scores: Scores) -> Iterator[str]:
    yield "Found and named"
    rows: list[tuple[str, str, str, str]] = [
        _share_row("detected, all faults", scores.detection),
        _share_row("detected, medium severity and up", scores.detection_medium_up),
        *(
            _share_row(f"  {grade.name.lower()}", share)
            for grade, share in scores.by_severity(lambda case: case.detected).items()
        ),
        _share_row("no signal bears on it, of medium and up", scores.unseen_medium_up),
        _share_row("noticed, all faults", scores.noticed),
        _share_row("right first cause, of the detected", scores.correct_of_detected),
        _share_row("  medium severity and up", scores.correct_of_detected_medium_up),
    ]
    for outcome, share in scores.diagnosis.items():
        rows.append(_share_row(f"{outcome.value}, of the noticed", share))
    screen = scores.screen_before_65
    if screen.total:
        rows.append(_share_row("screen clogging found before flow < 65 %", screen))
        if scores.screen_at_once.count:
            rows.append(_share_row("  was there within an hour", scores.screen_at_once))
    yield from columns(rows, frozenset({1, 2}))


def _share_row(name: str, share: Share) -> tuple[str, str, str, str]:
    if share.value is None:
        return name, "-", "", "(none)"
    low, high = share.interval
    return (
        name, f"{share.value:.1%}", f"{share.count} of {share.total}",
        f"({low:.1%} to {high:.1%})",
    )  # fmt: skip


def _soon(scores: Scores) -> Iterator[str]:
    yield "How soon"
    rows = [("", "median", "90 % within", "longest", "faults")]
    for name, delays in (
        ("from the fault's start", scores.delays),
        ("from medium severity on", scores.delays_from_medium),
    ):
        if delays.count:
            rows.append(
                (
                    name, duration(delays.median_s), duration(delays.p90_s),
                    duration(delays.longest_s), str(delays.count),
                )
            )  # fmt: skip
    yield from columns(rows, frozenset({1, 2, 3, 4}))


def _false(run: Run, scores: Scores) -> Iterator[str]:
    yield "False"
    days = scores.fault_free_days
    yield from columns(
        [
            _rate_row("tickets", scores.false_tickets),
            _rate_row("alarms", scores.false_alarms),
            _share_row("fault-free unit-days with an alarm", days),
        ],
        frozenset({1, 2}),
    )
    told = Counter(scores.ticket_verdicts)
    own = told[Verdict.NOT_JUDGED]
    each = scores.tickets_per_fault
    yield (
        f"  {_counts(len(run.tickets), 'ticket')}: {told[Verdict.RIGHT]} right, "
        f"{told[Verdict.MISDIAGNOSIS]} misdiagnosed, {told[Verdict.FALSE]} false"
        + (f", {own} of own rules not judged" if own else "")
        + (f"; {each:.2f} for each fault that was noticed" if each is not None else "")
    )


def _rate_row(name: str, rate: Rate) -> tuple[str, str, str, str]:
    if rate.value is None or rate.interval is None:
        return name, "-", str(rate.count), ""
    low, high = rate.interval
    return (
        name, str(rate.count), f"{100 * rate.value:.2f}",
        f"per 100 unit-months ({100 * low:.2f} to {100 * high:.2f})",
    )  # fmt: skip


def _performance(run: Run, folder: Folder) -> Iterator[str]:
    found = alarm_performance(run, folder)
    yield "Alarm performance (ISA-18.2 / IEC 62682, one operator for all of it)"
    rows = [
        ("announcements a day", f"{found.per_day:.1f}", "per_day"),
        ("most in ten minutes", f"{found.peak_ten_minutes:g}", "peak_ten_minutes"),
        ("time in floods", f"{found.flood_time_pct:.2f} %", "flood_time_pct"),
        ("chattering alarms", str(len(found.chattering)), "chattering"),
        ("most stale at once", str(found.stale_most), "stale_most"),
    ]
    yield from columns(
        ((name, value, f"(target: {TARGETS[key].text})") for name, value, key in rows),
        frozenset({1}),
    )
    if found.priority_pct:
        shares = ", ".join(f"{pct:.0f} % {name}" for name, pct in found.priority_pct.items())
        yield f"  priorities: {shares} (target: {TARGETS['priority_pct'].text})"


def _by_fault(scores: Scores) -> Iterator[str]:
    if not scores.cases:
        return
    yield "By fault"
    rows = [("", "labelled", "detected", "noticed", "right cause", "median time", "tickets")]
    for fault, cases in scores.by_fault().items():
        delays = sorted(c.delay_s for c in cases if c.delay_s is not None)
        rows.append(
            (
                fault,
                str(len(cases)),
                str(sum(c.detected for c in cases)),
                str(sum(c.noticed for c in cases)),
                str(sum(c.outcome is Outcome.CORRECT for c in cases)),
                duration(delays[len(delays) // 2]) if delays else "-",
                str(sum(c.tickets for c in cases)),
            )
        )
    yield from columns(rows, frozenset(range(1, 7)))


def _confusion(scores: Scores) -> Iterator[str]:
    wrong = [
        (row, column, scores.confusion.counts[i][j])
        for i, row in enumerate(scores.confusion.rows)
        for j, column in enumerate(scores.confusion.columns)
        if row != column and scores.confusion.counts[i][j]
    ]
    if not wrong:
        return
    yield "Taken for something else (the confusion matrix off its diagonal)"
    rows = [("was there", "was said", "times")]
    names = {NONE: "nothing"}
    rows += [(names.get(r, r), names.get(c, c), str(n)) for r, c, n in wrong]
    yield from columns(rows, frozenset({2}))


def _missed(scores: Scores) -> Iterator[str]:
    missed = [case for case in scores.cases if not case.detected]
    if not scores.cases:
        return
    yield f"Not detected: {len(missed)} of {len(scores.cases)}"
    if missed:
        yield from columns(
            (
                f"#{case.label.number}", _where(case.label), case.label.fault,
                case.label.severity.name.lower(), _span(case.label), _said_instead(case, scores),
            )
            for case in missed
        )  # fmt: skip


def _where(label: Label) -> str:
    return f"{label.site}/{label.unit or '*'}"


def _span(label: Label) -> str:
    return f"{_minute(label.start_ms)} to {_minute(label.end_ms) or 'the end'}"


def _said_instead(case: CaseResult, scores: Scores) -> str:
    if case.first is None:
        lacking = scores.without_signals.get(case.label.number)
        return f"the unit does not send {', '.join(lacking)}" if lacking else "nothing was said"
    said = case.first
    alarm = said.alarm.fault
    cause = said.announcement.diagnosis
    name = alarm if cause == alarm else f"{alarm} by {cause}"
    return f"{_minute(said.announcement.time_ms)} it said {name}"


def _false_tickets(run: Run, scores: Scores) -> Iterator[str]:
    false = [
        ticket
        for ticket, verdict in zip(run.tickets, scores.ticket_verdicts, strict=True)
        if verdict is Verdict.FALSE
    ]
    yield f"False tickets: {len(false)} of {len(run.tickets)}"
    for ticket in false:
        yield (
            f"  #{ticket.number}  {_minute(ticket.opened_ms)}  {ticket.site}/{ticket.unit}  "
            f"{ticket.fault}, {ticket.priority}" + _lasted(ticket)
        )
        if ticket.summary:
            yield f"      {ticket.summary}"
        if ticket.causes:
            best = ticket.causes[0]
            yield f"      first cause: {best.title} ({best.agreement:.0%})"


def _lasted(ticket: Ticket) -> str:
    if ticket.returned_ms is None:
        return ", stands at the end"
    lasted = duration((ticket.returned_ms - ticket.opened_ms) / 1000)
    back = f", came back {_counts(ticket.repeats, 'time')}" if ticket.repeats else ""
    return f", over after {lasted}{back}"
