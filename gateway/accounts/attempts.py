"""How often somebody may try to sign in, without a stranger's tries keeping the owner out.

Three counts of failures, each in a window of time:

- by address and account: whoever guesses one person's password from one place;
- by address: whoever tries one password on many names. An office has one address, so it is wide;
- by account, over all addresses: whoever guesses from many places. NIST SP 800-63B-4, section
  3.2.2, allows 100 failures in a row. A stranger can use these up, so they do not count for a
  browser that has signed in to this account before and shows the mark that it got then (a device
  cookie, in the words of OWASP); it has a count of its own.

Counts are by the name that was typed, whether there is such an account or not. They are in memory:
a new start forgets them, and takes longer than an attacker gains by it.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable
from typing import Final, NamedTuple

__all__ = ["Admission", "SignInLimit"]

_MOST_KEPT: Final = 20_000
_ACCOUNT: Final = "account"
_ADDRESS: Final = "address"
_BOTH: Final = "both"
_MARK: Final = "mark"


class Admission(NamedTuple):
    """``wait_s`` is 0 where the try is let in, else in seconds.

    ``is_last`` says that none will be let in after it, if it fails.
    """

    wait_s: float
    is_last: bool


class SignInLimit:
    """Counts failures; times in seconds, of any origin.

    ``each`` failures are allowed for an account from one network in ``window_s``, ``network`` from
    one network for all accounts; ``account`` for one account from all networks in
    ``account_window_s``.
    """

    def __init__(
        self,
        *,
        each: int = 10,
        network: int = 50,
        account: int = 100,
        window_s: float = 900.0,
        account_window_s: float = 3600.0,
    ) -> None:
        """Nothing counted yet."""
        self._most = {_BOTH: each, _MARK: each, _ADDRESS: network, _ACCOUNT: account}
        self._window_s = {
            _BOTH: window_s, _MARK: window_s, _ADDRESS: window_s, _ACCOUNT: account_window_s,
        }  # fmt: skip
        self._seen: OrderedDict[tuple[str, Hashable], tuple[float, int]] = OrderedDict()
        self._lock = threading.Lock()

    def admit(self, name: str, network: str, mark: str, now_s: float) -> Admission:
        """Let in one try, or say how long to wait.

        ``mark`` is that of a browser which has signed in to this account before, '' for others. A
        try counts as failed from its beginning, so that many at once are no more than many in a
        row; :meth:`succeeded` takes that back.
        """
        keys = self._keys(name, network, mark)
        with self._lock:
            wait_s = max(self._left_s(key, now_s) for key in keys)
            if wait_s > 0:
                return Admission(wait_s, False)
            counts = [self._count(key, now_s) for key in keys]
            return Admission(0.0, any(counts))

    def succeeded(self, name: str, network: str, mark: str) -> None:
        """The try was the owner's: what failed before was his own, or in vain."""
        with self._lock:
            for key in self._keys(name, network, mark):
                begun_s, count = self._seen.pop(key, (0.0, 0))
                # Of the network only this one: who has one account could try all others for ever.
                if key[0] == _ADDRESS and count > 1:
                    self._seen[key] = (begun_s, count - 1)

    def _keys(self, name: str, network: str, mark: str) -> list[tuple[str, Hashable]]:
        if mark:
            return [(_MARK, (name, mark))]
        return [(_BOTH, (name, network)), (_ADDRESS, network), (_ACCOUNT, name)]

    def _left_s(self, key: tuple[str, Hashable], now_s: float) -> float:
        begun_s, count = self._seen.get(key, (now_s, 0))
        left_s = begun_s + self._window_s[key[0]] - now_s
        return max(left_s, 0.0) if count >= self._most[key[0]] else 0.0

    def _count(self, key: tuple[str, Hashable], now_s: float) -> bool:
        begun_s, count = self._seen.pop(key, (now_s, 0))
        if now_s - begun_s >= self._window_s[key[0]]:
            begun_s, count = now_s, 0
        self._seen[key] = (begun_s, count + 1)
        if len(self._seen) > _MOST_KEPT:
            self._seen.popitem(last=False)
        return count + 1 == self._most[key[0]]
