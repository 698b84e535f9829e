"""Who may hold a connection to the board, how many, and for how long without saying anything.

A connection costs a descriptor. Whoever opens many and is silent must not keep others out: what
waits for a request is closed after some seconds, nobody but a proxy of ours holds more than a
share, and more connections than there are descriptors for are never taken.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import resource
import time
from collections import Counter
from collections.abc import Iterable
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

from gateway.board.limits import network_of
from gateway.board.people import is_among, is_loopback

__all__ = ["MOST", "Limits", "Lobby", "limited", "needed_files", "places"]

log = logging.getLogger(__name__)

MOST: Final = 1_200
"""Each open page that follows changes holds one; beyond it a proxy or browser is told to wait."""
_SHARE: Final = 4
"""Nobody but a proxy holds more than one in so many: an office behind one address has room."""
_TOLD_TO_WAIT: Final = 64
"""So many beyond that get an answer, which is to come later; others are let go at once."""
_ELSE: Final = 512
"""Descriptors for all else: records, telemetry, log, and connections taken but not yet looked at.
"""
_FEWEST: Final = 16
_LOG_EVERY_S: Final = 60.0
_FULL: Final = (
    b"Too many connections are open from your network. Close some pages of the board, wait some "
    b"seconds, and load this one again.\n"
)
_ANSWER: Final = (
    b"HTTP/1.1 503 Service Unavailable\r\nContent-Type: text/plain; charset=utf-8\r\n"
    b"Retry-After: 10\r\nConnection: close\r\nContent-Length: %d\r\n\r\n%s" % (len(_FULL), _FULL)
)


class Limits:
    """How long each end of a connection may make the other wait, in seconds."""

    request_s = 10.0
    """From the connection, or the last answer, until a request has come with all its headers."""
    body_s = 30.0
    """From the headers until the form is whole, and again as often as enough of it has come."""
    body_bytes_s = 10_000
    """What is enough: photos from a telephone with a bad line take their minutes."""
    reading_s = 60.0
    """In which nothing of an answer is taken, so that no more can be sent."""


def needed_files(connections: int = MOST) -> int:
    """How many descriptors a process needs that takes so many connections."""
    return connections + _TOLD_TO_WAIT + _ELSE


def places(most: int = MOST) -> int:
    """For how many connections there are descriptors, ``most`` at best.

    The process's own limit is raised where that is allowed. Where it is not, a warning says what
    to do, and fewer are taken.
    """
    needed = needed_files(most)
    try:
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    except OSError:  # a filter of system calls may keep it from us
        return most
    if soft == resource.RLIM_INFINITY or soft >= needed:
        return most
    wanted = needed if hard == resource.RLIM_INFINITY else min(needed, hard)
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
        soft = wanted
    except (OSError, ValueError) as error:
        log.debug("The limit of open files stays at %d: %s", soft, error)
    if soft >= needed:
        return most
    possible = max(soft - _TOLD_TO_WAIT - _ELSE, _FEWEST)
    log.warning(
        "This process may have %d files open, and %d connections need %d. It takes %d connections; "
        "further ones are told to wait. Set LimitNOFILE=4096 for the service (systemctl edit "
        "basinward-board), or ulimit -n 4096 before it is started by hand.",
        soft, most, needed, possible,
    )  # fmt: skip
    return possible


class Lobby:
    """Counts the connections of a server by where they come from."""

    def __init__(self, most: int = MOST, proxies: Iterable[str] = (), limits: Any = Limits) -> None:
        """``proxies`` speak for many visitors, as does whoever connects on this machine."""
        self.most = most
        self.share = max(most // _SHARE, 1)
        self.limits = limits
        self._proxies = frozenset(ipaddress.ip_address(one) for one in proxies)
        self._held: Counter[str] = Counter()
        self._told_s = -_LOG_EVERY_S

    @property
    def held(self) -> int:
        """How many are open now."""
        return self._held.total()

    def come(self, peer: str) -> str:
        """Take in a connection from the address, or say why not; '' where it is taken in."""
        network = network_of(peer)
        if self.held >= self.most + _TOLD_TO_WAIT:
            self._tell("%d connections are open, which is the most", self.held)
            return "full"
        if self._held[network] >= self.share and not self._speaks_for_many(peer):
            self._tell("%s has %d connections open, which is the most", network, self.share)
            return "share"
        self._held[network] += 1
        return ""

    def go(self, peer: str) -> None:
        """A connection from the address that was taken in is closed."""
        network = network_of(peer)
        self._held[network] -= 1
        if self._held[network] <= 0:
            del self._held[network]

    def _speaks_for_many(self, peer: str) -> bool:
        return is_loopback(peer) or is_among(peer, self._proxies)

    def _tell(self, text: str, *values: object) -> None:
        now_s = time.monotonic()
        if now_s - self._told_s >= _LOG_EVERY_S:
            self._told_s = now_s
            log.warning(f"{text}; further ones are let go.", *values)  # noqa: G004 - both are ours


def limited(lobby: Lobby) -> type[H11Protocol]:
    """The protocol of connections that are counted in this lobby and kept within its limits."""

    class Limited(_Limited):
        pass

    Limited.lobby = lobby
    return Limited


class _Limited(H11Protocol):
    """The server's own protocol, which alone waits for a first request for ever."""

    lobby: Lobby
    _peer: str | None = None
    _waiting: asyncio.TimerHandle | None = None
    _stuck: asyncio.TimerHandle | None = None
    _awaits = ""
    _came = 0  # bytes since the present wait began

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        address = transport.get_extra_info("peername")
        peer = str(address[0]) if address else ""
        if why := self.lobby.come(peer):
            if why == "share":
                transport.write(_ANSWER)
                transport.close()
            else:
                transport.abort()
            return
        self._peer = peer
        super().connection_made(transport)
        self._await("request")

    def connection_lost(self, exc: Exception | None) -> None:
        self._await("")
        self._flows()
        if self._peer is not None:
            self.lobby.go(self._peer)
            self._peer = None
            super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        if self._peer is not None:
            self._came += len(data)
            super().data_received(data)

    def handle_events(self) -> None:
        super().handle_events()
        cycle = self.cycle
        if cycle is not None and not cycle.response_complete:
            self._await("body" if cycle.more_body else "")

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if self.cycle.response_complete and not self.transport.is_closing():
            self._await("request")

    def pause_writing(self) -> None:
        super().pause_writing()
        if self._stuck is None:
            self._stuck = self.loop.call_later(self.lobby.limits.reading_s, self._end)

    def resume_writing(self) -> None:
        super().resume_writing()
        self._flows()

    def _flows(self) -> None:
        if self._stuck is not None:
            self._stuck.cancel()
            self._stuck = None

    def _await(self, what: str) -> None:
        """From now on the other end is to send this; what it was waited for before has come."""
        if what == self._awaits:
            return  # a byte now and then must not prolong it
        self._awaits = what
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
        limits = self.lobby.limits
        if what == "request":
            self._waiting = self.loop.call_later(limits.request_s, self._end)
        elif what:
            self._came = 0
            self._waiting = self.loop.call_later(limits.body_s, self._look_at_body)

    def _look_at_body(self) -> None:
        limits = self.lobby.limits
        if self._came < limits.body_s * limits.body_bytes_s:
            self._end()
            return
        self._came = 0
        self._waiting = self.loop.call_later(limits.body_s, self._look_at_body)

    def _end(self) -> None:
        # What is in the buffer will not be taken by one who has stopped reading.
        if self._stuck is not None or self.transport.get_write_buffer_size():
            self.transport.abort()
        else:
            self.transport.close()
