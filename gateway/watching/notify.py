"""Talking to a service manager that listens on a socket: ready, what it does, and that it lives.

The protocol is systemd's sd_notify(3), spoken directly: newline-separated assignments in one
datagram to the socket named by NOTIFY_SOCKET, which may be a path or, with a leading ``@``, an
abstract name. Where no such socket is named nothing happens. A message that cannot be sent is told
once in the log and never stops the gateway.
"""

from __future__ import annotations

import logging
import os
import socket
import time
from collections.abc import Mapping

__all__ = ["ServiceManager"]

log = logging.getLogger(__name__)


class ServiceManager:
    """The service manager that has started this process, if one has. Any thread may use it."""

    def __init__(self, address: str = "", watchdog_s: float = 0.0) -> None:
        """``address`` is NOTIFY_SOCKET's; ``watchdog_s`` the longest time between signs of life."""
        self._address = f"\0{address[1:]}" if address.startswith("@") else address
        self.watchdog_s = watchdog_s if address else 0.0
        """0 where the service manager watches nothing. [s]"""
        self._failed = False

    @classmethod
    def of(cls, environ: Mapping[str, str], pid: int | None = None) -> ServiceManager:
        """By the variables that the service manager has set.

        WATCHDOG_PID says which process is to give signs of life; without it this one is.
        """
        address = environ.get("NOTIFY_SOCKET", "")
        if address and address[0] not in "/@":
            log.warning("NOTIFY_SOCKET is '%s', which is no path; nobody is notified.", address)
            address = ""
        try:
            watchdog_s = int(environ.get("WATCHDOG_USEC", "0")) / 1e6
        except ValueError:
            watchdog_s = 0.0
        meant = environ.get("WATCHDOG_PID", "")
        if meant and meant != str(os.getpid() if pid is None else pid):
            watchdog_s = 0.0
        return cls(address, max(0.0, watchdog_s))

    def ready(self, status: str) -> None:
        """The start, or a reload, is done."""
        self._send("READY=1", f"STATUS={_one_line(status)}")

    def reloading(self) -> None:
        """The configuration is being read again; :meth:`ready` ends it."""
        now_us = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
        self._send("RELOADING=1", f"MONOTONIC_USEC={now_us}")

    def stopping(self) -> None:
        """The end has begun."""
        self._send("STOPPING=1")

    def status(self, status: str) -> bool:
        """One line for people; whether it was sent."""
        return self._send(f"STATUS={_one_line(status)}")

    def alive(self) -> None:
        """A sign of life, for the watchdog."""
        if self.watchdog_s:
            self._send("WATCHDOG=1")

    def _send(self, *assignments: str) -> bool:
        if not self._address:
            return True
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.settimeout(1.0)
                out.sendto("\n".join(assignments).encode(), self._address)
        except (OSError, ValueError) as error:
            if not self._failed:
                log.warning("The service manager cannot be notified: %s", error)
            self._failed = True
        else:
            self._failed = False
        return not self._failed


def _one_line(text: str) -> str:
    return " ".join(text.split())
