"""Free ports of the loopback interface, which nobody else is given before their server listens."""

from __future__ import annotations

import socket
from collections import deque
from typing import Final

__all__ = ["free_port"]

_HELD_AT_ONCE: Final = 64
"""Enough for the ports of one test; each takes a descriptor."""

_held: Final[deque[socket.socket]] = deque()


def free_port() -> int:
    """A TCP port of the loopback interface where nothing listens, held for this process.

    It stays bound without listening, so that the system gives it to no other program that asks
    for any port, nor to a connection that goes out, while connections to it are refused. A server
    that sets SO_REUSEADDR may listen on it (socket(7): only a listening socket keeps it away), and
    all servers of the tests do. The oldest of many is let go.
    """
    while len(_held) >= _HELD_AT_ONCE:
        _held.popleft().close()
    held = socket.socket()
    held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    held.bind(("127.0.0.1", 0))
    _held.append(held)
    port: int = held.getsockname()[1]
    return port
