"""How many messages an hour one address gets, and what happens to those beyond.

A flood of mail is as good as none: nobody reads it, and the mail server may shut the sender out.
So each address has an allowance by the hour, and a second one of the same size for high priority,
that no heap of lesser tickets can use up. What is beyond it waits, the gravest first, until the
hour has room; nothing is dropped. People are told of what waits by a mail that lists it: for high
priority at once and then once a minute at most, for the others once an hour at most. So a high
ticket is always told within a minute, and no address gets more than twice its allowance and 61
lists in an hour. A list names the tickets; it is no ticket, and says so.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable
from typing import Final, NamedTuple

from gateway.records.allowance import AllowanceStore
from gateway.records.outbox import Due
from gateway.records.rows import Channel

__all__ = ["Allowance"]

_HOUR_MS: Final = 3_600_000
_UNLIMITED: Final = frozenset({Channel.LIST, Channel.LETTER})
"""A letter is nobody's storm: there is one for a period or a visit."""
_LIST_EVERY_MS: Final = {True: 60_000, False: _HOUR_MS}
_LONGEST_MS: Final = 30 * 60_000
"""What is put off is looked at again after this, as the outbox takes no longer pause for real."""


class _Account(NamedTuple):
    address: str
    is_high: bool


class Allowance:
    """Counts what each address got in the last hour. For one thread.

    ``per_hour`` is the limit. Times are UTC, ms since 1970. Where the clock was set back by more
    than an hour, what was delivered before counts no more, rather than hold mail up.
    """

    def __init__(self, store: AllowanceStore, per_hour: int) -> None:
        """Nothing is read before :meth:`begin`."""
        self.per_hour = per_hour
        self._store = store
        self._served: defaultdict[_Account, deque[int]] = defaultdict(deque)
        self._listed_ms: dict[_Account, int] = {}
        self._owed: set[_Account] = set()

    def begin(self, now_ms: int) -> None:
        """Learn from the records what was delivered in the last hour."""
        self._served.clear()
        for one in self._store.delivered_since(now_ms - _HOUR_MS):
            self._count(_Account(one.address, one.is_high), one.time_ms)

    def served(self, due: Due, addresses: Iterable[str], now_ms: int) -> None:
        """A server took this message for these addresses."""
        if due.channel not in _UNLIMITED:
            for address in addresses:
                self._count(_Account(address, due.priority == "high"), now_ms)

    def allowed(self, due: Due, now_ms: int) -> tuple[str, ...]:
        """The addresses of a message that may be served now."""
        if due.channel in _UNLIMITED:
            return due.addresses
        is_high = due.priority == "high"
        return tuple(a for a in due.addresses if self._room(_Account(a, is_high), now_ms))

    def kept_waiting(self, due: Due, addresses: Iterable[str]) -> None:
        """These addresses of a message were not served with the others."""
        if due.channel is Channel.MAIL:
            self._owed.update(_Account(a, due.priority == "high") for a in addresses)

    def again_ms(self, now_ms: int) -> int:
        """When what waits for the allowance is looked at again."""
        frees = [self._free_ms(account) for account in self._exhausted(now_ms)]
        return min([*frees, now_ms + _LONGEST_MS])

    def hold_back(self, now_ms: int, domain: str) -> None:
        """Put off what is due beyond the allowance, and write the mails that list it.

        ``domain`` ends the Message-IDs of these.
        """
        full = self._exhausted(now_ms)
        for is_high in (True, False):
            addresses = [a.address for a in full if a.is_high is is_high]
            if addresses and self._store.put_off(
                addresses,
                is_high=is_high,
                now_ms=now_ms,
                until_ms=self.again_ms(now_ms),
                longest_ms=_LONGEST_MS,
                per_hour=self.per_hour,
            ):
                self._owed.update(a for a in full if a.is_high is is_high)
        for account in sorted(self._owed):
            if self._list_due_ms(account, now_ms) <= now_ms:
                self._owed.discard(account)
                if self._store.write_list(
                    account.address, is_high=account.is_high, now_ms=now_ms, domain=domain
                ):
                    self._listed_ms[account] = now_ms

    def next_list_ms(self, now_ms: int) -> int | None:
        """When the next list is due, None where none is owed."""
        return min((self._list_due_ms(account, now_ms) for account in self._owed), default=None)

    def _count(self, account: _Account, time_ms: int) -> None:
        times = self._served[account]
        times.append(time_ms)
        while len(times) > self.per_hour:
            times.popleft()

    def _room(self, account: _Account, now_ms: int) -> bool:
        times = self._served.get(account)
        if times is None:
            return True
        while times and not now_ms - _HOUR_MS < times[0] <= now_ms + _HOUR_MS:
            times.popleft()
        if not times:
            del self._served[account]
        return len(times) < self.per_hour

    def _exhausted(self, now_ms: int) -> list[_Account]:
        return [account for account in list(self._served) if not self._room(account, now_ms)]

    def _free_ms(self, account: _Account) -> int:
        return self._served[account][0] + _HOUR_MS

    def _list_due_ms(self, account: _Account, now_ms: int) -> int:
        last_ms = self._listed_ms.get(account)
        if last_ms is None or last_ms > now_ms:
            return now_ms
        return last_ms + _LIST_EVERY_MS[account.is_high]
