"""Sites that publish a known stream to a real gateway, for tests that disturb it.

``BASINWARD_LONG_RUNS=20`` repeats each seeded test with 20 seeds instead of one.
"""

from __future__ import annotations

import functools
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from support.broker import Mosquitto
from support.fleet_files import write_fleet
from support.gateway_command import RunningGateway
from support.smtp import MailCatcher
from support.stream import STEP_MS, Message, readings
from support.undisturbed import Undisturbed, undisturbed
from support.watched_sites import WatchedSites

from gateway.config import load

NOW_MS = time.time_ns() // 1_000_000
END_MS = (NOW_MS // STEP_MS - 10) * STEP_MS
INSTANTS = 160

Change = Callable[[list[Message]], list[Message]]
Watch = Callable[..., WatchedSites]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Each test that takes a ``seed`` runs with one, or with as many as the environment says."""
    if "seed" in metafunc.fixturenames:
        runs = int(os.environ.get("BASINWARD_LONG_RUNS", "1"))
        metafunc.parametrize("seed", range(1, runs + 1))


@pytest.fixture
def folder() -> Iterator[Path]:
    """A directory in memory where there is one.

    A killed process leaves what it has written to the kernel, be it on a disk or not: the disk
    would only make the test slow.
    """
    memory = Path("/dev/shm")  # noqa: S108 - a directory of its own is made in it
    made = Path(tempfile.mkdtemp(dir=memory if os.access(memory, os.W_OK) else None))
    yield made
    shutil.rmtree(made, ignore_errors=True)


@pytest.fixture
def broker(folder: Path) -> Iterator[Mosquitto]:
    with Mosquitto(folder / "broker") as broker:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        client.publish("sites/hill-dairy/status", b"online", 1, retain=True).wait_for_publish(120)
        client.disconnect()
        client.loop_stop()
        yield broker


@pytest.fixture
def mail() -> Iterator[MailCatcher]:
    with MailCatcher() as mail:
        yield mail


@functools.cache
def _known(
    seed: int, instants: int, step_ms: int, change: Change | None
) -> tuple[list[Message], Undisturbed]:
    messages = readings(seed, END_MS, instants, step_ms)
    if change is not None:
        messages = change(messages)
    with tempfile.TemporaryDirectory() as scratch:
        fleet = write_fleet(Path(scratch) / "fleet", broker_port=1, mail_port=1)
        expected = undisturbed(load(fleet, {}), messages, NOW_MS, Path(scratch))
    assert expected.lines.total() >= 10, "the stream must have something to tell"
    assert expected.tickets.total() >= 4
    return messages, expected


@pytest.fixture
def watch(folder: Path, broker: Mosquitto, mail: MailCatcher) -> Watch:
    """Makes sites that publish a stream and the gateway that watches them.

    ``change`` rearranges the stream. Ports are those of broker and mail server where none is given.
    """

    def make(
        seed: int,
        *,
        instants: int = INSTANTS,
        step_ms: int = STEP_MS,
        change: Change | None = None,
        broker_port: int = 0,
        mail_port: int = 0,
        influx_url: str = "",
        keep_alive_s: int = 60,
        data: Path | None = None,
        environment: Mapping[str, str] | None = None,
    ) -> WatchedSites:
        messages, expected = _known(seed, instants, step_ms, change)
        fleet = write_fleet(
            folder / "fleet",
            broker_port=broker_port or broker.port,
            mail_port=mail_port or mail.port,
            influx_url=influx_url,
            keep_alive_s=keep_alive_s,
        )
        gateway = RunningGateway(
            fleet,
            data or folder / "data",
            lambda: broker.log.count("Sending SUBACK to watch-1"),
            brisk=True,
            environment=environment,
        )
        return WatchedSites(gateway, broker, mail, messages, expected)

    return make
