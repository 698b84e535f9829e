"""The number that a Sparkplug metric carries: datatype, protobuf field, two's complement.

Integers travel in unsigned protobuf fields; what is negative there follows from the datatype alone
(chapter 6.4), which births tell and data may leave out. Some encoders put a negative Int8 into 8
bits and some into 32, and a UInt32 into the field of 64: as long as the number is beyond doubt, it
is taken.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from gateway.wire.sparkplug_payload import DATATYPES

__all__ = ["FLOATS", "FLOAT_FIELDS", "Mismatch", "number_of", "type_name"]

_UNKNOWN: Final = 0
_BITS: Final = {1: 8, 2: 16, 3: 32, 4: 64, 5: 8, 6: 16, 7: 32, 8: 64}
_SIGNED: Final = frozenset({1, 2, 3, 4})
FLOATS: Final = frozenset({9, 10})
"""Float and Double."""
_BOOLEAN: Final = 11
_CARRIER_BITS: Final = {"int_value": 32, "long_value": 64}
FLOAT_FIELDS: Final = frozenset({"float_value", "double_value"})


class Mismatch(NamedTuple):
    """Why a metric has no number: ``what`` completes 'came as …'.

    ``is_other_type`` says that it never was to be a number.
    """

    what: str
    is_other_type: bool


def type_name(datatype: int) -> str:
    """The name of a datatype's code."""
    return DATATYPES[datatype] if datatype < len(DATATYPES) else f"datatype {datatype}"


def number_of(field: str, value: object, datatype: int) -> float | bool | Mismatch:  # noqa: PLR0911  # one case a line
    """The number in the protobuf ``field`` of a metric of this ``datatype`` (0 where not known)."""
    if field in FLOAT_FIELDS:
        if datatype in FLOATS or datatype == _UNKNOWN:
            return value  # type: ignore[return-value]  # protobuf's own classes are not typed
    elif field == "boolean_value":
        if datatype in {_BOOLEAN, _UNKNOWN}:
            return bool(value)
    elif field in _CARRIER_BITS and isinstance(value, int):
        if datatype in _BITS:
            return _integer(value, datatype)
        if datatype == _UNKNOWN:
            # Below half of the field's range the number is the same, signed or not.
            if value >> (_CARRIER_BITS[field] - 1) == 0:
                return value
            what = f"{value}, which may be meant as negative: no birth tells its datatype"
            return Mismatch(what, is_other_type=False)
    if datatype == _UNKNOWN or datatype not in {*_BITS, *FLOATS, _BOOLEAN}:
        other = type_name(datatype) if datatype else field.removesuffix("_value")
        return Mismatch(f"a {other}, not as a number", is_other_type=True)
    what = f"{field}, which a {type_name(datatype)} is not carried in"
    return Mismatch(what, is_other_type=False)


def _integer(value: int, datatype: int) -> int | Mismatch:
    bits = _BITS[datatype]
    low, high = value & ((1 << bits) - 1), value >> bits
    if datatype not in _SIGNED:
        return low if not high else _too_large(value, datatype)
    negative = low >> (bits - 1) == 1
    # A negative number fills the field, or the half of it, with ones.
    filled = {(1 << (width - bits)) - 1 for width in (32, 64) if width > bits}
    if high and not (negative and high in filled):
        return _too_large(value, datatype)
    return low - (1 << bits) if negative else low


def _too_large(value: int, datatype: int) -> Mismatch:
    return Mismatch(f"{value}, which is no {type_name(datatype)}", is_other_type=False)
