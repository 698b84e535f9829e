"""Tells open pages that something has changed, and lets many of them share one answer.

One poller a process asks the records for their mark every two seconds while anybody looks, however
many look; each open page has one connection that says what kind of thing has changed, and asks for
its changing part again. What is asked for by many at once is made once.
"""

from __future__ import annotations

import asyncio
import logging
import threading
import time
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from typing import Final

from gateway.records.session import RecordsError
from gateway.records.summaries import ChangeMark

__all__ = ["Live", "Shared"]

log = logging.getLogger(__name__)

POLL_S: Final = 2.0
LOOKS_S: Final = 5.0
"""Readings change all the time: a page that shows them is told no more often than this."""
HEARTBEAT_S: Final = 20.0
"""So often something is sent, so that no proxy takes the connection for dead."""
LONGEST_S: Final = 600.0
"""After it the browser comes again, and is asked anew who it is."""
MOST_FOLLOWERS: Final = 1_000
_WHO: Final = "who"
"""Said to a follower: see whether whoever looks may still do so."""


class _Making:
    """The making of one answer, and how many ask for it at this moment."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.askers = 0


class Shared:
    """Answers that are the same for many, kept for ``keep_s`` or until :meth:`forget`."""

    def __init__(self, keep_s: float = 2.0, most: int = 200) -> None:
        """Nothing is kept yet."""
        self._keep_s = keep_s
        self._most = most
        self._lock = threading.Lock()
        self._kept: OrderedDict[str, tuple[float, str]] = OrderedDict()
        self._making: dict[str, _Making] = {}
        self._age = 0

    def get(self, key: str, make: Callable[[], str]) -> str:
        """What is kept of the key, else what ``make`` gives; it is not made twice at once."""
        with self._lock:
            making = self._making.setdefault(key, _Making())
            making.askers += 1
        try:
            with making.lock:
                return self._kept_or_made(key, make)
        finally:
            with self._lock:
                making.askers -= 1
                if not making.askers:
                    del self._making[key]

    def _kept_or_made(self, key: str, make: Callable[[], str]) -> str:
        with self._lock:
            kept = self._kept.get(key)
            if kept is not None and time.monotonic() < kept[0]:
                return kept[1]
            age = self._age
        made = make()
        with self._lock:
            if age == self._age:  # else it may show what was before the change
                self._kept[key] = (time.monotonic() + self._keep_s, made)
                self._kept.move_to_end(key)
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        return made

    def forget(self) -> None:
        """Something has changed."""
        with self._lock:
            self._age += 1
            self._kept.clear()


class Live:
    """Follows the records for all open pages of this process; used within one event loop."""

    def __init__(
        self,
        mark: Callable[[], ChangeMark],
        *,
        poll_s: float = POLL_S,
        looks_s: float = LOOKS_S,
        heartbeat_s: float = HEARTBEAT_S,
    ) -> None:
        """``mark`` is called in a thread; what it raises of the records' errors is waited out."""
        self.shared = Shared()
        self._mark = mark
        self._poll_s = poll_s
        self._looks_s = looks_s
        self._heartbeat_s = heartbeat_s
        self.most_followers = MOST_FOLLOWERS
        self._followers: set[asyncio.Queue[str | None]] = set()
        self._poller: asyncio.Task[None] | None = None
        self._closing = False

    @property
    def followers(self) -> int:
        """How many pages follow now."""
        return len(self._followers)

    def leave_room(self, connections: int) -> None:
        """Let no more follow than leave a sixth of so many connections to others."""
        self.most_followers = min(MOST_FOLLOWERS, connections * 5 // 6)

    def close(self) -> None:
        """Let every follower go; to be called within the event loop or from a signal handler."""
        self._closing = True
        for queue in list(self._followers):
            queue.put_nowait(None)

    async def follow(self, may_look: Callable[[], bool] = lambda: True) -> AsyncIterator[str]:
        """Server-sent events (WHATWG HTML, section 9.2): 'change' with the kinds of what changed.

        Ends by itself after :data:`LONGEST_S`; the browser then comes again. Where a session or an
        account has changed, ``may_look`` is asked, in a thread, and no ends it at once.
        """
        if self._closing or len(self._followers) >= self.most_followers:
            yield "retry: 60000\n\n"
            return
        queue: asyncio.Queue[str | None] = asyncio.Queue()
        self._followers.add(queue)
        if self._poller is None or self._poller.done():
            self._poller = asyncio.create_task(self._poll())
        ends_s = time.monotonic() + LONGEST_S
        try:
            yield "retry: 5000\nevent: hello\ndata: \n\n"
            while time.monotonic() < ends_s:
                try:
                    said = await asyncio.wait_for(queue.get(), self._heartbeat_s)
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                if said is None:
                    return
                if said == _WHO:
                    if not await asyncio.to_thread(self._still, may_look):
                        return
                    continue
                yield f"event: change\ndata: {said}\n\n"
        finally:
            self._followers.discard(queue)

    @staticmethod
    def _still(may_look: Callable[[], bool]) -> bool:
        try:
            return may_look()
        except RecordsError:  # who it is will be asked when the browser comes again
            return False

    async def _poll(self) -> None:
        before: ChangeMark | None = None
        told_looks_s = 0.0
        while self._followers and not self._closing:
            try:
                mark = await asyncio.to_thread(self._mark)
            except RecordsError as error:
                log.debug("Open pages are not told of changes: %s", error)
            else:
                if before is not None:
                    kinds = [
                        *(["alarms"] if mark.alarms != before.alarms else []),
                        *(["refused"] if mark.refused != before.refused else []),
                        *(["visits"] if mark.visits != before.visits else []),
                    ]
                    now_s = time.monotonic()
                    if mark.looks != before.looks and now_s - told_looks_s >= self._looks_s:
                        kinds.append("looks")
                        told_looks_s = now_s
                    elif mark.looks != before.looks:
                        mark = replace(mark, looks=before.looks)
                    if mark.people != before.people:
                        for queue in list(self._followers):
                            queue.put_nowait(_WHO)
                    if kinds:
                        self.shared.forget()
                        for queue in list(self._followers):
                            queue.put_nowait(" ".join(kinds))
                before = mark
            await asyncio.sleep(self._poll_s)
