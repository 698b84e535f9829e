"""Names of accounts: what one signs in with, and what records show.

The sign-in name is of ASCII alone, as a mail address or a host's user name is, so that there is
one way to write it and none that only looks the same. Capital letters are taken for small ones, as
in the UsernameCaseMapped profile of RFC 8265, section 3.3. The shown name is as people write it; no
two accounts may have ones that differ only in case, width or blanks, or a record would not say who
it was.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

__all__ = ["NameRefused", "account_name", "shown_key", "shown_name"]

_NAME: Final = re.compile(r"[a-z0-9][a-z0-9._@+-]{0,62}[a-z0-9]")
_LONGEST_SHOWN: Final = 80
# Zero-width and bidirectional characters are of Cf; line and paragraph separators are Zl and Zp.
_UNSEEN: Final = frozenset({"Cc", "Cf", "Cn", "Co", "Cs", "Zl", "Zp"})


class NameRefused(ValueError):
    """The text cannot be such a name; the message says why and what can."""


def account_name(text: str) -> str:
    """The sign-in name as it is kept; raises :class:`NameRefused`.

    2 to 64 of the letters a to z, digits and ``. _ @ + -``, beginning and ending with a letter or
    digit.
    """
    name = text.strip(" ").lower() if text.isascii() else ""
    if not _NAME.fullmatch(name):
        msg = (
            "A name to sign in with has 2 to 64 characters: letters a to z without accents, "
            "digits, and . _ @ + - between them."
        )
        raise NameRefused(msg)
    return name


def shown_name(text: str) -> str:
    """The name as records show it, blanks made single; raises :class:`NameRefused`."""
    name = unicodedata.normalize("NFC", " ".join(text.split()))
    if not 0 < len(name) <= _LONGEST_SHOWN:
        msg = f"A name for the records has 1 to {_LONGEST_SHOWN} characters; this has {len(name)}."
        raise NameRefused(msg)
    if any(unicodedata.category(character) in _UNSEEN for character in name):
        msg = "A name for the records is of letters that can be seen; this holds others."
        raise NameRefused(msg)
    return name


def shown_key(name: str) -> str:
    """What two shown names have in common that a reader may take for one another."""
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return " ".join(folded.split())
