"""Payload bytes to message and back, read off the field annotations."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import fields
from operator import attrgetter
from typing import Annotated, Any, get_args, get_origin, get_type_hints

from firmware_protocol.fields import Array, Field, Octets, Scalar
from firmware_protocol.messages import Message


class PayloadError(ValueError):
    """The payload does not fit its message: wrong length, or a value out of its range."""


_known: dict[int, tuple[tuple[str, Field], ...]] = {}


def message_fields(cls: type[Message]) -> tuple[tuple[str, Field], ...]:
    """Name and wire definition of each field of `cls`, in wire order."""
    if cls.TYPE not in _known:
        _known[cls.TYPE] = _read_fields(cls)
    return _known[cls.TYPE]


def _read_fields(cls: type[Message]) -> tuple[tuple[str, Field], ...]:
    hints = get_type_hints(cls, include_extras=True)
    found: list[tuple[str, Field]] = []
    arrays_begun = False
    for item in fields(cls):
        hint = hints[item.name]
        if get_origin(hint) is not Annotated:
            raise TypeError(f"{cls.__name__}.{item.name} has no wire definition")
        spec = get_args(hint)[1]
        if not isinstance(spec, (Scalar, Array, Octets)):
            raise TypeError(f"{cls.__name__}.{item.name} has no wire definition")
        if arrays_begun and not isinstance(spec, Array):
            raise TypeError(f"{cls.__name__}.{item.name}: arrays come last")
        arrays_begun = isinstance(spec, Array)
        found.append((item.name, spec))
    return tuple(found)


def _struct_code(spec: Scalar | Octets) -> str:
    return f"{spec.size}s" if isinstance(spec, Octets) else spec.kind.code


def decoder_of(cls: type[Message]) -> Callable[[bytes], Message]:
    """A function from payload to message of class `cls`.

    It raises PayloadError when the length is not exact or any value lies outside its stated range.
    """
    specs = message_fields(cls)
    fixed = [(name, spec) for name, spec in specs if not isinstance(spec, Array)]
    arrays = [(name, spec) for name, spec in specs if isinstance(spec, Array)]
    head = struct.Struct("<" + "".join(_struct_code(spec) for _, spec in fixed))
    head_size = head.size
    unpack_head = head.unpack_from
    narrowed = [
        (place, name, spec.lowest, spec.highest)
        for place, (name, spec) in enumerate(fixed)
        if isinstance(spec, Scalar) and (spec.lowest > spec.kind.low or spec.highest < spec.kind.high)
    ]
    readers = [
        (
            name,
            [struct.Struct(f"<{n}{spec.kind.code}") for n in range(spec.most + 1)],
            (spec.lowest, spec.highest) if spec.lowest > spec.kind.low or spec.highest < spec.kind.high else None,
        )
        for name, spec in arrays
    ]
    build: Any = cls

    def decode(payload: bytes) -> Message:
        length = len(payload)
        if length < head_size:
            raise PayloadError(f"{cls.__name__}: {length} bytes of payload, at least {head_size} expected")
        values = unpack_head(payload)
        for place, name, low, high in narrowed:
            if not low <= values[place] <= high:
                raise PayloadError(f"{cls.__name__}.{name}: {values[place]} is not in {low}..{high}")
        at = head_size
        for name, by_length, limits in readers:
            if at >= length:
                raise PayloadError(f"{cls.__name__}.{name}: length byte missing")
            n = payload[at]
            if n >= len(by_length):
                raise PayloadError(f"{cls.__name__}.{name}: {n} elements, at most {len(by_length) - 1}")
            reader = by_length[n]
            if at + 1 + reader.size > length:
                raise PayloadError(f"{cls.__name__}.{name}: payload ends inside the array")
            items = reader.unpack_from(payload, at + 1)
            if limits is not None and items and not (limits[0] <= min(items) and max(items) <= limits[1]):
                raise PayloadError(f"{cls.__name__}.{name}: an element is not in {limits[0]}..{limits[1]}")
            values += (items,)
            at += 1 + reader.size
        if at != length:
            raise PayloadError(f"{cls.__name__}: {length} bytes of payload, {at} expected")
        message: Message = build(*values)
        return message

    return decode


def encoder_of(cls: type[Message]) -> Callable[[Message], bytes]:
    """A function from a message of class `cls` to its payload.

    It raises PayloadError when a value lies outside its stated range or an array is too long.
    """
    specs = message_fields(cls)
    fixed = [(name, spec) for name, spec in specs if not isinstance(spec, Array)]
    head = struct.Struct("<" + "".join(_struct_code(spec) for _, spec in fixed))
    fixed_values = _getter([name for name, _ in fixed])
    narrowed = [
        (place, name, spec.lowest, spec.highest)
        for place, (name, spec) in enumerate(fixed)
        if isinstance(spec, Scalar) and (spec.lowest > spec.kind.low or spec.highest < spec.kind.high)
    ]
    octets = [(place, name, spec.size) for place, (name, spec) in enumerate(fixed) if isinstance(spec, Octets)]
    arrays = [
        (name, spec, [struct.Struct(f"<B{n}{spec.kind.code}") for n in range(spec.most + 1)])
        for name, spec in specs
        if isinstance(spec, Array)
    ]

    def encode(message: Message) -> bytes:
        values = fixed_values(message)
        for place, name, low, high in narrowed:
            if not low <= values[place] <= high:
                raise PayloadError(f"{cls.__name__}.{name}: {values[place]} is not in {low}..{high}")
        for place, name, size in octets:
            if len(values[place]) != size:
                raise PayloadError(f"{cls.__name__}.{name}: {len(values[place])} bytes, {size} expected")
        try:
            payload = head.pack(*values)
            for name, spec, by_length in arrays:
                items = getattr(message, name)
                if len(items) > spec.most:
                    raise PayloadError(f"{cls.__name__}.{name}: {len(items)} elements, at most {spec.most}")
                if items and not (spec.lowest <= min(items) and max(items) <= spec.highest):
                    raise _misfit(message)
                payload += by_length[len(items)].pack(len(items), *items)
        except struct.error:
            raise _misfit(message) from None
        return payload

    return encode


def _getter(names: list[str]) -> Callable[[Message], tuple[Any, ...]]:
    if not names:
        return lambda _: ()
    if len(names) == 1:
        single = attrgetter(names[0])
        return lambda message: (single(message),)
    return attrgetter(*names)


def _misfit(message: Message) -> PayloadError:
    """What to say of a message with a value that its field cannot hold."""
    cls = type(message)
    for name, spec in message_fields(cls):
        if isinstance(spec, Octets):
            continue
        value = getattr(message, name)
        for item in value if isinstance(spec, Array) else (value,):
            if not (isinstance(item, int) and spec.lowest <= item <= spec.highest):
                return PayloadError(f"{cls.__name__}.{name}: {item!r} is not in {spec.lowest}..{spec.highest}")
    return PayloadError(f"{cls.__name__}: a value does not fit its field")
