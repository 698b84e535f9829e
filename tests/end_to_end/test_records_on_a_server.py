"""The whole gateway with its records on PostgreSQL: the server is killed, another gateway comes."""

from __future__ import annotations

import signal
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.broker import Mosquitto
from support.data_files import stored
from support.fleet_files import write_fleet
from support.gateway_command import RunningGateway, command, refused
from support.postgres import PASSWORD, USER, PostgresServer
from support.senml_site import HEALTHY, PUMP_STANDS, SiteGateway
from support.smtp import MailCatcher

from gateway.records import Records
from rules.events import Change

UNIT = ("quay-cold-store", "ac-1")
OTHER = ("quay-cold-store", "ac-2")
FAULT = "pump-not-running"
STEP_S = 30


@pytest.fixture
def postgres() -> Iterator[PostgresServer]:
    with PostgresServer() as server:
        yield server


def test_a_server_that_is_killed_delays_tickets_and_a_second_gateway_is_refused(
    postgres: PostgresServer,
    broker: Mosquitto,
    site_gateway: SiteGateway,
    mail: MailCatcher,
    tmp_path: Path,
) -> None:
    url = postgres.new_database()
    fleet = write_fleet(tmp_path / "fleet", broker_port=broker.port, mail_port=mail.port)
    (fleet / "records-password").write_text(PASSWORD)
    (fleet / "records-password").chmod(0o600)
    with (fleet / "fleet.toml").open("a") as file:
        file.write(
            f'\n[records]\nurl = "postgresql://127.0.0.1:{postgres.port}/{url.database}"\n'
            f'username = "{USER}"\npassword_file = "records-password"\n'
        )
    start_s = int(time.time()) - 1500
    times_s = [float(start_s + i * STEP_S) for i in range(40)]
    healthy, fault, cleared = times_s[:10], times_s[10:25], times_s[25:]
    with RunningGateway(
        fleet, tmp_path / "data", lambda: broker.log.count("Sending SUBACK to watch-1")
    ) as running:
        site_gateway.send(*UNIT, healthy, HEALTHY)
        site_gateway.send(*OTHER, healthy, HEALTHY)
        site_gateway.send(*UNIT, fault[:8], PUMP_STANDS)
        mail.wait_for(1)
        assert "BW-000001" in command("tickets", "--data", str(running.data))
        said = refused("run", "--fleet", str(fleet), "--data", str(tmp_path / "second"))
        assert "Another gateway (on " in said
        assert f"data in {running.data.absolute()})" in said

        postgres.kill(signal.SIGKILL)
        site_gateway.send(*UNIT, fault[8:], PUMP_STANDS)
        site_gateway.send(*OTHER, fault, PUMP_STANDS)
        running.wait_for_line("Alarms and tickets wait")
        running.until(lambda: len(stored(running.data, *OTHER, "pump_current")) == 25)
        postgres.start()
        mail.wait_for(2)
        site_gateway.send(*UNIT, cleared, HEALTHY)
        site_gateway.send(*OTHER, cleared, HEALTHY)
        mail.wait_for(4)
        assert PASSWORD not in running.log
    records = Records(url)
    events = [e for e in records.alarm_events(0, 2**60) if e.event.fault == FAULT]
    assert Counter((e.unit, e.event.change) for e in events) == {
        (unit, change): 1
        for unit in ("ac-1", "ac-2")
        for change in (Change.RAISED, Change.RETURNED)
    }
    assert len(records.tickets()) == 2
    records.close()
    assert set(Counter(m.message["Message-ID"] for m in mail.received).values()) == {1}
    assert len(mail.received) == 4
