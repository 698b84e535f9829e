"""What the demonstration shows in the terminal: progress, standing alarms, tickets, where to read.

Only reads. On a terminal it redraws in place; elsewhere it prints a line when something happens.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Final

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from gateway.demo.stage import Stage
from gateway.records.records import Records
from gateway.records.rows import StandingAlarm, TicketRow
from rules.events import AlarmState, Severity
from rules.faults.registry import FAULT_INDEX, FAULTS

__all__ = ["PlainScreen", "RichScreen", "screen_for"]

_ROWS: Final = 14
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


def _standing(records: Records) -> list[StandingAlarm]:
    shown = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
    return [a for a in records.standing_alarms() if a.state in shown]


def _when(time_ms: int) -> str:
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%d %b %H:%M")


class RichScreen:
    """Redrawn in place, twice a second."""

    def __init__(self, stage: Stage, console: Console) -> None:
        self._stage = stage
        self._live = Live(console=console, auto_refresh=False, screen=False)
        self._started_s = time.monotonic()

    def __enter__(self) -> RichScreen:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.show()
        self._live.stop()

    def show(self) -> None:
        """Draw what is so now."""
        self._live.update(self._draw(), refresh=True)

    def _draw(self) -> RenderableType:
        records = self._stage.service.records
        alarms = _standing(records)
        tickets = records.tickets(limit=1000)
        return Group(self._head(), _alarm_table(alarms), _ticket_table(tickets), self._foot())

    def _head(self) -> RenderableType:
        stage, status = self._stage, self._stage.service.status()
        progress = stage.progress
        table = Table.grid(padding=(0, 2))
        if progress.caught_up:
            how = Text("live, as 12 sites send it now", style="bold")
        else:
            how = Text(f"catching up with three weeks of history: {progress.share:4.0%} sent")
        seconds = time.monotonic() - self._started_s
        table.add_row("Fleet", f"{status.sites} sites, {status.units} units", how)
        table.add_row(
            "Arrived", f"{status.messages:,} messages, {status.frames:,} readings of units",
            f"{status.rejects:,} in quarantine",
        )  # fmt: skip
        table.add_row(
            "Judged", f"{status.rules.frames:,}", f"{status.rules.behind:,} journal entries behind"
        )
        table.add_row(
            "Stored", f"{status.store.frames:,}", f"{status.store.behind:,} journal entries behind"
        )
        table.add_row("Mails", f"{stage.mails.count:,}", f"{seconds:.0f} s running")
        return Panel(table, title="basinward demonstration", title_align="left", border_style="dim")

    def _foot(self) -> RenderableType:
        stage = self._stage
        lines = Text()
        for trouble in stage.service.status().troubles:
            lines.append(f"! {trouble}\n", style="bold red")
        lines.append("Read the mails:   ", style="dim")
        lines.append(f"{stage.mail_folder / 'index.html'}\n")
        lines.append("Send it a sample: ", style="dim")
        lines.append(
            f"mosquitto_pub -p {stage.broker_port} -q 1 -t sites/quay-cold-store/ac-1/senml "
            '-m \'[{"n":"conductivity","u":"S/m","v":0.09}]\'\n'
        )
        lines.append("Stop:             ", style="dim")
        lines.append("Ctrl-C")
        return lines


def _alarm_table(alarms: list[StandingAlarm]) -> RenderableType:
    table = Table(
        title=f"Standing alarms: {len(alarms)}", title_justify="left", expand=True,
        border_style="dim",
    )  # fmt: skip
    table.add_column("Priority", no_wrap=True)
    table.add_column("Site / unit", no_wrap=True)
    table.add_column("What", no_wrap=True)
    table.add_column("Since (UTC)", no_wrap=True)
    table.add_column("Likeliest cause", overflow="ellipsis", no_wrap=True)
    for alarm in alarms[:_ROWS]:
        mark, style = _LOOK[alarm.severity]
        causes = alarm.evidence.causes if alarm.evidence else ()
        table.add_row(
            Text(mark, style=style), f"{alarm.site} / {alarm.unit}", _title(alarm.fault),
            _when(alarm.onset_ms), causes[0].title if causes else "",
        )  # fmt: skip
    if len(alarms) > _ROWS:
        table.add_row("", f"and {len(alarms) - _ROWS} more", "", "", "")
    return table


def _ticket_table(tickets: list[TicketRow]) -> RenderableType:
    table = Table(
        title=f"Tickets: {len(tickets)}, the newest first", title_justify="left", expand=True,
        border_style="dim",
    )  # fmt: skip
    for name in ("Number", "Priority", "Site / unit", "What", "State"):
        table.add_column(name, no_wrap=True)
    for ticket in tickets[:8]:
        mark, style = _LOOK[Severity[ticket.priority.upper()]]
        state = ticket.state.value + (", readings back to normal" if ticket.returned_ms else "")
        table.add_row(
            ticket.number, Text(mark, style=style), f"{ticket.site} / {ticket.unit}",
            _title(ticket.fault), state,
        )  # fmt: skip
    return table


class PlainScreen:
    """A line when something happens, for logs and pipes."""

    def __init__(self, stage: Stage, console: Console) -> None:
        self._stage = stage
        self._console = console
        self._tickets = 0
        self._tenth = -1
        self._live = False

    def __enter__(self) -> PlainScreen:
        self._say(f"Everything is written to {self._stage.directory}")
        self._say(f"Read the mails: {self._stage.mail_folder / 'index.html'}")
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
            self._live = True
            self._say("The fleet has caught up and is live.")
        for ticket in reversed(self._stage.service.records.tickets(limit=1000)):
            if ticket.id > self._tickets:
                self._tickets = ticket.id
                self._say(
                    f"{ticket.number} {ticket.priority}: {ticket.site} / {ticket.unit}: "
                    f"{_title(ticket.fault)}"
                )

    def _say(self, text: str) -> None:
        self._console.print(text, markup=False, highlight=False, soft_wrap=True)
