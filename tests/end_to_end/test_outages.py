"""What the gateway leans on goes away and comes back: nothing is lost, nothing is said twice.

Each server is a real one, ended and started again, or a real file locked by another program. While
one thing is away the others go on, and each outage has one line in the log at either end.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from support.broker import Mosquitto
from support.data_files import changes, locked, open_records, stored
from support.gateway_command import RunningGateway, StartGateway
from support.influx import VictoriaServer
from support.senml_site import HEALTHY, PUMP_STANDS, SiteGateway
from support.smtp import MailCatcher

from rules.events import Change

UNIT = ("quay-cold-store", "ac-1")
FAULT = "pump-not-running"
RAISED = [(*UNIT, Change.RAISED)]
BOTH = [*RAISED, (*UNIT, Change.RETURNED)]
STEP_S = 30


class Course:
    """A pump that runs, stands, and runs again, told in as many parts as a test likes."""

    def __init__(self, site_gateway: SiteGateway) -> None:
        self.site_gateway = site_gateway
        self._next_s = float(int(time.time()) - 3000)
        self.sent: list[tuple[int, float]] = []
        """Time [ms] and pump current [A] of all that was published."""

    def runs(self, samples: int = 8) -> None:
        self._send(samples, HEALTHY)

    def stands(self, samples: int = 8) -> None:
        self._send(samples, PUMP_STANDS)

    def _send(self, samples: int, values: dict[str, float | bool]) -> None:
        times_s = [self._next_s + i * STEP_S for i in range(samples)]
        self._next_s += samples * STEP_S
        self.site_gateway.send(*UNIT, times_s, values)
        self.sent += [(int(t * 1000), float(values["pump_current"])) for t in times_s]


def turn_away(port: int, times: int) -> None:
    """Where a broker was: take so many connections and end each at once, as attempts that fail."""
    with socket.create_server(("127.0.0.1", port)) as listener:
        listener.settimeout(120)
        for _ in range(times):
            connection, _ = listener.accept()
            connection.close()


def told_once(running: RunningGateway, away: str, back: str) -> None:
    """One line each, the return after the loss, and no other line of trouble."""
    [gone] = running.lines(" ERROR ")
    [returned] = running.lines(back)
    assert away in gone
    assert running.log.index(gone) < running.log.index(returned)


def one_ticket_and(data: Path, mail: MailCatcher, mails: int) -> None:
    """One ticket, and so many mails that all belong to it and were sent once."""
    with open_records(data) as records:
        [ticket] = records.tickets()
        assert records.outbox_counts().waiting == 0
    assert ticket.fault == FAULT
    ids = [r.message["Message-ID"] for r in mail.received]
    assert len(ids) == len(set(ids)) == mails
    assert all(ticket.number in r.message["Subject"] for r in mail.received)


def in_store(running: RunningGateway, wanted: Sequence[object]) -> Callable[[], bool]:
    return lambda: len(stored(running.data, *UNIT, "pump_current")) == len(wanted)


def test_the_broker_is_away_and_comes_back(
    gateway: StartGateway, broker: Mosquitto, mail: MailCatcher
) -> None:
    with gateway() as running:
        with SiteGateway(broker.port) as site_gateway:
            course = Course(site_gateway)
            course.runs()
            running.until(in_store(running, course.sent))
        broker.stop()
        running.wait_for_line(" ERROR ")
        turn_away(broker.port, times=2)
        broker.start()
        with SiteGateway(broker.port) as site_gateway:
            course.site_gateway = site_gateway
            course.stands()  # perhaps before the gateway is back: its session waits for it
            mail.wait_for(1)
            course.runs()
            mail.wait_for(2)
            running.until(in_store(running, course.sent))
    assert stored(running.data, *UNIT, "pump_current") == course.sent
    assert changes(running.data, FAULT) == BOTH
    one_ticket_and(running.data, mail, 2)
    [gone] = running.lines(" ERROR ")
    first, returned = running.lines("Connected to the broker at")
    assert f"Connection to the broker at 127.0.0.1:{broker.port} lost" in gone
    assert running.log.index(first) < running.log.index(gone) < running.log.index(returned)
    assert not running.lines("kept no session")


def test_mail_waits_for_its_server_and_arrives_once(
    gateway: StartGateway, site_gateway: SiteGateway, mail: MailCatcher
) -> None:
    course = Course(site_gateway)
    mail.stop()
    with gateway() as running:
        course.runs()
        course.stands()
        running.wait_for_line(" ERROR ")
        assert changes(running.data, FAULT) == RAISED
        running.until(in_store(running, course.sent))
        with open_records(running.data) as records:
            assert len(records.tickets()) == 1
            assert records.outbox_counts().waiting == 1
        mail.start()
        [opened] = mail.wait_for(1)
        course.runs()
        returned = mail.wait_for(2)[1]
        running.until(in_store(running, course.sent))
    assert returned.message["In-Reply-To"] == opened.message["Message-ID"]
    assert changes(running.data, FAULT) == BOTH
    one_ticket_and(running.data, mail, 2)
    told_once(running, "the mail server 127.0.0.1", "is back")


def test_a_store_that_is_away_holds_up_neither_alarm_nor_mail(
    gateway: StartGateway, site_gateway: SiteGateway, mail: MailCatcher, tmp_path: Path
) -> None:
    course = Course(site_gateway)
    with VictoriaServer(tmp_path / "store") as server, gateway(server.url) as running:

        def exported() -> list[tuple[int, float]]:
            return server.export(site=UNIT[0], unit=UNIT[1]).get("unit_pump_current", [])

        course.runs()
        running.until(lambda: exported() == course.sent)
        server.stop()
        course.stands()
        running.wait_for_line(" ERROR ")
        mail.wait_for(1)
        course.runs()
        mail.wait_for(2)
        server.start()
        running.until(lambda: exported() == course.sent)
    assert changes(running.data, FAULT) == BOTH
    one_ticket_and(running.data, mail, 2)
    told_once(running, "the telemetry server at", "takes samples again")


def test_a_locked_telemetry_file_holds_up_neither_alarm_nor_mail(
    gateway: StartGateway, site_gateway: SiteGateway, mail: MailCatcher
) -> None:
    course = Course(site_gateway)
    with gateway() as running:
        course.runs()
        running.until(in_store(running, course.sent))
        with locked(running.data / "telemetry.sqlite"):
            course.stands()
            mail.wait_for(1)
            course.runs()
            mail.wait_for(2)
            running.wait_for_line(" ERROR ")
        running.until(in_store(running, course.sent))
    assert stored(running.data, *UNIT, "pump_current") == course.sent
    assert changes(running.data, FAULT) == BOTH
    one_ticket_and(running.data, mail, 2)
    told_once(running, "telemetry.sqlite", "takes samples again")


def test_locked_records_delay_a_ticket_and_never_double_it(
    gateway: StartGateway, site_gateway: SiteGateway, mail: MailCatcher
) -> None:
    course = Course(site_gateway)
    with gateway() as running:
        course.runs()
        running.until(in_store(running, course.sent))
        with locked(running.data / "records.sqlite"):
            course.stands()
            running.until(in_store(running, course.sent))  # charts do not wait for the records
            running.wait_for_line(" ERROR ")
            assert mail.received == []
        mail.wait_for(1)
        course.runs()
        mail.wait_for(2)
    assert stored(running.data, *UNIT, "pump_current") == course.sent
    assert changes(running.data, FAULT) == BOTH
    one_ticket_and(running.data, mail, 2)
    told_once(running, "The records at", "The records can be written again")
