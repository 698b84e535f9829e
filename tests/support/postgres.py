"""A PostgreSQL server on loopback, in a process of its own, ended by its process id."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Final, Self

import psycopg
from sqlalchemy.engine import URL

from support.ports import free_port

__all__ = ["PASSWORD", "USER", "PostgresServer"]

USER: Final = "keeper"
PASSWORD: Final = "not-a-secret-7"
_BINARIES: Final = Path("/usr/lib/postgresql")
_READY_WITHIN_S: Final = 120.0
_SETTINGS: Final = (
    # The tests end processes, not the machine: what was handed to the system is safe.
    "fsync=off", "full_page_writes=off", "shared_buffers=32MB", "max_connections=60",
    "autovacuum=off", "max_wal_size=256MB", "listen_addresses=127.0.0.1",
)  # fmt: skip


class PostgresServer:
    """Debian's PostgreSQL with a data folder of its own; it may be killed and started again.

    Text sorts by the rules of English, not by code points, and users log on with a password.
    """

    def __init__(self) -> None:
        # Not in pytest's folder: the server does not run as root, and others can't look in there.
        self.directory = Path(tempfile.mkdtemp(prefix="bw-pg-"))
        self.port = 0
        self._process: subprocess.Popen[bytes] | None = None
        self._databases = 0
        self._user = "nobody" if os.geteuid() == 0 else None
        binaries = sorted(_BINARIES.glob("*/bin"), key=lambda p: int(p.parent.name))
        self._bin = binaries[-1]

    def __enter__(self) -> Self:
        if self._user is not None:
            shutil.chown(self.directory, self._user)
        secret = self.directory / "password"
        secret.write_text(PASSWORD)
        secret.chmod(0o644)
        self._run(
            "initdb", "--no-sync", "-D", str(self.directory / "data"), "-U", USER,
            "-A", "scram-sha-256", "--pwfile", str(secret), "-E", "UTF8", "--no-instructions",
            "--locale=C.UTF-8", "--locale-provider=icu", "--icu-locale=en-US",
        )  # fmt: skip
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill(signal.SIGQUIT)
        shutil.rmtree(self.directory, ignore_errors=True)

    def start(self) -> None:
        """Start, on the same port as before if there was one, and wait until it answers."""
        self.port = self.port or free_port()
        until_s = time.monotonic() + _READY_WITHIN_S
        while not self._answers():
            # After a kill the old server's sessions may be there for a moment yet.
            assert time.monotonic() < until_s, self.log[-3000:]

    def _answers(self) -> bool:
        settings = [*_SETTINGS, f"port={self.port}", f"unix_socket_directories={self.directory}"]
        with (self.directory / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [str(self._bin / "postgres"), "-D", str(self.directory / "data")]
                + [word for setting in settings for word in ("-c", setting)],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, user=self._user, cwd="/",
            )  # fmt: skip
        while True:
            try:
                self.execute("SELECT 1")
            except psycopg.OperationalError:
                try:
                    self._process.wait(timeout=0.05)  # a pause that ends if the process does
                except subprocess.TimeoutExpired:
                    continue
                self._process = None
                return False
            return True

    def kill(self, number: int = signal.SIGKILL) -> None:
        """End it at once, as a crash would; SIGKILL leaves its sessions to find out."""
        process, self._process = self._process, None
        if process is not None:
            process.send_signal(number)
            process.wait(120)

    @property
    def log(self) -> str:
        """What the server has said."""
        return (self.directory / "log").read_text(errors="replace")

    def url(self, database: str) -> URL:
        """The URL of a database, with the password in it."""
        return URL.create("postgresql", USER, PASSWORD, "127.0.0.1", self.port, database)

    def execute(self, statement: str, database: str = "postgres") -> list[tuple[object, ...]]:
        """Run a statement outside a transaction; its rows."""
        url = self.url(database).render_as_string(hide_password=False)
        with psycopg.connect(url, autocommit=True, connect_timeout=60) as connection:
            cursor = connection.execute(statement.encode())
            return cursor.fetchall() if cursor.description else []

    def new_database(self, template: str = "template0") -> URL:
        """An empty database, or a copy of one that nobody is connected to."""
        self._databases += 1
        name = f"records_{self._databases}"
        self.execute(f'CREATE DATABASE {name} TEMPLATE "{template}"')
        return self.url(name)

    def drop(self, url: URL) -> None:
        """Remove a database, whoever is still connected to it."""
        self.execute(f"DROP DATABASE {url.database} WITH (FORCE)")

    def _run(self, program: str, *arguments: str) -> None:
        subprocess.run(
            [self._bin / program, *arguments], check=True, capture_output=True, user=self._user,
            cwd="/",
        )  # fmt: skip
