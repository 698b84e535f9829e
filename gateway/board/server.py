"""Serves the board: one process, one socket, until it is told to stop."""

from __future__ import annotations

import logging
import signal
import socket
from collections.abc import Callable

import uvicorn
from fastapi import FastAPI

__all__ = ["configured", "listen", "serve"]

_MOST_CONNECTIONS = 1_200
"""Each open page that follows changes holds one; beyond it a proxy or browser is told to wait."""
_LOCAL_PROXIES = ["127.0.0.1", "::1"]


def listen(address: str, port: int) -> socket.socket:
    """A socket that listens; OSError where the address or port cannot be had."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    return socket.create_server((address, port), family=family, backlog=128)


def configured(app: FastAPI) -> uvicorn.Config:
    """How the server serves: what it logs, whom it believes, how much it takes."""
    return uvicorn.Config(
        app,
        http="h11",
        loop="asyncio",
        ws="none",
        lifespan="off",
        # An address is a key to a ticket: it must stand in no log.
        access_log=False,
        log_config=None,
        server_header=False,
        # Who asks is what a proxy on this machine says, and nobody else.
        proxy_headers=True,
        forwarded_allow_ips=_LOCAL_PROXIES,
        limit_concurrency=_MOST_CONNECTIONS,
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


def serve(
    app: FastAPI,
    listening: socket.socket,
    ready: Callable[[], None],
    stopping: Callable[[], None] = lambda: None,
) -> None:
    """Answer requests until SIGTERM or SIGINT; what has begun is finished first.

    ``ready`` is called before the first request is answered, ``stopping`` in the server's event
    loop before it waits for answers under way.
    """
    # The server raises the signal that ended it once more when it is done; that is no news.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: None)
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    ready()
    _Server(configured(app), stopping).run(sockets=[listening])
