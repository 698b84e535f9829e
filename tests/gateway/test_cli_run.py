"""``basinward run`` as a process: start, reload, stop, and what it says when it cannot."""

import os
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
from config_fleet import ENVIRON, REAL_FLEET, REAL_SITE, replaced, write
from support.ports import free_port

REPOSITORY = Path(__file__).parents[2]


@pytest.fixture
def fleet(tmp_path):
    """A configuration whose broker is a port where nobody answers."""
    text = replaced(REAL_FLEET, "port = 1883", f"port = {free_port()}")
    return write(tmp_path / "fleet", fleet=text, site=REAL_SITE)


@contextmanager
def _gateway(fleet: Path, data: Path):
    process = subprocess.Popen(
        [sys.executable, "-m", "gateway.cli", "run", "--fleet", fleet, "--data", data],
        cwd=REPOSITORY, env={**os.environ, **ENVIRON}, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        process.stderr.close()


def _read_until(process, words: str) -> str:
    """Lines of the log up to the one with these words; the log's end fails the test."""
    seen = ""
    for line in process.stderr:
        seen += line
        if words in line:
            return seen
    raise AssertionError(f"{words!r} was not said:\n{seen}")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_starts_without_a_broker_and_stops_in_good_order(fleet, tmp_path, number):
    with _gateway(fleet, tmp_path / "data") as process:
        _read_until(process, "The gateway watches 1 units at 1 sites")
        process.send_signal(number)
        _read_until(process, "stopped in good order")
        rest = process.stderr.read()
        assert process.wait() == 0
        assert "Traceback" not in rest
    assert (tmp_path / "data" / "journal.sqlite").exists()


def test_a_bad_reload_is_refused_whole_and_a_good_one_is_used(fleet, tmp_path):
    site = fleet / "sites" / "quay-cold-store.toml"
    good = site.read_text()
    with _gateway(fleet, tmp_path / "data") as process:
        _read_until(process, "The gateway watches 1 units at 1 sites")
        site.write_text(replaced(good, "depth_mm = 400", "depth_mm = 12000"))
        process.send_signal(signal.SIGHUP)
        log = _read_until(process, "depth_mm: is above the limit, 3000 mm")
        assert "The new configuration is not used; the present one stays in use." in log
        site.write_text(replaced(good, "depth_mm = 400", "depth_mm = 420"))
        process.send_signal(signal.SIGHUP)
        _read_until(process, "The new configuration is in use.")
        process.send_signal(signal.SIGTERM)
        _read_until(process, "stopped in good order")
        assert process.wait() == 0


def test_a_second_gateway_on_the_same_data_is_refused(fleet, tmp_path):
    with _gateway(fleet, tmp_path / "data") as first:
        _read_until(first, "The gateway watches")
        with _gateway(fleet, tmp_path / "data") as second:
            said = second.stderr.read()
            assert second.wait() == 1
        assert said.startswith("Error: ")
        assert "Traceback" not in said
        first.send_signal(signal.SIGTERM)
        _read_until(first, "stopped in good order")


def test_a_bad_configuration_starts_nothing(fleet, tmp_path):
    (fleet / "oncall.toml").write_text("teams = 3")
    with _gateway(fleet, tmp_path / "data") as process:
        said = process.stderr.read()
        assert process.wait() == 1
    assert "teams: must be a table" in said
    assert "nothing has been started" in said
    assert "basinward check --fleet" in said
    assert "Traceback" not in said
    assert not (tmp_path / "data").exists()


def test_a_data_directory_that_cannot_be_one_ends_with_a_sentence(fleet, tmp_path):
    (tmp_path / "data").write_text("a file")
    with _gateway(fleet, tmp_path / "data") as process:
        said = process.stderr.read()
        assert process.wait() == 1
    assert said.startswith("Error: ")
    assert "Traceback" not in said
