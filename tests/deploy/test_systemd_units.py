"""deploy/systemd, judged by systemd's own tools (of the installed version; 252 in Debian 12)."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.cli.app import app

FOLDER = Path(__file__).parents[2] / "deploy" / "systemd"
UNITS = {"basinward.service": "run", "basinward-board.service": "board"}
PROGRAM = "/opt/basinward/bin/basinward"
WORST_EXPOSURE = 1.5
"""``systemd-analyze security`` gives 0 to 10; what remains is the network that it works by."""


def run(*arguments: str) -> str:
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.fixture(params=UNITS)
def unit(tmp_path, request) -> Path:
    """Each unit with a program that is there."""
    text = (FOLDER / request.param).read_text()
    assert text.count(PROGRAM) == 1
    path = tmp_path / request.param
    path.write_text(text.replace(PROGRAM, sys.executable))
    return path


def test_the_unit_is_one(unit):
    assert run("systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(unit)) == ""


def test_what_is_wrong_in_a_unit_would_be_found(unit):
    unit.write_text(unit.read_text().replace("ProtectClock=", "ProtectClok="))
    with pytest.raises(AssertionError, match="Unknown key 'ProtectClok'"):
        run("systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(unit))


def test_it_is_shut_in(unit):
    said = run("systemd-analyze", "security", "--offline=true", "--no-pager", str(unit))
    (level,) = re.findall(r"Overall exposure level for [\w-]+\.service: ([\d.]+)", said)
    assert float(level) <= WORST_EXPOSURE, said


def test_every_unit_is_looked_at():
    assert {path.name for path in FOLDER.glob("*.service")} == set(UNITS)


@pytest.mark.parametrize("name", UNITS)
def test_its_command_can_be_given_so(name):
    from typer.main import get_command

    (line,) = re.findall(rf"^ExecStart={PROGRAM} (.*)$", (FOLDER / name).read_text(), re.MULTILINE)
    command, *options = line.split()
    assert command == UNITS[name]
    run_command = get_command(app).commands[command]
    context = run_command.make_context("basinward run", list(options))
    assert context.params["fleet"] == Path("/etc/basinward")
    assert context.params["data"] == Path("/var/lib/basinward")


def test_the_drop_in_for_the_broker_is_one(tmp_path):
    unit = tmp_path / "mosquitto.service"
    unit.write_text(f"[Service]\nExecStart={sys.executable}\n")
    folder = tmp_path / "mosquitto.service.d"
    folder.mkdir()
    text = (FOLDER / "mosquitto-many-sites.conf").read_text()
    (folder / "many-sites.conf").write_text(text)
    assert run("systemd-analyze", "verify", "--man=no", "--recursive-errors=no", str(unit)) == ""


@pytest.mark.skipif(os.geteuid() != 0, reason="makes files that belong to other users")
def test_user_and_folders_are_made_as_the_unit_needs_them(tmp_path):
    """Below a root directory of the test's own."""
    etc = tmp_path / "etc"
    etc.mkdir()
    (etc / "passwd").write_text("root:x:0:0:root:/root:/bin/sh\n")
    (etc / "group").write_text("root:x:0:\n")
    root = f"--root={tmp_path}"
    run("systemd-sysusers", root, str(FOLDER / "basinward.sysusers"))
    (entry,) = re.findall(r"^basinward:.*$", (etc / "passwd").read_text(), re.MULTILINE)
    _, _, uid, gid, _, home, shell = entry.split(":")
    assert (home, shell) == ("/var/lib/basinward", "/usr/sbin/nologin")
    run("systemd-tmpfiles", root, "--create", str(FOLDER / "basinward.tmpfiles"))
    made = {
        name: (oct(s.st_mode & 0o7777), s.st_uid, s.st_gid)
        for name in ("etc/basinward", "etc/basinward/sites", "var/lib/basinward")
        for s in [(tmp_path / name).stat()]
    }
    assert made == {
        "etc/basinward": ("0o750", 0, int(gid)),
        "etc/basinward/sites": ("0o750", 0, int(gid)),
        "var/lib/basinward": ("0o700", int(uid), int(gid)),
    }
