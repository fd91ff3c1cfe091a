"""The canonical text of the definitions, and the fingerprint taken from it.

Two sides whose definitions differ have different fingerprints, hence different frame checks: they
cannot read each other's frames by mistake. Hello and Identify are outside: they never change.
"""

from __future__ import annotations

import zlib
from enum import IntEnum, IntFlag

from firmware_protocol.codec import message_fields
from firmware_protocol.fields import Array, Octets, Scalar
from firmware_protocol.messages import MESSAGES

WIRE_VERSION = 1


def canonical_text() -> str:
    """The text whose CRC-32 is the fingerprint: ASCII, lines ended by a single line feed."""
    lines = [f"breakerbench wire {WIRE_VERSION}"]
    named: dict[str, type[IntEnum] | type[IntFlag]] = {}
    for cls in MESSAGES:
        if cls.FROZEN:
            continue
        lines.append(f"message 0x{cls.TYPE:02x} {cls.__name__}")
        for name, spec in message_fields(cls):
            if isinstance(spec, Octets):
                lines.append(f" {name} octets {spec.size}")
                continue
            many = f" x0..{spec.most}" if isinstance(spec, Array) else ""
            unit = f" {spec.unit}" if spec.unit else ""
            lines.append(f" {name} {spec.kind.name}{many} {spec.lowest}..{spec.highest}{unit}")
            if isinstance(spec, Scalar) and spec.names is not None:
                named[spec.names.__name__] = spec.names
    for title, names in named.items():
        lines.append(f"values {title}")
        lines += [f" {member.value} {member.name}" for member in names]
    return "\n".join(lines) + "\n"


def fingerprint() -> int:
    """CRC-32 (ISO-HDLC) of the canonical text, as in Hello."""
    return zlib.crc32(canonical_text().encode("ascii"))


FINGERPRINT = fingerprint()
