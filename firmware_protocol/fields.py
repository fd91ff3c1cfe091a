"""What a message field can be: an integer, a counted array of integers, or fixed octets.

Message classes annotate their fields with these; everything else (codec, fingerprint, C header,
documents, vectors) is read off the annotations.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, IntFlag


@dataclass(frozen=True)
class Kind:
    """An integer type on the wire, little-endian, two's complement where signed."""

    name: str
    code: str
    size: int
    low: int
    high: int
    c_type: str


U8 = Kind("u8", "B", 1, 0, 0xFF, "uint8_t")
I8 = Kind("i8", "b", 1, -0x80, 0x7F, "int8_t")
U16 = Kind("u16", "H", 2, 0, 0xFFFF, "uint16_t")
U32 = Kind("u32", "I", 4, 0, 0xFFFF_FFFF, "uint32_t")
I32 = Kind("i32", "i", 4, -0x8000_0000, 0x7FFF_FFFF, "int32_t")


@dataclass(frozen=True)
class Scalar:
    """One integer. `low` and `high` narrow the kind's range; `names` gives values their names."""

    kind: Kind
    unit: str
    text: str
    low: int | None = None
    high: int | None = None
    names: type[IntEnum] | type[IntFlag] | None = None

    @property
    def lowest(self) -> int:
        """Smallest value that a valid message may carry."""
        return self.kind.low if self.low is None else self.low

    @property
    def highest(self) -> int:
        """Largest value that a valid message may carry."""
        return self.kind.high if self.high is None else self.high


@dataclass(frozen=True)
class Array:
    """A u8 length, then that many integers, `most` at the most. Arrays end a message."""

    kind: Kind
    most: int
    unit: str
    text: str
    low: int | None = None
    high: int | None = None

    @property
    def lowest(self) -> int:
        """Smallest value that an element may have."""
        return self.kind.low if self.low is None else self.low

    @property
    def highest(self) -> int:
        """Largest value that an element may have."""
        return self.kind.high if self.high is None else self.high


@dataclass(frozen=True)
class Octets:
    """Exactly `size` bytes, uninterpreted."""

    size: int
    text: str


Field = Scalar | Array | Octets
