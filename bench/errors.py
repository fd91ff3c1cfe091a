"""What can go wrong, by meaning. Every message says what happened, to what, and what to do next."""

from __future__ import annotations


class BenchError(Exception):
    """Root of all errors that a user may see. `code` is stable and goes into the result document."""

    code = "error"
    exit_status = 4

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.text = text


class InputError(BenchError):
    """Something that the user wrote or named is not usable. Exit 2."""

    code = "bad-input"
    exit_status = 2


class UsageError(InputError):
    """The command line does not make sense."""

    code = "usage"


class JobFileError(InputError):
    """The job file is missing, unreadable, or says something impossible."""

    code = "job-file"


class BenchFileError(InputError):
    """The bench file is unreadable or says something impossible."""

    code = "bench-file"


class CaptureError(InputError):
    """The capture is missing, or is none."""

    code = "capture"


class LinkError(BenchError):
    """The way to the board failed. Exit 4."""

    code = "link"


class PortUnavailable(LinkError):
    """The port cannot be opened, or there is none."""

    code = "no-port"


class NoBoard(LinkError):
    """The port is open, but nothing on it answers as a board."""

    code = "no-board"


class WrongFirmware(LinkError):
    """The board was built with other message definitions."""

    code = "wrong-firmware"


class LinkLost(LinkError):
    """The port failed or went away while in use."""

    code = "link-lost"


class LinkSilent(LinkError):
    """The board stopped sending."""

    code = "link-silent"


class JournalError(BenchError):
    """The journal cannot be written, so nothing may be acknowledged."""

    code = "journal"


class ProcedureError(BenchError):
    """The measurement cannot be completed; `code` says why."""

    code = "procedure"

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code


class Interrupted(BenchError):
    """The user stopped the program."""

    code = "interrupted"
    exit_status = 130
