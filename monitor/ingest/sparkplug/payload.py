"""Payloads of Sparkplug B: protocol buffers with the fields of the specification (3.0.0, chapter 6.4.1).

Data sets, templates, extensions and nested properties are left as bytes: none can be a reading, and what nests cannot
nest without end. The pool is our own, so that another's definition of the same messages does not get in the way.
"""

from __future__ import annotations

from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
from google.protobuf.message import DecodeError

__all__ = ["REBIRTH", "DecodeError", "new_payload", "rebirth"]

REBIRTH = "Node Control/Rebirth"
BOOLEAN = 11    # DataType, chapter 6.4.15

_PACKAGE = "bagwright.sparkplug"
_FIELDS: dict[str, tuple[tuple[int, str, str], ...]] = {
    "Payload": ((1, "timestamp", "uint64"), (2, "metrics", "*Metric"), (3, "seq", "uint64"), (4, "uuid", "string"),
                (5, "body", "bytes")),
    "Metric": ((1, "name", "string"), (2, "alias", "uint64"), (3, "timestamp", "uint64"), (4, "datatype", "uint32"),
               (5, "is_historical", "bool"), (6, "is_transient", "bool"), (7, "is_null", "bool"),
               (8, "metadata", "bytes"), (9, "properties", "PropertySet"), (10, "int_value", "uint32"),
               (11, "long_value", "uint64"), (12, "float_value", "float"), (13, "double_value", "double"),
               (14, "boolean_value", "bool"), (15, "string_value", "string"), (16, "bytes_value", "bytes"),
               (17, "dataset_value", "bytes"), (18, "template_value", "bytes"), (19, "extension_value", "bytes")),
    "PropertySet": ((1, "keys", "*string"), (2, "values", "*PropertyValue")),
    "PropertyValue": ((1, "type", "uint32"), (2, "is_null", "bool"), (3, "int_value", "uint32"),
                      (4, "long_value", "uint64"), (5, "float_value", "float"), (6, "double_value", "double"),
                      (7, "boolean_value", "bool"), (8, "string_value", "string"), (9, "propertyset_value", "bytes"),
                      (10, "propertysets_value", "bytes")),
}  # fmt: skip


def _classes() -> dict[str, Any]:
    Field = descriptor_pb2.FieldDescriptorProto  # noqa: N806
    file = descriptor_pb2.FileDescriptorProto(name="bagwright_sparkplug.proto", package=_PACKAGE, syntax="proto2")
    for name, fields in _FIELDS.items():
        message = file.message_type.add(name=name)
        choice = any(field.endswith("_value") for _, field, _ in fields)
        if choice:
            message.oneof_decl.add(name="value")
        for number, field, kind in fields:
            bare = kind.lstrip("*")
            added = message.field.add(name=field, number=number)
            added.label = Field.LABEL_REPEATED if kind != bare else Field.LABEL_OPTIONAL
            if bare in _FIELDS:
                added.type, added.type_name = Field.TYPE_MESSAGE, f".{_PACKAGE}.{bare}"
            else:
                added.type = getattr(Field, f"TYPE_{bare.upper()}")
            if field.endswith("_value"):
                added.oneof_index = 0
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return {name: message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.{name}")) for name in _FIELDS}


_PAYLOAD = _classes()["Payload"]


def new_payload(raw: bytes = b"") -> Any:
    """A payload, parsed from `raw`; DecodeError where that is none."""
    payload = _PAYLOAD()
    payload.ParseFromString(raw)
    return payload


def rebirth(now: int) -> bytes:
    """The command that asks a node for its births anew. now: ns since 1970 UTC."""
    payload = new_payload()
    payload.timestamp = now // 1_000_000
    metric = payload.metrics.add()
    metric.name, metric.timestamp, metric.datatype, metric.boolean_value = REBIRTH, payload.timestamp, BOOLEAN, True
    return bytes(payload.SerializeToString())
