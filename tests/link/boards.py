"""Boards for tests: what one answers, and the same in memory or behind a TCP port."""

from __future__ import annotations

import queue
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from bench.journal import Kind
from firmware_protocol.framing import Frame, FrameReader
from firmware_protocol.messages import Hello, Identify, Message, Ping, Pong, Press, PressRequest, Start, Stop
from tests.wire.speaker import HELLO, PERIOD, Speaker, position

#: Long enough for the slowest machine; nothing waits so long unless it has failed.
DEADLINE_S = 10.0


class Conversation:
    """A board's side of the talk, without any input or output: feed it the host's bytes, take its answer."""

    def __init__(self, hello: Hello = HELLO, last_session: int = 0) -> None:
        self.hello = hello
        self.voice = Speaker(last_session)
        self.heard: list[Message] = []
        self.answers = True
        self.running = False
        self.pending = b""
        self.tick = 0
        self._reader = FrameReader()

    def answer(self, data: bytes) -> bytes:
        """What the board has to say to the host's bytes."""
        said = b""
        for frame in self._reader.feed(data):
            if isinstance(frame, Frame):
                self.heard.append(frame.message)
                if self.answers:
                    said += self._answer(frame.message)
        return said

    def position(self) -> bytes:
        """The next Position."""
        self.tick += PERIOD
        return self.voice.say(position(self.tick))

    def _answer(self, message: Message) -> bytes:
        if isinstance(message, Identify):
            return self.voice.say(self.hello)
        if isinstance(message, Start):
            self.voice.begin(message.session)
            self.running = True
            return self.position()
        if isinstance(message, PressRequest):
            return self.voice.say(Press(self.tick, 0, 1, 1, message.request))
        if isinstance(message, Ping):
            return self.voice.say(Pong(self.tick, message.token))
        if isinstance(message, Stop):
            self.running = False
            return self.pending + self.voice.say(self.hello)
        return b""


class MemoryBoard:
    """A Transport with a board behind it. `passed` lists what was read and written, in order."""

    def __init__(self, board: Conversation | None = None, wait_s: float = 0.02) -> None:
        self.board = Conversation() if board is None else board
        self.passed: list[tuple[Kind, bytes]] = []
        self.closed = False
        self._wait_s = wait_s
        self._waiting: queue.Queue[bytes | Exception] = queue.Queue()
        self._heard = threading.Condition()
        self._write_failure: Exception | None = None

    def say(self, data: bytes | Exception) -> None:
        """The next bytes that come to the host, or the failure of its next read."""
        self._waiting.put(data)

    def fail_writes(self, failure: Exception) -> None:
        """From now on writing fails."""
        self._write_failure = failure

    def wait_for(self, kind: type[Message]) -> Message:
        """Wait until the board has heard such a message; the latest one."""
        with self._heard:
            assert self._heard.wait_for(lambda: any(isinstance(m, kind) for m in self.board.heard), DEADLINE_S), (
                f"the board never heard {kind.__name__}"
            )
            return next(m for m in reversed(self.board.heard) if isinstance(m, kind))

    def read(self) -> bytes:
        """See Transport."""
        try:
            data = self._waiting.get(timeout=self._wait_s) if self._wait_s else self._waiting.get_nowait()
        except queue.Empty:
            return b""
        if isinstance(data, Exception):
            raise data
        self.passed.append((Kind.FROM_BOARD, data))
        return data

    def write(self, data: bytes) -> None:
        """See Transport."""
        if self._write_failure is not None:
            raise self._write_failure
        self.passed.append((Kind.TO_BOARD, data))
        with self._heard:
            said = self.board.answer(data)
            self._heard.notify_all()
        if said:
            self.say(said)

    def close(self) -> None:
        """See Transport."""
        self.closed = True


@contextmanager
def tcp_server(serve: Callable[[socket.socket], None]) -> Iterator[str]:
    """A TCP server on this machine that serves one connection; gives its URL."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(DEADLINE_S)

        def accept() -> None:
            try:
                connection, _ = server.accept()
            except OSError:
                return
            with connection:
                serve(connection)

        thread = threading.Thread(target=accept)
        thread.start()
        try:
            yield f"socket://127.0.0.1:{server.getsockname()[1]}"
        finally:
            # Wakes `accept` if nobody ever came.
            server.shutdown(socket.SHUT_RDWR)
            thread.join(DEADLINE_S)
            assert not thread.is_alive()


def talk(board: Conversation, positions_per_answer: int = 0) -> Callable[[socket.socket], None]:
    """Serve `board` on a connection until the host hangs up."""

    def serve(connection: socket.socket) -> None:
        connection.settimeout(0.01)
        while True:
            try:
                data = connection.recv(4096)
                if not data:
                    return
                connection.sendall(board.answer(data))
            except TimeoutError:
                if board.running:
                    try:
                        connection.sendall(b"".join(board.position() for _ in range(positions_per_answer)))
                    except OSError:
                        return
            except OSError:
                return

    return serve
