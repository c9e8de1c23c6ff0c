"""Sparkplug B's messages for Google's protobuf package, built from the definition in the specification (chapter 6):
a decoder that shares nothing with the daemon's encoder."""

from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

_TYPES = descriptor_pb2.FieldDescriptorProto
_SCALARS = {
    "uint32": _TYPES.TYPE_UINT32,
    "uint64": _TYPES.TYPE_UINT64,
    "float": _TYPES.TYPE_FLOAT,
    "double": _TYPES.TYPE_DOUBLE,
    "bool": _TYPES.TYPE_BOOL,
    "string": _TYPES.TYPE_STRING,
    "bytes": _TYPES.TYPE_BYTES,
}
# message: fields as (name, number, type, repeated)
_MESSAGES: dict[str, list[tuple[str, int, str, bool]]] = {
    "PropertyValue": [
        ("type", 1, "uint32", False), ("is_null", 2, "bool", False), ("int_value", 3, "uint32", False),
        ("long_value", 4, "uint64", False), ("float_value", 5, "float", False), ("double_value", 6, "double", False),
        ("boolean_value", 7, "bool", False), ("string_value", 8, "string", False),
    ],
    "PropertySet": [("keys", 1, "string", True), ("values", 2, "PropertyValue", True)],
    "Metric": [
        ("name", 1, "string", False), ("alias", 2, "uint64", False), ("timestamp", 3, "uint64", False),
        ("datatype", 4, "uint32", False), ("is_historical", 5, "bool", False), ("is_transient", 6, "bool", False),
        ("is_null", 7, "bool", False), ("properties", 9, "PropertySet", False), ("int_value", 10, "uint32", False),
        ("long_value", 11, "uint64", False), ("float_value", 12, "float", False), ("double_value", 13, "double", False),
        ("boolean_value", 14, "bool", False), ("string_value", 15, "string", False),
        ("bytes_value", 16, "bytes", False),
    ],
    "Payload": [
        ("timestamp", 1, "uint64", False), ("metrics", 2, "Metric", True), ("seq", 3, "uint64", False),
        ("uuid", 4, "string", False), ("body", 5, "bytes", False),
    ],
}  # fmt: skip
_VALUES = ("int_value", "long_value", "float_value", "double_value", "boolean_value", "string_value", "bytes_value")


def _built() -> Any:
    file = descriptor_pb2.FileDescriptorProto(name="sparkplug.proto", package="sparkplug", syntax="proto2")
    for name, fields in _MESSAGES.items():
        message = file.message_type.add(name=name)
        for field, number, kind, repeated in fields:
            label = _TYPES.LABEL_REPEATED if repeated else _TYPES.LABEL_OPTIONAL
            made = message.field.add(name=field, number=number, label=label)
            if kind in _SCALARS:
                made.type = _SCALARS[kind]
            else:
                made.type, made.type_name = _TYPES.TYPE_MESSAGE, f".sparkplug.{kind}"
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("sparkplug.Payload"))


Payload = _built()


def decoded(body: bytes) -> Any:
    """A payload; raises where a byte of it is not accounted for."""
    found = Payload()
    assert found.ParseFromString(body) == len(body)
    assert found.SerializeToString(deterministic=True).__len__() == len(body)  # nothing unknown, nothing twice
    return found


def value(metric: Any) -> Any:
    """The one value that a metric holds; None where it says that it has none."""
    held = [name for name in _VALUES if metric.HasField(name)]
    assert len(held) == (0 if metric.is_null else 1)
    return getattr(metric, held[0]) if held else None


def values(payload: Any) -> dict[str, Any]:
    return {metric.name: value(metric) for metric in payload.metrics}


def properties(metric: Any) -> dict[str, Any]:
    pairs = zip(metric.properties.keys, metric.properties.values, strict=True)
    return {key: one.string_value if one.HasField("string_value") else one.int_value for key, one in pairs}
