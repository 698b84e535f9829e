"""The alphabet of short texts: which characters there are, what each takes, and what stands in.

The GSM 7-bit default alphabet and its extension table, 3GPP TS 23.038, 6.2.1 and 6.2.1.1 (formerly
GSM 03.38; from memory, checked in the tests against an independent package). A text of one part
holds 160 septets; a character of the extension table takes two. One character outside both would
turn the whole text into 70 characters of another coding.
"""

from __future__ import annotations

import unicodedata
from types import MappingProxyType
from typing import Final

__all__ = ["BASIC", "EXTENSION", "LONGEST_SEPTETS", "septets", "transliterated"]

LONGEST_SEPTETS: Final = 160

BASIC: Final = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
"""The characters that take one septet."""

EXTENSION: Final = "\f^{}\\[~]|€"
"""The characters that take two."""

_UNKNOWN: Final = "?"
_STAND_INS: Final = MappingProxyType({
    "’": "'", "‘": "'", "‚": ",", "“": '"', "”": '"', "„": '"', "«": '"', "»": '"', "`": "'",
    "–": "-", "—": "-", "−": "-", "‑": "-", "‐": "-", "…": "...", "•": "-", "·": ".", "×": "x",
    "°": " deg ", "µ": "u", "μ": "u", "±": "+-", "≤": "<=", "≥": ">=", "²": "2", "³": "3",
    "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ð": "d", "þ": "th", "Þ": "Th", "œ": "oe", "Œ": "OE",
    "ı": "i", "ŋ": "n", "ħ": "h", "ẞ": "SS", "α": "a", "β": "ß", "Α": "A", "Β": "B", "Ε": "E",
})  # fmt: skip


def septets(text: str) -> int:
    """How many septets a text takes; ValueError where a character is in neither table."""
    total = 0
    for character in text:
        if character in BASIC:
            total += 1
        elif character in EXTENSION:
            total += 2
        else:
            msg = f"{character!r} cannot stand in a short text; transliterate it first"
            raise ValueError(msg)
    return total


def transliterated(text: str) -> str:
    """The text on one line in these two tables: accents dropped where need be, '?' for the rest."""
    made = "".join(_in_tables(c) for c in unicodedata.normalize("NFC", text))
    return " ".join(made.split())


def _in_tables(character: str) -> str:
    if character.isspace() or unicodedata.category(character) in {"Cc", "Zl", "Zp"}:
        return " "
    if character in BASIC or character in EXTENSION:
        return character
    if character in _STAND_INS:
        return _STAND_INS[character]
    if unicodedata.category(character) == "Cf":
        return ""
    parts = unicodedata.normalize("NFKD", character)
    kept = [c for c in parts if not unicodedata.combining(c)]
    known = [_STAND_INS.get(c, c) for c in kept]
    if known and all(c in BASIC or c in EXTENSION for text in known for c in text):
        return "".join(known)
    return _UNKNOWN if kept else ""
