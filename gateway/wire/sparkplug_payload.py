"""The protobuf messages of Sparkplug B 3.0, by field number, as far as they are read here.

The definition is our own: field numbers and wire types are the standard's (chapter 6.4), and
what is not read (metadata, data sets, templates) has no structure here, so it is passed over.
Texts are taken as bytes: a name that is not UTF-8 must cost its metric only, not its message. The
wire format itself is left to the protobuf library, whose parser is compiled and bounds nesting and
lengths; a reader in Python would take ten times as long and be one more thing to get wrong.
"""

from __future__ import annotations

from typing import Any, Final

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
from google.protobuf.message import DecodeError

__all__ = ["DATATYPES", "Payload", "parse", "rebirth_request"]

DATATYPES: Final = (
    "Unknown", "Int8", "Int16", "Int32", "Int64", "UInt8", "UInt16", "UInt32", "UInt64", "Float",
    "Double", "Boolean", "String", "DateTime", "Text", "UUID", "DataSet", "Bytes", "File",
    "Template", "PropertySet", "PropertySetList", "Int8Array", "Int16Array", "Int32Array",
    "Int64Array", "UInt8Array", "UInt16Array", "UInt32Array", "UInt64Array", "FloatArray",
    "DoubleArray", "BooleanArray", "StringArray", "DateTimeArray",
)  # fmt: skip
"""The names of the datatypes by their code (chapter 6.4)."""

_BOOLEAN: Final = DATATYPES.index("Boolean")
_REBIRTH: Final = b"Node Control/Rebirth"

_Field = descriptor_pb2.FieldDescriptorProto
_TYPES: Final = {
    "uint32": _Field.TYPE_UINT32, "uint64": _Field.TYPE_UINT64, "float": _Field.TYPE_FLOAT,
    "double": _Field.TYPE_DOUBLE, "bool": _Field.TYPE_BOOL, "bytes": _Field.TYPE_BYTES,
}  # fmt: skip

_MESSAGES: Final[dict[str, dict[str, tuple[int, str]]]] = {
    "PropertyValue": {
        "type": (1, "uint32"), "is_null": (2, "bool"), "int_value": (3, "uint32"),
        "long_value": (4, "uint64"), "string_value": (8, "bytes"),
    },
    "PropertySet": {"keys": (1, "bytes*"), "values": (2, "PropertyValue*")},
    "Metric": {
        "name": (1, "bytes"), "alias": (2, "uint64"), "timestamp": (3, "uint64"),
        "datatype": (4, "uint32"), "is_historical": (5, "bool"), "is_null": (7, "bool"),
        "properties": (9, "PropertySet"),
        "int_value": (10, "uint32"), "long_value": (11, "uint64"), "float_value": (12, "float"),
        "double_value": (13, "double"), "boolean_value": (14, "bool"),
        "string_value": (15, "bytes"), "bytes_value": (16, "bytes"),
        "dataset_value": (17, "bytes"), "template_value": (18, "bytes"),
    },
    "Payload": {"timestamp": (1, "uint64"), "metrics": (2, "Metric*"), "seq": (3, "uint64")},
}  # fmt: skip
"""By message: field -> number and type; ``*`` marks what may come several times."""


def _message_class() -> Any:
    package = "basinward_sparkplug"
    file = descriptor_pb2.FileDescriptorProto(
        name="basinward_sparkplug.proto", package=package, syntax="proto2"
    )
    for title, fields in _MESSAGES.items():
        message = file.message_type.add(name=title)
        if title == "Metric":
            message.oneof_decl.add(name="value")
        for name, (number, kind) in fields.items():
            bare = kind.removesuffix("*")
            field = message.field.add(
                name=name,
                number=number,
                label=_Field.LABEL_REPEATED if kind != bare else _Field.LABEL_OPTIONAL,
                type=_TYPES.get(bare, _Field.TYPE_MESSAGE),
            )
            if bare not in _TYPES:
                field.type_name = f".{package}.{bare}"
            if title == "Metric" and name.endswith("_value"):
                field.oneof_index = 0
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{package}.Payload"))


Payload: Final = _message_class()
"""The class of a whole payload."""


def parse(payload: bytes) -> Any:
    """The payload as a :data:`Payload`; ``ValueError`` where it is no such message."""
    try:
        return Payload.FromString(payload)
    except DecodeError as error:
        msg = "The payload is no protobuf message of Sparkplug B."
        raise ValueError(msg) from error


def rebirth_request(now_ms: int) -> bytes:
    """The payload of an NCMD that asks an edge node for its births again."""
    asked = Payload(timestamp=now_ms)
    asked.metrics.add(name=_REBIRTH, timestamp=now_ms, datatype=_BOOLEAN, boolean_value=True)
    return bytes(asked.SerializeToString())
