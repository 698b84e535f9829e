"""Serves the board: one process, one socket, until it is told to stop."""

from __future__ import annotations

import logging
import signal
import socket
from collections.abc import Callable, Sequence
from typing import Any

import uvicorn
from fastapi import FastAPI
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from gateway.board.connections import MOST, Lobby, limited
from gateway.board.doors import PEER

__all__ = ["configured", "listen", "serve"]

_BACKLOG = 128
"""asyncio takes so many connections at once before any of them is looked at."""
_LOCAL_PROXIES = ["127.0.0.1", "::1"]


def listen(address: str, port: int) -> socket.socket:
    """A socket that listens; OSError where the address or port cannot be had."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    made = socket.create_server((address, port), family=family, backlog=_BACKLOG)
    # Accepted connections inherit it (tcp(7)). Else an answer's body would wait until its head is
    # acknowledged, which the other end may put off by 40 ms.
    made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return made


def configured(
    app: FastAPI, proxies: Sequence[str] = (), lobby: Lobby | None = None
) -> uvicorn.Config:
    """How the server serves: what it logs, whom it believes, how much it takes.

    ``proxies`` are addresses of reverse proxies on other machines; ``lobby`` counts connections.
    """
    lobby = lobby or Lobby(proxies=proxies)
    believed = ProxyHeadersMiddleware(app, [*_LOCAL_PROXIES, *proxies])  # type: ignore[arg-type]
    return uvicorn.Config(
        _NotingPeer(believed),
        http=limited(lobby),
        loop="asyncio",
        ws="none",
        lifespan="off",
        # An address is a key to a ticket: it must stand in no log.
        access_log=False,
        log_config=None,
        server_header=False,
        # Who asks is what a proxy of ours says, and nobody else: see above.
        proxy_headers=False,
        limit_concurrency=lobby.most,
        backlog=_BACKLOG,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=10,
        h11_max_incomplete_event_size=16_384,
    )


class _Server(uvicorn.Server):
    """Lets go of those who follow changes as soon as it is told to stop: they would never end."""

    def __init__(self, config: uvicorn.Config, stopping: Callable[[], None]) -> None:
        super().__init__(config)
        self._stopping = stopping

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._stopping()
        await super().shutdown(sockets)


class _NotingPeer:
    """Notes who is connected, before what a proxy says of whom it speaks for replaces it."""

    def __init__(self, inner: ProxyHeadersMiddleware) -> None:
        self._inner = inner

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        client = scope.get("client")
        scope[PEER] = client[0] if client else ""
        await self._inner(scope, receive, send)


def serve(
    app: FastAPI,
    listening: socket.socket,
    ready: Callable[[], None],
    proxies: Sequence[str] = (),
    stopping: Callable[[], None] = lambda: None,
    most: int = MOST,
) -> None:
    """Answer requests until SIGTERM or SIGINT; what has begun is finished first.

    ``most`` connections are open at once, as :func:`gateway.board.connections.places` says.

    ``ready`` is called before the first request is answered, ``stopping`` in the server's event
    loop before it waits for answers under way.
    """
    # The server raises the signal that ended it once more when it is done; that is no news.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: None)
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    ready()
    _Server(configured(app, proxies, Lobby(most, proxies)), stopping).run(sockets=[listening])
