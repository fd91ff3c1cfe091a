"""The firmware behind a pseudo-terminal or a TCP port, with a simulated unit on its pins: `python -m tests.firmware.serve --pty …`

The same as `python -m sim.serve`, which see for the arguments, with the firmware in simavr in the place of the Python board.
`--rate 1` keeps pace with real time, as far as the computer can; 0 is as fast as the host reads.
"""

from __future__ import annotations

import sys

from sim import serve
from sim.scenario import Scenario
from tests.firmware import built
from tests.firmware.pins import PinWorld


def _world(scenario: Scenario, seed: int, boots: int = 0) -> PinWorld:
    del boots
    return PinWorld(built.in_simavr(), scenario, seed)


def main() -> int:
    """The command line of `sim.serve`; 2 also if the firmware cannot be built."""
    try:
        built.in_simavr()
    except built.NotBuilt as error:
        print(error, file=sys.stderr)
        return 2
    # The server makes its world by this name, and asks nothing of it but what every World can.
    vars(serve)["World"] = _world
    return serve.main()


if __name__ == "__main__":
    sys.exit(main())
