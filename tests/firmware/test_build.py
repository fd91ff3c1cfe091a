"""What the built firmware costs, by its listing."""

from __future__ import annotations

import pytest

from tests.firmware import built, listing
from tests.firmware.listing import Figures

#: 100,000 edges a second leave 160 cycles of 16 MHz for each.
CYCLES_PER_EDGE = 160


@pytest.fixture(scope="module")
def figures() -> Figures:
    built.or_skip("in_simavr")
    return listing.figures(built.firmware())


def test_it_fits_into_flash_and_memory(figures: Figures) -> None:
    assert figures.flash < listing.FLASH
    assert figures.ram + figures.stack < listing.RAM


def test_interrupts_leave_time_for_the_rest(figures: Figures) -> None:
    encoder = figures.cycles["PCINT2 encoder"]
    contacts = figures.cycles["PCINT0 contacts, pedal"]
    assert encoder.shortest < CYCLES_PER_EDGE / 2
    # An edge waits at worst for the line's or the program's moment, then for the contacts, which go first.
    waiting = max(figures.held_off, *(c.blocking for n, c in figures.cycles.items() if n.startswith("USART")))
    assert waiting + contacts.longest + encoder.longest < CYCLES_PER_EDGE


def test_no_code_touches_the_interrupts_registers(figures: Figures) -> None:
    assert figures.trespassers == []


def test_a_trespasser_is_found() -> None:
    code = listing.Listing({0: listing.Instruction(0, 2, "mov", "r4, r24")}, {"f": 0}, {0: "f"})
    assert listing.trespassers(code) == ["0x0 in f: mov r4, r24"]


def test_cycles_are_counted_along_every_path() -> None:
    # Entry 4, jump in the table 3; then in (1), sbrc (1, or 2 when it skips), rjmp (2), nop (1), reti (4): by the instruction set manual.
    made = [("in", "r24, 0x09"), ("sbrc", "r24, 0"), ("rjmp", ".+2"), ("nop", ""), ("reti", "")]
    at = {2 * n: listing.Instruction(2 * n, 2, name, operands) for n, (name, operands) in enumerate(made)}
    code = listing.Listing(at, {"v": 0}, dict.fromkeys(at, "v"))
    assert listing.cycles(code, "v") == listing.Cycles(7 + 1 + 1 + 2 + 4, 7 + 1 + 2 + 1 + 4, 15)
