"""What the built firmware costs: cycles per interrupt, flash, RAM, stack. `python -m tests.firmware.listing [BUILD]`

Cycles are added up along every path of each handler in the listing of `avr-objdump`, with the core's 4 for entering it and the
jump in the vector table. Stack is that of the deepest call, by `-fstack-usage` and the calls in the listing, with every handler
that can interrupt it on top.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.firmware import built

FLASH = 32_256  # 32 KiB without a boot loader of 512 bytes
RAM = 2_048
ENTER_CYCLES = 4
#: What the compiler was told to keep off.
LATCH_REGISTERS = frozenset(range(2, 15)) - {3, 6}
HANDLERS = {
    "PCINT0 contacts, pedal": "__vector_3",
    "PCINT2 encoder": "__vector_5",
    "TIMER2 millisecond": "__vector_7",
    "TIMER1 index": "__vector_10",
    "TIMER1 overflow": "__vector_13",
    "USART received": "__vector_18",
    "USART transmit": "__vector_19",
}
#: Gives the registers their first values, before interrupts are let in.
SETS_THEM = {"hardware_begin"}
#: These let others in once they have masked themselves.
_LETS_IN = {"USART received", "USART transmit"}
_TWO = {"adiw", "sbiw", "push", "pop", "lds", "sts", "rjmp", "sbi", "cbi", "mul", "muls", "mulsu", "movw2"}
_LOADS = {"ld", "ldd", "st", "std"}
_BRANCHES = re.compile(r"br\w\w")
_SKIPS = {"sbic", "sbis", "sbrc", "sbrs", "cpse"}
_LINE = re.compile(r"^\s*([0-9a-f]+):\t((?:[0-9a-f]{2} )+)\s*\t(\S+)(?:\t(.*?))?(?:\t;.*)?$")
_FUNCTION = re.compile(r"^([0-9a-f]+) <(.+)>:$")


@dataclass(frozen=True)
class Instruction:
    """One line of the listing."""

    address: int
    size: int
    name: str
    operands: str

    @property
    def target(self) -> int | None:
        """Where a jump goes."""
        relative = re.match(r"\.([+-]\d+)", self.operands)
        if relative:
            return self.address + 2 + int(relative.group(1))
        absolute = re.match(r"0x([0-9a-f]+)", self.operands)
        return int(absolute.group(1), 16) if absolute else None


@dataclass(frozen=True)
class Listing:
    """The firmware's code."""

    at: dict[int, Instruction]
    functions: dict[str, int]
    owner: dict[int, str]


def read(elf: Path) -> Listing:
    """The listing of an ELF file."""
    text = subprocess.run(["avr-objdump", "-d", str(elf)], capture_output=True, text=True, check=True).stdout
    at: dict[int, Instruction] = {}
    functions: dict[str, int] = {}
    owner: dict[int, str] = {}
    name = ""
    for line in text.splitlines():
        if found := _FUNCTION.match(line):
            name = found.group(2)
            functions[name] = int(found.group(1), 16)
        elif found := _LINE.match(line):
            address = int(found.group(1), 16)
            size = len(found.group(2).split())
            at[address] = Instruction(address, size, found.group(3), (found.group(4) or "").strip())
            owner[address] = name
    return Listing(at, functions, owner)


def _cost(instruction: Instruction) -> int:
    name = instruction.name
    if name == "reti":
        return 4
    if name in ("jmp",):
        return 3
    return 2 if name in _TWO or name in _LOADS else 1


@dataclass(frozen=True)
class Cycles:
    """Of one handler, from the interrupt to its end: shortest and longest path, and until it lets others in."""

    shortest: int
    longest: int
    blocking: int


def cycles(listing: Listing, vector: str, lets_in: bool = False) -> Cycles:
    """Cycles of the handler of a vector. Handlers have no loops."""
    begin = ENTER_CYCLES + 3

    @cache
    def rest(address: int) -> tuple[int, int]:
        here = listing.at[address]
        following = address + here.size
        if here.name == "reti":
            return 4, 4
        if here.name in ("rjmp", "jmp"):
            assert here.target is not None
            low, high = rest(here.target)
            return low + _cost(here), high + _cost(here)
        if _BRANCHES.fullmatch(here.name):
            assert here.target is not None
            taken, not_taken = rest(here.target), rest(following)
            return min(taken[0] + 2, not_taken[0] + 1), max(taken[1] + 2, not_taken[1] + 1)
        if here.name in _SKIPS:
            skipped = listing.at[following]
            over, into = rest(following + skipped.size), rest(following)
            cost = 1 + skipped.size // 2
            return min(over[0] + cost, into[0] + 1), max(over[1] + cost, into[1] + 1)
        low, high = rest(following)
        return low + _cost(here), high + _cost(here)

    start = listing.functions[vector]
    low, high = rest(start)
    blocking = begin + high
    if lets_in:
        blocking, address = begin, start
        while True:
            here = listing.at[address]
            blocking += _cost(here)
            address += here.size
            if here.name == "sei":
                break
    return Cycles(begin + low, begin + high, blocking)


def held_off(listing: Listing) -> int:
    """Cycles of the longest stretch between `cli` and what lets interrupts in again, handlers aside; straight on."""
    worst = 0
    for start, first in listing.at.items():
        if first.name != "cli" or listing.owner[start] in HANDLERS.values():
            continue
        cost, address = 0, start + first.size
        while address in listing.at:
            here = listing.at[address]
            cost += _cost(here)
            address += here.size
            if here.name == "sei" or (here.name == "out" and here.operands.startswith("0x3f")):
                break
        else:
            # The end of the program, where it stops for good.
            continue
        worst = max(worst, cost)
    return worst


def trespassers(listing: Listing) -> list[str]:
    """Instructions outside the handlers that write a register which belongs to them."""
    handlers = set(HANDLERS.values())
    found = []
    for address, instruction in listing.at.items():
        owner = listing.owner[address]
        match = re.match(r"r(\d+)\b", instruction.operands)
        if owner in handlers or match is None or instruction.name in ("push", "cp", "cpc", "cpse", "tst", "out"):
            continue
        if instruction.name in ("sbrc", "sbrs", "st", "std", "sts", "cpi", "bst"):
            continue
        # Tables of constants are listed as if they were code.
        if owner.startswith("__") or owner in ("crc_table", "inputs", "built") or owner in SETS_THEM:
            continue
        number = int(match.group(1))
        pair = {number, number + 1} if instruction.name == "movw" else {number}
        if pair & LATCH_REGISTERS:
            found.append(f"{address:#x} in {owner}: {instruction.name} {instruction.operands}")
    return found


def _frames(folder: Path) -> dict[str, int]:
    frames = {}
    for path in folder.glob("*.su"):
        for line in path.read_text("utf-8").splitlines():
            place, size, _ = line.split("\t")
            frames[place.rsplit(":", 1)[1]] = int(size)
    return frames


def stack(listing: Listing, folder: Path) -> int:
    """Bytes of the deepest call of main, with the handlers that can nest on top of it."""
    frames = _frames(folder)
    calls: dict[str, set[str]] = {}
    names = {address: name for name, address in listing.functions.items()}
    for address, instruction in listing.at.items():
        jump = instruction.name in ("rjmp", "jmp") and instruction.target in names
        if instruction.name in ("call", "rcall") or jump:
            target = names.get(instruction.target if instruction.target is not None else -1)
            if target is not None and target != listing.owner[address]:
                calls.setdefault(listing.owner[address], set()).add(target)

    @cache
    def deepest(name: str) -> int:
        # Library functions in assembly push at most the eight registers that a caller may want kept.
        own = frames.get(name, pushes(listing, name))
        return own + 2 + max((deepest(called) for called in calls.get(name, ())), default=0)

    latch = 2
    return deepest("main") + sum(pushes(listing, HANDLERS[line]) + 2 for line in _LETS_IN) + latch


def pushes(listing: Listing, name: str) -> int:
    """Bytes that a function in assembly pushes."""
    return sum(1 for a, i in listing.at.items() if listing.owner[a] == name and i.name == "push")


def sizes(elf: Path) -> tuple[int, int]:
    """Flash and RAM in bytes, the rings included."""
    text = subprocess.run(["avr-size", "-A", str(elf)], capture_output=True, text=True, check=True).stdout
    size = {m.group(1): int(m.group(2)) for m in re.finditer(r"^(\.\w+)\s+(\d+)", text, re.M)}
    rings = 0x380 - 0x100
    return size[".text"] + size[".data"], rings + size[".data"] + size[".bss"] + size.get(".noinit", 0)


@dataclass(frozen=True)
class Figures:
    """All of it."""

    cycles: dict[str, Cycles]
    flash: int
    ram: int
    stack: int
    held_off: int
    trespassers: list[str]


def figures(folder: Path) -> Figures:
    """Of the firmware built in `folder`."""
    listing = read(folder / "board.elf")
    found = {name: cycles(listing, vector, name in _LETS_IN) for name, vector in HANDLERS.items()}
    flash, ram = sizes(folder / "board.elf")
    return Figures(found, flash, ram, stack(listing, folder), held_off(listing), trespassers(listing))


def main() -> int:
    """Command line: the table; 1 if something does not fit."""
    parser = argparse.ArgumentParser(prog="python -m tests.firmware.listing", description=__doc__)
    parser.add_argument("build", nargs="?", type=Path, help="folder with board.elf; built if not given")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    made = figures(given.build or built.firmware())
    if given.json:
        print(json.dumps(made, default=lambda x: x.__dict__, indent=1))
    else:
        print(f"{'interrupt':<26}{'shortest':>10}{'longest':>10}{'blocking':>10}   cycles at 16 MHz")
        for name, c in made.cycles.items():
            print(f"{name:<26}{c.shortest:>10}{c.longest:>10}{c.blocking:>10}")
        print(f"interrupts held off by the main program for at most {made.held_off} cycles")
        print(f"flash {made.flash} of {FLASH} bytes")
        print(f"RAM   {made.ram} of {RAM} bytes, {RAM - made.ram} left for the stack")
        print(f"stack {made.stack} bytes at the deepest")
    for text in made.trespassers:
        print(f"writes a register of the interrupts: {text}", file=sys.stderr)
    too_large = made.flash > FLASH or made.ram + made.stack > RAM
    if too_large:
        print("The firmware does not fit.", file=sys.stderr)
    return 1 if too_large or made.trespassers else 0


if __name__ == "__main__":
    sys.exit(main())
