"""A stretch of network on loopback that a test can cut, stall and mend: a TCP proxy of our own.

It listens on a port of its own and joins each connection to the one port behind it.
"""

from __future__ import annotations

import socket
import struct
import threading
from contextlib import suppress
from typing import Self

__all__ = ["Network"]

_CHUNK = 65_536
_RESET = struct.pack("ii", 1, 0)  # SO_LINGER on, 0 s: closing sends a reset, as a dead router's


class Network:
    """The way from :attr:`port` to ``target_port``, for the length of a block.

    - :meth:`cut` resets every connection and refuses new ones until :meth:`mend`.
    - :meth:`stall` lets bytes lie where they are, in both directions, with every connection open,
      as a firewall that has forgotten them: neither side is told.
    - :meth:`half_open` ends every connection towards the server only; the other side is not told.
    - :meth:`mend` ends all that; what was stalled goes on, what was half open is reset.
    - after ``cut_after`` more bytes from the server the connection that carries them is reset,
      once: in the midst of a message or of an answer.
    """

    def __init__(self, target_port: int) -> None:
        self._target_port = target_port
        self._lock = threading.Condition()
        self._stalled = False
        self._refusing = False
        self._closing = False
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._threads: list[threading.Thread] = []
        self.cut_after: int | None = None
        self.connections = 0
        """Connections taken so far."""
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]

    def __enter__(self) -> Self:
        self._start(self._accept)
        return self

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._closing = True
            self._lock.notify_all()
        # A shutdown wakes the thread that accepts; closing alone would not.
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._reset_all()
        for thread in self._threads:
            thread.join(60)

    def cut(self) -> None:
        """Reset all connections; refuse new ones."""
        with self._lock:
            self._refusing = True
        self._reset_all()

    def stall(self) -> None:
        """Let every byte lie; new connections are taken and lie too."""
        with self._lock:
            self._stalled = True

    def half_open(self) -> None:
        """The server sees every connection end; the client is not told; what it sends is lost."""
        with self._lock:
            self._stalled = True
            pairs = list(self._pairs)
        for _client, server in pairs:
            with suppress(OSError):
                server.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
                server.shutdown(socket.SHUT_RDWR)

    def mend(self) -> None:
        """All goes through again."""
        with self._lock:
            self._refusing = self._stalled = False
            self._lock.notify_all()

    # -- threads ----------------------------------------------------------------------------

    def _start(self, work: object, *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments, daemon=True)  # type: ignore[arg-type]  # a bound method
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            with self._lock:
                self.connections += 1
                refusing = self._refusing
            if refusing:
                _reset(client)
                continue
            try:
                server = socket.create_connection(("127.0.0.1", self._target_port), timeout=10)
            except OSError:
                _reset(client)
                continue
            server.settimeout(None)
            with self._lock:
                self._pairs.append((client, server))
            self._start(self._carry, client, server, False)
            self._start(self._carry, server, client, True)

    def _carry(self, source: socket.socket, sink: socket.socket, from_server: bool) -> None:
        while True:
            try:
                data = source.recv(_CHUNK)
            except OSError:
                data = b""
            with self._lock:
                self._lock.wait_for(lambda: not self._stalled or self._closing)
                cut = from_server and self.cut_after is not None
                if cut and self.cut_after is not None:
                    data = data[: self.cut_after]
                    self.cut_after -= len(data)
                    cut = self.cut_after == 0
                    self.cut_after = None if cut else self.cut_after
            try:
                if data:
                    sink.sendall(data)
            except OSError:
                cut = True
            if cut or not data:
                self._forget(source, sink)
                for end in (source, sink):
                    _reset(end) if cut else _close(end)
                return

    def _forget(self, *ends: socket.socket) -> None:
        with self._lock:
            self._pairs = [p for p in self._pairs if p[0] not in ends and p[1] not in ends]

    def _reset_all(self) -> None:
        with self._lock:
            pairs, self._pairs = self._pairs, []
        for pair in pairs:
            for end in pair:
                _reset(end)


def _reset(end: socket.socket) -> None:
    with suppress(OSError):
        end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
    # Wakes a thread that waits for its bytes; a close alone would leave it there.
    with suppress(OSError):
        end.shutdown(socket.SHUT_RD)
    with suppress(OSError):
        end.close()


def _close(end: socket.socket) -> None:
    with suppress(OSError):
        end.shutdown(socket.SHUT_RDWR)
    with suppress(OSError):
        end.close()
