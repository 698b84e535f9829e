"""The demonstration's terminal: it fits, nothing that matters is cut, and it says what is next."""

from __future__ import annotations

import io
import shlex
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from rich.console import Console

from gateway.demo.screen import RichScreen
from gateway.demo.stage import Progress, Stage, near, with_early_lists
from gateway.records.rows import TicketRow
from gateway.tickets.desk import TicketPhase
from gateway.tickets.notice import Priority, Recipient
from gateway.tickets.routing import Routing, TeamRoute
from rules.faults.registry import FAULTS

SITES = ("quay-cold-store", "gulf-produce-terminal", "ridge-dairy")
PRIORITIES: tuple[Priority, ...] = ("low", "medium", "high")
UNITS_A_SITE = 5
SIZES = [(80, 24), (100, 30), (120, 40), (200, 60)]


def ticket(number: int) -> TicketRow:
    """The ``number``-th ticket; of every fifth the readings are normal again."""
    return TicketRow(
        id=number, number=f"BW-{number:06d}", unit_row=number, site=SITES[number % 3],
        unit=f"ac-{1 + number % UNITS_A_SITE}", fault=FAULTS[number % len(FAULTS)].slug,
        priority=PRIORITIES[number % 3], state=TicketPhase.OPEN,
        onset_ms=1_700_000_000_000, opened_ms=1_700_000_000_000, updated_ms=1_700_000_000_000,
        returned_ms=None if number % 5 else 1_700_000_000_000, acknowledged_ms=None,
        acknowledged_by="", closed_ms=None, closed_by="", finding="", root_message_id="",
    )  # fmt: skip


def picture(width: int, height: int, tickets: int, **more: Any) -> list[str]:
    """The lines that a terminal of this size would show."""
    rows = [ticket(n) for n in range(tickets, 0, -1)]
    status = SimpleNamespace(
        sites=3, units=15, messages=10_206, rejects=3,
        frames=241_900, rules=SimpleNamespace(frames=more.get("judged", 241_843)),
        troubles=more.get("troubles", ()),
    )  # fmt: skip
    units = [SimpleNamespace(id=f"ac-{1 + n}") for n in range(UNITS_A_SITE)]
    sites = [SimpleNamespace(id=site, units=units) for site in SITES]
    stage = SimpleNamespace(
        service=SimpleNamespace(
            records=SimpleNamespace(standing_alarms=list, tickets=lambda **_: rows),
            configuration=SimpleNamespace(sites=sites),
            status=lambda: status,
        ),
        progress=more.get("progress", Progress(1.0, 10_206, caught_up=True)),
        mails=SimpleNamespace(count=16),
        shown=Path("demo-data/20261125-105345"),
        broker_port=36_627,
        board_url="http://127.0.0.1:36628",
    )
    console = Console(file=io.StringIO(), force_terminal=True, width=width, height=height)
    screen = RichScreen(cast("Stage", stage), console)
    lines = console.render_lines(screen.picture(), pad=False)
    return ["".join(segment.text for segment in line).rstrip() for line in lines]


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("tickets", [0, 1, 3, 14, 60])
def test_it_fits_the_terminal_and_ends_with_how_to_end(width, height, tickets):
    lines = picture(width, height, tickets)
    assert len(lines) <= height
    assert max(len(line) for line in lines) <= width
    assert lines[-1] == "End: Ctrl-C, the files stay"
    assert "  demo-data/20261125-105345/mail/index.html" in lines


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_what_is_left_out_is_counted(width, height):
    lines = picture(width, height, 60)
    shown = sum(" / ac-" in line for line in lines)
    left_out = sum(int(line.split()[1]) for line in lines if line.strip().startswith("and "))
    assert shown + left_out == 60
    assert any("Faults that stand now: 48," in line for line in lines)
    assert any("Readings normal again" in line and line.endswith(": 12") for line in lines)


def test_place_and_fault_are_whole_where_there_is_room():
    text = "\n".join(picture(120, 60, len(FAULTS)))
    for number in range(1, len(FAULTS) + 1):
        row = ticket(number)
        assert f"{row.site} / {row.unit}" in text
        assert FAULTS[number % len(FAULTS)].title in text
    assert "Likeliest cause" in text


def test_the_most_urgent_stand_first():
    words = [line.split()[1] for line in picture(80, 24, 14) if line[:1] in ("▲", "◆", "●")]
    assert words[:4] == ["high"] * 4
    assert "medium" in words


def test_commands_can_be_copied_though_they_take_several_lines():
    """A shell joins lines at a backslash; a line broken elsewhere would be two commands."""
    lines = picture(80, 60, 3)
    at = next(i for i, line in enumerate(lines) if "mosquitto_pub -p" in line)
    command = []
    while lines[at].endswith("\\"):
        command.append(lines[at].rstrip("\\"))
        at += 1
    command.append(lines[at])
    assert len(command) > 1
    assert shlex.split(" ".join(command)) == [
        "mosquitto_pub", "-p", "36627", "-q", "1", "-t", "sites/ridge-dairy/ac-3/senml",
        "-m", '[{"n":"pad_pressure_drop","u":"Pa","v":42}]',
    ]  # fmt: skip


def test_how_far_the_past_has_come_and_what_is_in_the_way_are_told():
    lines = picture(80, 24, 0, progress=Progress(0.33, 3_192), troubles=("The disk is full.",))
    assert any("33%, then it goes live" in line for line in lines)
    assert "! The disk is full." in lines
    assert "No fault found so far." in lines


def test_a_path_below_the_working_directory_is_shown_short(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert near(tmp_path / "demo-data" / "1") == Path("demo-data/1")
    assert near(tmp_path.parent) == tmp_path.parent


def test_who_looks_on_sees_summary_and_digest_within_minutes_whatever_the_teams_zone() -> None:
    watch = (Recipient("Watch", "watch@centre.example"),)
    zones = {"a": "Europe/Madrid", "b": "America/Denver", "c": "Asia/Kolkata"}
    said = Routing({name: TeamRoute(monitoring=watch, time_zone=z) for name, z in zones.items()})
    now = datetime(2026, 11, 28, 23, 58, 41, tzinfo=UTC)
    now_ms = round(now.timestamp() * 1000)
    for team in with_early_lists(said, now).teams.values():
        assert team.hand_over is not None
        assert team.digest is not None
        for timetable in (team.hand_over, team.digest):
            due_ms = timetable.next_after_ms(now_ms)
            assert due_ms is not None
            assert 60_000 < due_ms - now_ms <= 180_000


def test_it_is_not_called_live_while_the_past_is_still_being_judged():
    lines = picture(80, 24, 0, judged=120_950)
    assert any("is being judged" in line and "50%" in line for line in lines)
    assert not any(line.startswith("Live:") for line in lines)
