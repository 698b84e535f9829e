"""Real time-series servers for tests: InfluxDB 1 and VictoriaMetrics, on loopback, for one block.

Debian's InfluxDB 1 answers InfluxQL but not the version 2 write call; VictoriaMetrics takes that
call but answers ``/query`` with a stub. Between them the store's both directions meet a server.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterable
from pathlib import Path
from typing import Self

from support.ports import free_port

__all__ = ["InfluxServer", "Server", "VictoriaServer"]

_READY_WITHIN_S = 120.0
_PORT_ATTEMPTS = 5


class Server:
    """A server process with its data in a directory; it may be stopped and started again."""

    program: str
    ready_path: str

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self.port = 0
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def command(self) -> list[str]:
        """The command line for ``self.port``."""
        raise NotImplementedError

    def start(self) -> None:
        """Start, on the same port as before if there was one, and wait until it answers."""
        for _ in range(1 if self.port else _PORT_ATTEMPTS):
            fixed = bool(self.port)
            self.port = self.port or free_port()
            if self._answers():
                return
            if not fixed:
                self.port = 0  # someone else took it in between: try another
        msg = f"{self.program} did not start:\n{self.log()[-3000:]}"
        raise RuntimeError(msg)

    def stop(self) -> None:
        """Stop this process and no other."""
        process, self._process = self._process, None
        if process is None:
            return
        process.terminate()
        try:
            process.wait(timeout=120)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def kill(self) -> None:
        """SIGKILL: nothing more is written."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()

    def log(self) -> str:
        """What the server has printed."""
        path = self.directory / "log"
        return path.read_text(errors="replace") if path.exists() else ""

    def get(self, path: str, **query: str) -> bytes:
        """The body of a GET request."""
        return self._request(f"{path}?{urllib.parse.urlencode(query)}", None)

    def post(self, path: str, body: bytes = b"", **query: str) -> bytes:
        """The body of the answer to a POST request."""
        return self._request(f"{path}?{urllib.parse.urlencode(query)}", body)

    def __enter__(self) -> Self:
        self.directory.mkdir(parents=True, exist_ok=True)
        self.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self.stop()
        shutil.rmtree(self.directory, ignore_errors=True)

    def _request(self, path: str, body: bytes | None) -> bytes:
        request = urllib.request.Request(self.url + path, data=body)  # noqa: S310 - loopback
        with urllib.request.urlopen(request, timeout=120) as response:  # noqa: S310
            answer: bytes = response.read()
        return answer

    def _answers(self) -> bool:
        with (self.directory / "log").open("ab") as log:
            self._process = subprocess.Popen(self.command(), stdout=log, stderr=log)
        until = time.monotonic() + _READY_WITHIN_S
        while time.monotonic() < until:
            try:
                self.get(self.ready_path)
            except OSError:  # also what urllib raises for a refused connection or an error status
                try:
                    self._process.wait(timeout=0.02)  # a pause that ends if the process does
                except subprocess.TimeoutExpired:
                    continue
                self._process = None
                return False
            return True
        self.stop()
        return False


class InfluxServer(Server):
    """Debian's InfluxDB 1.6, without authentication."""

    program = "/usr/bin/influxd"
    ready_path = "/ping"

    def command(self) -> list[str]:
        config = self.directory / "influxdb.conf"
        config.write_text(
            f"""
reporting-enabled = false
bind-address = "127.0.0.1:{free_port()}"
[meta]
dir = "{self.directory}/meta"
logging-enabled = false
[data]
dir = "{self.directory}/data"
wal-dir = "{self.directory}/wal"
query-log-enabled = false
[monitor]
store-enabled = false
[http]
bind-address = "127.0.0.1:{self.port}"
log-enabled = false
[continuous_queries]
enabled = false
"""
        )
        return [self.program, "-config", str(config)]

    def create_database(self, name: str, retention: str = "INF") -> None:
        """A database whose samples are kept for ``retention``, such as "INF" or "7d"."""
        query = f'CREATE DATABASE "{name}" WITH DURATION {retention}'
        answer = json.loads(self.post("/query", q=query))
        if any("error" in result for result in answer["results"]):
            raise RuntimeError(str(answer))


class VictoriaServer(Server):
    """VictoriaMetrics, keeping samples of any age, equal samples at one instant once."""

    program = "/usr/bin/victoria-metrics"
    ready_path = "/health"

    def command(self) -> list[str]:
        return [
            self.program,
            f"-storageDataPath={self.directory}/data",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            "-retentionPeriod=100y",
            "-dedup.minScrapeInterval=1ms",
            "-memory.allowedPercent=10",
        ]

    def export(self, **labels: str) -> dict[str, list[tuple[int, float]]]:
        """Metric name to its (time in ms, value) pairs, of all series that have these labels."""
        self.get("/internal/force_flush")
        matchers = ",".join(f"{k}={json.dumps(v)}" for k, v in labels.items())
        body = self.get("/api/v1/export", **{"match[]": "{" + matchers + "}"})
        out: dict[str, list[tuple[int, float]]] = {}
        for line in body.splitlines():
            series = json.loads(line)
            pairs: Iterable[tuple[int, float]] = zip(
                series["timestamps"], series["values"], strict=True
            )
            out.setdefault(series["metric"]["__name__"], []).extend(pairs)
        return {name: sorted(pairs) for name, pairs in out.items()}
