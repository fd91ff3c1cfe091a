"""Generates PROTOCOL.md, vectors.json and the C header from the one definition.

python -m firmware_protocol.generate            write them
python -m firmware_protocol.generate --check    exit 1 and name what is stale
"""

from __future__ import annotations

import argparse
import json
import sys
from binascii import crc_hqx
from dataclasses import fields
from enum import IntFlag
from pathlib import Path

from cobs import cobs

from firmware_protocol.codec import message_fields
from firmware_protocol.examples import GOOD, GoodFrame, refused
from firmware_protocol.fields import Array, Octets, Scalar
from firmware_protocol.framing import MOST_CONTENT, MOST_WIRE, Framer, crc_start
from firmware_protocol.messages import (
    COUNT_DOUBTFUL,
    DEVICE_MESSAGES,
    HOST_MESSAGES,
    MESSAGES,
    MESSAGES_MISSING,
    Message,
    TroubleCode,
)
from firmware_protocol.schema import FINGERPRINT, WIRE_VERSION, canonical_text

HERE = Path(__file__).parent

TROUBLE_TEXTS = {
    TroubleCode.ILLEGAL_TRANSITION: "encoder state jumped to the opposite place; amount: how many",
    TroubleCode.EDGES_TOO_NEAR: "encoder edges nearer than 1/rated_edge_hz; amount: how many",
    TroubleCode.FLAG_SET_AGAIN: "an encoder edge was waiting when its handler ended; amount: how many",
    TroubleCode.INDEX_OFF: "index-to-index count neither zero nor a full turn, give or take one; amount: the "
    "difference found, as absolute value",
    TroubleCode.QUEUE_OVERRUN: "messages dropped for want of room; amount: how many",
    TroubleCode.CONTACT_OVERRUN: "contact edges of `channel` latched too fast to be told; amount: how many",
    TroubleCode.EDGES_SUSPENDED: "Edges stop, the rate is too high; amount: edges per second",
    TroubleCode.EDGES_RESUMED: "Edges go on; amount: edges counted meanwhile",
    TroubleCode.REJECTED_COMMAND: "a host frame could not be followed; amount: its type",
    TroubleCode.SUPPLY_DIP: "supply voltage fell low; amount: lowest value in millivolts, 0 if unknown",
}


def _message_table(cls: type[Message]) -> str:
    rows = [
        f"### 0x{cls.TYPE:02X} {cls.__name__}" + (" (frozen)" if cls.FROZEN else ""),
        "",
        (cls.__doc__ or "").strip(),
        "",
    ]
    specs = message_fields(cls)
    if not specs:
        return "\n".join([*rows, "No payload.", ""])
    rows += ["| offset in payload | type | field | unit | range | meaning |", "|---|---|---|---|---|---|"]
    offset: int | None = 0
    for name, spec in specs:
        place = str(offset) if offset is not None else "next"
        if isinstance(spec, Octets):
            rows.append(f"| {place} | {spec.size} bytes | {name} | | | {spec.text} |")
            offset = None if offset is None else offset + spec.size
        elif isinstance(spec, Array):
            limits = f"{spec.lowest} … {spec.highest}"
            rows.append(
                f"| {place} | u8 n, then n × {spec.kind.name}, n ≤ {spec.most} | {name} | {spec.unit} | {limits} "
                f"| {spec.text} |"
            )
            offset = None
        else:
            limits = f"{spec.lowest} … {spec.highest}"
            meaning = spec.text
            if spec.names is not None:
                of = "bits" if issubclass(spec.names, IntFlag) else "values"
                meaning += f"; {of}: " + ", ".join(f"{m.value} {m.name}" for m in spec.names)
            rows.append(f"| {place} | {spec.kind.name} | {name} | {spec.unit} | {limits} | {meaning} |")
            offset = None if offset is None else offset + spec.kind.size
    return "\n".join([*rows, ""])


def _trouble_table() -> str:
    rows = ["| code | name | count doubtful | messages missing | meaning |", "|---|---|---|---|---|"]
    for code in TroubleCode:
        doubtful = "yes" if code in COUNT_DOUBTFUL else "no"
        missing = "yes" if code in MESSAGES_MISSING else "no"
        rows.append(f"| {code.value} | {code.name} | {doubtful} | {missing} | {TROUBLE_TEXTS[code]} |")
    return "\n".join(rows)


def _content(example: GoodFrame) -> bytes:
    content: bytes = cobs.decode(Framer().encode(example.message, example.session, example.sequence)[:-1])
    return content


def _values(message: Message) -> dict[str, object]:
    values: dict[str, object] = {}
    for item in fields(message):
        value = getattr(message, item.name)
        values[item.name] = (
            value.hex() if isinstance(value, bytes) else list(value) if isinstance(value, tuple) else value
        )
    return values


def _hex(data: bytes) -> str:
    return data.hex(" ")


def _hex_short(data: bytes) -> str:
    """Hexadecimal; a long row of one byte as that byte and how many."""
    return f"{data[0]:02x} ×{len(data)}" if len(set(data)) == 1 else _hex(data)


def protocol_text() -> str:
    """PROTOCOL.md, whole."""
    example_rows = []
    for example in GOOD:
        wire = Framer().encode(example.message, example.session, example.sequence)
        listed = ", ".join(f"{k}={v}" for k, v in _values(example.message).items()) or "no fields"
        example_rows.append(
            f"**{type(example.message).__name__}**, session {example.session}, sequence {example.sequence}: "
            f"{example.text}\n\n    {listed}\n    content {_hex(_content(example))}\n    wire    {_hex(wire)}\n"
        )
    refused_rows = [f"- {case.text} ({case.reason}): `{_hex_short(case.wire)} 00`" for case in refused()]
    messages = ["**From the board**", ""]
    messages += [_message_table(cls) for cls in DEVICE_MESSAGES]
    messages += ["**From the host**", ""]
    messages += [_message_table(cls) for cls in HOST_MESSAGES]
    text = (HERE / "protocol_template.md").read_text("utf-8")
    parts = {
        "most_content": str(MOST_CONTENT),
        "most_wire": str(MOST_WIRE),
        "fingerprint": f"0x{FINGERPRINT:08X}",
        "crc_start": f"0x{crc_start(FINGERPRINT):04X}",
        "crc_check": f"0x{crc_hqx(b'123456789', crc_start(FINGERPRINT)):04X}",
        "messages": "\n".join(messages),
        "troubles": _trouble_table(),
        "canonical": canonical_text(),
        "canonical_size": str(len(canonical_text())),
        "examples": "\n".join(example_rows),
        "refused": "\n".join(refused_rows),
    }
    for key, part in parts.items():
        text = text.replace("{" + key + "}", part)
    return text


def vectors_text() -> str:
    """vectors.json, whole: definitions' fingerprint, good frames with their values, refused frames."""
    document = {
        "wire_version": WIRE_VERSION,
        "fingerprint": f"{FINGERPRINT:08x}",
        "crc_start": f"{crc_start(FINGERPRINT):04x}",
        "canonical_text": canonical_text(),
        "good": [
            {
                "message": type(e.message).__name__,
                "type": e.message.TYPE,
                "session": e.session,
                "sequence": e.sequence,
                "values": _values(e.message),
                "content": _content(e).hex(),
                "wire": Framer().encode(e.message, e.session, e.sequence).hex(),
                "text": e.text,
            }
            for e in GOOD
        ],
        "refused": [{"wire": r.wire.hex(), "reason": r.reason, "text": r.text} for r in refused()],
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def header_text() -> str:
    """The C header, whole: constants, enumerations, and packed heads of the messages."""
    lines = [
        "/* Generated by `python -m firmware_protocol.generate`; edit messages.py instead. */",
        "#ifndef BREAKERBENCH_PROTOCOL_H",
        "#define BREAKERBENCH_PROTOCOL_H",
        "",
        "#include <stdint.h>",
        "",
        f"#define BB_WIRE_VERSION {WIRE_VERSION}u",
        f"#define BB_FINGERPRINT 0x{FINGERPRINT:08X}ul",
        f"#define BB_CRC_START 0x{crc_start(FINGERPRINT):04X}u",
        "#define BB_CRC_START_FROZEN 0xFFFFu",
        f"#define BB_MOST_CONTENT {MOST_CONTENT}u",
        f"#define BB_MOST_WIRE {MOST_WIRE}u",
        "",
    ]
    named = {}
    for cls in MESSAGES:
        lines.append(f"#define BB_TYPE_{_upper(cls.__name__)} 0x{cls.TYPE:02X}u")
        for _, spec in message_fields(cls):
            if isinstance(spec, Scalar) and spec.names is not None:
                named[spec.names.__name__] = spec.names
    for title, names in named.items():
        lines += ["", f"/* {title} */"]
        lines += [f"#define BB_{_upper(title)}_{m.name} {m.value}u" for m in names]
    lines += [
        "",
        "/* Fixed part of each payload, in wire order, little-endian. Arrays follow it: a u8 length, then the items. */",
    ]
    for cls in MESSAGES:
        fixed = [(n, s) for n, s in message_fields(cls) if not isinstance(s, Array)]
        arrays = [(n, s) for n, s in message_fields(cls) if isinstance(s, Array)]
        upper = _upper(cls.__name__)
        size = sum(s.size if isinstance(s, Octets) else s.kind.size for _, s in fixed)
        lines += ["", f"#define BB_{upper}_FIXED_SIZE {size}u"]
        lines += [f"#define BB_{upper}_MOST_{n.upper()} {s.most}u /* {s.kind.c_type} */" for n, s in arrays]
        if fixed:
            lines.append("typedef struct __attribute__((packed)) {")
            for name, spec in fixed:
                if isinstance(spec, Octets):
                    lines.append(f"    uint8_t {name}[{spec.size}];")
                else:
                    lines.append(f"    {spec.kind.c_type} {name};")
            lines.append(f"}} bb_{_upper(cls.__name__).lower()}_t;")
    lines += ["", "#endif", ""]
    return "\n".join(lines)


def _upper(name: str) -> str:
    spaced = "".join("_" + c if c.isupper() and i else c for i, c in enumerate(name))
    return spaced.upper()


def outputs() -> dict[Path, str]:
    """What is generated: path and text."""
    return {
        HERE / "PROTOCOL.md": protocol_text(),
        HERE / "vectors.json": vectors_text(),
        HERE / "board" / "breakerbench_protocol.h": header_text(),
    }


def stale() -> list[Path]:
    """Generated files whose text is not what the definitions give now."""
    return [path for path, text in outputs().items() if not path.exists() or path.read_text("utf-8") != text]


def main() -> int:
    """Command line: write, or check."""
    parser = argparse.ArgumentParser(prog="python -m firmware_protocol.generate", description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing; exit 1 if anything is stale")
    if parser.parse_args().check:
        for path in stale():
            print(f"stale: {path.relative_to(HERE.parent)}; run python -m firmware_protocol.generate", file=sys.stderr)
        return 1 if stale() else 0
    for path, text in outputs().items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
