"""Photos and documents of a ticket: what is taken, judged by the bytes and not by the name.

Nothing here opens or draws a file. Signatures: WHATWG, *MIME Sniffing*, sections 6.1 and 6.2 (image
types) and 7.1 (PDF); HEIF: ISO/IEC 23008-12, file type box with the brands of still images (from
memory). Drawings in SVG are text that can hold scripts, and are not taken.
"""

from __future__ import annotations

import hashlib
import unicodedata
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Final

__all__ = [
    "MEDIA_TYPES",
    "MOST_BYTES",
    "Attachment",
    "AttachmentRefused",
    "attachment",
    "media_type",
]

MOST_BYTES: Final = 10 * 1024 * 1024
"""10 MB: a photo of a phone's camera has 3 to 8."""
MOST_EACH: Final = 30
"""Attachments of one ticket."""
LONGEST_NAME: Final = 120

_EXTENSIONS: Final = {
    "image/jpeg": (".jpg", ".jpeg"),
    "image/png": (".png",),
    "image/webp": (".webp",),
    "image/heic": (".heic", ".heif"),
    "application/pdf": (".pdf",),
}
MEDIA_TYPES: Final = tuple(_EXTENSIONS)
"""All that are taken."""
_HEIF_BRANDS: Final = frozenset({b"heic", b"heix", b"mif1"})


class AttachmentRefused(ValueError):
    """The file is not taken; the text says why and what to do."""


@dataclass(frozen=True)
class Attachment:
    """A file that may be kept: a harmless name, its type by content, and its hash."""

    name: str
    media_type: str
    sha256: str
    content: bytes


def media_type(content: bytes) -> str | None:
    """The type by the first bytes; None where it is none of those that are taken."""
    if content.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if content[:4] == b"RIFF" and content[8:14] == b"WEBPVP":
        return "image/webp"
    if content[4:8] == b"ftyp" and content[8:12] in _HEIF_BRANDS:
        return "image/heic"
    return "application/pdf" if content.startswith(b"%PDF-") else None


def attachment(name: str, content: bytes) -> Attachment:
    """The file as it is kept; :class:`AttachmentRefused` where it is not taken."""
    shown = _harmless(name) or "file"
    if not content:
        msg = f"'{shown}' is empty. Nothing was attached."
        raise AttachmentRefused(msg)
    if len(content) > MOST_BYTES:
        msg = (
            f"'{shown}' has {len(content) / 1048576:.1f} MB; {MOST_BYTES // 1048576} MB is the "
            "most. Take the photo with a lower resolution, or split the document. Nothing was "
            "attached."
        )
        raise AttachmentRefused(msg)
    kind = media_type(content)
    if kind is None:
        msg = (
            f"'{shown}' is neither a photo (JPEG, PNG, WebP, HEIC) nor a PDF by its content, "
            "whatever its name says. Save it as one of these. Nothing was attached."
        )
        raise AttachmentRefused(msg)
    stem, suffix = PurePosixPath(shown).stem, PurePosixPath(shown).suffix
    if suffix.lower() not in _EXTENSIONS[kind]:
        # A name that promises something else than the content would be opened by something else.
        stem, suffix = shown, _EXTENSIONS[kind][0]
    whole = f"{stem[: LONGEST_NAME - len(suffix)]}{suffix}"
    return Attachment(whole, kind, hashlib.sha256(content).hexdigest(), content)


def _harmless(name: str) -> str:
    """The last part of a path, without control characters, quotes and leading dots."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(
        "_" if c in '<>:"|?*;' else c for c in last if unicodedata.category(c)[0] not in "C"
    )
    return " ".join(kept.split()).strip(". ")
