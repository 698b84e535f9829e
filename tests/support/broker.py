"""A real Mosquitto for tests: on a free loopback port, for one block, killed and started at will.

Needs the ``mosquitto`` program (Debian package ``mosquitto``), and ``openssl`` for certificates.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from support.ports import free_port

__all__ = ["Certificates", "Mosquitto", "make_certificates"]

_READY_WITHIN_S = 120.0
_PORT_ATTEMPTS = 5


def _program(name: str) -> str:
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin:/sbin")
    if found is None:
        msg = f"the tests need the program '{name}': install it (deploy/setup does)"
        raise FileNotFoundError(msg)
    return found


@dataclass(frozen=True)
class Certificates:
    """A certificate authority of our own, and a server certificate for localhost and 127.0.0.1."""

    ca_file: Path
    server_certificate: Path
    server_key: Path


def make_certificates(directory: Path) -> Certificates:
    """Make both, valid for two days, with the ``openssl`` program."""
    openssl = _program("openssl")
    directory.mkdir(parents=True, exist_ok=True)

    def run(*arguments: str) -> None:
        subprocess.run([openssl, *arguments], cwd=directory, check=True, capture_output=True)

    new_key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    run("req", "-x509", *new_key, "-keyout", "ca.key", "-out", "ca.pem", "-days", "2",
        "-subj", "/CN=Test authority", "-addext", "keyUsage=critical,keyCertSign")  # fmt: skip
    run("req", *new_key, "-keyout", "server.key", "-out", "server.csr", "-subj", "/CN=localhost")
    names = directory / "names.ext"
    names.write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\n")
    run("x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
        "-CAcreateserial", "-days", "2", "-extfile", names.name, "-out", "server.pem")  # fmt: skip
    return Certificates(directory / "ca.pem", directory / "server.pem", directory / "server.key")


class Mosquitto:
    """A broker process with its files in ``directory``; it may be stopped and started again.

    Sessions, retained and waiting messages are saved at every change, so that even :meth:`kill`
    does not lose them (``durable=False``: never saved, a restart forgets all). ``users`` are names
    and passwords; without them anybody may log on. ``settings`` are lines added to its
    configuration.
    """

    def __init__(
        self,
        directory: Path,
        *,
        durable: bool = True,
        users: Mapping[str, str] | None = None,
        certificates: Certificates | None = None,
        settings: tuple[str, ...] = ("max_inflight_messages 1000", "max_queued_messages 100000"),
    ) -> None:
        self.directory = directory
        self.port = 0
        self._durable = durable
        self._users = dict(users or {})
        self._certificates = certificates
        self._settings = settings
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        """The process id while it runs."""
        assert self._process is not None, "the broker is not running"
        return self._process.pid

    @property
    def log(self) -> str:
        """All that the broker wrote about itself so far."""
        return (self.directory / "mosquitto.log").read_text(errors="replace")

    def start(self) -> Self:
        """Start, on the same port as before if there was one, and wait until it answers."""
        self.directory.mkdir(parents=True, exist_ok=True)
        fixed = bool(self.port)
        for attempt in range(1 if fixed else _PORT_ATTEMPTS):
            self.port = self.port if fixed else free_port()
            self._write_configuration()
            with (self.directory / "mosquitto.log").open("ab") as log:
                self._process = subprocess.Popen(
                    [_program("mosquitto"), "-c", str(self.directory / "mosquitto.conf")],
                    stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                )  # fmt: skip
            if self._ready():
                return self
            if fixed or attempt == _PORT_ATTEMPTS - 1:
                break
        msg = f"mosquitto did not come up on port {self.port}:\n{self.log[-2000:]}"
        raise RuntimeError(msg)

    def stop(self) -> None:
        """End it in good order. May be called twice."""
        self._end(kill=False)

    def kill(self) -> None:
        """End it with SIGKILL: nothing more is saved."""
        self._end(kill=True)

    def restart(self, *, kill: bool = False) -> None:
        """Stop (or kill) it and start it again on the same port."""
        self._end(kill=kill)
        self.start()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _end(self, *, kill: bool) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if kill:
            process.kill()
        else:
            process.terminate()
        try:
            process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(60)

    def _ready(self) -> bool:
        """Whether it took a connection before it ended or the time was up."""
        process = self._process
        assert process is not None
        deadline = time.monotonic() + _READY_WITHIN_S
        while time.monotonic() < deadline:
            if process.poll() is not None:
                self._process = None
                return False
            try:
                with socket.create_connection(("127.0.0.1", self.port), timeout=1):
                    return True
            except OSError:
                time.sleep(0.01)
        self._end(kill=True)
        return False

    def _write_configuration(self) -> None:
        directory = self.directory
        lines = [f"listener {self.port} 127.0.0.1", "log_type all", "log_dest stderr"]
        if os.geteuid() == 0:
            lines.append("user root")  # else it changes to a user that cannot write here
        if self._durable:
            lines += [
                "persistence true",
                f"persistence_location {directory}/",
                "autosave_on_changes true",
                "autosave_interval 1",
            ]
        if self._users:
            passwords = directory / "passwords"
            passwords.write_text("".join(f"{u}:{p}\n" for u, p in self._users.items()))
            passwords.chmod(0o600)
            subprocess.run(
                [_program("mosquitto_passwd"), "-U", str(passwords)],
                check=True, capture_output=True,
            )  # fmt: skip
            lines += ["allow_anonymous false", f"password_file {passwords}"]
        else:
            lines.append("allow_anonymous true")
        if self._certificates:
            c = self._certificates
            lines += [
                f"cafile {c.ca_file}", f"certfile {c.server_certificate}",
                f"keyfile {c.server_key}",
            ]  # fmt: skip
        lines += self._settings
        (directory / "mosquitto.conf").write_text("\n".join(lines) + "\n")
