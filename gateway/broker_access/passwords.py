"""Passwords of the broker's accounts, and Mosquitto's password file.

A line of the file is ``user:$7$iterations$salt$hash`` with salt and hash in Base64: PBKDF2 (RFC
8018, section 5.2) with HMAC-SHA-512 and 64 bytes out, as ``mosquitto_passwd`` of Mosquitto 2.0
writes it; the tests compare the two.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
import secrets
from collections.abc import Mapping
from typing import Final

from gateway.config.secrets import Secret

__all__ = ["hashed", "matches", "new_password", "password_file", "read_password_file"]

_HEADER: Final = """\
# Written by "basinward broker-access"; what is changed by hand is lost at the next run.
"""
_PASSWORD_BYTES: Final = 32
_SALT_BYTES: Final = 12  # as mosquitto_passwd
_HASH_BYTES: Final = 64
_ITERATIONS: Final = 101
"""The default of ``mosquitto_passwd``. Many iterations protect passwords that can be guessed; these
are 256 random bits, and the broker does nothing else while it counts, at each log-on of a fleet."""

_MOST_ITERATIONS: Final = 10_000_000
_HASH: Final = re.compile(r"\$7\$([1-9][0-9]{0,7})\$([A-Za-z0-9+/=]+)\$([A-Za-z0-9+/=]+)")


def new_password() -> Secret:
    """A password of 256 random bits, in letters, digits, '-' and '_'."""
    return Secret(secrets.token_urlsafe(_PASSWORD_BYTES))


def hashed(password: str, *, salt: bytes | None = None, iterations: int = _ITERATIONS) -> str:
    """The password as the password file holds it; ``salt`` is random where none is given."""
    salt = secrets.token_bytes(_SALT_BYTES) if salt is None else salt
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, iterations, _HASH_BYTES)
    return f"$7${iterations}${_base64(salt)}${_base64(digest)}"


def matches(written: str, password: str) -> bool:
    """Whether ``written`` is this password's hash; False too for what is no such hash."""
    found = _HASH.fullmatch(written)
    if found is None:
        return False
    iterations = int(found[1])
    try:
        salt = base64.b64decode(found[2], validate=True)
    except binascii.Error:
        return False
    if iterations > _MOST_ITERATIONS:
        return False
    return hmac.compare_digest(hashed(password, salt=salt, iterations=iterations), written)


def password_file(hashes: Mapping[str, str]) -> str:
    """The file's text; ``hashes`` by user."""
    return _HEADER + "".join(f"{user}:{written}\n" for user, written in hashes.items())


def read_password_file(text: str) -> dict[str, str]:
    """Hashes by user; a line that is no account with a hash of this kind is left out."""
    found = {}
    for line in text.splitlines():
        user, colon, written = line.strip().partition(":")
        if colon and user and not user.startswith("#") and _HASH.fullmatch(written):
            found[user] = written
    return found


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")
