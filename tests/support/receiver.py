"""A real HTTP server on loopback that takes webhook calls, and misbehaves when told to."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

__all__ = ["Call", "Receiver"]


@dataclass(frozen=True)
class Call:
    """One POST as it came."""

    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Behaviour:
    """What the server answers.

    ``before_body`` and ``before_reply`` are called when the headers, and the whole call, have come;
    they may block. ``cut`` breaks the connection off 'before_body' or 'before_reply'. ``trickle``
    sends the answer's first line a byte at a time until it is set.
    """

    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    cut: str = ""
    trickle: threading.Event | None = None
    before_reply: Callable[[Call], None] | None = None


class Receiver:
    """The server; ``calls`` are those that came whole."""

    def __init__(self, tls: ssl.SSLContext | None = None) -> None:
        self.behaviour = Behaviour()
        self.calls: list[Call] = []
        self.paths: list[str] = []
        self._arrived = threading.Condition()
        self._tls = tls
        self._server: ThreadingHTTPServer | None = None
        self.port = 0

    def __enter__(self) -> Receiver:
        self.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.stop()

    @property
    def url(self) -> str:
        return f"{'https' if self._tls else 'http'}://127.0.0.1:{self.port}/works?key=quEry-secret"

    def start(self) -> None:
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:  # the library finds it by this name
                receiver._answer(self)

            def do_GET(self) -> None:
                receiver.paths.append(f"GET {self.path}")
                self.send_error(405)

            def log_message(self, format: str, *args: Any) -> None:  # noqa: A002
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self._server.daemon_threads = True
        if self._tls is not None:
            self._server.socket = self._tls.wrap_socket(self._server.socket, server_side=True)
        self.port = self._server.server_address[1]
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()

    def stop(self) -> None:
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    def wait_for(self, count: int, timeout_s: float = 120.0) -> list[Call]:
        """Wait until so many calls came whole."""
        with self._arrived:
            assert self._arrived.wait_for(lambda: len(self.calls) >= count, timeout_s)
            return list(self.calls)

    def _answer(self, handler: BaseHTTPRequestHandler) -> None:
        behaviour = self.behaviour
        self.paths.append(f"POST {handler.path}")
        handler.close_connection = True
        if behaviour.cut == "before_body":
            handler.connection.shutdown(socket.SHUT_RDWR)
            return
        length = int(handler.headers["Content-Length"])
        headers = {name.lower(): value for name, value in handler.headers.items()}
        call = Call(handler.path, headers, handler.rfile.read(length))
        with self._arrived:
            self.calls.append(call)
            self._arrived.notify_all()
        if behaviour.before_reply is not None:
            behaviour.before_reply(call)
        if behaviour.cut == "before_reply":
            handler.connection.shutdown(socket.SHUT_RDWR)
            return
        try:
            if behaviour.trickle is not None:
                while not behaviour.trickle.wait(0.02):
                    handler.wfile.write(b"H")
                return
            handler.send_response(behaviour.status)
            for name, value in behaviour.headers.items():
                handler.send_header(name, value)
            handler.send_header("Content-Length", str(len(behaviour.body)))
            handler.end_headers()
            handler.wfile.write(behaviour.body)
        except OSError:
            pass  # the caller has had enough
