"""``basinward board`` as a process: its rooms answer, and open pages do not keep it from ending."""

from __future__ import annotations

import urllib.request
from pathlib import Path

import pytest
from support.fleet_files import write_fleet
from support.ports import free_port
from support.records import open_records
from support.running_board import RunningBoard


@pytest.fixture
def places(tmp_path: Path) -> tuple[Path, Path, str]:
    """Fleet and data directory of a gateway that has run, and where its board will answer."""
    port = free_port()
    fleet = write_fleet(tmp_path / "fleet", broker_port=1, mail_port=2)
    with (fleet / "fleet.toml").open("a") as file:
        file.write(f"\n[board]\nport = {port}\n")
    (tmp_path / "data").mkdir()
    open_records(tmp_path / "data").close()
    return fleet, tmp_path / "data", f"http://127.0.0.1:{port}"


def test_it_ends_in_good_order_while_many_pages_follow_it(places):
    fleet, data, base = places
    streams = []
    with RunningBoard(fleet, data, ["--demonstration"]) as board:
        page = board.ask(base + "/").text
        assert "Demonstration" in page
        assert "The gateway is silent" in page
        for _ in range(20):
            stream = urllib.request.urlopen(base + "/live", timeout=120)  # noqa: S310 - loopback
            assert stream.readline() == b"retry: 5000\n"
            assert stream.readline() == b"event: hello\n"
            streams.append(stream)
    # They were let go, not cut off after the time for which answers under way are waited for.
    assert "timeout graceful shutdown exceeded" not in board.log
    for stream in streams:
        assert b"event: change" not in stream.read()
        stream.close()
