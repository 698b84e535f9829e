"""From the text of an expression to its tokens.

Numbers, names, units behind numbers, and the marks of ordinary algebra; nothing else is part of the
language, and what is not part of it is told by its place.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from rules.own_rules.errors import ExpressionError
from rules.own_rules.units import UNITS

__all__ = ["MAX_LENGTH", "MAX_TOKENS", "Token", "nearest", "tokens"]

MAX_LENGTH: Final = 1000
"""Characters of one expression: a person must be able to see what it says."""

MAX_TOKENS: Final = 250

KEYWORDS: Final = frozenset({"and", "or", "not"})

_BLANK: Final = re.compile(r"[ \t\r\n]*")
_NUMBER: Final = re.compile(r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_NAME: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_UNIT: Final = re.compile(
    "(?:" + "|".join(re.escape(u) for u in sorted(UNITS, key=len, reverse=True)) + ")"
    r"(?![A-Za-z0-9_°µμ²³])"
)
_LOOKS_LIKE_UNIT: Final = re.compile(r"[A-Za-z°µμ][A-Za-z0-9_°µμ²³]*(?:/[A-Za-z][A-Za-z0-9²³]*)?")
_MARKS: Final = re.compile(r"<=|>=|==|!=|[<>+\-*/(),≤≥≠−×÷·]")
_SAME: Final = {"≤": "<=", "≥": ">=", "≠": "!=", "−": "-", "×": "*", "·": "*", "÷": "/"}
_WRITE: Final = {
    "&&": "and", "&": "and", "||": "or", "|": "or", "!": "not", "=": "==", "<>": "!=", "=<": "<=",
    "=>": ">=", "**": "a product, such as x * x", "^": "a product, such as x * x",
}  # fmt: skip


@dataclass(frozen=True)
class Token:
    """One token: ``text`` in its plain form, and where it stands."""

    kind: Literal["number", "unit", "name", "word", "mark", "end"]
    text: str
    start: int
    end: int


def nearest(word: str, known: Iterable[str], n: int = 3) -> str:
    """The known words most like ``word``, in words: \"'a' or 'b'\"; empty if none is."""
    by_form = {k.lower(): k for k in known}
    found = difflib.get_close_matches(word.lower(), by_form, n=n, cutoff=0.65)
    return " or ".join(f"'{by_form[f]}'" for f in found)


def tokens(text: str) -> list[Token]:
    """The tokens of ``text``, an end mark last; :class:`ExpressionError` for what is none."""
    if len(text) > MAX_LENGTH:
        raise ExpressionError(
            text, MAX_LENGTH, len(text),
            f"the expression has {len(text)} characters, more than {MAX_LENGTH}.",
            "Make two rules of it.",
        )  # fmt: skip
    found: list[Token] = []
    at = _past_blank(text, 0)
    while at < len(text):
        token = _next(text, at, after_number=bool(found) and found[-1].kind == "number")
        found.append(token)
        at = _past_blank(text, token.end)
        if len(found) > MAX_TOKENS:
            raise ExpressionError(
                text, token.start, token.end,
                f"the expression has more than {MAX_TOKENS} parts.", "Make two rules of it.",
            )  # fmt: skip
    found.append(Token("end", "", len(text), len(text)))
    return found


def _past_blank(text: str, at: int) -> int:
    match = _BLANK.match(text, at)
    return match.end() if match else at


def _next(text: str, at: int, *, after_number: bool) -> Token:
    if match := _NUMBER.match(text, at):
        if not math.isfinite(float(match.group())):
            raise ExpressionError(
                text, at, match.end(), "the number is too large.", "Write a smaller one."
            )
        return Token("number", match.group(), at, match.end())
    if after_number and (token := _unit(text, at)):
        return token
    if match := _NAME.match(text, at):
        kind: Literal["word", "name"] = "word" if match.group() in KEYWORDS else "name"
        return Token(kind, match.group(), at, match.end())
    for wrong in sorted(_WRITE, key=len, reverse=True):
        if text.startswith(wrong, at) and not text.startswith(("==", "!=", "<=", ">="), at):
            raise ExpressionError(
                text, at, at + len(wrong), f"'{wrong}' is not part of the language.",
                f"Write {_WRITE[wrong]}.",
            )  # fmt: skip
    if match := _MARKS.match(text, at):
        return Token("mark", _SAME.get(match.group(), match.group()), at, match.end())
    shown = f"'{text[at]}'" if text[at].isprintable() else f"U+{ord(text[at]):04X}"
    raise ExpressionError(
        text, at, at + 1, f"the character {shown} is not part of the language.",
        "Use names of quantities, numbers with units, and + - * / ( ) < <= > >= and or not.",
    )  # fmt: skip


def _unit(text: str, at: int) -> Token | None:
    """The unit behind a number; None where something else stands there."""
    if match := _UNIT.match(text, at):
        return Token("unit", match.group(), at, match.end())
    match = _LOOKS_LIKE_UNIT.match(text, at)
    if match is None or match.group() in KEYWORDS:
        return None
    guess = nearest(match.group(), UNITS)
    raise ExpressionError(
        text, at, match.end(), f"'{match.group()}' is not a unit.",
        f"Did you mean {guess}?" if guess else "Write a unit such as kPa, psi, mm, A, °C, K or %.",
    )  # fmt: skip
