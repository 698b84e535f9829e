"""The demonstration's parts, started in order and stopped in reverse.

All of it listens on loopback, on ports that are free. The simulator is a process of its own, as a
site's equipment would be; the gateway only knows what comes over the broker.
"""

from __future__ import annotations

import importlib.util
import json
import logging
import os
import signal
import socket
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any, Final, Self
from zoneinfo import ZoneInfo

from gateway.config import load
from gateway.data_directory import RECORDS_FILE
from gateway.demo.mail_catcher import MailCatcher
from gateway.digests.timetable import Timetable
from gateway.embedded_broker import EmbeddedBroker
from gateway.records.records import Records
from gateway.service import Service
from gateway.telemetry import TELEMETRY_FILE, EmbeddedStore
from gateway.tickets.routing import Routing
from rules.events import Change

__all__ = ["DemoError", "Progress", "Stage", "Tally", "near", "raised_by_fault", "with_early_lists"]

log = logging.getLogger(__name__)
_EVER_MS: Final = 1 << 60
_ALL: Final = 1_000_000
_SPEAKS_CBOR: Final = "orchard-packhouse"
_PART_STOPS_WITHIN_S: Final = 20.0
_EVERY_DAY: Final = frozenset(range(7))
_SUMMARIES_MIN: Final = (2, 15, 60)  # minutes after the start
_DIGESTS_MIN: Final = (3, 20, 65)


class DemoError(Exception):
    """The demonstration cannot start; the text says what to do."""


@dataclass(frozen=True)
class Progress:
    """How far the simulated fleet has come: ``share`` of the backlog, and messages sent."""

    share: float = 0.0
    sent: int = 0
    caught_up: bool = False
    stopped: str = ""


@dataclass(frozen=True)
class Tally:
    """What the demonstration came to."""

    samples: int
    frames: int
    alarms_by_fault: dict[str, int]
    tickets: int
    mails: int
    caught_up: bool

    def to_json(self) -> str:
        """One line of JSON."""
        return json.dumps(
            {
                "samples_stored": self.samples,
                "frames_stored": self.frames,
                "alarms_raised": self.alarms_by_fault,
                "tickets": self.tickets,
                "mails": self.mails,
                "caught_up": self.caught_up,
            },
            sort_keys=True,
        )


class Stage:
    """The running demonstration; a context manager."""

    def __init__(self, directory: Path, *, backlog: str, step_s: float, seed: int) -> None:
        self.directory = directory
        self.mail_folder = directory / "mail"
        self._simulate = ["--backlog", backlog, "--step", f"{step_s:g}", "--seed", str(seed)]
        self._stack = ExitStack()
        self._progress = Progress()
        self._failure = ""
        self.broker_port = 0
        self.board_url = ""

    def __enter__(self) -> Self:
        with ExitStack() as stack:
            self._start(stack)
            self._stack = stack.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _start(self, stack: ExitStack) -> None:
        fleet_dir = self.directory / "fleet"
        self._run_simulator("demo-fleet", "--out", str(fleet_dir))
        self.board_url = add_board(fleet_dir) if has_board() else ""
        self.mails = MailCatcher(self.mail_folder)
        self.mails.start()
        stack.callback(self.mails.stop)
        broker = stack.enter_context(EmbeddedBroker())
        self.broker_port = broker.port
        said = load(fleet_dir, os.environ)
        configuration = replace(
            said,
            broker=replace(said.broker, host="127.0.0.1", port=broker.port),
            mail=replace(said.mail, host="127.0.0.1", port=self.mails.port, security="none"),
            routing=with_early_lists(said.routing, datetime.now(UTC)),
        )
        self.service = Service(
            configuration, self.directory / "gateway", on_failure=self._gateway_failed
        )
        stack.callback(self.service.stop, _PART_STOPS_WITHIN_S)
        self.service.start()
        if self.board_url:
            self._start_board(stack, fleet_dir)
        stack.callback(self._stop_simulator)
        self._simulator = subprocess.Popen(  # noqa: S603  # our own module, our own arguments
            [sys.executable, "-m", "simulator", "publish", "--fleet", str(fleet_dir),
             "--port", str(broker.port), "--pack", "24", "--progress",
             "--cbor", _SPEAKS_CBOR, *self._simulate],
            stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        threading.Thread(target=self._follow, name="simulator progress", daemon=True).start()

    def _run_simulator(self, *arguments: str) -> None:
        done = subprocess.run(  # noqa: S603  # our own module, our own arguments
            [sys.executable, "-m", "simulator", *arguments],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode:
            raise DemoError(done.stderr.strip())

    def _start_board(self, stack: ExitStack, fleet_dir: Path) -> None:
        """The web pages, a process of their own, which lets everybody on this machine in."""
        log_file = stack.enter_context((self.directory / "board.log").open("wb"))
        board = subprocess.Popen(  # noqa: S603  # our own module, our own arguments
            [sys.executable, "-m", "gateway.cli", "board", "--fleet", str(fleet_dir),
             "--data", str(self.directory / "gateway"), "--demonstration"],
            stdout=log_file, stderr=log_file, start_new_session=True,
        )  # fmt: skip
        stack.callback(_stop, board)

    def _stop_simulator(self) -> None:
        _stop(self._simulator)

    def _follow(self) -> None:
        last = ""
        assert self._simulator.stderr is not None  # noqa: S101  # it is piped
        for line in self._simulator.stderr:
            try:
                event: dict[str, Any] = json.loads(line)
            except ValueError:
                last = line.strip() or last
                log.warning("Simulator: %s", last)
                continue
            seen = self._progress
            self._progress = replace(
                seen,
                share=1.0 if seen.caught_up else float(event.get("share", seen.share)),
                sent=int(event.get("sent", seen.sent)),
                caught_up=seen.caught_up or event.get("event") == "caught_up",
            )
        status = self._simulator.wait()
        if status:
            why = f"The simulated fleet ended with status {status}: {last or 'no reason given'}"
            self._progress = replace(self._progress, stopped=why)

    def _gateway_failed(self, why: str) -> None:
        self._failure = why

    @property
    def shown(self) -> Path:
        """The directory as a person standing here would write it."""
        return near(self.directory)

    @property
    def progress(self) -> Progress:
        """How far the simulated fleet has come."""
        return self._progress

    @property
    def failure(self) -> str:
        """Why the demonstration cannot go on; empty while it can."""
        return self._failure or self._progress.stopped

    @property
    def settled(self) -> bool:
        """The backlog has been published, judged and stored."""
        status = self.service.status()
        return self._progress.caught_up and status.rules.behind <= 2 and status.store.behind <= 2

    def tally(self) -> Tally:
        """What it came to; to be asked after the end, of the files that are left."""
        store = EmbeddedStore(self.directory / "gateway" / TELEMETRY_FILE, {})
        records = Records(f"sqlite:///{(self.directory / 'gateway' / RECORDS_FILE).absolute()}")
        try:
            return Tally(
                samples=store.count_values(),
                frames=store.size().samples,
                alarms_by_fault=raised_by_fault(records),
                tickets=len(records.tickets(limit=_ALL)),
                mails=self.mails.count,
                caught_up=self._progress.caught_up,
            )
        finally:
            store.close()
            records.close()


def with_early_lists(routing: Routing, now: datetime) -> Routing:
    """The routing with shift summaries and digests minutes from now: who looks on sees both."""

    def timetable(zone: ZoneInfo, minutes: Iterable[int]) -> Timetable:
        local = [(now + timedelta(minutes=m)).astimezone(zone) for m in minutes]
        return Timetable(tuple(time(at.hour, at.minute) for at in local), _EVERY_DAY, zone)

    teams = {}
    for name, team in routing.teams.items():
        zone = ZoneInfo(team.time_zone)
        teams[name] = replace(
            team,
            hand_over=timetable(zone, _SUMMARIES_MIN) if team.monitoring else None,
            digest=timetable(zone, _DIGESTS_MIN),
        )
    return replace(routing, teams=teams)


def _stop(process: subprocess.Popen[Any]) -> None:
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
    try:
        process.wait(_PART_STOPS_WITHIN_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def has_board() -> bool:
    """Whether what the web pages need is installed."""
    return all(importlib.util.find_spec(name) for name in ("fastapi", "uvicorn"))


def add_board(fleet_dir: Path) -> str:
    """Say in fleet.toml where the board answers, on a port that is free; its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    url = f"http://127.0.0.1:{port}"
    with (fleet_dir / "fleet.toml").open("a", encoding="utf-8") as file:
        file.write(f'\n[board]\nport = {port}\npublic_url = "{url}"\n')
    return url


def near(path: Path) -> Path:
    """An absolute path, relative to the working directory where it lies below that."""
    here = Path.cwd()
    return path.relative_to(here) if path.is_relative_to(here) else path


def raised_by_fault(records: Records) -> dict[str, int]:
    """How often each fault's alarm was raised."""
    rows = records.alarm_events(0, _EVER_MS, limit=_ALL)
    return dict(Counter(r.event.fault for r in rows if r.event.change is Change.RAISED))
