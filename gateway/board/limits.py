"""How often one address may come with links that are not ours, and how often programs may ask.

A seal of 128 bits is not found by trying. The limit is there so that whoever tries costs next to
nothing and is seen in the log. It counts bad links alone, so a good link opens whatever else came
from the same address: behind one proxy may be a whole company.
"""

from __future__ import annotations

import ipaddress
import threading
from collections import Counter, OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from gateway.board.problems import Refused
from gateway.board.visitor import Visitor

__all__ = [
    "AtOnceLimit",
    "BadLinkLimit",
    "RequestLimit",
    "asker",
    "export_limit",
    "network_of",
    "upload_limit",
]

_MOST_ADDRESSES: Final = 10_000


class BadLinkLimit:
    """Allows ``count`` bad links in ``window_s`` from an address; times in seconds, any origin."""

    def __init__(self, count: int = 20, window_s: float = 600.0) -> None:
        """Nothing counted yet."""
        self.count = count
        self.window_s = window_s
        self._seen: OrderedDict[str, tuple[float, int]] = OrderedDict()

    def note(self, address: str, now_s: float) -> int:
        """One more bad link from the address; how many it is in its present window."""
        network = network_of(address)
        begun_s, count = self._seen.pop(network, (now_s, 0))
        if now_s - begun_s >= self.window_s:
            begun_s, count = now_s, 0
        self._seen[network] = (begun_s, count + 1)
        if len(self._seen) > _MOST_ADDRESSES:
            self._seen.popitem(last=False)
        return count + 1

    def wait_s(self, address: str, now_s: float) -> float:
        """How long until the address's window ends; 0 where it is within its limit."""
        begun_s, count = self._seen.get(network_of(address), (now_s, 0))
        left_s = begun_s + self.window_s - now_s
        return max(left_s, 0.0) if count > self.count else 0.0


def network_of(address: str) -> str:
    """An IPv6 subscriber has a whole /64 (RFC 6177), so that counts as one."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:64]
    if parsed.version == 6:
        return str(ipaddress.ip_network((parsed, 64), strict=False))
    return str(parsed)


class RequestLimit:
    """Lets each asker come ``count`` times at once, and ``per_s`` times a second in the long run.

    Times in seconds, of any origin. To be used by any thread.
    """

    def __init__(self, count: int = 300, per_s: float = 20.0) -> None:
        """Nobody has asked yet."""
        self._count = count
        self._per_s = per_s
        self._lock = threading.Lock()
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait_s(self, who: str, now_s: float) -> float:
        """0 and one request less for ``who``, or how long to wait until there is one again."""
        with self._lock:
            left, then_s = self._left.pop(who, (float(self._count), now_s))
            left = min(left + max(now_s - then_s, 0.0) * self._per_s, float(self._count))
            wait_s = max(1.0 - left, 0.0) / self._per_s
            self._left[who] = (left if wait_s else left - 1.0, now_s)
            if len(self._left) > _MOST_ADDRESSES:
                self._left.popitem(last=False)
            return wait_s


def asker(visitor: Visitor) -> str:
    """Whose requests are counted together: a token's, or those of who has signed in."""
    return f"token {visitor.token}" if visitor.token else f"{visitor.how} {visitor.account}"


class AtOnceLimit:
    """Lets so much long work be under way at once, ``in_all`` and ``of_one`` asker.

    To be used by any thread. ``busy`` says what is under way, as in "files are being made";
    ``again_s`` after how long one who was refused may find that something is done.
    """

    def __init__(self, in_all: int, of_one: int, *, busy: str, again_s: int) -> None:
        """Nothing is under way."""
        self._in_all = in_all
        self._of_one = of_one
        self._busy = busy
        self._again_s = again_s
        self._lock = threading.Lock()
        self._under_way: Counter[str] = Counter()

    def enter(self, who: str) -> None:
        """One more of ``who``, who must :meth:`leave`.

        Raises :class:`Refused`, and counts nothing: 429 where ``who`` has enough under way, 503
        where all together have (RFC 6585, section 4; RFC 9110, section 15.6.4).
        """
        with self._lock:
            of_one = self._under_way[who] >= self._of_one
            if of_one or self._under_way.total() >= self._in_all:
                what = f"of your {self._busy}" if of_one else self._busy
                again = f"Come again in {self._again_s} s."
                raise Refused(
                    429 if of_one else 503, f"Too many {what} at this moment. {again}",
                    headers={"Retry-After": str(self._again_s)},
                )  # fmt: skip
            self._under_way[who] += 1

    def leave(self, who: str) -> None:
        """One less of ``who``."""
        with self._lock:
            self._under_way[who] -= 1
            if self._under_way[who] <= 0:
                del self._under_way[who]

    @contextmanager
    def one_more(self, who: str) -> Iterator[None]:
        """Something of ``who`` is under way within the block; raises as :meth:`enter` does."""
        self.enter(who)
        try:
            yield
        finally:
            self.leave(who)


def export_limit(in_all: int = 6, of_one: int = 2) -> AtOnceLimit:
    """Files that are made for other programs."""
    return AtOnceLimit(in_all, of_one, busy="files are being made", again_s=10)


def upload_limit(in_all: int = 12, of_one: int = 3) -> AtOnceLimit:
    """Photos and documents that are sent, by pages and programs: they are in memory meanwhile."""
    return AtOnceLimit(in_all, of_one, busy="files are being sent", again_s=10)
