"""The wiring table is the firmware's own, and the probe circuit fits the pins as the firmware sets them."""

from __future__ import annotations

import re

import pytest

from bench.link import LEVEL_HZ
from tests.hardware import probe_circuit as circuit
from tests.hardware import wiring


def _rows() -> dict[str, list[str]]:
    from tests.hardware import document

    lines = document.between(document.DOCUMENT.read_text("utf-8"), "wiring").splitlines()[2:]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return {row[0]: row[1:] for row in cells}


def test_the_documents_table_names_the_pins_that_the_firmware_uses() -> None:
    firmware, rows = wiring.firmware(), _rows()
    expected = {
        "encoder A": firmware.encoder[0],
        "encoder B": firmware.encoder[1],
        "encoder index": firmware.index,
        "pedal": firmware.pedal,
        "serial in (RX)": "PD0",
        "serial out (TX)": "PD1",
        **{f"contact {n}": port for n, port in enumerate(firmware.contacts)},
        **{f"level {n}": port for n, port in enumerate(firmware.levels)},
    }
    assert {signal: cells[1] for signal, cells in rows.items()} == expected


def test_no_pin_is_given_twice() -> None:
    ports = [p.port for p in wiring.pins()]
    assert len(set(ports)) == len(ports)


@pytest.mark.parametrize(
    ("port", "printed", "leg"),
    [("PD4", "D4", 6), ("PD5", "D5", 11), ("PB0", "D8", 14), ("PB3", "D11", 17), ("PC0", "A0", 23)],
)
def test_a_pins_names_are_those_of_the_data_sheet_and_of_the_small_boards(port: str, printed: str, leg: int) -> None:
    # ATmega328P data sheet, 28-pin DIP.
    pin = wiring.Pin("x", port, "")
    assert (pin.printed, pin.leg) == (printed, leg)


def test_the_firmwares_comment_and_its_code_agree_on_the_pins() -> None:
    firmware = wiring.firmware()
    text = " ".join((wiring.BOARD / "avr_latch.h").read_text("utf-8").split())
    said = set(re.findall(r"\bP[BCD][0-7]\b", text))
    assert {*firmware.encoder, firmware.index, *firmware.contacts, firmware.pedal} == said


def test_there_are_as_many_channels_as_the_table_says_and_a_level_for_each() -> None:
    firmware = wiring.firmware()
    config = (wiring.BOARD / "config.h").read_text("utf-8")
    (channels,) = re.findall(r"#define CHANNELS (\d)u", config)
    assert len(firmware.contacts) == len(firmware.levels) == int(channels) >= 3
    assert LEVEL_HZ > 0


def test_no_pull_up_of_the_microcontroller_works_against_the_probe() -> None:
    # A pull-up of 20 kΩ to 50 kΩ (data sheet) against the 21 kΩ of the pin's way from the clip would hold the pin of closed points above
    # what reads low for certain.
    parts = circuit.parts()
    held_v = parts.supply_v * parts.to_pin_ohm / (parts.to_pin_ohm + 20e3)
    assert held_v > circuit.LOW_SHARE * parts.supply_v
    assert held_v == pytest.approx(2.6, abs=0.05)
    firmware = wiring.firmware()
    assert firmware.pulled_up & {*firmware.contacts, *firmware.levels} == set()


def test_pedal_and_encoder_have_their_pull_ups() -> None:
    firmware = wiring.firmware()
    assert {firmware.pedal, firmware.index, *firmware.encoder} <= firmware.pulled_up
