"""The evaluation as one picture: what was there and what was said, by unit and time, as SVG.

Any browser opens it; pointing at a bar says what it is. Widths are in SVG user units.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import jinja2

from gateway.evaluation.document import iso
from gateway.evaluation.folder import Folder
from gateway.evaluation.run import Run
from rules.evaluation.cases import Alarm, Label
from rules.evaluation.matching import Verdict
from rules.evaluation.scoring import NONE, CaseResult, Confusion, Outcome, Scores

__all__ = ["draw"]

WIDTH: Final = 1400
NAMES: Final = 210
"""Left of the time axis: the units' names."""

ROW: Final = 22
MARGIN: Final = 30
CELL: Final = 24

_OUTCOMES: Final = {
    Outcome.CORRECT: ("found", "found and rightly named"),
    Outcome.MISDIAGNOSED: ("misnamed", "found, named otherwise"),
    Outcome.NO_DIAGNOSIS: ("misnamed", "found, named otherwise"),
    Outcome.MISSED: ("missed", "missed"),
}
_VERDICTS: Final = {
    Verdict.RIGHT: ("right", "alarm, right"),
    Verdict.MISDIAGNOSIS: ("other", "alarm, another name"),
    Verdict.FALSE: ("false", "alarm, false"),
    Verdict.NOT_JUDGED: ("own", "alarm of an own rule"),
}


@dataclass(frozen=True)
class Bar:
    """A stretch of time on a unit's line. ``kind`` chooses the colour."""

    x: float
    y: float
    width: float
    height: float
    kind: str
    title: str


@dataclass(frozen=True)
class Text:
    """Some words at a place."""

    x: float
    y: float
    text: str
    kind: str = ""


@dataclass(frozen=True)
class Cell:
    """One field of the confusion matrix; ``shade`` 0 to 1."""

    x: float
    y: float
    count: int
    shade: float
    kind: str
    title: str


def draw(folder: Folder, run: Run, scores: Scores) -> str:
    """The picture as the text of an SVG file."""
    samples = folder.samples
    axis = _Axis(int(samples.arrived_ms[0]), int(samples.arrived_ms[-1]))
    units = sorted(scores.exposure.watched_ms)
    lines = {key: float(_TOP + i * ROW) for i, key in enumerate(units)}
    bars = [bar for case in scores.cases for bar in _label_bars(case, lines, axis)]
    bars += [
        bar
        for alarm, verdict in zip(run.alarms, scores.alarm_verdicts, strict=True)
        for bar in _alarm_bars(alarm, verdict, lines, axis)
    ]
    bottom = _TOP + len(units) * ROW
    cells, names, height = _matrix(scores.confusion, bottom + 80)
    template = jinja2.Environment(
        loader=jinja2.PackageLoader("gateway.evaluation"), autoescape=True, trim_blocks=True,
        lstrip_blocks=True,
    ).get_template("evaluation.svg.j2")  # fmt: skip
    detected, false = scores.detection, scores.false_tickets
    return template.render(
        width=WIDTH,
        height=height + MARGIN,
        title=f"Evaluation of {folder.path.name}",
        subtitle=(
            f"{detected.count} of {detected.total} labelled faults detected, "
            f"{scores.correct_of_detected.count} with the right first cause, "
            f"{false.count} false tickets in {scores.exposure.unit_months:.1f} unit-months"
        ),
        units=[
            Text(NAMES - 10, y + ROW / 2 + 4, f"{site} / {unit}")
            for (site, unit), y in lines.items()
        ],
        stripes=[y for i, y in enumerate(lines.values()) if i % 2],
        row=ROW,
        left=NAMES,
        right=WIDTH - MARGIN,
        top=_TOP,
        bottom=bottom,
        ticks=axis.ticks(),
        bars=bars,
        legend=_legend(),
        matrix_title=Text(
            MARGIN, bottom + 60, "Confusion matrix: rows were there, columns were said"
        ),
        cells=cells,
        names=names,
        cell=CELL,
    )


_TOP: Final = 120


@dataclass(frozen=True)
class _Axis:
    """Time to the right."""

    start_ms: int
    end_ms: int

    def x(self, time_ms: int) -> float:
        share = (time_ms - self.start_ms) / max(self.end_ms - self.start_ms, 1)
        return round(NAMES + min(max(share, 0.0), 1.0) * (WIDTH - MARGIN - NAMES), 1)

    def ticks(self) -> list[tuple[float, str]]:
        """Midnights UTC, so many that their dates have room."""
        days = (self.end_ms - self.start_ms) / 86_400_000
        step = next((n for n in (1, 2, 7, 14, 28, 91) if days / n <= 14), 365)
        start = datetime.fromtimestamp(self.start_ms / 1000, UTC)
        moment = start.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
        found = []
        while (time_ms := round(moment.timestamp() * 1000)) < self.end_ms:
            found.append((self.x(time_ms), moment.strftime("%d %b")))
            moment += timedelta(days=step)
        return found


def _label_bars(case: CaseResult, lines: dict[tuple[str, str], float], axis: _Axis) -> list[Bar]:
    label = case.label
    kind, words = _OUTCOMES[case.outcome]
    end_ms = axis.end_ms if label.end_ms is None else label.end_ms
    left, right = axis.x(label.start_ms), axis.x(end_ms)
    said = f", said: {case.diagnosed}" if case.outcome is not Outcome.CORRECT else ""
    title = (
        f"#{label.number} {label.fault}, {label.severity.name.lower()}: {words}{said}\n"
        f"{iso(label.start_ms)} to {iso(label.end_ms) or 'the end'}"
    )
    return [
        Bar(left, y + 2, max(right - left, 2.0), 8, kind, title) for y in _lines_of(label, lines)
    ]


def _lines_of(label: Label, lines: dict[tuple[str, str], float]) -> list[float]:
    return [y for (site, unit), y in lines.items() if label.concerns(site, unit)]


def _alarm_bars(
    alarm: Alarm, verdict: Verdict, lines: dict[tuple[str, str], float], axis: _Axis
) -> list[Bar]:
    if (alarm.site, alarm.unit) not in lines:
        return []
    kind, words = _VERDICTS[verdict]
    end_ms = axis.end_ms if alarm.returned_ms is None else alarm.returned_ms
    left, right = axis.x(alarm.raised_ms), axis.x(end_ms)
    said = alarm.announcements[0].diagnosis
    cause = f", by {said}" if said != alarm.fault else ""
    title = (
        f"{words}: {alarm.fault}{cause}, {alarm.severity.name.lower()}\n"
        f"{iso(alarm.raised_ms)} to {iso(alarm.returned_ms) or 'the end'}"
    )
    y = lines[alarm.site, alarm.unit] + 12
    return [Bar(left, y, max(right - left, 2.0), 7, kind, title)]


def _legend() -> list[tuple[float, str, str]]:
    """Place, colour and words of each entry, in one line."""
    entries = list(dict.fromkeys([*_OUTCOMES.values(), *_VERDICTS.values()]))
    found, x = [], float(NAMES)
    for kind, words in entries:
        found.append((x, kind, words))
        x += 34 + 6.4 * len(words)
    return found


def _matrix(confusion: Confusion, top: float) -> tuple[list[Cell], list[Text], float]:
    names = {NONE: "nothing"}
    left = NAMES + 20
    head = top + 8 + 5.2 * max((len(name) for name in confusion.columns), default=0)
    cells, texts = [], []
    for i, row in enumerate(confusion.rows):
        y = head + i * CELL
        texts.append(Text(left - 8, y + CELL / 2 + 4, names.get(row, row), "row"))
        most = max(confusion.counts[i])
        for j, column in enumerate(confusion.columns):
            count = confusion.counts[i][j]
            cells.append(
                Cell(
                    left + j * CELL, y, count, count / most if most else 0.0,
                    "good" if row == column else "bad",
                    f"{names.get(row, row)}, said {names.get(column, column)}: {count}",
                )
            )  # fmt: skip
    for j, column in enumerate(confusion.columns):
        x = left + j * CELL + CELL / 2 + 4
        texts.append(Text(x, head - 8, names.get(column, column), "column"))
    return cells, texts, head + len(confusion.rows) * CELL
