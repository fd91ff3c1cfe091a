"""`breakerbench simulate`."""

from __future__ import annotations

import argparse
import io
import json
import sys

from bench.errors import UsageError


class _Announcer(io.StringIO):
    """Turns the simulator's lines for programs into what a person wants to read: the port's name, and how to go on."""

    def __init__(self) -> None:
        super().__init__()
        self._line = ""

    def write(self, text: str) -> int:
        """Collect a line, and say it when it is whole."""
        self._line += text
        while "\n" in self._line:
            line, self._line = self._line.split("\n", 1)
            self._announce(json.loads(line))
        return len(text)

    def _announce(self, told: dict[str, object]) -> None:
        if "port" not in told:
            return
        print(told["port"], flush=True)
        print(f"Scenario {told['scenario']}, seed {told['seed']}. Control-C ends it.", file=sys.stderr)
        if told.get("job"):
            print(f"Measure it with: breakerbench measure {told['job']} --port {told['port']}", file=sys.stderr)


def run(options: argparse.Namespace) -> int:
    """Stand up the simulated board until interrupted; gives the exit status."""
    from sim import scenario as scenarios
    from sim.serve import Options, serve, tcp_address

    try:
        address = None if options.tcp is None else tcp_address(options.tcp)
        scenario = scenarios.load(options.scenario)
    except ValueError as error:
        raise UsageError(f"--tcp: {error}.") from None
    except scenarios.ScenarioError as error:
        raise UsageError(f"--scenario: {error}.") from None
    return serve(scenario, options.seed, Options(tcp=address, rate=options.rate), _Announcer())
