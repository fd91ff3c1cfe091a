"""The simulated unit and hand on the pins of the firmware: a `World` whose board is a process fed cycle by cycle.

All else is `sim`'s: the rotor, the encoder, the points, the probes, the faults. What the simulated board would have been given
as edges becomes levels on pins at exact cycles.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from firmware_protocol.framing import Frame, Framer, FrameReader
from firmware_protocol.messages import Start, Stop
from sim.board import Inputs
from sim.encoder import Crossings
from sim.scenario import Scenario
from sim.world import World
from tests.firmware.process import (
    ANALOGUE,
    BYTE_CYCLES,
    CONTACT_0,
    CYCLE_HZ,
    CYCLES_PER_TICK,
    INDEX,
    PEDAL,
    PIN,
    RESET,
    Board,
    commands,
    host_bytes,
    one,
    quadrature,
)

#: How long the board is left to start, and to answer while the unit's clock stands still.
BOOT_S = 0.3
ANSWER_S = 0.01
#: Cycles after a reset at which the firmware's tick is 0, a press's latency taken off (measured on its presses; within 100).
TICKS_BEGIN = 7_340
#: Voltages are brought up to date so often.
_VOLTS_S = 0.004


class _Line:
    """Bytes with the cycle at which they had left, given by the unit's time as the simulated line does."""

    def __init__(self, board: PinBoard) -> None:
        self._board = board

    def take(self, now_ticks: float) -> bytes:
        return self._board.sent_by(now_ticks)

    def waiting(self, at: int) -> float:  # noqa: ARG002
        return float(self._board.unread)


class _Lost:
    """`lose`: encoder edges that never reach the pins."""

    def __init__(self) -> None:
        self.counts = 0

    def lose(self, counts: int) -> None:
        self.counts += counts

    def without(self, crossings: Crossings) -> Crossings:
        number = min(len(crossings.step), self.counts) // 4 * 4
        if not number or abs(int(crossings.step[:number].sum())) != number:
            return crossings
        self.counts -= number
        rest = slice(number, None)
        return Crossings(crossings.time_s[rest], crossings.step[rest], crossings.count[rest], crossings.index[rest])


class PinBoard:
    """Stands where `sim.board.Board` stands in a World."""

    def __init__(
        self,
        process: Board,
        tick_hz: int,
        counts_per_turn: int,
        disc_count: int,
        levels: list[bool],
        start_tick: int | None = None,
    ) -> None:
        self._process = process
        self._start_tick = start_tick
        self._tick_hz = tick_hz
        self._turn = counts_per_turn
        self._reader = FrameReader(Framer())
        self._base: int | None = None
        self._end = 0
        self._parts: list[tuple[NDArray[np.uint64], bytes]] = []
        self._host_free = 0
        self._from_host = commands(0)
        self._reset_at = 0
        self._in_index = disc_count % counts_per_turn == 0
        self.encoder = _Lost()
        self.line = _Line(self)
        self.in_session = False
        process.give(quadrature(np.array([0]), np.array([disc_count])))
        process.give(one(0, PIN, INDEX, int(self._in_index)))
        for channel, opened in enumerate(levels):
            process.give(one(0, PIN, CONTACT_0 + channel, int(opened)))

    # --- as World uses a board ---------------------------------------------------------------------------------------

    def boot(self) -> bytes:
        """What it sends as it starts. A tick to begin at is waited for: nothing sets the firmware's clock."""
        until = self._process.cycle + round(BOOT_S * CYCLE_HZ)
        if self._start_tick is not None:
            until = max(until, TICKS_BEGIN + CYCLES_PER_TICK * self._start_tick)
        return self._process.run(until).data

    def tick_at(self, time_s: float) -> int:
        """The firmware's tick at a time of the unit's, within 20 ticks."""
        since = (self._base or 0) - self._reset_at - TICKS_BEGIN + time_s * CYCLE_HZ
        return int(since / CYCLES_PER_TICK) & 0xFFFF_FFFF

    def receive(self, data: bytes) -> None:
        """Bytes from the host, on the line one after another from now on."""
        begins = max(self._process.cycle, self._host_free)
        self._from_host = np.concatenate([self._from_host, host_bytes(data, begins)])
        self._host_free = begins + BYTE_CYCLES * len(data)
        for item in self._reader.feed(data):
            if isinstance(item, Frame) and isinstance(item.message, (Start, Stop)):
                self.in_session = isinstance(item.message, Start)
        if self._base is None:
            self._process.give(self._host_bytes_by(self._host_free))
            self._run_to(self._host_free + round(ANSWER_S * CYCLE_HZ))

    def reset(self, kept_counter: int | None) -> None:
        """The reset pin; a counter that is to be forgotten is wiped first."""
        if kept_counter is not None:
            self._process.forget_boots()
        self._process.give(one(self._process.cycle, RESET))
        self._reset_at = self._process.cycle
        self.in_session = False

    def run(self, inputs: Inputs) -> None:
        """What the pins see until then."""
        if self._base is None:
            self._base = self._process.cycle
        end = self._cycle(inputs.end_s)
        made = np.concatenate(
            [
                self._encoder_pins(self.encoder.without(inputs.crossings)),
                self._contact_pins(inputs),
                self._voltages(inputs, end),
                self._host_bytes_by(end),
            ]
        )
        # What was due while the board answered before Start, or bounced in the chunk before, comes now.
        made["cycle"] = np.clip(made["cycle"], self._process.cycle, end)
        self._process.give(made[np.argsort(made["cycle"], kind="stable")])
        self._run_to(end)

    # -----------------------------------------------------------------------------------------------------------------

    def _cycle(self, time_s: float) -> int:
        assert self._base is not None
        return self._base + round(time_s * CYCLE_HZ)

    def _run_to(self, cycle: int) -> None:
        sent = self._process.run(max(cycle, self._process.cycle))
        if sent.data:
            self._parts.append((sent.cycle, sent.data))

    @property
    def unread(self) -> int:
        """Bytes that have left the board and were not taken."""
        return sum(len(data) for _, data in self._parts)

    def sent_by(self, now_ticks: float) -> bytes:
        """Bytes not given before that had left by a tick of the unit's clock."""
        until = float("inf") if self._base is None else self._base + now_ticks / self._tick_hz * CYCLE_HZ
        found = []
        rest = []
        for cycle, data in self._parts:
            here = int(np.searchsorted(cycle, until, side="right"))
            found.append(data[:here])
            if here < len(data):
                rest.append((cycle[here:], data[here:]))
        self._parts = rest
        return b"".join(found)

    def _host_bytes_by(self, end: int) -> NDArray[np.void]:
        """Bytes from the host that are on the line by then, as commands; the rest stays."""
        here = int(np.searchsorted(self._from_host["cycle"], end, side="right"))
        due, self._from_host = self._from_host[:here], self._from_host[here:]
        return due

    def _encoder_pins(self, crossings: Crossings) -> NDArray[np.void]:
        assert self._base is not None
        cycles = self._base + np.rint(crossings.time_s * CYCLE_HZ).astype(np.int64)
        edges = quadrature(cycles, crossings.count)
        changes = []
        for cycle, active in zip(cycles.tolist(), crossings.index.tolist(), strict=True):
            if active != self._in_index:
                self._in_index = active
                changes.append((cycle, PIN, INDEX, int(active)))
        return np.concatenate([edges, np.array(changes, dtype=edges.dtype)])

    def _contact_pins(self, inputs: Inputs) -> NDArray[np.void]:
        events = [(e.time_s, CONTACT_0 + e.channel, int(e.opened)) for e in inputs.contacts]
        events += [(time_s, PEDAL, int(not down)) for time_s, down in inputs.pedal]
        made = commands(len(events))
        for place, (time_s, pin, level) in enumerate(events):
            made[place] = (max(self._cycle(time_s), 0), PIN, pin, level)
        return made

    def _voltages(self, inputs: Inputs, end: int) -> NDArray[np.void]:
        begin = self._process.cycle
        step = round(_VOLTS_S * CYCLE_HZ)
        found = []
        for cycle in range(begin, end, step):
            assert self._base is not None
            time_s = (cycle - self._base) / CYCLE_HZ
            for channel in range(2):
                found.append((cycle, ANALOGUE, channel, inputs.millivolts(channel, time_s)))
        return np.array(found, dtype=commands(0).dtype)


class PinWorld(World):
    """A World whose board is the firmware. Close it."""

    def __init__(self, command: tuple[str, ...], scenario: Scenario, seed: int) -> None:
        self._command = command
        super().__init__(scenario, seed)

    def _new_board(self, boots: int) -> PinBoard:  # type: ignore[override]
        del boots
        scenario = self.scenario
        self.process = Board(self._command, 4 * scenario.encoder.lines)
        levels = [probe.signal_open for probe in self._probes]
        return PinBoard(
            self.process,
            scenario.board.tick_hz,
            4 * scenario.encoder.lines,
            self._encoder.count,
            levels,
            scenario.board.start_tick,
        )

    def close(self) -> None:
        """End the board's process."""
        self.process.close()
