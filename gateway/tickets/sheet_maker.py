"""Makes job sheets in a process of its own, so that samples and alarms never wait for a sheet.

A sheet takes a tenth of a second of processor, all of it under the interpreter's lock. The helper
process is started at the first sheet and ends with the gateway, however that ends: it reads from a
socket that only the gateway holds the other end of. While it starts, and where it is killed, stands
still or cannot be started, sheets are made here; they are the same to the last byte.
"""

from __future__ import annotations

import logging
import pickle
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import Final, Literal

from gateway.tickets.jobsheet import job_sheet
from gateway.tickets.ticket import Ticket

__all__ = ["SheetMaker"]

log = logging.getLogger(__name__)

_LONGEST_S: Final = 20.0
"""What a sheet may take the helper; longer means that it stands still."""
_STARTED_AGAIN_S: Final = 60.0
_SERVE: Final = "import sys; from gateway.tickets.sheet_maker import serve; serve(int(sys.argv[1]))"


class SheetMaker:
    """Makes sheets as :func:`gateway.tickets.jobsheet.job_sheet` does. Any thread may ask."""

    def __init__(self, clock_s: Callable[[], float] = time.monotonic) -> None:
        """Start nothing yet."""
        self._clock_s = clock_s
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._helper: Connection | None = None
        self._ready = False
        self._not_before_s = float("-inf")
        self._closed = False

    def __call__(
        self, ticket: Ticket, *, made_ms: int, page: Literal["A4", "Letter"] = "A4", link: str = ""
    ) -> bytes:
        """The sheet as PDF."""
        with self._lock:
            try:
                sheet = self._asked((ticket, made_ms, page, link))
            except (OSError, EOFError, pickle.PickleError) as error:
                log.warning(
                    "The helper process that makes job sheets is of no use (%s: %s). Sheets are "
                    "made in the gateway itself; a new helper is tried in %.0f s.",
                    type(error).__name__, error, _STARTED_AGAIN_S,
                )  # fmt: skip
                self._end()
                self._not_before_s = self._clock_s() + _STARTED_AGAIN_S
                sheet = None
        return sheet or job_sheet(ticket, made_ms=made_ms, page=page, link=link)

    def helper(self, within_s: float = 0.0) -> int | None:
        """The helper's process id; None where there is none that makes sheets in that time."""
        with self._lock:
            ready = self._is_ready(within_s)
            return self._process.pid if ready and self._process is not None else None

    def close(self) -> None:
        """End the helper; sheets are still made, here."""
        self._closed = True
        process = self._process
        if process is not None:
            process.kill()  # who waits for a sheet of it now waits no longer
        with self._lock:
            self._end()

    def _asked(self, request: tuple[Ticket, int, str, str]) -> bytes | None:
        """The helper's sheet; None where there is no helper yet, or none of this ticket."""
        if not self._is_ready() or self._helper is None:
            return None
        self._helper.send(request)
        if not self._helper.poll(_LONGEST_S):
            msg = f"no sheet within {_LONGEST_S:.0f} s"
            raise TimeoutError(msg)
        sheet = self._helper.recv()
        return sheet if isinstance(sheet, bytes) else None

    def _is_ready(self, within_s: float = 0.0) -> bool:
        if self._helper is None and not self._closed and self._clock_s() >= self._not_before_s:
            self._start()
        if not self._ready and self._helper is not None and self._helper.poll(within_s):
            self._helper.recv()
            self._ready = True
        return self._ready

    def _start(self) -> None:
        ours, theirs = socket.socketpair()
        with theirs:
            self._helper = Connection(ours.detach())
            self._process = subprocess.Popen(  # noqa: S603  # our own interpreter, our own code
                [sys.executable, "-P", "-c", _SERVE, str(theirs.fileno())],
                stdin=subprocess.DEVNULL, pass_fds=[theirs.fileno()],
            )  # fmt: skip

    def _end(self) -> None:
        if self._helper is not None:
            self._helper.close()
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        self._process = self._helper = None
        self._ready = False


def serve(descriptor: int) -> None:
    """The helper: answer what comes over a socket until the other end is closed."""
    # A service manager, and Ctrl-C in a terminal, tell all processes at once to end; the gateway
    # sends what is due before it does, and this one ends with it.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    # However the gateway ended, nobody is left to answer.
    with Connection(descriptor) as gateway, suppress(EOFError, OSError):
        gateway.send("ready")
        while True:
            ticket, made_ms, page, link = gateway.recv()
            try:
                answer: bytes | str = job_sheet(ticket, made_ms=made_ms, page=page, link=link)
            except Exception as error:  # noqa: BLE001  # the gateway tries it itself, and tells
                answer = f"{type(error).__name__}: {error}"
            gateway.send(answer)
