"""Job sheets from the helper process: the same bytes, and no mail is lost by what befalls it."""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator

import pytest
from ticket_scenes import FAULTS, mesa_site, notice, quay_site

import gateway.tickets.sheet_maker as making
from gateway.tickets.jobsheet import job_sheet
from gateway.tickets.render import MailRenderer
from gateway.tickets.sheet_maker import SheetMaker

TICKET = MailRenderer([quay_site(), mesa_site()], FAULTS).ticket(notice())
HERE = job_sheet(TICKET, made_ms=7)
START_S = 60.0


class Clock:
    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def maker(clock: Clock) -> Iterator[SheetMaker]:
    made = SheetMaker(clock)
    yield made
    made.close()


def started(maker: SheetMaker) -> int:
    helper = maker.helper(START_S)
    assert helper is not None
    return helper


def ends(process_id: int) -> bool:
    """Whether a process that is not our child ends (pidfd_open(2): readable when it does)."""
    try:
        descriptor = os.pidfd_open(process_id)
    except ProcessLookupError:
        return True
    try:
        return bool(select.select([descriptor], [], [], 20.0)[0])
    finally:
        os.close(descriptor)


def count_here(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    made: list[str] = []

    def counted(*about: object, **more: object) -> bytes:
        made.append("here")
        return HERE

    monkeypatch.setattr(making, "job_sheet", counted)
    return made


def test_the_first_sheet_does_not_wait_for_the_helper(maker: SheetMaker) -> None:
    assert maker(TICKET, made_ms=7) == HERE
    started(maker)


def test_the_helper_makes_the_same_bytes(
    maker: SheetMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    started(maker)
    here = count_here(monkeypatch)
    assert maker(TICKET, made_ms=7) == HERE
    assert maker(TICKET, made_ms=7, page="Letter", link="https://b.example/t") != HERE
    assert here == []


def test_a_killed_helper_costs_nothing_and_another_comes_after_a_while(
    maker: SheetMaker, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    first = started(maker)
    os.kill(first, signal.SIGKILL)
    assert ends(first)
    assert maker(TICKET, made_ms=7) == HERE
    assert "Sheets are made in the gateway itself" in caplog.text
    assert maker.helper(0.0) is None
    clock.now_s += 61.0
    assert started(maker) != first


def test_a_helper_that_stands_still_is_given_up(
    maker: SheetMaker, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    still = started(maker)
    monkeypatch.setattr(making, "_LONGEST_S", 0.1)
    os.kill(still, signal.SIGSTOP)
    assert maker(TICKET, made_ms=7) == HERE
    assert "no sheet within" in caplog.text
    assert ends(still)


def test_what_the_helper_cannot_make_is_tried_here_and_the_helper_stays(maker: SheetMaker) -> None:
    helper = started(maker)
    with pytest.raises(TypeError):
        maker("no ticket", made_ms="never")  # type: ignore[arg-type]
    assert maker.helper() == helper
    assert maker(TICKET, made_ms=7) == HERE


def test_where_no_process_can_be_started_sheets_are_made_all_the_same(
    maker: SheetMaker, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    assert maker(TICKET, made_ms=7) == HERE
    assert "is of no use (FileNotFoundError" in caplog.text


def test_it_outlives_the_signals_that_tell_the_gateway_to_end_and_ends_with_it(
    maker: SheetMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is still to be sent at the end of the gateway has its sheet."""
    helper = started(maker)
    os.kill(helper, signal.SIGTERM)
    os.kill(helper, signal.SIGINT)
    here = count_here(monkeypatch)
    assert maker(TICKET, made_ms=7) == HERE
    assert here == []
    maker.close()
    assert ends(helper)
    assert maker(TICKET, made_ms=7) == HERE
    assert here == ["here"]


def test_no_helper_outlives_a_gateway_that_is_killed() -> None:
    program = (
        "from gateway.tickets.sheet_maker import SheetMaker\n"
        "maker = SheetMaker()\n"
        f"print(maker.helper({START_S}), flush=True)\n"
        "input()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as parent:
        assert parent.stdout is not None
        helper = int(parent.stdout.readline())
        parent.kill()
    assert ends(helper)


@pytest.mark.parametrize("told", [b"", b"\0\0\1\0 half a request"])
def test_a_helper_whose_gateway_was_killed_ends_without_a_word(told: bytes) -> None:
    """Killed before the helper was ready, or while it sent a request: either breaks the pipe."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.sendall(told)
        helper = subprocess.Popen(
            [sys.executable, "-P", "-c", making._SERVE, str(theirs.fileno())],
            pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL, stderr=subprocess.PIPE,
        )  # fmt: skip
        theirs.close()
        ours.close()
        _, said = helper.communicate(timeout=120)
    assert (helper.returncode, said) == (0, b"")
