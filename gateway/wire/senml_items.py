"""Records of a SenML pack as plain Python data, before they are resolved.

What every encoding gives: a mapping from label (by its JSON name) to value. Here stand the values
that plain data has no type for, and the words for a value's type in messages to people.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from gateway.batch import Reason

__all__ = ["Alien", "Fault", "Repeated", "Unusable", "kind_of"]


@dataclass(frozen=True)
class Fault:
    """What was wrong, with one record (``index``) or with the whole pack (``index`` None)."""

    index: int | None
    reason: Reason
    what: str
    refused: object = field(default=None, compare=False)


class Unusable:
    """Stands where a value was that no double can hold: NaN, 1e400, ten thousand digits."""

    def __init__(self, text: str) -> None:
        """``text`` is the number as it was sent; a long one is shortened."""
        self.text = text if len(text) <= 24 else f"{text[:16]}… ({len(text)} characters)"

    def __str__(self) -> str:
        """The number as it was sent."""
        return self.text


class Alien:
    """Stands where something was that SenML has no use for, such as a CBOR tag."""

    def __init__(self, kind: str) -> None:
        """``kind`` is the word for it."""
        self.kind = kind

    def __str__(self) -> str:
        """The word for it."""
        return self.kind


class Repeated(dict[str, Any]):
    """A record in which a label came twice; ``keys_twice`` names them."""

    keys_twice: frozenset[str] = frozenset()


def kind_of(value: object) -> str:
    """The word for a value's type."""
    if isinstance(value, Alien):
        return value.kind
    if isinstance(value, bool):
        return "boolean"
    for types, word in (
        (dict, "object"),
        ((list, tuple), "array"),
        (str, "string"),
        (bytes, "byte string"),
        ((int, float), "number"),
        (Unusable, "number out of range"),
    ):
        if isinstance(value, types):
            return word
    return "null"
