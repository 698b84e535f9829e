"""SenML JSON (RFC 8428, section 5): text to records as plain data.

Never an exception, whatever the bytes. Numbers that no double holds and labels that came twice are
marked, so that only their record is refused.
"""

from __future__ import annotations

import json
import math
import re
from typing import Any, Final

from gateway.batch import Reason
from gateway.wire.senml import Pack, resolve
from gateway.wire.senml_items import Fault, Repeated, Unusable, kind_of

__all__ = ["parse_json", "read_json"]

MAX_DEPTH: Final = 32
"""Nesting that is read; a pack needs 2. Deeper text is refused before it can exhaust the stack."""

MAX_DIGITS: Final = 400
"""Digits of an integer that are read; the largest double has 309."""

# Possessive, and a string may end with the text: else each quote of a text with an open string
# would be tried to the end, which for a payload of the greatest size takes minutes.
_BRACKETS: Final = re.compile(r'"[^"\\]*+(?:\\.[^"\\]*+)*+"?|[\[\]{}]', re.DOTALL)


def read_json(payload: bytes, received_s: float) -> Pack | Fault:
    """The pack in ``payload``, resolved against the time of receipt."""
    items = parse_json(payload)
    return items if isinstance(items, Fault) else resolve(items, received_s)


def parse_json(payload: bytes) -> list[object] | Fault:
    """The items of the JSON array in ``payload``, as plain Python data, or why there is none."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as error:
        return Fault(None, Reason.NOT_SENML, f"Byte {error.start} is not UTF-8.", payload)
    items = _parse(text)
    if isinstance(items, str):
        return Fault(None, Reason.NOT_SENML, items, payload)
    return items


def _number(text: str) -> float | Unusable:
    if len(text) > MAX_DIGITS and text.lstrip("-").isdigit():
        return Unusable(text)
    value = float(text)
    return value if math.isfinite(value) else Unusable(text)


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) == len(pairs):
        return found
    seen: set[str] = set()
    twice = {key for key, _ in pairs if key in seen or seen.add(key)}  # type: ignore[func-returns-value]  # add() returns None: "not seen before"
    repeated = Repeated(found)
    repeated.keys_twice = frozenset(twice)
    return repeated


def _depth(text: str) -> int:
    """The deepest nesting of brackets outside strings."""
    depth = deepest = 0
    for match in _BRACKETS.finditer(text):
        bracket = match.group()
        if bracket in "[{":
            depth += 1
            deepest = max(deepest, depth)
        elif bracket in "]}":
            depth -= 1
    return deepest


_JSON: Final = json.JSONDecoder(
    object_pairs_hook=_object,
    parse_float=_number,
    parse_int=_number,
    parse_constant=Unusable,
)


def _parse(text: str) -> list[object] | str:
    """The items of the array, or what is wrong."""
    if not text.strip(" \t\r\n"):
        return "The payload is empty."
    if (depth := _depth(text)) > MAX_DEPTH:
        return f"The JSON is nested {depth} deep; {MAX_DEPTH} is read, and SenML needs 2."
    try:
        items = _JSON.decode(text)
    except json.JSONDecodeError as error:
        return f"Not JSON: {error.msg}, at character {error.pos}."
    if not isinstance(items, list):
        return f"A JSON {kind_of(items)}, not an array."
    return items or "The pack holds no record."
