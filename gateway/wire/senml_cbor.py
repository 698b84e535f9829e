"""SenML CBOR (RFC 8428, section 6): bytes to records as plain data.

Reading the bytes is cbor2's work; what it would make of tags is taken from it. Of all tags only
those that stand for numbers are read (big integers and decimal fractions, both bounded) and the one
that marks CBOR as such; none may make it compute, compile or refer back. Arrays and maps have
definite lengths, as section 6 wants of a pack, and a label that comes twice makes CBOR that is not
valid (RFC 8949, section 5.6), so such a message is refused whole.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from io import BytesIO
from typing import Any, Final

import cbor2

from gateway.batch import Reason
from gateway.wire.senml import Pack, resolve
from gateway.wire.senml_items import Alien, Fault, Repeated, Unusable, kind_of

__all__ = ["LABELS", "load_cbor", "parse_cbor", "read_cbor"]

LABELS: Final[dict[Any, str]] = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
"""The integer labels and their JSON names (RFC 8428, section 6, table 4)."""

MAX_DEPTH: Final = 32
"""Nesting that is read; a pack needs 2."""

MAX_NUMBER_BYTES: Final = 128
"""Of a big integer: the largest double has 1024 bits."""

MAX_EXPONENT: Final = 400
"""Of a decimal fraction: a double's powers of ten go from -324 to 308."""

_BIG, _BIG_NEGATIVE, _DECIMAL, _SELF_DESCRIBED = 2, 3, 4, 55799  # RFC 8949, section 3.4


def read_cbor(payload: bytes, received_s: float) -> Pack | Fault:
    """The pack in ``payload``, resolved against the time of receipt."""
    items = parse_cbor(payload)
    return items if isinstance(items, Fault) else resolve(items, received_s)


def load_cbor(payload: bytes) -> Any:
    """The one data item that ``payload`` holds; ``ValueError`` with the words if it does not."""
    stream = BytesIO(payload)
    try:
        found = cbor2.CBORDecoder(
            stream,
            max_depth=MAX_DEPTH,
            allow_indefinite=False,
            allow_duplicate_keys=False,
            semantic_decoders=_TAGS,
        ).decode()
    except cbor2.CBORDecodeEOF:
        msg = "The CBOR ends too early."
        raise ValueError(msg) from None
    except cbor2.CBORError as error:
        msg = f"Not readable as CBOR of a SenML pack: {_first(error)}."
        raise ValueError(msg) from error
    if left := len(payload) - stream.tell():
        msg = f"After the CBOR array follow {left} bytes more."
        raise ValueError(msg)
    return found


def parse_cbor(payload: bytes) -> list[object] | Fault:
    """The items of the CBOR array in ``payload``, under their JSON labels, or why there is none."""
    if not payload:
        return Fault(None, Reason.NOT_SENML, "The payload is empty.", payload)
    try:
        found = load_cbor(payload)
    except ValueError as error:
        return Fault(None, Reason.NOT_SENML, str(error), payload)
    if not isinstance(found, (list, tuple)):
        what = f"A CBOR {kind_of(_plain(found))}, not an array."
        return Fault(None, Reason.NOT_SENML, what, payload)
    if not found:
        return Fault(None, Reason.NOT_SENML, "The pack holds no record.", payload)
    return [_relabelled(item) if isinstance(item, dict) else _plain(item) for item in found]


def _relabelled(item: dict[Any, Any]) -> dict[str, Any]:
    """A record under the JSON labels; a text that says the same as a number came twice."""
    record: dict[str, Any] = {}
    twice = set()
    for key, value in item.items():
        label = LABELS.get(key)
        if label is None:
            # Labels of extensions are texts (section 6); what is neither can mean nothing.
            label = key if isinstance(key, str) else f"({kind_of(key)} {str(key)[:20]})"
        if label in record:
            twice.add(label)
        record[label] = _plain(value)
    if not twice:
        return record
    repeated = Repeated(record)
    repeated.keys_twice = frozenset(twice)
    return repeated


def _plain(value: object) -> object:
    """A value with its marks for what no double holds and what SenML has no use for."""
    if isinstance(value, float) and not math.isfinite(value):
        return Unusable("NaN" if value != value else f"{value:+}".replace("inf", "Infinity"))  # noqa: PLR0124  # NaN is the one value unlike itself
    if value is cbor2.undefined:
        return Alien("undefined value")
    if isinstance(value, cbor2.CBORSimpleValue):
        return Alien(f"simple value {value.value}")
    return value


def _first(error: BaseException) -> str:
    """The innermost reason, without full stop."""
    while error.__cause__ is not None:
        error = error.__cause__
    return str(error).rstrip(".")


# --- tags ----------------------------------------------------------------------------------------


def _big(value: object, _immutable: bool) -> object:  # the library's signature
    if not isinstance(value, bytes):
        return Alien("big integer without bytes")
    if len(value) > MAX_NUMBER_BYTES:
        return Unusable(f"a big integer of {len(value)} bytes")
    return int.from_bytes(value)


def _big_negative(value: object, immutable: bool) -> object:  # the library's signature
    found = _big(value, immutable)
    return -1 - found if isinstance(found, int) else found


def _decimal(value: object, _immutable: bool) -> object:  # the library's signature
    """Exponent of ten and mantissa (RFC 8949, section 3.4.4), as the nearest double."""
    match value:
        case [int(exponent), int(mantissa)] if not isinstance(exponent, bool):
            if abs(exponent) > MAX_EXPONENT or mantissa.bit_length() > 8 * MAX_NUMBER_BYTES:
                return Unusable(f"a decimal fraction with exponent {exponent}")
            number = float(f"{int(mantissa)}e{exponent}")
            return number if math.isfinite(number) else Unusable(f"{mantissa}e{exponent}")
    return Alien("decimal fraction without exponent and mantissa")


class _Tags(dict[int, Callable[[object, bool], object]]):
    """What is made of each tag; of one that is not read, a mark that it was there."""

    def __missing__(self, tag: int) -> Callable[[object, bool], object]:
        return lambda _value, _immutable: Alien(f"tagged item (tag {tag})")


_TAGS: Final = _Tags(
    {
        _BIG: _big,
        _BIG_NEGATIVE: _big_negative,
        _DECIMAL: _decimal,
        _SELF_DESCRIBED: lambda value, _immutable: value,
    }
)
