"""Secrets drawn by chance: of sessions and of programs' tokens. Records hold their hashes alone.

256 random bits cannot be guessed, so a plain hash is enough (a slow one is for what people choose),
and who reads the records can use none. A token begins with a word that says what it is, so that one
which got into a file or a log is found by searching for it.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from typing import Final

from gateway.config.secrets import Secret

__all__ = ["TOKEN_PREFIX", "is_token", "kept", "new_key", "new_token"]

TOKEN_PREFIX: Final = "basinward_"  # noqa: S105 - the beginning that all have
_RANDOM_BYTES: Final = 32
_TOKEN: Final = re.compile(rf"{TOKEN_PREFIX}[A-Za-z0-9_-]{{43}}")


def new_key() -> Secret:
    """A session's secret, in letters, digits, '-' and '_'."""
    return Secret(secrets.token_urlsafe(_RANDOM_BYTES))


def new_token() -> Secret:
    """A program's secret."""
    return Secret(TOKEN_PREFIX + secrets.token_urlsafe(_RANDOM_BYTES))


def is_token(text: str) -> bool:
    """Whether the text has a token's form."""
    return _TOKEN.fullmatch(text) is not None


def kept(secret: str) -> str:
    """What the records hold of a secret: its SHA-256 (FIPS 180-4), in hexadecimal."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
