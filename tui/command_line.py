"""The command `breakerbench`. Parses, hands over, and turns every failure into one sentence and an exit status."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import NoReturn

CAUTION = (
    "Training and measurement aid. The maker's current manual and the local authority's rules govern; a licensed person "
    "decides airworthiness and signs. A magneto is live whenever it turns and its primary is not grounded."
)


class _Parser(argparse.ArgumentParser):
    """Raises UsageError instead of leaving the program, so that --json can report it too."""

    def error(self, message: str) -> NoReturn:
        from bench.errors import UsageError

        raise UsageError(f"{self.prog}: {message}. See {self.prog} --help.")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="breakerbench",
        description="Sets the internal timing of breaker-type magnetos on the bench by angle encoder and continuity probe.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)

    rehearse = commands.add_parser("rehearse", help="measure a simulated unit, on screen or without")
    rehearse.add_argument(
        "--scenario", metavar="NAME|FILE", default="plain-single", help="which simulated unit (default: %(default)s)"
    )
    rehearse.add_argument("--list-scenarios", action="store_true", help="list the built-in scenarios and leave")
    rehearse.add_argument(
        "--seed", type=_seed, default=1, metavar="N", help="draws unit, hand and noise (default: %(default)s)"
    )
    rehearse.add_argument("--headless", action="store_true", help="no screen; as fast as the simulation goes")
    rehearse.add_argument("--json", action="store_true", help="print the result document")
    rehearse.add_argument("--show-truth", action="store_true", help="add what the simulator knows to be true")
    rehearse.add_argument("--capture", metavar="FILE", help="keep the journal there")

    measure = commands.add_parser("measure", help="measure the unit on the bench")
    measure.add_argument(
        "job", nargs="?", metavar="JOB.toml", help="what is to be measured, with the limits of your manual"
    )
    measure.add_argument("--port", metavar="URL", help="serial device or socket://host:port of the board")
    measure.add_argument("--headless", action="store_true", help="no screen; the stream alone decides what is done")
    measure.add_argument("--json", action="store_true", help="print the result document")
    measure.add_argument("--capture", metavar="FILE", help="keep the journal there")
    measure.add_argument(
        "--passes", type=_passes, default=None, metavar="N", help="openings to take of every lobe (default: 5)"
    )

    simulate = commands.add_parser("simulate", help="stand up the simulated board for any host")
    where = simulate.add_mutually_exclusive_group(required=True)
    where.add_argument("--pty", action="store_true", help="on a pseudo-terminal; prints its name")
    where.add_argument("--tcp", metavar="HOST:PORT", help="on a TCP port")
    simulate.add_argument(
        "--scenario", metavar="NAME|FILE", default="plain-single", help="which simulated unit (default: %(default)s)"
    )
    simulate.add_argument(
        "--seed", type=_seed, default=1, metavar="N", help="draws unit, hand and noise (default: %(default)s)"
    )
    simulate.add_argument(
        "--rate",
        type=_rate,
        default=1.0,
        metavar="X",
        help="X times as fast as real; 0: as fast as the host reads (default: 1)",
    )

    replay = commands.add_parser("replay", help="the result again, from stored bytes")
    replay.add_argument("capture", metavar="CAPTURE", help="a journal kept by measure or rehearse")
    replay.add_argument("--json", action="store_true", help="print the result document")
    replay.add_argument("--explain", metavar="BREAKER:LOBE", help="tell how one opening's figure came about")
    return parser


def _seed(text: str) -> int:
    value = int(text)
    if not 0 <= value < 2**63:
        raise argparse.ArgumentTypeError("a whole number from 0 was expected")
    return value


def _passes(text: str) -> int:
    value = int(text)
    if not 2 <= value <= 10_000:
        raise argparse.ArgumentTypeError("2 to 10000 was expected, since one pass tells nothing of its scatter")
    return value


def _rate(text: str) -> float:
    value = float(text)
    if not 0 <= value <= 1e6:
        raise argparse.ArgumentTypeError("0 to 1000000 was expected")
    return value


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; gives its exit status."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    as_json = "--json" in given
    try:
        return _dispatch(_parser().parse_args(given))
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 0
    except KeyboardInterrupt:
        return _report("interrupted", "Stopped by the user.", 130, as_json)
    except BrokenPipeError:
        # Whoever read our output has gone; nothing can be told any more.
        sys.stderr.close()
        return 4
    except Exception as error:
        from bench.errors import BenchError

        if isinstance(error, BenchError):
            return _report(error.code, error.text, error.exit_status, as_json)
        return _report(
            "defect", f"Unexpected {type(error).__name__}: {_one_line(error)}. Please report this.", 4, as_json
        )


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
    if options.command == "replay":
        from tui import replay

        return replay.run(options)
    _parser().print_help()
    return 2


def _one_line(error: Exception) -> str:
    from bench.files import printable

    return printable(str(error).split("\n")[0])[:200]


def _report(code: str, text: str, status: int, as_json: bool) -> int:
    if as_json:
        from bench.result import failure_document
        from bench.run import Failure

        print(failure_document(Failure(code, text), None, None, None).to_json())
    print(f"breakerbench: {text}", file=sys.stderr)
    return status


if __name__ == "__main__":
    sys.exit(main())
