"""``basinward board`` where it cannot start: what is wrong, and what to do."""

from __future__ import annotations

import socket
import sys
from pathlib import Path

import pytest
from support.fleet_files import write_fleet
from support.ports import free_port
from support.records import open_records
from typer.testing import CliRunner

from gateway.board.key import KEY_FILE
from gateway.cli.app import app


@pytest.fixture
def places(tmp_path: Path) -> tuple[Path, Path]:
    """Fleet and data directory of a gateway that has run; its board's port is free."""
    fleet = write_fleet(tmp_path / "fleet", broker_port=1, mail_port=2)
    with (fleet / "fleet.toml").open("a") as file:
        file.write(f"\n[board]\nport = {free_port()}\n")
    (tmp_path / "data").mkdir()
    open_records(tmp_path / "data").close()
    return fleet, tmp_path / "data"


def refused(places: tuple[Path, Path], *more: str) -> str:
    fleet, data = places
    result = CliRunner().invoke(app, ["board", "--fleet", str(fleet), "--data", str(data), *more])
    assert result.exit_code == 1, result.output
    return " ".join(result.stderr.split())


def test_a_port_that_is_taken(places):
    port = free_port()
    path = places[0] / "fleet.toml"
    path.write_text(path.read_text().rpartition("port = ")[0] + f"port = {port}\n")
    with socket.create_server(("127.0.0.1", port)):
        said = refused(places)
    assert f"cannot listen at 127.0.0.1 port {port}" in said
    assert "change address or port under [board]" in said


@pytest.mark.parametrize("address", ["0.0.0.0", "192.0.2.1", "::", "board.example"])  # noqa: S104 - refused
def test_a_demonstration_that_others_could_reach(places, address):
    said = refused(places, "--demonstration", "--address", address)
    assert f"lets everybody in, and {address} can be reached from other machines" in said
    assert "basinward accounts add" in said


def test_a_key_that_others_may_read(places):
    key = places[1] / KEY_FILE
    key.write_text("k" * 64)
    key.chmod(0o644)
    said = refused(places)
    assert "The key that signs links cannot be used" in said
    assert "Delete it" in said
    assert "kkkk" not in said


def test_records_that_are_not_there(places):
    (places[1] / "records.sqlite").unlink()
    assert "There are no records in" in refused(places)


def test_an_installation_without_the_web_packages(places, monkeypatch):
    for name in ("gateway.board.app", "gateway.board.server", "fastapi", "uvicorn"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setitem(sys.modules, "fastapi", None)
    assert "pip install 'basinward[board]'" in refused(places)
