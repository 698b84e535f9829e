"""A publisher process for benchmarks: as fast as it is allowed, or at a steady pace.

Run by a benchmark, not by hand. It reads numbers from its standard input, one a line: so many
messages more may go out (a *credit*). ``--pace`` sends so many a second besides, without credit.
Units publish in turn, 15-record packs, each of its units' times 10 s after the last; real time
does not matter to the gateway, so load of hours fits into minutes.
"""

from __future__ import annotations

import argparse
import random
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from itertools import cycle
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from packs import FRAME_INTERVAL_MS, connect, pack, publish_packet, read_exactly  # noqa: E402

__all__ = ["Publisher"]

_WINDOW = 500


class Publisher:
    """The process, seen from the benchmark that runs it."""

    def __init__(self, port: int, units: Sequence[tuple[str, str]], first_ms: int, pace: int = 0):
        self._process = subprocess.Popen(
            [sys.executable, __file__, str(port), str(first_ms), "--pace", str(pace)],
            stdin=subprocess.PIPE,
        )
        self._say(len(units))
        for site, unit in units:
            self._say(f"{site}/{unit}")

    def allow(self, messages: int) -> None:
        """Let so many messages more go out."""
        self._say(messages)

    def stop(self) -> None:
        """End it."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(30)

    def _say(self, what: object) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{what}\n".encode())
        self._process.stdin.flush()


def endless(units: Sequence[str], first_ms: int) -> Iterator[tuple[bytes, bytes]]:
    """Topic and payload, all units in turn, for ever."""
    rng = random.Random(1)
    mark = b'"bt":0.0,'
    bodies = cycle([pack(0.0, rng) for _ in range(1_001)])
    topics = [f"sites/{unit}/senml".encode() for unit in units]
    time_ms = first_ms
    while True:
        now = b'"bt":%.1f,' % (time_ms / 1000.0)
        for topic in topics:
            yield topic, next(bodies).replace(mark, now, 1)
        time_ms += FRAME_INTERVAL_MS


def send(connection: socket.socket, messages: Iterator[tuple[bytes, bytes]], count: int) -> None:
    """So many messages, and wait until the broker has them."""
    for first in range(0, count, _WINDOW):
        n = min(_WINDOW, count - first)
        connection.sendall(b"".join(publish_packet(i, *next(messages)) for i in range(1, n + 1)))
        read_exactly(connection, 4 * n)


def main() -> None:
    """Publish what is allowed until standard input ends."""
    parser = argparse.ArgumentParser()
    parser.add_argument("port", type=int)
    parser.add_argument("first_ms", type=int)
    parser.add_argument("--pace", type=int, default=0)
    arguments = parser.parse_args()
    lines = sys.stdin
    units = [next(lines).strip() for _ in range(int(next(lines)))]
    messages = endless(units, arguments.first_ms)
    with connect(arguments.port) as connection:
        if arguments.pace:
            _at_a_pace(connection, messages, arguments.pace)
        else:
            for line in lines:
                send(connection, messages, int(line))


def _at_a_pace(
    connection: socket.socket, messages: Iterator[tuple[bytes, bytes]], pace: int
) -> None:
    """``pace`` messages a second in twenty portions, until standard input ends."""
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
    due_s = time.monotonic()
    while not ended.wait(max(0.0, due_s - time.monotonic())):
        send(connection, messages, max(1, pace // 20))
        due_s += 0.05


if __name__ == "__main__":
    main()
