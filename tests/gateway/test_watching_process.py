"""``basinward run`` as a process, as a service manager and a scraper see it, with a real broker."""

from __future__ import annotations

import json
import os
import signal
import socket
import threading
from collections.abc import Iterator
from http.client import HTTPConnection
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from support.broker import Mosquitto
from support.fleet_files import write_fleet
from support.gateway_command import RunningGateway
from support.ports import free_port
from support.senml_site import HEALTHY, SiteGateway
from support.smtp import MailCatcher


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path / "broker") as broker:
        yield broker


class ServiceManager:
    """What listens at NOTIFY_SOCKET, all the time, as a service manager does."""

    def __init__(self, name: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(name)
        self._heard: SimpleQueue[str] = SimpleQueue()
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def heard(self, words: str) -> str:
        """The next datagram with these words; other ones before it are passed over."""
        while True:
            said = self._heard.get(timeout=120)
            if words in said:
                return said

    def close(self) -> None:
        self._socket.sendto(b"", self._socket.getsockname())
        self._thread.join(120)
        self._socket.close()

    def _listen(self) -> None:
        while data := self._socket.recv(4096):
            self._heard.put(data.decode())


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[ServiceManager]:
    """A service manager at an abstract name, which wants signs of life."""
    name = f"basinward-{os.getpid()}-{tmp_path.name}"
    monkeypatch.setenv("NOTIFY_SOCKET", f"@{name}")
    monkeypatch.setenv("WATCHDOG_USEC", "600000")
    manager = ServiceManager(f"\0{name}")
    yield manager
    manager.close()


def ask(port: int, path: str) -> tuple[int, str]:
    connection = HTTPConnection("127.0.0.1", port, timeout=120)
    try:
        connection.request("GET", path, headers={"Accept": "application/openmetrics-text"})
        response = connection.getresponse()
        return response.status, response.read().decode()
    finally:
        connection.close()


def troubles(port: int) -> dict[str, str]:
    """What keeps it from being ready: kinds, and their sentences."""
    _, body = ask(port, "/health/ready")
    return {reason["kind"]: reason["says"] for reason in json.loads(body)["reasons"]}


def value(port: int, name: str) -> float:
    _, text = ask(port, "/metrics")
    for family in text_string_to_metric_families(text):
        for sample in family.samples:
            if sample.name == f"basinward_{name}" and not sample.labels:
                return sample.value
    raise AssertionError(f"{name} is not in:\n{text}")


def test_from_start_to_stop_in_the_eyes_of_a_service_manager_and_a_scraper(
    broker: Mosquitto, manager: ServiceManager, tmp_path: Path
) -> None:
    port = free_port()
    with MailCatcher() as mail:
        fleet = write_fleet(
            tmp_path / "fleet", broker_port=broker.port, mail_port=mail.port,
            watch=f'port = {port}\noperators = ["ops@centre.example"]\n'
            "broker_away_s = 1\ncalm_s = 1\n",
        )  # fmt: skip
        running = RunningGateway(
            fleet, tmp_path / "data", lambda: broker.log.count("Sending SUBACK to watch-1"),
            "--log-format", "json",
        )  # fmt: skip
        with running:
            assert manager.heard("READY=1").splitlines()[0] == "READY=1"
            manager.heard("WATCHDOG=1")
            running.until(lambda: ask(port, "/health")[0] == 200)
            with SiteGateway(broker.port) as site_gateway:
                site_gateway.send("quay-cold-store", "ac-1", [1.0], HEALTHY)  # too old
                site_gateway.publish("sites/hill-dairy/status", b"online")
            running.until(lambda: value(port, "messages_total") == 2)

            broker.kill()
            running.until(lambda: "broker" in troubles(port))
            assert ask(port, "/health")[0] == ask(port, "/health/ready")[0] == 503
            assert f"127.0.0.1:{broker.port}" in troubles(port)["broker"]
            assert ask(port, "/health/live")[0] == 200
            manager.heard("STATUS=1 in trouble: ")
            (begin,) = mail.wait_for(1)
            assert begin.message["Subject"] == "[GATEWAY] The broker is away (Test fleet)"
            broker.start()
            running.until(lambda: ask(port, "/health")[0] == 200, timeout_s=120)
            manager.heard("STATUS=In order.")
            _, end = mail.wait_for(2)
            assert end.message["In-Reply-To"] == begin.message["Message-ID"]

            running.signal(signal.SIGHUP)
            assert "MONOTONIC_USEC=" in manager.heard("RELOADING=1")
            manager.heard("READY=1")
            (fleet / "oncall.toml").write_text("teams = 3")
            running.signal(signal.SIGHUP)
            manager.heard("RELOADING=1")
            manager.heard("READY=1")  # a reload that is refused ends too
        manager.heard("STOPPING=1")
        assert len(mail.received) == 2
    events: list[dict[str, Any]] = [json.loads(line) for line in running.log.splitlines()]
    (raised,) = [e for e in events if e.get("fields", {}).get("state") == "raised"]
    assert raised["level"] == "ERROR"
    assert raised["fields"]["condition"] == "broker-away"
    (over,) = [e for e in events if e.get("fields", {}).get("state") == "over"]
    assert over["time"] > raised["time"]
