"""A letter: a mail about no ticket, whole when it is put in the outbox.

A report of a month or a plan of a visit says what was true when it was made. So its words and its
files are kept, and every attempt to send it sends the same.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

__all__ = ["Letter", "LetterFile"]

_MEDIA_TYPE: Final = re.compile(r"[a-z]+/[a-z0-9.+-]+(?:; ?[a-z]+=[A-Za-z0-9-]+)*")


@dataclass(frozen=True)
class LetterFile:
    """A file in a letter. ``media_type`` may have parameters: 'text/calendar; method=REQUEST'.

    With a ``cid`` it is a picture that the page shows as ``cid:...``; without one it is attached.
    """

    name: str
    media_type: str
    content: bytes
    cid: str = ""

    def __post_init__(self) -> None:
        """Refuse a media type that no header could say."""
        if not _MEDIA_TYPE.fullmatch(self.media_type):
            msg = f"'{self.media_type}' is no media type. Write for instance 'application/pdf'."
            raise ValueError(msg)


@dataclass(frozen=True)
class Letter:
    """Subject, plain text, the same as a page ('' for none), and files."""

    subject: str
    text: str
    html: str = ""
    files: tuple[LetterFile, ...] = ()
