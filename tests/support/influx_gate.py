"""The version 2 write call before a server of version 1, whose log is synced at every write.

Debian's InfluxDB 1.6 keeps what it has acknowledged through a SIGKILL, but lacks the call with
which the gateway writes. The gate takes that call and passes the same lines on to ``/write``; its
answers are the server's, and 503 while there is none.
"""

from __future__ import annotations

import sys
import threading
import urllib.error
import urllib.parse
import urllib.request
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Self

from support.influx import InfluxServer

__all__ = ["InfluxGate"]


class InfluxGate:
    """Listens on a port of its own for the length of a block."""

    def __init__(self, server: InfluxServer) -> None:
        self._http = _Quiet(("127.0.0.1", 0), _handler(server))
        self._http.daemon_threads = True
        self.port: int = self._http.server_address[1]
        self._thread = threading.Thread(target=self._http.serve_forever, kwargs={
            "poll_interval": 0.05,
        })  # fmt: skip

    @property
    def url(self) -> str:
        """Where the gateway writes to."""
        return f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._http.shutdown()
        self._http.server_close()
        self._thread.join(60)


class _Quiet(ThreadingHTTPServer):
    """Says nothing of connections that a test cuts."""

    def handle_error(self, request: object, client_address: object) -> None:
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)  # type: ignore[arg-type]  # as handed in


def _handler(server: InfluxServer) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            parts = urllib.parse.urlsplit(self.path)
            query = dict(urllib.parse.parse_qsl(parts.query))
            body = self.rfile.read(int(self.headers["Content-Length"]))
            assert parts.path == "/api/v2/write", self.path
            try:
                server.post("/write", body, db=query["bucket"], precision=query["precision"])
            except urllib.error.HTTPError as error:
                self._answer(error.code, error.read())
            except OSError as error:
                text = f'{{"code":"unavailable","message":"{type(error).__name__}"}}'
                self._answer(503, text.encode())
            else:
                self._answer(204, b"")

        def _answer(self, status: int, body: bytes) -> None:
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            if status != 204:
                self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Nothing: the test reads the gateway's log."""

    return Handler
