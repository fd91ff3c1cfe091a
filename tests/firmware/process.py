"""A board in a process of its own, fed with pins cycle by cycle: the firmware in simavr, or its core."""

from __future__ import annotations

import contextlib
import struct
import subprocess
from binascii import crc_hqx
from dataclasses import dataclass
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

CYCLE_HZ = 16_000_000
CYCLES_PER_TICK = 8
#: Cycles per byte on the line: ten bits at 500 000 baud.
BYTE_CYCLES = 320

#: Kinds and pins of harness/stream.h.
PIN, ANALOGUE, BYTE, SUPPLY, RESET, EEPROM, RUN = range(7)
A, B, INDEX, CONTACT_0, CONTACT_1, CONTACT_2, PEDAL = range(7)

COMMAND = np.dtype([("cycle", "<u8"), ("kind", "u1"), ("index", "u1"), ("value", "<u2")])
_SENT = np.dtype([("cycle", "<u8"), ("byte", "u1")])
#: Levels of A and B for a place of the encoder's cycle, PROTOCOL.md section 7.
LEVELS = ((0, 0), (1, 0), (1, 1), (0, 1))
SETTINGS_AT = 0
BOOTS_AT = 32
_BOOTS_BYTES = 12


@dataclass(frozen=True)
class Sent:
    """Bytes that left the line, each with the cycle at which its last bit had gone."""

    data: bytes
    cycle: NDArray[np.uint64]


def commands(number: int) -> NDArray[np.void]:
    """So many empty commands."""
    return np.zeros(number, dtype=COMMAND)


def one(cycle: int, kind: int, index: int = 0, value: int = 0) -> NDArray[np.void]:
    """One command."""
    return np.array([(cycle, kind, index, value)], dtype=COMMAND)


def quadrature(cycles: NDArray[np.int64], counts: NDArray[np.int64]) -> NDArray[np.void]:
    """Encoder edges as commands: both pins at each edge, which has the disc's count after it."""
    made = commands(2 * len(cycles))
    made["cycle"] = np.repeat(cycles, 2)
    made["kind"] = PIN
    made["index"] = np.tile((A, B), len(cycles))
    made["value"] = np.array(LEVELS)[counts % 4].ravel()
    return made


class Board:
    """Commands go out in order of cycles; `run` returns what the line carried."""

    def __init__(self, command: tuple[str, ...], counts_per_turn: int = 10_000, board_id: bytes = b"SIMBOARD") -> None:
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        self.cycle = 0
        settings = board_id + struct.pack("<IB", counts_per_turn, 1)
        settings += struct.pack(">H", crc_hqx(settings, 0xFFFF))
        self.eeprom(SETTINGS_AT, settings)
        # Encoder at place 0, points open, pedal up.
        for pin in range(7):
            self.give(one(0, PIN, pin, int(pin in (CONTACT_0, CONTACT_1, CONTACT_2, PEDAL))))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """End the process; raises if it did not end well."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.close()
        self._process.stdout.close()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.returncode != 0:
            raise RuntimeError(f"the board's process ended with {self._process.returncode}")

    def give(self, made: NDArray[np.void]) -> None:
        """Commands, in order of their cycles, none before `cycle`."""
        assert self._process.stdin is not None
        self._process.stdin.write(made.tobytes())

    def eeprom(self, place: int, data: bytes) -> None:
        """Bytes into the EEPROM, now."""
        made = commands(len(data))
        made["cycle"], made["kind"] = self.cycle, EEPROM
        made["value"] = [(place + n) << 8 | byte for n, byte in enumerate(data)]
        self.give(made)

    def forget_boots(self) -> None:
        """The boot counter's slots as in a new chip."""
        self.eeprom(BOOTS_AT, b"\xff" * _BOOTS_BYTES)

    def run(self, until: int) -> Sent:
        """Let the board run to a cycle."""
        self.give(one(until, RUN))
        assert self._process.stdin is not None
        self._process.stdin.flush()
        head = self._read(12)
        _, number = struct.unpack("<QI", head)
        sent = np.frombuffer(self._read(number * _SENT.itemsize), dtype=_SENT)
        self.cycle = until
        return Sent(sent["byte"].tobytes(), sent["cycle"])

    def _read(self, size: int) -> bytes:
        assert self._process.stdout is not None
        data = self._process.stdout.read(size)
        if len(data) != size:
            raise RuntimeError("the board's process has gone")
        return data


def host_bytes(data: bytes, cycle: int) -> NDArray[np.void]:
    """Bytes from the host, back to back from a cycle on."""
    made = commands(len(data))
    made["cycle"] = cycle + BYTE_CYCLES * np.arange(len(data))
    made["kind"] = BYTE
    made["value"] = np.frombuffer(data, dtype=np.uint8)
    return made
