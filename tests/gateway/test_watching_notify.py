"""The service manager's protocol: datagrams on a real socket, as sd_notify(3) describes them."""

from __future__ import annotations

import logging
import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.watching.notify import ServiceManager


@pytest.fixture(params=["path", "abstract"])
def listening(
    request: pytest.FixtureRequest, tmp_path: Path
) -> Iterator[tuple[str, socket.socket]]:
    """NOTIFY_SOCKET and a socket that hears it, by path and by abstract name."""
    address = f"@basinward-{os.getpid()}-{tmp_path.name}"
    if request.param == "path":
        address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as hears:
        hears.bind(address.replace("@", "\0", 1) if request.param == "abstract" else address)
        hears.settimeout(120)
        yield address, hears


def test_what_is_said_arrives_as_assignments(listening: tuple[str, socket.socket]) -> None:
    address, hears = listening
    manager = ServiceManager.of({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "20000000"})
    assert manager.watchdog_s == 20.0
    manager.ready("Started.")
    manager.status("One\nline\tonly.")
    manager.alive()
    before_us = time.monotonic_ns() // 1000
    manager.reloading()
    manager.stopping()
    assert hears.recv(4096) == b"READY=1\nSTATUS=Started."
    assert hears.recv(4096) == b"STATUS=One line only."
    assert hears.recv(4096) == b"WATCHDOG=1"
    reloading, at = hears.recv(4096).decode().splitlines()
    assert reloading == "RELOADING=1"
    # sd_notify(3): a reload carries the monotonic time at which it began.
    assert before_us <= int(at.removeprefix("MONOTONIC_USEC=")) <= time.monotonic_ns() // 1000
    assert hears.recv(4096) == b"STOPPING=1"


@pytest.mark.parametrize(
    ("environ", "watchdog_s"),
    [
        ({}, 0.0),
        ({"WATCHDOG_USEC": "1000000"}, 0.0),
        ({"NOTIFY_SOCKET": "/run/x"}, 0.0),
        ({"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "1500000"}, 1.5),
        ({"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "1500000", "WATCHDOG_PID": "77"}, 1.5),
        ({"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "1500000", "WATCHDOG_PID": "78"}, 0.0),
        ({"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "soon"}, 0.0),
        ({"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "-5"}, 0.0),
    ],
)
def test_the_watchdog_is_the_one_that_the_manager_asks_of_this_process(environ, watchdog_s):
    assert ServiceManager.of(environ, pid=77).watchdog_s == watchdog_s


def test_without_a_service_manager_nothing_happens(caplog: pytest.LogCaptureFixture) -> None:
    manager = ServiceManager.of({})
    manager.ready("Started.")
    manager.alive()
    assert caplog.records == []


def test_a_manager_that_does_not_listen_is_told_of_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    manager = ServiceManager(str(tmp_path / "nobody"), 10.0)
    for _ in range(3):
        manager.alive()
    assert [r.levelname for r in caplog.records] == ["WARNING"]


def test_a_name_that_is_no_path_is_refused(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING):
        ServiceManager.of({"NOTIFY_SOCKET": "vsock:2:1234"}).ready("Started.")
    assert "no path" in caplog.text
