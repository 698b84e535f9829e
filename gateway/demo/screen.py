"""What the demonstration shows in the terminal: progress, tickets, and what to do next.

Only reads. On a terminal it redraws in place; elsewhere it prints a line when something happens.
"""

from __future__ import annotations

import shutil
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NamedTuple

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from gateway.demo.stage import Stage, near
from gateway.records.records import Records
from gateway.records.rows import TicketRow
from gateway.status import GatewayStatus
from gateway.tickets.life import STANDING
from rules.events import Severity
from rules.faults.registry import FAULT_INDEX, FAULTS

__all__ = ["PlainScreen", "RichScreen", "screen_for"]

_ALL: Final = 1000
_GAP: Final = 2
_WHAT_AT_LEAST: Final = 12
_CAUSE_AT_LEAST: Final = 24
_CAUSE_WELL: Final = 44
_ROOMY: Final = 14
_NEARLY_ALL: Final = 0.99  # a little is always on its way while the sites send
_WHAT_WIDTH: Final = max(len(fault.title) for fault in FAULTS)
_LOOK: Final = {
    Severity.HIGH: ("▲ high", "bold red"),
    Severity.MEDIUM: ("◆ medium", "bold yellow"),
    Severity.LOW: ("● low", "bold"),
    Severity.NONE: ("  -", "dim"),
}
"""Priority by shape and word; the colour repeats it."""


def screen_for(stage: Stage, console: Console) -> RichScreen | PlainScreen:
    """The screen that suits the console."""
    return RichScreen(stage, console) if console.is_terminal else PlainScreen(stage, console)


def _title(fault: str) -> str:
    return FAULTS[FAULT_INDEX[fault]].title if fault in FAULT_INDEX else fault


def _judged(status: GatewayStatus) -> float:
    """Share of the readings that arrived which the rules have judged."""
    return status.rules.frames / status.frames if status.frames else 0.0


def _bar(share: float) -> str:
    done = round(20 * min(share, 1.0))
    return "█" * done + "░" * (20 - done)


def _place(site: str, unit: str) -> str:
    return f"{site} / {unit}"


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}{'s' * (number != 1)}"


class _Row(NamedTuple):
    """A ticket as a line: what stands, or has returned to normal."""

    ticket: TicketRow
    cause: str

    @property
    def severity(self) -> Severity:
        return Severity[self.ticket.priority.upper()]

    @property
    def place(self) -> str:
        return _place(self.ticket.site, self.ticket.unit)

    @property
    def since(self) -> str:
        return datetime.fromtimestamp(self.ticket.onset_ms / 1000, UTC).strftime("%d %b %H:%M")


def _rows(records: Records) -> list[_Row]:
    """All tickets not closed, the most urgent first, and of these the newest."""
    causes: dict[tuple[str, str, str], str] = {}
    for alarm in records.standing_alarms():
        if alarm.evidence and alarm.evidence.causes:
            causes[alarm.site, alarm.unit, alarm.fault] = alarm.evidence.causes[0].title
    tickets = records.tickets(phases=STANDING, limit=_ALL)
    rows = [_Row(t, causes.get((t.site, t.unit, t.fault), "")) for t in tickets]
    return sorted(rows, key=lambda row: -row.severity)


class RichScreen:
    """The whole terminal, redrawn twice a second; at the end the last picture stays below."""

    def __init__(self, stage: Stage, console: Console) -> None:
        self._stage = stage
        self._console = console
        self._live = Live(console=console, auto_refresh=False, screen=True)

    def __enter__(self) -> RichScreen:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()
        tables = self._tables(_rows(self._stage.service.records), None)
        self._console.print(Group(self._head(), Text(), *tables, Text()))

    def show(self) -> None:
        """Draw what is so now."""
        self._live.update(self.picture(), refresh=True)

    def picture(self) -> RenderableType:
        """What is so now, no higher than the terminal unless that is very small."""
        width, height = self._console.size
        head = self._head()
        rows = _rows(self._stage.service.records)
        room = height - self._lines(head) - 2  # and an empty line above and below the tables
        foot = self._foot(width, full=True)
        if room - self._lines(foot) < len(rows) + 5:
            foot = self._foot(width, full=False)
        tables = self._tables(rows, room - self._lines(foot))
        return Group(head, Text(), *tables, Text(), foot)

    def _tables(self, rows: list[_Row], room: int | None) -> list[RenderableType]:
        """The tickets whose faults stand, and those whose readings are normal again.

        ``room`` is how many lines they may take (None: as many as they need).
        """
        if not rows:
            return [Text("No fault found so far.", style="italic")]
        standing = [r for r in rows if r.ticket.returned_ms is None]
        returned = [r for r in rows if r.ticket.returned_ms is not None]
        heads = 2 + bool(returned)
        room = len(rows) + heads if room is None else max(room, heads + 1 + bool(returned))
        least = min(len(returned), 1 if room < _ROOMY else 3)
        first = min(len(standing), room - heads - least)
        sites = self._stage.service.configuration.sites
        place_width = max(len(_place(site.id, unit.id)) for site in sites for unit in site.units)
        columns = _columns(place_width, self._console.width)
        parts: list[RenderableType] = [
            Text(f"Faults that stand now: {len(standing)}, each with its ticket", style="bold"),
            _table(standing, columns, first, heading=True),
        ]
        if returned:
            what = f"Readings normal again, the ticket waits for a person: {len(returned)}"
            parts += [
                Text(what, style="bold"),
                _table(returned, columns, room - heads - first, heading=False),
            ]
        return parts

    def _lines(self, part: RenderableType) -> int:
        return len(self._console.render_lines(part))

    def _head(self) -> RenderableType:
        stage, status = self._stage, self._stage.service.status()
        text = Text("basinward demonstration", style="bold")
        text.append(
            f": {_count(status.sites, 'invented site')}, {_count(status.units, 'condenser')}, "
            "all on this machine\n",
            style="not bold",
        )
        if stage.progress.caught_up and (judged := _judged(status)) < _NEARLY_ALL:
            text.append("The past has arrived and is being judged  ", style="not bold")
            text.append(_bar(judged), style="not bold cyan")
            text.append(f"  {judged:.0%}\n", style="not bold")
        elif stage.progress.caught_up:
            text.append("Live: what the sites send now is judged as it comes.\n")
        else:
            text.append("The past arrives first  ", style="not bold")
            text.append(_bar(stage.progress.share), style="not bold cyan")
            text.append(f"  {stage.progress.share:.0%}, then it goes live\n", style="not bold")
        text.append(
            f"{_count(status.messages, 'message')}, {status.rejects:,} refused; "
            f"{_count(status.rules.frames, 'reading')} judged; {_count(stage.mails.count, 'mail')}",
            style="not bold",
        )
        for trouble in status.troubles:
            text.append(f"\n! {trouble}", style="bold red")
        return text

    def _foot(self, width: int, *, full: bool) -> RenderableType:
        """What to do next. ``full`` has more of it than a small terminal can show."""
        stage = self._stage
        data = str(stage.shown / "gateway")
        lines = [
            *([("See it all, in a browser", [stage.board_url])] if stage.board_url else []),
            ("Read the mails, in a browser", [str(stage.shown / "mail" / "index.html")]),
            ("List the tickets, in another terminal", [_basinward(), "tickets", f"--data {data}"]),
        ]
        if full:
            missing = not shutil.which("mosquitto_pub")
            program = " (the program is in Debian's mosquitto-clients)" if missing else ""
            lines += [
                (
                    f"Be a sensor yourself, send a reading{program}",
                    [
                        f"mosquitto_pub -p {stage.broker_port} -q 1",
                        f"-t sites/{_SPARE_UNIT}/senml",
                        """-m '[{"n":"pad_pressure_drop","u":"Pa","v":42}]'""",
                    ],
                ),
                ("... and see what became of it", [_basinward(), f"arrived {_SPARE_UNIT}",
                    f"--fleet {stage.shown / 'fleet'}", f"--data {data}"]),
            ]  # fmt: skip
        text = Text(overflow="fold")
        for what, parts in lines:
            text.append(f"{what}:\n", style="dim")
            text.append(f"  {_command(parts, width - 2)}\n")
        text.append("End: ", style="dim")
        text.append("Ctrl-C")
        text.append(", the files stay", style="dim")
        return text


_SPARE_UNIT: Final = "ridge-dairy/ac-3"
"""A unit of the scenario with few instruments: what a visitor sends stays its newest value."""


def _basinward() -> str:
    """How this program was called, so that it can be called again from the same directory."""
    called = Path(sys.argv[0])
    if called.name != "basinward":
        return "python -m gateway.cli"
    return "basinward" if shutil.which("basinward") else str(near(called.absolute()))


def _command(parts: list[str], width: int) -> str:
    """On one line if it fits; else in lines that a shell puts together again when copied."""
    line = " ".join(parts)
    return line if len(line) <= width else " \\\n    ".join(parts)


def _columns(place_width: int, width: int) -> dict[str, int]:
    """Which columns there is room for, and how wide: none is cut but the last."""
    columns = {
        "Priority": max(len(mark) for mark, _ in _LOOK.values()),
        "Site / unit": place_width,
    }
    left = width - sum(columns.values()) - _GAP * len(columns)
    columns["What is wrong"] = max(min(_WHAT_WIDTH, left), _WHAT_AT_LEAST)
    left = width - sum(columns.values()) - _GAP * len(columns)
    for name, wide in (("Since (UTC)", 12), ("Ticket", 9)):
        if left - wide - _GAP >= _CAUSE_WELL:
            columns[name] = wide
            left -= wide + _GAP
    if left >= _CAUSE_AT_LEAST:
        columns["Likeliest cause"] = left
    return columns


def _table(rows: list[_Row], columns: dict[str, int], most: int, *, heading: bool) -> Table:
    """At most ``most`` lines below the heading; the last tells how many are left out."""
    table = Table(box=None, padding=(0, _GAP, 0, 0), pad_edge=False, show_header=heading,
                  header_style="dim")  # fmt: skip
    for name, wide in columns.items():
        table.add_column(name, width=wide, no_wrap=True, overflow="ellipsis")
    shown = rows if len(rows) <= most else rows[: max(most - 1, 0)]
    for row in shown:
        mark, style = _LOOK[row.severity]
        cells: dict[str, str | Text] = {
            "Priority": Text(mark, style=style),
            "Site / unit": row.place,
            "What is wrong": _title(row.ticket.fault),
            "Since (UTC)": row.since,
            "Ticket": row.ticket.number,
            "Likeliest cause": row.cause,
        }
        table.add_row(*(cells[name] for name in columns))
    if len(shown) < len(rows) and most:
        table.add_row("", f"and {len(rows) - len(shown)} more")
    return table


class PlainScreen:
    """A line when something happens, for logs and pipes."""

    def __init__(self, stage: Stage, console: Console) -> None:
        self._stage = stage
        self._console = console
        self._tickets = 0
        self._mails = 0
        self._tenth = -1
        self._judged_tenth = -1
        self._live = False

    def __enter__(self) -> PlainScreen:
        self._say(f"Everything is written to {self._stage.shown}")
        if self._stage.board_url:
            self._say(f"See it all, in a browser: {self._stage.board_url}")
        self._say(f"Read the mails: {self._stage.shown / 'mail' / 'index.html'}")
        return self

    def __exit__(self, *_: object) -> None:
        self.show()

    def show(self) -> None:
        """Print what is new."""
        progress = self._stage.progress
        tenth = int(progress.share * 10)
        if tenth > self._tenth and not progress.caught_up:
            self._tenth = tenth
            self._say(f"History sent: {progress.share:.0%}")
        if progress.caught_up and not self._live:
            judged = _judged(self._stage.service.status())
            if judged >= _NEARLY_ALL:
                self._live = True
                self._say("The fleet has caught up and is live.")
            elif int(judged * 10) > self._judged_tenth:
                self._judged_tenth = int(judged * 10)
                self._say(f"History judged: {judged:.0%}")
        for ticket in reversed(self._stage.service.records.tickets(limit=1000)):
            if ticket.id > self._tickets:
                self._tickets = ticket.id
                self._say(
                    f"{ticket.number} {ticket.priority}: {ticket.site} / {ticket.unit}: "
                    f"{_title(ticket.fault)}"
                )
        subjects = self._stage.mails.subjects
        for subject in subjects[self._mails :]:
            self._say(f"Mail: {subject}")
        self._mails = len(subjects)

    def _say(self, text: str) -> None:
        self._console.print(text, markup=False, highlight=False, soft_wrap=True)
