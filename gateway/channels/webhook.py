"""One call of another system: a signed POST, bounded in time and in what is read of the answer.

No redirect is followed, no proxy is asked, and what is sent is never sent elsewhere. The address
may hold something secret in its query, so no message names more of it than the host.
"""

from __future__ import annotations

import contextlib
import http.client
import socket
import ssl
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

__all__ = ["CallAnswer", "CallFailed", "CallUnknown", "WebhookSettings", "call"]

_READ_BYTES: Final = 2_000
_SHOWN: Final = 200
_LONGEST_RETRY_S: Final = 1800


@dataclass(frozen=True)
class WebhookSettings:
    """Where a webhook is and what it is told.

    ``name`` is the team's id and the webhook's name, as 'north/works'. ``timeout_s`` bounds the
    whole call. ``ca_file`` replaces the system's certificates.
    """

    name: str
    url: str = field(repr=False)
    secret: str = field(repr=False)
    ca_file: Path | None = None
    timeout_s: float = 20.0

    @property
    def host(self) -> str:
        """The server, as people write it."""
        parts = urlsplit(self.url)
        return parts.hostname or "" if parts.port is None else f"{parts.hostname}:{parts.port}"


@dataclass(frozen=True)
class CallAnswer:
    """What the server said. ``retry_after_s`` is None where it did not say when to come again."""

    status: int
    reply: str
    retry_after_s: int | None = None


class CallFailed(Exception):
    """The call failed before anything was sent: it was not delivered."""


class CallUnknown(Exception):
    """The call failed after something was sent: it may have been delivered."""


def call(
    settings: WebhookSettings,
    body: bytes,
    headers: Mapping[str, str],
    before_end: Callable[[], None],
) -> CallAnswer:
    """POST the body; ``before_end`` is called once, before the first byte of it.

    Raises :class:`CallFailed` or :class:`CallUnknown`, naming the cause.
    """
    parts = urlsplit(settings.url)
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    connection = _connection(settings)
    over = threading.Event()
    watchdog = threading.Timer(settings.timeout_s, _cut, (connection, over))
    watchdog.daemon = True
    watchdog.start()
    sent = False
    try:
        connection.connect()
        before_end()
        sent = True
        connection.request("POST", target, body, dict(headers))
        response = connection.getresponse()
        text = response.read(_READ_BYTES).decode("utf-8", "replace")
        reply = _clean(f"{response.status} {response.reason} {text}", settings)
        return CallAnswer(response.status, reply, _seconds(response.getheader("Retry-After")))
    except (OSError, http.client.HTTPException, ValueError) as error:
        why = (
            f"no answer within {settings.timeout_s:g} s"
            if over.is_set() or isinstance(error, TimeoutError)
            else str(error) or type(error).__name__
        )
        msg = _clean(f"The call of {settings.name} at {settings.host} failed: {why}", settings)
        raise (CallUnknown if sent else CallFailed)(msg) from None
    finally:
        watchdog.cancel()
        connection.close()


def _connection(settings: WebhookSettings) -> http.client.HTTPConnection:
    parts = urlsplit(settings.url)
    host, timeout_s = parts.hostname or "", settings.timeout_s
    if parts.scheme == "https":
        context = ssl.create_default_context(cafile=settings.ca_file)
        return http.client.HTTPSConnection(host, parts.port, timeout=timeout_s, context=context)
    return http.client.HTTPConnection(host, parts.port, timeout=timeout_s)


def _cut(connection: http.client.HTTPConnection, over: threading.Event) -> None:
    """End a call that takes too long: a server may answer a byte at a time for ever."""
    over.set()
    sock = connection.sock
    if sock is not None:
        # Not by the encrypted socket's own method, which is not made for a second thread.
        with contextlib.suppress(OSError):  # it has ended by itself
            socket.socket.shutdown(sock, socket.SHUT_RDWR)


def _seconds(text: str | None) -> int | None:
    """Retry-After in seconds (RFC 9110, 10.2.3); a date there is passed over."""
    if text is None or not (text.isascii() and text.isdigit()):
        return None
    return min(int(text[:9]), _LONGEST_RETRY_S)


def _clean(text: str, settings: WebhookSettings) -> str:
    """One line of printable text, shortened, without what may be secret."""
    query = urlsplit(settings.url).query
    for secret in (settings.url, query, settings.secret):
        if secret:
            text = text.replace(secret, "***")
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:_SHOWN]
