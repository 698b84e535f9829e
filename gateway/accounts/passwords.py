"""Passwords: what may be one, and how they are kept.

The rules are those of NIST SP 800-63B-4 (2025), section 3.1.1.2, for a password that is all one
signs in with: at least 15 characters, each code point counted as one; no rule of composition and
no end of its time; any character, blanks among them; compared whole with a list of what attackers
try first, which holds what is common, what repeats or runs on, and what the account's own name
gives away. Unicode text is normalised before it is hashed (NFKC, which the edition of 2017 names in
section 5.1.1.2), since keyboards write one letter in several ways.

Hashes are Argon2id with the second set of parameters that RFC 9106, section 4, recommends: 3
passes, 4 lanes, 64 MiB, 128 bits of salt, 256 bits out. Two are made at a time at most, whatever
comes, so that signing in takes 128 MiB at most.
"""

from __future__ import annotations

import threading
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from argon2 import PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError

__all__ = ["LONGEST", "SHORTEST", "PasswordRefused", "Passwords", "why_refused"]

SHORTEST: Final = 15
LONGEST: Final = 256
"""The standard wants 64 at least; a bound is there because each character costs time."""

# Our own list, of what is long enough to come this far; all in small letters without blanks.
_LISTED: Final = """
    adminadminadmin administrator1 administrator12 administrator123 administratoradmin
    changemechangeme changemeplease changethispassword condensercondenser correcthorsebatterystaple
    defaultpassword donotsharethis iloveyouiloveyou iloveyouverymuch itsasecret12345 letmeinletmein
    letmeinplease123 maintenance12345 maintenance2026 maintenancemode monitoringcentre
    monitoringroom nopasswordneeded passwordpassword passwordpassword1 password12345678
    password123456789 pa55wordpa55word p@ssw0rdp@ssw0rd p@ssw0rd12345678 qwertyqwerty123
    qwertyuiopasdfg qwertzuiopasdfg refrigeration123 refrigerationplant rememberthispassword
    secretpassword secretpassword1 secretpassword123 thisisapassword thisismypassword
    thisisnotapassword trustno1trustno1 welcome123456789 welcomewelcome welcomewelcome1
    whatismypassword yourpasswordhere
"""
_COMMON: Final = frozenset(_LISTED.split())
_ROWS: Final = (
    "abcdefghijklmnopqrstuvwxyz", "1234567890", "qwertyuiopasdfghjklzxcvbnm",
    "qwertzuiopasdfghjklyxcvbnm", "azertyuiopqsdfghjklmwxcvbn", "qwertyuiop", "asdfghjkl",
    "zxcvbnm",
)  # fmt: skip
_LONGEST_PERIOD: Final = 6
_MOST_WAITING: Final = 10


class PasswordRefused(ValueError):
    """The text cannot be this account's password; the message says why."""


def why_refused(password: str, *names: str) -> str:
    """Why the text cannot be the password of an account with these names; '' where it can."""
    text = unicodedata.normalize("NFKC", password)
    if len(text) < SHORTEST:
        return (
            f"It has {len(text)} characters; at least {SHORTEST} are needed. Several words that "
            "have nothing to do with one another are easy to remember and hard to guess."
        )
    if len(text) > LONGEST:
        return f"It has {len(text)} characters; at most {LONGEST} are taken."
    if any(unicodedata.category(c) in {"Cc", "Cs"} for c in text):
        return "It holds characters that no keyboard writes, such as an end of line."
    plain = "".join(text.casefold().split())
    if not plain or plain in _COMMON or _repeats(plain) or _runs_on(plain):
        return (
            "It is one of those that are tried first. Take words that only you would put together."
        )
    if any(_only_of(plain, name) for name in names):
        return "It is made of the account's own name. Take words that have nothing to do with it."
    return ""


class Passwords:
    """Makes and checks hashes; the arguments are Argon2's and are lowered in tests only."""

    def __init__(
        self, *, passes: int = 3, memory_kib: int = 65_536, lanes: int = 4, at_once: int = 2
    ) -> None:
        """Ready to hash with these parameters, ``at_once`` at a time."""
        self._hasher = PasswordHasher(passes, memory_kib, lanes, 32, 16, type=Type.ID)
        self._at_once = threading.BoundedSemaphore(at_once)
        self._count = threading.Lock()
        self._waiting = 0
        self._nobodys = self.hashed("nobody's, so nothing that is typed matches it")

    def hashed(self, password: str) -> str:
        """The password's hash with a new salt, as text that names its own parameters."""
        with self._turn():
            return self._hasher.hash(_normal(password))

    @property
    def is_busy(self) -> bool:
        """Whether so many wait that another had better come again: each takes a thread."""
        return self._waiting >= _MOST_WAITING

    @contextmanager
    def _turn(self) -> Iterator[None]:
        with self._count:
            self._waiting += 1
        try:
            with self._at_once:
                yield
        finally:
            with self._count:
                self._waiting -= 1

    def chosen(self, password: str, *names: str) -> str:
        """The hash of a password that somebody has chosen; raises :class:`PasswordRefused`."""
        if why := why_refused(password, *names):
            raise PasswordRefused(why)
        return self.hashed(password)

    def matches(self, written: str, password: str) -> bool:
        """Whether ``written`` is this password's hash.

        Where it is '', as of an account that does not exist or has no password, as much is
        calculated as otherwise, so that the time does not tell which names there are.
        """
        try:
            with self._turn():
                # What is longer was never taken; it is cut so that it costs no more.
                found = self._hasher.verify(
                    written or self._nobodys, _normal(password[: LONGEST + 1])
                )
        except (VerificationError, InvalidHashError):
            return False
        return found and bool(written)

    def is_outdated(self, written: str) -> bool:
        """Whether the hash was made with other parameters than are used now."""
        return self._hasher.check_needs_rehash(written)


def _normal(password: str) -> bytes:
    return unicodedata.normalize("NFKC", password).encode("utf-8", "surrogatepass")


def _repeats(text: str) -> bool:
    """A few characters over and over: 'aaaaaa', '123123123', 'pass1pass1pass1'."""
    periods = range(1, min(_LONGEST_PERIOD, len(text) // 2) + 1)
    return any(text == (text[:n] * len(text))[: len(text)] for n in periods)


def _runs_on(text: str) -> bool:
    """The alphabet, numbers in order or a keyboard's rows, forwards or backwards."""
    rounds = len(text) // min(map(len, _ROWS)) + 2
    return any(text in row * rounds or text in row[::-1] * rounds for row in _ROWS)


def _only_of(text: str, name: str) -> bool:
    """The name, or its words, with nothing but digits and signs around or between."""
    plain = "".join(unicodedata.normalize("NFKC", name).casefold().split())
    words = {plain, *(w for w in unicodedata.normalize("NFKC", name).casefold().split())}
    rest = text
    for word in sorted(words, key=len, reverse=True):
        if len(word) > 1:
            rest = rest.replace(word, "")
    return rest != text and not any(c.isalpha() for c in rest)
