"""A small HTTP server for ``/health`` and ``/metrics``, bounded in all that a client chooses.

It only answers GET and HEAD, from values that lie ready in memory, so no request can wait for a
database or hold up the way of a sample. One request a connection; a client that is slow to ask or
to listen is left after a few seconds; beyond a few at once connections are closed unanswered.
"""

from __future__ import annotations

import io
import logging
import socket
import threading
import time
from collections.abc import Callable, Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, ClassVar, Final, NamedTuple

__all__ = ["Answer", "WatchServer"]

log = logging.getLogger(__name__)

_AT_ONCE: Final = 8
_HEAD_BYTES: Final = 16_384
_CLIENT_S: Final = 5.0
"""How long a client may take to ask, and again to take the answer."""


class Answer(NamedTuple):
    """What a page answers."""

    status: int
    content_type: str
    body: bytes


Page = Callable[[str], Answer]
"""Makes the answer for an ``Accept`` header; must not block."""


class WatchServer:
    """Serves the pages of ``pages`` by path, in threads of its own, from :meth:`start` on."""

    def __init__(
        self,
        address: str,
        port: int,
        pages: Mapping[str, Page],
        *,
        client_s: float = _CLIENT_S,
    ) -> None:
        """Nothing is opened yet. ``port`` 0 takes a free one."""
        self._address = address
        self._wanted_port = port
        self._pages = dict(pages)
        self._client_s = client_s
        self._server: _Server | None = None
        self._thread: threading.Thread | None = None
        self.why = ""
        """Why it cannot serve, empty while it does or has not begun."""

    @property
    def port(self) -> int:
        """The port that it serves at; 0 while it does not."""
        return self._server.server_address[1] if self._server is not None else 0

    def start(self) -> bool:
        """Begin to serve; whether it does. What is in the way is said once, and nothing is lost."""
        if self._server is not None:
            return True
        try:
            self._server = _Server(self._address, self._wanted_port, self._pages, self._client_s)
        except OSError as error:
            why = (
                f"/health and /metrics cannot be served at {self._address}:{self._wanted_port}: "
                f"{error.strerror or error}. Choose another address or port under [watch], or end "
                "what uses it. The gateway goes on without."
            )
            if not self.why:
                log.warning("%s", why)
            self.why = why
            return False
        self.why = ""
        self._thread = threading.Thread(
            target=self._server.serve_forever, name="watch server", daemon=True
        )
        self._thread.start()
        log.info("/health and /metrics are at http://%s:%d", self._bracketed, self.port)
        return True

    def stop(self) -> None:
        """Serve no more. May be called twice."""
        server, self._server = self._server, None
        if server is not None and self._thread is not None:
            server.shutdown()
            self._thread.join(self._client_s)
            server.server_close()

    @property
    def _bracketed(self) -> str:
        return f"[{self._address}]" if ":" in self._address else self._address


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = 16

    def __init__(self, address: str, port: int, pages: Mapping[str, Page], client_s: float) -> None:
        found = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        self.address_family = found[0][0]
        self.pages = pages
        self.client_s = client_s
        self._room = threading.BoundedSemaphore(_AT_ONCE)
        super().__init__((address, port), _Handler)

    def server_bind(self) -> None:
        # The standard library would ask the name service for the address's name.
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.socket.bind(self.server_address)
        self.server_address = self.socket.getsockname()
        self.server_name, self.server_port = "localhost", self.server_address[1]

    def process_request(self, request: Any, client_address: Any) -> None:
        if not self._room.acquire(blocking=False):
            self.shutdown_request(request)
            return
        try:
            super().process_request(request, client_address)
        except BaseException:
            self._room.release()
            raise

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._room.release()

    def handle_error(self, request: Any, client_address: Any) -> None:  # noqa: ARG002  # the base's
        log.debug("A request for /health or /metrics was broken off.", exc_info=True)


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    protocol_version = "HTTP/1.0"
    server_version = "basinward"
    sys_version = ""
    error_content_type = "text/plain; charset=utf-8"
    error_message_format = "%(code)d %(message)s\n"
    _METHODS: ClassVar = ("GET", "HEAD")

    def setup(self) -> None:
        """Read the request's head at once, within its time and size; the rest is parsing."""
        super().setup()
        head = _head(self.connection, self.server.client_s)
        self.connection.settimeout(self.server.client_s)
        self.rfile = io.BytesIO(head)

    def parse_request(self) -> bool:
        """Refuse every other method with what is allowed."""
        if not super().parse_request():
            return False
        if self.command in self._METHODS:
            return True
        self._send(Answer(405, "text/plain; charset=utf-8", b"Only GET and HEAD.\n"))
        return False

    def do_GET(self) -> None:  # found by this name
        """Answer with the page of the path."""
        page = self.server.pages.get(self.path.partition("?")[0])
        if page is None:
            names = ", ".join(self.server.pages)
            self._send(Answer(404, "text/plain; charset=utf-8", f"Try {names}.\n".encode()))
            return
        try:
            answer = page(self.headers.get("Accept", ""))
        except Exception:
            log.exception("%s cannot be answered; please report this defect.", self.path[:80])
            answer = Answer(500, "text/plain; charset=utf-8", b"A defect; see the log.\n")
        self._send(answer)

    do_HEAD = do_GET  # noqa: N815  # found by this name

    def _send(self, answer: Answer) -> None:
        self.send_response(HTTPStatus(answer.status))
        self.send_header("Content-Type", answer.content_type)
        self.send_header("Content-Length", str(len(answer.body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        if answer.status == HTTPStatus.METHOD_NOT_ALLOWED:
            self.send_header("Allow", ", ".join(self._METHODS))
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(answer.body)

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002  # the base's name
        """Requests are no news."""


def _head(connection: socket.socket, within_s: float) -> bytes:
    """What a client sends up to the empty line; cut off at the time and size allowed."""
    deadline_s = time.monotonic() + within_s
    head = b""
    while b"\r\n\r\n" not in head and b"\n\n" not in head and len(head) < _HEAD_BYTES:
        left_s = deadline_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError
        connection.settimeout(left_s)
        piece = connection.recv(4096)
        if not piece:
            break
        head += piece
    return head
