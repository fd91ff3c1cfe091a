"""The command `breakerbench`. Parses, hands over, and turns every failure into one sentence and an exit status."""

from __future__ import annotations

import argparse
import codecs
import io
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from tui.records_arguments import RECORDS, particulars
from tui.records_arguments import add as _add_records

CAUTION = (
    "Training and measurement aid. The maker's current manual and the local authority's rules govern; a licensed person "
    "decides airworthiness and signs. A magneto is live whenever it turns and its primary is not grounded."
)


REHEARSE = (
    "A simulated unit and board, measured by the real path. On screen a simulated hand turns and presses in real time (about a minute), "
    "you watch; without a terminal, or with --headless, it runs as fast as it can."
)
MEASURE = (
    "Measures the unit on the bench by a job file. The port is taken from --port, the environment variable BREAKERBENCH_PORT, the bench "
    "file, or found on USB. Data lies where BREAKERBENCH_HOME says."
)
PLAIN = "the same guided job as plain lines of text, answered by typed lines: for screen readers and terminals without a screen"
SIMULATE = "Offers the simulated board on a pseudo-terminal or TCP port until Control-C; prints the port's name."
SERVE = (
    "The screen of measure in a browser, for a tablet at the bench; needs the extra serve (pip install 'breakerbench[serve]'). Only this "
    "computer can open it, unless --host names another address; there is no password. One page at a time can hold the board's port, which "
    "is taken from BREAKERBENCH_PORT, the bench file, or found on USB."
)
REPLAY = "Works the result out again from a capture: the journal of a measurement or rehearsal."
REPORT = (
    "Writes a report on a record, to be handed over: a page for the owner, then the evidence. The HTML file needs no network and carries "
    "its result, record and journal inside: replay and records verify take it. Of a capture without a record it says so."
)
REPORT_STATUS = "Exit status: 0 written, 2 bad input, 4 the file cannot be written, 5 the record store cannot be used."
HISTORY = "Lists what was measured of a unit, as found and as left, and tells how fast it drifts in service, or that this cannot be told."
HISTORY_STATUS = "Exit status: 0 told, 2 bad input or no record of that unit, 5 the record store cannot be used."
DOCTOR = (
    "Checks a board against PROTOCOL.md: its greeting, its line and clock, encoder, index, probes, levels and pedal. Asks you to turn, "
    "touch and press; Enter skips a step. Says what was found and what to do about it."
)
DOCTOR_STATUS = "Exit status: 0 nothing fails, 2 bad usage, 3 something was not tried, 4 something fails, 130 stopped."
ENCODER = (
    "Finds what the encoder errs by, over the place on its disc. By re-clampings (a characterization): measure one unit N times, its "
    "encoder turned by 360/N on the shaft each time and the same neutral marked, and name the captures. Against a reference "
    "(a calibration): read the encoder at known angles. With --due or --months a map is written that the bench file can name."
)
EXIT_STATUS = (
    "Exit status: 0 inside, 1 outside, 2 bad input, 3 undecided or no limits, 4 no valid measurement, "
    "5 the record could not be kept, 130 stopped."
)


class _Parser(argparse.ArgumentParser):
    """Raises UsageError instead of leaving the program, so that --json can report it too."""

    def error(self, message: str) -> NoReturn:
        from bench.errors import UsageError

        raise UsageError(f"{message[:1].upper()}{message[1:]}. See {self.prog} --help.")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="breakerbench",
        description="Sets the internal timing of breaker-type magnetos on the bench by angle encoder and continuity probe.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)

    rehearse = commands.add_parser(
        "rehearse", help="measure a simulated unit, on screen or without", description=REHEARSE, epilog=EXIT_STATUS
    )
    rehearse.add_argument(
        "--scenario", metavar="NAME|FILE", default="plain-single", help="which simulated unit (default: %(default)s)"
    )
    rehearse.add_argument("--list-scenarios", action="store_true", help="list the built-in scenarios and leave")
    rehearse.add_argument(
        "--seed",
        type=_seed,
        default=1,
        metavar="N",
        help="number that fixes all chance of the simulation (default: %(default)s)",
    )
    rehearse.add_argument("--headless", action="store_true", help="no screen; as fast as the simulation goes")
    rehearse.add_argument("--plain", action="store_true", help=PLAIN)
    rehearse.add_argument("--json", action="store_true", help="print the result document")
    rehearse.add_argument("--show-truth", action="store_true", help="add what the simulator knows to be true")
    rehearse.add_argument("--capture", metavar="FILE", help="new file for the journal (default: in the data folder)")
    rehearse.add_argument("--record", action="store_true", help="keep a record of it, marked as not for record")

    measure = commands.add_parser(
        "measure", help="measure the unit on the bench", description=MEASURE, epilog=EXIT_STATUS
    )
    measure.add_argument(
        "job", nargs="?", metavar="JOB.toml", help="what is to be measured, with the limits of your manual"
    )
    measure.add_argument("--port", metavar="URL", help="serial device or socket://host:port of the board")
    measure.add_argument(
        "--headless", action="store_true", help="no screen and no keys: turning and pedal alone lead through the job"
    )
    measure.add_argument("--plain", action="store_true", help=PLAIN)
    measure.add_argument("--json", action="store_true", help="print the result document")
    measure.add_argument("--capture", metavar="FILE", help="new file for the journal (default: in the data folder)")
    measure.add_argument(
        "--passes", type=_passes, default=None, metavar="N", help="openings to take of every lobe (default: 5)"
    )
    measure.add_argument(
        "--followers-lifted",
        action="store_true",
        help="neutral is felt first with the followers lifted off the cam, free of its pull; points that close tell when they are down",
    )
    measure.add_argument("--resume", metavar="ID", help="go on with an interrupted job: see records list --open")
    particulars(measure)

    simulate = commands.add_parser("simulate", help="offer the simulated board on a port", description=SIMULATE)
    where = simulate.add_mutually_exclusive_group(required=True)
    where.add_argument("--pty", action="store_true", help="on a pseudo-terminal; prints its name")
    where.add_argument("--tcp", metavar="HOST:PORT", help="on a TCP port")
    simulate.add_argument(
        "--scenario", metavar="NAME|FILE", default="plain-single", help="which simulated unit (default: %(default)s)"
    )
    simulate.add_argument(
        "--seed",
        type=_seed,
        default=1,
        metavar="N",
        help="number that fixes all chance of the simulation (default: %(default)s)",
    )
    simulate.add_argument(
        "--rate",
        type=_rate,
        default=1.0,
        metavar="X",
        help="X times as fast as real; 0: as fast as the host reads (default: 1)",
    )

    serve = commands.add_parser("serve", help="the screen in a browser", description=SERVE)
    serve.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="HOST",
        help="address to serve at (default: %(default)s, this computer only)",
    )
    serve.add_argument("--port", type=_tcp_port, default=8000, metavar="N", help="TCP port (default: %(default)s)")
    serve.add_argument(
        "--rehearse",
        nargs="?",
        const="plain-single",
        metavar="NAME|FILE",
        help="a rehearsal on a simulated unit instead of measuring (default unit: %(const)s)",
    )

    replay = commands.add_parser(
        "replay", help="the result again, from stored bytes", description=REPLAY, epilog=EXIT_STATUS
    )
    replay.add_argument("capture", metavar="CAPTURE", help="a journal kept by measure or rehearse")
    replay.add_argument("--json", action="store_true", help="print the result document")
    replay.add_argument("--explain", metavar="BREAKER:LOBE", help="tell how one opening's figure came about")
    replay.add_argument(
        "--against", metavar="CAPTURE", help="a later capture of the same unit: tell what changed, and how sure that is"
    )
    replay.add_argument(
        "--moved",
        metavar='"[BREAKER:] AMOUNT UNIT"',
        help='what was moved between the two, "0.05 mm" for instance: tell how far the angle follows (with --against)',
    )

    report = commands.add_parser("report", help="a record as HTML or PDF", description=REPORT, epilog=REPORT_STATUS)
    report.add_argument("id", metavar="ID", help="a record's id or its beginning, or a capture's file")
    report.add_argument("-o", "--output", required=True, metavar="FILE.html|.pdf", help="new file")
    report.add_argument("--json", action="store_true", help="print one JSON document")

    history = commands.add_parser(
        "history", help="a unit's measurements and their drift", description=HISTORY, epilog=HISTORY_STATUS
    )
    history.add_argument("serial", nargs="*", metavar="SERIAL", help="serial number of a unit; several: side by side")
    history.add_argument("--shop", action="store_true", help="every unit of the store")
    history.add_argument(
        "--over",
        choices=("hours", "date"),
        help="what figures are put over (default: hours, where every record has them)",
    )
    history.add_argument("--rehearsals", action="store_true", help="show records of simulated units too")
    history.add_argument("--plot", metavar="FILE.svg", help="draw it into a new file")
    history.add_argument("--json", action="store_true", help="print one JSON document")

    _add_records(commands.add_parser("records", help="the record store", description=RECORDS))

    doctor = commands.add_parser(
        "doctor", help="check a board that you have built", description=DOCTOR, epilog=DOCTOR_STATUS
    )
    doctor.add_argument("--port", metavar="URL", help="serial device or socket://host:port of the board")
    doctor.add_argument(
        "--json", action="store_true", help="print the findings as a document; prompts go to standard error"
    )
    doctor.add_argument(
        "--seconds",
        type=_step_seconds,
        default=30.0,
        metavar="N",
        help="time limit of each step that needs hands (default: 30)",
    )
    doctor.add_argument("--capture", metavar="FILE", help="new file for the journal (default: in the data folder)")

    qualify = commands.add_parser(
        "qualify", help="tell how good readings are: the encoder's map, gauge study, agreement study"
    )
    _add_studies(qualify)
    return parser


def _add_studies(qualify: argparse.ArgumentParser) -> None:
    studies = qualify.add_subparsers(dest="study", metavar="STUDY", required=True)

    gauge = studies.add_parser("gauge", help="several operators read several units several times")
    gauge.add_argument("file", metavar="FILE.csv", help="columns operator,unit,trial,angle_deg")
    gauge.add_argument(
        "--tolerance",
        type=_positive,
        metavar="DEG",
        help="whole width between the limits, for the share that measuring takes",
    )
    gauge.add_argument("--json", action="store_true", help="print the study document")
    gauge.add_argument("--plot", metavar="FILE.svg", help="draw every reading, per operator and unit")

    agreement = studies.add_parser("agreement", help="the same units read by the hand method and by this tool")
    agreement.add_argument("file", metavar="FILE.csv", help="columns unit,hand_deg,tool_deg[,trial]")
    agreement.add_argument(
        "--error-ratio",
        type=_positive,
        metavar="R",
        help="variance of the hand readings' errors over that of the tool's (default: from repeated readings, else 1)",
    )
    agreement.add_argument("--json", action="store_true", help="print the study document")
    agreement.add_argument("--plot", metavar="FILE.svg", help="draw differences against means, with their limits")
    _add_encoder(studies.add_parser("encoder", help="by how much the encoder errs over the turn", description=ENCODER))


def _add_encoder(encoder: argparse.ArgumentParser) -> None:
    encoder.add_argument(
        "captures", nargs="*", metavar="CAPTURE", help="the same unit measured once in each clamping of the encoder"
    )
    encoder.add_argument(
        "--readings", metavar="FILE.csv", help="instead of captures: columns position,feature,angle_deg[,trial]"
    )
    encoder.add_argument(
        "--reference-readings", metavar="FILE.csv", help="against a reference: columns reference_deg,angle_deg[,trial]"
    )
    encoder.add_argument("--certificate", metavar="TEXT", help="the reference and its certificate")
    encoder.add_argument(
        "--reference-uncertainty",
        type=_positive,
        metavar="DEG",
        help="standard uncertainty of one of the reference's angles",
    )
    encoder.add_argument(
        "--harmonics",
        type=_harmonics,
        default=2,
        metavar="K",
        help="highest order that is fitted (default: %(default)s)",
    )
    encoder.add_argument("--due", metavar="YYYY-MM-DD", help="write a map; last day on which it may be used")
    encoder.add_argument("--months", type=_months, metavar="N", help="write a map; due so many months from today")
    encoder.add_argument("--encoder", metavar="TEXT", help="the encoder's serial number, for the map")
    encoder.add_argument(
        "--index", metavar="TEXT", help="which index the places count from, if the encoder has several"
    )
    encoder.add_argument("--board-id", metavar="HEX", help="16 digits, as doctor shows them; known from captures")
    encoder.add_argument("--counts-per-turn", type=_counts_per_turn, metavar="N", help="known from captures")
    encoder.add_argument(
        "--unseen", type=_bound, metavar="DEG", help="most that the orders which were not seen may add at one place"
    )
    encoder.add_argument("--unseen-source", metavar="TEXT", help="where that bound is from: data sheet, certificate")
    encoder.add_argument(
        "--out", metavar="FILE", help="new file for the map (default: encoder_map.json in the data folder)"
    )
    encoder.add_argument("--json", action="store_true", help="print the study document")
    encoder.add_argument("--plot", metavar="FILE.svg", help="draw the map and every mean reading")


def _whole(text: str, low: int, high: int, expected: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 20 and low <= int(text) <= high):
        raise argparse.ArgumentTypeError(f"{expected} was expected, not {text!r}")
    return int(text)


def _seed(text: str) -> int:
    return _whole(text, 0, 2**63 - 1, "a whole number from 0")


def _passes(text: str) -> int:
    return _whole(text, 2, 10_000, "a whole number from 2 (one pass tells nothing of its scatter) to 10000")


def _number(text: str, low: float, high: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(f"a number from {low:g} to {high:g} was expected, not {text!r}")
    return value


def _harmonics(text: str) -> int:
    return _whole(text, 1, 60, "a whole number from 1 to 60")


def _months(text: str) -> int:
    return _whole(text, 1, 120, "a whole number of months from 1 to 120")


def _counts_per_turn(text: str) -> int:
    return _whole(text, 4, 10_000_000, "a whole number from 4 to 10000000")


def _bound(text: str) -> float:
    return _number(text, 0, 10)


def _positive(text: str) -> float:
    return _number(text, 1e-6, 1e6)


def _step_seconds(text: str) -> float:
    return _number(text, 0.1, 3600)


def _tcp_port(text: str) -> int:
    return _whole(text, 1, 65_535, "a port number from 1 to 65535")


def _rate(text: str) -> float:
    return _number(text, 0, 1e6)


ESCAPES = "breakerbench.escapes"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; gives its exit status."""
    _stand_in()
    _speak_utf8()
    given = list(sys.argv[1:] if arguments is None else arguments)
    as_json = "--json" in given
    try:
        status = _dispatch(_parser().parse_args(given))
        sys.stdout.flush()
        return status
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 0
    except KeyboardInterrupt:
        return _report("interrupted", "Stopped by the user.", 130, as_json)
    except OSError as error:
        return _output_failed(error)
    except Exception as error:
        from bench.errors import BenchError

        try:
            if isinstance(error, BenchError):
                return _report(error.code, error.text, error.exit_status, as_json)
        except OSError as failure:
            return _output_failed(failure)
        return _report(
            "defect", f"Unexpected {type(error).__name__}: {_one_line(error)}. Please report this.", 4, as_json
        )


def _stand_in() -> None:
    """A standard stream that was closed before the start gives nothing and takes all.

    Else what is meant for standard error would go into the document on standard output, and a file opened later would get its number.
    """
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        if getattr(sys, name) is None:
            nowhere = os.open(os.devnull, os.O_RDWR)
            if nowhere != number:
                os.dup2(nowhere, number)
                os.close(nowhere)
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115 - as long as the program


def _speak_utf8() -> None:
    """Degree signs and names must never end the program: where the terminal knows no UTF-8 they are written as escapes that JSON knows."""
    codecs.register_error(ESCAPES, _escaped)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=ESCAPES)


def _escaped(error: UnicodeError) -> tuple[str, int]:
    """As \\uXXXX for each UTF-16 unit: the standard library's own escapes begin with \\x, which no JSON reader takes."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    units = error.object[error.start : error.end].encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[n]:02x}{units[n + 1]:02x}" for n in range(0, len(units), 2)), error.end


def _dispatch(options: argparse.Namespace) -> int:
    if options.version:
        from tui.places import software

        print(software())
        return 0
    if options.command == "rehearse":
        from tui import rehearse

        return rehearse.run(options)
    if options.command == "measure":
        from tui import measure

        return measure.run(options)
    if options.command == "simulate":
        from tui import simulate

        return simulate.run(options)
    if options.command == "serve":
        from tui import serve

        return serve.run(options)
    if options.command == "replay":
        from tui import replay

        return replay.run(options)
    if options.command == "report":
        from tui import report

        return report.run(options)
    if options.command == "history":
        from tui import history

        return history.run(options)
    if options.command == "records":
        from tui import records

        return records.run(options)
    if options.command == "doctor":
        from tui import doctor

        return doctor.run(options)
    if options.command == "qualify":
        from tui import qualify

        return qualify.run(options)
    _parser().print_help()
    return 2


def _output_failed(error: OSError) -> int:
    """Standard output takes nothing any more: say so if anyone still listens. Nothing measured is lost by that."""
    import contextlib

    with contextlib.suppress(OSError, ValueError):
        print(
            f"breakerbench: The output could not be written ({error.strerror or error}). Any journal is kept.",
            file=sys.stderr,
        )
    # What is still buffered must not fail once more while the program ends.
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            os.dup2(nowhere, stream.fileno())
    return 4


def _one_line(error: Exception) -> str:
    from bench.files import printable

    return printable(str(error).split("\n")[0])[:200]


def _report(code: str, text: str, status: int, as_json: bool) -> int:
    if as_json:
        from bench.result import failure_document
        from bench.run import Failure

        print(failure_document(Failure(code, text), None, None, None).to_json())
    print(f"breakerbench: {text}", file=sys.stderr)
    _tell_page(text)
    return status


def _tell_page(text: str) -> None:
    """Where a browser stands in for the terminal, nobody there reads standard error."""
    if "TEXTUAL_DRIVER" in os.environ:
        from tui.job_screen.dialogs import tell

        tell(text)


if __name__ == "__main__":
    sys.exit(main())
