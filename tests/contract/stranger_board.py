"""A breakerbench board written from PROTOCOL.md alone: a simulated unit with a scripted hand, behind a TCP port."""
import argparse
import random
import select
import socket
import struct
import time
from binascii import crc_hqx
from math import floor

FINGERPRINT, CRC_START, CRC_FROZEN = 0xB4D335C3, 0x25C6, 0xFFFF
HELLO, POSITION, EDGES, CONTACT, INDEX, PRESS, TROUBLE, PONG = 0x01, 0x10, 0x11, 0x12, 0x13, 0x14, 0x16, 0x17
IDENTIFY, START, STOP, PING, PRESS_REQUEST, REJECTED_COMMAND = 0x81, 0x82, 0x83, 0x84, 0x85, 9
HOST = {IDENTIFY: ("<B", [range(256)]), STOP: ("<", []), PING: ("<H", [range(65536)]),  # formats, ranges of fields
        PRESS_REQUEST: ("<H", [range(1, 65536)]), START: ("<4B", [range(1, 256), range(50, 101), range(21), range(2)])}
HZ, TICK_AT_RESET, TURN, INDEX_PLACE = 2_000_000, 4_290_000_000, 10_000, 40
PEDAL = [(t + 0.2 * up, 1 - up) for t in (2.9, 5.1, 6.8, 8.6, 10.3, 12.0) for up in (0, 1)]
ANGLES = [(0, -45), (0.5, -45), (2.0, -8), (2.5, -0.2), (3.2, -0.2), (3.7, 6), (4.2, 6), (4.7, 0.2), (5.4, 0.2),
          (5.9, -7), (6.4, -0.3), (7.1, -0.3), (7.6, 6), (8.2, 0.3), (8.9, 0.3), (9.4, -7), (9.9, -0.1), (10.6, -0.1),
          (11.1, 6), (11.6, 0.1), (12.3, 0.1), (12.8, 6), (12.8 + (2600 - 6) / 90, 2600)]


def raw_count(angle: float) -> int:
    return floor(angle / 360 * TURN + 0.5)


def script() -> list[tuple[int, int, int]]:
    """All that the unit does, in order: ticks since the hand began, kind of message, step or new state."""
    events = [(int(t * HZ), PRESS, down) for t, down in PEDAL]
    for (t0, a0), (t1, a1) in zip(ANGLES, ANGLES[1:]):
        low, high, up = min(a0, a1), max(a0, a1), a1 > a0
        at = [(boundary, (boundary - 0.5) * 360 / TURN) for boundary in range(raw_count(low) + 1, raw_count(high) + 1)]
        marks = [(a, EDGES, 1 if up else -1) for _, a in at]
        marks += [(a, INDEX, 1 if up else -1) for b, a in at if (b if up else b - 1) % TURN == INDEX_PLACE]
        marks += [(a, CONTACT, int((a % 180 == 10) == up)) for k in range(16) for a in (k * 180 + 10, k * 180 + 80)]
        events += [(int((t0 + (a - a0) * (t1 - t0) / (a1 - a0)) * HZ), kind, value)
                   for a, kind, value in marks if low < a <= high]
    return sorted(events, key=lambda event: (event[0], (EDGES, INDEX, CONTACT, PRESS).index(event[1])))


def uncobs(wire: bytes) -> bytes:
    pieces, at = [], 0
    while at < len(wire):
        pieces.append(wire[at + 1:at + wire[at]])
        at += wire[at]
    return b"\0".join(pieces) if at == len(wire) else b""


class Board:
    """From one reset to the next. Ticks are kept unwrapped; they are cut to 32 bits where they are sent."""

    def __init__(self, line: socket.socket, boot_counter: int, events: list[tuple[int, int, int]]) -> None:
        self.line, self.boot_counter, self.events, self.next_event, self.origin = line, boot_counter, events, 0, -1
        self.now, self.count, self.open, self.pedal = TICK_AT_RESET, raw_count(ANGLES[0][1]) % 4, 0, 0
        self.session, self.running, self.hz, self.want_edges, self.inbox = 0, False, 0, 0, b""
        self.history: list[tuple[int, int]] = []  # the last four encoder edges: tick and step, latest first
        self.begin()
        self.line.sendall(b"stranger board\r\n\0")
        self.hello()

    def begin(self) -> None:
        self.start, self.sequence, self.positions, self.troubles, self.contact_edges = self.now, 0, 0, 0, 0
        self.edges: list[tuple[int, int]] = []  # of the Edges frame now open: tick and step
        self.contacts: list[tuple[int, int, int, list, list]] = []  # waiting: tick, count, opened, edges before, after

    def send(self, kind: int, form: str, *fields: int | bytes) -> None:
        content = struct.pack("<BBH" + form, kind, self.session, self.sequence, *fields)
        content += crc_hqx(content, CRC_FROZEN if kind == HELLO else CRC_START).to_bytes(2, "big")
        self.line.sendall(b"".join(bytes([len(piece) + 1]) + piece for piece in content.split(b"\0")) + b"\0")
        self.sequence = (self.sequence + 1) % 65536

    def report(self, kind: int, form: str, tick: int, *fields: int) -> None:
        if self.running or kind == PONG:
            self.send(kind, "I" + form, tick % 2**32, *fields)
            self.troubles = (self.troubles + (kind == TROUBLE)) % 65536

    def hello(self) -> None:
        self.send(HELLO, "BI8sIBIIIBBHBBBBI", 1, FINGERPRINT, b"stranger", self.boot_counter, 2, HZ, TURN, 100_000,
                  1, 0, 1 | 2 | 4, 1, 0, 1, 0, 0)  # one channel, no levels; INDEX, EDGES, PEDAL; simulated; 0.1.0

    def close_edges(self) -> None:
        if self.edges:
            first, n = self.edges[0][0] - 1, len(self.edges)
            ages = [tick - before for (tick, _), before in zip(self.edges, [first] + [t for t, _ in self.edges])]
            self.report(EDGES, f"iBB{n}H", first, self.count - sum(step for _, step in self.edges), 0, n,
                        *(age | 0x8000 * (step < 0) for age, (_, step) in zip(ages, self.edges)))
            self.edges = []

    def send_contact(self) -> None:
        tick, count, opened, before, after = self.contacts.pop(0)
        n, m = len(before), len(after)
        self.report(CONTACT, f"iBBBHIBB{n}IB{n}bB{m}IB{m}b", tick, count, 0, opened, 0 if after else 1, 0, 0, 0,
                    n, *(tick - t for t, _ in before), n, *(step for _, step in before),
                    m, *(t - tick for t, _ in after), m, *(step for _, step in after))

    def happen(self, tick: int, kind: int, value: int) -> None:
        if kind == EDGES:
            if self.edges and tick - self.edges[-1][0] > 32767:
                self.close_edges()
            self.count += value
            self.history = [(tick, value), *self.history[:3]]
            self.edges += [(tick, value)] if self.running and self.want_edges else []
            if len(self.edges) == 112:
                self.close_edges()
            for contact in self.contacts:
                contact[4].append((tick, value))
            while self.contacts and len(self.contacts[0][4]) == 4:
                self.send_contact()
        elif kind == CONTACT:
            self.open, self.contact_edges = value, (self.contact_edges + 1) % 65536
            if self.running:
                before = [(t, step) for t, step in self.history if tick - t <= 2**31]
                self.contacts.append((tick, self.count, value, before, []))
        elif kind == INDEX:
            self.report(INDEX, "ib", tick, self.count, value)
        elif kind == PRESS:
            self.pedal = value
            self.report(PRESS, "iBBH", tick, self.count, 0, value, 0)

    def advance(self, until: int) -> None:
        """Let everything happen, in order, that is due up to and including the tick `until`."""
        while True:
            ahead = self.origin >= 0 and self.next_event < len(self.events)
            due = [self.origin + self.events[self.next_event][0] if ahead else until + 1,
                   self.contacts[0][0] + HZ // 20 if self.contacts else until + 1,
                   self.edges[0][0] + HZ // 50 if self.edges else until + 1,
                   self.start + (self.positions + 1) * HZ // self.hz if self.running else until + 1]
            self.now = min(*due, until)
            if self.now == due[0]:
                self.next_event += 1
                self.happen(self.now, *self.events[self.next_event - 1][1:])
            elif self.now == due[1]:
                self.send_contact()
            elif self.now == due[2]:
                self.close_edges()
            elif self.now == due[3]:
                self.positions += 1
                self.report(POSITION, "iBBHBH", self.now, self.count, self.open, 2 * self.pedal, self.troubles,
                            1, self.contact_edges)
            else:
                return

    def hear(self, data: bytes) -> None:
        *frames, rest = (self.inbox + data).split(b"\0")
        self.inbox = rest[:252]  # one byte more than a frame may have: enough to be refused
        for content in [uncobs(wire) for wire in frames if len(wire) <= 251]:
            if len(content) >= 6:
                crc = crc_hqx(content[:-2], CRC_FROZEN if content[0] in (HELLO, IDENTIFY) else CRC_START)
                form, ranges = HOST.get(content[0], (f"{len(content) - 6}x", []))
                if crc == int.from_bytes(content[-2:], "big") and len(content) == 6 + struct.calcsize(form):
                    fields = struct.unpack(form, content[4:-2])
                    if all(field in allowed for field, allowed in zip(fields, ranges)):
                        self.obey(content[0], fields)

    def obey(self, kind: int, fields: tuple[int, ...]) -> None:
        if kind == IDENTIFY:
            self.hello()
        elif kind == START:
            self.session, self.hz, _, self.want_edges = fields
            self.running, self.origin = True, self.now if self.origin < 0 else self.origin
            self.begin()
        elif kind == STOP:
            self.close_edges()
            while self.contacts:
                self.send_contact()
            self.running = False
            self.hello()
        elif kind == PING:
            self.report(PONG, "H", self.now, *fields)
        elif kind == PRESS_REQUEST and self.running:
            self.report(PRESS, "iBBH", self.now, self.count, 1, 1, *fields)
        else:
            self.report(TROUBLE, "BBII", self.now, REJECTED_COMMAND, 255, kind, 0)

    def run(self, fast: bool) -> None:
        seconds, last = 0.0, time.monotonic()
        while True:  # a host that does not read stops the unit (fast) or makes it catch up later: nothing is lost
            racing = fast and self.running
            readable = select.select([self.line], [], [], 0.0 if racing else 0.001 if self.running else 0.05)[0]
            seconds, last = seconds + (0.001 if racing else time.monotonic() - last), time.monotonic()
            self.advance(TICK_AT_RESET + int(seconds * HZ))
            if readable:
                data = self.line.recv(4096)
                if not data:
                    return
                self.hear(data)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tcp", default="127.0.0.1:0", help="address to listen at, HOST:PORT")
    parser.add_argument("--fast", action="store_true", help="run as fast as the host reads")
    arguments = parser.parse_args()
    host, port = arguments.tcp.rsplit(":", 1)
    events, boot_counter = script(), random.getrandbits(31)  # not kept over power loss: unlikely to repeat
    with socket.create_server((host, int(port)), backlog=1) as server:
        print(f"socket://{host}:{server.getsockname()[1]}", flush=True)
        while True:
            line, _ = server.accept()
            boot_counter += 1
            try:
                with line:
                    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 8192)
                    Board(line, boot_counter, events).run(arguments.fast)
            except OSError:
                pass  # the host has gone


if __name__ == "__main__":
    main()
